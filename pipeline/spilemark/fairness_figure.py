"""fairness_<side>.svg: the curvature along each edge, with what a batten shows of it in words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from spilemark.difference_panel import BAND
from spilemark.fairness import SHOWN_LONG_MM, Fairness, fairness
from spilemark.figure_page import FigurePage, blank_page, write_page
from spilemark.records import Floats, JobFacts, RegisteredPattern
from spilemark.units import INCH_MM, format_fine, format_length
from spilemark.wording import SIDE_WORDS

_WIDTH_MM, _MARGIN_MM = 190.0, 8.0
_LEFT_MM = 24.0
_PANEL_MM, _PLOT_MM, _RAW_MM = 56.0, 22.0, 9.0
_HEAD_MM = 21.0
_SMALL_MM, _TEXT_MM, _TITLE_MM = 2.7, 3.2, 4.6
_LEAST_PER_M = 0.5
"""A panel shows at least this much curvature: 2 m of radius."""
_RAW_SCALE_MM = 0.3
_ENOUGH_SEEN = 0.9
"""Share of an edge below which nothing found on it says nothing."""


def write_fairness(pattern: RegisteredPattern, facts: JobFacts, folder: Path) -> Path | None:
    """Write the figure; None where no edge is long enough.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    text = fairness_figure(pattern, facts)
    if not text:
        return None
    return write_page(text, folder / f"fairness_{pattern.side}.svg")


def fairness_figure(pattern: RegisteredPattern, facts: JobFacts) -> str:
    """The figure as SVG text; empty where no edge is long enough."""
    edges = fairness(pattern.outline)
    if not edges:
        return ""
    height = _HEAD_MM + len(edges) * _PANEL_MM + _MARGIN_MM
    drawing = blank_page(_WIDTH_MM, height)
    page = _Page(drawing, facts)
    side = SIDE_WORDS[pattern.side]
    name = "the part" if side == "centre" else f"the {side} pattern"
    page.say(f"How fair the edges of {name} are", _MARGIN_MM, 9.0, _TITLE_MM, bold=True)
    page.say(
        "Upper strip: how sharply the edge bends, up where it rounds outwards, down where it rounds"
        " inwards; thin line: a batten laid along it.",
        _MARGIN_MM,
        14.0,
        _SMALL_MM,
    )
    page.say(
        "Lower strip: the points as measured, off the fair edge that is drawn.",
        _MARGIN_MM,
        18.0,
        _SMALL_MM,
    )
    for k, edge in enumerate(edges):
        page.panel(edge, _HEAD_MM + k * _PANEL_MM)
    text: str = drawing.tostring()
    return text


def edge_words(edge: Fairness, facts: JobFacts) -> str:
    """What a batten shows of one edge, in words."""
    if edge.seen_share < _ENOUGH_SEEN and not edge.findings:
        return f"cannot tell: {100 * (1 - edge.seen_share):.0f} % of it was not seen"
    if not edge.findings:
        long = format_length(SHOWN_LONG_MM, facts.units, 0)
        size = format_fine(edge.shown_mm, facts.units, 1)
        return f"nothing of {size} or more, shorter than {long}; sight along it for longer waves"
    return ", ".join(finding_words(edge, k, facts) for k in range(len(edge.findings)))


def finding_words(edge: Fairness, which: int, facts: JobFacts) -> str:
    """One finding: what, how much, where."""
    found = edge.findings[which]
    at = format_length(found.at_mm, facts.units, 0)
    if found.kind == "inflection":
        return f"changes from one bend to the other at {at}"
    return f"{found.kind} of {format_fine(found.size_mm, facts.units, 1)} at {at}"


class _Page(FigurePage):
    """Panels below each other."""

    def __init__(self, drawing: Any, facts: JobFacts) -> None:
        super().__init__(drawing)
        self.facts = facts

    def line(self, points: Floats, width: float, **style: Any) -> None:
        d = "M" + " L".join(f"{x:.2f},{y:.2f}" for x, y in points)
        self.drawing.add(
            self.drawing.path(
                d=d, **{"fill": "none", "stroke": "black", "stroke_width": width, **style}
            )
        )

    def panel(self, edge: Fairness, top: float) -> None:
        """One edge."""
        width = _WIDTH_MM - _LEFT_MM - _MARGIN_MM
        across = width / float(edge.along_mm[-1])
        middle = top + 13.0 + _PLOT_MM / 2
        self.say(edge.edge or "edge", _MARGIN_MM, top + 4.5, _TEXT_MM, bold=True)
        self.say(edge_words(edge, self.facts), _MARGIN_MM, top + 8.8, _TEXT_MM)
        most = max(_LEAST_PER_M, 1.05 * float(np.abs(edge.curvature_per_m).max()))
        up = 0.5 * _PLOT_MM / most
        x = _LEFT_MM + edge.along_mm * across
        bend = np.column_stack([x, middle - up * edge.curvature_per_m])
        area = np.vstack([bend, [[x[-1], middle], [x[0], middle]]])
        self.line(area, 0.0, fill=BAND, stroke="none")
        self.line(bend, 0.35)
        self.line(np.column_stack([x, middle - up * edge.batten_per_m]), 0.2,
                  stroke_dasharray="1.6 0.8")  # fmt: skip
        self.line(np.array([[x[0], middle], [x[-1], middle]]), 0.15)
        self.radii(edge, middle, up)
        self.raw(edge, x, top + 13.0 + _PLOT_MM + 6.0)
        self.rule(edge, x, across, top + 13.0 + _PLOT_MM + 6.0 + _RAW_MM / 2)
        for found in edge.findings:
            at = _LEFT_MM + found.at_mm * across
            sign = {"bump": "▲", "hollow": "▼", "inflection": "⟷"}[found.kind]
            self.say(sign, at, middle - _PLOT_MM / 2 - 0.3, _SMALL_MM, text_anchor="middle")
            self.line(
                np.array([[at, middle - _PLOT_MM / 2], [at, middle + _PLOT_MM / 2]]),
                0.15,
                stroke_dasharray="0.6 0.6",
            )

    def radii(self, edge: Fairness, middle: float, up: float) -> None:
        """Radius of the sharpest bends on either side of the zero line."""
        self.say("straight", _LEFT_MM - 1.5, middle + 0.9, _SMALL_MM, text_anchor="end")
        for worst in (float(edge.curvature_per_m.max()), float(edge.curvature_per_m.min())):
            if abs(worst) * up < 2.5:
                continue
            radius = format_length(1000.0 / abs(worst), self.facts.units, 0)
            y = middle - up * worst
            self.say(f"R {radius}", _LEFT_MM - 1.5, y + 0.9, _SMALL_MM, text_anchor="end")

    def raw(self, edge: Fairness, x: Floats, middle: float) -> None:
        """The points as measured, off the fair edge."""
        most = max(_RAW_SCALE_MM, float(np.abs(edge.raw_off_mm).max()))
        self.line(np.array([[x[0], middle], [x[-1], middle]]), 0.15)
        scale = 0.5 * _RAW_MM / most
        self.line(np.column_stack([x, middle - scale * edge.raw_off_mm]), 0.15)
        worst = float(np.abs(edge.raw_off_mm).max())
        figure = format_fine(worst, self.facts.units)
        self.say("largest", _LEFT_MM - 1.5, middle - 0.6, _SMALL_MM, text_anchor="end")
        self.say(figure, _LEFT_MM - 1.5, middle + 2.6, _SMALL_MM, text_anchor="end")

    def rule(self, edge: Fairness, x: Floats, across: float, top: float) -> None:
        """Lengths along the edge."""
        inches = self.facts.units == "in"
        unit = INCH_MM if inches else 1.0
        whole = float(edge.along_mm[-1]) / unit
        step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if whole / s <= 12)
        for k in range(int(whole / step) + 1):
            at = float(x[0]) + k * step * unit * across
            self.line(np.array([[at, top], [at, top + 1.2]]), 0.15)
            mark = f'{k * step}"' if inches else f"{k * step}"
            self.say(mark, at, top + 4.0, _SMALL_MM, text_anchor="middle")
