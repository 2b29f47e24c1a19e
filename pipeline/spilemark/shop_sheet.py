"""The lines of a part at true size on one sheet, with its bevel card and what was allowed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from spilemark import ink_files
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.ink import Anchor, Area, Group, Mark, Point, Sheet, Stroke, Words, bar
from spilemark.shop.faces import CardRow
from spilemark.shop.outlines import Floats, ShopOutline
from spilemark.shop.part_words import bevel_words
from spilemark.storage import store_files
from spilemark.template_shop import DASHES

_MARGIN_MM = 15.0
_GAP_MM = 12.0
_LEAST_WIDTH_MM = 250.0
_BAR_MM = 100.0
_BAR_SPACE_MM = 118.0
_TEXT_MM, _LINE_MM = 3.3, 4.7
_TITLE_MM = 6.0
_SIDE_MM = 10.0
_ARROW_MM = 32.0
_TICK_MM = 7.0
_NAMES_IN_MM = (8.0, 15.0, 5.0, 20.0, 25.0, 11.0)
_ROOM_MM = 24.0
"""Beside the part, for what is written at its stations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What must survive on the bench: which side, which face, and where forward is."""

    side: str
    """"PORT"."""
    face: str
    """A sentence on how it is seen."""
    forward: bool
    """Whether forward is up the sheet."""


@dataclass(frozen=True, slots=True)
class Line:
    """One outline to draw, and what it is called in the legend."""

    outline: ShopOutline
    legend: str
    width_mm: float
    dash_mm: tuple[float, ...] = ()
    grey: float = 0.0
    named: bool = False
    """Whether its edges are named beside it."""
    name: str = ""
    """As of a layer: in lower case, hyphens between."""


def finished_line(outline: ShopOutline) -> Line:
    """Draw what the part becomes on the face where the pattern lay."""
    return Line(
        outline,
        "finished line, the face on which the pattern lay",
        0.5,
        named=True,
        name="finished",
    )


def second_face_line(outline: ShopOutline) -> Line:
    """Draw the far face."""
    return Line(
        outline, "finished line of the far face", 0.35, DASHES["second-face"], name="second-face"
    )


def cutting_line(outline: ShopOutline) -> Line:
    """Draw what to saw to."""
    return Line(
        outline, "CUTTING LINE: saw square to this first", 0.6, DASHES["cutting"], name="cutting"
    )


def larger_line(outline: ShopOutline) -> Line:
    """Draw the larger of both faces everywhere."""
    return Line(
        outline, "LARGER OUTLINE: saw square to this first", 0.6, DASHES["cutting"], name="larger"
    )


def pattern_line(outline: ShopOutline) -> Line:
    """Draw the pattern as it was taken."""
    return Line(outline, "the pattern as it was taken", 0.25, grey=0.5, name="pattern")


def router_line(outline: ShopOutline) -> Line:
    """Draw the template for a guide bush."""
    return Line(
        outline, "router template, for the bush to run round", 0.35, (8.0, 3.0), name="router"
    )


def part_sheet(
    title: str,
    lines: Sequence[Line],
    *,
    heading: Heading,
    card: Sequence[CardRow] = (),
    cells: Sequence[Sequence[str]] = (),
    notes: Sequence[str] = (),
) -> Sheet:
    """Lay out a part.

    Parameters
    ----------
    title : str
    lines : sequence of Line
        At least one; all in one frame, y up.
    heading : Heading
        Over the part, in large letters.
    card : sequence of CardRow
        Stations to mark on the outline.
    cells : sequence of rows
        The bevel card, its head first.
    notes : sequence of str
        Wrapped under the card, the first one bold.
    """
    points = np.concatenate([line.outline.points_mm for line in lines])
    low, high = points.min(axis=0), points.max(axis=0)
    wide = max(float(high[0] - low[0]) + 2 * _ROOM_MM, _LEAST_WIDTH_MM)
    left = _MARGIN_MM + (wide - float(high[0] - low[0])) / 2.0 - float(low[0])
    top = _MARGIN_MM + 2 * _TITLE_MM + _SIDE_MM + float(high[1]) + _TICK_MM

    def place(p: Floats) -> tuple[float, float]:
        return (left + float(p[0]), top - float(p[1]))

    marks: list[Mark] = [
        Words(text=title, at=(_MARGIN_MM, _MARGIN_MM + _TITLE_MM), size_mm=_TITLE_MM, bold=True)
    ]
    marks += _headed(heading, _MARGIN_MM + wide)
    for group in part_groups(lines, card, place):
        marks += group.marks
    under = top - float(low[1]) + _TICK_MM + _GAP_MM
    words, bottom = _block(lines, cells, notes, under, wide)
    return Sheet(
        title=title,
        width_mm=round(wide + 2 * _MARGIN_MM, 1),
        height_mm=round(max(bottom, under + _BAR_SPACE_MM) + _MARGIN_MM, 1),
        marks=(*marks, *words),
    )


def part_groups(
    lines: Sequence[Line], card: Sequence[CardRow], place: Callable[[Floats], Point]
) -> list[Group]:
    """The lines, each with the names of its edges where it is named, and bevels at their stations.

    Parameters
    ----------
    lines : sequence of Line
    card : sequence of CardRow
        Stations to mark on the outline of the first line.
    place : callable
        Where a point of the part, mm, lies on the sheet.
    """
    found = [
        Group(
            name=line.name,
            marks=(
                *_drawn(line, place),
                *(_edge_names(line, lines, place) if line.named else ()),
            ),
        )
        for line in lines
    ]
    ticks = [mark for row in card for mark in _station(row, lines[0].outline, place)]
    return [*found, *([Group(name="stations", marks=tuple(ticks))] if ticks else [])]


def _headed(heading: Heading, right: float) -> list[Mark]:
    """The side under the title, forward as an arrow at the right."""
    y = _MARGIN_MM + _TITLE_MM + 1.4 * _SIDE_MM
    side = Words(text=heading.side, at=(_MARGIN_MM, y), size_mm=_SIDE_MM, bold=True)
    beside = _MARGIN_MM + ink_files.text_width_mm(side) + 5.0
    room = right - beside - _ARROW_MM
    rows = ink_files.wrapped(heading.face, room, _TEXT_MM)
    first = y - (len(rows) - 1) * _LINE_MM
    marks: list[Mark] = [
        side,
        *(
            Words(text=row, at=(beside, first + k * _LINE_MM), size_mm=_TEXT_MM)
            for k, row in enumerate(rows)
        ),
    ]
    if heading.forward:
        x, top = right - 5.0, _MARGIN_MM
        marks += [
            Stroke(points=((x, y), (x, top + 5.0)), width_mm=1.2),
            Area(loops=(((x, top), (x - 2.5, top + 6.0), (x + 2.5, top + 6.0)),)),
            Words(text="FWD", at=(x - 5.0, y), size_mm=5.0, bold=True, anchor="end"),
        ]
    return marks


def write_sheet(path: Path, sheet: Sheet, *, force: bool = False) -> Path:
    """Write a sheet as SVG or PDF, by the ending.

    Raises
    ------
    UsageError
        Another ending.
    WouldOverwrite, CannotWrite
    """
    kind = path.suffix.lower()
    if kind not in (".svg", ".pdf"):
        raise UsageError(f"A sheet is not written as {path.name}.", "Let it end in .svg or .pdf.")
    if path.exists() and not force:
        raise WouldOverwrite(
            f"{path} already exists.", "Choose another name, or add --force to replace it."
        )
    content = (
        ink_files.svg_text(sheet).encode()
        if kind == ".svg"
        else ink_files.pdf_bytes([sheet], sheet.title)
    )
    try:
        store_files({path: content})
    except OSError as error:
        raise CannotWrite(
            f"{path} cannot be written: {error.strerror}.", "Check that its folder exists."
        ) from error
    return path


def _drawn(line: Line, place: Callable[[Floats], Point]) -> list[Mark]:
    rings = (line.outline.points_mm, *line.outline.holes_mm)
    return [
        Stroke(
            points=tuple(place(p) for p in ring),
            width_mm=line.width_mm,
            dash_mm=line.dash_mm,
            grey=line.grey,
            closed=True,
        )
        for ring in rings
    ]


def _edge_names(line: Line, lines: Sequence[Line], place: Callable[[Floats], Point]) -> list[Mark]:
    """Names along the inside of the edges, clear of all lines; what is too short goes without."""
    from shapely import LinearRing, MultiLineString

    outline = line.outline
    drawn = MultiLineString(
        [LinearRing(ring) for each in lines for ring in (each.outline.points_mm, *outline.holes_mm)]
    )
    marks: list[Mark] = []
    for edge in outline.edges:
        points = outline.points_mm[outline.indices(edge)]
        words = Words(text=edge.name, at=(0.0, 0.0), size_mm=_TEXT_MM, anchor="middle")
        length = ink_files.text_width_mm(words)
        if length > outline.length_mm(edge):
            continue
        middle, along = _middle(points)
        at = _clear_place(middle, along, length, drawn)
        turn = math.degrees(math.atan2(along[1], along[0]))
        over = not -90.0 < turn <= 90.0
        # The middle of the letters lies in place, whichever way up they stand.
        up = np.array([-along[1], along[0]]) * (-1.0 if over else 1.0)
        marks.append(
            replace(
                words,
                at=place(at - 0.36 * _TEXT_MM * up),
                turn_deg=turn + 180.0 if over else turn,
            )
        )
    return marks


def _clear_place(middle: Floats, along: Floats, length: float, drawn: Any) -> Floats:
    """Inward of the middle of an edge, the first distance at which words touch no line."""
    from shapely import LineString, distance

    inward = np.array([-along[1], along[0]])
    places = [middle + off * inward for off in _NAMES_IN_MM]
    room = [
        float(distance(LineString([p - length / 2 * along, p + length / 2 * along]), drawn))
        for p in places
    ]
    best = next((k for k, r in enumerate(room) if r > _TEXT_MM), int(np.argmax(room)))
    return places[best]


def _middle(points: Floats) -> tuple[Floats, Floats]:
    """Point halfway along a line, and the unit vector of the line there."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    half = run[-1] / 2.0
    middle = np.array([np.interp(half, run, axis) for axis in points.T])
    reach = min(15.0, half)
    ends = [
        np.array([np.interp(half + r, run, axis) for axis in points.T]) for r in (-reach, reach)
    ]
    along = ends[1] - ends[0]
    return middle, along / max(float(np.hypot(*along)), 1e-9)


def _station(row: CardRow, outline: ShopOutline, place: Callable[[Floats], Point]) -> list[Mark]:
    """A tick across the edge, its bevel written at the outer end."""
    edge = outline.edge(row.edge)
    points = outline.points_mm[outline.indices(edge)]
    at = np.asarray(row.at_mm)
    k = int(np.clip(np.argmin(np.linalg.norm(points - at, axis=1)), 1, len(points) - 2))
    along = points[min(k + 3, len(points) - 1)] - points[max(k - 3, 0)]
    outward = np.array([along[1], -along[0]]) / max(float(np.hypot(*along)), 1e-9)
    start, stop = place(at - 0.3 * _TICK_MM * outward), place(at + _TICK_MM * outward)
    x, y = place(at + (_TICK_MM + 1.5) * outward)
    anchor: Anchor = "end" if outward[0] < -0.5 else "start" if outward[0] > 0.5 else "middle"
    drop = _TEXT_MM * (0.35 if anchor != "middle" else (0.75 if outward[1] < 0 else 0.0))
    words = bevel_words(row.bevel_deg)
    return [
        Stroke(points=(start, stop), width_mm=0.25),
        Words(text=words, at=(x, y + drop), size_mm=_TEXT_MM, anchor=anchor),
    ]


def _block(
    lines: Sequence[Line],
    cells: Sequence[Sequence[str]],
    notes: Sequence[str],
    top: float,
    wide: float,
) -> tuple[list[Mark], float]:
    """Check bars at the right; legend, card and notes left of them. The lowest line as well."""
    right = _MARGIN_MM + wide
    marks: list[Mark] = [
        *bar((right - _BAR_MM, top + 4.0), _BAR_MM, along=False),
        *bar((right - 4.0, top + 12.0), _BAR_MM, along=True),
        Words(
            text="100 mm, both ways", at=(right - 8.0, top + 12.0), size_mm=_TEXT_MM, anchor="end"
        ),
    ]
    y = top
    for line in lines:
        y += _LINE_MM
        sample = ((_MARGIN_MM, y - 1.2), (_MARGIN_MM + 22.0, y - 1.2))
        pen = Stroke(points=sample, width_mm=line.width_mm, dash_mm=line.dash_mm, grey=line.grey)
        marks += [pen, Words(text=line.legend, at=(_MARGIN_MM + 26.0, y), size_mm=_TEXT_MM)]
    y = max(y + 2 * _LINE_MM, top + 18.0)
    column = wide - 14.0
    for k, row in enumerate(_columns(cells)):
        for x, cell in row:
            marks.append(Words(text=cell, at=(_MARGIN_MM + x, y), size_mm=_TEXT_MM, bold=k == 0))
        y += _LINE_MM
    y += _LINE_MM if cells else 0.0
    words, y = ink_files.notes_below(notes, (_MARGIN_MM, y), column, _TEXT_MM, _LINE_MM)
    return [*marks, *words], y


def _columns(cells: Sequence[Sequence[str]]) -> list[list[tuple[float, str]]]:
    """Rows of (x, cell) with columns as wide as their widest cell."""
    if not cells:
        return []
    widths = [
        max(
            ink_files.text_width_mm(Words(text=cell, at=(0.0, 0.0), size_mm=_TEXT_MM, bold=k == 0))
            for k, cell in enumerate(column)
        )
        for column in zip(*cells, strict=True)
    ]
    starts = np.concatenate([[0.0], np.cumsum(np.array(widths) + 4.0)])
    return [[(float(x), cell) for x, cell in zip(starts, row, strict=False)] for row in cells]
