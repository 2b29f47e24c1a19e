"""How a part lies in the wood: in words, as a drawing at true size, and as plain data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from spilemark import wording
from spilemark.blank.board import Laid
from spilemark.blank.boards import Board
from spilemark.blank.curves import Floats
from spilemark.blank.fit import Placement
from spilemark.blank.marks import PartMarks, mark_layer
from spilemark.blank.nest import NestedPair
from spilemark.blank.room import Room
from spilemark.blank.shapes import Pose
from spilemark.frames import signed_area
from spilemark.layers import Layer, LayeredDrawing, Lettering, Line, arrow, inside_point
from spilemark.shop.lengths import Show, show_degrees, show_length
from spilemark.units import INCH_MM

SHORT_GRAIN = "Look at the wood itself: grain that runs out, knots and short grain at the toes are not seen here."
MIRRORED = (
    "THE SECOND IS THE FIRST ONE'S MIRROR IMAGE, not the other side's own pattern: no hull is quite alike on "
    "both sides. Compare them first, and lay the larger."
)
UNMINDED = (
    "GRAIN WAS NOT MINDED: it may run any way across the part, and short grain breaks. Tell the greatest angle "
    "that grain may be off, such as 20 degrees."
)
SPARE = "The numbers within the line tell how much wood there is beyond it."
_GRAIN_WORDS = {
    "told": "as told",
    "toe to toe": "toe to toe of its throat",
    "long way": "the way it is longest, since it has no throat",
}
_NUMBERS = 12
_NUMBERS_IN_MM = (13.0, 10.0, 16.0, 20.0, 25.0)
_ASIDE = (0.0, 30.0, -30.0, 60.0, -60.0, 80.0, -80.0)
"""A number stands so far inward of its place, straight or aside, wherever it first finds room."""
_LETTER_MM = 4.0
_OTHER_SIDE = {"PORT": "STARBOARD", "STARBOARD": "PORT"}
_UNMARKED = PartMarks(forward=False)


def board_lines(laid: Laid, units: Show = "mm") -> list[str]:
    """Say whether it fits, how it has to lie, how much is spare, or what to buy."""
    if laid.pair is not None:
        lines = _pair_lines(laid, laid.pair, units)
    elif laid.placement is not None:
        lines = _placed_lines(laid, laid.placement, units)
    else:
        lines = []
    if laid.fits is not True:
        lines.append(_buy(laid, units))
    lines[1:1] = board_dangers(laid)
    if laid.order.grain_within_deg < 90.0:
        lines.append(
            f"Grain of the wood kept within {show_degrees(laid.order.grain_within_deg, 0)} of the "
            f"part's ({_GRAIN_WORDS[laid.grain.basis]})."
        )
    return [*lines, SHORT_GRAIN]


def board_dangers(laid: Laid) -> list[str]:
    """What must stand beside the finding: wood that would break, or a part of the wrong shape."""
    return [
        *([UNMINDED] if laid.order.grain_within_deg >= 90.0 else []),
        *([MIRRORED] if laid.pair is not None else []),
    ]


def board_sheet(
    laid: Laid, title: str, units: Show = "mm", marks: PartMarks = _UNMARKED
) -> LayeredDrawing | None:
    """Draw the part in its wood at true size; None where there is no wood to draw."""
    if laid.pair is not None:
        layers = _pair_layers(laid, laid.pair)
        layers += _pair_marks(laid.pair, marks, layers)
    elif laid.placement is not None:
        layers = _placed_layers(laid, laid.placement, units)
        found = laid.placement
        layers.append(_marks(found.part_mm, found.pose, marks, layers, over=found.pose.flipped))
    else:
        return None
    return LayeredDrawing(
        title=f"{title}, in the wood",
        layers=tuple(layers),
        notes=(
            wording.CHECK_BARS,
            *board_lines(laid, units),
            *((SPARE,) if laid.pair is None else ()),
            *marks.lines(),
            wording.STRUCTURE,
            wording.DUST,
        ),
    )


def board_table(laid: Laid, lines: list[str]) -> dict[str, Any]:
    """The same as plain data, mm and degrees."""
    placement, pair = laid.placement, laid.pair
    return {
        "fits": laid.fits,
        "grain_deg": laid.grain.degrees,
        "grain_basis": laid.grain.basis,
        "placement": None
        if placement is None
        else {
            "turn_deg": placement.turn_deg,
            "flipped": placement.pose.flipped,
            "shift_mm": [*placement.pose.shift_mm],
            "margin_mm": placement.margin_mm,
            "wanted_mm": placement.need_mm,
            "short": [
                {"from_mm": s.from_mm, "to_mm": s.to_mm, "by_mm": s.by_mm, "at_mm": [*s.at_mm]}
                for s in placement.short
            ],
            "part_mm": _points(placement.part_mm),
            "spare_mm": [round(float(v), 3) for v in placement.spare_mm],
        },
        "pair": None
        if pair is None
        else {
            "length_mm": pair.length_mm,
            "width_mm": pair.width_mm,
            "between_mm": pair.between_mm,
            "rings_mm": [_points(ring) for ring in pair.rings_mm],
        },
        "narrowest_board_mm": [laid.boards.narrowest.length_mm, laid.boards.narrowest.width_mm],
        "least_board_mm": [laid.boards.least_wood.length_mm, laid.boards.least_wood.width_mm],
        "words": [*lines],
    }


def _placed_lines(laid: Laid, found: Placement, units: Show) -> list[str]:
    over = ", turned over" if found.pose.flipped else ""
    lay = f"turned by {show_degrees(found.turn_deg)}{over}"
    if found.fits:
        lines = [
            (
                f"IT FITS, {lay}: {show_length(found.margin_mm, units)} of wood to spare at the tightest place, "
                f"{show_length(found.need_mm, units)} were asked."
            )
        ]
    else:
        lines = [
            (
                f"IT DOES NOT FIT: at best, {lay}, it wants {_up(found.short_mm, units, 1)} more wood"
                f"{'' if found.margin_mm >= 0 else ' than there is'}."
            )
        ]
        lines += [
            f"Short by up to {_up(s.by_mm, units, 1)} near {_place(s.at_mm, units)} on the wood, "
            f"over {show_length(_run(laid, s.from_mm, s.to_mm), units, 0)} of its outline."
            for s in found.short[:4]
        ]
    if found.off_guide_mm > 1e-3:
        lines.append(
            f"Its throat cannot lie on the wood's own curve: {show_length(found.off_guide_mm, units)} beyond the "
            f"{show_length(laid.order.follow_within_mm, units)} that were allowed."
        )
    spare = np.asarray(found.spare_mm)
    lines.append(
        f"Wood beyond its line: {show_length(float(spare.min()), units)} at least, "
        f"{show_length(float(np.median(spare)), units)} over half of it."
    )
    return lines


def _place(at_mm: tuple[float, float], units: Show) -> str:
    """A place on the wood, across and up from its own corner."""
    if units == "mm":
        return f"({at_mm[0]:.0f}, {at_mm[1]:.0f}) mm"
    return f"({show_length(at_mm[0], units)}, {show_length(at_mm[1], units)})"


def _run(laid: Laid, start: float, stop: float) -> float:
    steps = np.linalg.norm(np.roll(laid.part_mm, -1, axis=0) - laid.part_mm, axis=1)
    return (stop - start) % float(steps.sum()) or float(steps.sum())


def _pair_lines(laid: Laid, found: NestedPair, units: Show) -> list[str]:
    size = f"{_up(found.length_mm, units)} of length and {_up(found.width_mm, units)} of width"
    gap = f"{show_length(found.between_mm, units)} between the two, {show_length(found.around_mm, units)} around"
    if laid.fits is None:
        return [f"The pair takes {size}, {gap}."]
    if found.fits:
        return [f"THE PAIR FITS: it takes {size}, {gap}."]
    long, wide = found.short_mm
    return [
        (
            f"THE PAIR DOES NOT FIT: it takes {size}, {gap}; the board lacks {_up(long, units)} of length and "
            f"{_up(wide, units)} of width."
        )
    ]


def _buy(laid: Laid, units: Show) -> str:
    def say(board: Board) -> str:
        return f"{_up(board.length_mm, units)} by {_up(board.width_mm, units)}"

    boards, saw = laid.boards, show_length(laid.order.saw_mm, units)
    words = f"Smallest board for one part, with {saw} all round: {say(boards.narrowest)}"
    if abs(boards.least_wood.width_mm - boards.narrowest.width_mm) > 1.0:
        words += f" (narrowest), or {say(boards.least_wood)} (least wood)"
    return f"{words}."


def _up(mm: float, units: Show, digits: int = 0) -> str:
    """Rounded up, to a whole millimetre or a sixteenth: what is bought or lacking is not told too small."""
    step = {"mm": 10.0**-digits, "in": INCH_MM / 16, "ft": INCH_MM / 8}[units]
    return show_length(math.ceil(mm / step - 1e-6) * step, units, digits)


def _placed_layers(laid: Laid, found: Placement, units: Show) -> list[Layer]:
    blank = laid.order.blank
    assert blank is not None
    ring = np.asarray(blank.outline_mm, np.float64).reshape(-1, 2)
    middle = inside_point(found.part_mm)
    layers = [
        Layer(name="blank", legend="the wood", lines=(Line(ring, closed=True),), width_mm=0.6),
        Layer(
            name="part",
            legend=f"the part{', turned over' if found.pose.flipped else ''}: what has to come out",
            lines=(Line(found.part_mm, closed=True),),
            words=_spare_words(found, units),
            width_mm=0.4,
            dash_mm=(8.0, 1.5),
        ),
    ]
    if blank.defects_mm:
        layers.append(
            Layer(
                name="defects",
                legend="defects kept clear of",
                lines=tuple(
                    Line(np.asarray(d, np.float64).reshape(-1, 2), closed=True)
                    for d in blank.defects_mm
                ),
                width_mm=0.3,
                grey=0.4,
            )
        )
    size = float(np.ptp(ring, axis=0).min())
    layers.append(
        Layer(
            name="grain",
            legend="grain of the wood",
            lines=arrow(middle, blank.grain_deg, max(30.0, 0.4 * size)),
            width_mm=0.4,
        )
    )
    if found.short:
        layers.append(
            Layer(
                name="short",
                legend="SHORT of wood here",
                lines=tuple(_stretch(found.part_mm, s.from_mm, s.to_mm) for s in found.short),
                width_mm=1.4,
            )
        )
    return layers


def _marks(
    ring: Floats,
    pose: Pose,
    marks: PartMarks,
    drawn: Sequence[Layer],
    *,
    over: bool = False,
    name: str = "face-marks",
) -> Layer:
    """Side, face and forward of a part where it lies in the wood."""
    from shapely import Polygon

    room = Room(Polygon(ring).buffer(0.0).buffer(-2.0))
    room.keep_off(drawn)
    return mark_layer(
        marks,
        room,
        inside_point(ring),
        forward_deg=90.0 + math.degrees(pose.turn_rad),
        over=over,
        name=name,
    )


def _pair_marks(found: NestedPair, marks: PartMarks, drawn: Sequence[Layer]) -> list[Layer]:
    """Of the part and of the other side's, which is its mirror image and lies face up as well."""
    sides = (marks.side, _OTHER_SIDE.get(marks.side, ""))
    return [
        _marks(ring, pose, replace(marks, side=side), drawn, name=f"face-marks-{k}")
        for k, (ring, pose, side) in enumerate(
            zip(found.rings_mm, found.poses, sides, strict=True), start=1
        )
    ]


def _stretch(ring: Floats, start: float, stop: float) -> Line:
    """Points of a ring between two lengths along it, past its first point where need be."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    whole = float(along[-1])
    if stop <= start:
        stop += whole
    stations = np.linspace(start, stop, max(2, int(stop - start) + 1)) % whole
    return Line(np.column_stack([np.interp(stations, along, axis) for axis in closed.T]))


def _spare_words(found: Placement, units: Show) -> tuple[Lettering, ...]:
    """How much wood there is beyond the line, at places round the part."""
    from shapely import Polygon

    ring = found.part_mm
    steps = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps[:-1])])
    places = {int(np.argmin(found.spare_mm))}
    for share in np.linspace(0.0, 1.0, _NUMBERS, endpoint=False):
        places.add(int(np.argmin(np.abs(along - share * float(steps.sum())))))
    way = 1.0 if signed_area(ring) > 0 else -1.0
    room = Room(Polygon(ring).buffer(0.0).buffer(-1.5))
    words = []
    # The least of all comes first to a place.
    for k in sorted(places, key=lambda k: float(found.spare_mm[k])):
        ahead = ring[(k + 1) % len(ring)] - ring[k - 1]
        inward = way * np.array([-ahead[1], ahead[0]]) / max(float(np.hypot(*ahead)), 1e-9)
        text = show_length(float(found.spare_mm[k]), units)
        choices = [
            Lettering(text=text, at_mm=(float(x), float(y) - 1.5), size_mm=_LETTER_MM)
            for x, y in (
                ring[k] + off * Pose(math.radians(by), (0.0, 0.0)).apply(inward)
                for by in _ASIDE
                for off in _NUMBERS_IN_MM
            )
        ]
        # In a part too narrow for words they stand across its line all the same.
        words.append(room.first(choices) or choices[0])
    return tuple(words)


def _pair_layers(laid: Laid, found: NestedPair) -> list[Layer]:
    long, wide = laid.order.size_mm or (found.length_mm, found.width_mm)
    board = np.array([[0.0, 0.0], [long, 0.0], [long, wide], [0.0, wide]])
    own, other = ("STARBOARD", "PORT") if laid.side == "starboard" else ("PORT", "STARBOARD")
    names = (own, other) if laid.side != "single" else ("AS DRAWN", "MIRRORED")
    # Which side each is for is among its marks; here stands what the second one is.
    words = ("", f"{own}'S MIRROR IMAGE") if laid.side != "single" else names
    legends = ("the part as given", "its mirror image")
    return [
        Layer(
            name="blank",
            legend="the board" if laid.order.size_mm else "the smallest board found",
            lines=(Line(board, closed=True),),
            width_mm=0.6,
        ),
        *(
            Layer(
                name=name.lower().replace(" ", "-"),
                legend=legend,
                lines=(Line(ring, closed=True),),
                words=(
                    Lettering(
                        text=word,
                        at_mm=_pair(inside_point(ring)),
                        size_mm=5.0,
                        bold=True,
                    ),
                )
                if word
                else (),
                width_mm=0.4,
                dash_mm=(8.0, 1.5),
            )
            for name, word, legend, ring in zip(names, words, legends, found.rings_mm, strict=True)
        ),
        Layer(
            name="grain",
            legend="grain of the board",
            lines=arrow(np.array([0.5 * long, 0.5 * wide]), 0.0, 0.1 * long),
            width_mm=0.4,
        ),
    ]


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _points(ring: Floats) -> list[list[float]]:
    # Adding zero turns -0.0 into 0.0.
    return [[float(x), float(y)] for x, y in np.asarray(ring).round(3) + 0.0]
