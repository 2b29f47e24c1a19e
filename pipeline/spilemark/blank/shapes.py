"""Shapes for placing: straight-sided rings, signed distances between them, and motions of the plane."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.errors import UsageError

Floats = NDArray[np.float64]

_DETAIL_MM = 0.02
"""Sides may be laid this far off the given points."""


@dataclass(frozen=True, slots=True)
class Pose:
    """Flip (x changes sign), then turn about the origin, then shift."""

    turn_rad: float
    shift_mm: tuple[float, float]
    flipped: bool = False

    def apply(self, points_mm: Floats) -> Floats:
        """Move points (..., 2)."""
        points = points_mm * [-1.0, 1.0] if self.flipped else points_mm
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return np.asarray(points @ np.array([[c, s], [-s, c]]) + self.shift_mm)

    def undone(self, points_mm: Floats) -> Floats:
        """Bring points (..., 2) back to where they came from."""
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        back = (points_mm - self.shift_mm) @ np.array([[c, -s], [s, c]])
        return np.asarray(back * [-1.0, 1.0] if self.flipped else back)


@dataclass(frozen=True, eq=False)
class Shape:
    """An area bounded by straight sides: outer rings and holes alike, even-odd."""

    starts: Floats
    """(M, 2) first points of the sides."""
    ends: Floats
    """(M, 2)"""

    @property
    def vertices(self) -> Floats:
        """Each corner once (M, 2)."""
        return self.starts

    def moved(self, pose: Pose) -> Shape:
        """The same elsewhere."""
        return Shape(pose.apply(self.starts), pose.apply(self.ends))

    @cached_property
    def lines(self) -> Any:
        """The sides as shapely has them, prepared for many questions."""
        from shapely import linestrings, multilinestrings, prepare

        lines = multilinestrings(linestrings(np.stack([self.starts, self.ends], axis=1)))
        prepare(lines)
        return lines

    def nearest(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Distance (N,) of points to the nearest side, and the place on it (N, 2)."""
        from shapely import get_coordinates, points, shortest_line

        ways = get_coordinates(shortest_line(self.lines, points(points_mm))).reshape(-1, 2, 2)
        place = ways[:, 0]
        return np.linalg.norm(points_mm - place, axis=1), place


def subdivided(shape: Shape, step_mm: float) -> Floats:
    """Points (K, 2) on all sides, corners among them, none farther than a step from the next."""
    long = np.linalg.norm(shape.ends - shape.starts, axis=1)
    count = np.maximum(1, np.ceil(long / step_mm)).astype(np.intp)
    side = np.repeat(np.arange(len(count)), count)
    share = (np.arange(len(side)) - np.repeat(np.cumsum(count) - count, count)) / count[side]
    return np.asarray(
        (1.0 - share[:, None]) * shape.starts[side] + share[:, None] * shape.ends[side]
    )


def shape_of(area: Any) -> Shape:
    """The sides of a shapely polygon or several, points that carry nothing left out."""
    from shapely import get_parts

    rings = []
    for polygon in get_parts(area.simplify(_DETAIL_MM)):
        rings += [np.asarray(ring.coords)[:-1] for ring in (polygon.exterior, *polygon.interiors)]
    return Shape(
        np.concatenate(rings), np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    )


def area_of(
    ring_mm: Any, less_mm: Sequence[Any] = (), *, what: str = "blank", todo: str = ""
) -> Any:
    """A shapely polygon from a ring, less other rings.

    Raises
    ------
    UsageError
        A ring crosses itself, has no area, or nothing is left.
    """
    from shapely import Polygon, union_all
    from shapely.validation import explain_validity

    def polygon(ring: Any, called: str) -> Any:
        points = np.asarray(ring, dtype=np.float64).reshape(-1, 2)
        if len(points) < 3 or not np.isfinite(points).all():
            raise UsageError(f"The {called} is no outline of at least three points.", todo)
        found = Polygon(points)
        if not found.is_valid or found.area < 1.0:
            why = explain_validity(found)
            fault = "encloses nothing" if why == "Valid Geometry" else f"crosses itself ({why})"
            raise UsageError(f"The outline of the {called} {fault}.", todo or "Draw it again.")
        return found

    area = polygon(ring_mm, what)
    if less_mm:
        area = area.difference(union_all([polygon(ring, "defect") for ring in less_mm]))
    if area.is_empty:
        raise UsageError(f"Defects leave nothing of the {what}.", "Check where they were drawn.")
    return area
