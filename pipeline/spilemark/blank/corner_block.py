"""The corner block (deadwood): the filler between a lamination's outside and the hull's corner.

In the books, deadwood is timber on the keel at the ends of a hull (Falconer 1780, Smyth
1867); calling a knee's corner filler so is shop usage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from spilemark.blank.curves import Curve, Floats
from spilemark.errors import UsageError
from spilemark.frames import signed_area

_LEAST_AREA_MM2 = 25.0
_FEATHER_MM = 1.5
_TEETH_MM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundCorner:
    """Block between the faces of a corner and an arc that touches both."""

    leg_mm: float
    """From the corner to where the arc touches."""
    gap_mm: float
    """From the corner to the arc along the bisector."""
    area_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CornerBlock:
    """What to saw for the block, and how its grain runs."""

    net_mm: Floats
    """(N, 2) ring that fills the gap, anticlockwise."""
    cut_mm: Floats
    """The same, larger by the allowance away from the lamination."""
    grain_deg: float
    """Way of the grain, degrees from x, in (-90, 90]: along the face against the lamination."""
    area_mm2: float
    """Of ``net_mm``."""
    left_over: int
    """Smaller pieces of the gap that this block does not fill."""


def round_corner(corner_deg: float, radius_mm: float) -> RoundCorner:
    """Measure the block behind an arc of outside radius R in a corner C; own derivation.

    Leg R/tan(C/2), gap R(1/sin(C/2) - 1), area R²(cot(C/2) - (π - C)/2).

    Raises
    ------
    UsageError
        The corner is not between 0 and 180 degrees.
    """
    if not 0.0 < corner_deg < 180.0 or radius_mm <= 0:
        raise UsageError(
            f"A corner of {corner_deg:g}° with a radius of {radius_mm:g} mm has no block.",
            "A corner is more than 0° and less than 180°.",
        )
    half = math.radians(corner_deg) / 2.0
    return RoundCorner(
        leg_mm=radius_mm / math.tan(half),
        gap_mm=radius_mm * (1.0 / math.sin(half) - 1.0),
        area_mm2=radius_mm**2 * (1.0 / math.tan(half) - (math.pi / 2.0 - half)),
    )


def corner_block(part_mm: Floats, outside: Curve, allowance_mm: float) -> CornerBlock | None:
    """Take the block out of a part: all of it that lies outside of the lamination.

    Parameters
    ----------
    part_mm : ndarray of float, shape (N, 2)
        Outline of the finished part.
    outside : Curve
        Outside face of the lamination in the same frame, turning to the left:
        the block lies to its right.
    allowance_mm : float
        Left on past the corner points and along the faces of the part, for fitting.

    Returns
    -------
    CornerBlock or None
        None where the lamination fills the corner.

    Raises
    ------
    UsageError
        The part's outline crosses itself.
    """
    from shapely import Polygon

    part = Polygon(part_mm)
    if not part.is_valid:
        raise UsageError("The part's outline crosses itself.", "Mend it first.")
    reach = float(np.ptp(np.asarray(part_mm), axis=0).max()) * 2.0 + 10.0 * allowance_mm
    behind = _right_of(outside, reach)
    net = _pieces(part.intersection(behind))
    if not net:
        return None
    largest = net[0]
    # A measured edge scatters, and growing it sharpens every tooth.
    grown = largest.simplify(_TEETH_MM).buffer(allowance_mm, join_style="mitre", mitre_limit=4.0)
    cut = [p for p in _pieces(grown.intersection(behind)) if p.intersects(largest)]
    ring = np.asarray(largest.exterior.coords)[:-1]
    return CornerBlock(
        net_mm=_anticlockwise(ring),
        cut_mm=_anticlockwise(np.asarray(cut[0].exterior.coords)[:-1]),
        grain_deg=_grain_deg(largest, outside),
        area_mm2=float(largest.area),
        left_over=len(net) - 1,
    )


def hankinson(angle_deg: float, across: float = 0.04) -> float:
    """Share of straight-grain bending strength at an angle to the grain, with exponent 2.

    Hankinson's formula N = PQ/(P sin² a + Q cos² a); exponent and the 4 % across
    the grain are from memory.  For words of caution only.
    """
    sine = math.sin(math.radians(angle_deg)) ** 2
    return across / (sine + across * (1.0 - sine))


def _right_of(curve: Curve, reach: float) -> Any:
    """The region to the right of a curve whose ends run on straight."""
    from shapely import LineString

    # The strip stops short of where its own far side would fold over a full turn.
    line = LineString(curve.extended(reach, reach).points_mm())
    region = line.buffer(-reach, single_sided=True, join_style="mitre")
    return region.buffer(0)


def _pieces(shape: Any) -> list[Any]:
    """Polygons of a shape that are more than a feather, the largest first."""
    from shapely import get_parts

    found = [
        p
        for p in get_parts(shape)
        if p.geom_type == "Polygon"
        and p.area > _LEAST_AREA_MM2
        and not p.buffer(-_FEATHER_MM / 2.0).is_empty
    ]
    return sorted(found, key=lambda p: -float(p.area))


def _grain_deg(block: Any, outside: Curve) -> float:
    """Along the chord of the face that lies against the lamination."""
    from shapely import LineString

    line = LineString(outside.points_mm())
    ring = np.asarray(block.exterior.coords)[:-1]
    from shapely import points as as_points

    along = line.project(as_points(ring))
    near = line.distance(as_points(ring)) < 0.01
    if near.sum() < 2:
        chord = outside.points_mm()[-1] - outside.points_mm()[0]
    else:
        inner, where = ring[near], along[near]
        chord = inner[np.argmax(where)] - inner[np.argmin(where)]
    degrees = math.degrees(math.atan2(chord[1], chord[0]))
    return (degrees + 90.0) % 180.0 - 90.0


def _anticlockwise(ring: Floats) -> Floats:
    return ring if signed_area(ring) > 0 else ring[::-1]
