"""Ink on a sheet of paper, before any file format: areas, strokes and words.

Sheet millimetres: origin at the sheet's top-left corner, x right, y down.
``grey`` is 0 for black and 1 for white paper.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
Loop = tuple[Point, ...]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Closed loops, filled by the even-odd rule as one shape.

    One shape, because two shapes that merely touch show a hairline between
    them in most viewers.
    """

    loops: tuple[Loop, ...]
    grey: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """An open line with square ends cut exactly at its end points."""

    points: Loop
    width_mm: float = 0.2
    grey: float = 0.0
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One line of text; ``at`` is on its base line."""

    text: str
    at: Point
    size_mm: float
    """Font size; capitals stand about 0.73 of it high."""
    bold: bool = False
    anchor: Anchor = "start"
    upwards: bool = False
    """Reads from the bottom of the sheet to its top."""
    grey: float = 0.0


Mark = Area | Stroke | Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet of paper with everything on it."""

    title: str
    width_mm: float
    height_mm: float
    marks: tuple[Mark, ...]


def box(x: float, y: float, width: float, height: float) -> Loop:
    """Corners of an upright rectangle whose top-left corner is (x, y)."""
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def moved(marks: Iterable[Mark], dx: float, dy: float) -> tuple[Mark, ...]:
    """The same marks elsewhere on the sheet."""

    def move(points: Loop) -> Loop:
        return tuple((x + dx, y + dy) for x, y in points)

    def one(mark: Mark) -> Mark:
        match mark:
            case Area():
                return Area(loops=tuple(move(loop) for loop in mark.loops), grey=mark.grey)
            case Stroke():
                return Stroke(
                    points=move(mark.points),
                    width_mm=mark.width_mm,
                    grey=mark.grey,
                    dash_mm=mark.dash_mm,
                )
            case Words():
                return Words(
                    text=mark.text,
                    at=(mark.at[0] + dx, mark.at[1] + dy),
                    size_mm=mark.size_mm,
                    bold=mark.bold,
                    anchor=mark.anchor,
                    upwards=mark.upwards,
                    grey=mark.grey,
                )

    return tuple(one(mark) for mark in marks)
