from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spilemark.errors import UsageError
from spilemark.units import (
    INCH_MM,
    format_fine,
    format_inches,
    format_length,
    format_mm,
    parse_length,
    parse_measured,
    rounded_up_mm,
)


# 1 in = 25.4 mm exactly: yard of 0.9144 m, 1 July 1959, addendum to NBS Circular 572.
@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("3.1", 3.1),
        ("3,1 mm", 3.1),
        ("87,3", 87.3),
        (".5", 0.5),
        ("31cm", 310.0),
        ("0.5 m", 500.0),
        ("742.5mm", 742.5),
        ("29.25in", 742.95),
        ("1 inch", 25.4),
        ("3-7/16", 87.3125),
        ('3 7/16"', 87.3125),
        ("7/16 in", 11.1125),
        ("3½″", 88.9),
        ("1ft", 304.8),
        ("2' 3 1/2\"", 698.5),
        ("2' 3", 685.8),
        ("2'-3 5/8\"", 701.675),
        ("1’ 3½”", 393.7),
        # Notation of glacierboats.com/tongass/feetincheseighths.
        ("4-1-3+", 1255.7125),
        ("1-3-4", 393.7),
    ],
)
def test_lengths_as_builders_write_them(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    ["", "mm", "-3", "3 4", "1/0", "nan", "inf", "1e3", "3 furlongs", "1,234.5", "3mm 2mm",
     "2in 3ft", "2' 3cm", "3..1", "±3", "½½"],
)  # fmt: skip
def test_what_is_no_length(text: str) -> None:
    with pytest.raises(UsageError, match="is not a length") as caught:
        parse_length(text)
    assert caught.value.exit_code == 2
    assert "3 7/16" in caught.value.todo


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2' 3cm", "mixes feet and cm"),
        ("2in 3ft", "mixes inches and feet"),
        ("3mm 1/2in", "mixes mm and inches"),
        ("3-7/16mm", "mixes a fraction and mm"),
        ("1/2 cm", "mixes a fraction and cm"),
    ],
)
def test_mixed_units_are_named(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        parse_length(text)
    assert "one unit" in caught.value.todo


@pytest.mark.parametrize(
    ("text", "mm", "sigma"),
    [
        ("3.1mm", 3.1, None),
        ("3.1mm±0.1", 3.1, 0.1),
        ("3.1 mm ± 0.1 mm", 3.1, 0.1),
        ("742.5 +- 0.2", 742.5, 0.2),
        ("742.5 +/- 0,2", 742.5, 0.2),
        ("31cm±0.1", 310.0, 1.0),
        ("29 1/4in±1/64", 742.95, 25.4 / 64),
        ("3-7/16±1/64", 87.3125, 25.4 / 64),
    ],
)
def test_doubt_takes_the_unit_of_the_length(text: str, mm: float, sigma: float | None) -> None:
    read = parse_measured(text)
    assert read.mm == pytest.approx(mm)
    assert read.sigma_mm == (None if sigma is None else pytest.approx(sigma))


def test_the_whole_of_what_was_typed_is_cited() -> None:
    with pytest.raises(UsageError, match=r"3\.1mm±thin"):
        parse_measured("3.1mm±thin")


def test_a_doubt_of_nothing_is_refused() -> None:
    with pytest.raises(UsageError, match="doubt of nothing"):
        parse_measured("3±0")


@pytest.mark.parametrize(
    ("mm", "words"),
    [
        (87.3125, '3 7/16"'),
        (304.7, '12"'),  # carried: never 11 16/16"
        (0.0, '0"'),
        (0.2, '0"'),
        (-0.2, '0"'),
        (12.7, '1/2"'),
        (-12.7, '-1/2"'),
        (1254.125, '49 3/8"'),
    ],
)
def test_inches_are_carried_and_in_lowest_terms(mm: float, words: str) -> None:
    assert format_inches(mm) == words


def test_millimetres_never_read_minus_nothing() -> None:
    assert format_mm(-0.04) == "0.0 mm"
    assert format_mm(3.14159, digits=2) == "3.14 mm"
    assert format_length(25.4, "in") == '1"'
    assert format_length(25.4, "mm") == "25.4 mm"


@given(st.integers(min_value=0, max_value=16 * 12 * 100))
def test_inches_written_and_read_again_are_the_same(sixteenths: int) -> None:
    mm = sixteenths * INCH_MM / 16
    assert parse_length(format_inches(mm)) == pytest.approx(mm, abs=1e-9)


@given(st.floats(min_value=0, max_value=1e5))
def test_rounding_to_a_sixteenth_costs_at_most_half_of_one(mm: float) -> None:
    assert abs(parse_length(format_inches(mm)) - mm) <= INCH_MM / 32 + 1e-9


@pytest.mark.parametrize(
    ("mm", "units", "shown"),
    [
        (0.3014, "mm", "0.31 mm"),
        (0.30, "mm", "0.30 mm"),
        (0.3014, "in", '0.012"'),
        (0.0254 * 11.01, "in", '0.012"'),
    ],
)
def test_a_doubt_is_shown_rounded_up(mm, units, shown):
    assert format_fine(rounded_up_mm(mm, units, 2), units) == shown


@pytest.mark.parametrize(
    ("text", "mm", "sigma_mm"),
    [
        ("0.125 ± 0.01 in", 3.175, 0.254),
        ("0.31 ± 0.01 cm", 3.1, 0.1),
        ("3.1 ± 0.1 mm", 3.1, 0.1),
        ("3.1 ± 0.1", 3.1, 0.1),
    ],
)
def test_a_unit_at_the_end_is_of_the_length_and_of_its_doubt(
    text: str, mm: float, sigma_mm: float
) -> None:
    read = parse_measured(text)
    assert read.mm == pytest.approx(mm)
    assert read.sigma_mm == pytest.approx(sigma_mm)
