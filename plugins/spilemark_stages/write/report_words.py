"""The words of report.html in their order, each kind with a record of its own: what the template gets."""

from __future__ import annotations

from dataclasses import dataclass, field

from spilemark import wording
from spilemark.records import Side

Row = tuple[str, ...]
Places = tuple[tuple[int, tuple[float, float]], ...]
"""Numbers of notes and where they lie, mm."""

CAUSES = {
    "card print scale": "how true the cards were printed",
    "measured check bars": "how well the check bars of the print were read",
    "taped distance": "the tape between two cards",
    "scale batten": "the length of the batten itself",
    "face height": "the thickness of the stock: the face lies nearer to the camera than the cards",
    "cards not lying flat": "cards that curl or do not lie flat",
    "lens": "the lens, which bends straight lines",
    "reading of the crossings": "how finely the cards can be read in the picture",
    "reference line": "how well the pencil line was drawn and found",
    "flatness of the sheet": "a pattern that does not lie flat",
    "edge place": "where light ends and wood begins: shade at the foot, a bevel, fuzz",
    "edge noise": "grain of the picture along the edge",
}
"""The budget's causes, as a builder would say them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One line of an uncertainty budget."""

    words: str
    doubt: str
    percent: int
    """Of the square of the whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternWords:
    """What is said of one pattern."""

    side: Side
    name: str
    numbers: tuple[Row, ...]
    """(what, how much)"""
    shares: tuple[Share, ...]
    to_do: str
    """The one thing that would shrink the doubt of its shape most."""
    line_to_do: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteWords:
    """One note, numbered as in the drawings."""

    number: int
    text: str
    warn: bool
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with a head."""

    title: str
    head: Row
    rows: tuple[Row, ...]
    under: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """All words of the page."""

    title: str
    names: str
    headline: str
    verdict: str
    nominal: str
    do_first: tuple[str, ...]
    patterns: tuple[PatternWords, ...]
    tables: tuple[Table, ...]
    stations: Table | None
    notes: tuple[NoteWords, ...]
    places: dict[Side, Places] = field(default_factory=dict)
    """By side: numbers of notes and their places in that pattern's frame, mm."""
    hull: tuple[str, ...] = ()
    shop: tuple[tuple[str, Table | None, tuple[str, ...]], ...] = ()
    """By part: its name, its bevel card, its words."""
    unchecked: tuple[str, ...] = ()
    not_included: str = ""
    lay: str = "on the bench"
    """Where the patterns lay when they were measured."""
    scale: str = ""
    rounding: str = ""
    cards: Table | None = None
    files: tuple[Row, ...] = ()
    versions: tuple[Row, ...] = ()
    cautions: tuple[str, ...] = wording.CAUTIONS
