"""A measured pattern as one drawing in millimetres, whatever file it becomes.

The part lies with forward up the sheet.  Below it stands a block with a check
square and the words that belong to the sheet.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spilemark import wording
from spilemark.circles import is_closed_mark
from spilemark.curves import FittedLine, fit_polyline, segments_to_polyline
from spilemark.fairing import faired
from spilemark.frames import outward_normals
from spilemark.records import (
    Bools,
    Floats,
    JobFacts,
    Label,
    Outline,
    Polyline,
    RegisteredPattern,
    ScaleStatement,
    Stroke,
    Template,
)
from spilemark.results import JobResult
from spilemark.shop_job import PartShop
from spilemark.template_block import LEAST_WIDTH_MM, sheet_block
from spilemark.template_part import letter_part, line_stroke
from spilemark.template_shop import (
    ShopDrawing,
    allowed_words,
    legend_words,
    shop_drawing,
    shop_legend,
)

CURVE_TOLERANCE_MM = 0.05
_SCATTERS = 2.5
"""Nearer than so many standard deviations of the points, a curve draws their noise."""
_FAIR_MM = 0.1
"""Curves of a noisy edge that was made fair are held to this."""
_DENSE_MM = 0.1
"""Spacing at which drawn and measured lines are held against each other."""
_MARGIN_MM = 14.0
_GAP_MM = 10.0
_TICK_MM = 7.0
_UNSEEN_WORDS_MM = 4.0
_UNSEEN_LEAST_MM = 6.0


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
        build_template(
            pattern,
            result.facts,
            result.survey.scale,
            provenance,
            shop=result.shop.parts.get(side),
        )
        for side, pattern in result.patterns.items()
    )


def build_template(
    pattern: RegisteredPattern,
    facts: JobFacts,
    scale: ScaleStatement,
    provenance: dict[str, str] | None = None,
    *,
    tolerance_mm: float = CURVE_TOLERANCE_MM,
    shop: PartShop | None = None,
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
        Largest distance of drawn curves from measured points.  Where the
        points' own random error is large, ``curve_tolerance`` widens it; the
        template states the one that holds.
    shop : PartShop, optional
        Bevels and allowances to draw as well.
    """
    outline = pattern.outline
    drawn = drawn_ring(outline, tolerance_mm)
    edge = drawn.segments
    rings = [Stroke(style="outline", segments=edge, closed=True, name=outline.ring.name)]
    rings += [_hole(hole, curve_tolerance(hole, tolerance_mm)) for hole in outline.of_role("hole")]
    loosest = [curve_tolerance(hole, tolerance_mm) for hole in outline.of_role("hole")]
    stated = max(drawn.deviation_mm, *loosest, tolerance_mm)
    unseen, unseen_words = _unseen(outline.ring)
    lines = [_centreline(line) for line in outline.of_role("centreline")]
    lines += [_mark(line, stated) for line in outline.of_role("mark")]
    lines += [t for line in outline.of_role("centreline") for t in _edge_ticks(line, outline.ring)]
    drawing = ShopDrawing() if shop is None else shop_drawing(shop, stated)
    on_part, part_words = letter_part(pattern, facts, drawing.lines)

    points = np.concatenate([outline.ring.points_mm, drawing.extent])
    low, high = points.min(axis=0), points.max(axis=0)
    width = max(float(high[0] - low[0]), LEAST_WIDTH_MM)
    left = float((low[0] + high[0] - width) / 2)
    top_of_block = float(low[1]) - _GAP_MM
    block = sheet_block(
        pattern,
        facts,
        scale,
        left_mm=left,
        top_mm=top_of_block,
        width_mm=width,
        curve_tolerance_mm=stated,
    )
    bottom = top_of_block - block.height_mm
    legend: tuple[tuple[Stroke, ...], tuple[Label, ...], float] = ((), (), 0.0)
    if shop is not None:
        legend = shop_legend(
            shop, drawing, facts.units, left_mm=left, top_mm=bottom - 2.0, width_mm=width
        )
        bottom -= legend[2] + 2.0
    return Template(
        name=str(pattern.side),
        title=", ".join(n for n in (facts.boat, facts.part, wording.SIDE_WORDS[pattern.side]) if n),
        left_mm=left - _MARGIN_MM,
        bottom_mm=bottom - _MARGIN_MM,
        width_mm=width + 2 * _MARGIN_MM,
        height_mm=float(high[1]) - bottom + 2 * _MARGIN_MM,
        strokes=(*rings, *unseen, *lines, *drawing.strokes, *on_part, *block.strokes, *legend[0]),
        labels=(*part_words, *unseen_words, *drawing.labels, *block.labels, *legend[1]),
        curve_tolerance_mm=stated,
        provenance=dict(provenance or {}),
        pattern=pattern,
        facts=facts,
        scale=scale,
        block_top_mm=top_of_block,
        legend=legend_words(drawing),
        allowed=() if shop is None else tuple(allowed_words(shop, facts.units)),
    )


def curve_tolerance(line: Polyline, asked_mm: float = CURVE_TOLERANCE_MM) -> float:
    """How far a drawn curve may leave a measured line, mm.

    The tolerance asked for, or 2.5 standard deviations of the points' random
    error where that is more: a curve held closer follows the noise, in many
    small pieces, and lies no nearer to the wood.
    """
    sigma = line.sigma_mm[line.seen] if line.seen.any() else line.sigma_mm
    return max(asked_mm, _SCATTERS * float(np.median(sigma)))


def _hole(line: Polyline, tolerance: float) -> Stroke:
    fitted = fit_polyline(line.points_mm, corners=[], closed=True, tolerance_mm=tolerance)
    return Stroke(style="hole", segments=fitted.segments, closed=True, name=line.name)


def drawn_ring(outline: Outline, tolerance_mm: float = CURVE_TOLERANCE_MM) -> FittedLine:
    """The outer edge as templates draw it, made fair, with its largest distance from what was measured."""
    ring = outline.ring
    corners = [corner.index for corner in outline.corners]
    fair = fair_ring(outline)
    drawn = fit_polyline(
        fair, corners=corners, closed=True, tolerance_mm=_fair_tolerance(ring, tolerance_mm)
    )
    return replace(drawn, deviation_mm=_apart(drawn, ring.points_mm))


def fair_ring(outline: Outline) -> Floats:
    """The ring's points (N, 2) as ``spilemark.fairing`` has them; what a hand drew stays."""
    ring = outline.ring
    corners = [corner.index for corner in outline.corners]
    moved = faired(ring.points_mm, ring.sigma_mm, corners, closed=True)
    return np.where(ring.by_hand[:, None], ring.points_mm, moved)


def _fair_tolerance(ring: Polyline, asked_mm: float) -> float:
    """How far curves may leave a line that was made fair, whose scatter is mostly gone."""
    sigma = ring.sigma_mm[ring.seen] if ring.seen.any() else ring.sigma_mm
    scatter = float(np.median(sigma))
    return max(asked_mm, min(_SCATTERS * scatter, max(_FAIR_MM, 0.5 * _SCATTERS * scatter)))


def _apart(drawn: FittedLine, points_mm: Floats) -> float:
    """Largest distance between a drawn closed line and measured points, either way."""
    from scipy.spatial import cKDTree

    dense = segments_to_polyline(drawn.segments, spacing_mm=_DENSE_MM)
    there = cKDTree(dense).query(points_mm)[0].max()
    closely = np.vstack([points_mm, points_mm[:1]])
    steps = np.linalg.norm(np.diff(closely, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    even = np.arange(0.0, along[-1], _DENSE_MM)
    measured = np.column_stack([np.interp(even, along, closely[:, k]) for k in (0, 1)])
    back = cKDTree(measured).query(dense)[0].max()
    # Between two samples it may be a little more.
    return float(np.hypot(max(there, back), 0.5 * _DENSE_MM))


def _mark(line: Polyline, tolerance: float) -> Stroke:
    """A mark as measured; one that is closed as the curve that it is."""
    if is_closed_mark(line):
        fitted = fit_polyline(line.points_mm[:-1], corners=[], closed=True, tolerance_mm=tolerance)
        return Stroke(style="mark", segments=fitted.segments, closed=True, name=line.name)
    segments = tuple(np.stack(pair) for pair in itertools.pairwise(line.points_mm))
    return Stroke(style="mark", segments=segments, closed=False, name=line.name)


def _centreline(line: Polyline) -> Stroke:
    """The pencil line's straight mean, between its ends."""
    ends = straight_ends(line.points_mm)
    return Stroke(style="centreline", segments=(ends,), closed=False, name=line.name)


def straight_ends(points_mm: Floats) -> Floats:
    """Ends (2, 2) of the straight line that fits an open line best, in its direction."""
    middle = points_mm.mean(axis=0)
    along = np.linalg.svd(points_mm - middle, full_matrices=False)[2][0]
    reach = (points_mm - middle) @ along
    order = (reach.min(), reach.max()) if reach[-1] >= reach[0] else (reach.max(), reach.min())
    return np.asarray(middle + np.outer(order, along))


def _edge_ticks(line: Polyline, ring: Polyline) -> list[Stroke]:
    """Short strokes across the edge where the line, drawn on, leaves the wood: to mark it there."""
    ends = straight_ends(line.points_mm)
    along = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
    a = ring.points_mm
    b = np.roll(a, -1, axis=0)
    left = np.array([-along[1], along[0]])
    side_a, side_b = (a - ends[0]) @ left, (b - ends[0]) @ left
    crossed = np.flatnonzero((side_a > 0) != (side_b > 0))
    share = side_a[crossed] / (side_a[crossed] - side_b[crossed])
    places = a[crossed] + share[:, None] * (b - a)[crossed]
    reach = (places - ends[0]) @ along
    length = float((ends[1] - ends[0]) @ along)
    nearest = [
        *places[reach < 0.5 * length][np.argsort(-reach[reach < 0.5 * length])][:1],
        *places[reach > 0.5 * length][np.argsort(reach[reach > 0.5 * length])][:1],
    ]
    return [
        line_stroke(
            "other", "line-at-edge", tuple(p - _TICK_MM * along), tuple(p + _TICK_MM * along)
        )
        for p in nearest
    ]


def _unseen(ring: Polyline) -> tuple[list[Stroke], list[Label]]:
    """Stretches that were bridged, drawn again so that nobody takes them for measured."""
    strokes, labels = [], []
    normals = outward_normals(ring.points_mm)
    for run in runs_of(~(ring.seen & np.roll(ring.seen, -1))):
        points = ring.points_mm[run]
        segments = tuple(np.stack(pair) for pair in itertools.pairwise(points))
        strokes.append(Stroke(style="guessed", segments=segments, closed=False))
        length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
        if length < _UNSEEN_LEAST_MM:
            continue
        at = run[len(run) // 2]
        place = ring.points_mm[at] + 2.0 * _UNSEEN_WORDS_MM * normals[at]
        labels.append(
            Label(
                text="not seen" if length > 10 * _UNSEEN_WORDS_MM else "?",
                at_mm=(float(place[0]), float(place[1]) - 0.36 * _UNSEEN_WORDS_MM),
                height_mm=_UNSEEN_WORDS_MM,
                anchor="middle",
                bold=True,
            )
        )
    return strokes, labels


def runs_of(flags: Bools) -> list[NDArray[np.intp]]:
    """Runs of flagged steps on a ring, as the points that they join, ends included."""
    count = len(flags)
    if flags.all():
        return [np.arange(count + 1) % count]
    start = int(np.argmin(flags))
    turned = np.roll(flags, -start).astype(int)
    bounds = np.flatnonzero(np.diff(np.concatenate([[0], turned, [0]])))
    return [
        (np.arange(low, high + 1) + start) % count
        for low, high in zip(bounds[::2], bounds[1::2], strict=True)
    ]
