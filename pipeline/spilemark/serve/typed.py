"""What people type into the form of a job, brought into the words of a job file."""

from __future__ import annotations

import re

_BARE = re.compile(r"[\d\s.,/±+-]*\d[\d\s.,/±+-]*")
_CARD = r"[A-Za-z]\w*"
_PAIR = rf"{_CARD}\s*(?:[-–—]|\bto\b)\s*{_CARD}"
_NEXT = re.compile(rf"[;\n]|,(?=\s*{_PAIR}\b)")
"""Between two measured pairs; a comma within a number is a decimal one."""
_BETWEEN = re.compile(
    rf"(?P<one>{_CARD})\s*(?:[-–—]|\bto\b)\s*(?P<other>{_CARD})\s*(?:=|:|\bis\b|\s)\s*(?P<length>.*\d.*)"
)
_BAR = re.compile(r"\d(?:[\d\s.,/]*\d)?\s*(?:mm|cm|inches|inch|in|\"|″)?")
_BAR_WORDS = re.compile(r"across|along|\band\b|\bby\b|\*", re.IGNORECASE)
_TWO_BARS = re.compile(r"(\d+(?:\.\d+)?(?:\s*mm)?)[\s/]+(\d+(?:\.\d+)?(?:\s*mm)?)")


def with_unit(text: str, *, inches: bool) -> str:
    """A length as typed: a bare number is meant in the unit that the form shows."""
    return f"{text} in" if inches and _BARE.fullmatch(text) else text


def pair_with_unit(text: str, *, inches: bool) -> str:
    """The same of "cards = length" or "edge = length"; any other text stays as it is."""
    name, equal, length = text.partition("=")
    return f"{name.strip()} = {with_unit(length.strip(), inches=inches)}" if equal else text


def as_metric(text: str) -> str:
    """A length of a job file for a form in inches: a bare number there is millimetres."""
    name, equal, length = text.partition("=")
    if not equal:
        name, length = "", text
    if not _BARE.fullmatch(length) or "/" in length:
        return text
    return f"{name.strip()} = {length.strip()} mm" if equal else f"{length.strip()} mm"


def rows_in(text: str) -> list[str]:
    """Several things that were typed in one field, parted by semicolons or line ends."""
    return [row.strip() for row in re.split(r"[;\n]", text) if row.strip()]


def pairs_in(text: str, *, inches: bool) -> list[str]:
    """Distances between cards, as "C-E = 481.1"; also "C-E 481.1, B to C: 311.5" is understood.

    What is not understood stays as it was typed, for whoever checks it to name.
    """
    found = []
    for row in (r.strip(" ,") for r in _NEXT.split(text)):
        if not row:
            continue
        told = _BETWEEN.fullmatch(row)
        if told:
            row = f"{told['one']}-{told['other']} = {told['length'].strip()}"
        found.append(pair_with_unit(row, inches=inches))
    return found


def bars_in(text: str) -> str:
    """Two check bars as "100.4 x 99.9", also from "100.4 across, 99.9 along"."""
    two = _TWO_BARS.fullmatch(text.strip())
    if two:
        return f"{two[1]} x {two[2]}"
    if not _BAR_WORDS.search(text):
        return text
    bars = [bar.strip() for bar in _BAR.findall(text)]
    words = [word.lower() for word in re.findall(r"across|along", text, re.IGNORECASE)]
    if len(bars) != 2 or len(words) > 2:
        return text
    return " x ".join(reversed(bars) if words[:1] == ["along"] and _named_in_order(text) else bars)


def _named_in_order(text: str) -> bool:
    """Whether "along" is said of the first of two numbers: before it, or between the two."""
    at = [m.start() for m in _BAR.finditer(text)]
    where = text.lower().index("along")
    across = text.lower().find("across")
    return where < at[1] and (across < 0 or where < across)
