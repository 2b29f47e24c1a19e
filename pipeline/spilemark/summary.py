"""What the terminal says: verdict, numbers, what to do."""

from __future__ import annotations

from spilemark import wording
from spilemark.records import Note, RegisteredPattern, Verdict
from spilemark.results import JobResult
from spilemark.uncertainty import budget

_WIDTH = 96
_ASCII = str.maketrans({"±": "+-", "°": " deg", "×": "x", "–": "-", "’": "'", "²": "2"})
_HELP = {
    "card print scale": "measure the distance between two cards far apart (--distance)",
    "measured check bars": "tape the distance between two cards far apart (--distance)",
    "taped distance": "use a scale batten: two cards on a stiff strip, measured once",
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


def summary_lines(result: JobResult) -> list[str]:
    """Lines for the terminal, ASCII, verdict first."""
    lines: list[str] = []
    comparison = result.comparison
    if comparison is not None:
        lines += _wrap(comparison.verdict)
        lines += _wrap(_one_part(comparison.one_part_serves_both))
        lines.append("")
    for pattern in result.patterns.values():
        lines += _pattern_lines(pattern, result)
    lines.append("")
    lines += _wrap(wording.scale_words(result.survey.scale))
    warnings = [n for n in result.notes if n.severity == "warn"]
    others = [n for n in result.notes if n.severity == "info"]
    for title, notes in (("Mind:", warnings), ("Noted:", others)):
        if notes:
            lines += ["", title]
            for note in notes:
                lines += _bullet(note)
    return [line.translate(_ASCII).encode("ascii", "replace").decode() for line in lines]


def summary_text(result: JobResult) -> str:
    """The lines of :func:`summary_lines` as one text."""
    return "\n".join(summary_lines(result))


def _one_part(answer: bool | None) -> str:
    if answer is None:
        return "Whether one part, flipped, serves both sides cannot be told from these photos."
    if answer:
        return "One part, flipped, serves both sides within the tolerance."
    return "One part does not serve both sides: make two, or make the larger and plane to fit."


def _pattern_lines(pattern: RegisteredPattern, result: JobResult) -> list[str]:
    doubt = wording.doubt_of(pattern)
    name = str(pattern.side).capitalize()
    lines = _wrap(f"{name}: {wording.fixed_words(doubt.shape_mm, result.facts)}")
    if pattern.datum == "centreline":
        lines += _wrap(f"About its line +-{doubt.frame_mm:.2f} mm.", "  ")
    lines += _wrap(wording.photo_words(pattern), "  ")
    causes = budget(pattern, after="fit")
    largest = next((c for c in causes if c.cause in _HELP), causes[0])
    words = f"Most of the doubt ({largest.u95_mm:.2f} mm) comes from: {largest.cause}"
    if largest.cause in _HELP:
        words += f"; to shrink it, {_HELP[largest.cause]}"
    lines += _wrap(f"{words}.", "  ")
    return lines


def advice_for(cause: str) -> str:
    """What would shrink one kind of doubt, or nothing."""
    return _HELP.get(cause, "")


def _bullet(note: Note) -> list[str]:
    where = f"{note.photo}: " if note.photo and note.photo not in note.text else ""
    return _wrap(f"{where}{note.text}", "    ", first="  - ")


def _wrap(text: str, indent: str = "", first: str | None = None) -> list[str]:
    import textwrap

    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent if first is None else first, subsequent_indent=indent
    )


def verdict_counts(result: JobResult) -> dict[str, int]:
    """How many stretches have each verdict, in the alignment that the verdict is about."""
    if result.comparison is None:
        return {}
    stations = result.comparison.alignments[0].stations
    return {str(v): sum(s.verdict is v for s in stations) for v in Verdict}
