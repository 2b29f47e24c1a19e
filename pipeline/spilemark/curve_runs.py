"""Where a measured line is cut into runs, each for one cubic.

Runs are halved until a cubic fits each; then, of a finer set of places to cut,
the fewest are chosen with which every run still has its cubic.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spilemark.cubics import (
    chord_parameters,
    fit_cubics,
    offsets_across,
    towards_foot,
    well_behaved,
)
from spilemark.records import Bools, Floats

Indices = NDArray[np.intp]

SHORT = 3
"""Runs of at most so many steps are drawn from point to point when no curve fits."""
_TRIAL_POINTS = 33
"""Points of a run that a trial fit looks at."""
_SPARE = 0.8
"""Share of the tolerance that trial fits may use; common places and tangents cost the rest."""
_REFINE_BELOW = 200
"""Lines cut into more runs than this are noise, not shape: no finer set is tried."""


@dataclass(slots=True)
class Chain:
    """A line cut into runs at joints; a joint is a corner or a smooth meeting of two curves."""

    points: Floats
    """(N, 2), a closed line with its first point repeated at the end."""
    joints: Indices
    """(S + 1,) first, last and all between."""
    sharp: Bools
    """(S + 1,) corners and free ends, met exactly."""
    straight: Bools
    """(S,) runs that their chord draws."""
    seamless: bool
    """A closed line without a corner: its first and last joint are one."""


def cut_into_runs(points: Floats, marked: list[int], *, closed: bool, tolerance: float) -> Chain:
    """Cut a line at its corners and, between them, where one cubic no longer does.

    Parameters
    ----------
    points : (N, 2), mm
    marked : list of int
        Corners, in order.
    closed : bool
    tolerance : float
        For the straight runs; what cubics may use is theirs to keep, see ``_SPARE``.
    """
    chain = _open_chain(points, marked, closed)
    _mark_straight(chain, tolerance)
    _halve_until_fitting(chain, _SPARE * tolerance)
    _fewest(chain, _SPARE * tolerance)
    return chain


def _open_chain(points: Floats, marked: list[int], closed: bool) -> Chain:
    """The line opened at a corner if it has one, without repeated points."""
    seamless = closed and not marked
    if closed:
        first = marked[0] if marked else 0
        points = np.concatenate([points[first:], points[: first + 1]])
        marked = [m - first for m in marked] + [len(points) - 1]
    ends = {0, len(points) - 1} | set(marked)
    apart = np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-9
    keep = np.concatenate([apart, [True]])
    place = np.cumsum(keep) - keep
    points = points[keep]
    joints = np.unique(place[sorted(ends)])
    sharp = np.ones(len(joints), dtype=np.bool_)
    if seamless or len(joints) < 2:
        thirds = np.unique(np.linspace(0, len(points) - 1, 4).round().astype(np.intp))
        joints, sharp = thirds, np.zeros(len(thirds), dtype=np.bool_)
    return Chain(points, joints, sharp, np.zeros(len(joints) - 1, dtype=np.bool_), seamless)


def _mark_straight(chain: Chain, tolerance: float) -> None:
    """Find the runs from corner to corner that a straight line draws."""
    for k, (a, b) in enumerate(zip(chain.joints, chain.joints[1:], strict=False)):
        run = chain.points[a : b + 1]
        chain.straight[k] = off_chord(run) <= tolerance and not chain.seamless


def off_chord(run: Floats) -> float:
    """Largest distance of a run from the straight line between its ends."""
    chord = run[-1] - run[0]
    along = np.clip((run - run[0]) @ chord / max(float(chord @ chord), 1e-18), 0.0, 1.0)
    return float(np.linalg.norm(run - run[0] - along[:, None] * chord, axis=1).max())


def _halve_until_fitting(chain: Chain, tolerance: float) -> None:
    """Cut runs in the middle until a cubic fits each, or they are short."""
    waiting = ~chain.straight
    while waiting.any():
        index = np.flatnonzero(waiting)
        start, stop = chain.joints[index], chain.joints[index + 1]
        bad = (_trial_errors(chain, start, stop) > tolerance) & (stop - start > SHORT)
        waiting[index] = bad
        waiting = cut_in_middle(chain, index[bad], waiting)


def cut_in_middle(chain: Chain, index: Indices, waiting: Bools) -> Bools:
    """Put a joint into the middle of each named run; both halves wait for their trial."""
    middle = (chain.joints[index] + chain.joints[index + 1]) // 2
    chain.joints = np.insert(chain.joints, index + 1, middle)
    chain.sharp = np.insert(chain.sharp, index + 1, False)
    chain.straight = np.insert(chain.straight, index + 1, False)
    return np.insert(waiting, index + 1, waiting[index])


def _fewest(chain: Chain, tolerance: float) -> None:
    """Replace the joints by the fewest that do, chosen from a finer set."""
    if len(chain.joints) < _REFINE_BELOW:
        steps = np.diff(chain.joints)
        cut_in_middle(chain, np.flatnonzero(~chain.straight & (steps > SHORT)), chain.straight)
    errors = _reachable(chain, tolerance)
    keep = np.zeros(len(chain.joints), dtype=np.bool_)
    fixed = np.flatnonzero(chain.sharp) if chain.sharp.any() else np.array([0])
    for first, last in zip(fixed, [*fixed[1:], len(keep) - 1], strict=False):
        keep[_shortest_way(int(first), int(last), errors)] = True
    chain.joints, chain.sharp = chain.joints[keep], chain.sharp[keep]
    chain.straight = chain.straight[keep[:-1]]


def _reachable(chain: Chain, tolerance: float) -> dict[tuple[int, int], float]:
    """Pairs of joints (start, stop) between which one cubic does, with its error.

    What does not fit between two joints does not fit between two that enclose
    them, so wider pairs are tried only where both narrower ones did.
    """
    count = len(chain.joints)
    errors = {(k, k + 1): 0.0 for k in range(count - 1)}
    width = 2
    while width < count:
        tried = [
            (k, k + width)
            for k in range(count - width)
            if (k, k + width - 1) in errors
            and (k + 1, k + width) in errors
            and not chain.sharp[k + 1 : k + width].any()
        ]
        if not tried:
            break
        start, stop = chain.joints[np.array(tried, dtype=np.intp)].T
        found = _trial_errors(chain, start, stop)
        errors |= {pair: e for pair, e in zip(tried, found.tolist(), strict=True) if e <= tolerance}
        width += 1
    return errors


def _shortest_way(first: int, last: int, errors: dict[tuple[int, int], float]) -> list[int]:
    """Joints of the fewest steps from first to last; among equals, those of the least error."""
    best: dict[int, tuple[int, float, int]] = {first: (0, 0.0, first)}
    for stop in range(first + 1, last + 1):
        ways = [
            (best[start][0] + 1, best[start][1] + errors[start, stop] ** 2, start)
            for start in range(stop - 1, first - 1, -1)
            if (start, stop) in errors
        ]
        best[stop] = min(ways)
    way = [last]
    while way[-1] != first:
        way.append(best[way[-1]][2])
    return way[::-1]


def _trial_errors(chain: Chain, start: Indices, stop: Indices) -> Floats:
    """How far (S,) the free cubic of each run start..stop stays off some of its points."""
    runs = some_points(chain.points, start, stop, _TRIAL_POINTS)
    control = free_fit(runs, ends_held=held_ends(chain, start, stop))
    at = chord_parameters(runs)
    for _ in range(4):
        at = towards_foot(runs, control, at)
    # Across the curve only: a free end may lie a little before or behind its point.
    errors = np.abs(offsets_across(runs, control, at)).max(axis=1)
    return np.where(well_behaved(control), errors, np.inf)


def held_ends(chain: Chain, start: Indices, stop: Indices) -> Bools:
    """Which ends (S, 2) of runs are corners."""
    corners = chain.joints[chain.sharp]
    return np.stack([np.isin(start, corners), np.isin(stop, corners)], axis=-1)


def some_points(points: Floats, start: Indices, stop: Indices, count: int) -> Floats:
    """Evenly spread points (S, count, 2) of each run, ends included."""
    share = np.linspace(0, 1, count)
    index = start[:, None] + (stop - start)[:, None] * share
    return points[index.round().astype(np.intp)]


def free_fit(runs: Floats, *, ends_held: Bools) -> Floats:
    """Cubics of runs with corners held and nothing else."""
    nothing = np.zeros((len(runs), 2, 2))
    return fit_cubics(
        runs,
        ends=runs[:, [0, -1]],
        ends_held=ends_held,
        tangents=nothing,
        tangents_held=np.zeros((len(runs), 2), dtype=np.bool_),
    )
