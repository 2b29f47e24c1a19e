"""A laminated knee at true size: form, blank, corner block, and all of it in one layout."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from spilemark import wording
from spilemark.blank.curves import Floats
from spilemark.blank.form_layers import (
    DASHED,
    form_layers,
    form_lines_of,
    range_layer,
    released_layer,
    stack_layer,
    upright,
)
from spilemark.blank.knee import LaminatedKnee
from spilemark.blank.marks import PartMarks, mark_layer
from spilemark.blank.room import Room, Row
from spilemark.blank.words import (
    LAMINATION_CAUTIONS,
    block_lines,
    brief_lines,
    form_lines,
    lamination_lines,
    scribe_line,
    warning_lines,
)
from spilemark.layers import Layer, LayeredDrawing, Line, arrow, inside_point
from spilemark.shop.lengths import Show, show_length

_WORDS_MM = 4.0
_NEAR_MM = 0.05
_CHAIN = (12.0, 2.5, 2.5, 2.5)
_UNMARKED = PartMarks()


def form_sheet(
    knee: LaminatedKnee, title: str, units: Show = "mm", marks: PartMarks = _UNMARKED
) -> LayeredDrawing:
    """Draw the form with its marks, the stack on it, and where the released throat may come to lie."""
    off_form = (stack_layer(knee), released_layer(knee), range_layer(knee, units))
    return LayeredDrawing(
        title=f"{title}, form",
        layers=(*form_layers(knee, marks, units, off=off_form), *off_form),
        warnings=tuple(warning_lines(knee.lamination.tightest, units)),
        brief=tuple(brief_lines(knee, units)),
        notes=(
            wording.CHECK_BARS,
            f"Saw the {knee.order.form.kind} form to the heavy line: it is bent further than the knee.",
            *form_lines(knee, units),
            *marks.lines(),
            *LAMINATION_CAUTIONS[1:],
            wording.STRUCTURE,
            wording.DUST,
        ),
    )


def blank_sheet(knee: LaminatedKnee, title: str, units: Show = "mm") -> LayeredDrawing:
    """Draw the released blank with its strips, and the knee in it."""
    layers = [_strip_layer(knee), _band_layer(knee, units)]
    warnings = warning_lines(knee.lamination.tightest, units)
    if knee.outline is not None:
        layers.insert(0, _part_layer(knee.outline.points_mm))
    return LayeredDrawing(
        title=f"{title}, lamination",
        layers=tuple(layers),
        warnings=tuple(warnings),
        notes=(
            wording.CHECK_BARS,
            *(line for line in lamination_lines(knee, units) if line not in warnings),
            *LAMINATION_CAUTIONS[1:3],
            wording.GLUE,
            wording.STRUCTURE,
            wording.DUST,
        ),
    )


def block_sheet(
    knee: LaminatedKnee, title: str, units: Show = "mm", marks: PartMarks = _UNMARKED
) -> LayeredDrawing | None:
    """Draw the corner block; None where there is none."""
    if knee.block is None:
        return None
    scribe = scribe_line(knee, units)
    return LayeredDrawing(
        title=f"{title}, corner block (deadwood)",
        layers=tuple(_block_layers(knee, marks)),
        warnings=(scribe,),
        brief=(scribe,),
        notes=(
            wording.CHECK_BARS,
            *(line for line in block_lines(knee, units) if line != scribe),
            *marks.lines(),
            wording.DUST,
        ),
    )


def layout_sheet(
    knee: LaminatedKnee,
    title: str,
    *,
    line_mm: Floats | None = None,
    lines: Sequence[Layer] = (),
    units: Show = "mm",
    marks: PartMarks = _UNMARKED,
) -> LayeredDrawing:
    """Draw knee, lamination, corner block, form and reference line over each other at full size.

    Parameters
    ----------
    knee : LaminatedKnee
    title : str
    line_mm : ndarray of float, shape (N, 2), optional
        Reference line, in the knee's frame.
    lines : sequence of Layer
        More lines of the part, such as its cutting line.
    units : {"mm", "in", "ft"}
    marks : PartMarks
    """
    layers: list[Layer] = []
    if knee.outline is not None:
        layers.append(_part_layer(knee.outline.points_mm))
    layers += [*lines, _band_layer(knee, units), _strip_layer(knee)]
    if knee.block is not None:
        # A female form lies over the block.
        layers += _block_layers(knee, None, off=form_lines_of(knee))
    shun = None if knee.block is None else knee.block.cut_mm
    layers += form_layers(knee, marks, units, off=layers, shun_mm=shun)
    if line_mm is not None:
        layers.append(
            Layer(
                name="reference-line",
                legend="reference line",
                lines=(Line(np.asarray(line_mm)),),
                width_mm=0.3,
                dash_mm=_CHAIN,
            )
        )
    return LayeredDrawing(
        title=f"{title}, layout",
        layers=tuple(layers),
        warnings=tuple(warning_lines(knee.lamination.tightest, units)),
        notes=(
            wording.CHECK_BARS,
            (
                "Each thing stands on a layer of its own (groups in the SVG, layers in the DXF). The form is bent "
                "further than the knee, laid on it at the middle of the bend."
            ),
            *form_lines(knee, units)[:3],
            *marks.lines(),
            wording.STRUCTURE,
        ),
    )


def _band_layer(knee: LaminatedKnee, units: Show) -> Layer:
    found = knee.lamination
    # Beyond an arm's end, where neither the form nor the block has words.
    start, theta = found.wanted.points_mm()[0], float(found.wanted.theta_rad[0])
    words = upright("LAMINATION", start, math.degrees(theta) + 180.0, 5.0, bold=True)
    return Layer(
        name="lamination",
        legend=f"LAMINATION off the form, {show_length(found.strips.stack_mm, units)} thick, its arms run past the toes",
        lines=(Line(knee.band_mm, closed=True),),
        words=(words,),
        width_mm=0.5,
    )


def _strip_layer(knee: LaminatedKnee) -> Layer:
    """Glue lines, so that strips are seen and counted."""
    found = knee.lamination
    half, depth = found.strips.stack_mm / 2.0, 0.0
    lines = []
    for thickness in found.strips.thicknesses_mm[:-1]:
        depth += thickness
        lines.append(Line(found.wanted.moved_left(half - depth).points_mm()))
    return Layer(
        name="glue-lines", legend="glue lines", lines=tuple(lines), width_mm=0.13, grey=0.4
    )


def _block_layers(
    knee: LaminatedKnee, marks: PartMarks | None, off: Sequence[Layer] = ()
) -> list[Layer]:
    """The block with its grain; with the marks of the part where they are given."""
    from shapely import LineString, Polygon

    block = knee.block
    assert block is not None
    middle = inside_point(block.net_mm)
    size = float(np.ptp(block.net_mm, axis=0).max())
    grain = arrow(middle, block.grain_deg, _within(block.net_mm, middle, block.grain_deg, size))
    turn = math.radians(block.grain_deg)
    up = np.array([-math.sin(turn), math.cos(turn)])
    room = Room(Polygon(block.net_mm).buffer(-1.5))
    room.take(*(LineString(line.points_mm) for line in grain))
    room.keep_off(off)
    # The corner is where the block is widest; beyond its outline there is room for what is too long.
    low, high = block.cut_mm.min(axis=0), block.cut_mm.max(axis=0)
    beside = np.array([0.5 * (low[0] + high[0]), high[1] + 12.0])
    turns = (block.grain_deg, 0.0, 90.0)
    title = room.block(
        [Row(text="CORNER BLOCK (deadwood)", size_mm=5.0, bold=True)],
        middle + 5.0 * up,
        turns,
        outside=beside,
    )
    words = room.block([Row(text="grain", size_mm=_WORDS_MM)], middle - 5.0 * up, turns)
    layers = [
        Layer(
            name="corner-block",
            legend="CORNER BLOCK (deadwood), saw to this, but for its face against the lamination",
            lines=(Line(block.cut_mm, closed=True),),
            words=title,
            width_mm=0.5,
        ),
        Layer(
            name="corner-block-net",
            legend="the block as it fills the corner",
            lines=(Line(block.net_mm, closed=True),),
            width_mm=0.25,
            dash_mm=DASHED,
        ),
        Layer(
            name="corner-block-scribe",
            legend="scribe this face to the released lamination before you saw it",
            lines=tuple(_against(knee)),
            width_mm=1.2,
            dash_mm=(2.5, 1.5),
        ),
        Layer(name="grain", legend="grain", lines=grain, words=words, width_mm=0.4),
    ]
    if marks is not None:
        above = beside + [0.0, 9.0]
        layers.append(
            mark_layer(marks, room, middle, outside=above, name="corner-block-face-marks")
        )
    return layers


def _within(ring: Floats, middle: Floats, way_deg: float, size: float) -> float:
    """Length of an arrow about a place that stays well within a ring."""
    from shapely import LineString, Point, Polygon

    way = np.array([math.cos(math.radians(way_deg)), math.sin(math.radians(way_deg))])
    line = LineString([middle - size * way, middle + size * way])
    rim = line.intersection(Polygon(ring).boundary)
    room = 1.7 * float(rim.distance(Point(middle)))
    return min(max(20.0, 0.35 * size), room)


def _against(knee: LaminatedKnee) -> list[Line]:
    """The stretch of the block's outline that lies against the lamination."""
    from shapely import LineString, Polygon, get_parts, line_merge

    assert knee.block is not None
    outside = LineString(knee.lamination.outside().points_mm())
    near = outside.intersection(Polygon(knee.block.cut_mm).buffer(_NEAR_MM))
    merged = line_merge(near) if near.geom_type == "MultiLineString" else near
    return [
        Line(np.asarray(part.coords))
        for part in get_parts(merged)
        if part.geom_type == "LineString" and part.length > _WORDS_MM
    ]


def _part_layer(ring: Floats) -> Layer:
    return Layer(
        name="knee",
        legend="the knee, its finished line",
        lines=(Line(np.asarray(ring), closed=True),),
        width_mm=0.5,
        dash_mm=(8.0, 1.5),
    )
