"""Card sets: what the printed scale cards look like, ours and other people's.

Board millimetres: origin at the chessboard's top-left corner, x right, y down
(as in OpenCV's ChArUco layout, top-left square black).
"""

from __future__ import annotations

from dataclasses import dataclass

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
        x, y = np.meshgrid(np.arange(1, self.columns), np.arange(1, self.rows))
        return np.asarray(np.stack([x.ravel(), y.ravel()], axis=-1) * self.square_mm)

    def marker_squares(self) -> tuple[tuple[int, int, int], ...]:
        """(id, column, row) of each coded (white) square."""
        white = [(c, r) for r in range(self.rows) for c in range(self.columns) if (c + r) % 2]
        return tuple((self.first_id + k, c, r) for k, (c, r) in enumerate(white))


@dataclass(frozen=True, slots=True, kw_only=True)
class Batten:
    """Cards fixed to one stiff strip, measured once between their tape crosses."""

    cards: tuple[str, str]
    distance_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSet:
    """All cards that may lie on the bench."""

    name: str
    dictionary: str
    """An OpenCV dictionary name such as ``DICT_5X5_1000``."""
    cards: tuple[Card, ...]
    battens: tuple[Batten, ...] = ()
