"""Bevels: measured from square, across the thickness, along an edge.

A bevel is *standing* where wood and face meet at an obtuse angle (the far face
is larger there), *under* where the angle is acute (the far face is smaller):
Steel, "The Elements and Practice of Naval Architecture" glossary, 1794.  Here a
standing bevel is positive and an under bevel negative, as seen from the face on
which the pattern lay.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from spilemark.errors import UsageError
from spilemark.shop.lengths import read_degrees
from spilemark.shop.stations import Stations, read_stations
from spilemark.units import parse_length

MOST_BEVEL_DEG = 60.0
"""Past this an edge is a scarf, not a bevel: T tan b runs away with every doubt of b."""

SQUARE_RUN_MM = 14 * 25.4
"""Run on a framing square at which each quarter inch of rise is about one degree."""

LEVEL_DEG = 0.05
"""Below this a bevel is square to any tool in a shop."""

Kind = Literal["under", "standing", "square"]
PatternFace = Literal["top", "bottom"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KneeAngles:
    """How the hull stands where a knee goes, degrees."""

    flare_deg: float = 0.0
    """Of the side, positive with its top outboard; negative is tumblehome."""
    rake_deg: float = 0.0
    """Of the transom, positive with its top aft."""
    plan_deg: float = 0.0
    """Of the side seen from above, positive where the boat narrows aft."""
    tilt_deg: float = 0.0
    """Of the knee, positive with its inboard side raised (camber)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompoundBevel:
    """Angles of a knee that fits between a side and a transom."""

    corner_deg: float
    """Inside angle of the knee at its outer corner, in its own plane."""
    side_deg: float
    """Bevel of the hull edge seen from the knee's top face: negative is under."""
    transom_deg: float
    """Bevel of the transom edge, likewise."""
    true_corner_deg: float
    """Angle between side and transom, square to the line where they meet."""

    def stations(self, pattern_face: PatternFace) -> tuple[Stations, Stations]:
        """Bevels of the hull and transom edge as seen from the face on which the pattern lay."""
        sign = 1.0 if pattern_face == "top" else -1.0
        return (
            Stations("hull edge", (0.0,), (sign * self.side_deg,)),
            Stations("transom edge", (0.0,), (sign * self.transom_deg,)),
        )


def bevel_offset_mm(thickness_mm: float, bevel_deg: float) -> float:
    """How far the far face stands out (standing) or in (under): T tan b.

    Own derivation; glen-l.com, transom-angle, gives the same as an angle factor
    times the thickness (1 1/2", 12 degrees).

    Raises
    ------
    UsageError
        The bevel is past 60 degrees, or the thickness is nothing.
    """
    if not (math.isfinite(thickness_mm) and thickness_mm > 0):
        raise UsageError(
            f"A thickness of {thickness_mm:g} mm has no bevel.", "Give the thickness of the stock."
        )
    return thickness_mm * math.tan(math.radians(checked(bevel_deg)))


def bevel_from_rise_deg(rise_mm: float, run_mm: float = SQUARE_RUN_MM) -> float:
    """Bevel set on a framing square: atan(rise / run).

    On 14 inches each quarter inch is about a degree (seamount-mattson.com,
    tranangl); exactly it is 1.023 degrees.
    """
    return math.degrees(math.atan2(rise_mm, run_mm))


def rise_mm(bevel_deg: float, run_mm: float = SQUARE_RUN_MM) -> float:
    """Rise that sets a bevel on a framing square: run tan b, never below zero."""
    return run_mm * math.tan(math.radians(abs(bevel_deg)))


def bevel_from_sliding_deg(sliding_deg: float) -> float:
    """Bevel from square of a sliding bevel whose stock lay on the pattern's face.

    Taken inside the corner where the wood will be: 78 degrees is 12 under, 102
    is 12 standing (own derivation).
    """
    return checked(sliding_deg - 90.0)


def sliding_deg(bevel_deg: float) -> float:
    """What a sliding bevel reads from the pattern's face: below 90 is under."""
    return 90.0 + bevel_deg


def kind(bevel_deg: float) -> Kind:
    """Name a bevel."""
    if abs(bevel_deg) < LEVEL_DEG:
        return "square"
    return "standing" if bevel_deg > 0 else "under"


def checked(bevel_deg: float) -> float:
    """Hand a bevel on if an edge can have it.

    Raises
    ------
    UsageError
        It is past 60 degrees from square.
    """
    if not abs(bevel_deg) <= MOST_BEVEL_DEG:
        raise UsageError(
            f"A bevel of {abs(bevel_deg):.1f} degrees from square is past {MOST_BEVEL_DEG:.0f}: "
            "that is a scarf or a slip of the pen.",
            "Bevels count from square: a sliding bevel that reads 78 degrees is 12 under.",
        )
    return bevel_deg


def compound_bevel(angles: KneeAngles) -> CompoundBevel:
    """Angles of a knee between a flared side and a raked transom.

    Raises
    ------
    UsageError
        An angle, or a bevel that comes of them, is past 60 degrees.

    Notes
    -----
    With x aft, y outboard, z up the outward normals are ``(sin p cos f,
    cos p cos f, -sin f)`` of the side and ``(cos r, 0, -sin r)`` of the transom,
    and the knee's is ``k = (0, sin c, cos c)``; a bevel is ``asin(k . n)``.  Own
    derivation, checked by intersecting planes numerically.
    """
    f, r, p, c = (
        math.radians(checked(deg))
        for deg in (angles.flare_deg, angles.rake_deg, angles.plan_deg, angles.tilt_deg)
    )
    side = (math.sin(p) * math.cos(f), math.cos(p) * math.cos(f), -math.sin(f))
    transom = (math.cos(r), 0.0, -math.sin(r))
    knee = (0.0, math.sin(c), math.cos(c))
    along_side, along_transom = _cross(knee, side), _cross(knee, transom)
    return CompoundBevel(
        corner_deg=180.0 - _between_deg(along_side, along_transom),
        side_deg=checked(math.degrees(math.asin(_dot(knee, side)))),
        transom_deg=checked(math.degrees(math.asin(_dot(knee, transom)))),
        true_corner_deg=180.0 - _between_deg(side, transom),
    )


def read_bevel(text: str) -> float:
    """Read a bevel: ``12 under``, ``12 standing``, ``square``, ``sliding 78``, ``1/4 on 14 under``.

    Raises
    ------
    UsageError
        It does not say which way, or is past 60 degrees.
    """
    words = text.strip().lower()
    if words in ("square", "0", "0°"):
        return 0.0
    if words.startswith("sliding"):
        return bevel_from_sliding_deg(read_degrees(words.removeprefix("sliding")))
    match = re.fullmatch(r"(?P<size>.+?)\s*(?P<kind>under|standing)", words)
    if match is None:
        raise UsageError(
            f'The bevel "{text}" does not say which way.',
            'Write "12 under", "12 standing", "square", or "sliding 78" for the reading of a '
            "sliding bevel from the pattern's face.",
        )
    rise, on, run = match["size"].partition(" on ")
    size = (
        bevel_from_rise_deg(parse_length(rise), parse_length(_like(run, rise)))
        if on
        else read_degrees(match["size"])
    )
    if size < 0:
        raise UsageError(f'The bevel "{text}" is negative.', "Write under or standing instead.")
    return checked(size if match["kind"] == "standing" else -size)


def read_bevels(texts: Sequence[str]) -> tuple[Stations, ...]:
    """Read ``hull edge = 12 under`` and ``hull edge = 0:10 under, 300:18 under``."""
    return tuple(read_stations(text, read_bevel) for text in texts)


def _like(run: str, rise: str) -> str:
    """A run without a unit is in inches where its rise is a fraction."""
    return f"{run} in" if "/" in rise and re.fullmatch(r"[\d.,]+", run.strip()) else run


Vector = tuple[float, float, float]


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _cross(a: Vector, b: Vector) -> Vector:
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def _between_deg(a: Vector, b: Vector) -> float:
    n = _cross(a, b)
    return math.degrees(math.atan2(math.sqrt(_dot(n, n)), _dot(a, b)))
