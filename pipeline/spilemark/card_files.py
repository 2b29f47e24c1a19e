"""Reading a card-set file: other people's boards, and battens of our own.

The file is TOML::

    name = "lens boards"
    dictionary = "DICT_APRILTAG_36h11"    # an OpenCV dictionary name

    [[card]]
    name = "K1"
    squares = [9, 3]                      # columns, rows; top-left square black
    square_mm = 18.0
    marker_mm = 13.5
    first_id = 80                         # ids run on row by row
    cross_mm = [81.0, 27.0]               # optional: where the tape hooks

    [[batten]]                            # optional: two cards on one stiff strip
    cards = ["K1", "K2"]
    distance_mm = 800.2
    sigma_mm = 0.1
    measured_on = 2026-05-01              # optional

A file without ``dictionary`` and without any ``[[card]]`` speaks of the
built-in cards; so a builder states a batten of his own in four lines.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Hashable, Iterable
from itertools import combinations
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec

from spilemark.cards import Batten, Card, CardSet, shop_cards
from spilemark.errors import UsageError
from spilemark.strict import convert, nearest, read_toml

CODES_IN_DICTIONARY = {
    **{f"DICT_{n}X{n}_{count}": count for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000)},
    "DICT_ARUCO_ORIGINAL": 1024,
    "DICT_APRILTAG_16h5": 30,
    "DICT_APRILTAG_25h9": 35,
    "DICT_APRILTAG_36h10": 2320,
    "DICT_APRILTAG_36h11": 587,
    "DICT_ARUCO_MIP_36h12": 250,
}
"""OpenCV 5's predefined dictionaries and how many coded squares each holds."""

_Key = TypeVar("_Key", bound=Hashable)
_Length = Annotated[float, msgspec.Meta(gt=0, le=10_000)]
_Place = Annotated[float, msgspec.Meta(ge=-10_000, le=10_000)]
_Count = Annotated[int, msgspec.Meta(ge=2, le=200)]
_Id = Annotated[int, msgspec.Meta(ge=0)]
_Name = Annotated[str, msgspec.Meta(min_length=1, max_length=40)]


class _CardEntry(msgspec.Struct, frozen=True):
    name: _Name
    squares: tuple[_Count, _Count]
    square_mm: _Length
    marker_mm: _Length
    first_id: _Id
    cross_mm: tuple[_Place, _Place] | None = None


class _BattenEntry(msgspec.Struct, frozen=True):
    cards: tuple[_Name, _Name]
    distance_mm: _Length
    sigma_mm: _Length
    measured_on: dt.date | None = None


class _File(msgspec.Struct, frozen=True):
    name: _Name | None = None
    dictionary: str | None = None
    card: tuple[dict[str, Any], ...] = ()
    batten: tuple[dict[str, Any], ...] = ()


def load_card_set(path: Path) -> CardSet:
    """Read a card-set file.

    Raises
    ------
    UnreadableInput
        If the file cannot be read or is not TOML.
    UsageError
        If it has an unknown or missing key, or a value that cannot be true;
        the message names the key or the card.
    """
    source = f"Card set {path.name}"
    return card_set_from_table(read_toml(path, "card set"), source)


def card_set_from_table(table: dict[str, Any], source: str) -> CardSet:
    """Check a card-set file's content; ``source`` begins each message.

    Raises
    ------
    UsageError
        As for `load_card_set`.
    """
    entries = convert(table, _File, source)
    if entries.card or entries.dictionary is not None:
        dictionary = _dictionary(entries.dictionary, source)
        cards = _cards(entries.card, dictionary, source)
        name = "cards"
    elif entries.batten:
        built_in = shop_cards()
        dictionary, cards, name = built_in.dictionary, built_in.cards, built_in.name
    else:
        raise UsageError(
            f"{source} describes no card and no batten.",
            "Add a [[card]] table for each board, or a [[batten]] table for a pair of ours.",
        )
    return CardSet(
        name=entries.name or name,
        dictionary=dictionary,
        cards=cards,
        battens=_battens(entries.batten, cards, source),
    )


def _dictionary(name: str | None, source: str) -> str:
    if name is None:
        raise UsageError(
            f'{source} lacks the key "dictionary".',
            'Add the boards\' OpenCV name, such as dictionary = "DICT_5X5_1000".',
        )
    by_folded = {known.upper(): known for known in CODES_IN_DICTIONARY}
    if name.upper() not in by_folded:
        guess = nearest(name.upper(), CODES_IN_DICTIONARY)
        raise UsageError(
            f'{source} names an unknown dictionary "{name}".{guess}',
            "It takes the name of an OpenCV dictionary.",
        )
    return by_folded[name.upper()]


def _cards(tables: tuple[dict[str, Any], ...], dictionary: str, source: str) -> tuple[Card, ...]:
    if not tables:
        raise UsageError(f"{source} describes no card.", "Add a [[card]] table for each board.")
    cards = tuple(
        _card(convert(table, _CardEntry, _where(source, "card", k, table)), source)
        for k, table in enumerate(tables)
    )
    _check_names(cards, source)
    _check_ids(cards, dictionary, source)
    return cards


def _where(source: str, kind: str, index: int, table: dict[str, Any]) -> str:
    name = table.get("name")
    named = f' ("{name}")' if isinstance(name, str) else ""
    return f"{source}, [[{kind}]] number {index + 1}{named}"


def _card(entry: _CardEntry, source: str) -> Card:
    if entry.marker_mm >= entry.square_mm:
        raise UsageError(
            f'{source} gives card "{entry.name}" marker_mm = {entry.marker_mm:g}, which is not '
            f"smaller than square_mm = {entry.square_mm:g}.",
            "A coded square stands inside its chessboard square with a white rim.",
        )
    columns, rows = entry.squares
    if (columns - 1) * (rows - 1) < 2:
        raise UsageError(
            f'{source} gives card "{entry.name}" squares = [{columns}, {rows}]: one crossing.',
            "A card needs two crossings at least, that is 3 x 2 squares.",
        )
    return Card(
        name=entry.name,
        columns=columns,
        rows=rows,
        square_mm=entry.square_mm,
        marker_mm=entry.marker_mm,
        first_id=entry.first_id,
        cross_mm=entry.cross_mm,
    )


def _check_names(cards: tuple[Card, ...], source: str) -> None:
    for card in cards:
        if card.name != card.name.strip() or not card.name.isprintable() or "=" in card.name:
            raise UsageError(
                f'{source} has a card named "{card.name}".',
                'Names stand in --distance A-H=742.5mm: no "=" in them, no blank at either end.',
            )
    for name in _repeated(card.name for card in cards):
        raise UsageError(f'{source} has two cards named "{name}".', "Give each its own name.")


def _check_ids(cards: tuple[Card, ...], dictionary: str, source: str) -> None:
    last = CODES_IN_DICTIONARY[dictionary] - 1
    for card in cards:
        if card.marker_ids[-1] > last:
            raise UsageError(
                f'{source} gives card "{card.name}" the ids {card.first_id} to '
                f"{card.marker_ids[-1]}, but {dictionary} ends at {last}.",
                "Correct first_id or dictionary.",
            )
    for one, other in combinations(cards, 2):
        shared = set(one.marker_ids).intersection(other.marker_ids)
        if shared:
            raise UsageError(
                f'{source} gives cards "{one.name}" and "{other.name}" the same id '
                f"{min(shared)}: they run {one.first_id} to {one.marker_ids[-1]} and "
                f"{other.first_id} to {other.marker_ids[-1]}.",
                "Correct first_id: each coded square may stand on one card only.",
            )


def _battens(
    tables: tuple[dict[str, Any], ...], cards: tuple[Card, ...], source: str
) -> tuple[Batten, ...]:
    known = {card.name for card in cards}
    battens = tuple(
        _batten(convert(table, _BattenEntry, _where(source, "batten", k, table)), known, source)
        for k, table in enumerate(tables)
    )
    for pair in _repeated(frozenset(batten.cards) for batten in battens):
        raise UsageError(
            f"{source} has two battens with the cards {' and '.join(sorted(pair))}.",
            "Keep the better measurement.",
        )
    return battens


def _batten(entry: _BattenEntry, known: set[str], source: str) -> Batten:
    for name in entry.cards:
        if name not in known:
            raise UsageError(
                f'{source} has a batten with card "{name}", which is not in the set.',
                f"Its cards are {', '.join(sorted(known))}.",
            )
    if entry.cards[0] == entry.cards[1]:
        raise UsageError(
            f'{source} has a batten with card "{entry.cards[0]}" twice.',
            "A batten carries two different cards.",
        )
    if entry.sigma_mm > entry.distance_mm / 20:
        raise UsageError(
            f"{source} gives the batten {'-'.join(entry.cards)} sigma_mm = {entry.sigma_mm:g} "
            f"beside distance_mm = {entry.distance_mm:g}.",
            "sigma_mm is the doubt of that distance: about 0.1 with a steel rule.",
        )
    return Batten(
        cards=entry.cards,
        distance_mm=entry.distance_mm,
        sigma_mm=entry.sigma_mm,
        measured_on=entry.measured_on,
    )


def _repeated(values: Iterable[_Key]) -> list[_Key]:
    return [value for value, count in Counter(values).items() if count > 1]
