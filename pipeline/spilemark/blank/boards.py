"""The smallest board that a part comes out of, by width and by area."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from spilemark.blank.shapes import Floats


@dataclass(frozen=True, slots=True)
class Board:
    """A rectangle, its grain along its length."""

    length_mm: float
    width_mm: float
    turn_deg: float
    """Turn of the part that brings it in."""

    @property
    def area_mm2(self) -> float:
        """Length by width."""
        return self.length_mm * self.width_mm


@dataclass(frozen=True, slots=True)
class BoardsToBuy:
    """The narrowest board, and the one of least wood."""

    narrowest: Board
    least_wood: Board


def boards_for(
    part_mm: Any,
    *,
    around_mm: float = 0.0,
    grain_deg: float | None = None,
    grain_within_deg: float = 180.0,
) -> BoardsToBuy:
    """Find the smallest rectangles that hold a part with room all round.

    Parameters
    ----------
    part_mm : (N, 2) array-like
        One ring, or points of several parts that keep their places.
    around_mm : float
        Room for the saw on every side.
    grain_deg : float, optional
        Direction of the grain in the part; None: it may be turned at will.
    grain_within_deg : float
        How far the board's length may lie off it.

    Notes
    -----
    Width and area of the box around a convex shape have their minima where a
    side of the hull lies flush, or at the ends of what the grain allows: Freeman
    and Shapira, *Communications of the ACM* 18(7), 1975.
    """
    hull = _hull(np.asarray(part_mm, dtype=np.float64).reshape(-1, 2))
    boxes = [_box(hull, turn, around_mm) for turn in _turns(hull, grain_deg, grain_within_deg)]
    return BoardsToBuy(
        narrowest=min(boxes, key=lambda b: (round(b.width_mm, 6), b.length_mm)),
        least_wood=min(boxes, key=lambda b: (round(b.area_mm2, 3), b.width_mm)),
    )


def _turns(hull: Floats, grain_deg: float | None, within_deg: float) -> list[float]:
    """Turns, degrees in (-90, 90], that bring a side of the hull along or across, and the grain's ends."""
    sides = np.roll(hull, -1, axis=0) - hull
    flush = [-math.degrees(math.atan2(y, x)) for x, y in sides]
    turns = [t + quarter for t in flush for quarter in (0.0, 90.0)]
    if grain_deg is None or within_deg >= 90.0:
        return [_half_turn(t) for t in turns]
    kept = [t for t in turns if abs(_half_turn(t + grain_deg)) <= within_deg + 1e-9]
    return [_half_turn(t) for t in (*kept, -grain_deg - within_deg, -grain_deg + within_deg)]


def _half_turn(degrees: float) -> float:
    """The same direction of a line, from -90 to 90."""
    return (degrees + 90.0) % 180.0 - 90.0


def _box(hull: Floats, turn_deg: float, around_mm: float) -> Board:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    size = np.ptp(hull @ np.array([[c, s], [-s, c]]), axis=0) + 2.0 * around_mm
    return Board(float(size[0]), float(size[1]), turn_deg)


def _hull(points: Floats) -> Floats:
    from shapely import MultiPoint

    hull = MultiPoint(points).convex_hull
    return np.asarray(hull.exterior.coords)[:-1] if hull.geom_type == "Polygon" else points
