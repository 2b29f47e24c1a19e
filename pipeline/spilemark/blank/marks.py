"""What must be on a piece of wood when it is sawn: which side it is for, which face is up, and forward."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark import wording
from spilemark.blank.curves import Floats
from spilemark.blank.room import Room, Row
from spilemark.layers import Layer, Lettering, Line
from spilemark.records import Side
from spilemark.shop.bevels import PatternFace
from spilemark.shop.files import Part
from spilemark.shop.lengths import show_degrees
from spilemark.shop.orders import ShopOrder
from spilemark.shop.part_words import bevel_words
from spilemark.shop.stations import Stations

_ARROW_MM, _ARROW_WIDE_MM = 30.0, 7.0
_WORD_MM = 5.0
_FWD_MM = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartMarks:
    """How a part lies, for the marks on what is sawn for it; seen from above."""

    side: str = ""
    """"PORT"; empty: not known."""
    forward: bool | None = None
    """Whether forward is up the drawing; False: not told of the pattern; None: no pattern."""
    pattern_on: PatternFace = "top"
    """The part's face that the pattern lay on, from which bevels are told."""
    bevels: tuple[str, ...] = ()
    """In words, an edge each; empty: all edges are square, or nothing was told of them."""

    @property
    def up(self) -> str:
        """What stands on the face that is seen."""
        return f"{self.side}, UP: this face" if self.side else "UP: this face"

    def lines(self) -> list[str]:
        """What to mark, and the bevels of the part."""
        way = {
            True: "Mark UP and FWD on the wood itself before you cut it free.",
            False: "Mark UP on the wood itself before you cut it free. Which end is forward was not told: "
            "mark FWD yourself.",
            None: "Mark UP on the wood itself before you cut it free. This shape was typed: mark the side and "
            "FWD yourself.",
        }[self.forward]
        if not self.bevels:
            return [way]
        return [
            way,
            (
                f"THE PART IS BEVELLED, as seen from its {self.pattern_on} face: {'; '.join(self.bevels)}. Saw square "
                "to the line here, and bevel by the part's bevel card."
            ),
        ]


def marks_of(part: Part | None, order: ShopOrder | None = None) -> PartMarks:
    """The marks of a measured part, with its bevels where an order tells them."""
    if part is None:
        return PartMarks()
    side = part.outline.side
    return PartMarks(
        side=wording.SIDE_WORDS[Side(side)] if side != "single" else "",
        forward=part.forward_known,
        pattern_on=order.pattern_on if order else "top",
        bevels=bevelled_edges(order.bevels) if order else (),
    )


def bevelled_edges(bevels: Sequence[Stations]) -> tuple[str, ...]:
    """Bevels of edges in words: ``hull edge 10.0° under to 15.0° under``."""
    found = []
    for edge in bevels:
        first, last = edge.values[0], edge.values[-1]
        words = bevel_words(first)
        if show_degrees(first) != show_degrees(last):
            words += f" to {bevel_words(last)}"
        found.append(f"{edge.edge} {words}")
    return tuple(found)


def mark_layer(
    marks: PartMarks,
    room: Room,
    near: Floats,
    *,
    forward_deg: float = 90.0,
    over: bool = False,
    outside: Floats | None = None,
    name: str = "face-marks",
) -> Layer:
    """Set UP, the side and an arrow forward into the room that is left in a drawn part.

    Parameters
    ----------
    marks : PartMarks
    room : Room
    near : ndarray of float, shape (2,)
        As near to this as they fit.
    forward_deg : float
        Way of forward in the drawing, anticlockwise from x.
    over : bool
        Whether the part lies turned over: what is seen is its lower face.
    outside : ndarray of float, shape (2,), optional
        Where words go for which there is no room.
    name : str
        Of the layer.
    """
    lines: list[Line] = []
    words: list[Lettering] = []
    if marks.forward:
        long = _ARROW_MM + 1.5 * _WORD_MM
        # The word is as wide as it is: an arrow that lies needs more room for it.
        aside = 0.5 * _FWD_MM * abs(math.cos(math.radians(forward_deg)))
        wide = long + 2.0 * aside
        spot = room.spot(16.0 if abs(forward_deg - 90.0) < 1.0 else wide, wide, near)
        if spot is not None:
            place, scale = spot
            turn = math.radians(forward_deg)
            ahead = scale * np.array([math.cos(turn), math.sin(turn)])
            lines += _arrow(place + 0.75 * _WORD_MM * ahead, forward_deg, scale)
            foot = place - (0.5 * _ARROW_MM + 0.15 * _WORD_MM + aside) * ahead
            at = foot - np.array([0.0, 0.36 * scale * _WORD_MM])
            words.append(
                Lettering(
                    text="FWD",
                    at_mm=(float(at[0]), float(at[1])),
                    size_mm=scale * _WORD_MM,
                    bold=True,
                )
            )
    up = "UP: the other face" if over else marks.up
    rows = [Row(text=up, size_mm=_WORD_MM, bold=True)]
    words += room.block(rows, near, (0.0, 90.0, 45.0, -45.0), outside)
    return Layer(name=name, legend="", lines=tuple(lines), words=tuple(words), width_mm=0.7)


def _arrow(middle: Floats, way_deg: float, scale: float) -> list[Line]:
    turn = math.radians(way_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-along[1], along[0]])
    half, head = 0.5 * scale * _ARROW_MM, scale * _ARROW_WIDE_MM
    tip = middle + half * along
    back = tip - head * along
    return [
        Line(np.array([middle - half * along, tip])),
        Line(np.array([back + 0.5 * head * across, tip, back - 0.5 * head * across])),
    ]
