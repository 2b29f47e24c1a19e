"""The values of a job file, one by one: lengths, bars, distances, points; each error names its place."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from spilemark.cards import Batten
from spilemark.errors import UsageError
from spilemark.records import EdgeRule
from spilemark.units import INCH_MM, Measured, parse_measured

Length = str | float
THICKNESS_SIGMA_MM = 0.1
"""Doubt of a caliper reading on plywood or card where none is given: common practice."""
BATTEN_SIGMA_MM = 0.1
"""Doubt of a steel rule's reading where none is given: common practice."""
_TWO_BARS = "Measure the two 100 mm bars with a steel rule: --printed-bar 99.6,99.8"
_BAR_MM = 100.0
_BAR_INCH_MM = 4 * INCH_MM


def sigma_of(length: Measured | None, default: float) -> float:
    """What follows ± (one standard deviation, mm), or a default where nothing does."""
    return default if length is None or length.sigma_mm is None else length.sigma_mm


def measured(
    value: Length | None, key: str, limits_mm: tuple[float, float], where: str
) -> Measured | None:
    """A length that a key holds, within limits; None where it holds none.

    Raises
    ------
    UsageError
        No length, outside of the limits, or doubted by more than itself.
    """
    if value is None:
        return None
    length = _read(value, key, where)
    low, high = limits_mm
    if not low <= length.mm <= high:
        raise UsageError(
            f"{where}: {key} = {value} is not between {low:g} and {high:g} mm.",
            "Check the number and its unit; no unit means mm.",
        )
    if length.sigma_mm is not None and length.sigma_mm > max(length.mm, 1.0):
        raise UsageError(f"{where}: {key} = {value} is doubted by more than its length.", "")
    return length


def _read(value: Length, key: str, where: str) -> Measured:
    if isinstance(value, int | float):
        return Measured(float(value), None, inches=False)
    try:
        return parse_measured(value)
    except UsageError as error:
        if re.match(r"\s*[-−]\s*\d", value):
            raise UsageError(
                f"{where}: {key} = {value} is below zero.", "Give a length of zero or more."
            ) from error
        raise UsageError(f"{where}, {key}: {error.what}", error.todo) from error


def printed_bar(value: str | float | list[float] | None, where: str) -> tuple[float, float] | None:
    """Measured bars as lengths of the 100 mm bar, across and along.

    One number counts for both.  A bar read in inches is the 4 inch one.
    """
    if value is None:
        return None
    if isinstance(value, str):
        parts: list[Length] = [*_bar_parts(value)]
    else:
        parts = [*value] if isinstance(value, list) else [value]
    if len(parts) not in (1, 2):
        raise UsageError(
            f"{where}: printed_bar = {value} is not two numbers.", f"{_TWO_BARS} (across, along)."
        )
    bars = [_read(part, "printed_bar", where) for part in parts]
    lengths = [b.mm * (_BAR_MM / _BAR_INCH_MM if b.inches else 1.0) for b in bars]
    if not all(80.0 <= length <= 125.0 for length in lengths):
        raise _bar_error(value, where)
    return lengths[0], lengths[-1]


def _bar_parts(text: str) -> list[str]:
    """Cut ``99.6,99.8`` in two; a comma may also be a decimal one, as in ``99,6 x 99,8``."""
    parts = [p for p in re.split(r"\s*[;x×]\s*", text.strip()) if p]
    if len(parts) == 1 and text.count(",") in (1, 3):
        pieces = text.split(",")
        if len(pieces) == 4:
            return [",".join(pieces[:2]), ",".join(pieces[2:])]
        after = pieces[1].strip()
        decimal = len(after) <= 2 and after.isdigit() and "." not in text
        if decimal and int(after) >= 80:
            raise UsageError(
                f'printed_bar "{text}" can be one bar of {pieces[0]}.{after} or two bars.',
                f"Write {pieces[0]}.{after} or {pieces[0]} x {after}.",
            )
        return [text] if decimal else pieces
    if len(parts) == 1 and text.count(",") > 1:
        return text.split(",")
    return parts


def _bar_error(value: object, where: str) -> UsageError:
    return UsageError(
        f"{where}: printed_bar = {value} is not what the 100 mm bars of a page can measure.",
        f"{_TWO_BARS} (across, along).",
    )


def tape_sigma_mm(length_mm: float) -> float:
    """One standard deviation of a length read with a class II tape.

    The greatest error allowed is 0.3 mm + 0.2 mm for each metre begun
    (Directive 2014/32/EU, annex X, MI-008), taken as evenly likely within.
    """
    return (0.3 + 0.2 * math.ceil(length_mm / 1000.0)) / math.sqrt(3.0)


def distance(text: str, where: str) -> tuple[str, str, float, float]:
    """A taped distance ``A-H=742.5mm±0.2``: both cards, mm, sigma mm; a class II tape where no ± stands."""
    one, other, read = _between(text, "distance", where)
    return one, other, read.mm, sigma_of(read, tape_sigma_mm(read.mm))


def batten(text: str, where: str) -> Batten:
    """A batten ``A-H=742.5mm±0.1``."""
    one, other, read = _between(text, "batten", where)
    sigma_mm = sigma_of(read, BATTEN_SIGMA_MM)
    return Batten(cards=(one, other), distance_mm=read.mm, sigma_mm=sigma_mm)


def _between(text: str, what: str, where: str) -> tuple[str, str, Measured]:
    cards, _, length = text.partition("=")
    names = [name.strip() for name in re.split("[-–]", cards)]
    if len(names) == 2 and names[1] and names[0].rpartition(":")[2].strip() == names[1]:
        raise UsageError(
            f'{where}: the {what} "{text}" names the card {names[1]} twice.',
            "It runs from one card's cross to another's, such as A-H=742.5mm.",
        )
    if len(names) != 2 or not all(names) or not length.strip():
        raise UsageError(
            f'{where}: the {what} "{text}" is not two cards and a length.',
            "Write for example A-H=742.5mm or A-H=742.5mm±0.2.",
        )
    read = measured(length.strip(), f"{what} {names[0]}-{names[1]}", (20.0, 30_000.0), where)
    assert read is not None
    return names[0], names[1], read


def _numbers(count: int, example: str) -> Callable[[list[float] | None, str, str], list[float]]:
    def check(value: list[float] | None, arm: str, where: str) -> list[float]:
        if value is None or len(value) != count or not all(math.isfinite(v) for v in value):
            raise UsageError(f"{where}, {arm}: {value} is not {count} numbers.", example)
        return value

    return check


_four = _numbers(4, "A line is x1, y1, x2, y2 in pixels of the upright photo.")
_two = _numbers(2, "A point is x, y in pixels of the upright photo.")


def line_px(value: list[float] | None, arm: str, where: str) -> tuple[float, float, float, float]:
    """Two points of a line, upright px."""
    x1, y1, x2, y2 = _four(value, arm, where)
    if math.hypot(x2 - x1, y2 - y1) < 10.0:
        raise UsageError(
            f"{where}, {arm}: the two points of the centreline lie on each other.",
            "Give points near the two ends of the line.",
        )
    return x1, y1, x2, y2


def point_px(value: list[float] | None, arm: str, where: str) -> tuple[float, float]:
    """One point, upright px."""
    x, y = _two(value, arm, where)
    return x, y


def edge_rule(text: str, arm: str, where: str) -> EdgeRule:
    """How the line lies to an edge: ``square to transom edge`` or ``along hull edge``."""
    words = " ".join(text.split())
    for start, square in (("square to ", True), ("along ", False)):
        if words.casefold().startswith(start) and len(words) > len(start):
            return EdgeRule(square, words[len(start) :])
    raise UsageError(
        f'{where}, {arm}: "{text}" does not say how the line lies to an edge.',
        'Write "square to transom edge" or "along hull edge".',
    )
