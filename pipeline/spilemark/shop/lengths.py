"""Lengths, angles and lists along an edge, as a person types and reads them."""

from __future__ import annotations

import re
from typing import Literal

from spilemark.errors import UsageError
from spilemark.feet_inches import format_feet_inches
from spilemark.units import INCH_MM, format_inches, format_mm, parse_length

Show = Literal["mm", "in", "ft"]
"""Millimetres, inches with fractions, or feet-inches-eighths."""


def read_signed(text: str) -> float:
    """Read a length in mm that may have a minus before it."""
    clean = text.strip().replace("−", "-")
    if clean.startswith("-"):
        return -parse_length(clean[1:])
    return parse_length(clean.removeprefix("+"))


def show_length(mm: float, units: Show = "mm", digits: int = 1) -> str:
    """Write a length in the person's units: ``4.8 mm``, ``3/16"`` or ``0-0-1+``."""
    if units == "mm":
        return format_mm(mm, digits)
    return format_inches(mm) if units == "in" else format_feet_inches(mm)


def show_doubt(mm: float, units: Show = "mm") -> str:
    """Write the half-width of an interval; in inches as a decimal, since it is no cutting size."""
    return format_mm(mm) if units == "mm" else f'{mm / INCH_MM:.2f}"'


def show_degrees(degrees: float, digits: int = 1) -> str:
    """Write an angle with a true minus sign, never "-0.0"."""
    return f"{round(degrees, digits) + 0.0:.{digits}f}°".replace("-", "−")


def read_degrees(text: str) -> float:
    """Read an angle such as ``12``, ``12.5°`` or ``12,5 deg``.

    Raises
    ------
    UsageError
        It is not a number of degrees.
    """
    clean = re.sub(r"(°|deg(rees?)?)$", "", text.strip().lower()).strip().replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)", clean):
        raise UsageError(f'"{text}" is not an angle.', "Write degrees, for example 12 or 12.5.")
    return float(clean)
