"""Random parts and blanks, and the best place for a part by exhaustive search."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from spilemark.blank.fit import Blank, Placement, place_part
from spilemark.blank.shapes import Floats, Pose


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitCase:
    """A part to lay in a blank."""

    part_mm: Floats
    blank: Blank
    flip: bool
    grain_deg: float | None
    grain_within_deg: float


def random_case(seed: int) -> FitCase:
    """A knee, breasthook or odd shape; a board, an L or a slab with defects, now roomy, now too small."""
    rng = np.random.default_rng(seed)
    part = _part(rng)
    size = float(np.ptp(part, axis=0).max())
    blank = _blank(rng, size)
    grain = float(rng.uniform(-90, 90)) if rng.random() < 0.4 else None
    return FitCase(
        part_mm=part,
        blank=blank,
        flip=bool(rng.random() < 0.5),
        grain_deg=grain,
        grain_within_deg=float(rng.uniform(5, 40)),
    )


def placed(case: FitCase) -> Placement:
    """Where the program lays a case's part."""
    return place_part(
        case.part_mm,
        case.blank,
        flip=case.flip,
        grain_deg=case.grain_deg,
        grain_within_deg=case.grain_within_deg,
    )


def margin_of(case: FitCase, pose: Pose) -> float:
    """Least distance at one pose by shapely alone: of corners of one to sides of the other.

    Where edges cross with no corner inside, it is below zero all the same: half
    the width of what the part spans.
    """
    return _Margins(case).of(pose)


def best_on_grid(case: FitCase, *, turns: int, shifts: int) -> float:
    """Largest least margin over a grid of turns and shifts, each way up that is allowed.

    Parameters
    ----------
    case : FitCase
    turns : int
        Over the full circle, or over what the grain allows.
    shifts : int
        Each way, over the room that the part has in the box around the blank.
    """
    margins = _Margins(case)
    best = -math.inf
    for flipped in (False, True) if case.flip else (False,):
        for turn in _turns(case, flipped, turns):
            best = margins.best(turn, flipped, shifts, best)
    return best


class _Margins:
    def __init__(self, case: FitCase) -> None:
        from shapely import Polygon, prepare, union_all

        self.part = Polygon(case.part_mm)
        free = Polygon(case.blank.outline_mm)
        if case.blank.defects_mm:
            free = free.difference(union_all([Polygon(d) for d in case.blank.defects_mm]))
        self.free = free
        self.wood = _corners(free)
        self.corners = np.asarray(case.part_mm)
        self.free_edge, self.part_edge = free.boundary, self.part.boundary
        for shape in (self.free, self.part, self.free_edge, self.part_edge):
            prepare(shape)

    def of(self, pose: Pose) -> float:
        deep = _depth(self.free, self.free_edge, pose.apply(self.corners)).min()
        clear = -_depth(self.part, self.part_edge, _undone(pose, self.wood)).max()
        value = float(min(deep, clear))
        return value if value <= 0.0 else min(value, self.spanned(pose))

    def spanned(self, pose: Pose) -> float:
        """Infinity where the part lies in the wood, else below zero."""
        from shapely import Polygon, maximum_inscribed_circle

        placed = Polygon(pose.apply(self.corners))
        if self.free.covers(placed):
            return math.inf
        out = placed.difference(self.free)
        return -max(float(maximum_inscribed_circle(p).length) for p in getattr(out, "geoms", [out]))

    def best(self, turn: float, flipped: bool, shifts: int, best: float) -> float:
        here = Pose(turn, (0.0, 0.0), flipped).apply(self.corners)
        low, high = self.wood.min(axis=0), self.wood.max(axis=0)
        room = np.maximum((high - low - np.ptp(here, axis=0)) / 2.0, 0.0)
        middle = (low + high) / 2.0 - (here.min(axis=0) + here.max(axis=0)) / 2.0
        x, y = np.meshgrid(*(np.linspace(-r, r, shifts) for r in room))
        shift = np.stack([x.ravel(), y.ravel()], axis=-1) + middle
        # A few corners first: the least of some is never below the least of all.
        few = here[:: max(1, len(here) // 8)]
        bound = _depth(self.free, self.free_edge, (few + shift[:, None]).reshape(-1, 2))
        bound = bound.reshape(len(shift), -1).min(axis=1)
        for k in np.argsort(-bound):
            if bound[k] <= best:
                break
            at = (float(shift[k, 0]), float(shift[k, 1]))
            best = max(best, self.of(Pose(turn, at, flipped)))
        return best


def _depth(shape: Any, edge: Any, points: Floats) -> Floats:
    from shapely import contains_xy, distance
    from shapely import points as as_points

    gap = distance(edge, as_points(points))
    return np.asarray(np.where(contains_xy(shape, points[:, 0], points[:, 1]), gap, -gap))


def _undone(pose: Pose, points: Floats) -> Floats:
    off = points - pose.shift_mm
    c, s = math.cos(pose.turn_rad), math.sin(pose.turn_rad)
    back = off @ np.array([[c, -s], [s, c]])
    return np.asarray(back * [-1.0, 1.0] if pose.flipped else back)


def _corners(area: Any) -> Floats:
    from shapely import get_parts

    rings = [r for p in get_parts(area) for r in (p.exterior, *p.interiors)]
    return np.concatenate([np.asarray(r.coords)[:-1] for r in rings])


def _turns(case: FitCase, flipped: bool, count: int) -> Floats:
    if case.grain_deg is None:
        return np.linspace(0.0, 2.0 * math.pi, count, endpoint=False)
    off = case.blank.grain_deg + (case.grain_deg if flipped else -case.grain_deg)
    half = np.linspace(-case.grain_within_deg, case.grain_within_deg, max(3, count // 6)) + off
    return np.asarray(np.radians(np.concatenate([half, half + 180.0])))


def _part(rng: np.random.Generator) -> Floats:
    kind = rng.integers(3)
    if kind == 0:
        return _knee(rng)
    if kind == 1:
        half = _knee(rng)[:, 1].max()
        depth, wide = rng.uniform(0.6, 1.1) * half, rng.uniform(0.5, 0.9) * half
        return np.array([(-wide, 0), (-0.3 * wide, 0.35 * depth), (0.3 * wide, 0.35 * depth),
                         (wide, 0), (0.5 * wide, 0.7 * depth), (0, depth), (-0.5 * wide, 0.7 * depth)])  # fmt: skip
    count = int(rng.integers(5, 14))
    angle = np.sort(
        (2 * np.pi * np.arange(count) + rng.uniform(-0.4, 0.4, count) * 2 * np.pi) / count
    )
    reach = rng.uniform(60, 200) * rng.uniform(0.5, 1.0, count)
    return np.stack([reach * np.cos(angle), reach * np.sin(angle)], axis=-1)


def _knee(rng: np.random.Generator) -> Floats:
    """Two arms at some angle with a round throat between."""
    corner = math.radians(rng.uniform(70, 120))
    one, other = rng.uniform(150, 420, 2)
    width = rng.uniform(30, 60)
    u, v = np.array([1.0, 0.0]), np.array([math.cos(corner), math.sin(corner)])
    inward = np.array([-u[1], u[0]]), np.array([v[1], -v[0]])
    a, b = one * u + width * inward[0], other * v + width * inward[1]
    at = np.linspace(0, 1, 14)[:, None]
    middle = rng.uniform(0.1, 0.3) * (a + b)
    throat = (1 - at) ** 2 * a + 2 * at * (1 - at) * middle + at**2 * b
    return np.concatenate([[[0.0, 0.0]], [one * u], throat, [other * v]])


def _blank(rng: np.random.Generator, size: float) -> Blank:
    ring = _wood(rng, size * rng.uniform(1.05, 1.6), size * rng.uniform(0.7, 1.2))
    low, high = ring.min(axis=0), ring.max(axis=0)
    defects = []
    for _ in range(int(rng.integers(0, 3))):
        x, y = rng.uniform(low, high)
        r = rng.uniform(4, 12)
        defects.append(np.array([(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)]))
    return Blank(outline_mm=ring, defects_mm=tuple(defects), grain_deg=float(rng.uniform(-10, 10)))


def _wood(rng: np.random.Generator, long: float, wide: float) -> Floats:
    kind = rng.integers(3)
    if kind == 0:
        wane = rng.uniform(0, 0.1) * wide
        return np.array([(0, 0), (long, wane), (long, wide), (0.4 * long, wide - wane), (0, wide)])
    if kind == 1:
        x, y = rng.uniform(0.5, 0.8) * long, rng.uniform(0.5, 0.8) * wide
        return np.array([(0, 0), (long, 0), (long, y), (x, y), (x, wide), (0, wide)])
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    reach = (1.0 + 0.06 * rng.normal(size=24))[:, None] * [0.6 * long, 0.6 * wide]
    return np.asarray(reach * np.stack([np.cos(angle), np.sin(angle)], axis=-1))
