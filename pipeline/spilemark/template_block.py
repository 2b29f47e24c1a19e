"""The block below a part: what to measure before cutting, and what has to be known of the sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spilemark import wording
from spilemark.ink import Words
from spilemark.ink_files import text_width_mm, wrapped
from spilemark.records import JobFacts, Label, RegisteredPattern, ScaleBasis, ScaleStatement, Stroke
from spilemark.template_part import line_stroke
from spilemark.units import INCH_MM, format_fine

CHECK_MM = 100.0
CHECK_INCH_MM = 4 * INCH_MM
LEAST_WIDTH_MM = 250.0
_SQUARE_WIDTH_MM = 126.0
_SQUARE_HEIGHT_MM = 122.0
_TICK_MM = 2.5
_BAR_WORDS_MM = 4.0
_SIDE_MM = 15.0
_NAME_MM = 7.0
_NAME_LEAST_MM = 3.6
_CAUTION_MM = 5.2
_WORDS_MM = (5.4, 5.0, 4.6, 4.2, 3.9)
"""Sizes to try: the largest that does not make the block higher than the check square."""
_LEADING = 1.38
_COLUMN_MM = 250.0
"""Words that have more than this in width stand in two columns."""
_COLUMN_GAP_MM = 10.0


@dataclass(frozen=True, slots=True)
class Block:
    """What stands below the part, and how high it is."""

    strokes: tuple[Stroke, ...]
    labels: tuple[Label, ...]
    height_mm: float


@dataclass(frozen=True, slots=True)
class _Row:
    text: str
    size_mm: float
    bold: bool = False
    gap_mm: float = 0.0
    """Above it."""


def sheet_block(
    pattern: RegisteredPattern,
    facts: JobFacts,
    scale: ScaleStatement,
    *,
    left_mm: float,
    top_mm: float,
    width_mm: float,
    curve_tolerance_mm: float,
) -> Block:
    """Check square on the left, words on the right of it.

    Parameters
    ----------
    pattern, facts, scale
    left_mm, top_mm, width_mm : float
        Where the block may stand; at least ``LEAST_WIDTH_MM`` wide.
    curve_tolerance_mm : float
        To be stated.
    """
    strokes, labels = _check_square(left_mm, top_mm)
    left, room = left_mm + _SQUARE_WIDTH_MM, width_mm - _SQUARE_WIDTH_MM
    y = top_mm - 0.75 * _SIDE_MM
    labels += _heading(pattern, facts, left, y, left_mm + width_mm)
    y -= 0.35 * _SIDE_MM
    cautions = _rows([wording.CHECK_BARS], room, _CAUTION_MM, bold=True)
    if scale.basis is ScaleBasis.NOMINAL:
        cautions += _rows([wording.NO_SIZE], room, _CAUTION_MM, bold=True)
    y = _set(cautions, left, y, labels)
    texts = _paragraphs(pattern, facts, scale, curve_tolerance_mm)
    for size in _WORDS_MM:
        words: list[Label] = []
        bottom = _columns(texts, size, left, y - 1.5, room, words)
        if top_mm - bottom <= _SQUARE_HEIGHT_MM:
            break
    height = max(_SQUARE_HEIGHT_MM, top_mm - bottom)
    return Block(tuple(strokes), (*labels, *words), height)


def _columns(
    texts: list[str], size: float, left: float, top: float, room: float, labels: list[Label]
) -> float:
    """Set paragraphs in one column or two; hands back where the longer one ends."""
    columns = 2 if room > _COLUMN_MM else 1
    column = (room - (columns - 1) * _COLUMN_GAP_MM) / columns
    rows = _rows(texts, column, size)
    half = _break(rows, columns)
    return min(
        _set(part, left + k * (column + _COLUMN_GAP_MM), top, labels)
        for k, part in enumerate((rows[:half], rows[half:]))
        if part
    )


def _heading(
    pattern: RegisteredPattern, facts: JobFacts, left: float, base: float, right: float
) -> list[Label]:
    """The side large, boat and part beside it."""
    side = Words(text=wording.SIDE_WORDS[pattern.side], at=(0, 0), size_mm=_SIDE_MM, bold=True)
    labels = [Label(text=side.text, at_mm=(left, base), height_mm=_SIDE_MM, bold=True)]
    x = left + text_width_mm(side) + 6.0
    names = [text for text in (facts.part, facts.boat) if text]
    labels += [
        Label(text=text, at_mm=(x, base + (1 - k) * 1.05 * _NAME_MM), height_mm=size)
        for k, (text, size) in enumerate(_in_one_line(name, right - x) for name in names)
    ]
    return labels


def _in_one_line(text: str, room: float) -> tuple[str, float]:
    """A name as large as fits on one line, and cut short where it would become too small."""

    def width(words: str, size: float) -> float:
        return text_width_mm(Words(text=words, at=(0, 0), size_mm=size))

    size = float(min(_NAME_MM, _NAME_MM * room / max(width(text, _NAME_MM), 1e-9)))
    if size >= _NAME_LEAST_MM:
        return text, size
    while len(text) > 1 and width(f"{text}...", _NAME_LEAST_MM) > room:
        text = text[:-1]
    return f"{text.rstrip()}...", _NAME_LEAST_MM


def _paragraphs(
    pattern: RegisteredPattern, facts: JobFacts, scale: ScaleStatement, tolerance: float
) -> list[str]:
    texts = []
    if scale.basis is not ScaleBasis.NOMINAL:
        texts += [wording.doubt_words(pattern, facts, scale), wording.line_words(pattern, facts)]
    texts.append(wording.size_words(scale, pattern.outline.views, facts))
    texts.append(wording.datum_words(pattern, facts))
    seen = wording.photo_words(pattern)
    if not pattern.outline.ring.seen.all():
        seen += " Dashed edge: NOT SEEN, guessed; check it on the pattern."
    texts.append(seen)
    texts.append(
        "The middle of the line is the edge; drawn within"
        f" {format_fine(tolerance, facts.units)} of the points measured."
    )
    date = f"Date: {wording.date_words(facts)}." if facts.date else "No date given."
    texts.append(f"{date} {wording.face_words(pattern)} {wording.forward_words(pattern)}")
    texts.append(wording.STRUCTURE)
    return texts


def _rows(texts: list[str], width: float, size: float, *, bold: bool = False) -> list[_Row]:
    return [
        _Row(row, size, bold, gap_mm=0.45 * size if k == 0 else 0.0)
        for text in texts
        for k, row in enumerate(wrapped(_kept_together(text), width, size, bold=bold))
    ]


def _kept_together(text: str) -> str:
    """A number and its unit do not part at the end of a line."""
    for unit in ("mm", "%"):
        text = text.replace(f" {unit}", f"\u00a0{unit}")
    return text


def _break(rows: list[_Row], columns: int) -> int:
    """After which row the second column begins: at a paragraph, about half way down."""
    if columns == 1:
        return len(rows)
    starts = [k for k, row in enumerate(rows) if row.gap_mm > 0 and k > 0]
    return min(starts, key=lambda k: abs(2 * k - len(rows)), default=len(rows))


def _set(rows: list[_Row], left: float, top: float, labels: list[Label]) -> float:
    """Add rows from a top edge down; hands back where they end."""
    y = top
    for row in rows:
        y -= row.gap_mm + _LEADING * row.size_mm
        labels.append(Label(text=row.text, at_mm=(left, y), height_mm=row.size_mm, bold=row.bold))
    return y


def _check_square(left: float, top: float) -> tuple[list[Stroke], list[Label]]:
    """Two bars at right angles in mm and in inches, and a 100 mm square with its diagonals."""
    x, y = left + 14.0, top - 2.0 - CHECK_INCH_MM
    far_x, far_y = x + CHECK_MM, y + CHECK_MM
    across, along = y - 8.0, x - 8.0
    strokes = [
        line_stroke("check", "bar-100mm-across", (x, y), (far_x, y)),
        line_stroke("check", "bar-100mm-along", (x, y), (x, far_y)),
        line_stroke("check", "square", (x, far_y), (far_x, far_y), (far_x, y)),
        line_stroke("check", "diagonal-rising", (x, y), (far_x, far_y)),
        line_stroke("check", "diagonal-falling", (x, far_y), (far_x, y)),
        line_stroke("check", "bar-4in-across", (x, across), (x + CHECK_INCH_MM, across)),
        line_stroke("check", "bar-4in-along", (along, y), (along, y + CHECK_INCH_MM)),
    ]
    strokes += [
        line_stroke("check", "tick", (at, across - _TICK_MM), (at, across + _TICK_MM))
        for at in (x, x + CHECK_INCH_MM)
    ]
    strokes += [
        line_stroke("check", "tick", (along - _TICK_MM, at), (along + _TICK_MM, at))
        for at in (y, y + CHECK_INCH_MM)
    ]
    diagonal = math.hypot(CHECK_MM, CHECK_MM)
    half = 0.5 * CHECK_MM
    placed = (
        ("100 mm", x + half, y + 2.0, 0.0),
        ("4 in", x + half, across - 1.3 * _BAR_WORDS_MM, 0.0),
        ("100 mm", x + 1.3 * _BAR_WORDS_MM, y + half, 90.0),
        ("4 in", along - 0.5 * _BAR_WORDS_MM, y + half, 90.0),
        (f"diagonals {diagonal:.1f} mm", x + half, far_y - 1.6 * _BAR_WORDS_MM, 0.0),
    )
    labels = [
        Label(text=text, at_mm=(px, py), height_mm=_BAR_WORDS_MM, turn_deg=turn, anchor="middle")
        for text, px, py, turn in placed
    ]
    return strokes, labels
