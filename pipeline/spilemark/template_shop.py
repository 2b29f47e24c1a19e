"""What bevels and allowances add to a template: their lines, stations and legend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from spilemark.curves import fit_polyline
from spilemark.ink import Words
from spilemark.ink_files import text_width_mm, wrapped
from spilemark.records import Floats, Label, Stroke
from spilemark.shop.faces import CardRow
from spilemark.shop.outlines import ShopOutline
from spilemark.shop.part_words import allowance_lines, amount_words, bevel_words, planed_lines
from spilemark.shop_job import PartShop
from spilemark.template_part import line_stroke
from spilemark.units import Units

_Style = Literal["outline", "finished", "second-face", "cutting"]
_LEGEND: dict[_Style, str] = {
    "outline": "the pattern as it was measured",
    "finished": "FINISHED LINE, on the face where the pattern lay",
    "second-face": "finished line of the far face",
    "cutting": "CUTTING LINE",
}
_ALSO: dict[_Style, str] = {
    "outline": "also the pattern as it was measured",
    "finished": "also the finished line where the pattern lay",
    "second-face": "also the finished line of the far face",
    "cutting": "also the CUTTING LINE",
}
DASHES: dict[str, tuple[float, ...]] = {
    "finished": (5.0, 1.5),
    "second-face": (1.5, 1.5),
    "cutting": (9.0, 1.6, 1.0, 1.6, 1.0, 1.6),
}
"""Ink and gap in turn, mm, of each line that is added."""
_HEAVY = ("finished", "cutting")
_SAMPLE_MM = 34.0
_WORDS_MM, _LINE_MM = 3.3, 5.2
_TICK_MM = (2.0, 8.0)
_STATION_MM = 3.2
_SAME_MM = 0.005
"""A line that nowhere leaves the pattern by this is not drawn over it again."""


@dataclass(frozen=True, slots=True)
class ShopDrawing:
    """Strokes and words to add; ``lines`` are the drawn outlines, for words to keep clear of."""

    strokes: tuple[Stroke, ...] = ()
    labels: tuple[Label, ...] = ()
    lines: tuple[Floats, ...] = ()
    styles: tuple[_Style, ...] = ()
    also: tuple[tuple[_Style, _Style], ...] = ()
    """A line that is drawn, and one that lies on it and is not drawn again."""
    sawing: str = ""
    """How the saw follows the cutting line, and what is still to come off."""

    @property
    def extent(self) -> Floats:
        """All drawn points and both ends of the words (M, 2)."""
        ends = [end for label in self.labels for end in _ends(label)]
        return np.concatenate([*self.lines, np.array(ends).reshape(-1, 2)])


def shop_drawing(found: PartShop, tolerance_mm: float) -> ShopDrawing:
    """Draw the lines of a part: finished, far face, cutting; what is one line is drawn once.

    Parameters
    ----------
    found : PartShop
    tolerance_mm : float
        Largest distance of drawn curves from the lines reckoned.
    """
    lines = found.lines
    # The saw's line first: where two are one, it is the one by which the wood is cut.
    each: tuple[tuple[_Style, ShopOutline | None], ...] = (
        ("cutting", lines.cutting),
        ("finished", lines.finished),
        ("second-face", lines.second_face),
    )
    strokes: dict[_Style, Stroke] = {}
    drawn: dict[_Style, ShopOutline] = {"outline": lines.pattern}
    also: list[tuple[_Style, _Style]] = []
    for style, outline in each:
        if outline is None:
            continue
        under = next((s for s, other in drawn.items() if _same(outline, other)), None)
        if under is not None:
            also.append((under, style))
            continue
        drawn[style] = outline
        strokes[style] = _stroke(style, outline, tolerance_mm)
    styles = tuple(style for style in _LEGEND if style in drawn)
    outer = lines.cutting
    ticks, words = _stations(found.card, lines.finished, outer)
    return ShopDrawing(
        (*(strokes[style] for style in styles if style in strokes), *ticks),
        tuple(words),
        tuple(drawn[style].points_mm for style in styles if style in strokes),
        styles if strokes or found.card else (),
        tuple(also),
        _sawing(found),
    )


def shop_legend(
    found: PartShop,
    drawing: ShopDrawing,
    units: Units,
    *,
    left_mm: float,
    top_mm: float,
    width_mm: float,
) -> tuple[tuple[Stroke, ...], tuple[Label, ...], float]:
    """Which line is which, what was allowed and how the bevels read; with how high it stands."""
    strokes: list[Stroke] = []
    labels: list[Label] = []
    y = top_mm
    for style in drawing.styles:
        y -= _LINE_MM
        at = y + 0.35 * _WORDS_MM
        strokes += _sample(style, left_mm, at)
        words, bold = _line_words(drawing, style), style == _sawn_to(drawing)
        labels.append(_label(words, left_mm + _SAMPLE_MM + 4.0, y, bold=bold))
    y -= 0.4 * _LINE_MM
    for text in allowed_words(found, units):
        for row in wrapped(text, width_mm, _WORDS_MM):
            y -= 1.3 * _WORDS_MM
            labels.append(_label(row, left_mm, y))
        y -= 0.3 * _WORDS_MM
    return tuple(strokes), tuple(labels), top_mm - y


def _sample(style: _Style, left_mm: float, y_mm: float) -> list[Stroke]:
    """A piece of a line for the legend, of strokes that no saw follows: not of the line's own style."""
    ink = "label" if style in _HEAVY else "other"
    dashes = DASHES.get(style, (_SAMPLE_MM, 0.0))
    strokes, x, k = [], 0.0, 0
    while x < _SAMPLE_MM - 1e-9:
        end = min(x + dashes[k % len(dashes)], _SAMPLE_MM)
        if k % 2 == 0:
            ends = (left_mm + x, y_mm), (left_mm + end, y_mm)
            strokes.append(line_stroke(ink, "legend", *ends))
        x, k = end, k + 1
    return strokes


def legend_words(drawing: ShopDrawing) -> tuple[tuple[str, str], ...]:
    """Each style of outline that was drawn, and what it is; empty where the pattern stands alone."""
    return tuple((style, _line_words(drawing, style)) for style in drawing.styles)


def _line_words(drawing: ShopDrawing, style: _Style) -> str:
    """What a line is, with all that it is as well."""
    here = [style, *(other for line, other in drawing.also if line == style)]
    told = [(_LEGEND if k == 0 else _ALSO)[one] for k, one in enumerate(here)]
    if "cutting" in here:
        told[here.index("cutting")] += f": {drawing.sawing}"
    return "; ".join(told)


def _sawing(found: PartShop) -> str:
    """How to saw, by what is to come off afterwards: nobody planes a line that is finished."""
    room = any(edge.saw_mm or edge.plane_off_mm for edge in found.allowances.edges)
    then = " and ".join(word for word, so in (("bevel", found.card), ("plane", room)) if so)
    return f"saw square to this first, then {then}" if then else "saw to this"


def _sawn_to(drawing: ShopDrawing) -> _Style:
    """The line that the saw follows."""
    return next((line for line, other in drawing.also if other == "cutting"), "cutting")


def allowed_words(found: PartShop, units: Units) -> list[str]:
    """What was allowed for, and how the bevels read."""
    words = [*planed_lines(found.order.planed, units), *allowance_lines(found.allowances, units)]
    if found.card:
        on, stock = found.order.pattern_on, amount_words(found.order.stock_mm or 0.0, units)
        words.append(
            f"Bevels are degrees from square through {stock} of stock, seen from the {on} face, "
            "on which the pattern lay: under leans in below it, standing leans out."
        )
    return words


def _ends(label: Label) -> list[tuple[float, float]]:
    """Lower left and upper right corner of upright words."""
    words = Words(text=label.text, at=(0, 0), size_mm=label.height_mm, bold=label.bold)
    length = text_width_mm(words)
    x, y = label.at_mm
    x -= length * {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor]
    return [(x, y), (x + length, y + label.height_mm)]


def _label(text: str, x: float, y: float, *, bold: bool = False) -> Label:
    return Label(text=text, at_mm=(x, y), height_mm=_WORDS_MM, bold=bold)


def _same(one: ShopOutline, other: ShopOutline) -> bool:
    from shapely import LinearRing, dwithin, points, prepare

    for here, there in ((one, other), (other, one)):
        ring = LinearRing(there.points_mm)
        prepare(ring)
        if not dwithin(ring, points(here.points_mm), _SAME_MM).all():
            return False
    return True


def _stroke(style: _Style, outline: ShopOutline, tolerance_mm: float) -> Stroke:
    corners = sorted({edge.start for edge in outline.edges})
    fitted = fit_polyline(
        outline.points_mm, corners=corners, closed=True, tolerance_mm=tolerance_mm
    )
    return Stroke(style=style, segments=fitted.segments, closed=True, name=style)


def _stations(
    card: tuple[CardRow, ...], finished: ShopOutline, outer: ShopOutline
) -> tuple[list[Stroke], list[Label]]:
    """A tick across the lines at each station of the bevel card, its bevel outside of them."""
    from shapely import LinearRing, Point

    ring = LinearRing(outer.points_mm)
    strokes, labels = [], []
    for row in card:
        at, outward = _on_edge(finished, row)
        past = float(ring.distance(Point(at))) + _TICK_MM[1]
        start, stop = at - _TICK_MM[0] * outward, at + past * outward
        strokes.append(line_stroke("other", "station", tuple(start), tuple(stop)))
        x, y = stop + 1.5 * outward
        side = "end" if outward[0] < -0.5 else "start" if outward[0] > 0.5 else "middle"
        drop = 0.36 if side != "middle" else 0.0 if outward[1] > 0 else 0.8
        labels.append(
            Label(
                text=bevel_words(row.bevel_deg),
                at_mm=(float(x), float(y) - drop * _STATION_MM),
                height_mm=_STATION_MM,
                anchor=side,  # type: ignore[arg-type]
            )
        )
    return strokes, labels


def _on_edge(outline: ShopOutline, row: CardRow) -> tuple[Floats, Floats]:
    """Where a station lies on the finished line, and the outward normal there."""
    points = outline.points_mm[outline.indices(outline.edge(row.edge))]
    k = int(np.clip(np.argmin(np.linalg.norm(points - row.at_mm, axis=1)), 0, len(points) - 1))
    along = points[min(k + 5, len(points) - 1)] - points[max(k - 5, 0)]
    outward = np.array([along[1], -along[0]]) / max(float(np.hypot(*along)), 1e-9)
    return points[k], outward
