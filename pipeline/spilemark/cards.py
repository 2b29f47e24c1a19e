"""Card sets: what the printed scale cards look like, ours and other people's.

Board millimetres: origin at the chessboard's top-left corner, x right, y down
(as in OpenCV's ChArUco layout, top-left square black).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spilemark.records import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One chessboard card with coded squares."""

    name: str
    columns: int
    rows: int
    square_mm: float
    marker_mm: float
    first_id: int
    """Ids of the coded squares run on row by row from here."""
    cross_mm: tuple[float, float] | None = None
    """Where the tape hooks, board mm; None: the chessboard's centre."""

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the chessboard."""
        return self.columns * self.square_mm, self.rows * self.square_mm

    @property
    def tape_cross_mm(self) -> tuple[float, float]:
        """Where the tape hooks, board mm."""
        if self.cross_mm is not None:
            return self.cross_mm
        width, height = self.size_mm
        return width / 2, height / 2

    def crossings_mm(self) -> Floats:
        """Inner chessboard crossings ((columns-1)*(rows-1), 2), row by row, board mm."""
        return _crossings(self.columns, self.rows, self.square_mm)

    def marker_squares(self) -> tuple[tuple[int, int, int], ...]:
        """(id, column, row) of each coded (white) square."""
        white = [(c, r) for r in range(self.rows) for c in range(self.columns) if (c + r) % 2]
        return tuple((self.first_id + k, c, r) for k, (c, r) in enumerate(white))

    @property
    def marker_ids(self) -> range:
        """Ids of the coded squares."""
        return range(self.first_id, self.first_id + self.columns * self.rows // 2)


@lru_cache(maxsize=64)
def _crossings(columns: int, rows: int, square_mm: float) -> Floats:
    """The same few boards are asked for hundreds of times in one solve."""
    x, y = np.meshgrid(np.arange(1, columns), np.arange(1, rows))
    places = np.asarray(np.stack([x.ravel(), y.ravel()], axis=-1) * square_mm)
    places.flags.writeable = False
    return places


@dataclass(frozen=True, slots=True, kw_only=True)
class Batten:
    """Cards fixed to one stiff strip, measured once between their tape crosses."""

    cards: tuple[str, str]
    distance_mm: float
    sigma_mm: float
    measured_on: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSet:
    """All cards that may lie on the bench."""

    name: str
    dictionary: str
    """An OpenCV dictionary name such as ``DICT_5X5_1000``."""
    cards: tuple[Card, ...]
    battens: tuple[Batten, ...] = ()

    def card(self, name: str) -> Card:
        """The card of that name; KeyError if the set has none."""
        return {card.name: card for card in self.cards}[name]


SHOP_NAMES = "ABCDEFGHJKLMNPRSTU"
"""No I, O or Q (read as 1 and 0), nothing that turns into another name upside down."""

SHOP_DICTIONARY = "DICT_5X5_1000"
SHOP_COLUMNS, SHOP_ROWS = 8, 4
SHOP_SQUARE_MM, SHOP_MARKER_MM = 15.0, 11.0


def shop_cards() -> CardSet:
    """The built-in cards, those that ``spilemark cards`` prints.

    Each carries 8 x 4 squares of 15 mm: 21 crossings within 120 x 60 mm, and
    16 coded squares that only say which card it is.  Sizes and dictionary were
    chosen by ``benchmarks/card_detection.py``.
    """
    per_card = SHOP_COLUMNS * SHOP_ROWS // 2
    cards = tuple(
        Card(
            name=name,
            columns=SHOP_COLUMNS,
            rows=SHOP_ROWS,
            square_mm=SHOP_SQUARE_MM,
            marker_mm=SHOP_MARKER_MM,
            first_id=k * per_card,
        )
        for k, name in enumerate(SHOP_NAMES)
    )
    return CardSet(name="shop cards", dictionary=SHOP_DICTIONARY, cards=cards)
