"""What stands beside the drawing on every sheet: check bars both ways, where it belongs, words.

The strip below and the one to the right of the drawing are never cut off: they
go underneath the neighbouring sheets.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from spilemark.card_papers import PAPERS, fit_to_page_mm
from spilemark.ink import Area, Mark, Point, Stroke, Words, bar, box, moved
from spilemark.ink_files import text_width_mm, wrapped
from spilemark.tiling import Box, Layout, Place, Window

BAR_MM, INCH_BAR_MM = 100.0, 101.6
_MAP_MM = 24.0
_BARS_LEFT_MM = 55.0
_WORDS_LEFT_MM = _BARS_LEFT_MM + INCH_BAR_MM + 4.0
_WIDE_MM = 250.0
"""From this width on, words stand beside the bars and not below them."""
_SMALL_MM, _SMALL_LINE_MM = 2.3, 3.1
_LANE_MM = 7.0
_END_TO_END_MM = BAR_MM + INCH_BAR_MM + 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """How one sheet of paper is shared out; mm from its top-left corner, y down."""

    paper: str
    width_mm: float
    height_mm: float
    margin_mm: float
    overlap_mm: float
    lying: bool

    @property
    def inset_mm(self) -> float:
        """So far in from the left and top margins, nothing is cut off with a join."""
        return self.overlap_mm / 2 + 1.5

    @property
    def inner_width_mm(self) -> float:
        """Between what is cut off and the right margin."""
        return self.width_mm - 2 * self.margin_mm - self.inset_mm

    @property
    def band_height_mm(self) -> float:
        """The strip below the drawing."""
        return 23.0 if self.inner_width_mm >= _WIDE_MM else 31.0

    @property
    def side_width_mm(self) -> float:
        """The strip to the right of the drawing: both bars end to end, or beside each other."""
        room = self.height_mm - 2 * self.margin_mm - self.band_height_mm - self.inset_mm
        return _LANE_MM if room >= _END_TO_END_MM else 2 * _LANE_MM

    @property
    def window(self) -> Window:
        """What is left for the drawing."""
        return Window(
            width_mm=self.width_mm - 2 * self.margin_mm - self.side_width_mm,
            height_mm=self.height_mm - 2 * self.margin_mm - self.band_height_mm,
            lying=self.lying,
        )


def pages(paper: str, margin_mm: float, overlap_mm: float) -> tuple[Page, Page]:
    """The paper upright and lying."""
    short, long = sorted((PAPERS[paper].width_mm, PAPERS[paper].height_mm))
    upright, lying = (
        Page(
            paper=paper,
            width_mm=width,
            height_mm=height,
            margin_mm=margin_mm,
            overlap_mm=overlap_mm,
            lying=width > height,
        )
        for width, height in ((short, long), (long, short))
    )
    return upright, lying


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetWords:
    """Words that are alike on all sheets of one part."""

    title: str
    lines: tuple[str, ...]


def band_marks(
    page: Page, words: SheetWords, name: tuple[str, str, str], little_map: tuple[Mark, ...]
) -> tuple[Mark, ...]:
    """Both strips of one sheet.

    Parameters
    ----------
    page : Page
    words : SheetWords
    name : tuple of str
        Two large lines and a small one, such as row, column and count.
    little_map : tuple of Mark
        From `little_map`, or nothing.
    """
    left = page.margin_mm + page.inset_mm
    top = page.height_mm - page.margin_mm - page.band_height_mm
    below = (
        *little_map,
        *_name(name),
        *_bars_across(),
        *_advice(page),
        *_words(page, words),
    )
    return (*moved(below, left, top), *_bars_along(page))


def _name(name: tuple[str, str, str]) -> tuple[Mark, ...]:
    sizes = ((4.8, True, 7.5), (4.8, True, 13.8), (2.6, False, 18.6))
    return tuple(
        Words(text=text, at=(_MAP_MM, y), size_mm=size, bold=bold)
        for text, (size, bold, y) in zip(name, sizes, strict=True)
    )


def _bars_across() -> tuple[Mark, ...]:
    x = _BARS_LEFT_MM
    return (
        *bar((x, 6.2), BAR_MM, along=False),
        *bar((x, 14.0), INCH_BAR_MM, along=False),
        Words(text="100 mm", at=(x + BAR_MM / 2, 5.0), size_mm=2.6, anchor="middle"),
        Words(text="4 in", at=(x + BAR_MM / 2, 12.8), size_mm=2.6, anchor="middle"),
    )


def _bars_along(page: Page) -> tuple[Mark, ...]:
    """To the right of the drawing, end to end where the sheet is high enough."""
    x = page.width_mm - page.margin_mm - page.side_width_mm + _LANE_MM - 2.2
    top = page.margin_mm + page.inset_mm + 2.0
    bottom = page.margin_mm + page.window.height_mm - 3.0
    if page.side_width_mm == _LANE_MM:
        starts = ((x, top), (x, bottom - INCH_BAR_MM))
    else:
        starts = ((x, top), (x + _LANE_MM, top))
    marks: list[Mark] = []
    for (at, y), length, text in zip(
        starts, (BAR_MM, INCH_BAR_MM), ("100 mm", "4 in"), strict=True
    ):
        marks += bar((at, y), length, along=True)
        marks.append(
            Words(
                text=text, at=(at - 1.2, y + length / 2), size_mm=2.6, anchor="middle", upwards=True
            )
        )
    return tuple(marks)


def _advice(page: Page) -> tuple[Mark, ...]:
    """What to do with the bars, beside or below them."""
    paper = PAPERS[page.paper]
    shrunk = [fit_to_page_mm(paper, PAPERS[into]) for into in (paper.name, paper.cousin)]
    text = (
        "Before cutting, measure both ways, end stroke to end stroke. "
        f"{shrunk[0]:.2f} or {shrunk[1]:.2f} for 100: shrunk to fit; print at 100\u00a0%."
    )
    if page.inner_width_mm >= _WIDE_MM:
        return column(text, (_BARS_LEFT_MM, 19.0), INCH_BAR_MM)
    return column(text, (_WORDS_LEFT_MM, 3.2), page.inner_width_mm - _WORDS_LEFT_MM, size_mm=2.0)


def _words(page: Page, words: SheetWords) -> tuple[Mark, ...]:
    if page.inner_width_mm >= _WIDE_MM:
        left, top, width = _WORDS_LEFT_MM, 4.2, page.inner_width_mm - _WORDS_LEFT_MM
    else:
        left, top, width = _MAP_MM, 22.2, page.inner_width_mm - _MAP_MM
    title = fitted(Words(text=words.title, at=(left, top), size_mm=2.9, bold=True), width)
    marks: list[Mark] = [title]
    top += 3.6
    text = " ".join(words.lines)
    return (*marks, *column(text, (left, top), width, size_mm=_small(text, width, page, top)))


def _small(text: str, width: float, page: Page, top: float) -> float:
    """The largest letters with which the words end inside the strip."""
    size = _SMALL_MM
    while size > 1.7 and top + _depth(text, width, size) > page.band_height_mm:
        size -= 0.1
    return size


def _depth(text: str, width: float, size: float) -> float:
    return (len(wrapped(text, width, size)) - 1) * size * _SMALL_LINE_MM / _SMALL_MM + 0.3 * size


def fitted(words: Words, width_mm: float) -> Words:
    """The same words, in smaller letters if they would be longer than that."""
    length = text_width_mm(words)
    return (
        words if length <= width_mm else replace(words, size_mm=words.size_mm * width_mm / length)
    )


def column(
    text: str, at: Point, width: float, *, size_mm: float = _SMALL_MM, bold: bool = False
) -> tuple[Words, ...]:
    """A paragraph, its first base line at ``at``; a no-break space keeps words together."""
    step = size_mm * _SMALL_LINE_MM / _SMALL_MM
    return tuple(
        Words(
            text=line.replace("\u00a0", " "),
            at=(at[0], at[1] + k * step),
            size_mm=size_mm,
            bold=bold,
        )
        for k, line in enumerate(wrapped(text, width, size_mm, bold=bold))
    )


def little_map(
    layout: Layout, here: Place, outline: tuple[Point, ...], height_mm: float
) -> tuple[Mark, ...]:
    """Where a sheet belongs: all sheets small, this one black, the part over them.

    Parameters
    ----------
    layout : Layout
    here : Place
    outline : tuple of Point
        The part's ring in the paper frame.
    height_mm : float
        Of the strip that it stands in.
    """
    boxes = [layout.core_box(place) for place in layout.places]
    around = surround(boxes)
    scale = min(
        (_MAP_MM - 4.0) / (around.right - around.left),
        (height_mm - 4.0) / (around.top - around.bottom),
    )

    def at(x: float, y: float) -> Point:
        return 1.0 + (x - around.left) * scale, 2.0 + (around.top - y) * scale

    black = layout.core_box(here)
    cells: list[Mark] = [Area(loops=(_box(black, at),), grey=0.0)]
    cells += [Stroke(points=_box(b, at), width_mm=0.2, closed=True) for b in boxes]
    part = tuple(at(x, y) for x, y in outline[:: max(1, len(outline) // 200)])
    return (
        Area(loops=(part,), grey=0.75),
        *cells,
        Stroke(points=part, width_mm=0.5, grey=1.0, closed=True),
        Stroke(points=part, width_mm=0.2, grey=0.0, closed=True, dash_mm=(0.8, 0.5)),
    )


def surround(boxes: list[Box]) -> Box:
    """The rectangle around several."""
    return Box(
        min(b.left for b in boxes),
        min(b.bottom for b in boxes),
        max(b.right for b in boxes),
        max(b.top for b in boxes),
    )


def _box(b: Box, at: object) -> tuple[Point, ...]:
    assert callable(at)
    return tuple(at(x, y) for x, y in box(b.left, b.bottom, b.right - b.left, b.top - b.bottom))
