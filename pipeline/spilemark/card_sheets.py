"""Sheets of scale cards for any office printer, with the means to check the print.

Every sheet carries check bars in both directions, four corner crosses whose
diagonals have a stated length, and what to do with them.  All cards lie the
same way round, so that a print that is stretched in one direction is stretched
alike on every card: card x is across the sheet as it is read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from spilemark.card_face import card_face, card_size_mm
from spilemark.card_papers import (
    CROSS_INSET_MM,
    LIVE_HEIGHT_MM,
    PAPERS,
    Paper,
    fit_to_page_mm,
)
from spilemark.cards import Card, shop_cards
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.ink import Mark, Sheet, Stroke, Words, bar, box, cross, moved
from spilemark.ink_files import pdf_bytes, svg_text, wrapped
from spilemark.storage import store_files
from spilemark.tag_face import tag_face
from spilemark.tags import TAG_HEIGHT_MM, TAG_WIDTH_MM, TAGS

BAND_MM = 16.0
"""Above and below the cards: title, check bars, corner crosses."""
BARS_MM = (100.0, 101.6)
"""100 mm, and 4 in."""
_TEXT_MM, _LINE_MM = 2.8, 3.7
_HAIRLINE_MM = 0.25

Tags = Literal["with", "none", "only"]

_TAG_ADVICE = tuple(
    (words, bold)
    for head, text in (
        (
            "On the pencil line",
            (
                "Two line tags, as far apart as the pattern allows. Both ticks of each on the line, "
                "arrows to the bow. For faces on which a pencil line hardly shows."
            ),
        ),
        (
            "Which side",
            (
                "PORT or STARBOARD on the face of that side's pattern. With both sides in one photo, "
                "one on each."
            ),
        ),
        ("Which way", "FORWARD, its arrow to the bow: a few degrees off do no harm."),
        (
            "Which face",
            "THIS FACE UP or THIS FACE DOWN: how the face that you photograph lies in the boat.",
        ),
        (
            "All of them",
            (
                "Flat, whole, 10 mm or more from every edge of the pattern. Print once: no two tags "
                "of one name in a photo."
            ),
        ),
    )
    for words, bold in ((head, True), (text, False))
)
"""(Words, whether they are a heading)"""


def write_card_sheets(
    path: Path,
    *,
    paper: str = "a4",
    count: int | None = None,
    tags: Tags = "with",
    force: bool = False,
) -> tuple[Path, ...]:
    """Write the built-in cards, and the tags for patterns, as sheets for printing.

    Parameters
    ----------
    path : Path
        Ends in ``.pdf`` (all sheets in one file) or ``.svg`` (one file a
        sheet: ``cards-1.svg``, ``cards-2.svg`` ... if there are several).
    paper : str
        ``a4``, ``letter``, ``a3`` or ``tabloid``.
    count : int, optional
        How many cards, from A on; all by default.
    tags : str
        ``with`` a sheet of tags after those of the cards, ``none``, or ``only`` that sheet.
    force : bool
        Replace files that are there.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    UsageError
        Unknown ending or paper, or a count outside 1 to the size of the set.
    WouldOverwrite
        A file is there and ``force`` is false; nothing is written.
    CannotWrite
        The folder is missing or closed, or the disk is full.
    """
    sheets = card_sheets(paper=paper, count=count, tags=tags)
    contents = _contents(path, sheets)
    there = [target for target in contents if target.exists()]
    if there and not force:
        raise WouldOverwrite(
            f"{', '.join(str(target) for target in there)} already exists.",
            "Choose another name, or add --force to replace it.",
        )
    try:
        store_files(contents)
    except OSError as error:
        raise CannotWrite(
            f"The cards cannot be written to {path}: {error.strerror}.",
            "Check that the folder exists, is yours to write in, and has room.",
        ) from error
    return tuple(contents)


def card_sheets(
    *, paper: str = "a4", count: int | None = None, tags: Tags = "with"
) -> tuple[Sheet, ...]:
    """Lay out the sheets, as ink in millimetres; parameters as for `write_card_sheets`."""
    if paper.lower() not in PAPERS:
        raise UsageError(
            f'There are no card sheets for paper "{paper}".', f"Choose {', '.join(PAPERS)}."
        )
    cards = shop_cards().cards
    wanted = len(cards) if count is None else count
    if not 1 <= wanted <= len(cards):
        raise UsageError(
            f"{wanted} cards cannot be printed: the set has {len(cards)}.",
            f"Ask for 1 to {len(cards)}.",
        )
    on = PAPERS[paper.lower()]
    return (
        *(() if tags == "only" else _sheets(on, cards[:wanted])),
        *(() if tags == "none" else (_tag_sheet(on),)),
    )


def _contents(path: Path, sheets: Sequence[Sheet]) -> dict[Path, bytes]:
    match path.suffix.lower():
        case ".pdf":
            return {path: pdf_bytes(sheets, "Scale cards")}
        case ".svg":
            names = [path]
            if len(sheets) > 1:
                names = [
                    path.with_name(f"{path.stem}-{k}{path.suffix}")
                    for k in range(1, len(sheets) + 1)
                ]
            return {
                name: svg_text(sheet).encode() for name, sheet in zip(names, sheets, strict=True)
            }
        case _:
            raise UsageError(
                f'Cards are not written as "{path.suffix or path.name}".',
                "Let the name end in .pdf or .svg.",
            )


def _sheets(paper: Paper, cards: Sequence[Card]) -> tuple[Sheet, ...]:
    per_sheet = paper.columns * paper.rows
    groups = [cards[k : k + per_sheet] for k in range(0, len(cards), per_sheet)]
    return tuple(
        _on_paper(
            paper,
            f"Scale cards, sheet {k} of {len(groups)}",
            _live_area(paper, group, k, len(groups)),
        )
        for k, group in enumerate(groups, start=1)
    )


def _on_paper(paper: Paper, title: str, live: tuple[Mark, ...]) -> Sheet:
    """What stands in the live area, in the middle of the paper."""
    dx = (paper.width_mm - paper.live_width_mm) / 2
    dy = (paper.height_mm - LIVE_HEIGHT_MM) / 2
    return Sheet(
        title=title,
        width_mm=paper.width_mm,
        height_mm=paper.height_mm,
        marks=moved(live, dx, dy),
    )


def _tag_sheet(paper: Paper) -> Sheet:
    """All tags, four rows of them where the cards of the other sheets stand."""
    width = card_size_mm(shop_cards().cards[0])[0] * paper.columns
    across = int(width // TAG_WIDTH_MM)
    places = [
        (k % across * TAG_WIDTH_MM, BAND_MM + k // across * TAG_HEIGHT_MM) for k in range(len(TAGS))
    ]
    side = width + 5
    head = (
        f"Tags for patterns, {paper.name.capitalize()}",
        "Cut along the grey lines. They lie on the pattern and say what it is; none has to.",
    )
    marks = (
        *(m for place in places for m in moved(_cut_line(TAG_WIDTH_MM, TAG_HEIGHT_MM), *place)),
        *(m for tag, place in zip(TAGS, places, strict=True) for m in moved(tag_face(tag), *place)),
        *_corner_crosses(paper),
        *_heading(*head),
        *_column(paper, side, _TAG_ADVICE),
    )
    return _on_paper(paper, "Tags for patterns", marks)


def _live_area(paper: Paper, cards: Sequence[Card], number: int, total: int) -> tuple[Mark, ...]:
    width, height = card_size_mm(cards[0])
    places = [
        (k % paper.columns * width, BAND_MM + k // paper.columns * height)
        for k in range(len(cards))
    ]
    names = " ".join(card.name for card in cards)
    side = paper.columns * width + 5
    return (
        *(m for place in places for m in moved(_cut_line(width, height), *place)),
        *(
            m
            for card, place in zip(cards, places, strict=True)
            for m in moved(card_face(card), *place)
        ),
        *_corner_crosses(paper),
        *_heading(
            f"Scale cards {names}: sheet {number} of {total}, {paper.name.capitalize()}",
            "Print at 100 % (\u201cactual size\u201d), never \u201cfit to page\u201d. "
            "Cut along the grey lines; keep flat.",
        ),
        *_bars_across(paper),
        *_bars_along(side),
        *_column(paper, side, _paragraphs(paper)),
    )


def _cut_line(width: float, height: float) -> tuple[Mark, ...]:
    corners = box(0, 0, width, height)
    return (Stroke(points=(*corners, corners[0]), width_mm=0.1, grey=0.6),)


def _corner_crosses(paper: Paper) -> tuple[Mark, ...]:
    corners = box(*CROSS_INSET_MM, *paper.check_mm)
    return tuple(m for corner in corners for m in cross(corner, 3.0, width_mm=_HAIRLINE_MM))


def _heading(title: str, words: str) -> tuple[Mark, ...]:
    left = CROSS_INSET_MM[0] + 6
    return (
        Words(text=title, at=(left, 6.0), size_mm=4.2, bold=True),
        Words(text=words, at=(left, 11.6), size_mm=3.2),
    )


def _bars_across(paper: Paper) -> tuple[Mark, ...]:
    left, metric_y, inch_y = CROSS_INSET_MM[0] + 6, 242.0, 249.5
    beside = left + BARS_MM[1] + 3
    right = CROSS_INSET_MM[0] + paper.check_mm[0] - 6
    return (
        *bar((left, metric_y), BARS_MM[0], along=False),
        *bar((left, inch_y), BARS_MM[1], along=False),
        Words(text="100 mm across", at=(beside, metric_y + 1), size_mm=_TEXT_MM),
        Words(text="4 in across", at=(beside, inch_y + 1), size_mm=_TEXT_MM),
        *(
            Words(text=text, at=(right, y), size_mm=_TEXT_MM, anchor="end")
            for text, y in (
                ("corner cross to corner cross", 245.6),
                (f"{paper.diagonal_mm:.1f} mm, both ways", 249.6),
            )
        ),
    )


def _bars_along(left: float) -> tuple[Mark, ...]:
    metric_x, inch_x, bottom = left + 4, left + 15, 236.0
    metric, inch = BARS_MM
    return (
        *bar((metric_x, bottom - metric), metric, along=True),
        *bar((inch_x, bottom - inch), inch, along=True),
        *(
            Words(
                text=text,
                at=(x + 4.4, bottom - 50),
                size_mm=_TEXT_MM,
                anchor="middle",
                upwards=True,
            )
            for text, x in (("100 mm along", metric_x), ("4 in along", inch_x))
        ),
    )


def _column(paper: Paper, left: float, paragraphs: Sequence[tuple[str, bool]]) -> tuple[Mark, ...]:
    """The column of advice beside the cards, from top to bottom."""
    width = paper.live_width_mm - left
    marks: list[Mark] = []
    y = BAND_MM + 3.0
    for paragraph, bold in paragraphs:
        for line in wrapped(paragraph, width, _TEXT_MM, bold=bold):
            plain = line.replace("\u00a0", " ")
            marks.append(Words(text=plain, at=(left, y), size_mm=_TEXT_MM, bold=bold))
            y += _LINE_MM
        y += 0.4 if bold else 1.6
    return tuple(marks)


def _paragraphs(paper: Paper) -> tuple[tuple[str, bool], ...]:
    """(Words, whether they are a heading); a no-break space keeps an option in one piece."""
    cousin = PAPERS[paper.cousin]
    shrunk = (
        f"{fit_to_page_mm(paper, paper):.2f} or {fit_to_page_mm(paper, cousin):.2f} instead of "
        f"100: it was shrunk to fit {paper.name.capitalize()} or {cousin.name.capitalize()}. "
        "Print again at 100\u00a0%."
    )
    degree = math.radians(0.1)
    apart = 2 * math.prod(paper.check_mm) * math.sin(degree) / paper.diagonal_mm
    square = (
        f"Corner cross to opposite corner cross: {paper.diagonal_mm:.1f} mm, both ways alike. "
        f"{apart:.1f} mm apart is 0.1\u00b0 out of square."
    )
    batten = (
        "Glue two cards flat on a stiff straight strip, 600 to 1000 mm apart. Measure once with "
        "a steel rule, fine cross to fine cross. Write length and date on the strip. "
        "Tell the program: batten A-B\u00a0=\u00a0800.2"
    )
    return (
        ("1. Measure the bars", True),
        ("Steel rule, middle of end stroke to middle of end stroke.", False),
        ("across\u00a0________\u00a0mm", False),
        ("along\u00a0________\u00a0mm", False),
        ("Tell the program both, across first.", False),
        (shrunk, False),
        ("2. Check the corners", True),
        (square, False),
        ("3. Better still: a batten", True),
        (batten, False),
    )
