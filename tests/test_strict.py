"""Slips in a TOML file, told in a builder's words."""

from __future__ import annotations

from typing import Any

import pytest

from spilemark.card_files import card_set_from_table
from spilemark.errors import UsageError
from spilemark.jobfile import order_from

CARD = {"name": "K1", "squares": [9, 3], "square_mm": 18.0, "marker_mm": 13.5, "first_id": 80}


def said(table: dict[str, Any]) -> str:
    with pytest.raises(UsageError) as caught:
        order_from(table, "The job file knee.toml")
    return str(caught.value)


def said_of_card(**changed: Any) -> str:
    table = {"dictionary": "DICT_APRILTAG_36h11", "card": [CARD | changed]}
    with pytest.raises(UsageError) as caught:
        card_set_from_table(table, "Card set cards.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (
            {"port": {"photos": "p.jpg"}},
            "knee.toml, [port]: photos must be a list, not text.",
        ),
        (
            {"port": {"photos": ["p.jpg", 7]}},
            "[port]: photos, number 2, must be text, not a whole number.",
        ),
        ({"port": {"photos": ["p.jpg"], "face": "left"}}, "[port]: face = 'left' is not known."),
        ({"units": "cm"}, "knee.toml: units = 'cm' is not known."),
        ({"thickness": [3]}, "thickness must be a number or text, not a list."),
        ({"date": "yesterday"}, "date is not a date."),
        ({"date": 3}, "date must be a date, not a whole number."),
        ({"port": {"photo": ["p.jpg"]}}, '[port] has an unknown key "photo".'),
    ],
)
def test_a_slip_is_said_in_plain_words(table: dict[str, Any], words: str) -> None:
    text = said(table)
    assert words in text
    for foreign in ("Expected", "got", "$", "`", "array", "enum", ",:", ", :", "RFC"):
        assert foreign not in text


@pytest.mark.parametrize(
    ("table", "todo"),
    [
        ({"port": {"photos": "p.jpg"}}, "square brackets"),
        ({"port": {"photos": ["p.jpg"], "face": "left"}}, "Choose up, down."),
        ({"units": "cm"}, "Choose mm, in."),
        ({"boat": 7}, "Texts stand in quotes."),
        ({"date": "yesterday"}, "2026-05-14"),
    ],
)
def test_how_it_is_written_is_said_too(table: dict[str, Any], todo: str) -> None:
    assert todo in said(table)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"square_mm": -1.0}, "square_mm must be a number above 0"),
        ({"square_mm": 1e9}, "square_mm must be a number of at most 10000"),
        ({"squares": [9, 3, 3]}, "squares must be a list of 2 things, not 3"),
        ({"squares": [9, 1]}, "squares, number 2, must be a whole number of at least 2"),
        ({"name": ""}, "name must be text of at least 1 letters"),
        ({"name": "K" * 50}, "name must be text of at most 40 letters"),
    ],
)
def test_bounds_are_said(changed: dict[str, Any], words: str) -> None:
    assert words in said_of_card(**changed)


def test_a_missing_key_is_named() -> None:
    with pytest.raises(UsageError, match='the key "squares" is missing'):
        card_set_from_table(
            {"dictionary": "DICT_APRILTAG_36h11", "card": [{"name": "K1"}]}, "Card set cards.toml"
        )
