"""Feet-inches-eighths, the way offset tables are written: ``4-1-3+``.

``a-b-c`` is a feet, b inches and c eighths.  A ``+`` behind it adds a
sixteenth, ``+-`` a sixteenth less a thirty-second, ``++`` a sixteenth and a
thirty-second (as explained on glacierboats.com, tongass/feetincheseighths).
All arithmetic is in fractions, so reading and writing again is exact.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Literal

from spilemark.errors import UsageError

_INCH = Fraction(254, 10)
_TAILS = {0: "", 1: "+-", 2: "+", 3: "++"}
_THIRTY_SECONDS = {tail: count for count, tail in _TAILS.items()}
_PATTERN = re.compile(r"(\d+)-(\d+)-(\d+)(\+\+|\+-|\+)?")

Denominator = Literal[8, 16, 32]


def is_feet_inches(text: str) -> bool:
    """Whether a text is written as feet-inches-eighths, right or wrong."""
    return _PATTERN.fullmatch(_plain(text)) is not None


def parse_feet_inches(text: str) -> Fraction:
    """Millimetres of ``4-1-3+``, exact.

    Raises
    ------
    UsageError
        It is not written so, or has twelve inches or eight eighths and more.
    """
    match = _PATTERN.fullmatch(_plain(text))
    if match is None:
        raise UsageError(
            f'"{text}" is not feet-inches-eighths.', "Write for example 4-1-3 or 4-1-3+."
        )
    feet, inches, eighths = (int(part) for part in match.groups()[:3])
    if inches > 11 or eighths > 7:
        most = "11 inches" if inches > 11 else "7 eighths"
        raise UsageError(
            f'"{text}" has more than {most} in feet-inches-eighths.',
            "Carry it over: 0-12-0 is 1-0-0. An eighth is the third number: 4-1-3 is 4' 1 3/8\".",
        )
    fine = Fraction(_THIRTY_SECONDS[match.group(4) or ""], 32)
    return (12 * feet + inches + Fraction(eighths, 8) + fine) * _INCH


def format_feet_inches(mm: float | Fraction, denominator: Denominator = 16) -> str:
    """Write mm as feet-inches-eighths, to the nearest ``1/denominator`` inch, halves up.

    A part that rounds up to a whole foot is carried: 304.7 mm is 1-0-0.
    """
    # Through its shortest decimal: 1.5875 means a sixteenth, which the binary number just misses.
    exact = mm if isinstance(mm, Fraction) else Fraction(str(float(mm)))
    parts = math.floor(abs(exact) / _INCH * denominator + Fraction(1, 2))
    eighths, fine = divmod(parts * (32 // denominator), 4)
    inches, eighths = divmod(eighths, 8)
    feet, inches = divmod(inches, 12)
    sign = "-" if mm < 0 and parts else ""
    return f"{sign}{feet}-{inches}-{eighths}{_TAILS[fine]}"


def _plain(text: str) -> str:
    return re.sub(r"\s+", "", text.replace("−", "-").replace("–", "-"))
