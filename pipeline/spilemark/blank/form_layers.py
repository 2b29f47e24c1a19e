"""The form as layers: its body, clamp holes and marks, the stack on it, and what comes off it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from spilemark.blank.curves import Curve, Floats
from spilemark.blank.knee import LaminatedKnee
from spilemark.blank.lamination import form_side
from spilemark.blank.marks import PartMarks, mark_layer
from spilemark.blank.room import Room, Row
from spilemark.blank.words import strip_words
from spilemark.layers import Layer, Lettering, Line, circle, word_box
from spilemark.shop.lengths import Show, show_degrees, show_doubt

DASHED = (5.0, 2.0)
DOTTED = (1.2, 1.6)
_TICK_MM = 8.0
_WORDS_MM = 4.0
_EDGE_MM = 2.0
_CLEAR_MM = 0.7
_BESIDE_MM = (3.0, -3.0, 5.0, -5.0, 8.0, -8.0, 12.0, -12.0)
_BACK_MM = (0.0, 8.0, 16.0, 24.0, 32.0, 40.0)
_PAST_END_MM = (3.0, 8.0, 14.0, 20.0, 30.0, 40.0, 60.0)
_TURN_DEG = 90.0


def form_layers(
    knee: LaminatedKnee,
    marks: PartMarks,
    units: Show = "mm",
    off: Sequence[Layer] = (),
    shun_mm: Floats | None = None,
) -> list[Layer]:
    """Body, clamp holes and marks of the form; all words within its body, off its lines.

    ``off`` are other layers of the drawing, whose lines and words are kept clear too;
    within ``shun_mm``, a ring, its title stands only where there is no room beside it.
    """
    from shapely import LineString, Point, Polygon

    form, found = knee.form, knee.lamination
    room = Room(Polygon(form.body_mm).buffer(-_EDGE_MM))
    room.take(*(Point(hole).buffer(0.5 * form.order.hole_mm) for hole in form.holes_mm))
    ticks = _ticks(knee)
    room.take(*(LineString(line.points_mm) for line in ticks))
    room.keep_off(off)
    names = tuple(_names(knee, room))
    # Between the clamp holes and the form's back.
    deep = 0.5 * (form.order.body_mm + form.order.hole_in_mm + 0.5 * form.order.hole_mm)
    middle = form.centre_mm - deep * form.centre_normal
    rows = (
        Row(text=f"FORM, {form.order.kind}", size_mm=7.0, bold=True),
        Row(text=strip_words(knee, units), size_mm=4.0),
        Row(text=f"bend {show_degrees(found.form_bend_deg, 2)}", size_mm=4.0),
    )
    across = math.degrees(math.atan2(-form.centre_normal[0], form.centre_normal[1]))
    across = (across + _TURN_DEG) % 180.0 - _TURN_DEG
    turns = (across, 0.0, 90.0, 45.0, -45.0)
    title = () if shun_mm is None else room.block_outside(Polygon(shun_mm), rows, middle, turns)
    title = title or room.block(rows, middle, turns)
    faces = mark_layer(marks, room, middle, name="form-face-marks")
    body = Layer(
        name="form",
        legend=f"FORM ({form.order.kind}), saw to this: the strips lie against its face",
        lines=(Line(form.body_mm, closed=True),),
        words=title,
        width_mm=0.6,
    )
    holes = Layer(
        name="clamp-holes",
        legend="clamp holes" if len(form.holes_mm) else "",
        lines=tuple(circle(hole, form.order.hole_mm) for hole in form.holes_mm),
        width_mm=0.35,
    )
    named = Layer(name="form-marks", legend="", lines=ticks, words=names, width_mm=0.3)
    return [body, holes, named, faces]


def form_lines_of(knee: LaminatedKnee) -> list[Layer]:
    """All lines of the form without a word, for others to keep off."""
    form = knee.form
    lines = (
        Line(form.body_mm, closed=True),
        *(circle(hole, form.order.hole_mm) for hole in form.holes_mm),
        *_ticks(knee),
    )
    return [Layer(name="form", legend="", lines=lines)]


def _into_body(knee: LaminatedKnee, place: Floats) -> Floats:
    """Unit vector into the body, square to the face at a place on it."""
    form = knee.form
    return form_side(form.order.kind) * _normal_at(form.face, place)


def _ticks(knee: LaminatedKnee) -> tuple[Line, ...]:
    """Toes, tangent points, the middle of the bend, and shorter ones for the clamps."""
    form = knee.form
    long = [*form.arms_at_mm, *form.tangents_mm, form.centre_mm]
    ticks = [(place, _TICK_MM) for place in long]
    ticks += [(place, 0.5 * _TICK_MM) for place in form.clamps_mm]
    # Into the body, where nothing else is drawn.
    return tuple(Line(np.array([p, p + length * _into_body(knee, p)])) for p, length in ticks)


def _names(knee: LaminatedKnee, room: Room) -> Iterator[Lettering]:
    """What the ticks mean, behind them or beside them, where there is room."""
    form = knee.form
    named: list[tuple[Floats, str]] = []
    places = [(form.centre_mm, "CENTRE")]
    places += [(p, "toe") for p in form.arms_at_mm]
    places += [(p, "bend begins") for p in form.tangents_mm]
    for place, name in places:
        near = next((k for k, n in enumerate(named) if np.linalg.norm(n[0] - place) < 12.0), None)
        if near is None:
            named.append((place, name))
        elif name not in named[near][1]:
            named[near] = (named[near][0], f"{named[near][1]}, {name}")
    for place, name in named:
        inward = _into_body(knee, place)
        choices = list(_beside(name, place, inward))
        # Without room there the tick's name stands outside of the stack.
        beyond = knee.lamination.strips.stack_mm + 2.0
        outside = _along(name, place - beyond * inward, -inward, 0.65 * _WORDS_MM)
        yield room.first(choices) or outside


def _beside(text: str, place: Floats, inward: Floats) -> Iterator[Lettering]:
    side = np.array([-inward[1], inward[0]])
    for size in (_WORDS_MM, 0.8 * _WORDS_MM, 0.65 * _WORDS_MM):
        yield _along(text, place + (_TICK_MM + 1.0) * inward, inward, size)
        for way in (side, -side):
            yield _along(text, place + (0.6 * _TICK_MM) * inward + 1.0 * way, way, size)


def stack_layer(knee: LaminatedKnee) -> Layer:
    """Far face of the stack while it is clamped, with its ends."""
    far = knee.lamination.form.moved_left(-_to_face(knee))
    return Layer(
        name="stack-on-form",
        legend="the stack as it is clamped to the form",
        lines=(Line(far.points_mm()),),
        width_mm=0.3,
    )


def released_layer(knee: LaminatedKnee) -> Layer:
    """The face that lay on the form, as wanted."""
    face = knee.lamination.wanted.moved_left(_to_face(knee))
    return Layer(
        name="released",
        legend="that face off the form, as it is wanted",
        lines=(Line(face.points_mm()),),
        width_mm=0.35,
        dash_mm=DASHED,
    )


def range_layer(knee: LaminatedKnee, units: Show = "mm") -> Layer:
    """Where that face may come to lie with one arm held in its place: as it is said, so drawn."""
    found = knee.lamination
    held_mm, toe_mm = found.swing_mm
    lines: list[Line] = []
    ends: list[tuple[str, Curve]] = []
    told = zip(
        found.springback.kept_range,
        found.toe_range_mm(),
        ("most: {} wide", "least: {} tight"),
        strict=True,
    )
    for kept, off, name in told:
        face = found.released_held(kept).moved_left(_to_face(knee))
        lines.append(Line(face.points_mm()))
        at = float(np.interp(toe_mm, found.wanted.s_mm, face.s_mm))
        place, theta = face.at(at), float(np.interp(at, face.s_mm, face.theta_rad))
        across = np.array([-math.sin(theta), math.cos(theta)])
        lines.append(Line(np.array([place - 2.0 * across, place + 2.0 * across])))
        ends.append((name.format(show_doubt(off, units)), face))
    last = toe_mm > held_mm
    drawn = [line.points_mm for line in lines]
    words: list[Lettering] = []
    for text, face in ends:
        words.append(_at_end(text, face, knee, drawn, last=last))
        drawn.append(word_box(words[-1]))
    wanted = found.wanted.moved_left(_to_face(knee))
    words.append(_at_end("arm held", wanted, knee, drawn, last=not last))
    return Layer(
        name="range",
        legend="range of the released face, one arm held: expect its other toe between most and least springback "
        "(95 of 100 by our judgement)",
        lines=tuple(lines),
        words=tuple(words),
        width_mm=0.25,
        dash_mm=DOTTED,
    )


def _to_face(knee: LaminatedKnee) -> float:
    """From the mid-line to the face that lies on the form, to the left."""
    return form_side(knee.order.form.kind) * knee.lamination.strips.stack_mm / 2.0


def _at_end(
    text: str, curve: Curve, knee: LaminatedKnee, off_mm: list[Floats], *, last: bool
) -> Lettering:
    """Words beside an end of a curve where there is room between the lines, else beyond it."""
    from shapely import MultiLineString, Polygon

    end = curve.points_mm()[-1 if last else 0]
    theta = float(curve.theta_rad[-1] if last else curve.theta_rad[0] + math.pi)
    ahead = np.array([math.cos(theta), math.sin(theta)])
    across = np.array([-ahead[1], ahead[0]])
    first = upright(text, end, math.degrees(theta), 3.0)
    length = float(np.ptp(word_box(first) @ ahead)) + 2.0 * _PAST_END_MM[0]
    # Beside it they cost no paper.
    beside = [end - (length + back) * ahead + by * across for back in _BACK_MM for by in _BESIDE_MM]
    past = [end + on * ahead + by * across for on in _PAST_END_MM for by in (0.0, 4.0, -4.0)]
    starts = beside + past
    choices = [upright(text, start, math.degrees(theta), 3.0) for start in starts]
    released = knee.lamination.wanted.moved_left(_to_face(knee)).points_mm()
    form_lines = [line for layer in form_lines_of(knee) for line in layer.lines]
    rings = [
        np.vstack([n.points_mm, n.points_mm[:1]]) if n.closed else n.points_mm for n in form_lines
    ]
    stack = stack_layer(knee).lines[0].points_mm
    drawn = MultiLineString([*rings, *off_mm, released, stack])
    clear = (w for w in choices if Polygon(word_box(w)).distance(drawn) > _CLEAR_MM)
    return next(clear, choices[len(beside)])


def _normal_at(curve: Curve, place: Floats) -> Floats:
    """Left of the heading at the station nearest to a place."""
    k = int(np.argmin(np.linalg.norm(curve.points_mm() - place, axis=1)))
    return np.asarray(curve.normals()[k])


def _along(text: str, at: Floats, way: Floats, size: float) -> Lettering:
    """Words that run away from a place along a direction, readable from below."""
    return upright(text, at, math.degrees(math.atan2(way[1], way[0])), size)


def upright(text: str, at: Floats, way_deg: float, size: float, *, bold: bool = False) -> Lettering:
    """Words that begin at a place and run on, or end there where they would stand on their heads."""
    way = (way_deg + 180.0) % 360.0 - 180.0
    over = not -90.0 < way <= 90.0
    ahead = np.array([math.cos(math.radians(way_deg)), math.sin(math.radians(way_deg))])
    turn = way + 180.0 if over else way
    up = np.array([-math.sin(math.radians(turn)), math.cos(math.radians(turn))])
    place = at + 1.5 * ahead - 0.36 * size * up
    return Lettering(
        text=text,
        at_mm=(float(place[0]), float(place[1])),
        size_mm=size,
        turn_deg=turn,
        anchor="end" if over else "start",
        bold=bold,
    )
