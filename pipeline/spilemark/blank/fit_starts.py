"""Where a search for the best place of a part begins: every turn, everywhere, by a map of depths.

The depth of the wood (distance to its nearest edge) is mapped once on a grid;
what a pose is worth is then read off it for some points of the part, for a
hundred thousand poses in a fraction of a second.  A map of the part tells what of
the wood's edge or defects reaches into it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from spilemark.blank.fit_refine import SLACK_COST, Problem
from spilemark.blank.shapes import Floats, Pose, Shape

_CELLS = 220
_TURNS = 72
_SHIFTS = 22
_SAMPLE, _SIEVE = 36, 8
_KEEP, _PER_FLIP = 120, 12
_ROUNDS, _TRIES = 7, 20


@dataclass(frozen=True, slots=True, eq=False)
class DepthMap:
    """Depth inside a shape at the points of a grid."""

    low_mm: Floats
    pitch_mm: float
    depth_mm: Floats
    """(rows, columns)"""

    def at(self, points_mm: Floats) -> Floats:
        """Depth (...) at the grid point nearest to points (..., 2); beyond the map by how far."""
        rows, columns = self.depth_mm.shape
        u = (points_mm[..., 0] - self.low_mm[0]) / self.pitch_mm
        v = (points_mm[..., 1] - self.low_mm[1]) / self.pitch_mm
        x, y = np.clip(np.rint(u), 0, columns - 1), np.clip(np.rint(v), 0, rows - 1)
        inside: Floats = self.depth_mm.ravel()[(y * columns + x).astype(np.intp)]
        # Past the rim of the map a point lies outside by at least the way back to it.
        beyond = np.maximum(np.abs(u - x), np.abs(v - y)) * self.pitch_mm
        return inside - np.where(beyond > self.pitch_mm, beyond, 0.0)


def depth_map(shape: Shape, cells: int = _CELLS) -> DepthMap:
    """Map a shape, with a rim of a tenth of its size."""
    from scipy.ndimage import distance_transform_edt

    low, high = shape.vertices.min(axis=0), shape.vertices.max(axis=0)
    rim = 0.1 * float((high - low).max())
    pitch = float((high - low).max() + 2 * rim) / cells
    columns, rows = (math.ceil(n) + 1 for n in (high - low + 2 * rim) / pitch)
    low = low - rim
    x, y = np.meshgrid(low[0] + pitch * np.arange(columns), low[1] + pitch * np.arange(rows))
    inside = _filled(shape, x, y)
    depth = distance_transform_edt(inside) - distance_transform_edt(~inside)
    # A grid point is half a cell nearer to the edge than to the first one beyond it.
    return DepthMap(low, pitch, pitch * (depth - 0.5 * np.sign(depth)))


def starts(problem: Problem, *, flips: tuple[bool, ...], count: int, seed: int = 1) -> list[Pose]:
    """The most promising poses, no two of them alike, best first."""
    free, part = depth_map(problem.free), depth_map(problem.part)
    sample = _spread(problem.edge_points, _SAMPLE)
    pins = _spread(problem.pins, _SAMPLE)
    tracks = [(_spread(t.points_mm, 12), _line_map(t.line), t.tolerance_mm) for t in problem.tracks]

    def worth(flipped: bool, turn: Floats, shift: Floats) -> Floats:
        """Least depth of each pose: turns (P,), shifts (P, 2)."""
        found = free.at(_moved(sample, flipped, turn, shift)).min(axis=1)
        if len(pins):
            found = np.minimum(found, -part.at(_back(pins, flipped, turn, shift)).max(axis=1))
        for points, line, tolerance in tracks:
            past = line.at(_moved(points, flipped, turn, shift)).max(axis=1) - tolerance
            found = found - SLACK_COST / 10.0 * np.maximum(past, 0.0)
        return np.asarray(found)

    rng = np.random.default_rng(seed)
    extent = float(np.ptp(problem.free.vertices, axis=0).max())
    chosen: list[tuple[float, Pose]] = []
    for flipped in flips:
        turn, shift = _grid(problem, flipped)
        # The least of some depths is never below the least of all: few points sift the grid.
        rough = free.at(_moved(sample[:_SIEVE], flipped, turn, shift)).min(axis=1)
        best = np.argsort(-rough)[: max(_KEEP, len(rough) // 8)]
        turn, shift = turn[best], shift[best]
        score = worth(flipped, turn, shift)
        best = np.argsort(-score)[:_KEEP]
        turn, shift, score = turn[best], shift[best], score[best]
        spread = np.array([extent / _SHIFTS, math.radians(180.0 / _TURNS)])
        for _ in range(_ROUNDS):
            more = np.repeat(shift, _TRIES, axis=0) + rng.normal(
                0, spread[0], (len(shift) * _TRIES, 2)
            )
            off = rng.normal(0.0, spread[1], len(more))
            turns = _kept(problem, flipped, np.repeat(turn, _TRIES), off)
            tried = worth(flipped, turns, more).reshape(-1, _TRIES)
            k = tried.argmax(axis=1)
            row = np.arange(len(k))
            better = tried[row, k] > score
            pick = row * _TRIES + k
            turn = np.where(better, turns[pick], turn)
            shift = np.where(better[:, None], more[pick], shift)
            score = np.where(better, tried[row, k], score)
            spread = spread * 0.6
        for k in np.argsort(-score):
            pose = Pose(float(turn[k]), (float(shift[k, 0]), float(shift[k, 1])), flipped)
            if all(_unlike(pose, other, extent) for _, other in chosen):
                chosen.append((float(score[k]), pose))
            if sum(p.flipped == flipped for _, p in chosen) >= _PER_FLIP:
                break
    chosen.sort(key=lambda found: -found[0])
    return [pose for _, pose in chosen[:count]]


def _grid(problem: Problem, flipped: bool) -> tuple[Floats, Floats]:
    """Turns (P,) and shifts (P, 2) over all that is allowed."""
    if problem.turns_rad is None:
        turns = np.linspace(0.0, 2.0 * math.pi, _TURNS, endpoint=False)
    else:
        low, high = problem.turns_rad[flipped]
        one = np.linspace(low, high, max(1, math.ceil((high - low) / math.pi * _TURNS / 2) + 1))
        turns = np.concatenate([one, one + math.pi])
    low, high = problem.free.vertices.min(axis=0), problem.free.vertices.max(axis=0)
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    all_turns, all_shifts = [], []
    for turn in turns:
        here = Pose(float(turn), (0.0, 0.0), flipped).apply(problem.part.vertices)
        centre = (here.min(axis=0) + here.max(axis=0)) / 2.0
        play = np.maximum(half - np.ptp(here, axis=0) / 2.0, 0.02 * half)
        steps = [np.linspace(-p, p, _SHIFTS) for p in play]
        x, y = np.meshgrid(*steps)
        shift = np.stack([x.ravel(), y.ravel()], axis=-1) + middle - centre
        all_shifts.append(shift)
        all_turns.append(np.full(len(shift), turn))
    return np.concatenate(all_turns), np.concatenate(all_shifts)


def _kept(problem: Problem, flipped: bool, was: Floats, off: Floats) -> Floats:
    if problem.turns_rad is None:
        return was + off
    low, high = problem.turns_rad[flipped]
    half = np.round((was - (low + high) / 2.0) / math.pi) * math.pi
    return np.asarray(np.clip(was + off, low + half, high + half))


def _moved(points: Floats, flipped: bool, turn: Floats, shift: Floats) -> Floats:
    """Points (K, 2) in each of P poses: (P, K, 2)."""
    x, y = (points * ([-1.0, 1.0] if flipped else [1.0, 1.0])).T
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    return np.stack([c * x - s * y + shift[:, :1], s * x + c * y + shift[:, 1:]], axis=-1)


def _back(points: Floats, flipped: bool, turn: Floats, shift: Floats) -> Floats:
    """Points (K, 2) of the wood as the part in each of P poses sees them: (P, K, 2)."""
    off = points - shift[:, None, :]
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x, y = c * off[..., 0] + s * off[..., 1], -s * off[..., 0] + c * off[..., 1]
    return np.stack([-x if flipped else x, y], axis=-1)


def _unlike(one: Pose, other: Pose, extent: float) -> bool:
    turn = abs((one.turn_rad - other.turn_rad + math.pi) % (2 * math.pi) - math.pi)
    away = math.dist(one.shift_mm, other.shift_mm)
    return one.flipped != other.flipped or turn > math.radians(6.0) or away > 0.06 * extent


def _spread(points: Floats, count: int) -> Floats:
    """At most so many of the points, the next always farthest from those taken."""
    if len(points) <= count:
        return points
    taken = [0]
    gap = np.linalg.norm(points - points[0], axis=1)
    for _ in range(count - 1):
        k = int(gap.argmax())
        taken.append(k)
        gap = np.minimum(gap, np.linalg.norm(points - points[k], axis=1))
    return points[taken]


def _line_map(line: Shape) -> DepthMap:
    """Distance from a line, above zero on both sides, on a coarse grid round it."""
    ends = np.concatenate([line.starts, line.ends])
    low, high = ends.min(axis=0), ends.max(axis=0)
    rim = 0.5 * float((high - low).max())
    pitch = float((high - low).max() + 2 * rim) / 100
    columns, rows = (math.ceil(n) + 1 for n in (high - low + 2 * rim) / pitch)
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    grid = np.stack([x.ravel(), y.ravel()], axis=-1) * pitch + low - rim
    gap, _ = line.nearest(grid)
    return DepthMap(low - rim, pitch, gap.reshape(rows, columns))


def _filled(shape: Shape, x: Floats, y: Floats) -> np.ndarray:
    """Whether grid points lie inside, row by row: crossings left of them, counted."""
    inside = np.zeros(x.shape, dtype=bool)
    (x0, y0), (x1, y1) = shape.starts.T, shape.ends.T
    for k, level in enumerate(y[:, 0]):
        cut = (y0 > level) != (y1 > level)
        if cut.any():
            at = x0[cut] + (level - y0[cut]) * (x1[cut] - x0[cut]) / (y1[cut] - y0[cut])
            inside[k] = np.searchsorted(np.sort(at), x[k]) % 2 == 1
    return inside
