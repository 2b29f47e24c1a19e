"""How well a tape can be believed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

ClassName = Literal["I", "II", "III"]

READING_SIGMA_MM = 0.5
"""One standard deviation of holding and reading a tape on a hull: common practice, no source."""

COVER_95 = 1.96
"""Half-width of a 95 % interval in standard deviations of a normal error."""


@dataclass(frozen=True, slots=True)
class TapeClass:
    """Numbers of an accuracy class, mm and mm for each metre begun."""

    fixed_mm: float
    per_metre_mm: float
    hook_mm: float
    """Added where the length begins at a hook or at the tape's end."""


# Directive 2014/32/EU, annex X (MI-008), chapter I, table 1: a, b and c.
TAPE_CLASSES: dict[ClassName, TapeClass] = {
    "I": TapeClass(0.1, 0.1, 0.1),
    "II": TapeClass(0.3, 0.2, 0.2),
    "III": TapeClass(0.6, 0.4, 0.3),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """A taped length with its doubt."""

    mm: float
    sigma_mm: float
    """One standard deviation."""


def greatest_error_mm(length_mm: float, tape_class: ClassName = "II") -> float:
    """Greatest error allowed of a length taped from the hook.

    a + b L + c with L in metres, rounded up: Directive 2014/32/EU, annex X
    (MI-008), chapter I, point 2 and table 1.
    """
    limits = TAPE_CLASSES[tape_class]
    return limits.fixed_mm + limits.per_metre_mm * math.ceil(length_mm / 1000.0) + limits.hook_mm


def class_sigma_mm(length_mm: float, tape_class: ClassName = "II") -> float:
    """One standard deviation of a taped length: the class limit and the hand that holds it.

    The limit counts as evenly likely within, so over the root of three (JCGM
    100:2008, "Guide to the expression of uncertainty in measurement", 4.3.7).
    """
    limit = greatest_error_mm(length_mm, tape_class)
    return math.hypot(limit / math.sqrt(3.0), READING_SIGMA_MM)
