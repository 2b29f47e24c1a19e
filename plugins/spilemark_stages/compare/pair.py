"""Two sides that lie in one frame: the gap between them, and what is doubtful of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.corners import edge_span
from spilemark.gaps import Gaps, Indices, Ring, edge_normals
from spilemark.records import Bools, Cause, Edge, Floats, RegisteredPattern, RigidMap
from spilemark.rigid import apply
from spilemark.uncertainty import (
    align_causes,
    arc_weights,
    rigid_columns,
    simultaneous_factor,
)

_SMOOTH_MM = 6.0
"""Gaps are a running median over this length: a splinter or a hair is not a difference.

Longer ones would be calmer, but take a tenth and more off a bump of 30 mm."""
_TOGETHER_MM = 2.0
"""Random errors of two points of an edge hang together as exp(-distance / this).

On 22 rendered photos, errors from the truth less their 40 mm running mean: correlation 0.43 to 0.84 at
0.7 mm, below 0.37 at 2.4 mm, below 0.15 at 4.8 mm, as of 1 to 2 mm; the longest is taken."""
_MEDIAN = 1.1
"""Variance of such errors' median over a window in that of their mean (simulated; 1.04 to 1.12)."""
_APART = 3
"""As many values in a window, were they independent, would reach as far as the running median does.

By the rate at which so smooth a curve crosses a level (Rice, Bell System Technical Journal 24, 1945) it is 3.1."""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Mirrored starboard laid on port in one way."""

    motion: RigidMap
    """Applied to mirrored starboard in the datum frames."""
    gap_mm: Floats
    """(N,) at port's points; NaN where either was not seen."""
    u95_mm: Floats
    """(N,) simultaneous half-width."""
    table_mm: Floats
    """(N, K) what the gap owes to each cause."""
    variance_mm2: Floats
    """(N,) of its points' own errors, before the running median and any fit."""


class Pair:
    """Port and mirrored starboard."""

    def __init__(self, port: RegisteredPattern, mirrored: RegisteredPattern) -> None:
        self.port, self.mirrored = port, mirrored
        self.ring, self.other = port.outline.ring, mirrored.outline.ring
        self.corners = sorted(c.index for c in port.outline.corners)
        self.other_corners = sorted(c.index for c in mirrored.outline.corners)
        self.normals = edge_normals(self.ring.points_mm, self.corners)
        self.columns = rigid_columns(self.ring.points_mm, self.normals)
        self.weights = arc_weights(self.ring.points_mm, closed=True, seen=self.ring.seen)
        self.own = Ring(self.ring.points_mm, self.corners)
        self._wanted, self._labels = _matched_edges(port, mirrored)
        self._window, reach_mm = _median_window(self.ring.points_mm, self.corners)
        self._calmed = _calmed(2 * reach_mm)
        self._step_mm = _step_mm(self.ring.points_mm)

    def meet(self, motion: RigidMap) -> Gaps:
        """Port's normals on the moved starboard outline."""
        other = Ring(apply(motion, self.other.points_mm), self.other_corners, self._labels)
        return other.meet(self.ring.points_mm, self.normals, own=self.own, wanted=self._wanted)

    def seen(self, gaps: Gaps) -> Bools:
        """Where both sides were seen (N,)."""
        return np.asarray(self.ring.seen & gaps.both_ends(self.other.seen))

    def shape_table(self, gaps: Gaps) -> Floats:
        """What a gap owes to each cause (N, K), the frames themselves exact."""
        return self._difference(
            gaps,
            (self.port.outline.causes, self.ring.sensitivity_mm),
            (self.mirrored.outline.causes, self.other.sensitivity_mm),
        )

    def datum_table(self, gaps: Gaps) -> Floats:
        """What a gap between the datum frames owes to each cause (N, K), the datums' own too."""
        return self._difference(
            gaps,
            (self.port.datum_causes, self.port.datum_sensitivity_mm),
            (self.mirrored.datum_causes, self.mirrored.datum_sensitivity_mm),
        )

    def variance(self, gaps: Gaps) -> Floats:
        """Variance (N,) of a gap's independent errors."""
        other = gaps.sample(self.other.sigma_mm) / gaps.slant
        return np.asarray(self.ring.sigma_mm**2 + other**2)

    def _difference(
        self,
        gaps: Gaps,
        port: tuple[tuple[Cause, ...], Floats],
        other: tuple[tuple[Cause, ...], Floats],
    ) -> Floats:
        aligned = align_causes(port[0], other[0])
        at_other = _sampled(gaps, _edgewise(other[1], self.other_corners), self.other_corners)
        # An edge that is met aslant moves the crossing by more than itself.
        at_other = at_other / gaps.slant[:, None]
        return aligned.difference(_edgewise(port[1], self.corners), at_other)

    def laid(
        self, motion: RigidMap, gaps: Gaps, table: Floats, functional: Floats | None = None
    ) -> Laid:
        """Put gap and band together.

        Parameters
        ----------
        motion : RigidMap
        gaps : Gaps
        table : (N, K)
            What the gap owes to the causes before a fit.
        functional : (3, N), optional
            The fit that took a rigid motion out of the gap.
        """
        own = self.variance(gaps)
        variance = own * self._calmed
        if functional is not None:
            table = table - self.columns @ (functional @ table)
            spread = self.spread(functional, own)
            variance = variance + np.einsum("ni,ij,nj->n", self.columns, spread, self.columns)
        seen = self.seen(gaps)
        deviation = np.sqrt((table**2).sum(axis=1) + variance)
        apart = np.flatnonzero(seen)[:: max(1, int(_SMOOTH_MM / _APART / self._step_mm))]
        factor = simultaneous_factor(table[apart], np.sqrt(variance[apart])) if len(apart) else 0.0
        gap = np.median(gaps.gap_mm[self._window], axis=1)
        return Laid(
            motion,
            np.where(seen, gap, np.nan),
            np.asarray(factor * deviation),
            table,
            own,
        )

    def spread(self, functional: Floats, variance_mm2: Floats) -> Floats:
        """Covariance (3, 3) of a fit from the points' own errors, which hang together along the edge."""
        felt = functional * np.sqrt(variance_mm2)
        reach = min(int(6 * _TOGETHER_MM / self._step_mm), felt.shape[1] - 1)
        alike = np.exp(-np.abs(np.arange(-reach, reach + 1)) * self._step_mm / _TOGETHER_MM)
        round_it = np.pad(felt, ((0, 0), (reach, reach)), mode="wrap")
        common = np.stack([np.convolve(row, alike, "valid") for row in round_it])
        return np.asarray(felt @ common.T)


def edge_key(pattern: RegisteredPattern, edge: Edge) -> tuple[str, frozenset[str]]:
    """An edge's name and those of the corners at its ends: what makes it the same on both sides.

    An edge that a notch cuts short on one side only has no equal on the other.
    """
    ends = {c.name for c in pattern.outline.corners if c.index in (edge.start, edge.stop)}
    return edge.name, frozenset(ends)


def _matched_edges(port: RegisteredPattern, mirrored: RegisteredPattern) -> tuple[Indices, Indices]:
    """Which edge each of port's points and starboard's segments belongs to; -1 where only one has it."""
    keys = {edge_key(port, e): k for k, e in enumerate(port.outline.edges)}
    shared = {edge_key(mirrored, e) for e in mirrored.outline.edges} & keys.keys()
    labels = []
    for pattern in (port, mirrored):
        count = len(pattern.outline.ring.points_mm)
        label = np.full(count, -1, dtype=np.intp)
        for edge in pattern.outline.edges:
            key = edge_key(pattern, edge)
            if key in shared:
                label[edge_span(edge, count)[:-1]] = keys[key]
        labels.append(label)
    return labels[0], labels[1]


def _edgewise(table: Floats, corners: list[int]) -> Floats:
    """The table with each corner's row taken from the edge that starts there.

    A corner's own row is stated along the bisector of its two edges, which no
    gap is measured along.
    """
    if not corners:
        return table
    mended = np.array(table)
    mended[corners] = table[(np.array(corners) + 1) % len(table)]
    return mended


def _sampled(gaps: Gaps, table: Floats, corners: list[int]) -> Floats:
    """Rows where the gaps met the other ring, never of the edge beyond a corner."""
    at_corner = np.zeros(len(table), dtype=bool)
    at_corner[corners] = True
    ahead = (gaps.segment + 1) % len(table)
    along = np.where(at_corner[ahead], 0.0, gaps.along)[:, None]
    return np.asarray((1.0 - along) * table[gaps.segment] + along * table[ahead])


def _median_window(points: Floats, corners: list[int]) -> tuple[Indices, Floats]:
    """Indices (N, W) of each point's neighbours along its own edge, and how far they reach (N,), mm."""
    step, count = _step_mm(points), len(points)
    half = int(np.clip(round(_SMOOTH_MM / 2 / step), 0, count // 4))
    index = np.arange(count)
    window = index[:, None] + np.arange(-half, half + 1)
    reach = np.full(count, half)
    if corners:
        breaks = np.array(corners)
        place = np.searchsorted(breaks, index, side="right") - 1
        start = np.where(place < 0, breaks[-1] - count, breaks[place])
        stop = np.where(
            place + 1 >= len(breaks), breaks[0] + count, breaks[(place + 1) % len(breaks)]
        )
        # Near an end of its edge a point keeps a window that is even about itself; the corner at
        # its end is the next edge's.
        reach = np.minimum(half, np.minimum(index - start, stop - 1 - index))
        window = np.clip(window, (index - reach)[:, None], (index + reach)[:, None])
    return np.asarray(window % count, dtype=np.intp), reach * step


def _step_mm(points: Floats) -> float:
    return max(float(np.median(np.linalg.norm(np.diff(points, axis=0), axis=1))), 1e-6)


def _calmed(window_mm: Floats) -> Floats:
    """Variance (N,) of a running median over windows (N,), in that of a single value.

    Of the mean of errors that hang together as exp(-distance / L) over a length of
    a L it is 2 (a - 1 + exp(-a)) / a^2 (the double integral of the correlation).
    """
    a = np.maximum(window_mm / _TOGETHER_MM, 1e-3)
    return np.asarray(np.minimum(1.0, _MEDIAN * 2.0 * (a - 1.0 + np.exp(-a)) / a**2))
