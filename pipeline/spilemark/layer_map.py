"""The first page of a layered drawing over sheets of paper: where each sheet lies, and how they are joined."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from spilemark.card_papers import PAPERS
from spilemark.ink import Area, Mark, Point, Sheet, Stroke, Words, box
from spilemark.ink_files import wrapped
from spilemark.layers import LayeredDrawing
from spilemark.tile_joins import joins
from spilemark.tiling import Box, Layout

_MARGIN_MM = 10.0
_TITLE_MM, _TEXT_MM, _NAME_MM, _NUMBER_MM, _LETTER_MM = 5.0, 3.6, 3.0, 7.0, 3.4
_LEADING = 1.5
_ROW_NAME_MM = 16.0
_MAP_SHARE = 0.5
_MOST_POINTS = 400
_STEPS = (
    "Print at 100 %, never “fit to page”. Measure both bars of 50 mm on every sheet.",
    "Lay the sheets in the order of their numbers, as above; the later one lies on top.",
    "Each join has two crosses on either sheet, called by its letter: lay A1 on A1, A2 on A2.",
    "Hold them against a window, or cut the upper sheet along its crosses. Tape it.",
    "No line may jog at a join: if one does, a sheet lies wrong or was printed wrong.",
)
_At = Callable[[float, float], Point]


def map_sheet(drawing: LayeredDrawing, layout: Layout, paper: str) -> Sheet:
    """Draw all sheets small, by number, with the names of rows, columns and joins, the drawing in them.

    Parameters
    ----------
    drawing : LayeredDrawing
    layout : Layout
        Of the drawing as it is: not turned.
    paper : str
        "a4", "letter", "a3" or "tabloid"; the map stands upright.
    """
    size = PAPERS[paper]
    width = size.width_mm - 2 * _MARGIN_MM
    y = _MARGIN_MM + _TITLE_MM
    marks: list[Mark] = []
    head = ((drawing.title, _TITLE_MM, True),
            (f"Map of {len(layout.places)} sheets, {paper.capitalize()}. NOT TRUE SIZE: no part of the drawing.",
             _TEXT_MM, False))  # fmt: skip
    for text, letters, bold in head:
        for line in wrapped(text, width, letters, bold=bold):
            marks.append(Words(text=line, at=(_MARGIN_MM, y), size_mm=letters, bold=bold))
            y += _LEADING * letters
    top, high = y + 6.0, _MAP_SHARE * size.height_mm
    at, bottom = _scaled(layout, (_MARGIN_MM + _ROW_NAME_MM, top), width - _ROW_NAME_MM, high)
    marks += [*_drawn(drawing, at), *_cells(layout, at), *_names(layout, at), *_letters(layout, at)]
    y = bottom + 10.0
    for number, step in enumerate(_STEPS, start=1):
        marks.append(Words(text=str(number), at=(_MARGIN_MM, y), size_mm=_TEXT_MM, bold=True))
        for line in wrapped(step, width - 7.0, _TEXT_MM):
            marks.append(Words(text=line, at=(_MARGIN_MM + 7.0, y), size_mm=_TEXT_MM))
            y += _LEADING * _TEXT_MM
        y += 1.5
    return Sheet(
        title=f"{drawing.title}, map",
        width_mm=size.width_mm,
        height_mm=size.height_mm,
        marks=tuple(marks),
    )


def _scaled(layout: Layout, start: Point, width: float, height: float) -> tuple[_At, float]:
    """A way from the drawing to the map, and where the map ends."""
    boxes = [layout.core_box(place) for place in layout.places]
    left, top = min(b.left for b in boxes), max(b.top for b in boxes)
    wide = max(b.right for b in boxes) - left
    high = top - min(b.bottom for b in boxes)
    scale = min(width / wide, height / high)

    def at(x: float, y: float) -> Point:
        return start[0] + scale * (x - left), start[1] + scale * (top - y)

    return at, start[1] + scale * high


def _drawn(drawing: LayeredDrawing, at: _At) -> list[Mark]:
    return [
        Stroke(
            points=tuple(at(float(x), float(y)) for x, y in _few(line.points_mm)),
            width_mm=0.25,
            closed=line.closed,
            grey=0.45,
        )
        for layer in drawing.layers
        for line in layer.lines
    ]


def _few(points: np.ndarray) -> np.ndarray:
    return points[:: max(1, len(points) // _MOST_POINTS)]


def _cells(layout: Layout, at: _At) -> list[Mark]:
    """A frame and a number for each sheet."""
    marks: list[Mark] = []
    for number, place in enumerate(layout.places, start=1):
        cell = layout.core_box(place)
        (x0, y0), (x1, y1) = at(cell.left, cell.top), at(cell.right, cell.bottom)
        marks.append(Stroke(points=box(x0, y0, x1 - x0, y1 - y0), width_mm=0.4, closed=True))
        marks += _plate(str(number), ((x0 + x1) / 2, (y0 + y1) / 2), _NUMBER_MM, framed=False)
    return marks


def _names(layout: Layout, at: _At) -> list[Mark]:
    """Names of rows left of their first sheet, of columns above theirs."""
    marks: list[Mark] = []
    for row in sorted({place.row for place in layout.places}):
        cell = layout.core_box(min(p for p in layout.places if p.row == row))
        x, y = at(cell.left, (cell.bottom + cell.top) / 2)
        marks.append(
            Words(text=f"Row {row}", at=(x - 1.5, y + 1.0), size_mm=_NAME_MM, anchor="end")
        )
    for column in sorted({place.column for place in layout.places}):
        first = min(p for p in layout.places if p.column == column)
        x, y = at(_middle(layout.core_box(first)), layout.core_box(first).top)
        marks.append(
            Words(text=f"Column {column}", at=(x, y - 1.5), size_mm=_NAME_MM, anchor="middle")
        )
    return marks


def _middle(cell: Box) -> float:
    return (cell.left + cell.right) / 2


def _letters(layout: Layout, at: _At) -> list[Mark]:
    return [mark for join in joins(layout) for mark in _plate(join.name, at(*join.tag), _LETTER_MM)]


def _plate(text: str, middle: Point, size: float, *, framed: bool = True) -> tuple[Mark, ...]:
    """Bold words on white, so that lines below them do not cross them."""
    half = 0.75 * size * max(1.0, 0.7 * len(text))
    x, y = middle
    plate = box(x - half, y - 0.75 * size, 2 * half, 1.5 * size)
    frame = (Stroke(points=plate, width_mm=0.25, closed=True),) if framed else ()
    return (
        Area(loops=(plate,), grey=1.0),
        *frame,
        Words(text=text, at=(x, y + 0.365 * size), size_mm=size, bold=True, anchor="middle"),
    )
