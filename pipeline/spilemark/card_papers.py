"""Paper that card sheets are printed on: its size, its cards, what a wrong print measures."""

from __future__ import annotations

import math
from dataclasses import dataclass

LIVE_HEIGHT_MM = 254.0
"""With ``live_width_mm``, an area that fits the ISO and the ANSI size alike, unscaled."""
CROSS_INSET_MM = (5.0, 7.0)
"""Corner crosses stand this far inside the live area, across and along."""
UNPRINTABLE_MM = 4.0
"""A common edge that a printer leaves blank; "fit to page" shrinks into the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A sheet of paper as it is read, and where cards stand on it."""

    name: str
    width_mm: float
    height_mm: float
    live_width_mm: float
    columns: int
    rows: int
    cousin: str
    """The paper of the other standard that a printer may hold instead."""

    @property
    def check_mm(self) -> tuple[float, float]:
        """Width and height of the rectangle between the corner crosses."""
        across, along = CROSS_INSET_MM
        return self.live_width_mm - 2 * across, LIVE_HEIGHT_MM - 2 * along

    @property
    def diagonal_mm(self) -> float:
        """Corner cross to opposite corner cross; a whole number on every paper."""
        return math.hypot(*self.check_mm)


# ISO 216:2007, table 1; ASME Y14.1-2020: A is 8.5 x 11 in, B 11 x 17 in.
# The large sheets lie on their side.
PAPERS = {
    paper.name: paper
    for paper in (
        Paper(
            name="a4",
            width_mm=210,
            height_mm=297,
            live_width_mm=190,
            columns=1,
            rows=3,
            cousin="letter",
        ),
        Paper(
            name="letter",
            width_mm=215.9,
            height_mm=279.4,
            live_width_mm=190,
            columns=1,
            rows=3,
            cousin="a4",
        ),
        Paper(
            name="a3",
            width_mm=420,
            height_mm=297,
            live_width_mm=330,
            columns=2,
            rows=3,
            cousin="tabloid",
        ),
        Paper(
            name="tabloid",
            width_mm=431.8,
            height_mm=279.4,
            live_width_mm=330,
            columns=2,
            rows=3,
            cousin="a3",
        ),
    )
}


def fit_to_page_mm(page: Paper, into: Paper) -> float:
    """What 100 mm measures after a printer shrinks the page into the paper's printable part."""
    width, height = into.width_mm - 2 * UNPRINTABLE_MM, into.height_mm - 2 * UNPRINTABLE_MM
    return 100 * min(width / page.width_mm, height / page.height_mm)


def out_of_square_rad(size_mm: tuple[float, float], one_mm: float, other_mm: float) -> float:
    """How far a parallelogram's corners are from square, from its two measured diagonals.

    Parameters
    ----------
    size_mm : tuple of float
        Lengths of its sides.
    one_mm, other_mm : float
        The diagonals.

    Returns
    -------
    float
        Radians; positive if the first diagonal is the longer one.

    Notes
    -----
    Law of cosines for both diagonals: the difference of their squares is four
    times the product of the sides and the sine of the angle.
    """
    return math.asin((one_mm**2 - other_mm**2) / (4 * size_mm[0] * size_mm[1]))
