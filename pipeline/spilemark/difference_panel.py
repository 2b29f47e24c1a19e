"""One way of laying the sides on each other, drawn: outlines, exaggerated gap, band of doubt.

Sheet millimetres, y down.  Nothing rests on colour: what lies outside port's
edge is hatched and has a plus, what lies inside is plain and has a minus, and
the verdict of each stretch is a bar of its own pattern along the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.figure_page import FONT
from spilemark.frames import outward_normals
from spilemark.records import Alignment, Floats, Outline, Station, Verdict
from spilemark.template import runs_of, straight_ends
from spilemark.units import Units, format_fine

FULLER, LEANER = "#d9822b", "#2b5c9e"
"""Orange and blue: starboard outside and inside port's edge."""
BAND = "#d4d4d4"
HATCH = "starboard-fuller"
_SIDE_ROOM_MM, _END_ROOM_MM = 22.0, 10.0
_LARGEST_DRAWN_MM = 9.0
_ENLARGED = (1, 2, 3, 5, 10, 20, 30, 50, 100)
_NUMBER_MM = 3.5
_MOST_NUMBERS = 7
_BAR_MM = 1.5
_BAR_IN_MM = 2.6
_NUMBERS_APART_MM = 20.0
_CLEAR_MM = 4.0
_WORTH_A_NUMBER_MM = 0.05


@dataclass(frozen=True, slots=True)
class Place:
    """A rectangle of the sheet, mm from its top left."""

    left: float
    top: float
    width: float
    height: float


class Panel:
    """Draws one alignment into a place on a sheet.

    Parameters
    ----------
    drawing : svgwrite.Drawing
        With user units of 1 mm.
    outline : Outline
        Port's, on whose points the alignment's gaps stand.
    """

    def __init__(
        self,
        drawing: Any,
        outline: Outline,
        alignment: Alignment,
        place: Place,
        units: Units,
    ) -> None:
        self.drawing, self.alignment, self.units = drawing, alignment, units
        self._place = place
        self.outline = outline
        ring = self.outline.ring.points_mm
        low, high = ring.min(axis=0), ring.max(axis=0)
        room = np.array([place.width - 2 * _SIDE_ROOM_MM, place.height - 2 * _END_ROOM_MM])
        self.scale = float((room / np.maximum(high - low, 1e-6)).min())
        self._middle_mm = (low + high) / 2
        self._middle = np.array([place.left + place.width / 2, place.top + place.height / 2])
        self.ring = self._sheet(ring)
        self.normals = outward_normals(ring) * [1.0, -1.0]
        self.enlarged = enlargement(alignment, self.scale)
        self._taken: list[tuple[float, float, float, float]] = []

    def draw(self) -> None:
        """Draw it all, what matters most last."""
        self._band()
        self._gaps()
        self._verdicts()
        self._lines()
        self._numbers()

    def _sheet(self, points_mm: Floats) -> Floats:
        moved = (np.asarray(points_mm) - self._middle_mm) * [self.scale, -self.scale]
        return np.asarray(moved + self._middle)

    def _moved(self, distance_mm: Floats) -> Floats:
        """Port's edge moved outwards by enlarged distances."""
        return np.asarray(self.ring + (self.enlarged * distance_mm)[:, None] * self.normals)

    def _path(self, points: Floats, *, closed: bool, **style: Any) -> None:
        moves = " L".join(f"{x:.2f},{y:.2f}" for x, y in points)
        style = {"fill": "none", "stroke": "black", "stroke_linejoin": "round"} | style
        self.drawing.add(self.drawing.path(d=f"M{moves}{' Z' if closed else ''}", **style))

    def _band(self) -> None:
        """Where a gap cannot be told from none, enlarged like the gap."""
        u95 = np.where(np.isfinite(self.alignment.gap_mm), self.alignment.u95_mm, 0.0)
        u95 = np.minimum(np.nan_to_num(u95), _LARGEST_DRAWN_MM / self.enlarged)
        outer, inner = self._moved(u95), self._moved(-u95)
        for run in runs_of(np.ones(len(u95), dtype=np.bool_)):
            strip = np.vstack([outer[run], inner[run][::-1]])
            self._path(strip, closed=True, fill=BAND, stroke="none")

    def _gaps(self) -> None:
        gap = np.nan_to_num(self.alignment.gap_mm)
        moved = self._moved(gap)
        known = np.isfinite(self.alignment.gap_mm)
        known &= np.roll(known, -1)
        beyond = np.abs(gap) > np.nan_to_num(self.alignment.u95_mm)
        for sign, fill in ((1, f"url(#{HATCH})"), (-1, LEANER)):
            for run in runs_of(known & beyond & (np.sign(gap) == sign)):
                shape = np.vstack([self.ring[run], moved[run][::-1]])
                self._path(shape, closed=True, fill=fill, stroke="none")
        for run in runs_of(known):
            self._path(moved[run], closed=False, stroke_width=0.35, stroke_dasharray="1.8 1")

    def _verdicts(self) -> None:
        """A bar inside port's edge: solid where different, broken where it cannot be told."""
        styles: dict[Verdict, dict[str, Any]] = {
            Verdict.DIFFERENT: {"stroke_width": _BAR_MM},
            Verdict.CANNOT_TELL: {"stroke_width": _BAR_MM, "stroke_dasharray": "0.5 0.9"},
        }
        inside = _evened(self.ring - _BAR_IN_MM * self.normals)
        for verdict, style in styles.items():
            flags = self._points_of(verdict)
            for run in runs_of(flags & np.roll(flags, -1)):
                self._path(inside[run], closed=False, stroke_linejoin="bevel", **style)

    def _points_of(self, verdict: Verdict) -> NDArray[np.bool_]:
        """Points of port's edge that lie in stretches of one verdict: of the nearest station."""
        stations = self.alignment.stations
        if not stations:
            return np.zeros(len(self.ring), dtype=np.bool_)
        at = self._sheet(np.array([s.at_mm for s in stations]))
        apart = np.linalg.norm(self.ring[:, None] - at[None], axis=2)
        found = np.array([s.verdict is verdict for s in stations])
        return np.asarray(found[apart.argmin(axis=1)])

    def _lines(self) -> None:
        for hole in self.outline.of_role("hole"):
            self._path(self._sheet(hole.points_mm), closed=True, stroke_width=0.3)
        for line in self.outline.of_role("centreline"):
            ends = self._sheet(straight_ends(line.points_mm))
            self._path(ends, closed=False, stroke_width=0.25, stroke_dasharray="5 1.2 1.2 1.2")
        self._path(self.ring, closed=True, stroke_width=0.55)

    def _numbers(self) -> None:
        """Gap and doubt at the worst places, as many as have room."""
        ranked = sorted(
            (s for s in self.alignment.stations if np.isfinite(s.gap_mm)),
            key=lambda s: (s.verdict is not Verdict.DIFFERENT, -abs(s.gap_mm)),
        )
        told = 0
        for station in ranked:
            if told == _MOST_NUMBERS or abs(station.gap_mm) < _WORTH_A_NUMBER_MM:
                return
            told += self._number(station)

    def _number(self, station: Station) -> bool:
        normal = np.array(station.normal) * [1.0, -1.0]
        at = self._sheet(np.array(station.at_mm))
        drawn = self.enlarged * max(station.gap_mm, station.u95_mm, 0.0)
        place = at + (min(drawn, _LARGEST_DRAWN_MM) + 2.0) * normal
        text = gap_words(station.gap_mm, station.u95_mm, self.units)
        width, height = 0.7 * _NUMBER_MM * len(text), 1.25 * _NUMBER_MM
        # The words' box touches the place with the side or corner that faces the edge.
        left = place[0] - width * (0.5 - 0.5 * np.clip(1.6 * normal[0], -1, 1))
        top = place[1] - height * (0.5 - 0.5 * np.clip(1.6 * normal[1], -1, 1))
        left = np.clip(left, self._place.left - 4.0, self._place.left + self._place.width - width)
        box = (float(left), float(top), float(left + width), float(top + height))
        near = any(
            _apart(box, other) < _NUMBERS_APART_MM or _touch(box, other, _CLEAR_MM)
            for other in self._taken
        )
        if near or self._on_edge(box):
            return False
        self._taken.append(box)
        self.drawing.add(
            self.drawing.text(
                text,
                insert=(f"{left + width / 2:.2f}", f"{top + 0.85 * height:.2f}"),
                font_size=_NUMBER_MM,
                font_family=FONT,
                font_weight="bold" if station.verdict is Verdict.DIFFERENT else "normal",
                text_anchor="middle",
            )
        )
        return True

    def _on_edge(self, box: tuple[float, float, float, float]) -> bool:
        x, y = self.ring.T
        return bool(((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])).any())


def enlargement(alignment: Alignment, scale: float) -> float:
    """How many times its true size the gap is drawn: a round number that keeps it on the sheet.

    The outline itself is drawn at ``scale``; where even that is too large for
    the gaps, they are drawn to the same scale.
    """
    gap = np.abs(alignment.gap_mm[np.isfinite(alignment.gap_mm)])
    band = alignment.u95_mm[np.isfinite(alignment.u95_mm)]
    most = max(
        float(gap.max()) if len(gap) else 0.0, float(np.median(band)) if len(band) else 0.0, 1e-3
    )
    fitting = [factor for factor in _ENLARGED if factor * most <= _LARGEST_DRAWN_MM]
    return float(max([*fitting, scale]))


def gap_words(gap_mm: float, u95_mm: float, units: Units) -> str:
    """A signed gap with its doubt."""
    sign = "+" if gap_mm > 0 else "\u2212"
    if units == "mm":
        return f"{sign}{abs(gap_mm):.1f} ±{u95_mm:.1f}"
    return f"{sign}{format_fine(abs(gap_mm), units)} ±{format_fine(u95_mm, units)}"


def _apart(a: Sequence[float], b: Sequence[float]) -> float:
    """Distance of the middles of two boxes, up and down counting double: numbers are wide."""
    across = 0.5 * (a[0] + a[2] - b[0] - b[2])
    return float(np.hypot(across, a[1] + a[3] - b[1] - b[3]))


def _touch(a: Sequence[float], b: Sequence[float], clear: float) -> bool:
    """Whether two boxes come nearer to each other than ``clear`` both across and up and down."""
    return (
        max(a[0], b[0]) - min(a[2], b[2]) < clear and max(a[1], b[1]) - min(a[3], b[3]) < clear / 2
    )


def _evened(points: Floats, reach: int = 4) -> Floats:
    """A ring without the jitter of its normals: each point between its neighbours' mean."""
    turns = range(-reach, reach + 1)
    return np.asarray(np.mean([np.roll(points, k, axis=0) for k in turns], axis=0))
