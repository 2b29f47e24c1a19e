"""A measured pattern as one drawing in millimetres, whatever file it becomes.

The part lies with forward up the sheet.  Under it stands a block with a check
square (100 mm and 4 in, both axes, both diagonals) and the words that belong
to the sheet.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from spilemark import wording
from spilemark.curves import fit_polyline
from spilemark.records import (
    Floats,
    JobFacts,
    Label,
    Polyline,
    RegisteredPattern,
    ScaleStatement,
    Stroke,
    Template,
)
from spilemark.results import JobResult

CURVE_TOLERANCE_MM = 0.05
CHECK_MM = 100.0
CHECK_IN_MM = 4 * 25.4
_MARGIN_MM = 12.0
_GAP_MM = 9.0
_BLOCK_HEIGHT_MM = 122.0
_WORDS_WIDTH_MM = 116.0
_LEAST_WIDTH_MM = 118.0 + _WORDS_WIDTH_MM
_LINE_MM = 4.7
_FONT_MM = 3.3
_CHARACTERS = 62


def build_templates(result: JobResult) -> tuple[Template, ...]:
    """One template per measured pattern."""
    provenance = {
        "program": f"spilemark {result.versions.get('spilemark', '')}".strip(),
        **{
            f"photo {straight.photo.path.name}": straight.photo.sha256
            for group in result.photos.values()
            for straight in group
        },
    }
    return tuple(
        build_template(pattern, result.facts, result.survey.scale, provenance)
        for pattern in result.patterns.values()
    )


def build_template(
    pattern: RegisteredPattern,
    facts: JobFacts,
    scale: ScaleStatement,
    provenance: dict[str, str] | None = None,
    *,
    tolerance_mm: float = CURVE_TOLERANCE_MM,
) -> Template:
    """Draw one pattern.

    Parameters
    ----------
    pattern : RegisteredPattern
    facts : JobFacts
    scale : ScaleStatement
    provenance : dict of str to str, optional
        Kept in the file for later: program, photos by hash.
    tolerance_mm : float
        Largest distance of drawn curves from measured points.
    """
    outline = pattern.outline
    strokes = [_ring(outline.ring, [c.index for c in outline.corners], tolerance_mm)]
    strokes += [_ring(hole, [], tolerance_mm) for hole in outline.of_role("hole")]
    strokes += _unseen(outline.ring)
    strokes += [_open(line, "centreline") for line in outline.of_role("centreline")]
    strokes += [_open(line, "mark") for line in outline.of_role("mark")]
    points = outline.ring.points_mm
    low, high = points.min(axis=0), points.max(axis=0)
    width = max(float(high[0] - low[0]), _LEAST_WIDTH_MM)
    left = float((low[0] + high[0] - width) / 2)
    top_of_block = float(low[1]) - _GAP_MM
    block_strokes, labels = _block(pattern, facts, scale, left, top_of_block, tolerance_mm)
    part_strokes, part_labels = _on_the_part(pattern)
    labels += part_labels
    strokes += block_strokes + part_strokes
    name = str(pattern.side)
    bottom = top_of_block - _BLOCK_HEIGHT_MM
    return Template(
        name=name,
        title=_title(pattern, facts),
        left_mm=left - _MARGIN_MM,
        bottom_mm=bottom - _MARGIN_MM,
        width_mm=width + 2 * _MARGIN_MM,
        height_mm=float(high[1]) - bottom + 2 * _MARGIN_MM,
        strokes=tuple(strokes),
        labels=tuple(labels),
        curve_tolerance_mm=tolerance_mm,
        provenance=dict(provenance or {}),
        pattern=pattern,
    )


def _title(pattern: RegisteredPattern, facts: JobFacts) -> str:
    names = [facts.boat, facts.part, wording.SIDE_WORDS[pattern.side]]
    return ", ".join(n for n in names if n)


def _ring(line: Polyline, corners: Sequence[int], tolerance: float) -> Stroke:
    fitted = fit_polyline(line.points_mm, corners=corners, closed=True, tolerance_mm=tolerance)
    style = "outline" if line.role == "edge" else "hole"
    return Stroke(style=style, segments=fitted.segments, closed=True, name=line.name)  # type: ignore[arg-type]


def _open(line: Polyline, style: str) -> Stroke:
    points = line.points_mm
    if style == "centreline":
        points = _straight(points)
    segments = tuple(np.stack([a, b]) for a, b in itertools.pairwise(points))
    return Stroke(style=style, segments=segments, closed=False, name=line.name)  # type: ignore[arg-type]


def _straight(points: Floats) -> Floats:
    """A pencil line's straight mean, between its ends."""
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    reach = (points - middle) @ along
    order = (reach.min(), reach.max()) if reach[-1] >= reach[0] else (reach.max(), reach.min())
    return np.asarray(middle + np.outer(order, along))


def _unseen(ring: Polyline) -> list[Stroke]:
    """Stretches that were bridged, drawn again so that nobody takes them for measured."""
    if ring.seen.all():
        return []
    count = len(ring.points_mm)
    start = int(np.argmax(ring.seen)) if ring.seen.any() else 0
    strokes, run = [], []
    for k in range(start, start + count + 1):
        if not ring.seen[k % count]:
            run.append(k)
        elif run:
            around = np.arange(run[0] - 1, run[-1] + 2) % count
            points = ring.points_mm[around]
            pairs = itertools.pairwise(points)
            segments = tuple(np.stack([a, b]) for a, b in pairs)
            strokes.append(Stroke(style="guessed", segments=segments, closed=False))
            run = []
    return strokes


def _segment(a: tuple[float, float], b: tuple[float, float]) -> Floats:
    return np.array([a, b], dtype=np.float64)


def _line(style: str, name: str, *points: tuple[float, float]) -> Stroke:
    pairs = itertools.pairwise(points)
    segments = tuple(_segment(a, b) for a, b in pairs)
    return Stroke(style=style, segments=segments, closed=False, name=name)  # type: ignore[arg-type]


def _check_square(left: float, bottom: float) -> tuple[list[Stroke], list[Label]]:
    """Two bars at right angles in mm and inches, and both diagonals of the 100 mm square."""
    x, y, tick = left + 12.0, bottom + 12.0, 2.5
    full = CHECK_MM
    strokes = [
        _line("check", "bar-100mm-across", (x, y), (x + full, y)),
        _line("check", "bar-100mm-along", (x, y), (x, y + full)),
        _line("check", "square-side", (x, y + full), (x + full, y + full), (x + full, y)),
        _line("check", "diagonal-rising", (x, y), (x + full, y + full)),
        _line("check", "diagonal-falling", (x, y + full), (x + full, y)),
        _line("check", "bar-4in-across", (x, y - 6), (x + CHECK_IN_MM, y - 6)),
        _line("check", "bar-4in-along", (x - 6, y), (x - 6, y + CHECK_IN_MM)),
    ]
    strokes += [
        _line("check", "tick", (at, y - 6 - tick), (at, y - 6 + tick))
        for at in (x, x + CHECK_IN_MM)
    ]
    strokes += [
        _line("check", "tick", (x - 6 - tick, at), (x - 6 + tick, at))
        for at in (y, y + CHECK_IN_MM)
    ]
    diagonal = math.hypot(full, full)
    labels = [
        Label(text="100 mm", at_mm=(x + full / 2, y + 1.5), height_mm=3.4, anchor="middle"),
        Label(text="4 in", at_mm=(x + full / 2, y - 10.2), height_mm=3.4, anchor="middle"),
        Label(
            text="100 mm",
            at_mm=(x + 4.2, y + full / 2),
            height_mm=3.4,
            turn_deg=90,
            anchor="middle",
        ),
        Label(
            text="4 in", at_mm=(x - 7.4, y + full / 2), height_mm=3.4, turn_deg=90, anchor="middle"
        ),
        Label(
            text=f"both diagonals {diagonal:.1f} mm",
            at_mm=(x + full / 2, y + full - 5.5),
            height_mm=3.4,
            anchor="middle",
        ),
    ]
    return strokes, labels


def _block(
    pattern: RegisteredPattern,
    facts: JobFacts,
    scale: ScaleStatement,
    left: float,
    top: float,
    tolerance: float,
) -> tuple[list[Stroke], list[Label]]:
    """Check square on the left, words on the right."""
    strokes, labels = _check_square(left, top - _BLOCK_HEIGHT_MM + 2)
    x, y = left + 121.0, top - 10.0
    labels.append(Label(text=wording.SIDE_WORDS[pattern.side], at_mm=(x, y), height_mm=13.0))
    y -= 8.5
    for text, size in ((facts.boat, 5.5), (facts.part, 5.5)):
        if text:
            labels.append(Label(text=text, at_mm=(x, y), height_mm=size))
            y -= size + 2.0
    doubt = wording.doubt_of(pattern)
    paragraphs = [
        f"{wording.date_words(facts)}.  {_face(pattern)}  Forward is up this sheet.",
        wording.fixed_words(doubt.shape_mm, facts),
        f"About the line: ±{doubt.frame_mm:.2f} mm. {wording.photo_words(pattern)}",
        wording.scale_words(scale),
        wording.datum_words(pattern, facts),
        f"Drawn curves keep within {tolerance:g} mm of the measured points.",
        wording.CHECK_BARS,
        wording.STRUCTURE,
    ]
    if any(s.style == "guessed" for s in _unseen(pattern.outline.ring)):
        paragraphs.insert(2, "Crossed stretches of the outline were NOT SEEN but bridged.")
    for paragraph in paragraphs:
        for row in wording.wrapped(paragraph, _CHARACTERS):
            labels.append(Label(text=row, at_mm=(x, y), height_mm=_FONT_MM))
            y -= _LINE_MM
        y -= 1.1
    return strokes, labels


def _face(pattern: RegisteredPattern) -> str:
    down = pattern.face == "down"
    return "Photographed face down, drawn face up." if down else "Upper face as photographed."


def _widest_place(pattern: RegisteredPattern) -> tuple[float, float, float]:
    """Middle (x, y) and radius of the largest circle in the wood."""
    from shapely import Polygon, maximum_inscribed_circle

    holes = [h.points_mm for h in pattern.outline.of_role("hole")]
    wood = Polygon(pattern.outline.ring.points_mm, holes).buffer(0)
    circle = maximum_inscribed_circle(wood, tolerance=2.0)
    (x, y), edge = circle.coords[0], circle.coords[1]
    return float(x), float(y), math.dist((x, y), edge)


def _on_the_part(pattern: RegisteredPattern) -> tuple[list[Stroke], list[Label]]:
    """Arrow to the bow over side and face, in the widest place of the wood, as large as fits."""
    x, y, radius = _widest_place(pattern)
    word = wording.SIDE_WORDS[pattern.side]
    size = float(np.clip(1.25 * radius / (0.75 * len(word)), 3.0, 14.0))
    small = float(np.clip(0.42 * size, 2.5, 5.5))
    head, foot = y + 0.92 * radius, y + 0.25 * radius + 0.4 * size
    head = min(head, foot + 40.0)
    wing = 0.12 * (head - foot) + 0.8
    strokes = [
        _line("label", "forward", (x, foot), (x, head)),
        _line(
            "label", "forward", (x - wing, head - 2 * wing), (x, head), (x + wing, head - 2 * wing)
        ),
    ]
    labels = [
        Label(text="FWD", at_mm=(x + wing + 1.5, foot), height_mm=small),
        Label(text=word, at_mm=(x, foot - 1.3 * size), height_mm=size, anchor="middle"),
        Label(
            text="UP: this face",
            at_mm=(x, foot - 1.3 * size - 1.6 * small),
            height_mm=small,
            anchor="middle",
        ),
    ]
    return strokes, labels
