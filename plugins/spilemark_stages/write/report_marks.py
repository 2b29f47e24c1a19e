"""The marks and round holes of every pattern as a table of the report."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from spilemark import wording
from spilemark.circles import circle_of, is_closed_mark
from spilemark.records import Floats, Polyline, RegisteredPattern
from spilemark.template import straight_ends
from spilemark.uncertainty import u95_fit
from spilemark_stages.write.report_words import Row, Table

Words = Callable[[float], str]


def mark_table(
    patterns: Iterable[RegisteredPattern], length: Words, doubt: Words
) -> tuple[Table, ...]:
    """Where each mark and round hole lies; empty where there is none.

    Parameters
    ----------
    patterns
        As they lie on their line.
    length, doubt
        A length and a half-width, mm, in the job's units.
    """
    rows = [row for pattern in patterns for row in _rows(pattern, length, doubt)]
    if not rows:
        return ()
    return (
        Table(
            title="Marks and round holes on the face",
            head=("pattern", "mark", "size", "from", "to", "95 %"),
            rows=tuple(rows),
            under="Places across and forward, as on the template, of both ends or of the middle. "
            "95 %: across a mark, after the shape was laid on itself; letters are left out.",
        ),
    )


def _rows(pattern: RegisteredPattern, length: Words, doubt: Words) -> list[Row]:
    side = wording.SIDE_WORDS[pattern.side].lower()
    ring = pattern.outline.ring
    found: list[Row] = []
    for line in (*pattern.outline.of_role("mark"), *pattern.outline.of_role("hole")):
        wide = doubt(float(np.median(u95_fit(line, fitted_on=ring))))
        circle = circle_of(line)
        if circle is not None:
            size = f"Ø {length(2 * circle.radius_mm)}"
            found.append((side, line.name, size, _at(circle.centre_mm, length), "", wide))
        elif not line.closed and not is_closed_mark(line):
            found.append((side, line.name, *_ends(line, length), wide))
    return found


def _ends(line: Polyline, length: Words) -> tuple[str, str, str]:
    ends = straight_ends(line.points_mm)
    size = length(float(np.linalg.norm(ends[1] - ends[0])))
    return size, _at(ends[0], length), _at(ends[1], length)


def _at(point: Floats, length: Words) -> str:
    x, y = (float(v) for v in point)
    return f"{length(x)}, {length(y)}"
