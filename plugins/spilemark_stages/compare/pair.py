"""Two sides that lie in one frame, and what is doubtful of the gap between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.corners import corner_and_edge_functional
from spilemark.fitting import fit_outline
from spilemark.gaps import Gaps, Ring, edge_normals
from spilemark.records import Bools, Corner, Edge, Floats, RegisteredPattern, RigidMap
from spilemark.rigid import IDENTITY, apply
from spilemark.uncertainty import (
    align_causes,
    arc_weights,
    fit_functional,
    normals_of,
    rigid_columns,
    simultaneous_factor,
)

_SMOOTH_MM = 4.0
"""Gaps are smoothed by a running median over this length: a saw's hair is not a difference."""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Mirrored starboard laid on port in one way."""

    motion: RigidMap
    """Applied to mirrored starboard in the datum frame."""
    gap_mm: Floats
    """(N,) at port's points; NaN where either was not seen."""
    u95_mm: Floats
    """(N,) simultaneous half-width."""
    by_nearest: Bools
    """(N,) where no facing edge was met."""


class Pair:
    """Port and mirrored starboard."""

    def __init__(self, port: RegisteredPattern, mirrored: RegisteredPattern) -> None:
        self.port, self.mirrored = port, mirrored
        self.ring, self.other = port.outline.ring, mirrored.outline.ring
        self.corners = [c.index for c in port.outline.corners]
        self.normals = edge_normals(self.ring.points_mm, self.corners)
        self.weights = arc_weights(self.ring.points_mm, closed=True, seen=self.ring.seen)
        self.own = Ring(self.ring.points_mm, self.corners)

    def on_datum(self) -> Laid:
        """As the drawn lines lie on each other."""
        gaps = self._meet(IDENTITY)
        aligned = align_causes(self.port.datum_causes, self.mirrored.datum_causes)
        table = aligned.difference(
            self.port.datum_sensitivity_mm, gaps.sample(self.mirrored.datum_sensitivity_mm)
        )
        return self._laid(IDENTITY, gaps, table, self._random(gaps))

    def best_fit(self) -> Laid:
        """As they lie best on each other."""
        start = self._start()
        motion = fit_outline(self.other, self.ring, start=start).motion
        gaps = self._meet(motion)
        table = self._shape_difference(gaps)
        random = self._random(gaps)
        columns = rigid_columns(self.ring.points_mm, normals_of(self.ring))
        functional = fit_functional(self.ring.points_mm, normals_of(self.ring), self.weights)
        table = table - columns @ (functional @ table)
        return self._laid(motion, gaps, table, random)

    def corner_and_edge(self) -> Laid | None:
        """Outer corner on outer corner, straight edge along straight edge; None where there is none."""
        names = _shared_straight_edge(self.port, self.mirrored)
        if names is None:
            return None
        port, other = (_corner_frame(p, names) for p in (self.port, self.mirrored))
        if port is None or other is None:
            return None
        turn = port.heading - other.heading
        turn = float((turn + np.pi) % (2 * np.pi) - np.pi)
        c, s = np.cos(turn), np.sin(turn)
        shift = port.corner - np.array([[c, -s], [s, c]]) @ other.corner
        motion = RigidMap(turn_rad=turn, shift_mm=(float(shift[0]), float(shift[1])))
        gaps = self._meet(motion)
        aligned = align_causes(self.port.outline.causes, self.mirrored.outline.causes)
        columns = rigid_columns(self.ring.points_mm, self.normals)
        # Starboard's own frame differs from port's by the motion, which is small.
        port_table = self.ring.sensitivity_mm - columns @ (port.rows @ self.ring.sensitivity_mm)
        other_table = gaps.sample(self.other.sensitivity_mm) - columns @ (
            other.rows @ self.other.sensitivity_mm
        )
        table = aligned.difference(port_table, other_table)
        spread = (port.rows * self.ring.sigma_mm**2) @ port.rows.T
        spread += (other.rows * self.other.sigma_mm**2) @ other.rows.T
        random = self._random(gaps) + np.einsum("ni,ij,nj->n", columns, spread, columns)
        return self._laid(motion, gaps, table, random)

    def rigid_covariance(self) -> Floats:
        """Covariance (3, 3) of the best fit's motion in the datum frame, both lines' doubt in it."""
        gaps = self._meet(IDENTITY)
        aligned = align_causes(self.port.datum_causes, self.mirrored.datum_causes)
        table = aligned.difference(
            self.port.datum_sensitivity_mm, gaps.sample(self.mirrored.datum_sensitivity_mm)
        )
        functional = fit_functional(self.ring.points_mm, normals_of(self.ring), self.weights)
        moved = functional @ table
        return np.asarray(moved @ moved.T + (functional * self._random(gaps)) @ functional.T)

    def _meet(self, motion: RigidMap) -> Gaps:
        other = Ring(
            apply(motion, self.other.points_mm), [c.index for c in self.mirrored.outline.corners]
        )
        return other.meet(self.ring.points_mm, self.normals, own=self.own)

    def _shape_difference(self, gaps: Gaps) -> Floats:
        aligned = align_causes(self.port.outline.causes, self.mirrored.outline.causes)
        return aligned.difference(self.ring.sensitivity_mm, gaps.sample(self.other.sensitivity_mm))

    def _random(self, gaps: Gaps) -> Floats:
        """Variance (N,) of the independent errors of a gap."""
        return np.asarray(self.ring.sigma_mm**2 + gaps.sample(self.other.sigma_mm) ** 2)

    def _start(self) -> RigidMap:
        """Where the best fit begins: outer corner on outer corner when both have one."""
        if self.port.datum == self.mirrored.datum:
            return IDENTITY
        laid = self.corner_and_edge()
        return IDENTITY if laid is None else laid.motion

    def _laid(self, motion: RigidMap, gaps: Gaps, table: Floats, random: Floats) -> Laid:
        seen = self.ring.seen & gaps.both_ends(self.other.seen)
        gap = _running_median(gaps.gap_mm, self.ring.points_mm, self.corners)
        factor = simultaneous_factor(table, np.sqrt(random))
        u95 = factor * np.sqrt((table**2).sum(axis=1) + random)
        return Laid(
            motion,
            np.where(seen, gap, np.nan),
            np.asarray(u95),
            gaps.by_nearest,
        )


def _running_median(values: Floats, points: Floats, corners: list[int]) -> Floats:
    """Median over a few millimetres of edge, never across a corner."""
    step = float(np.median(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    half = max(1, round(_SMOOTH_MM / 2 / max(step, 1e-6)))
    count = len(values)
    window = (np.arange(count)[:, None] + np.arange(-half, half + 1)) % count
    piece = np.searchsorted(np.sort(corners), np.arange(count), side="right")
    if corners:
        piece = piece % len(corners)
    same = piece[window] == piece[:, None]
    smoothed = np.nanmedian(np.where(same, values[window], np.nan), axis=1)
    return np.asarray(smoothed)


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """Where a pattern's outer corner lies and how its straight edge runs."""

    corner: Floats
    heading: float
    rows: Floats
    """(3, N) motion of corner and edge by changes of the ring along its normals."""


def _shared_straight_edge(port: RegisteredPattern, other: RegisteredPattern) -> str | None:
    """Name of the straightest long edge that meets the outer corner on both sides."""
    if port.origin_corner is None or other.origin_corner is None:
        return None
    names = []
    for pattern in (port, other):
        outline = pattern.outline
        index = outline.corners[pattern.origin_corner or 0].index
        names.append({e.name: e for e in outline.edges if index in (e.start, e.stop)})
    shared = names[0].keys() & names[1].keys()
    if not shared:
        return None
    return min(
        shared,
        key=lambda n: (
            not (names[0][n].straight and names[1][n].straight),
            _bow(port, names[0][n]),
        ),
    )


def _bow(pattern: RegisteredPattern, edge: Edge) -> float:
    """How far an edge leaves its chord, as a share of its length."""
    points = _points(pattern, edge)
    chord = points[-1] - points[0]
    across = np.array([-chord[1], chord[0]]) / max(float(chord @ chord), 1e-9)
    return float(np.abs((points - points[0]) @ across).max())


def _points(pattern: RegisteredPattern, edge: Edge) -> Floats:
    ring = pattern.outline.ring.points_mm
    count = len(ring)
    stop = edge.stop + (count if edge.stop <= edge.start else 0)
    return np.asarray(ring[np.arange(edge.start, stop + 1) % count])


def _corner_frame(pattern: RegisteredPattern, name: str) -> _Frame | None:
    outline = pattern.outline
    corner: Corner = outline.corners[pattern.origin_corner or 0]
    meeting = [e for e in outline.edges if corner.index in (e.start, e.stop)]
    edge = next((e for e in meeting if e.name == name), None)
    other = next((e for e in meeting if e.name != name), None)
    if edge is None or other is None:
        return None
    ring = outline.ring
    points = _points(pattern, edge)
    if edge.stop == corner.index:
        points = points[::-1]
    # A straight fit through the edge, drawn on to the corner's foot on it.
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    along = along * np.sign(float(along @ (points[-1] - points[0])))
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    rows = corner_and_edge_functional(
        ring.points_mm, normals_of(ring), weights, corner.index, edge, other
    )
    return _Frame(
        np.asarray(ring.points_mm[corner.index]), float(np.arctan2(along[1], along[0])), rows
    )
