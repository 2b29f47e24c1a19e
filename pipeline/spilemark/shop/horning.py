"""Horning a hull: from the stem to both transom corners, and across the transom.

The stem point, and the transom's port and starboard corner make a triangle.
By Apollonius the line from the stem to the transom's middle is
``m = sqrt((dP^2 + dS^2) / 2 - B^2 / 4)``, and the transom is out of square with
that line by ``phi``, ``sin phi = (dP^2 - dS^2) / (2 B m)``: positive where the
port diagonal is longer, that is, where the port corner lies further aft.

Port and starboard are the boat's own, whichever way up the hull lies.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from spilemark.errors import UsageError
from spilemark.shop.tapes import COVER_95, Reading

MOST_SKEW_DEG = 20.0
"""Past this, a tape was misread: no hull is racked so far."""

SHORTEST_HULL_MM = 900.0
"""Below this the unit was probably forgotten."""

_SLIPS = (
    (10.0, "typed in cm"),
    (1000.0, "typed in metres"),
    (25.4, "typed in inches without a unit"),
    (304.8, "typed in feet without a unit"),
    (12.0, "typed in feet as if it were inches"),
    (0.1, "typed in mm as if it were cm"),
    (1 / 25.4, "typed in mm as if it were inches"),
)
_ALIKE = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class HullTapes:
    """What was taped, and what else is known of the three points."""

    port: Reading
    """Stem to the transom's port corner."""
    starboard: Reading
    breadth: Reading
    """Across the transom, corner to corner."""
    heights_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Stem point, port corner, starboard corner above one level."""
    middle: Reading | None = None
    """The transom's middle off the centreline wire, to starboard; None where not looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Horning:
    """What three tapes tell of a hull."""

    tapes: HullTapes
    plan_mm: tuple[float, float, float]
    """Port diagonal, starboard diagonal, breadth as seen from above."""
    median_mm: float
    """Stem to the transom's middle, seen from above."""
    skew_deg: float
    """How far the transom is from square to that line; positive: port corner aft."""
    skew_u95_deg: float
    lead_mm: float
    """How far the port corner lies aft of the starboard one, along that line."""
    lead_u95_mm: float
    centreline_skew_deg: float
    """The same against the boat's centreline; equals ``skew_deg`` where no middle was given."""
    centreline_skew_u95_deg: float
    after: Literal["port", "starboard"] | None
    """The corner that lies further aft; None: square as far as these tapes tell."""
    square_port_mm: float
    """What the port diagonal reads when the transom is square and on the centreline."""
    square_starboard_mm: float

    @property
    def knees_differ_deg(self) -> float:
        """By how much the starboard corner's angle exceeds the port one's: twice the skew."""
        return 2.0 * self.centreline_skew_deg

    @property
    def knees_differ_u95_deg(self) -> float:
        """Half-width of its 95 % interval."""
        return 2.0 * self.centreline_skew_u95_deg


def horn(tapes: HullTapes) -> Horning:
    """Tell from three tapes whether a transom stands square.

    Raises
    ------
    UsageError
        The tapes make no triangle, or one that no hull has.

    Notes
    -----
    Apollonius' theorem and the law of cosines; own derivation, checked by
    building skewed hulls from coordinates and by simulation of tape errors.
    The doubts of the three tapes count as independent and are carried by the
    derivatives of the formula (JCGM 100:2008, 5.1.2).  One tape used for all
    three errs alike in each, which cancels in the difference: this is the
    careful side.
    """
    _check_lengths(tapes)
    plan = _plan_lengths(tapes)
    _check_closes(tapes, plan)
    skew, skew_sigma, lead, lead_sigma = _skew(tapes, plan)
    if abs(skew) > math.radians(MOST_SKEW_DEG):
        raise UsageError(
            f"By these tapes the transom is {abs(math.degrees(skew)):.0f} degrees out of square, "
            f"which no hull is.{_slip(tapes)}",
            "Tape the three lengths again, from the same point on the stem.",
        )
    median = _median(plan)
    swing, swing_sigma = _swing(tapes, median)
    square = _square_readings(tapes, plan, median * math.cos(swing))
    centre_sigma = math.hypot(skew_sigma, swing_sigma)
    skew_u95 = math.degrees(COVER_95 * skew_sigma)
    out_of_square = abs(math.degrees(skew + swing)) > math.degrees(COVER_95 * centre_sigma)
    return Horning(
        tapes=tapes,
        plan_mm=plan,
        median_mm=median,
        skew_deg=math.degrees(skew),
        skew_u95_deg=skew_u95,
        lead_mm=lead,
        lead_u95_mm=COVER_95 * lead_sigma,
        centreline_skew_deg=math.degrees(skew + swing),
        centreline_skew_u95_deg=math.degrees(COVER_95 * centre_sigma),
        after=("port" if skew + swing > 0 else "starboard") if out_of_square else None,
        square_port_mm=square[0],
        square_starboard_mm=square[1],
    )


def arm_gap_mm(angle_deg: float, arm_mm: float = 300.0) -> float:
    """How far the toe of an arm moves when its corner opens by an angle.

    The chord 2 L sin(angle / 2); own derivation, checked by turning points.
    """
    return 2.0 * arm_mm * math.sin(math.radians(abs(angle_deg)) / 2.0)


def hidden_shift_mm(median_mm: float, skew_deg: float) -> float:
    """Sideways shift of a transom that hides a skew from the diagonals: m tan(phi).

    Own derivation, checked with coordinates: the stem then lies on the
    transom's perpendicular bisector, and both diagonals are equal.
    """
    return median_mm * math.tan(math.radians(skew_deg))


def high_corner_mm(diagonal_mm: float, high_mm: float) -> float:
    """How much a corner that stands high lengthens its diagonal (Pythagoras)."""
    return math.hypot(diagonal_mm, high_mm) - diagonal_mm


def _median(plan: tuple[float, float, float]) -> float:
    port, starboard, breadth = plan
    return math.sqrt((port**2 + starboard**2) / 2.0 - breadth**2 / 4.0)


def _skew(tapes: HullTapes, plan: tuple[float, float, float]) -> tuple[float, float, float, float]:
    """Skew and its sigma, rad; lead and its sigma, mm."""
    port, starboard, breadth = plan
    m = _median(plan)
    n = port**2 - starboard**2
    lead = n / (2.0 * m)
    skew = math.asin(max(-1.0, min(1.0, lead / breadth)))
    # d(plan)/d(tape) is tape over plan: a slant tape errs more in plan.
    readings = (tapes.port, tapes.starboard, tapes.breadth)
    sigmas = [r.sigma_mm * r.mm / p for r, p in zip(readings, plan, strict=True)]
    median_by = (port / (2 * m), starboard / (2 * m), -breadth / (4 * m))
    n_by = (2 * port, -2 * starboard, 0.0)
    lead_by = [a / (2 * m) - n * b / (2 * m * m) for a, b in zip(n_by, median_by, strict=True)]
    sine_by = [by / breadth for by in lead_by]
    sine_by[2] -= lead / breadth**2
    lead_sigma = math.hypot(*(by * s for by, s in zip(lead_by, sigmas, strict=True)))
    sine_sigma = math.hypot(*(by * s for by, s in zip(sine_by, sigmas, strict=True)))
    return skew, sine_sigma / max(math.cos(skew), 1e-9), lead, lead_sigma


def _swing(tapes: HullTapes, median: float) -> tuple[float, float]:
    """Turn of the stem-to-middle line off the centreline and its sigma, rad; to starboard positive."""
    if tapes.middle is None:
        return 0.0, 0.0
    sine = tapes.middle.mm / median
    if abs(sine) > math.sin(math.radians(MOST_SKEW_DEG)):
        raise UsageError(
            f"The transom's middle would stand {abs(tapes.middle.mm):.0f} mm off the centreline.",
            "Give the small distance between the wire and the middle of the transom.",
        )
    return math.asin(sine), tapes.middle.sigma_mm / median


def _plan_lengths(tapes: HullTapes) -> tuple[float, float, float]:
    """Lengths seen from above: sqrt(d^2 - h^2)."""
    stem, port, starboard = tapes.heights_mm
    pairs = (
        ("port diagonal", tapes.port, port - stem),
        ("starboard diagonal", tapes.starboard, starboard - stem),
        ("breadth", tapes.breadth, port - starboard),
    )
    for name, reading, height in pairs:
        if abs(height) >= reading.mm:
            raise UsageError(
                f"The {name} is {reading.mm:.1f} mm, but its ends would differ in height by "
                f"{abs(height):.1f} mm.",
                "Heights are those of the stem point, port and starboard corner above one level.",
            )
    a, b, c = (math.sqrt(reading.mm**2 - height**2) for _, reading, height in pairs)
    return a, b, c


def _square_readings(
    tapes: HullTapes, plan: tuple[float, float, float], aft_mm: float
) -> tuple[float, float]:
    """Slant lengths of both diagonals once the transom is square, at their own heights."""
    stem, port, starboard = tapes.heights_mm
    both = math.hypot(aft_mm, plan[2] / 2.0)
    return math.hypot(both, port - stem), math.hypot(both, starboard - stem)


def _check_lengths(tapes: HullTapes) -> None:
    for name, reading in _named(tapes):
        if not (math.isfinite(reading.mm) and reading.mm > 0.0):
            raise UsageError(f"The {name} is {reading.mm:g} mm, which is no length.", "")
        if not (math.isfinite(reading.sigma_mm) and 0.0 <= reading.sigma_mm < reading.mm):
            raise UsageError(f"The {name} is doubted by more than its length.", "")


def _check_closes(tapes: HullTapes, plan: tuple[float, float, float]) -> None:
    sides = sorted(zip(plan, _named(tapes), strict=True), key=lambda side: side[0])
    (one, (first, _)), (two, (second, _)), (longest, (name, _)) = sides
    if longest >= one + two:
        raise UsageError(
            f"These tapes cannot close: the {name} ({longest:.1f} mm) is longer than the {first} "
            f"({one:.1f} mm) and the {second} ({two:.1f} mm) together.{_slip(tapes)}",
            "Check the numbers and their units (no unit means mm), or tape again.",
        )


def _named(tapes: HullTapes) -> tuple[tuple[str, Reading], ...]:
    return (
        ("port diagonal", tapes.port),
        ("starboard diagonal", tapes.starboard),
        ("breadth", tapes.breadth),
    )


def _slip(tapes: HullTapes) -> str:
    """Say which slip of one tape's unit would make a hull of the three, if one would."""
    trials: tuple[tuple[str, Reading, Callable[[Reading], HullTapes]], ...] = (
        ("port diagonal", tapes.port, lambda r: replace(tapes, port=r)),
        ("starboard diagonal", tapes.starboard, lambda r: replace(tapes, starboard=r)),
        ("breadth", tapes.breadth, lambda r: replace(tapes, breadth=r)),
    )
    for name, reading, exchanged in trials:
        slips = [
            words
            for factor, words in _SLIPS
            if _looks_like_a_hull(exchanged(replace(reading, mm=reading.mm * factor)))
        ]
        if slips:
            return f" It would close if the {name} was {' or '.join(slips)}."
    return ""


def _looks_like_a_hull(tapes: HullTapes) -> bool:
    port, starboard, breadth = tapes.port.mm, tapes.starboard.mm, tapes.breadth.mm
    alike = max(port, starboard) / min(port, starboard) < _ALIKE
    closes = abs(port - starboard) < breadth * math.sin(math.radians(MOST_SKEW_DEG))
    return alike and closes and min(port, starboard) / 10.0 < breadth < port + starboard
