"""One sheet of a tiled drawing: its window of the part, its joins, its check lines."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from spilemark.ink import Area, Clipped, Mark, Point, Sheet, Stroke, Words, box, cross, placed
from spilemark.ink_files import text_width_mm
from spilemark.records import Floats
from spilemark.tile_joins import CheckLine, Join, check_lines, joins
from spilemark.tiling import Box, Layout, Place
from spilemark.units import Units, format_inches
from spilemark_stages.write.styles import Pen
from spilemark_stages.write.tiled_band import Page, SheetWords, band_marks, little_map
from spilemark_stages.write.tiled_part import Part, label_box, part_marks

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

CROSS_ARM_MM = 4.0
_FINE_MM = 0.18
_TAG_RADIUS_MM = 4.2
_TAG_OFF_MM = 7.5
_TAG_SHARES = (0.3, 0.7, 0.22, 0.78, 0.36, 0.64, 0.15, 0.85)
_SPOTS = (0.5, 0.35, 0.65, 0.2, 0.8, 0.05, 0.95)
"""Where words are tried, as shares of the room that they have."""
_SMALL_MM = 2.4
_STRIP_GREY = 0.9
_MANY_POINTS = 40
_NEAR_MM = 2.0
"""Wider than half of any pen."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Job:
    """One part on its sheets."""

    part: Part
    layout: Layout
    page: Page
    words: SheetWords
    title: str
    pens: dict[str, Pen]
    forward_known: bool = True
    units: Units = "mm"

    def check_words(self, line: CheckLine) -> str:
        """A check line's length as a rule reads it: tenths of a millimetre, or thirty-seconds of an inch."""
        if self.units == "mm":
            return f"{line.length_mm:.1f}\u00a0mm"
        return format_inches(line.length_mm, 32).replace(" ", "\u00a0")

    @cached_property
    def joins(self) -> tuple[Join, ...]:
        """All joins of the layout."""
        return joins(self.layout)

    @cached_property
    def check_lines(self) -> tuple[CheckLine, ...]:
        """The straight lines over the joins."""
        return check_lines(self.layout, self.joins)

    @cached_property
    def drawing(self) -> tuple[Mark, ...]:
        """The part and the check lines in the paper frame."""
        lines = [m for line in self.check_lines for m in _check_line(line)]
        return (*part_marks(self.part, self.layout.turn_rad, self.pens), *lines)

    @cached_property
    def outline(self) -> tuple[Point, ...]:
        """The part's ring in the paper frame."""
        return tuple(_point(p) for p in self.layout.turned(self.part.outline_mm))

    @cached_property
    def solid(self) -> BaseGeometry:
        """Lines and words of the part, in the paper frame."""
        from shapely import GeometryCollection, LineString, Polygon

        turned = self.layout.turned
        lines = [LineString(turned(points)) for _, points in self.part.strokes]
        words = [Polygon(turned(label_box(label))) for label in self.part.labels]
        ring = LineString([*self.outline, self.outline[0]])
        return GeometryCollection([ring, *lines, *words])

    @cached_property
    def obstacles(self) -> BaseGeometry:
        """What words had better keep away from: the part and the check lines."""
        from shapely import GeometryCollection, LineString

        checks = [LineString([line.start, line.stop]) for line in self.check_lines]
        return GeometryCollection([*self.solid.geoms, *checks])


def tile_sheet(job: Job, place: Place) -> Sheet:
    """Lay out one sheet."""
    layout, page = job.layout, job.page
    window = layout.window_box(place)
    own = [join for join in job.joins if place in (join.under, join.over)]
    marks = [
        *(_strip(layout, place, join) for join in own if join.under == place),
        *_near(job.drawing, window),
        *(m for line in job.check_lines for m in _line_name(job, place, line)),
        *(m for join in own for m in _join_marks(job, place, join)),
        *_forward(job, place),
    ]

    def on_page(point: Point) -> Point:
        return page.margin_mm + point[0] - window.left, page.margin_mm + window.top - point[1]

    corners = box(page.margin_mm, page.margin_mm, page.window.width_mm, page.window.height_mm)
    name = _name_of(job, place)
    here = little_map(layout, place, job.outline, page.band_height_mm)
    return Sheet(
        title=f"{job.title}, {name[0].lower()}, {name[1].lower()}",
        width_mm=page.width_mm,
        height_mm=page.height_mm,
        marks=(
            Clipped(window=corners, marks=placed(marks, on_page)),
            *band_marks(page, job.words, name, here if len(layout.places) > 1 else ()),
        ),
    )


def _name_of(job: Job, place: Place) -> tuple[str, str, str]:
    count = len(job.layout.places)
    if count == 1:
        return "One", "sheet", "all of it"
    number = job.layout.places.index(place) + 1
    return f"Row {place.row}", f"Column {place.column}", f"sheet {number} of {count}"


def _near(marks: Iterable[Mark], window: Box) -> list[Mark]:
    """Marks that may show in a window; the rest would only swell the file."""
    kept: list[Mark] = []
    for mark in marks:
        if isinstance(mark, Stroke) and not mark.dash_mm and len(mark.points) > _MANY_POINTS:
            kept += _runs_near(mark, window)
            continue
        points = np.array(mark.points if isinstance(mark, Stroke) else [getattr(mark, "at")])  # noqa: B009
        reach = 0.0 if isinstance(mark, Stroke) else text_width_mm(mark)  # type: ignore[arg-type]
        low, high = points.min(axis=0) - reach - 2, points.max(axis=0) + reach + 2
        if (low <= (window.right, window.top)).all() and (
            high >= (window.left, window.bottom)
        ).all():
            kept.append(mark)
    return kept


def _runs_near(stroke: Stroke, window: Box) -> list[Mark]:
    """The pieces of a long solid line that may show in a window.

    Dashes would begin anew on every sheet and not meet at the joins, so dashed
    lines stay whole.
    """
    points = np.array(stroke.points)
    if stroke.closed:
        points = np.concatenate([points, points[:1]])
    low = np.minimum(points[:-1], points[1:]) - _NEAR_MM
    high = np.maximum(points[:-1], points[1:]) + _NEAR_MM
    near = (low <= (window.right, window.top)).all(axis=1)
    near &= (high >= (window.left, window.bottom)).all(axis=1)
    if near.all():
        return [stroke]
    if stroke.closed:
        # Begin outside the window, so that no piece is cut where it shows.
        start = int(np.argmin(near))
        near, points = np.roll(near, -start), np.roll(points[:-1], -start, axis=0)
        points = np.concatenate([points, points[:1]])
    bounds = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(int), [0]])))
    return [
        replace(stroke, points=tuple(map(_point, points[a : b + 1])), closed=False)
        for a, b in zip(bounds[::2], bounds[1::2], strict=True)
    ]


def _strip(layout: Layout, place: Place, join: Join) -> Mark:
    """The overlap beyond a join, grey: it goes underneath the neighbour."""
    window = layout.window_box(place)
    if join.upright:
        corners = _rectangle(join.start[0], window.bottom, window.right, window.top)
    else:
        corners = _rectangle(window.left, window.bottom, window.right, join.start[1])
    return Area(loops=(corners,), grey=_STRIP_GREY)


def _rectangle(left: float, bottom: float, right: float, top: float) -> tuple[Point, ...]:
    return ((left, bottom), (right, bottom), (right, top), (left, top))


def _join_marks(job: Job, place: Place, join: Join) -> tuple[Mark, ...]:
    """Crosses, letter and edge of one join as they stand on one of its two sheets."""
    over = place == join.over
    # Right and down are towards the upper sheet.
    side = 1.0 if over else -1.0
    return (
        *(m for at in join.crosses for m in cross(at, CROSS_ARM_MM, width_mm=_FINE_MM)),
        _edge(job.layout, place, join, over=over),
        *_tag(join, _tag_place(job, join, side), side),
        *_strip_words(job, join, over=over),
    )


def _edge(layout: Layout, place: Place, join: Join, *, over: bool) -> Mark:
    """The line to cut along, or the line to lay the cut edge to, through the whole window."""
    window = layout.window_box(place)
    if join.upright:
        ends = ((join.start[0], window.bottom), (join.start[0], window.top))
    else:
        ends = ((window.left, join.start[1]), (window.right, join.start[1]))
    if over:
        return Stroke(points=ends, width_mm=0.3, dash_mm=(3.0, 1.5))
    return Stroke(points=ends, width_mm=0.12)


def _tag_place(job: Job, join: Join, side: float) -> Point:
    """Where the letter stands: the same place along the join on both sheets, clear of lines."""

    def both(share: float) -> list[Point]:
        at = join.at(share * join.length_mm)
        return [_beside(join, at, s * _TAG_OFF_MM) for s in (1.0, -1.0)]

    share = _clearest([(s, both(s)) for s in _TAG_SHARES], job.obstacles, _TAG_RADIUS_MM + 1)
    return _beside(join, join.at(share * join.length_mm), side * _TAG_OFF_MM)


def _beside(join: Join, at: Point, off: float) -> Point:
    return (at[0] + off, at[1]) if join.upright else (at[0], at[1] - off)


def _clearest(
    candidates: Sequence[tuple[float, list[Point]]], obstacles: BaseGeometry, enough: float
) -> float:
    """The first candidate that is clear of all lines, or the one that is clearest."""
    from shapely import MultiPoint, distance

    room = [(float(distance(obstacles, MultiPoint(points))), key) for key, points in candidates]
    return next((key for clear, key in room if clear >= enough), max(room)[1])


def _tag(join: Join, at: Point, side: float) -> tuple[Mark, ...]:
    """A letter in a ring, with a short pointer to the join."""
    ring = np.linspace(0, 2 * math.pi, 48, endpoint=False)
    points = np.stack([np.cos(ring), np.sin(ring)], axis=-1) * _TAG_RADIUS_MM + at
    size = 6.0 if len(join.name) == 1 else 4.6
    pointer = tuple(_beside(join, at, -side * run) for run in (_TAG_RADIUS_MM, _TAG_OFF_MM))
    return (
        Stroke(points=tuple(_point(p) for p in points), width_mm=0.3, closed=True),
        Stroke(points=pointer, width_mm=0.3),
        Words(
            text=join.name,
            at=(at[0], at[1] - 0.365 * size),
            size_mm=size,
            bold=True,
            anchor="middle",
        ),
    )


def _strip_words(job: Job, join: Join, *, over: bool) -> tuple[Mark, ...]:
    """What happens to the overlap, in the overlap."""
    if over:
        there = join.under
        text = f"cut off along the dashes; lay over row {there.row}, column {there.column}"
    else:
        there = join.over
        text = f"glue strip: goes under row {there.row}, column {there.column}"
    off = (-1 if over else 1) * job.layout.overlap_mm / 4
    half = text_width_mm(Words(text=text, at=(0, 0), size_mm=_SMALL_MM)) / 2
    first = 16.0 + half

    def along(middle: float) -> list[Point]:
        runs = np.linspace(middle - half, middle + half, 8)
        return [_beside(join, join.at(float(run)), off) for run in runs]

    spots = first + np.array(_SPOTS) * max(0.0, join.length_mm - 2 * first)
    middle = _clearest([(float(s), along(float(s))) for s in spots], job.obstacles, 2.0)
    at = _beside(join, join.at(middle), off)
    down = 0.3 * _SMALL_MM
    where = (at[0] + down, at[1]) if join.upright else (at[0], at[1] - down)
    return (Words(text=text, at=where, size_mm=_SMALL_MM, anchor="middle", upwards=join.upright),)


def _check_line(line: CheckLine) -> tuple[Mark, ...]:
    return (
        Stroke(points=(line.start, line.stop), width_mm=0.12),
        *(m for at in (line.start, line.stop) for m in cross(at, 3.0, width_mm=0.12)),
    )


def _line_name(job: Job, place: Place, line: CheckLine) -> tuple[Mark, ...]:
    """What a check line is, along it, on each sheet that it crosses."""
    from shapely import LineString
    from shapely import box as rectangle

    core = rectangle(*job.layout.core_box(place))
    shown = LineString([line.start, line.stop]).intersection(core)
    texts = [
        f"check line {line.name}: straight over all joins, {job.check_words(line)}".replace(
            "\u00a0", " "
        ),
        f"check line {line.name}",
    ]
    sizes = [text_width_mm(Words(text=t, at=(0, 0), size_mm=_SMALL_MM)) + 8.0 for t in texts]
    fitting = [(t, size) for t, size in zip(texts, sizes, strict=True) if size < shown.length]
    if not fitting:
        return ()
    text, size = fitting[0]
    (x0, y0), (x1, y1) = shown.coords[0], shown.coords[-1]
    angle = math.atan2(y1 - y0, x1 - x0)

    def beside(run: float) -> Point:
        off = 1.8
        return (
            x0 + run * math.cos(angle) - off * math.sin(angle),
            y0 + run * math.sin(angle) + off * math.cos(angle),
        )

    def along(middle: float) -> list[Point]:
        return [beside(float(r)) for r in np.linspace(middle - size / 2, middle + size / 2, 16)]

    spots = size / 2 + np.array(_SPOTS) * (shown.length - size)
    middle = _clearest([(float(s), along(float(s))) for s in spots], job.solid, 1.5)
    at = beside(middle)
    down = 0.9
    where = (at[0] + down * math.sin(angle), at[1] - down * math.cos(angle))
    return (
        Words(
            text=text, at=where, size_mm=_SMALL_MM, anchor="middle", turn_deg=math.degrees(angle)
        ),
    )


def _forward(job: Job, place: Place) -> tuple[Mark, ...]:
    """Arrow to the bow and words along the edge of the sheet that is nearest to it."""
    if not job.forward_known:
        return ()
    core = job.layout.core_box(place)
    straight = abs(job.layout.turn_rad) < 1e-9
    text = "this edge forward" if straight else "this edge forward, as the arrow leans"
    length = text_width_mm(Words(text=text, at=(0, 0), size_mm=3.2)) + 9.0
    # Below the letter of a join, if there is one.
    y = core.top - (6.5 if job.layout.neighbour(place, -1, 0) is None else 18.0)
    free = core.right - core.left - length - 36.0
    starts = [core.left + 18.0 + share * free for share in _SPOTS]

    def row(start: float) -> list[Point]:
        return [(float(x), y) for x in np.linspace(start, start + length, 8)]

    left = _clearest([(start, row(start)) for start in starts], job.obstacles, 4.0)
    return (
        *arrow((left + 3.5, y + 0.8), 8.0, job.layout.turn_rad),
        Words(text=text, at=(left + 8.5, y), size_mm=3.2),
    )


def arrow(middle: Point, length_mm: float, turn_rad: float) -> tuple[Mark, ...]:
    """A solid arrow that points up the paper, turned anticlockwise; y up."""
    half, head, wing = length_mm / 2, 0.45 * length_mm, 0.2 * length_mm

    def at(x: float, y: float) -> Point:
        cos, sin = math.cos(turn_rad), math.sin(turn_rad)
        return middle[0] + x * cos - y * sin, middle[1] + x * sin + y * cos

    tip = (at(0, half), at(-wing, half - head), at(wing, half - head))
    return (
        Stroke(points=(at(0, -half), at(0, half - head + 0.1)), width_mm=0.09 * length_mm),
        Area(loops=(tip,)),
    )


def _point(values: Floats | Any) -> Point:
    return float(values[0]), float(values[1])
