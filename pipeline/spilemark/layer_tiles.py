"""A layered drawing at true size over sheets of office paper, with crosses that must meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spilemark.card_papers import PAPERS
from spilemark.frames import signed_area
from spilemark.ink import Clipped, Mark, Sheet, Stroke, Words, bar, box, cross
from spilemark.ink_files import text_width_mm, wrapped
from spilemark.layer_map import map_sheet
from spilemark.layers import LayeredDrawing, groups, word_box
from spilemark.printers import PrinterProfile, made_up_for
from spilemark.tile_joins import joins
from spilemark.tiling import Layout, Place, Window, hangs_together, plan_layout

Floats = NDArray[np.float64]

_MARGIN_MM = 10.0
_OVERLAP_MM = 12.0
_CLEARANCE_MM = 3.0
_TEXT_MM, _SMALL_MM, _ROW_MM = 3.3, 2.8, 4.3
_BAR_ROOM_MM = 58.0
_SAMPLE_MM = 11.0
_MOST_WHERE = "sheet 99 of 99, row 10, column 10"


def printed_sheets(
    drawing: LayeredDrawing, paper: str = "a4", printer: PrinterProfile | None = None
) -> list[Sheet]:
    """All that is printed of a drawing: its sheets, before them their map where there are several."""
    sheets = tiled_sheets(drawing, paper, printer)
    if len(sheets) > 1:
        sheets.insert(0, map_sheet(drawing, _layout(drawing, paper), paper))
    return sheets


def tiled_sheets(
    drawing: LayeredDrawing, paper: str = "a4", printer: PrinterProfile | None = None
) -> list[Sheet]:
    """Cut a drawing into sheets of paper, made up for a printer; the drawing's own up stays up.

    Neighbours overlap by 12 mm.  In each overlap stand two crosses that both
    sheets show, called by the letter of their join: where they lie on each
    other, the sheets are joined.
    """
    layout = _layout(drawing, paper)
    corrected_for = made_up_for(printer)
    sheets = [_sheet(drawing, layout, place, corrected_for) for place in layout.places]
    return sheets if printer is None else [printer.corrected(sheet) for sheet in sheets]


def _layout(drawing: LayeredDrawing, paper: str) -> Layout:
    size = PAPERS[paper]
    windows = [
        Window(
            width_mm=w - 2 * _MARGIN_MM,
            height_mm=h - 2 * _MARGIN_MM - _head_mm(drawing, w - 2 * _MARGIN_MM),
            lying=lying,
        )
        for w, h, lying in (
            (size.width_mm, size.height_mm, False),
            (size.height_mm, size.width_mm, True),
        )
    ]
    ring, others = _shown(drawing)
    layout = plan_layout(
        ring,
        windows=windows,
        overlap_mm=_OVERLAP_MM,
        clearance_mm=_CLEARANCE_MM,
        lines_mm=others,
        turn="none",
    )
    return _without_empty(layout, [ring, *others])


def _shown(drawing: LayeredDrawing) -> tuple[Floats, list[Floats]]:
    """Its largest closed line, and all else that must be shown, words by their boxes."""
    lines = [line for layer in drawing.layers for line in layer.lines]
    closed = [line.points_mm for line in lines if line.closed]
    others = [
        np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        for line in lines
    ]
    for layer in drawing.layers:
        for words in layer.words:
            box = word_box(words)
            others.append(np.vstack([box, box[:1]]))
    if closed:
        return max(closed, key=lambda ring: abs(signed_area(ring))), others
    points = drawing.points_mm()
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), others


def _without_empty(layout: Layout, lines: Sequence[Floats]) -> Layout:
    """Leave out sheets whose own part shows no line, where the others still hang together."""
    from shapely import MultiLineString
    from shapely import box as rectangle

    drawn = MultiLineString([np.vstack([line, line[:1]]) for line in lines[:1]] + [*lines[1:]])
    for place in layout.places:
        if not drawn.intersects(rectangle(*layout.core_box(place))):
            fewer = replace(layout, places=tuple(p for p in layout.places if p != place))
            layout = fewer if fewer.places and hangs_together(fewer) else layout
    return layout


def _sheet(drawing: LayeredDrawing, layout: Layout, place: Place, corrected_for: str) -> Sheet:
    window = layout.window_box(place)
    width, height = layout.window.width_mm, layout.window.height_mm
    head_mm = _head_mm(drawing, width)
    left, top = _MARGIN_MM - window.left, _MARGIN_MM + head_mm + window.top
    frame = box(_MARGIN_MM, _MARGIN_MM + head_mm, width, height)
    marks: list[Mark] = [Clipped(window=frame, marks=tuple(groups(drawing, left, top)))]
    for x, y, name in _crosses(layout, place):
        at = (left + x, top - y)
        marks += cross(at, 4.0)
        marks.append(Words(text=name, at=(at[0] + 1.5, at[1] - 1.5), size_mm=3.0, grey=0.3))
    where = _where(place, layout)
    marks += _head(drawing, where, corrected_for, width)[0]
    marks += bar((_MARGIN_MM + width - 52.0, _MARGIN_MM + 3.0), 50.0, along=False)
    marks += bar((_MARGIN_MM + width, _MARGIN_MM + head_mm + 3.0), 50.0, along=True)
    return Sheet(
        title=drawing.title,
        width_mm=width + 2 * _MARGIN_MM,
        height_mm=height + 2 * _MARGIN_MM + head_mm,
        marks=tuple(marks),
    )


def _head_mm(drawing: LayeredDrawing, width: float) -> float:
    """Height of the words above a sheet's window, whatever its number and printer."""
    return _head(drawing, _MOST_WHERE, "", width)[1]


def _where(place: Place, layout: Layout) -> str:
    """Which sheet it is, and of how many."""
    count = len(layout.places)
    number = layout.places.index(place) + 1
    where = f"sheet {number} of {count}"
    return where if count == 1 else f"{where}, row {place.row}, column {place.column}"


def _head(
    drawing: LayeredDrawing, where: str, corrected_for: str, width: float
) -> tuple[list[Mark], float]:
    """Title and place, how to print, what must not be forgotten, the lines; and how high that is."""
    marks: list[Mark] = []
    y = _MARGIN_MM + 3.0
    # The bar lies right of the title.
    for text in wrapped(f"{drawing.title}: {where}", width - _BAR_ROOM_MM, _TEXT_MM, bold=True):
        marks.append(Words(text=text, at=(_MARGIN_MM, y), size_mm=_TEXT_MM, bold=True))
        y += _ROW_MM
    rows = [
        "Print at 100 %. Both bars are 50 mm, or do not cut. Crosses of one name lie on each other.",
        corrected_for,
    ]
    for text in rows:
        marks.append(Words(text=text, at=(_MARGIN_MM, y), size_mm=_SMALL_MM))
        y += _ROW_MM
    for note in drawing.brief:
        bold = note.isupper() or note.split()[0].isupper()
        for text in wrapped(note, width - 4.0, _SMALL_MM, bold=bold):
            marks.append(Words(text=text, at=(_MARGIN_MM, y), size_mm=_SMALL_MM, bold=bold))
            y += _ROW_MM
    found, y = _legend(drawing, y, width)
    return [*marks, *found], y - _MARGIN_MM - _ROW_MM + 2.5


def _legend(drawing: LayeredDrawing, y: float, width: float) -> tuple[list[Mark], float]:
    """Samples of the lines with their meaning in short, side by side; where the next row would be."""
    marks: list[Mark] = []
    x = _MARGIN_MM
    told = [layer for layer in drawing.layers if layer.legend and layer.lines]
    for layer in told:
        text = layer.legend.split(":")[0].split(",")[0]
        words = Words(text=text, at=(x + _SAMPLE_MM + 1.5, y), size_mm=_SMALL_MM)
        long = _SAMPLE_MM + 1.5 + text_width_mm(words) + 5.0
        if x > _MARGIN_MM and x + long > _MARGIN_MM + width:
            x, y = _MARGIN_MM, y + _ROW_MM
            words = replace(words, at=(x + _SAMPLE_MM + 1.5, y))
        ends = ((x, y - 1.0), (x + _SAMPLE_MM, y - 1.0))
        marks.append(
            Stroke(points=ends, width_mm=layer.width_mm, dash_mm=layer.dash_mm, grey=layer.grey)
        )
        marks.append(words)
        x += long
    return marks, y + (_ROW_MM if told else 0.0)


def _crosses(layout: Layout, place: Place) -> list[tuple[float, float, str]]:
    """Crosses on the middles of this sheet's joins; both sheets of a join name them alike."""
    return [
        (*at, f"{join.name}{k}")
        for join in joins(layout)
        if place in (join.under, join.over)
        for k, at in enumerate(join.crosses, start=1)
    ]
