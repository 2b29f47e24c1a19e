"""Where sheets of a tiled drawing meet, and the straight lines that show a join gone wrong.

Crosses at both ends of a join fix its place; a turn of a whole sheet shows best
on a long straight line that runs over several joins, so each join is crossed
by one.  Such lines carry their length: with a tape over the finished job they
tell what diagonals tell of a hull.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.tiling import Layout, Place

Point = tuple[float, float]

CROSS_INSET_MM = 9.0
"""Joining crosses stand so far from the ends of their join."""
END_INSET_MM = 9.0
"""Check lines end so far inside the paper."""
_TAG_SHARE = 0.3
"""Where along a join its letter stands: away from its middle, where check lines pass."""
_MIDDLE_SHARE = 0.7
"""Check lines cross a join within so much of its middle, away from its crosses."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Join:
    """One line along which two neighbouring sheets meet; paper frame, mm."""

    name: str
    """A letter, printed on both sheets."""
    under: Place
    """The left or upper sheet: keeps its overlap and goes underneath."""
    over: Place
    """The right or lower sheet: is cut along the join and laid on top."""
    upright: bool
    """Whether the join runs up the paper."""
    start: Point
    stop: Point

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return math.dist(self.start, self.stop)

    @property
    def crosses(self) -> tuple[Point, Point]:
        """The two places that must fall on each other, printed on both sheets."""
        return self.at(CROSS_INSET_MM), self.at(self.length_mm - CROSS_INSET_MM)

    @property
    def tag(self) -> Point:
        """Where its letter stands, on the join; the sheets print it beside that."""
        return self.at(_TAG_SHARE * self.length_mm)

    def at(self, run_mm: float) -> Point:
        """A point on the join."""
        share = run_mm / self.length_mm
        (x0, y0), (x1, y1) = self.start, self.stop
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLine:
    """A straight line over several sheets; paper frame, mm."""

    name: str
    """A number."""
    start: Point
    stop: Point

    @property
    def length_mm(self) -> float:
        """From end cross to end cross."""
        return math.dist(self.start, self.stop)


def joins(layout: Layout) -> tuple[Join, ...]:
    """All joins, in the order in which the sheets are laid: row by row, left to right."""
    found: list[Join] = []
    for place in layout.places:
        for down, right in ((0, -1), (-1, 0)):
            other = layout.neighbour(place, down, right)
            if other is not None:
                found.append(_join(layout, letter(len(found)), other, place))
    return tuple(found)


def letter(number: int) -> str:
    """A, B ... Z, AA, AB ... for 0, 1 ...; I and O are left out, they read as digits."""
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ"
    name = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, len(letters))
        name = letters[rest] + name
    return name


def _join(layout: Layout, name: str, under: Place, over: Place) -> Join:
    one, other = layout.core_box(under), layout.core_box(over)
    upright = under.row == over.row
    if upright:
        low, high = max(one.bottom, other.bottom), min(one.top, other.top)
        start, stop = (other.left, low), (other.left, high)
    else:
        low, high = max(one.left, other.left), min(one.right, other.right)
        start, stop = (low, other.top), (high, other.top)
    return Join(name=name, under=under, over=over, upright=upright, start=start, stop=stop)


def check_lines(layout: Layout, met: Sequence[Join]) -> tuple[CheckLine, ...]:
    """Few parallel straight lines that cross every join away from its ends.

    They run as the diagonal of all sheets together, rising or falling,
    whichever needs fewer; the diagonal itself is among them where it serves.
    """
    if not met:
        return ()
    ways = [_parallels(layout, met, rising) for rising in (1.0, -1.0)]
    best = min(ways, key=lambda lines: (len(lines), -sum(math.dist(*line) for line in lines)))
    return tuple(
        CheckLine(name=str(number), start=start, stop=stop)
        for number, (start, stop) in enumerate(best, start=1)
    )


def _parallels(layout: Layout, met: Sequence[Join], rising: float) -> list[tuple[Point, Point]]:
    across, down = layout.pitch_mm
    width = layout.columns * across + layout.overlap_mm
    height = layout.rows * down + layout.overlap_mm
    direction = np.array([width, rising * height]) / math.hypot(width, height)
    normal = np.array([-direction[1], direction[0]])
    middle = np.array([layout.left_mm + width / 2, layout.top_mm - height / 2])
    spans = [_span(join, normal) for join in met]
    lines = []
    for offset in _stabs(spans, float(middle @ normal)):
        lines += _runs(layout, met, middle + (offset - middle @ normal) * normal, direction)
    return lines


def _span(join: Join, normal: np.ndarray) -> tuple[float, float]:
    """Offsets along the normal at which a line crosses a join well away from its ends."""
    spare = (1 - _MIDDLE_SHARE) / 2 * join.length_mm
    ends = [float(np.dot(join.at(run), normal)) for run in (spare, join.length_mm - spare)]
    return min(ends), max(ends)


def _stabs(spans: Sequence[tuple[float, float]], wish: float) -> list[float]:
    """Fewest numbers so that each span holds one; ``wish`` is taken wherever it serves.

    Spans taken in order of their ends, each number standing for all spans that
    begin before the first of them ends, need the fewest numbers.
    """
    left = sorted(spans, key=lambda span: span[1])
    chosen = []
    while left:
        group = [span for span in left if span[0] <= left[0][1]]
        low, high = max(span[0] for span in group), left[0][1]
        chosen.append(wish if low <= wish <= high else (low + high) / 2)
        left = [span for span in left if not span[0] <= chosen[-1] <= span[1]]
    return chosen


def _runs(
    layout: Layout, met: Sequence[Join], through: np.ndarray, direction: np.ndarray
) -> list[tuple[Point, Point]]:
    """The parts of a line that lie on paper and cross a join, drawn in from their ends."""
    from shapely import LineString, box, union_all

    paper = union_all([box(*layout.core_box(place)).buffer(1e-6) for place in layout.places])
    reach = 2 * (layout.columns * layout.window.width_mm + layout.rows * layout.window.height_mm)
    line = LineString([through - reach * direction, through + reach * direction])
    on_paper = line.intersection(paper)
    parts = getattr(on_paper, "geoms", [on_paper])
    seams = [LineString([join.start, join.stop]) for join in met]
    runs = []
    for part in parts:
        if not any(part.crosses(seam) for seam in seams):
            continue
        start, stop = (np.array(point) for point in (part.coords[0], part.coords[-1]))
        inset = END_INSET_MM * direction
        runs.append((_point(start + inset), _point(stop - inset)))
    return runs


def _point(vector: np.ndarray) -> Point:
    return float(vector[0]), float(vector[1])
