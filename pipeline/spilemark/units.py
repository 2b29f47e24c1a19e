"""Lengths as builders write them.

Millimetres are stored; whatever is typed is turned into them once, and what is
shown is made from them.  An inch is 25.4 mm exactly (yard of 0.9144 m, 1959).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from spilemark.errors import UsageError
from spilemark.feet_inches import is_feet_inches, parse_feet_inches

INCH_MM = 25.4
_INCH = Fraction(254, 10)
_UNIT_MM = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": _INCH,
    "inch": _INCH,
    "inches": _INCH,
    '"': _INCH,
    "ft": 12 * _INCH,
    "'": 12 * _INCH,
}
_METRIC = frozenset({"mm", "cm", "m"})
_INCHES = frozenset({"in", "inch", "inches", '"'})
_FEET = frozenset({"ft", "'"})
_SPELLINGS = {
    "½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8",
    "″": '"', "”": '"', "“": '"', "''": '"', "′": "'", "’": "'", "−": "-", "\u00a0": " ",
}  # fmt: skip
_DECIMAL = r"\d+(?:[.,]\d+)?|[.,]\d+"
_NUMBER = re.compile(
    rf"(?:(?P<whole>\d+)[\s-]+)?(?P<top>\d+)/(?P<bottom>\d+)|(?P<decimal>{_DECIMAL})"
)
_UNIT = re.compile(r"mm|cm|m|inches|inch|in|ft|\"|'")
_PLUS_MINUS = re.compile(r"\+\s*/?\s*-")

Units = Literal["mm", "in"]


@dataclass(frozen=True, slots=True)
class Measured:
    """A length somebody read off, with its doubt where it was given."""

    mm: float
    sigma_mm: float | None
    inches: bool
    """Whether it was written in inches or feet."""


def parse_length(text: str) -> float:
    """Read one length, mm where no unit stands.

    Takes ``3.1``, ``3,1 mm``, ``87,3``, ``31cm``, ``3-7/16``, ``3 7/16"``,
    ``2' 3 1/2"``, and feet-inches-eighths such as ``4-1-3+``.  A fraction
    without a unit is inches.

    Raises
    ------
    UsageError
        It is not a length.
    """
    return _length(text).mm


def parse_measured(text: str) -> Measured:
    """Read a length with an optional ``±`` (also ``+-`` or ``+/-``): ``3.1mm±0.1``.

    The doubt takes the length's unit where it has none of its own (inches
    behind feet-inches-eighths), a length without a unit takes the doubt's, and
    the doubt counts as one standard deviation.  Behind
    feet-inches-eighths only the sign ± is understood, since ``+-`` there is a
    sixteenth less a thirty-second.

    Raises
    ------
    UsageError
        It is not a length, or the doubt is not above zero.
    """
    parts = [text] if is_feet_inches(text) else _halves(text)
    if len(parts) == 2 and is_feet_inches(parts[0]) and "±" not in text:
        raise UsageError(
            f'"{text}" can be read in two ways: +- behind eighths is a 32nd of an inch.',
            "Write the doubt with the sign ±: 4-1-3±1/16.",
        )
    if len(parts) == 1:
        return _length(text)
    # "0.125 ± 0.01 in" is read as it is spoken: a unit at the end is of both.
    length = _length(parts[0], bare=_named_unit(parts[1]) or "mm", whole=text)
    doubt = _length(parts[1], bare=_last_unit(parts[0]), whole=text)
    if doubt.mm <= 0:
        raise UsageError(f'"{text}" has a doubt of nothing.', "Write for example 3.1mm±0.1.")
    return Measured(length.mm, doubt.mm, length.inches)


def _halves(text: str) -> list[str]:
    """Length and doubt; where the sign ± stands, it alone parts them."""
    return text.split("±", 1) if "±" in text else _PLUS_MINUS.split(text, maxsplit=1)


def _length(text: str, bare: str = "mm", whole: str = "") -> Measured:
    """Read one length; ``whole`` is what the person typed, for messages."""
    if is_feet_inches(text):
        return Measured(float(parse_feet_inches(text)), None, inches=True)
    clean, text = _respell(text), whole or text
    total, inches, at = Fraction(0), False, 0
    unit = ""
    while at < len(clean):
        number = _NUMBER.match(clean, at)
        if number is None:
            raise _not_a_length(text)
        at = number.end()
        while clean[at : at + 1] == " ":
            at += 1
        found = _UNIT.match(clean, at)
        at = found.end() if found else at
        before, after_feet = unit, unit in _FEET
        unit = found.group() if found else _bare_unit(number, after_feet, bare)
        if before and not (after_feet and unit in _INCHES):
            raise _mixed(text, before, unit) if found and unit != before else _not_a_length(text)
        if number.group("top") and unit in _METRIC:
            raise _mixed(text, "a fraction", unit)
        inches = inches or unit in _INCHES or unit in _FEET
        total += _value(number, text) * _UNIT_MM[unit]
        while clean[at : at + 1] in (" ", "-"):
            at += 1
    if not unit:
        raise _not_a_length(text)
    return Measured(float(total), None, inches)


def _bare_unit(number: re.Match[str], after_feet: bool, bare: str) -> str:
    """What a number without a unit is: inches after feet or in fractions, else mm."""
    return "in" if after_feet or number.group("top") else bare


def _named_unit(text: str) -> str:
    """The last unit that a text names; empty where it names none."""
    found = _UNIT.findall(_respell(text))
    return str(found[-1]) if found else ""


def _last_unit(text: str) -> str:
    if is_feet_inches(text):
        return "in"
    named = _named_unit(text)
    if named:
        return named
    return "in" if "/" in _respell(text) else "mm"


def _value(number: re.Match[str], text: str) -> Fraction:
    if number.group("decimal"):
        return Fraction(number.group("decimal").replace(",", "."))
    if int(number.group("bottom")) == 0:
        raise _not_a_length(text)
    part = Fraction(int(number.group("top")), int(number.group("bottom")))
    return part + int(number.group("whole") or 0)


def _respell(text: str) -> str:
    for sign, plain in _SPELLINGS.items():
        text = text.replace(sign, plain)
    return re.sub(r"\s+", " ", text).strip().lower()


def _not_a_length(text: str) -> UsageError:
    return UsageError(
        f'"{text}" is not a length.',
        'Write for example 742.5mm, 74.25cm, 29.25in, 3-7/16, 3 7/16" or 4-1-3 (feet-inches-eighths). '
        "No unit means mm.",
    )


def _mixed(text: str, one: str, other: str) -> UsageError:
    return UsageError(
        f'"{text}" is not a length: it mixes {_spoken(one)} and {_spoken(other)}.',
        'Give it in one unit, or feet before inches: 742.5mm, 3 7/16", 2\' 3 1/2".',
    )


def _spoken(unit: str) -> str:
    """The unit as it is said: a sign such as ``"`` cannot be read in a sentence."""
    return "inches" if unit in _INCHES else "feet" if unit in _FEET else unit


def format_mm(mm: float, digits: int = 1) -> str:
    """Write mm with a fixed number of decimals, never "-0.0"."""
    rounded = round(mm, digits)
    return f"{rounded + 0.0:.{digits}f} mm"


def format_inches(mm: float, denominator: int = 16) -> str:
    """Write inches to the nearest fraction: ``3 7/16"``, carried right and in lowest terms.

    Parameters
    ----------
    mm : float
    denominator : int
        16 for sixteenths.
    """
    parts = round(abs(mm) / INCH_MM * denominator)
    whole, rest = divmod(parts, denominator)
    fraction = Fraction(rest, denominator)
    words = f"{whole}" if whole or not rest else ""
    if rest:
        words = f"{words} {fraction.numerator}/{fraction.denominator}".strip()
    return f'{"-" if mm < 0 and parts else ""}{words}"'


def format_length(mm: float, units: Units = "mm", digits: int = 1) -> str:
    """Write a length in the person's units."""
    return format_mm(mm, digits) if units == "mm" else format_inches(mm)


def format_fine(mm: float, units: Units = "mm", digits: int = 2) -> str:
    """Write a small length or a measured one in decimals: ``0.31 mm``, ``0.012"``."""
    return (
        format_mm(mm, digits)
        if units == "mm"
        else f'{round(mm / INCH_MM, digits + 1):.{digits + 1}f}"'
    )


def rounded_up_mm(mm: float, units: Units, digits: int) -> float:
    """A half-width, mm, as it is shown: rounded up, so that a doubt is never said too small.

    ``digits`` are those of mm; inches are shown with one more.
    """
    step = 10.0**-digits if units == "mm" else 10.0 ** -(digits + 1) * INCH_MM
    return math.ceil(mm / step - 1e-9) * step
