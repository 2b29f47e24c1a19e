"""Ink on a sheet of paper, before any file format: areas, strokes and words.

Sheet millimetres: origin at the sheet's top-left corner, x right, y down.
``grey`` is 0 for black and 1 for white paper.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
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
    """A line with square ends cut exactly at its end points, and rounded where it turns."""

    points: Loop
    width_mm: float = 0.2
    grey: float = 0.0
    dash_mm: tuple[float, ...] = ()
    closed: bool = False
    """Whether the last point joins the first."""


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
    turn_deg: float = 0.0
    """Anticlockwise as one looks at the sheet; comes on top of ``upwards``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clipped:
    """Marks of which only what lies inside a window shows."""

    window: Loop
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Marks that belong together; in SVG a named group."""

    name: str
    marks: tuple[Mark, ...]


Mark = Area | Stroke | Words | Clipped | Group


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


def bar(
    start: Point, length_mm: float, *, along: bool, tick_mm: float = 1.8, width_mm: float = 0.25
) -> tuple[Mark, ...]:
    """A line to measure; its length runs between the middles of its end strokes.

    Parameters
    ----------
    start : Point
        Its left or upper end.
    length_mm : float
    along : bool
        Down the sheet, not across it.
    tick_mm : float
        How far the end strokes reach to each side.
    width_mm : float
        Of all its strokes.
    """
    x, y = start

    def place(run: float, off: float) -> Point:
        return (x + off, y + run) if along else (x + run, y + off)

    return (
        Stroke(points=(place(0, 0), place(length_mm, 0)), width_mm=width_mm),
        *(
            Stroke(points=(place(run, -tick_mm), place(run, tick_mm)), width_mm=width_mm)
            for run in (0, length_mm)
        ),
    )


def cross(at: Point, arm_mm: float, *, width_mm: float = 0.2) -> tuple[Mark, ...]:
    """An upright cross; ``arm_mm`` from its middle to each end."""
    x, y = at
    return (
        Stroke(points=((x - arm_mm, y), (x + arm_mm, y)), width_mm=width_mm),
        Stroke(points=((x, y - arm_mm), (x, y + arm_mm)), width_mm=width_mm),
    )


def moved(marks: Iterable[Mark], dx: float, dy: float) -> tuple[Mark, ...]:
    """The same marks elsewhere on the sheet."""
    return placed(marks, lambda point: (point[0] + dx, point[1] + dy))


def placed(marks: Iterable[Mark], place: Callable[[Point], Point]) -> tuple[Mark, ...]:
    """The same marks with each of their points put elsewhere; pens and letters keep their size."""

    def put(points: Loop) -> Loop:
        return tuple(place(point) for point in points)

    def one(mark: Mark) -> Mark:
        match mark:
            case Area():
                return replace(mark, loops=tuple(put(loop) for loop in mark.loops))
            case Stroke():
                return replace(mark, points=put(mark.points))
            case Words():
                return replace(mark, at=place(mark.at))
            case Clipped():
                return Clipped(window=put(mark.window), marks=placed(mark.marks, place))
            case Group():
                return replace(mark, marks=placed(mark.marks, place))

    return tuple(one(mark) for mark in marks)
