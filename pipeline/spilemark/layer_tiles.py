"""A layered drawing at true size over sheets of office paper, with crosses that must meet."""

from __future__ import annotations

import numpy as np

from spilemark.card_papers import PAPERS
from spilemark.ink import Clipped, Mark, Sheet, Words, bar, box, cross
from spilemark.layers import LayeredDrawing, groups
from spilemark.printers import PrinterProfile
from spilemark.tiling import Layout, Place, Window, plan_layout

_MARGIN_MM = 10.0
_HEAD_MM = 14.0
_OVERLAP_MM = 12.0
_CLEARANCE_MM = 3.0
_TEXT_MM = 3.3


def tiled_sheets(
    drawing: LayeredDrawing, paper: str = "a4", printer: PrinterProfile | None = None
) -> list[Sheet]:
    """Cut a drawing into sheets of paper, made up for a printer; the drawing's own up stays up.

    Neighbours overlap by 12 mm.  In each overlap stand two crosses that both
    sheets show: where they lie on each other, the sheets are joined.
    """
    size = PAPERS[paper]
    windows = [
        Window(width_mm=w - 2 * _MARGIN_MM, height_mm=h - 2 * _MARGIN_MM - _HEAD_MM, lying=lying)
        for w, h, lying in (
            (size.width_mm, size.height_mm, False),
            (size.height_mm, size.width_mm, True),
        )
    ]
    points = drawing.points_mm()
    low, high = points.min(axis=0), points.max(axis=0)
    ring = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    layout = plan_layout(
        ring, windows=windows, overlap_mm=_OVERLAP_MM, clearance_mm=_CLEARANCE_MM, turn="none"
    )
    corrected_for = printer.words if printer else "Not corrected for any printer."
    sheets = [_sheet(drawing, layout, place, corrected_for) for place in layout.places]
    return sheets if printer is None else [printer.corrected(sheet) for sheet in sheets]


def _sheet(drawing: LayeredDrawing, layout: Layout, place: Place, corrected_for: str) -> Sheet:
    window = layout.window_box(place)
    left, top = _MARGIN_MM - window.left, _MARGIN_MM + _HEAD_MM + window.top
    width, height = layout.window.width_mm, layout.window.height_mm
    frame = box(_MARGIN_MM, _MARGIN_MM + _HEAD_MM, width, height)
    marks: list[Mark] = [Clipped(window=frame, marks=tuple(groups(drawing, left, top)))]
    for x, y, name in _crosses(layout, place):
        at = (left + x, top - y)
        marks += cross(at, 4.0)
        marks.append(Words(text=name, at=(at[0] + 1.5, at[1] - 1.5), size_mm=3.0, grey=0.3))
    where = f"row {place.row} of {layout.rows}, sheet {place.column} of {layout.columns}"
    marks.append(
        Words(
            text=f"{drawing.title}: {where}",
            at=(_MARGIN_MM, _MARGIN_MM + 3.0),
            size_mm=_TEXT_MM,
            bold=True,
        )
    )
    told = (
        "Print at 100 %. Both bars are 50 mm, or do not cut. Crosses of one name lie on each other."
    )
    marks.append(Words(text=told, at=(_MARGIN_MM, _MARGIN_MM + 8.0), size_mm=2.8))
    marks.append(Words(text=corrected_for, at=(_MARGIN_MM, _MARGIN_MM + 12.0), size_mm=2.8))
    marks += bar((_MARGIN_MM + width - 52.0, _MARGIN_MM + 3.0), 50.0, along=False)
    marks += bar((_MARGIN_MM + width, _MARGIN_MM + _HEAD_MM + 3.0), 50.0, along=True)
    return Sheet(
        title=drawing.title,
        width_mm=width + 2 * _MARGIN_MM,
        height_mm=height + 2 * _MARGIN_MM + _HEAD_MM,
        marks=tuple(marks),
    )


def _crosses(layout: Layout, place: Place) -> list[tuple[float, float, str]]:
    """Crosses on the middles of this sheet's joins; both sheets of a join name them alike."""
    window, half = layout.window_box(place), layout.overlap_mm / 2.0
    found = []
    for down, right in ((0, 1), (1, 0), (0, -1), (-1, 0)):
        if layout.neighbour(place, down, right) is None:
            continue
        first = min(place, Place(place.row + down, place.column + right))
        for k, share in enumerate((0.25, 0.75)):
            if right:
                x = window.right - half if right > 0 else window.left + half
                y = window.bottom + share * (window.top - window.bottom)
            else:
                x = window.left + share * (window.right - window.left)
                y = window.bottom + half if down > 0 else window.top - half
            way = "r" if right else "d"
            found.append((x, y, f"{first.row}{first.column}{way}{k + 1}"))
    return found
