"""A mirrored pair of parts on one board, a saw cut between them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.blank.shapes import Floats, Pose, area_of
from spilemark.errors import UsageError

Indices = NDArray[np.intp]

_TURN_STEP_DEG = 5.0
_ROWS = 120
_OFFSETS = 25
_KEEP = 12
_QUARTER = 8
_DETAIL_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NestedPair:
    """Both parts on the smallest board found, the board's corner at (0, 0), its length along x."""

    length_mm: float
    width_mm: float
    poses: tuple[Pose, Pose]
    """Of the part as given and of the mirrored one, from the part's own frame."""
    rings_mm: tuple[Floats, Floats]
    """Where they come to lie."""
    between_mm: float
    """Least distance between the two."""
    around_mm: float
    kerf_mm: float
    board_mm: tuple[float, float] | None = None
    """Length and width of the board that there is, where one was given."""

    @property
    def short_mm(self) -> tuple[float, float]:
        """How much longer and wider the board would have to be; zeros where it does, or none was given."""
        if self.board_mm is None:
            return 0.0, 0.0
        long, wide = self.board_mm
        return max(0.0, self.length_mm - long), max(0.0, self.width_mm - wide)

    @property
    def fits(self) -> bool:
        """Whether both come out of the board that there is."""
        return max(self.short_mm) <= 1e-6


def nest_pair(
    part_mm: Any,
    *,
    kerf_mm: float,
    around_mm: float = 0.0,
    board_mm: tuple[float, float] | None = None,
    grain_deg: float | None = None,
    grain_within_deg: float = 180.0,
) -> NestedPair:
    """Lay a part and its mirror image side by side on as little board as can be found.

    Parameters
    ----------
    part_mm : (N, 2) array-like
        Ring of the part; where bevelled, its larger outline.
    kerf_mm : float
        Least distance between the two: the saw's kerf and what is left outside both lines.
    around_mm : float
        Room to the board's edges.
    board_mm : (length, width), optional
        The board that there is, its grain along its length; both lie within its
        width if they can, and take as little of its length as can be.
    grain_deg : float, optional
        Direction of the grain in the part; None: any.
    grain_within_deg : float
        How far the board's length may lie off it.

    Raises
    ------
    UsageError
        The outline is none, or a length is below zero.

    Notes
    -----
    For pairs of turns 5 degrees apart the second part is slid along the board
    until it touches the first, grown by the kerf; the best are refined by a
    pattern search (Hooke and Jeeves, 1961) and the last slide is exact to a hundredth of
    a millimetre.  Own choice; a better nest cannot be ruled out.
    """
    if kerf_mm < 0.0 or around_mm < 0.0 or (board_mm is not None and min(board_mm) <= 0.0):
        raise UsageError("Kerf, room and board are lengths of zero or more.", "Correct the number.")
    polygon = area_of(part_mm, what="part").simplify(_DETAIL_MM)
    ring = np.asarray(polygon.exterior.coords)[:-1]
    # Rounded corners are drawn by chords: so much further out, they keep the kerf.
    chords = 1.0 / math.cos(math.pi / (4 * _QUARTER))
    grown = polygon.buffer(kerf_mm * chords + 2 * _DETAIL_MM, quad_segs=_QUARTER)
    grown = np.asarray(grown.exterior.coords)[:-1]
    nest = _Nest(ring, grown, 2.0 * around_mm, board_mm)
    first = _turns(grain_deg, grain_within_deg)
    second = _turns(None if grain_deg is None else -grain_deg, grain_within_deg)
    begin = nest.scan(first, second)
    bound = grain_deg is not None and grain_within_deg < 90.0
    limits = (first[0], first[-1], second[0], second[-1]) if bound else None
    best = min((nest.refined(start, limits) for start in begin), key=lambda found: found[0])
    return _exact(np.asarray(part_mm, dtype=np.float64).reshape(-1, 2), best[1],
        kerf_mm, around_mm, board_mm)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Nest:
    ring: Floats
    grown: Floats
    room: float
    board: tuple[float, float] | None

    def cost(self, length: Any, width: Any) -> Any:
        """Board used, mm²; on a board that there is, its length once the width does."""
        length, width = length + self.room, width + self.room
        if self.board is None:
            return length * width
        over = np.maximum(width - self.board[1], 0.0)
        return length * self.board[1] + 1e3 * over * self.board[0]

    def scan(self, first: Floats, second: Floats) -> list[tuple[float, float, float]]:
        """The best (turn, turn of the mirrored one, offset across) of a grid."""
        ones = [_turned(self.grown, t, flipped=False) for t in first]
        inner = [_turned(self.ring, t, flipped=False) for t in first]
        others = [_turned(self.ring, t, flipped=True) for t in second]
        reach = max(float(np.ptp(r[:, 1])) for r in (*ones, *others))
        pitch = 2.0 * reach / _ROWS
        right = np.stack([_side(r, pitch, 1.0) for r in ones])
        left = np.stack([_side(r, pitch, -1.0) for r in others])
        found: list[tuple[float, tuple[float, float, float]]] = []
        steps = np.unique(np.linspace(-_ROWS // 2, _ROWS // 2, _OFFSETS).astype(int))
        boxes_one = np.array([(*r.min(axis=0), *r.max(axis=0)) for r in inner])
        boxes_other = np.array([(*r.min(axis=0), *r.max(axis=0)) for r in others])
        for step in steps:
            rolled = np.roll(left, step, axis=1)
            across = step * pitch
            for k in range(len(ones)):
                slide = (right[k] + rolled).max(axis=1)
                low = np.minimum(boxes_one[k, 1], boxes_other[:, 1] + across)
                high = np.maximum(boxes_one[k, 3], boxes_other[:, 3] + across)
                start = np.minimum(boxes_one[k, 0], boxes_other[:, 0] + slide)
                stop = np.maximum(boxes_one[k, 2], boxes_other[:, 2] + slide)
                cost = np.where(np.isfinite(slide), self.cost(stop - start, high - low), np.inf)
                j = int(cost.argmin())
                found.append((float(cost[j]), (float(first[k]), float(second[j]), across)))
        found.sort()
        return [start for _, start in found[:_KEEP]]

    def worth(self, turn: float, other_turn: float, across: float) -> tuple[float, float]:
        """Cost of one arrangement, and how far the mirrored part is slid."""
        one, other = (
            _turned(self.grown, turn, flipped=False),
            _turned(self.ring, other_turn, flipped=True) + [0.0, across],
        )
        slide = _touch(one, other)
        inner = _turned(self.ring, turn, flipped=False)
        both = np.concatenate([inner, other + [slide, 0.0]])
        size = np.ptp(both, axis=0)
        return float(self.cost(size[0], size[1])), slide

    def refined(
        self,
        start: tuple[float, float, float],
        limits: tuple[float, float, float, float] | None,
    ) -> tuple[float, tuple[float, float, float, float]]:
        """Pattern search from a start: cost, and turns, offset and slide."""
        at = np.array(start)
        cost, slide = self.worth(*at)
        step = np.array(
            [math.radians(_TURN_STEP_DEG) / 2.0, math.radians(_TURN_STEP_DEG) / 2.0, 8.0]
        )
        while step[2] > 0.05:
            moved = False
            for axis in range(3):
                for way in (1.0, -1.0):
                    tried = at.copy()
                    tried[axis] += way * step[axis]
                    if limits is not None and axis < 2:
                        low, high = limits[2 * axis], limits[2 * axis + 1]
                        tried[axis] = _within(tried[axis], low, high, at[axis])
                    found, slid = self.worth(*tried)
                    if found < cost - 1e-6:
                        at, cost, slide, moved = tried, found, slid, True
            if not moved:
                step = step / 2.5
        return cost, (float(at[0]), float(at[1]), float(at[2]), slide)


def _within(turn: float, low: float, high: float, near: float) -> float:
    """Keep a turn within the grain's limits; ``low`` and ``high`` span both ways along the board."""
    half = high - math.pi - low
    base = low if near < low + half + 0.1 else low + math.pi
    return float(min(max(turn, base), base + half))


def _turns(grain_deg: float | None, within_deg: float) -> Floats:
    """Turns that bring the grain along x, either way round, radians, rising."""
    if grain_deg is None or within_deg >= 90.0:
        return np.asarray(np.radians(np.arange(0.0, 360.0, _TURN_STEP_DEG)))
    count = max(2, math.ceil(2.0 * within_deg / _TURN_STEP_DEG) + 1)
    one = np.linspace(-grain_deg - within_deg, -grain_deg + within_deg, count)
    return np.asarray(np.radians(np.concatenate([one, one + 180.0])))


def _turned(ring: Floats, turn: float, *, flipped: bool) -> Floats:
    return Pose(turn, (0.0, 0.0), flipped).apply(ring)


def _side(ring: Floats, pitch: float, way: float) -> Floats:
    """Farthest x by rows across, to the right (1) or the left (-1, sign changed); none: -inf."""
    a, b = ring, np.roll(ring, -1, axis=0)
    low, high = np.minimum(a[:, 1], b[:, 1]), np.maximum(a[:, 1], b[:, 1])
    first = np.floor(low / pitch).astype(np.intp)
    side, row = _each(first, np.floor(high / pitch).astype(np.intp) + 1)
    # A side counts in every row it touches, at its farthest there: no corner is cut.
    far = np.full(len(side), -np.inf)
    for edge in (row, row + 1):
        y = np.clip(edge * pitch, low[side], high[side])
        far = np.maximum(far, way * _x_at(a[side], b[side], y, way))
    rows = np.full(2 * _ROWS, -np.inf)
    np.maximum.at(rows, row + _ROWS, far)
    return rows


def _each(first: Indices, stop: Indices) -> tuple[Indices, Indices]:
    """All whole numbers from ``first`` up to ``stop`` of each row, with the row's number."""
    count = stop - first
    row = np.repeat(np.arange(len(count)), count)
    return row, np.arange(len(row)) - np.repeat(np.cumsum(count) - count - first, count)


def _x_at(a: Floats, b: Floats, y: Floats, way: float) -> Floats:
    """Across, of sides at heights within them; of a level one its end to the right (1) or the left (-1)."""
    rise = b[:, 1] - a[:, 1]
    level = rise == 0.0
    x = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / np.where(level, 1.0, rise)
    return np.where(level, way * np.maximum(way * a[:, 0], way * b[:, 0]), x)


def _touch(one: Floats, other: Floats) -> float:
    """How far ``other`` must be slid along x to stand clear to the right of ``one``, exactly.

    Two straight-sided shapes that slide touch at a corner of one of them.
    """
    return max(_ahead(one, other, 1.0), _ahead(other, one, -1.0))


def _ahead(corners_of: Floats, sides_of: Floats, way: float) -> float:
    a, b = sides_of, np.roll(sides_of, -1, axis=0)
    # A side meets few of the corners by height: only those are asked, not each with each.
    corners = corners_of[np.argsort(corners_of[:, 1])]
    first = np.searchsorted(corners[:, 1], np.minimum(a[:, 1], b[:, 1]), side="left")
    stop = np.searchsorted(corners[:, 1], np.maximum(a[:, 1], b[:, 1]), side="right")
    side, corner = _each(first, stop)
    if not len(side):
        return -math.inf
    x = _x_at(a[side], b[side], corners[corner, 1], -way)
    return float((way * (corners[corner, 0] - x)).max())


def _exact(
    part: Floats,
    found: tuple[float, float, float, float],
    kerf: float,
    around: float,
    board: tuple[float, float] | None,
) -> NestedPair:
    """Both parts with their corner at the board's, and what lies between them."""
    from shapely import Polygon

    turn, other_turn, across, slide = found
    one = Pose(turn, (0.0, 0.0))
    other = Pose(other_turn, (slide, across), flipped=True)
    rings = one.apply(part), other.apply(part)
    gap = Polygon(rings[0]).distance(Polygon(rings[1]))
    low = np.minimum(rings[0].min(axis=0), rings[1].min(axis=0)) - around
    high = np.maximum(rings[0].max(axis=0), rings[1].max(axis=0)) + around
    shift = (float(-low[0]), float(-low[1]))
    poses = (
        Pose(turn, shift),
        Pose(other_turn, (slide + shift[0], across + shift[1]), flipped=True),
    )
    size = high - low
    return NestedPair(
        length_mm=float(size[0]),
        width_mm=float(size[1]),
        poses=poses,
        rings_mm=(rings[0] + shift, rings[1] + shift),
        between_mm=float(gap),
        around_mm=around,
        kerf_mm=kerf,
        board_mm=board,
    )
