"""The last millimetres of placing a part: the least margin raised step by step.

The margin is the least of many distances, each nearly straight in a small
motion (x, y, turn).  Each step solves a linear programme for the motion that
raises the least of them most within a trust region, as in sequential linear
programming for minimax problems (Madsen, *BIT* 15, 1975).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from spilemark.blank.shapes import Floats, Pose, Shape

SLACK_COST = 50.0
"""Margin that one millimetre past a guide's tolerance is worth."""
_LEAST_TRUST_MM = 1e-3
_STEPS, _FIRST_STEPS = 24, 5
_GO_ON = 4
_NOTHING_MM2 = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Points of the part that stay on a line of the blank, within a tolerance."""

    points_mm: Floats
    """(K, 2) in the part's frame."""
    line: Shape
    """Sides of the line, in the blank's frame."""
    tolerance_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A part to place: what is kept apart, and how it may turn."""

    free: Shape
    """Sound wood."""
    part: Shape
    edge_points: Floats
    """(N, 2) corners of the part whose margin counts, and points on its sides: two edges may cross
    where neither has a corner."""
    pins: Floats
    """(K, 2) the same of the wood, that may reach into the part."""
    counted: Shape
    """Sides of the part whose margin counts."""
    wood: Shape
    """Sides of the sound wood whose margin counts: all but those on which a guide is kept."""
    areas: tuple[Any, Any]
    """Sound wood, with what the guides' tolerances add, and part, as shapely has them."""
    tracks: tuple[Track, ...] = ()
    turns_rad: tuple[tuple[float, float], tuple[float, float]] | None = None
    """Turns allowed as it lies and flipped over, modulo half a turn; None: any."""

    def score(self, pose: Pose) -> float:
        """Least margin, less the cost of leaving the guides."""
        return self.scored(pose)[0]

    def scored(self, pose: Pose) -> tuple[float, tuple[Floats, Floats]]:
        """The score, and the distances and their changes that it comes from."""
        gaps, change = self._gaps(pose)
        return float(gaps.min()) - SLACK_COST * self.off_track(pose), (gaps, change)

    def margin(self, pose: Pose) -> float:
        """Least margin, below zero where the part runs out of the wood."""
        return float(self._gaps(pose)[0].min())

    def exact_margin(self, pose: Pose) -> float:
        """The margin of all edges, not only of points on them; below zero where any part of it runs out.

        Where it does, it is how deep: the farthest of it from the wood, or half
        the width of the gap that it spans.
        """
        from shapely import maximum_inscribed_circle, transform
        from shapely import points as as_points

        free, part = self.areas
        out = transform(part, pose.apply).difference(free)
        if out.area < _NOTHING_MM2:
            return float(self.wood.lines.distance(self.counted.moved(pose).lines))
        pieces = [p for p in getattr(out, "geoms", [out]) if p.area > 0.0]
        corners = np.concatenate([np.asarray(p.exterior.coords) for p in pieces])
        deep = float(free.distance(as_points(corners)).max())
        half = max(float(maximum_inscribed_circle(p).length) for p in pieces)
        return min(-max(deep, half), self.margin(pose))

    def allowed(self, turn_rad: float, near: Pose) -> float:
        """Keep a turn within what the grain allows, on the side of the circle of a pose."""
        if self.turns_rad is None:
            return turn_rad
        low, high = self.turns_rad[near.flipped]
        half = round((near.turn_rad - (low + high) / 2.0) / math.pi) * math.pi
        return min(max(turn_rad, low + half), high + half)

    def off_track(self, pose: Pose) -> float:
        """How far the worst guide is past its tolerance, mm; zero within."""
        worst = 0.0
        for track in self.tracks:
            gap, _ = track.line.nearest(pose.apply(track.points_mm))
            worst = max(worst, float(gap.max()) - track.tolerance_mm)
        return worst

    def _gaps(self, pose: Pose) -> tuple[Floats, Floats]:
        """Distances (K,), and their change (K, 3) by a motion of the part: x, y, turn about the origin's image."""
        here = pose.apply(self.edge_points)
        gap, place = self.wood.nearest(here)
        free, part = self.areas
        depth = np.where(_holds(free, here), gap, -gap)
        out = here - place
        change = _unit(out, depth)
        arms = here - pose.shift_mm
        rows = [_with_turn(change, arms)]
        gaps = [depth]
        if len(self.pins):
            # The part stays where its lines were prepared: the wood's points are brought to it.
            theirs = pose.undone(self.pins)
            gap, at = self.counted.nearest(theirs)
            at = pose.apply(at)
            clear = np.where(_holds(part, theirs), -gap, gap)
            gaps.append(clear)
            rows.append(_with_turn(-_unit(self.pins - at, clear), at - pose.shift_mm))
        return np.concatenate(gaps), np.concatenate(rows)


def _holds(area: Any, points: Floats) -> Any:
    from shapely import contains_xy

    return contains_xy(area, points[:, 0], points[:, 1])


def refined(
    problem: Problem, pose: Pose, trust_mm: float, steps: int = _STEPS
) -> tuple[Pose, float]:
    """Raise the least margin from a start; hand back where it ends, and its score."""
    reach = max(float(np.linalg.norm(problem.part.vertices, axis=1).max()), 1.0)
    best = pose
    score, near = problem.scored(pose)
    for _ in range(steps):
        step = _step(problem, best, near, trust_mm, reach)
        if step is None:
            break
        turn = problem.allowed(best.turn_rad + float(step[2]), best)
        x, y = best.shift_mm
        tried = Pose(turn, (x + float(step[0]), y + float(step[1])), best.flipped)
        found, there = problem.scored(tried)
        if found > score + 1e-6:
            gain, best, score, near = found - score, tried, found, there
            if gain < 1e-4 and trust_mm < 0.05:
                break
            trust_mm *= 1.5
        else:
            trust_mm /= 4.0
            if trust_mm < _LEAST_TRUST_MM:
                break
    return best, score


def _step(
    problem: Problem, pose: Pose, here: tuple[Floats, Floats], trust: float, reach: float
) -> Floats | None:
    """The motion within the trust region that raises the least margin most, by its straight model."""
    from scipy.optimize import linprog

    gaps, change = here
    # Nothing further off than this can become the least within one step.
    near = gaps < gaps.min() + 4.0 * trust
    gaps, change = gaps[near], change[near]
    scaled = change / [1.0, 1.0, reach]
    rows = [np.column_stack([-scaled, np.ones(len(gaps)), np.zeros(len(gaps))])]
    limits = [gaps]
    for track in problem.tracks:
        guided = pose.apply(track.points_mm)
        gap, at = track.line.nearest(guided)
        slope = _with_turn(_unit(guided - at, gap), guided - pose.shift_mm) / [1.0, 1.0, reach]
        # A point on the line has no direction off it: take the line's normal, both ways.
        on = gap < 1e-6
        slope[on] = _across(track.line, at[on], guided[on] - pose.shift_mm) / [1.0, 1.0, reach]
        slack = -np.ones(len(gap))
        for way in (1.0, -1.0):
            rows.append(np.column_stack([way * slope, np.zeros(len(gap)), slack]))
            limits.append(track.tolerance_mm - way * gap)
    bounds = [(-trust, trust)] * 3 + [(None, None), (0.0, None)]
    done = linprog(
        [0.0, 0.0, 0.0, -1.0, SLACK_COST],
        A_ub=np.concatenate(rows),
        b_ub=np.concatenate(limits),
        bounds=bounds,
        method="highs",
    )
    if done.x is None:
        return None
    return np.asarray(done.x[:3] / [1.0, 1.0, reach])


def _unit(off: Floats, signed: Floats) -> Floats:
    """Unit vectors of the offsets, turned where the distance is below zero."""
    length = np.linalg.norm(off, axis=1)
    sign = np.where(signed >= 0.0, 1.0, -1.0)
    return np.asarray(off / np.maximum(length, 1e-9)[:, None] * sign[:, None])


def _with_turn(change: Floats, arms: Floats) -> Floats:
    """Add to a change by x and y (N, 2) the one by turning: the arm's cross product."""
    return np.column_stack([change, arms[:, 0] * change[:, 1] - arms[:, 1] * change[:, 0]])


def _across(line: Shape, at: Floats, arms: Floats) -> Floats:
    """Change of the distance to the nearest side's line, whichever way is called positive."""
    if len(at) == 0:
        return np.zeros((0, 3))
    middle = (line.starts + line.ends) / 2.0
    k = ((at[:, None, :] - middle) ** 2).sum(axis=2).argmin(axis=1)
    along = line.ends[k] - line.starts[k]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=-1)
    return _with_turn(normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-9)[:, None], arms)


def best_of(problem: Problem, starts: Sequence[Pose], trust_mm: float) -> Pose:
    """The best of several starts, each refined; of all edges, as far as guides are kept."""

    def worth(pose: Pose) -> float:
        return problem.exact_margin(pose) - SLACK_COST * problem.off_track(pose)

    # A few steps tell most of the starts from those that are worth more.
    begun = sorted(
        (refined(problem, start, trust_mm, _FIRST_STEPS) for start in starts),
        key=lambda found: -found[1],
    )
    return max((refined(problem, pose, trust_mm)[0] for pose, _ in begun[:_GO_ON]), key=worth)
