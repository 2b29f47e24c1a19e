"""A measured line as few straight lines and cubic curves.

The line is cut into runs (``spilemark.curve_runs``), and curves that meet at no
corner are given a common place and tangent.  A run whose curve then strays too
far is cut once more.  The distance is checked both ways: each place on a drawn
curve is paired with one place on the measured line, in order, so the distance
within a pair bounds the distance from curve to line and from line to curve.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.cubics import (
    chord_parameters,
    curve_points,
    fit_chain,
    fit_cubics,
    towards_foot,
    well_behaved,
)
from spilemark.curve_runs import (
    SHORT,
    Chain,
    Indices,
    cut_in_middle,
    cut_into_runs,
    free_fit,
    held_ends,
    off_chord,
    some_points,
)
from spilemark.records import Floats

_FINAL_POINTS = 33
"""Points of a run that the fit which is kept looks at; the check looks at all."""
_CHECK_CHUNK = 60_000
_BETWEEN_SAMPLES = 1.01
"""Distances are looked at twice a step; between two looks they may be a little larger."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedLine:
    """What was drawn for one measured line."""

    segments: tuple[Floats, ...]
    """(M, 2) arrays, mm: M = 2 is a straight line, M = 4 a cubic Bezier; each begins where
    the one before ended, and a closed line ends where it began."""
    deviation_mm: float
    """No place of the drawn line is farther than this from the measured one, nor the other
    way round."""


def fit_polyline(
    points_mm: Floats,
    *,
    corners: Sequence[int] = (),
    closed: bool,
    tolerance_mm: float = 0.05,
) -> FittedLine:
    """Draw a measured line with few straight lines and cubic curves.

    Parameters
    ----------
    points_mm : (N, 2) array, mm
        In order; a closed line does not repeat its first point.
    corners : sequence of int
        Points that stay sharp and are met exactly.
    closed : bool
    tolerance_mm : float
        Largest distance allowed between drawn and measured line.

    Returns
    -------
    FittedLine

    Raises
    ------
    ValueError
        Fewer than two points (three if closed), a corner that is no point, or
        a tolerance that is not positive.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if len(points) < (3 if closed else 2):
        raise ValueError(f"a line needs more than {len(points)} points")
    if not tolerance_mm > 0:
        raise ValueError(f"the curve tolerance must be positive, not {tolerance_mm}")
    marked = sorted({int(c) for c in corners})
    if marked and not 0 <= marked[0] <= marked[-1] < len(points):
        raise ValueError("a corner index lies outside the line")
    chain = cut_into_runs(points, marked, closed=closed, tolerance=tolerance_mm)
    return _draw(chain, tolerance_mm)


def segments_to_polyline(segments: Sequence[Floats], *, spacing_mm: float = 0.5) -> Floats:
    """Dense points (N, 2) along drawn segments, for checks and pictures."""
    parts = []
    for control in segments:
        length = float(np.linalg.norm(np.diff(control, axis=0), axis=1).sum())
        at = np.linspace(0, 1, max(2, int(np.ceil(length / spacing_mm)) + 1))[:-1]
        if len(control) == 2:
            parts.append(control[0] + at[:, None] * (control[1] - control[0]))
        else:
            parts.append(curve_points(control[None], at[None])[0])
    return np.concatenate([*parts, segments[-1][-1:]])


def _draw(chain: Chain, tolerance: float) -> FittedLine:
    """Fit with common places and tangents; cut what fails and begin again.

    Corner to corner, lines do not concern each other: those that hold are done.
    """
    done: dict[int, tuple[Floats, float]] = {}
    while True:
        waiting = ~chain.straight & ~np.isin(chain.joints[:-1], list(done))
        curved = np.flatnonzero(waiting)
        if not len(curved):
            return _finish(chain, done, tolerance)
        start, stop = chain.joints[curved], chain.joints[curved + 1]
        runs = some_points(chain.points, start, stop, _FINAL_POINTS)
        free = free_fit(runs, ends_held=held_ends(chain, start, stop))
        places, tangents = _common(chain, curved, free)
        control = _held_fit(chain, curved, runs, places, tangents)
        control = _settle(chain, curved, runs, control)
        errors = np.where(well_behaved(control), _deviations(chain, curved, control), np.inf)
        bad = errors > tolerance
        line = np.cumsum(chain.sharp)[curved]
        holds = ~np.isin(line, line[bad])
        done |= {int(start[k]): (control[k], float(errors[k])) for k in np.flatnonzero(holds)}
        short = stop - start <= SHORT
        hopeless = curved[bad & short]
        chain.sharp[hopeless] = chain.sharp[hopeless + 1] = True
        _draw_from_point_to_point(chain, hopeless)
        # Indices moved: find the runs that failed by where they start.
        failing = np.isin(chain.joints[:-1], start[bad & ~short]) & ~chain.straight
        cut_in_middle(chain, np.flatnonzero(failing), failing)


def _draw_from_point_to_point(chain: Chain, index: Indices) -> None:
    """Make each step of the named short runs a straight run of its own."""
    for k in index[::-1]:
        inner = np.arange(chain.joints[k] + 1, chain.joints[k + 1])
        chain.joints = np.insert(chain.joints, k + 1, inner)
        chain.sharp = np.insert(chain.sharp, k + 1, np.ones(len(inner), dtype=np.bool_))
        chain.straight[k] = True
        chain.straight = np.insert(chain.straight, k + 1, np.ones(len(inner), dtype=np.bool_))


def _common(chain: Chain, curved: Indices, free: Floats) -> tuple[Floats, Floats]:
    """Place and tangent (J, 2) of every joint: where two curves meet, between what both would like.

    The longer run, which knows its end better, counts for more.
    """
    count = len(chain.joints)
    weight = (chain.joints[curved + 1] - chain.joints[curved]).astype(np.float64)[:, None]
    places, tangents, total = np.zeros((count, 2)), np.zeros((count, 2)), np.zeros((count, 1))
    for joint, end, near, far in ((curved, 0, 0, 1), (curved + 1, 3, 2, 3)):
        step = free[:, far] - free[:, near]
        step /= np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-12)
        np.add.at(places, joint, weight * free[:, end])
        np.add.at(tangents, joint, weight * step)
        np.add.at(total, joint, weight)
    if chain.seamless:
        for sums in (places, tangents, total):
            sums[0] = sums[-1] = sums[0] + sums[-1]
    tangents /= np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-12)
    measured = chain.points[chain.joints]
    moved = places / np.maximum(total, 1e-12) - measured
    moved -= np.einsum("ji,ji->j", moved, tangents)[:, None] * tangents
    return np.where(chain.sharp[:, None], measured, measured + moved), tangents


def _held_fit(
    chain: Chain, curved: Indices, runs: Floats, places: Floats, tangents: Floats
) -> Floats:
    """Cubics (S, 4, 2) between common places, along common tangents where no corner is."""
    both = np.stack([curved, curved + 1], axis=-1)
    smooth = ~chain.sharp[both]
    control = fit_cubics(
        runs,
        ends=places[both],
        ends_held=np.ones_like(smooth),
        tangents=tangents[both],
        tangents_held=smooth,
        # Places and tangents are settled for all curves together after this.
        rounds=2,
    )
    control[:, [0, 3]] = places[both]
    for end, outer, inner in ((0, 0, 1), (1, 3, 2)):
        handle = control[:, inner] - control[:, outer]
        along = tangents[both[:, end]]
        on_tangent = np.einsum("si,si->s", handle, along)[:, None] * along
        control[:, inner] = control[:, outer] + np.where(smooth[:, end, None], on_tangent, handle)
    return control


def _settle(chain: Chain, curved: Indices, runs: Floats, control: Floats) -> Floats:
    """Better common places and tangents, found for all curves at once."""
    count = len(chain.joints)
    both = np.stack([curved, curved + 1], axis=-1)
    # At a corner, the curve that ends there has a direction of its own.
    handles = both + np.array([0, count]) * chain.sharp[both]
    if chain.seamless:
        both, handles = both % (count - 1), handles % (count - 1)
    used, places = np.unique(both, return_inverse=True)
    _, handles = np.unique(handles, return_inverse=True)
    return fit_chain(
        runs,
        control,
        places=places.reshape(both.shape),
        handles=handles.reshape(both.shape),
        points=chain.points[chain.joints[used]],
        exact=chain.sharp[used],
    )


def _deviations(chain: Chain, curved: Indices, control: Floats) -> Floats:
    """Bound (S,) of the distance between each run and its curve, both ways, looking at all points.

    A run's steps are subdivided, at least in two, so that the middle of each
    step is compared as well.
    """
    steps = chain.joints[curved + 1] - chain.joints[curved]
    result = np.zeros(len(curved))
    order = np.argsort(steps, kind="stable")
    while len(order):
        size = 2 * int(steps[order[-1]])
        chunk, order = _last_chunk(order, max(1, _CHECK_CHUNK // size))
        parts = size // steps[chunk]
        at_step = np.minimum(np.arange(size + 1) / parts[:, None], steps[chunk][:, None])
        lower = np.minimum(np.floor(at_step).astype(np.intp), steps[chunk][:, None] - 1)
        share = (at_step - lower)[..., None]
        base = chain.joints[curved[chunk]][:, None] + lower
        runs = (1 - share) * chain.points[base] + share * chain.points[base + 1]
        at = chord_parameters(runs)
        for _ in range(5):
            at = towards_foot(runs, control[chunk], at)
        result[chunk] = np.linalg.norm(curve_points(control[chunk], at) - runs, axis=2).max(axis=1)
    return _BETWEEN_SAMPLES * result


def _last_chunk(order: Indices, count: int) -> tuple[Indices, Indices]:
    """The last ``count`` entries, and the rest."""
    return order[-count:], order[:-count]


def _finish(chain: Chain, done: dict[int, tuple[Floats, float]], tolerance: float) -> FittedLine:
    """Segments in order, with curves that hardly bend drawn straight."""
    segments: list[Floats] = []
    deviation = 0.0
    for a, b in zip(chain.joints, chain.joints[1:], strict=False):
        if int(a) not in done:
            segments.append(chain.points[[a, b]])
            deviation = max(deviation, off_chord(chain.points[a : b + 1]))
            continue
        curve, error = done[int(a)]
        bend = off_chord(curve)
        if error + bend <= tolerance and bend < 0.1 * tolerance:
            curve, error = curve[[0, 3]], error + bend
        segments.append(curve)
        deviation = max(deviation, error)
    return FittedLine(segments=tuple(segments), deviation_mm=deviation)
