"""Tables of report.html on how patterns were laid: on their lines, and on each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable

import numpy as np

from spilemark import wording
from spilemark.line_ways import line_ways
from spilemark.own_mirror import OwnMirror, axis_words
from spilemark.records import (
    Alignment,
    JobFacts,
    RegisteredPattern,
    SideComparison,
    Station,
    Verdict,
)
from spilemark.results import JobResult
from spilemark_stages.write.report_words import Row, Table

_ANSWERS = {
    "centreline": "on their pencil lines: does a flipped part sit where the other sat?",
    "corner and edge": "on corner and edge: does it fit into the hull's corner?",
    "best fit": "as they fit best: is it the same shape?",
}


def verdict_of(result: JobResult) -> str:
    """What is said first: of the two sides, or of a part's two halves."""
    if result.comparison is not None:
        return result.comparison.verdict
    halves = result.halves
    return "" if halves is None else f"{halves.verdict} {axis_words(halves, result.facts)}"


def line_tables(
    patterns: Iterable[RegisteredPattern], facts: JobFacts, doubt: Callable[[float], str]
) -> tuple[Table, ...]:
    """How well each pattern's line tells its direction, as told and in other ways."""
    tables = []
    for pattern in patterns:
        ways = line_ways(pattern, facts)
        if not ways:
            continue
        rows = tuple((w.words, f"±{w.turn_u95_deg:.2f}°", doubt(w.toe_u95_mm)) for w in ways)
        name = wording.SIDE_WORDS[pattern.side]
        whose = "the part's" if name == "centre" else f"the {name} pattern's"
        tables.append(
            Table(
                title=f"Which way {whose} line runs, by how it is told",
                head=("told by", "direction, 95 %", "which is, at its far toe"),
                rows=rows,
                under="The first row is what was measured; the others are what this pattern would "
                f"give with a pencil good to ±{2 * facts.line_doubt_mm:.1f} mm at each end, and tags "
                "laid to ±0.6 mm at each tick: assumed, not measured.",
            )
        )
    return tuple(tables)


def laying_table(
    comparison: SideComparison, judged: Callable[[float, float, Verdict], Row]
) -> Table:
    """What each way of laying the sides on each other answers, and what it found."""
    rows = []
    for alignment in comparison.alignments:
        worst = _worst(alignment)
        gap, band = ("not seen", "–") if worst is None else judged(*worst)[:2]
        rows.append((_ANSWERS[alignment.datum], gap, band, _tally(alignment)))
    return Table(
        title="The sides laid on each other: each way answers its own question",
        head=("laid, and what it answers", "largest gap", "95 %", "stretches"),
        rows=tuple(rows),
        under="Where the lines are short or badly drawn, the first is the least certain and the "
        "others, which need no line, stand beside it. What turns a pattern as a whole (a racked hull) shows in the first "
        "only.",
    )


def halves_table(
    halves: OwnMirror,
    length: Callable[[float, int], str],
    judged: Callable[[float, float, Verdict], Row],
) -> Table:
    """A part against its own mirror image, stretch by stretch of its starboard half."""
    first, *others = halves.comparison.alignments
    head: Row = ("edge", "middle at", "largest gap", "95 %", "verdict")

    def row(s: Station) -> Row:
        return s.edge, length(s.s_mm, 0), *judged(s.gap_mm, s.u95_mm, s.verdict)

    rows = [row(s) for s in first.stations]
    if others and len(others[0].stations) == len(rows):
        head = (*head, "about its own middle line", "95 %", "verdict")
        rows = [(*told, *row(s)[2:]) for told, s in zip(rows, others[0].stations, strict=True)]
    return Table(
        title="The part's two halves, port's laid over on starboard's about the line",
        head=head,
        rows=tuple(rows),
        under="+ where port is fuller. The 95 % hold for all stretches at once.",
    )


def _worst(alignment: Alignment) -> tuple[float, float, Verdict] | None:
    known = [s for s in alignment.stations if np.isfinite(s.gap_mm)]
    if not known:
        return None
    worst = max(known, key=lambda s: abs(s.gap_mm))
    return worst.gap_mm, worst.u95_mm, worst.verdict


def _tally(alignment: Alignment) -> str:
    count = Counter(s.verdict for s in alignment.stations)
    words = (
        (Verdict.SAME, "same"),
        (Verdict.DIFFERENT, "different"),
        (Verdict.CANNOT_TELL, "cannot tell"),
    )
    return ", ".join(f"{count[v]} {word}" for v, word in words if count[v]) or "none"
