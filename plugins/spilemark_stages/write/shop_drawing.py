"""The drawing on the shop page: both outlines over each other, to a round scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from spilemark.grain import Grain
from spilemark.ink import Anchor, Area, Mark, Point, Stroke, Words
from spilemark.ink_files import text_width_mm
from spilemark.records import Floats, RegisteredPattern, RigidMap, SideComparison
from spilemark.rigid import apply
from spilemark.template import runs_of, straight_ends
from spilemark.units import Units, format_inches
from spilemark_stages.write.shop_rows import EdgeTable, Row, Stretch, fitted_alignment
from spilemark_stages.write.tiled_part import legible

SCALES = (1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100)
"""The drawing is one to one of these."""
SOLID_MM, DASHED_MM, DASHES_MM = 0.55, 0.35, (2.2, 1.2)
LINE_MM, LINE_DASHES_MM = 0.25, (7.0, 1.5, 1.5, 1.5)
BAR_MM = 1.5
_ROOM_MM = (19.0, 11.0)
"""Left free round the part for names and stations, at its sides and above and below it."""
_STRIP_MM = 24.0
"""Column at the right for the arrow to the bow and the grain."""
_TICK_MM, _NUMBER_MM, _NAME_MM = 1.8, 2.7, 3.4
_BAR_IN_MM = 2.2
_LETTER_MM = 4.2
_LETTER_IN_MM = 7.0
_GRAIN_WORDS = {
    "told": ("of solid stock,", "as you told it"),
    "toe to toe": ("of solid stock,", "toe to toe, if", "nothing else", "is said"),
    "long way": ("of solid stock:", "the long way, if", "nothing else", "is said"),
}
_STROKE_STEP_MM = 0.25
"""Drawn lines keep no more points than this apart, on the paper."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the drawing may stand on the page, mm, y down."""

    left: float
    top: float
    width: float
    height: float


@dataclass(slots=True)
class Drawing:
    """Marks of the drawing, and the scale that was taken."""

    one_to: float
    marks: list[Mark] = field(default_factory=list)


def draw(
    pattern: RegisteredPattern,
    comparison: SideComparison | None,
    tables: Sequence[EdgeTable],
    stretches: Sequence[Stretch],
    frame: Frame,
    units: Units,
    grain: Grain,
) -> Drawing:
    """Draw the part.

    Parameters
    ----------
    pattern : RegisteredPattern
        Drawn solid; with a comparison it is port's.
    comparison : SideComparison or None
        Its starboard pattern is drawn dashed, mirrored, as it fits best.
    tables, stretches
        What is marked along the edges.
    frame : Frame
    units : "mm" or "in"
        Of the stations' numbers.
    grain : Grain
        Of the pattern drawn solid.
    """
    return _Drawer(pattern, comparison, frame, units).all(tables, stretches, grain)


class _Drawer:
    def __init__(
        self,
        pattern: RegisteredPattern,
        comparison: SideComparison | None,
        frame: Frame,
        units: Units,
    ) -> None:
        self.pattern, self.comparison, self.frame, self.units = pattern, comparison, frame, units
        self.other = None if comparison is None else _starboard_as_fitted(comparison)
        rings = [pattern.outline.ring.points_mm, *([] if self.other is None else [self.other])]
        points = np.concatenate(rings)
        low, high = points.min(axis=0), points.max(axis=0)
        room = np.array([frame.width - _STRIP_MM, frame.height]) - 2 * np.array(_ROOM_MM)
        wanted = float(((high - low) / room).max())
        one_to = next((s for s in SCALES if s >= wanted), math.ceil(wanted / 50) * 50)
        self.scale = 1.0 / one_to
        self.middle_mm = (low + high) / 2
        self.middle = np.array(
            [frame.left + (frame.width - _STRIP_MM) / 2, frame.top + frame.height / 2]
        )
        self.drawing = Drawing(float(one_to))
        self.marks = self.drawing.marks
        self.taken: list[tuple[float, float, float, float]] = []
        self.ring = self.paper(pattern.outline.ring.points_mm)

    def paper(self, points_mm: Floats) -> Floats:
        return np.asarray(
            (np.asarray(points_mm) - self.middle_mm) * [self.scale, -self.scale] + self.middle
        )

    def all(
        self, tables: Sequence[EdgeTable], stretches: Sequence[Stretch], grain: Grain
    ) -> Drawing:
        for stretch in stretches:
            self.stretch(stretch)
        self.outlines()
        for stretch in stretches:
            self.letter(stretch)
        for table in tables:
            self.name(table)
        for table in tables:
            for row in table.rows:
                self.station(row)
        self.forward()
        self.grain(grain)
        return self.drawing

    def outlines(self) -> None:
        outline = self.pattern.outline
        for line in outline.of_role("centreline"):
            self.line(self.paper(straight_ends(line.points_mm)), LINE_MM, LINE_DASHES_MM)
        for hole in outline.of_role("hole"):
            self.line(self.paper(hole.points_mm), DASHED_MM, closed=True)
        ring = outline.ring
        self.line(self.ring, SOLID_MM, closed=True)
        # White gaps over the solid edge: what was bridged looks broken, and stays one line.
        for run in runs_of(~(ring.seen & np.roll(ring.seen, -1))) if not ring.seen.all() else ():
            points = self.ring[run]
            self.marks.append(
                Stroke(points=_points(points), width_mm=SOLID_MM + 0.4, grey=1, dash_mm=(1.0, 1.2))
            )
        if self.other is not None:
            self.line(self.paper(self.other), DASHED_MM, DASHES_MM, closed=True)

    def line(
        self,
        points: Floats,
        width: float,
        dashes: tuple[float, ...] = (),
        *,
        closed: bool = False,
        grey: float = 0.0,
    ) -> None:
        points = _thinned(points)
        self.marks.append(
            Stroke(points=_points(points), width_mm=width, dash_mm=dashes, closed=closed, grey=grey)
        )

    def stretch(self, stretch: Stretch) -> None:
        """A bar inside the edge where a part from one pattern would be short for the other side."""
        points = self.paper(stretch.points_mm)
        if len(points) < 2:
            return
        self.line(points + _BAR_IN_MM * _inwards(points, self.ring), BAR_MM, grey=0.45)

    def letter(self, stretch: Stretch) -> None:
        points = self.paper(stretch.points_mm)
        inwards = _inwards(points, self.ring) if len(points) > 1 else np.zeros((1, 2))
        k = len(points) // 2
        x, y = points[k] + _LETTER_IN_MM * inwards[k]
        ring = np.linspace(0, 2 * math.pi, 40, endpoint=False)
        circle = np.stack([np.cos(ring), np.sin(ring)], -1) * 0.78 * _LETTER_MM + [x, y]
        self.marks += [
            Area(loops=(_points(circle),), grey=1.0),
            Stroke(points=_points(circle), width_mm=0.3, closed=True),
            Words(
                text=stretch.letter,
                at=(float(x), float(y) + 0.36 * _LETTER_MM),
                size_mm=_LETTER_MM,
                bold=True,
                anchor="middle",
            ),
        ]

    def name(self, table: EdgeTable) -> None:
        """An edge's name beside its middle, outside the wood."""
        row = table.rows[len(table.rows) // 2]
        at = self.paper(np.array(row.at_mm))
        text = legible(table.name, bold=True)
        for off in (_TICK_MM + _NUMBER_MM + 2.6, 9.5, 12.0, -6.0, -9.0):
            if self.words(text, at, _out(row), off, _NAME_MM, bold=True):
                return

    def station(self, row: Row) -> None:
        at, out = self.paper(np.array(row.at_mm)), _out(row)
        ends = (at - 0.4 * _TICK_MM * out, at + _TICK_MM * out)
        self.marks.append(Stroke(points=_points(np.array(ends)), width_mm=0.25))
        self.words(station_words(row.s_mm, self.units), at, out, _TICK_MM + 0.9, _NUMBER_MM)

    def words(
        self, text: str, at: Floats, out: Floats, off: float, size: float, *, bold: bool = False
    ) -> bool:
        """Words beside a place of the edge, if they touch neither other words nor an outline."""
        width = text_width_mm(Words(text=text, at=(0, 0), size_mm=size, bold=bold))
        x, y = at + off * out
        share = float(np.clip(out[0], -1, 1)) * math.copysign(1.0, off)
        left = x - width * (0.5 - 0.5 * share)
        base = y + 0.36 * size + 0.36 * size * float(out[1]) * math.copysign(1.0, off)
        box = (left - 0.5, base - 0.75 * size, left + width + 0.5, base + 0.25 * size)
        frame = self.frame
        inside = (
            box[0] >= frame.left
            and box[2] <= frame.left + frame.width
            and box[1] >= frame.top
            and box[3] <= frame.top + frame.height
        )
        if not inside or self.touches(box):
            return False
        self.taken.append(box)
        anchor: Anchor = "start"
        self.marks.append(Words(text=text, at=(left, base), size_mm=size, bold=bold, anchor=anchor))
        return True

    def touches(self, box: tuple[float, float, float, float]) -> bool:
        x, y = self.ring.T
        if bool(((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])).any()):
            return True
        return any(
            box[0] < o[2] and o[0] < box[2] and box[1] < o[3] and o[1] < box[3] for o in self.taken
        )

    def forward(self) -> None:
        x = self.frame.left + self.frame.width - _STRIP_MM / 2
        top = self.frame.top + 2.0
        self.marks.append(
            Words(text="UP: this face", at=(x, top + 34.0), size_mm=3.3, bold=True, anchor="middle")
        )
        if not self.pattern.forward_known:
            for k, text in enumerate(("FWD was", "not told:", "mark it", "yourself")):
                at = (x, top + 8.0 + 5.4 * k)
                self.marks.append(Words(text=text, at=at, size_mm=4.2, bold=True, anchor="middle"))
            return
        tip = ((x, top), (x - 4.2, top + 9.0), (x + 4.2, top + 9.0))
        self.marks += [
            Area(loops=(tip,)),
            Stroke(points=((x, top + 8.5), (x, top + 21.0)), width_mm=1.8),
            Words(text="FWD", at=(x, top + 28.0), size_mm=7.0, bold=True, anchor="middle"),
        ]

    def grain(self, grain: Grain) -> None:
        """A double arrow along the grain, and why this way."""
        angle = math.radians(grain.degrees)
        x = self.frame.left + self.frame.width - _STRIP_MM / 2
        y = self.frame.top + 50.0
        half = 9.5
        along = np.array([math.cos(angle), -math.sin(angle)])
        left = np.array([along[1], -along[0]])
        middle = np.array([x, y])
        for offset in (-1.6, 0.0, 1.6):
            reach = half if offset == 0 else 0.45 * half
            ends = (middle + offset * left - reach * along, middle + offset * left + reach * along)
            self.marks.append(Stroke(points=_points(np.array(ends)), width_mm=0.35))
        for sign in (-1.0, 1.0):
            tip = middle + sign * half * along
            barbs = [tip - sign * 3.2 * along + s * 1.5 * left for s in (-1, 1)]
            self.marks.append(Area(loops=(_points(np.array([tip, *barbs])),)))
        lines = (("GRAIN", 4.2, True), *((text, 2.7, False) for text in _GRAIN_WORDS[grain.basis]))
        base = y + 16.0
        for text, size, bold in lines:
            self.marks.append(
                Words(text=text, at=(x, base), size_mm=size, bold=bold, anchor="middle")
            )
            base += 3.7


def station_words(s_mm: float, units: Units) -> str:
    """A station's distance, bare: whole millimetres, or inches to an eighth."""
    return f"{s_mm:.0f}" if units == "mm" else format_inches(s_mm, 8)


def _starboard_as_fitted(comparison: SideComparison) -> Floats:
    best = fitted_alignment(comparison)
    motion = RigidMap(turn_rad=best.turn_rad, shift_mm=best.shift_mm)
    return np.asarray(apply(motion, comparison.starboard_mirrored.outline.ring.points_mm))


def _out(row: Row) -> Floats:
    """Outward normal on the page, y down."""
    return np.array([row.normal[0], -row.normal[1]])


def _inwards(points: Floats, ring: Floats) -> Floats:
    """Unit normals (M, 2) of an open line towards the inside of a ring that it lies on."""
    from shapely import Polygon, contains_xy

    along = np.gradient(points, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    normals = np.stack([along[:, 1], -along[:, 0]], axis=-1)
    k = len(points) // 2
    inside = contains_xy(Polygon(ring), *(points[k] + 0.5 * normals[k]))
    return np.asarray(normals if inside else -normals)


def _thinned(points: Floats) -> Floats:
    """Every point that is a step away from the last one kept, and the last."""
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(step)])
    keep = np.concatenate([[True], np.diff(np.floor(run / _STROKE_STEP_MM)) > 0])
    keep[-1] = True
    return np.asarray(points[keep])


def _points(points: Floats) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in points)
