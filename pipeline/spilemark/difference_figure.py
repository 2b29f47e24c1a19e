"""difference.svg: where the sides differ, on one page that survives a black-and-white printer.

The verdict stands on top.  Below it the sides lie on each other as the verdict
has them, and, where that is another way, as they fit best.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from spilemark.difference_panel import BAND, FULLER, HATCH, LEANER, Panel, Place
from spilemark.figure_page import FigurePage, blank_page, write_page
from spilemark.ink_files import wrapped
from spilemark.records import Alignment, JobFacts, Side, SideComparison
from spilemark.units import format_length
from spilemark.wording import NO_PAIR

_WIDTH_MM, _HEIGHT_MM = 297.0, 210.0
"""ISO 216 A4, lying; on Letter it prints with a little less margin."""
_MARGIN_MM = 11.0
_TITLE_MM, _VERDICT_MM, _HEADING_MM, _SMALL_MM = 6.0, 4.2, 4.4, 3.3
_LEADING = 1.4
_LEGEND_MM = 27.0
_HEADINGS = {
    "centreline": "On their pencil lines: as they sit in the boat",
    "corner and edge": "On corner and edge: as they sit in the boat",
    "best fit": "As they fit best: the shape alone",
}
_OF_HALVES = {
    "centreline": "About its pencil line: as it sits in the boat",
    "corner and edge": "On corner and edge: as it sits in the boat",
    "best fit": "About its own middle line: the shape alone",
}
"""The same of a part on the centreline and its own mirror image."""


def write_difference_figure(
    comparison: SideComparison, facts: JobFacts, folder: Path, name: str = "difference.svg"
) -> Path:
    """Write ``difference.svg``, or by another name.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    return write_page(figure(comparison, facts), folder / name)


def figure(comparison: SideComparison, facts: JobFacts) -> str:
    """The figure as SVG text; equal comparisons give equal text."""
    drawing = blank_page(_WIDTH_MM, _HEIGHT_MM)
    drawing.set_desc(title=_title(comparison, facts), desc=comparison.verdict)
    _define_hatch(drawing)
    page = _Page(drawing)
    top = page.words_on_top(comparison, facts)
    shown = _shown(comparison)
    width = (_WIDTH_MM - 2 * _MARGIN_MM) / len(shown)
    height = _HEIGHT_MM - _MARGIN_MM - _LEGEND_MM - top
    for k, alignment in enumerate(shown):
        left = _MARGIN_MM + k * width
        headings = _OF_HALVES if _of_halves(comparison) else _HEADINGS
        page.say(headings[alignment.datum], left, top + _HEADING_MM, _HEADING_MM, bold=True)
        place = Place(left, top + 1.6 * _HEADING_MM, width, height - 3.4 * _HEADING_MM)
        panel = Panel(drawing, comparison.port.outline, alignment, place, facts.units)
        panel.draw()
        page.say(_scale_words(panel), left, top + height - 0.4 * _HEADING_MM, _SMALL_MM)
        if comparison.port.forward_known and comparison.starboard_mirrored.forward_known:
            page.forward(left + width - 14.0, top + 2.2 * _HEADING_MM)
    page.legend(comparison, facts)
    text: str = drawing.tostring()
    return text


def _shown(comparison: SideComparison) -> list[Alignment]:
    """The alignment that the verdict is about, and the best fit if that is another one."""
    first = comparison.alignments[0]
    best = [a for a in comparison.alignments[1:] if a.datum == "best fit"]
    if best and NO_PAIR.intersection(note.code for note in comparison.notes):
        # Lines that contradict the outlines lay one side across the other.
        return best
    return [first] if first.datum == "best fit" else [first, *best]


def _title(comparison: SideComparison, facts: JobFacts) -> str:
    named = ", ".join(n for n in (facts.boat, facts.part) if n)
    one, other = _called(comparison)
    half = " half" if _of_halves(comparison) else ""
    words = f"{one}{half} against {other}{half}"
    return f"{named}: {words}" if named else f"{words[0].upper()}{words[1:]}"


def _of_halves(comparison: SideComparison) -> bool:
    """Whether one part is set against its own mirror image."""
    return comparison.port.side is Side.SINGLE and not comparison.starboard_mirrored.measured


def _called(comparison: SideComparison) -> tuple[str, str]:
    """What the two are called: by their sides, unless they have names of their own."""
    return comparison.port.called or "port", comparison.starboard_mirrored.called or "starboard"


def _kept(text: str) -> str:
    """Numbers keep their unit at the end of a line."""
    return text.replace(" mm", "\u00a0mm")


def _scale_words(panel: Panel) -> str:
    share = 1.0 / panel.scale
    if panel.enlarged <= panel.scale:
        return f"Outline and gaps drawn 1:{share:.1f}."
    return f"Outline drawn 1:{share:.1f}, gaps and grey band {panel.enlarged:g}:1."


def _define_hatch(drawing: Any) -> None:
    """Slanting lines, so that what lies outside port's edge needs no colour."""
    hatch = drawing.pattern(id=HATCH, insert=(0, 0), size=(1.6, 1.6), patternUnits="userSpaceOnUse")
    hatch.add(drawing.rect((0, 0), (1.6, 1.6), fill=FULLER))
    for x in (-0.8, 0.8):
        hatch.add(drawing.line((x, 1.6), (x + 1.6, 0), stroke="black", stroke_width=0.25))
    drawing.defs.add(hatch)


class _Page(FigurePage):
    """Words, arrows and samples about the panels."""

    def words_on_top(self, comparison: SideComparison, facts: JobFacts) -> float:
        """Title and verdict; hands back where they end."""
        y = _MARGIN_MM + 0.8 * _TITLE_MM
        self.say(_title(comparison, facts), _MARGIN_MM, y, _TITLE_MM, bold=True)
        for row in wrapped(_kept(comparison.verdict), _WIDTH_MM - 2 * _MARGIN_MM, _VERDICT_MM):
            y += _LEADING * _VERDICT_MM
            self.say(row, _MARGIN_MM, y + 1.0, _VERDICT_MM)
        return y + 5.0

    def forward(self, x: float, y: float) -> None:
        """An arrow to the bow."""
        for d in (f"M{x},{y + 16} L{x},{y}", f"M{x - 3},{y + 5} L{x},{y} L{x + 3},{y + 5}"):
            self.drawing.add(self.drawing.path(d=d, stroke="black", stroke_width=0.7, fill="none"))
        self.say("FWD", x, y + 20.5, 4.0, bold=True, text_anchor="middle")

    def legend(self, comparison: SideComparison, facts: JobFacts) -> None:
        """What each line, area and bar means, each with a sample of itself."""
        tolerance = format_length(comparison.tolerance_mm, facts.units)
        unit = "mm" if facts.units == "mm" else "inches"
        one, other = _called(comparison)
        mirrored = "" if comparison.starboard_mirrored.measured else ", mirrored"
        samples: tuple[tuple[str, dict[str, Any]], ...] = (
            (f"{one}'s edge", {"stroke_width": 0.55}),
            (f"{other}'s{mirrored}", {"stroke_width": 0.35, "stroke_dasharray": "1.8 1"}),
            (f"{other} fuller there (+)", {"area": f"url(#{HATCH})"}),
            (f"{one} fuller there (\u2212)", {"area": LEANER}),
            ("cannot be told from no gap (95 %)", {"area": BAND}),
            (f"DIFFERENT by more than {tolerance}", {"stroke_width": 1.5}),
            (
                f"CANNOT TELL whether within {tolerance}",
                {"stroke_width": 1.5, "stroke_dasharray": "0.5 0.9"},
            ),
            (f"no bar: SAME within {tolerance}", {}),
        )
        top = _HEIGHT_MM - _MARGIN_MM - _LEGEND_MM + 5.0
        column = (_WIDTH_MM - 2 * _MARGIN_MM) / 3
        for k, (text, style) in enumerate(samples):
            x, y = _MARGIN_MM + (k // 3) * column, top + (k % 3) * 1.7 * _SMALL_MM
            self._sample(x, y, style)
            self.say(text, x + 15.0, y, _SMALL_MM)
        y = top + 3 * 1.7 * _SMALL_MM + 0.6 * _SMALL_MM
        date = facts.date.isoformat() if facts.date else "no date given"
        words = (
            f"Numbers: largest gap of a stretch and its doubt, {unit}; the band holds everywhere at"
            f" once with 95 %. {date[0].upper()}{date[1:]}."
        )
        for row in wrapped(words, _WIDTH_MM - 2 * _MARGIN_MM, _SMALL_MM):
            self.say(row, _MARGIN_MM, y, _SMALL_MM)
            y += _LEADING * _SMALL_MM

    def _sample(self, x: float, y: float, style: dict[str, Any]) -> None:
        if "area" in style:
            self.drawing.add(
                self.drawing.rect((f"{x:.2f}", f"{y - 2.6:.2f}"), (12.0, 3.0), fill=style["area"])
            )
        elif style:
            self.drawing.add(
                self.drawing.path(
                    d=f"M{x:.2f},{y - 1.1:.2f} h12", stroke="black", fill="none", **style
                )
            )
