"""Feet-inches-eighths, and lengths as typed to the shop commands."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spilemark.errors import UsageError
from spilemark.feet_inches import format_feet_inches, is_feet_inches, parse_feet_inches
from spilemark.shop.lengths import (
    read_degrees,
    read_signed,
    show_degrees,
    show_doubt,
    show_length,
)
from spilemark.units import parse_length, parse_measured

# The notation and 1-3-4, 0-0-1+, 4-1-1+-, 4-1-3 stand on
# glacierboats.com/tongass/feetincheseighths; mm derived with 25.4 mm an inch (NBS Circular 572).
PUBLISHED = [
    ("1-3-4", "15 1/2", Fraction("393.7")),
    ("0-0-1+", "3/16", Fraction("4.7625")),
    ("4-1-1+-", "49 5/32", Fraction("1248.56875")),
    ("4-1-3", "49 3/8", Fraction("1254.125")),
    ("2-3-5", "27 5/8", Fraction("701.675")),
    ("2-3-5+", "27 11/16", Fraction("703.2625")),
]


@pytest.mark.parametrize(("written", "inches", "mm"), PUBLISHED)
def test_published_feet_inches_eighths(written: str, inches: str, mm: Fraction) -> None:
    assert parse_feet_inches(written) == mm
    assert sum(Fraction(part) for part in inches.split()) * Fraction("25.4") == mm
    assert format_feet_inches(mm, 32) == written
    assert format_feet_inches(float(mm), 32) == written


# Derived, checked by hand: the nearest sixteenth, carried over inches and feet.
@pytest.mark.parametrize(
    ("mm", "denominator", "written"),
    [
        (304.7, 16, "1-0-0"),
        (1254.0, 16, "4-1-3"),
        (304.8 - 25.4 / 64, 32, "1-0-0"),
        (304.8 - 25.4 / 32, 32, "0-11-7++"),
        (0.0, 16, "0-0-0"),
        (0.5, 16, "0-0-0"),
        (-0.5, 16, "0-0-0"),
        (-393.7, 16, "-1-3-4"),
        (25.4 / 16, 8, "0-0-1"),
    ],
)
def test_carry_and_rounding(mm: float, denominator: int, written: str) -> None:
    assert format_feet_inches(mm, denominator) == written  # type: ignore[arg-type]


@given(st.integers(0, 40 * 12 * 32))
@settings(deadline=None)
def test_every_thirty_second_comes_back(parts: int) -> None:
    mm = Fraction(parts, 32) * Fraction("25.4")
    assert parse_feet_inches(format_feet_inches(mm, 32)) == mm


@pytest.mark.parametrize("text", ["0-12-0", "4-1-8", "1-2", "4-1-3-", "4-1-3+++", "4-1-3mm", ""])
def test_what_is_not_feet_inches_eighths(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_feet_inches(text)
    assert "1-3" in caught.value.todo


def test_lengths_of_every_way_of_writing() -> None:
    assert parse_length("4-1-3+") == 1255.7125
    assert parse_length('3 7/16"') == parse_length("3-7/16") == 87.3125
    assert parse_length("87,3") == 87.3
    assert read_signed("-4 mm") == -4.0
    assert read_signed("+1-3-4") == 393.7
    assert not is_feet_inches("3-7/16")


@pytest.mark.parametrize("text", ["3in 4mm", "2' 3cm", "4-1-3 mm", "12 furlongs", "1-3"])
def test_mixed_units_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is not a length"):
        parse_length(text)


def test_doubt_behind_feet_inches_eighths() -> None:
    assert parse_measured("4-1-1+-").mm == 1248.56875
    assert parse_measured("4-1-1+-").sigma_mm is None
    assert parse_measured("4-1-1+- ± 1mm").sigma_mm == 1.0
    assert parse_measured("4-1-1 ± 1/16").sigma_mm == pytest.approx(1.5875)
    assert parse_measured("4-1-1±0.1").sigma_mm == pytest.approx(2.54)
    assert parse_measured("742.5 +- 0.2").sigma_mm == 0.2
    with pytest.raises(UsageError, match="in two ways"):
        parse_measured("4-1-1+-1/16")


def test_shown_in_the_persons_units() -> None:
    assert show_length(4.7625) == "4.8 mm"
    assert show_length(4.7625, "in") == '3/16"'
    assert show_length(4.7625, "ft") == "0-0-1+"
    assert show_doubt(2.54, "in") == '0.10"'
    assert show_degrees(-0.01) == "0.0°"


def test_angles() -> None:
    assert read_degrees("12") == read_degrees("12.0°") == read_degrees("12,0 deg") == 12.0
    with pytest.raises(UsageError, match="not an angle"):
        read_degrees("steep")
