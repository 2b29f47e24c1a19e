"""The first page of a tiled drawing: a map of the sheets, and how they go together."""

from __future__ import annotations

import math

from spilemark import wording
from spilemark.ink import Area, Mark, Point, Sheet, Stroke, Words, box, cross, moved, placed
from spilemark.records import JobFacts, ScaleBasis, Template
from spilemark.tiling import Box
from spilemark.units import format_fine
from spilemark_stages.write.tiled_band import band_marks, column, fitted, surround
from spilemark_stages.write.tiled_part import legible
from spilemark_stages.write.tiled_sheet import Job, arrow

_STEP_MM = 3.4
_SIZES_MM = (2.5, 2.25, 2.0)
_HEAD_MM = 22.0
_GAP_MM = 6.0
_HEADS_MM = (16.0, 7.0)
"""Room left of the map and above it for the names of rows and columns."""
_ARROW_MM = 18.0
_ROOMY_MM = 24.0
"""A sheet that is so large on the map has room for numbers and letters of full size."""
_LISTED = 4
_SAMPLE_MM = 30.0


def map_sheet(job: Job, template: Template) -> Sheet:
    """Lay out the map."""
    page = job.page
    width, height = page.window.width_mm, page.window.height_mm
    if page.lying:
        map_width, map_height = 0.54 * width, height - _HEAD_MM - 4.0
        beside: Point = (map_width + _GAP_MM, _HEAD_MM)
    else:
        map_width, map_height = width, (0.4 if template.legend else 0.5) * height
        beside = (0.0, _HEAD_MM + map_height + _GAP_MM)
    marks = (
        *_head(job, template),
        *moved(_map(job, map_width, map_height), 0, _HEAD_MM),
        *_text(job, template, beside, width - beside[0], height),
    )
    count = len(job.layout.places)
    return Sheet(
        title=f"{job.title}, map",
        width_mm=page.width_mm,
        height_mm=page.height_mm,
        marks=(
            *moved(marks, page.margin_mm, page.margin_mm),
            *band_marks(page, job.words, ("Map", f"{count} sheets", "not part of the job"), ()),
        ),
    )


def _head(job: Job, template: Template) -> tuple[Mark, ...]:
    side = wording.SIDE_WORDS[template.pattern.side]
    rest = job.title.removesuffix(side).rstrip(" ,")
    paper = job.page.paper.capitalize()
    way = "lying" if job.page.lying else "upright"
    width = job.page.window.width_mm
    count = f"{len(job.layout.places)} sheets, {paper} {way}"
    return (
        Words(text=side, at=(0, 10.5), size_mm=12.0, bold=True),
        Words(text=count, at=(width, 7.0), size_mm=5.6, bold=True, anchor="end"),
        Words(text="and this map", at=(width, 11.5), size_mm=3.2, anchor="end"),
        fitted(Words(text=rest, at=(0, 18.0), size_mm=5.0), width),
    )


def _map(job: Job, width: float, height: float) -> tuple[Mark, ...]:
    """All sheets as they will lie, with the part, the joins' letters and the check lines."""
    layout = job.layout
    boxes = {place: layout.core_box(place) for place in layout.places}
    around = surround(list(boxes.values()))
    left, top = _HEADS_MM
    scale = min(
        (width - left - _ARROW_MM) / (around.right - around.left),
        (height - top) / (around.top - around.bottom),
    )
    left += (width - left - _ARROW_MM - scale * (around.right - around.left)) / 2

    def at(point: Point) -> Point:
        return left + (point[0] - around.left) * scale, top + (around.top - point[1]) * scale

    rings = [(line.start, line.stop) for line in job.check_lines]
    marks: list[Mark] = [Area(loops=(tuple(at(p) for p in _thinned(job.outline)),), grey=0.82)]
    marks += [_outline(b, at, width_mm=0.4) for b in boxes.values()]
    marks.append(Stroke(points=tuple(at(p) for p in job.outline), width_mm=0.3, closed=True))
    marks += [Stroke(points=(at(a), at(b)), width_mm=0.15, dash_mm=(2.5, 1.0)) for a, b in rings]
    # Many sheets stand small on the map, and so do their numbers and letters.
    size = min(1.0, scale * min(layout.pitch_mm) / _ROOMY_MM)
    for number, b in enumerate(boxes.values(), 1):
        marks.append(_number(number, b, at, size))
    marks += _heads(job, at)
    for join in job.joins:
        marks += _letter(join.name, at(join.tag), size)
    for line in job.check_lines if size > 0.6 else ():
        marks += _line_end(line.name, at(line.start), at(line.stop))
    x = at((around.right, around.top))[0] + 0.6 * _ARROW_MM
    pointer = arrow((0.0, 0.0), 18.0, layout.turn_rad)
    marks += placed(pointer, lambda p: (x + p[0], top + 16.0 - p[1]))
    marks.append(Words(text="FORWARD", at=(x, top + 30.0), size_mm=3.2, bold=True, anchor="middle"))
    return tuple(marks)


def _thinned(points: tuple[Point, ...]) -> tuple[Point, ...]:
    return points[:: max(1, len(points) // 800)]


def _outline(b: Box, at: object, *, width_mm: float) -> Mark:
    assert callable(at)
    corners = box(b.left, b.bottom, b.right - b.left, b.top - b.bottom)
    return Stroke(points=tuple(at(c) for c in corners), width_mm=width_mm, closed=True)


def _number(number: int, b: Box, at: object, size: float) -> Mark:
    assert callable(at)
    x, y = at(((b.left + b.right) / 2, (b.bottom + b.top) / 2))
    letters = 6.5 * size
    return Words(
        text=str(number), at=(x, y + 0.365 * letters), size_mm=letters, bold=True, anchor="middle"
    )


def _heads(job: Job, at: object) -> tuple[Mark, ...]:
    """Names of rows, left of their first sheet, and of columns, above their first sheet."""
    assert callable(at)
    layout = job.layout
    marks = []
    for row in sorted({place.row for place in layout.places}):
        b = layout.core_box(min(p for p in layout.places if p.row == row))
        x, y = at((b.left, (b.bottom + b.top) / 2))
        marks.append(Words(text=f"Row {row}", at=(x - 1.5, y + 1.0), size_mm=3.0, anchor="end"))
    for number in sorted({place.column for place in layout.places}):
        b = layout.core_box(min(p for p in layout.places if p.column == number))
        x, y = at(((b.left + b.right) / 2, b.top))
        room = at((b.right, 0))[0] - at((b.left, 0))[0]
        text = f"Column {number}" if room > 20 else str(number)
        marks.append(Words(text=text, at=(x, y - 1.5), size_mm=3.0, anchor="middle"))
    return tuple(marks)


def _letter(name: str, at: Point, size: float = 1.0) -> tuple[Mark, ...]:
    x, y = at
    letters = size * (3.6 if len(name) == 1 else 2.6)
    half = 2.6 * size
    disc = box(x - half, y - half, 2 * half, 2 * half)
    return (
        Area(loops=(disc,), grey=1.0),
        Stroke(points=disc, width_mm=0.25 * size, closed=True),
        Words(text=name, at=(x, y + 0.365 * letters), size_mm=letters, bold=True, anchor="middle"),
    )


def _line_end(name: str, start: Point, stop: Point) -> tuple[Mark, ...]:
    length = math.dist(start, stop)
    share = min(0.3, 5.0 / length)
    x, y = (a + share * (b - a) for a, b in zip(start, stop, strict=True))
    return (
        *(m for end in (start, stop) for m in cross(end, 1.2, width_mm=0.2)),
        Words(text=f"line {name}", at=(x + 1.5, y + 0.9), size_mm=2.6),
    )


def _text(job: Job, template: Template, at: Point, width: float, bottom: float) -> tuple[Mark, ...]:
    """Steps in order, a picture of a join, which line is which, then what is known of the part."""
    x, y = at
    figure_width = 50.0
    marks: list[Mark] = list(moved(_join_figure(), x + width - figure_width, y - 2.0))
    beside = y + 34.0
    for number, step in enumerate(_steps(job), start=1):
        room = width - figure_width - 4.0 if y < beside else width
        lines = column(step, (x + 6.0, y), room - 6.0, size_mm=_STEP_MM)
        marks.append(Words(text=f"{number}", at=(x, y), size_mm=1.15 * _STEP_MM, bold=True))
        marks += lines
        y = lines[-1].at[1] + 1.95 * _STEP_MM
    y = max(y, beside)
    for style, text in template.legend:
        marks += _legend_row(job, style, text, (x, y), width)
        y += 1.7 * _STEP_MM
    marks += _paragraphs((*template.allowed, *_known(template)), (x, y), width, bottom)
    return tuple(marks)


def _paragraphs(texts: tuple[str, ...], at: Point, width: float, bottom: float) -> tuple[Mark, ...]:
    """Paragraphs below each other, in smaller letters where they would not end in time."""
    x, top = at
    marks: list[Words] = []
    for size in _SIZES_MM:
        marks, y = [], top
        for text in texts:
            lines = column(text, (x, y), width, size_mm=size)
            marks += lines
            y = lines[-1].at[1] + 1.6 * size
        if marks[-1].at[1] <= bottom:
            return tuple(marks)
    return tuple(mark for mark in marks if mark.at[1] <= bottom)


def _legend_row(job: Job, style: str, text: str, at: Point, width: float) -> tuple[Mark, ...]:
    """A piece of a line as it is drawn on the sheets, and what it is."""
    x, y = at
    pen = job.pens[style]
    ends = ((x, y - 0.35 * _STEP_MM), (x + _SAMPLE_MM, y - 0.35 * _STEP_MM))
    told = Words(text=text, at=(x + _SAMPLE_MM + 3.0, y), size_mm=_STEP_MM, bold=style == "cutting")
    return (
        Stroke(points=ends, width_mm=pen.width_mm, dash_mm=pen.dash_mm, grey=pen.grey),
        fitted(told, width - _SAMPLE_MM - 3.0),
    )


def _steps(job: Job) -> tuple[str, ...]:
    lengths = [f"{line.name}: {job.check_words(line)}" for line in job.check_lines]
    told = "; ".join(lengths) if len(lengths) <= _LISTED else "each carries its length"
    return (
        "Print at 100\u00a0% (“actual size”), never “fit to page”. Measure the bars on every sheet.",
        "Lay the sheets in the order of their numbers. Cut along the dashes, on the left and above.",
        "Lay the cut edge over the grey strip: letter to letter, every cross whole.",
        f"Check lines run straight over all joins. Cross to cross, {told}.",
        "Tape it. Trace from the ply pattern itself where you can: it is truer than taped paper.",
    )


def _known(template: Template) -> tuple[str, ...]:
    facts = template.facts or JobFacts()
    pattern = template.pattern
    within = format_fine(template.curve_tolerance_mm, facts.units)
    nominal = template.scale is not None and template.scale.basis is ScaleBasis.NOMINAL
    lines = [
        # A figure would claim a size.
        *(() if nominal else (wording.line_words(pattern, facts),)),
        wording.photo_words(pattern),
        wording.datum_words(pattern, facts),
        f"Drawn curves keep within {within} of the measured points.",
    ]
    return (
        *((wording.NO_SIZE,) if nominal else ()),
        wording.CHECK_BARS,
        legible(" ".join(lines)),
        wording.HULL,
        wording.STRUCTURE,
    )


def _join_figure() -> tuple[Mark, ...]:
    """Two sheets at their join: the left one keeps a grey strip, the right one lies on it."""
    top, height, seam = 2.0, 25.0, 25.0
    left = box(1.0, top, 28.0, height)
    right = box(seam, top + 2.5, 24.0, height)
    crosses = [m for y in (9.0, 24.0) for m in cross((seam, y), 3.0, width_mm=0.35)]
    marks: list[Mark] = [
        Area(loops=(left,), grey=1.0),
        Stroke(points=left, width_mm=0.25, closed=True),
        Area(loops=(box(seam, top + 0.2, 3.9, height - 0.4),), grey=0.8),
        Area(loops=(right,), grey=1.0),
        Stroke(points=right, width_mm=0.25, closed=True),
        Stroke(points=((seam, top + 2.5), (seam, top + 2.5 + height)), width_mm=0.5),
        *crosses,
        Stroke(points=((6.0, 24.0), (16.0, 20.5), (34.0, 11.5), (46.0, 9.0)), width_mm=0.4),
    ]
    for x in (seam - 6.0, seam + 6.0):
        marks += _letter("A", (x, 16.5))
    marks += [
        Words(text="underneath", at=(12.0, 31.5), size_mm=2.6, anchor="middle"),
        Words(text="cut, on top", at=(37.0, 33.0), size_mm=2.6, anchor="middle"),
    ]
    return tuple(marks)
