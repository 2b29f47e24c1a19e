"""difference.svg: both sides over each other, the gap exaggerated, the doubt as a band.

Survives a black-and-white printer: sides differ by line style, signs by the
side of port's edge on which the gap is drawn and by numbers, verdicts by letter.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from spilemark.errors import CannotWrite
from spilemark.records import Alignment, Floats, JobFacts, SideComparison, Station, Verdict
from spilemark.uncertainty import normals_of
from spilemark.units import format_length

_FONT = "'Bitstream Vera Sans', 'DejaVu Sans', Verdana, Arial, sans-serif"
_BLUE, _ORANGE = "#0b5cad", "#c8620a"
_MARGIN_MM = 45.0
_TOP_MM = 52.0
_BOTTOM_MM = 56.0
_FACTORS = (1, 2, 5, 10, 20, 50, 100)
_LARGEST_DRAWN_MM = 24.0
_LETTERS = {Verdict.SAME: "", Verdict.DIFFERENT: "D", Verdict.CANNOT_TELL: "?"}
_MOST_NUMBERS = 8
_APART_MM = 42.0
_SIDEWAYS = 0.4


def write_difference_figure(comparison: SideComparison, facts: JobFacts, folder: Path) -> Path:
    """Write ``difference.svg``.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    path = folder / "difference.svg"
    text = '<?xml version="1.0" encoding="utf-8"?>\n' + figure(comparison, facts) + "\n"
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite(
            f"{path} cannot be written: {error.strerror}.", "Free some space or choose --out."
        ) from error
    return path


def figure(comparison: SideComparison, facts: JobFacts) -> str:
    """The figure as SVG text, about the best fit: shape is what a picture shows."""
    return _Figure(comparison, facts).text()


class _Figure:
    def __init__(self, comparison: SideComparison, facts: JobFacts) -> None:
        import svgwrite

        self.comparison, self.facts = comparison, facts
        self.alignment = next(a for a in comparison.alignments if a.datum == "best fit")
        self.ring = comparison.port.outline.ring
        self.normals = normals_of(self.ring)
        self.factor = _factor(self.alignment)
        points = self.ring.points_mm
        low, high = points.min(axis=0), points.max(axis=0)
        width = max(float(high[0] - low[0]) + 2 * _MARGIN_MM, 330.0)
        self.left = float((low[0] + high[0] - width) / 2)
        self.top = float(high[1]) + _TOP_MM
        self.width = width
        self.height = float(high[1] - low[1]) + _TOP_MM + _BOTTOM_MM
        self.drawing: Any = svgwrite.Drawing(
            size=(f"{width:.3f}mm", f"{self.height:.3f}mm"), debug=False
        )
        self.drawing["viewBox"] = f"0 0 {width:.3f} {self.height:.3f}"

    def text(self) -> str:
        d = self.drawing
        d.set_desc(title="Port against starboard")
        d.add(d.rect((0, 0), (f"{self.width:.3f}", f"{self.height:.3f}"), fill="white"))
        self._band()
        self._gaps()
        self._sides()
        self._stations()
        self._numbers()
        self._words()
        text: str = d.tostring()
        return text

    def _sheet(self, points: Floats) -> Floats:
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        return np.stack([p[:, 0] - self.left, self.top - p[:, 1]], axis=-1)

    def _path(self, points: Floats, *, closed: bool, **style: Any) -> None:
        moves = " L".join(f"{x:.3f},{y:.3f}" for x, y in self._sheet(points))
        self.drawing.add(self.drawing.path(d=f"M{moves}{' Z' if closed else ''}", **style))

    def _say(self, text: str, x: float, y: float, size: float, **style: Any) -> None:
        style.setdefault("fill", "black")
        self.drawing.add(
            self.drawing.text(
                text, insert=(f"{x:.2f}", f"{y:.2f}"), font_size=size, font_family=_FONT, **style
            )
        )

    def _offset(self, distance: Floats) -> Floats:
        """Port's edge moved along its normals by exaggerated distances."""
        return np.asarray(self.ring.points_mm + (self.factor * distance)[:, None] * self.normals)

    def _band(self) -> None:
        """What cannot be told apart: within this of port's edge, exaggerated alike."""
        u95 = np.minimum(self.alignment.u95_mm, _LARGEST_DRAWN_MM / self.factor)
        outer, inner = self._offset(u95), self._offset(-u95)
        parts = " ".join(
            "M" + " L".join(f"{x:.3f},{y:.3f}" for x, y in self._sheet(p)) + " Z"
            for p in (outer, inner)
        )
        self.drawing.add(
            self.drawing.path(d=parts, fill="#d9d9d9", fill_rule="evenodd", stroke="none")
        )

    def _gaps(self) -> None:
        """Starboard's mirror as it lies against port, exaggerated."""
        gap = self.alignment.gap_mm
        limit = _LARGEST_DRAWN_MM / self.factor
        drawn = self._offset(np.clip(np.nan_to_num(gap), -limit, limit))
        known = np.isfinite(gap) & np.roll(np.isfinite(gap), -1)
        beyond = np.abs(np.nan_to_num(gap)) > self.alignment.u95_mm
        for sign, colour in ((1, _ORANGE), (-1, _BLUE)):
            pick = known & beyond & (np.sign(np.nan_to_num(gap)) == sign)
            for run in _runs(pick):
                shape = np.vstack([self.ring.points_mm[run], drawn[run][::-1]])
                self._path(shape, closed=True, fill=colour, fill_opacity=0.55, stroke="none")
        for run in _runs(known):
            self._path(
                drawn[run],
                closed=False,
                fill="none",
                stroke="black",
                stroke_width=0.5,
                stroke_dasharray="3 1.6",
            )

    def _sides(self) -> None:
        self._path(self.ring.points_mm, closed=True, fill="none", stroke="black", stroke_width=0.7)
        line = self.comparison.port.outline.of_role("centreline")
        for pencil in line:
            self._path(
                pencil.points_mm[[0, -1]],
                closed=False,
                fill="none",
                stroke="black",
                stroke_width=0.35,
                stroke_dasharray="9 2 2 2",
            )

    def _stations(self) -> None:
        """A tick at each stretch, with the letter of its verdict."""
        for station in self.alignment.stations:
            at, normal = np.array(station.at_mm), np.array(station.normal)
            self._path(
                np.stack([at - 1.6 * normal, at + 1.6 * normal]),
                closed=False,
                stroke="black",
                stroke_width=0.4,
            )
            letter = _LETTERS[station.verdict]
            if letter:
                x, y = self._sheet(at - 6.0 * normal)[0]
                self._say(letter, x, y + 1.4, 4.2, text_anchor="middle", font_weight="bold")

    def _numbers(self) -> None:
        """Numbers at the largest gaps, apart from each other."""
        done: list[Floats] = []
        ranked = sorted(
            (s for s in self.alignment.stations if np.isfinite(s.gap_mm)),
            key=lambda s: -abs(s.gap_mm),
        )
        for station in ranked:
            at = np.array(station.at_mm)
            if len(done) >= _MOST_NUMBERS or any(np.linalg.norm(at - o) < _APART_MM for o in done):
                continue
            done.append(at)
            self._number(station)

    def _number(self, station: Station) -> None:
        normal = np.array(station.normal)
        out = min(self.factor * max(station.u95_mm, station.gap_mm), _LARGEST_DRAWN_MM) + 6.0
        x, y = self._sheet(np.array(station.at_mm) + out * normal)[0]
        # Words stand clear of the edge: they begin, end or centre where its normal points.
        anchor = "middle" if abs(normal[0]) < _SIDEWAYS else ("start" if normal[0] > 0 else "end")
        sign = "+" if station.gap_mm > 0 else "-"
        self._say(
            f"{sign}{abs(station.gap_mm):.1f} ±{station.u95_mm:.1f}",
            x,
            y + 1.8 - 2.0 * float(normal[1]),
            5.2,
            text_anchor=anchor,
            font_weight="bold",
        )

    def _words(self) -> None:
        import textwrap

        comparison = self.comparison
        names = ", ".join(n for n in (self.facts.boat, self.facts.part) if n)
        y = 10.0
        self._say(
            f"{names + ': ' if names else ''}port against starboard, mirrored",
            8,
            y,
            7.0,
            font_weight="bold",
        )
        for row in textwrap.wrap(comparison.verdict, int(self.width / 2.55)):
            y += 6.6
            self._say(row, 8, y, 4.8)
        rows = (
            f"Laid as they fit best. Gaps and band drawn {self.factor} times their size.",
            (
                "Solid: port. Dashed: starboard. Outside port = starboard fuller (+, orange);"
                " inside = port fuller (-, blue)."
            ),
            (
                "Grey: what this measurement cannot tell (95 %, everywhere at once)."
                f" Numbers in mm. D different, ? cannot tell; no letter: same within"
                f" {format_length(comparison.tolerance_mm, self.facts.units)}."
            ),
        )
        y = self.height - 27.0
        for row in rows:
            for part in textwrap.wrap(row, int(self.width / 2.1)):
                self._say(part, 8, y, 4.0)
                y += 5.4
        self._forward()

    def _forward(self) -> None:
        x, y = self.width - 16.0, 48.0
        style = {"stroke": "black", "stroke_width": 0.8, "fill": "none"}
        self.drawing.add(self.drawing.path(d=f"M{x},{y} L{x},{y - 24}", **style))
        self.drawing.add(
            self.drawing.path(d=f"M{x - 4},{y - 17} L{x},{y - 24} L{x + 4},{y - 17}", **style)
        )
        self._say("FWD", x, y + 6, 5.0, text_anchor="middle")


def _factor(alignment: Alignment) -> int:
    """The largest round factor that keeps gaps and band on the sheet."""
    size = (
        np.nanpercentile(np.abs(alignment.gap_mm), 99.5)
        if np.isfinite(alignment.gap_mm).any()
        else 1.0
    )
    band = float(np.median(alignment.u95_mm))
    most = max(float(size), 1.5 * band, 1e-3)
    return max(f for f in _FACTORS if f == 1 or f * most <= 0.8 * _LARGEST_DRAWN_MM)


def _runs(flags: Any) -> list[Any]:
    """Index runs of true flags on a ring, each with the point after its last."""
    count = len(flags)
    if flags.all():
        return [np.arange(count + 1) % count]
    start = int(np.argmin(flags))
    turned = np.roll(flags, -start)
    bounds = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(int), [0]])))
    return [
        (np.arange(low, high + 1) + start) % count
        for low, high in zip(bounds[::2], bounds[1::2], strict=True)
    ]
