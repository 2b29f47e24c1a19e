"""What the terminal says: verdict, numbers, what to do."""

from __future__ import annotations

import textwrap

from spilemark import wording
from spilemark.blank_parts import blank_summary
from spilemark.note_words import merged
from spilemark.own_mirror import axis_words
from spilemark.records import JobFacts, Note, RegisteredPattern, SideComparison
from spilemark.results import JobResult
from spilemark.shop.horning_words import NOT_SEEN, advice, against_patterns, finding
from spilemark.uncertainty import budget
from spilemark.units import format_length

_WIDTH = 96
_MOST_TAKE_OFF = 6
_KEPT_FOR_REPORT = ("difference-seen", "differences-more")
"""Differences that are not proved to pass the tolerance would bury those that are."""
_HELP = {
    "card print scale": "measure the distance between two cards far apart (--distance)",
    "measured check bars": "tape the distance between two cards far apart (--distance)",
    "taped distance": "use a scale batten: two cards on a stiff strip (--batten)",
    "scale batten": "measure the batten again with a better rule",
    "face height": "measure the stock with a caliper (--thickness)",
    "cards not lying flat": "glue the cards to flat stock",
    "lens": "put more cards round the pattern, also at the far ends",
    "reading of the crossings": "put more cards round the pattern, or go nearer",
    "reference line": "draw a longer, finer line (a knife line is finer than a pencil's)",
    "flatness of the sheet": "hold the pattern flat with weights",
    "edge place": "use softer light and a bench of another brightness than the pattern",
    "edge noise": "use softer light and a sharper photo",
}
_HELP_SCANNED = {
    "taped distance": "tape a longer distance, or measure it again with a steel rule",
    "cards not lying flat": "press the cards flat on the glass",
    "reading of the crossings": "put more cards round the pattern, or scan with more dots per inch",
    "flatness of the sheet": "press the pattern flat on the glass",
    "edge place": "lay a sheet of another brightness than the pattern behind it",
    "edge noise": "scan with more dots per inch, in grey or colour",
}
"""Where a scanner asks for something else than a camera."""


def summary_lines(result: JobResult) -> list[str]:
    """Lines for the terminal: verdict, numbers, what to do, what was noted."""
    lines: list[str] = []
    comparison = result.comparison
    if comparison is not None:
        lines += _wrap(comparison.verdict)
        lines += _wrap(wording.one_part_words(comparison.one_part_serves_both))
        lines += _take_off(comparison, result.facts)
    elif len(result.patterns) == 1:
        name = str(next(iter(result.patterns)))
        if result.halves is not None:
            lines += _wrap(result.halves.verdict)
            lines += _wrap(axis_words(result.halves, result.facts))
        else:
            lines += _wrap(f"One pattern was measured ({name}): a template, and no comparison.")
    lines.append("")
    for pattern in result.patterns.values():
        lines += _pattern_lines(pattern, result)
    lines += _shop(result)
    lines.append("")
    lines += _wrap(wording.scale_words(result.survey.scale))
    lines += _wrap(wording.stock_words(result.survey.views, result.facts))
    if result.scale_is_nominal:
        lines += _wrap(wording.NO_SIZE)
    notes = merged(result.notes)
    warnings = [n for n in notes if n.severity == "warn"]
    others = [n for n in notes if n.severity == "info" and n.code not in _KEPT_FOR_REPORT]
    for title, told in (("Mind:", warnings), ("Noted:", others)):
        if told:
            lines += ["", title]
            for note in told:
                lines += _bullet(note)
    lines += ["", *_wrap(wording.CHECK_BARS)]
    return lines


def below_words(result: JobResult) -> tuple[str, ...]:
    """Why a job that was done is below what was asked, a short sentence each; empty where it is not."""
    sides = [str(side) for side, p in result.patterns.items() if not p.outline.whole]
    found = []
    if sides:
        found.append(f"The {' and '.join(sides)} pattern runs out of the picture.")
    if result.scale_is_nominal:
        found.append("No size: nothing measured says how large it is.")
    if result.shop.left_out:
        left = " and ".join(str(side) for side in result.shop.left_out)
        found.append(f"Bevels and allowances of {left} could not be drawn.")
    if result.blank.left_out:
        left = " and ".join(str(side) for side in result.blank.left_out)
        found.append(f"The wood of {left} is not all worked out.")
    small = [str(side) for side, laid in result.blank.laid.items() if laid.fits is False]
    if small:
        found.append(f"The wood is too small for {' and '.join(small)}.")
    return tuple(found)


def summary_text(result: JobResult) -> str:
    """The lines of :func:`summary_lines` as one text."""
    return "\n".join(summary_lines(result))


def _shop(result: JobResult) -> list[str]:
    """The hull and what was drawn for the bench, in short; all of it stands in the report."""
    lines: list[str] = []
    hull, units = result.shop.hull, result.facts.units
    if hull is not None:
        said = (
            *finding(hull.horning, units),
            *(
                against_patterns(b, what, fixed=hull.order.fixed)
                for what, b in sorted(hull.beside, key=lambda p: p[1].found_u95_deg)[:1]
            ),
            *advice(hull.horning, units, fixed=hull.order.fixed),
        )
        lines += ["", "Hull:", *(row for text in said for row in _wrap(text, "    ", "  - "))]
        lines += _wrap(NOT_SEEN, "    ", "  - ")
    if result.shop.parts:
        sides = " and ".join(str(side) for side in result.shop.parts)
        lines += ["", *_wrap(f"Bevels and allowances are drawn on the templates of {sides}.")]
    lines += [
        row for text in blank_summary(result.blank, result.facts) for row in ("", *_wrap(text))
    ]
    return lines


def _line_advice(pattern: RegisteredPattern) -> str:
    """What to do where the place, not the shape, is what is least known."""
    largest = budget(pattern)[0].cause
    advice = advice_for(largest, scanned=_scanned(pattern))
    if largest == budget(pattern, after="fit")[0].cause or not advice:
        return ""
    return f" Most of that comes from: {largest}; to shrink it, {advice}."


def _take_off(comparison: SideComparison, facts: JobFacts) -> list[str]:
    """Where one part made for both sides would have to lose wood, the deepest cuts first."""
    deepest = sorted(comparison.take_off, key=lambda t: -t.most_mm)[:_MOST_TAKE_OFF]
    if not deepest or comparison.one_part_serves_both:
        return []
    lines = ["A part made as large as both would lose, at most:"]
    for cut in deepest:
        start, stop, most = (
            format_length(mm, facts.units, digits)
            for mm, digits in ((cut.from_mm, 0), (cut.to_mm, 0), (cut.most_mm, 1))
        )
        lines += _wrap(f"{most} to fit {cut.side}: {cut.edge}, {start} to {stop}", "    ", "  - ")
    return lines


def _pattern_lines(pattern: RegisteredPattern, result: JobResult) -> list[str]:
    name = str(pattern.side).capitalize()
    lines = []
    if result.scale_is_nominal:
        lines += _wrap(f"{name}: a shape without a size; see below.")
    else:
        words = wording.doubt_words(pattern, result.facts, result.survey.scale)
        lines += _wrap(f"{name}: {words}")
    if not result.scale_is_nominal and pattern.outline.whole:
        lines += _wrap(f"{wording.line_words(pattern, result.facts)}{_line_advice(pattern)}", "  ")
    lines += _wrap(wording.photo_words(pattern), "  ")
    causes = budget(pattern, after="fit")
    largest = causes[0].cause
    advice = advice_for(largest, scanned=_scanned(pattern))
    to_do = f"; to shrink it, {advice}" if advice else ""
    lines += _wrap(f"Most of the doubt of its shape comes from: {largest}{to_do}.", "  ")
    return lines


def advice_for(cause: str, *, scanned: bool = False) -> str:
    """What would shrink one kind of doubt, or nothing."""
    return (_HELP | _HELP_SCANNED if scanned else _HELP).get(cause, "")


def _scanned(pattern: RegisteredPattern) -> bool:
    return wording.where_it_lay([pattern]) == "on the glass"


def _bullet(note: Note) -> list[str]:
    where = f"{note.photo}: " if note.photo and note.photo not in note.text else ""
    return _wrap(f"{where}{note.text}", "    ", first="  - ")


def _wrap(text: str, indent: str = "", first: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )
