"""A laminated knee at true size: form, blank, corner block, and all of it in one layout."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from spilemark import wording
from spilemark.blank.curves import Curve, Floats
from spilemark.blank.knee import LaminatedKnee
from spilemark.blank.words import (
    LAMINATION_CAUTIONS,
    block_lines,
    form_lines,
    lamination_lines,
)
from spilemark.layers import Layer, LayeredDrawing, Lettering, Line, arrow, circle, inside_point
from spilemark.shop.lengths import Show, show_degrees

_TICK_MM = 8.0
_WORDS_MM = 4.0
_DASHED = (5.0, 2.0)
_DOTTED = (1.2, 1.6)
_CHAIN = (12.0, 2.5, 2.5, 2.5)


def form_sheet(knee: LaminatedKnee, title: str, units: Show = "mm") -> LayeredDrawing:
    """Draw the form with its marks, the stack on it, and where the released throat may come to lie."""
    return LayeredDrawing(
        title=f"{title}, form",
        layers=(
            *form_layers(knee),
            _stack_layer(knee),
            _released_layer(knee),
            _range_layer(knee),
        ),
        notes=(
            wording.CHECK_BARS,
            f"Saw the {knee.order.form.kind} form to the heavy line: it is bent further than the knee.",
            *form_lines(knee, units),
            *LAMINATION_CAUTIONS[1:],
            wording.STRUCTURE,
            wording.DUST,
        ),
    )


def blank_sheet(knee: LaminatedKnee, title: str, units: Show = "mm") -> LayeredDrawing:
    """Draw the released blank with its strips, and the knee in it."""
    layers = [_strip_layer(knee), _band_layer(knee)]
    if knee.outline is not None:
        layers.insert(0, _part_layer(knee.outline.points_mm))
    return LayeredDrawing(
        title=f"{title}, lamination",
        layers=tuple(layers),
        notes=(
            wording.CHECK_BARS,
            *lamination_lines(knee, units),
            *LAMINATION_CAUTIONS[1:3],
            wording.GLUE,
            wording.STRUCTURE,
            wording.DUST,
        ),
    )


def block_sheet(knee: LaminatedKnee, title: str, units: Show = "mm") -> LayeredDrawing | None:
    """Draw the corner block; None where there is none."""
    if knee.block is None:
        return None
    return LayeredDrawing(
        title=f"{title}, corner block (deadwood)",
        layers=tuple(_block_layers(knee)),
        notes=(wording.CHECK_BARS, *block_lines(knee, units), wording.DUST),
    )


def layout_sheet(
    knee: LaminatedKnee,
    title: str,
    *,
    line_mm: Floats | None = None,
    lines: Sequence[Layer] = (),
    units: Show = "mm",
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
    """
    layers: list[Layer] = []
    if knee.outline is not None:
        layers.append(_part_layer(knee.outline.points_mm))
    layers += [*lines, _band_layer(knee), _strip_layer(knee)]
    if knee.block is not None:
        layers += _block_layers(knee)
    layers += form_layers(knee)
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
        notes=(
            wording.CHECK_BARS,
            (
                "Each thing stands on a layer of its own (groups in the SVG, layers in the DXF). The form is bent "
                "further than the knee, laid on it at the middle of the bend."
            ),
            *form_lines(knee, units)[:3],
            wording.STRUCTURE,
        ),
    )


def form_layers(knee: LaminatedKnee) -> list[Layer]:
    """Body, clamp holes and marks of the form."""
    form, found = knee.form, knee.lamination
    marks, words = _form_marks(knee)
    # Between the clamp holes and the form's back.
    deep = 0.5 * (form.order.body_mm + form.order.hole_in_mm + 0.5 * form.order.hole_mm)
    middle = form.centre_mm - deep * form.centre_normal
    body = Layer(
        name="form",
        legend=f"FORM ({form.order.kind}), saw to this: the strips lie against its face",
        lines=(Line(form.body_mm, closed=True),),
        words=(
            _across(f"FORM, {form.order.kind}", middle, form.centre_normal, 7.0, bold=True),
            _across(
                f"{found.strips.count} strips, {found.strips.stack_mm:g} mm, bend {show_degrees(found.form_bend_deg, 2)}",
                middle - 6.5 * _upwards(form.centre_normal),
                form.centre_normal,
                4.0,
            ),
        ),
        width_mm=0.6,
    )
    holes = Layer(
        name="clamp-holes",
        legend="clamp holes",
        lines=tuple(circle(hole, form.order.hole_mm) for hole in form.holes_mm),
        width_mm=0.35,
    )
    return [
        body,
        holes,
        Layer(name="form-marks", legend="", lines=marks, words=words, width_mm=0.3),
    ]


def _form_marks(knee: LaminatedKnee) -> tuple[tuple[Line, ...], tuple[Lettering, ...]]:
    """Tangent points, the toes, the middle of the bend and the clamps, as ticks on the face."""
    form = knee.form
    lines, words = [], []
    places = [(p, "toe") for p in form.arms_at_mm]
    places += [(p, "bend begins") for p in form.tangents_mm]
    named: list[tuple[Floats, Floats, str]] = []
    for place, name in (*places, (form.centre_mm, "CENTRE")):
        normal = _normal_at(form.face, place) * (1.0 if form.order.kind == "male" else -1.0)
        # Into the body, where nothing else is drawn.
        lines.append(Line(np.array([place, place + _TICK_MM * normal])))
        near = next((k for k, n in enumerate(named) if np.linalg.norm(n[0] - place) < 12.0), None)
        if near is None:
            named.append((place, normal, name))
        elif name not in named[near][2]:
            named[near] = (*named[near][:2], f"{named[near][2]}, {name}")
    for place, normal, name in named:
        words.append(_along(name, place + (_TICK_MM + 1.0) * normal, normal, _WORDS_MM))
    for place in form.clamps_mm:
        normal = _normal_at(form.face, place) * (1.0 if form.order.kind == "male" else -1.0)
        lines.append(Line(np.array([place, place + 0.5 * _TICK_MM * normal])))
    return tuple(lines), tuple(words)


def _stack_layer(knee: LaminatedKnee) -> Layer:
    half = knee.lamination.strips.stack_mm / 2.0
    far = knee.lamination.form.moved_left(-half if knee.order.form.kind == "male" else half)
    return Layer(
        name="stack-on-form",
        legend="the stack as it is clamped to the form",
        lines=(Line(far.points_mm()),),
        width_mm=0.3,
    )


def _released_layer(knee: LaminatedKnee) -> Layer:
    """The face that lay on the form, as wanted."""
    half = knee.lamination.strips.stack_mm / 2.0
    face = knee.lamination.wanted.moved_left(half if knee.order.form.kind == "male" else -half)
    return Layer(
        name="released",
        legend="that face off the form, as it is wanted",
        lines=(Line(face.points_mm()),),
        width_mm=0.35,
        dash_mm=_DASHED,
    )


def _range_layer(knee: LaminatedKnee) -> Layer:
    half = knee.lamination.strips.stack_mm / 2.0
    lines, words = [], []
    names = ("most springback", "least springback")
    for kept, name in zip(knee.lamination.springback.kept_range, names, strict=True):
        curve = knee.lamination.released(kept)
        face = curve.moved_left(half if knee.order.form.kind == "male" else -half)
        lines.append(Line(face.points_mm()))
        end, way = face.points_mm()[-1], math.degrees(float(face.theta_rad[-1]))
        words.append(_upright(name, end, way, 3.0))
    return Layer(
        name="range",
        legend="range of the released face, 95 of 100: expect it between these",
        lines=tuple(lines),
        words=tuple(words),
        width_mm=0.25,
        dash_mm=_DOTTED,
    )


def _band_layer(knee: LaminatedKnee) -> Layer:
    found = knee.lamination
    outside = found.outside()
    middle = outside.at(float(np.interp(found.wanted.middle_mm(), found.wanted.s_mm, outside.s_mm)))
    normal = _normal_at(outside, middle)
    words = _across("LAMINATION", middle - 10.0 * normal, normal, 5.0, bold=True)
    return Layer(
        name="lamination",
        legend=f"LAMINATION off the form, {found.strips.stack_mm:g} mm thick, its arms run past the toes",
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


def _block_layers(knee: LaminatedKnee) -> list[Layer]:
    block = knee.block
    assert block is not None
    middle = inside_point(block.net_mm)
    size = float(np.ptp(block.net_mm, axis=0).max())
    grain = arrow(middle, block.grain_deg, max(20.0, 0.35 * size))
    turn = math.radians(block.grain_deg)
    up = np.array([-math.sin(turn), math.cos(turn)])
    return [
        Layer(
            name="corner-block",
            legend="CORNER BLOCK (deadwood), saw to this",
            lines=(Line(block.cut_mm, closed=True),),
            words=(
                Lettering(
                    text="CORNER BLOCK (deadwood)",
                    at_mm=_pair(middle + 4.0 * up),
                    size_mm=_fit("CORNER BLOCK (deadwood)", 0.6 * size, 5.0),
                    turn_deg=block.grain_deg,
                    bold=True,
                ),
            ),
            width_mm=0.5,
        ),
        Layer(
            name="corner-block-net",
            legend="the block as it fills the corner",
            lines=(Line(block.net_mm, closed=True),),
            width_mm=0.25,
            dash_mm=_DASHED,
        ),
        Layer(
            name="grain",
            legend="grain",
            lines=grain,
            words=(
                Lettering(
                    text="grain",
                    at_mm=_pair(middle - 6.0 * up),
                    size_mm=_WORDS_MM,
                    turn_deg=block.grain_deg,
                ),
            ),
            width_mm=0.4,
        ),
    ]


def _part_layer(ring: Floats) -> Layer:
    return Layer(
        name="knee",
        legend="the knee, its finished line",
        lines=(Line(np.asarray(ring), closed=True),),
        width_mm=0.5,
        dash_mm=(8.0, 1.5),
    )


def _normal_at(curve: Curve, place: Floats) -> Floats:
    """Left of the heading at the station nearest to a place."""
    k = int(np.argmin(np.linalg.norm(curve.points_mm() - place, axis=1)))
    return np.asarray(curve.normals()[k])


def _upwards(normal: Floats) -> Floats:
    """The same direction or its opposite, whichever points up the sheet."""
    return np.asarray(normal if normal[1] >= 0 else -normal)


def _across(text: str, at: Floats, normal: Floats, size: float, *, bold: bool = False) -> Lettering:
    """Words that run square to a normal, readable from below."""
    up = _upwards(normal)
    turn = math.degrees(math.atan2(-up[0], up[1]))
    return Lettering(text=text, at_mm=_pair(at), size_mm=size, turn_deg=turn, bold=bold)


def _along(text: str, at: Floats, way: Floats, size: float) -> Lettering:
    """Words that run away from a place along a direction, readable from below."""
    return _upright(text, at, math.degrees(math.atan2(way[1], way[0])), size)


def _upright(text: str, at: Floats, way_deg: float, size: float) -> Lettering:
    """Words that begin at a place and run on, or end there where they would stand on their heads."""
    way = (way_deg + 180.0) % 360.0 - 180.0
    over = not -90.0 < way <= 90.0
    ahead = np.array([math.cos(math.radians(way_deg)), math.sin(math.radians(way_deg))])
    turn = way + 180.0 if over else way
    up = np.array([-math.sin(math.radians(turn)), math.cos(math.radians(turn))])
    return Lettering(
        text=text,
        at_mm=_pair(at + 1.5 * ahead - 0.36 * size * up),
        size_mm=size,
        turn_deg=turn,
        anchor="end" if over else "start",
    )


def _fit(text: str, room: float, most: float) -> float:
    """Size of letters that take a room; a letter is about 0.65 of its size wide."""
    return float(np.clip(room / (0.65 * len(text)), 2.5, most))


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])
