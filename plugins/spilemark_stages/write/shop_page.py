"""The page for the saw, laid out: who and what, drawing, table, and what has to be known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from spilemark import wording
from spilemark.card_papers import PAPERS
from spilemark.grain import THROAT, Grain, grain_of
from spilemark.ink import Anchor, Mark, Point, Sheet, Stroke, Words, box
from spilemark.ink_files import text_width_mm, wrapped
from spilemark.records import RegisteredPattern, Side
from spilemark.results import JobResult
from spilemark.units import Units, format_inches, format_length
from spilemark_stages.write import shop_drawing as drawing
from spilemark_stages.write.shop_rows import (
    EdgeTable,
    Row,
    Stretch,
    edge_tables,
    stretches_of,
    take_off_words,
)
from spilemark_stages.write.shop_words import SMALL_MM, TEXT_MM, Text, footer_texts
from spilemark_stages.write.tiled_part import legible

MARGIN_MM = 11.0
_TITLE_MM, _HEADLINE_MM = 8.0, 4.6
_LEADING = 1.32
_ROW_MM, _CELL_MM = 5.4, 3.8
"""Figures of 3.8 mm (11 point) are read at arm's length."""
_BLOCK_GAP_MM = 5.0
_LEAST_DRAWING_MM = 92.0
_SMALLEST_DRAWING_MM = 78.0
"""The arrow and the grain beside it stand so high."""
_LEAST_ROWS = 9
_LEGEND_MM = 12.6
_LEGEND_WORDS_MM = 2.9
_FINE_MM = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    """One column of the table: where it begins in its block, its head, how its cells stand."""

    left: float
    head: str
    anchor: Anchor = "start"


def shop_page(result: JobResult, paper: str) -> Sheet:
    """Lay out the page of one job.

    Parameters
    ----------
    result : JobResult
    paper : {"a4", "letter"}
    """
    page = PAPERS[paper]
    return _Page(result, page.width_mm, page.height_mm).sheet()


class _Page:
    def __init__(self, result: JobResult, width: float, height: float) -> None:
        self.result, self.facts = result, result.facts
        self.units: Units = result.facts.units
        self.width, self.height = width, height
        self.left, self.right = MARGIN_MM, width - MARGIN_MM
        self.room = width - 2 * MARGIN_MM
        self.marks: list[Mark] = []
        comparison = result.comparison
        self.comparison = comparison
        self.stretches = stretches_of(comparison)
        self.pattern: RegisteredPattern = (
            comparison.port if comparison is not None else next(iter(result.patterns.values()))
        )

    def sheet(self) -> Sheet:
        y = self.verdict(self.heading(MARGIN_MM))
        footer = self.footer_lines()
        if self.rows(y, footer, _SMALLEST_DRAWING_MM) < _LEAST_ROWS:
            footer = self.footer_lines(short=True)
        bottom = self.height - MARGIN_MM - _stands_mm(footer)
        stretches = self.stretches
        room = self.rows(y, footer, _LEAST_DRAWING_MM)
        most = max(room, min(_LEAST_ROWS, self.rows(y, footer, _SMALLEST_DRAWING_MM)))
        tables, blocks = self.fitting(most)
        needed = max(_height(b) for b in blocks)
        # What the table does not take, the drawing does, and it gives way where much is to be said.
        drawn = max(_SMALLEST_DRAWING_MM, _LEAST_DRAWING_MM + (room - needed) * _ROW_MM)
        frame = drawing.Frame(self.left, y, self.room, drawn)
        art = drawing.draw(
            self.pattern, self.comparison, tables, stretches, frame, self.units, self.grain()
        )
        self.marks += art.marks
        y = self.legend(y + drawn, art.one_to, stretches)
        self.table(blocks, y + 2.0)
        self.footer(footer, bottom)
        return Sheet(
            title=self.title(), width_mm=self.width, height_mm=self.height, marks=tuple(self.marks)
        )

    def grain(self) -> Grain:
        """As the part is laid in its wood, where the job has some; else of the pattern itself."""
        laid = self.result.blank.laid.get(self.pattern.side)
        if laid is not None:
            return laid.grain
        outline = self.pattern.outline
        throat = self.facts.edge_names.get(THROAT, THROAT)
        return grain_of(outline.ring.points_mm, outline.edges, throat=throat)

    def rows(self, top: float, footer: Sequence[Text], drawn: float) -> int:
        """How many rows of the table there is room for under a drawing so high."""
        free = self.height - MARGIN_MM - _stands_mm(footer) - top - _LEGEND_MM - 4.0
        return math.floor((free - drawn - 2 * _CELL_MM) / _ROW_MM)

    def fitting(self, most: int) -> tuple[Sequence[EdgeTable], list[list[EdgeTable]]]:
        """The closest stations whose two columns are no higher than ``most`` rows."""
        for total in range(2 * most, 1, -1):
            tables = edge_tables(self.result, self.pattern, self.stretches, total, self.units)
            blocks = _in_blocks(tables, most)
            if max(map(_height, blocks)) <= most:
                break
        return tables, blocks

    def title(self) -> str:
        return legible(", ".join(w for w in (self.facts.boat, self.facts.part, "for the saw") if w))

    def say(
        self,
        text: str,
        x: float,
        y: float,
        size: float,
        *,
        bold: bool = False,
        anchor: Anchor = "start",
    ) -> None:
        self.marks.append(
            Words(text=legible(text, bold=bold), at=(x, y), size_mm=size, bold=bold, anchor=anchor)
        )

    def rule(self, *points: Point, width: float = _FINE_MM) -> None:
        self.marks.append(Stroke(points=points, width_mm=width))

    def heading(self, top: float) -> float:
        """Part and boat, sides and date; hands back where it ends."""
        if self.comparison is not None:
            sides = "PORT + STARBOARD"
        else:
            sides = wording.SIDE_WORDS[self.pattern.side]
        size = 5.6
        sides_width = text_width_mm(Words(text=sides, at=(0, 0), size_mm=size, bold=True))
        name = self.facts.part or self.facts.boat or "Pattern"
        name = name[0].upper() + name[1:]
        self.one_line(name, self.left, top + 6.4, _TITLE_MM, self.room - sides_width - 6.0)
        self.say(sides, self.right, top + 5.6, size, bold=True, anchor="end")
        unnamed = "" if self.facts.part else "part not named (--part)"
        boat = self.facts.boat if self.facts.part else ""
        below = ", ".join(w for w in (boat, unnamed, wording.date_words(self.facts)) if w)
        not_true = "NOT TRUE SIZE: do not trace from this page"
        width = text_width_mm(Words(text=not_true, at=(0, 0), size_mm=TEXT_MM, bold=True))
        self.one_line(below, self.left, top + 12.0, 4.0, self.room - width - 6.0, bold=False)
        self.say(not_true, self.right, top + 12.0, TEXT_MM, bold=True, anchor="end")
        self.rule((self.left, top + 14.2), (self.right, top + 14.2), width=0.5)
        return top + 14.2

    def one_line(
        self, text: str, x: float, y: float, size: float, room: float, *, bold: bool = True
    ) -> None:
        """Words on one line, smaller where they must be, cut where that is not enough."""
        text = legible(text, bold=bold)

        def width(words: str, at: float) -> float:
            return text_width_mm(Words(text=words, at=(0, 0), size_mm=at, bold=bold))

        while width(text, size) > room and size > 3.6:
            size *= 0.93
        while width(text, size) > room and len(text) > 2:
            text = text.rstrip("…")[:-1] + "…"
        self.say(text, x, y, size, bold=bold)

    def verdict(self, top: float) -> float:
        """What to do, in one bold sentence, and why in a smaller one."""
        if self.comparison is None:
            headline = {
                Side.PORT: "One side only: nothing is said of starboard.",
                Side.STARBOARD: "One side only: nothing is said of port.",
                Side.SINGLE: "A part on the centreline.",
            }[self.pattern.side]
            reason = wording.photo_words(self.pattern)
        else:
            headline = wording.one_part_words(self.comparison.one_part_serves_both)
            reason = self.comparison.verdict
        y = top
        if self.result.scale_is_nominal:
            y = self.paragraph(wording.NO_SIZE, y, TEXT_MM, bold=True)
        if not all(pattern.outline.whole for pattern in self.result.patterns.values()):
            y = self.paragraph(wording.NOT_WHOLE, y, TEXT_MM, bold=True)
        if self.comparison is not None:
            drawn = wording.drawn_words(tuple(self.result.patterns.values()))
            y = self.paragraph(drawn, y, TEXT_MM, bold=True) if drawn else y
        y = self.paragraph(headline, y + 1.2, _HEADLINE_MM, bold=True)
        size = TEXT_MM if len(reason) < 300 else SMALL_MM
        return self.paragraph(reason, y + 0.6, size) + 1.5

    def paragraph(self, text: str, top: float, size: float, *, bold: bool = False) -> float:
        y = top
        for line in wrapped(legible(text, bold=bold), self.room, size, bold=bold):
            y += _LEADING * size
            self.say(line, self.left, y, size, bold=bold)
        return y

    def legend(self, top: float, one_to: float, stretches: Sequence[Stretch]) -> float:
        """The scale of the drawing and its lines, two rows."""
        y = top + _LEADING * TEXT_MM
        x = self.left
        samples: list[tuple[str, float, tuple[float, ...], float]]
        if self.comparison is None:
            samples = [("edge as measured", drawing.SOLID_MM, (), 0.0)]
        else:
            samples = [
                ("PORT", drawing.SOLID_MM, (), 0.0),
                ("STARBOARD, mirrored", drawing.DASHED_MM, drawing.DASHES_MM, 0.0),
            ]
        if self.pattern.outline.of_role("centreline"):
            samples.append(("pencil line", drawing.LINE_MM, drawing.LINE_DASHES_MM, 0.0))
        if stretches:
            samples.append(("see A, B ... below", drawing.BAR_MM, (), 0.45))
        for text, width, dashes, grey in samples:
            ends = ((x, y - 1.2), (x + 11.0, y - 1.2))
            self.marks.append(Stroke(points=ends, width_mm=width, dash_mm=dashes, grey=grey))
            self.say(text, x + 12.5, y, _LEGEND_WORDS_MM)
            x += 12.5 + 6.0
            x += text_width_mm(Words(text=text, at=(0, 0), size_mm=_LEGEND_WORDS_MM))
        words = f"Drawn 1:{one_to:g}, seen from above; numbers run from each edge's own corner."
        if self.comparison is not None:
            words += " Laid on each other as they fit best; where one line shows, they are alike."
        for line in wrapped(words, self.room, _LEGEND_WORDS_MM):
            y += _LEADING * _LEGEND_WORDS_MM
            self.say(line, self.left, y, _LEGEND_WORDS_MM)
        return top + _LEGEND_MM

    def columns(self, width: float) -> list[_Column]:
        unit = "mm" if self.units == "mm" else "in"
        at = (0.155 if self.units == "mm" else 0.2) * width
        bevel = 0.77 * width
        if self.comparison is None:
            return [
                _Column(left=at, head=f"at {unit}", anchor="end"),
                _Column(left=0.44 * width, head="across", anchor="end"),
                _Column(left=0.71 * width, head="forward", anchor="end"),
                _Column(left=bevel, head="bevel"),
            ]
        return [
            _Column(left=at, head=f"at {unit}", anchor="end"),
            _Column(left=at + 4.0, head="PORT off"),
            _Column(left=at + 4.0 + 0.29 * width, head="STBD off"),
            _Column(left=bevel, head="bevel"),
        ]

    def table(self, blocks: Sequence[Sequence[EdgeTable]], top: float) -> None:
        width = (self.room - _BLOCK_GAP_MM * (len(blocks) - 1)) / max(len(blocks), 1)
        for k, block in enumerate(blocks):
            left = self.left + k * (width + _BLOCK_GAP_MM)
            columns = self.columns(width)
            y = top + _CELL_MM
            for column in columns:
                self.say(
                    column.head, left + column.left, y, SMALL_MM, bold=True, anchor=column.anchor
                )
            self.rule((left, y + 1.2), (left + width, y + 1.2), width=0.3)
            y += 1.2
            for table in block:
                y += _ROW_MM
                self.edge_name(table, left, y - 1.3, width)
                for row in table.rows:
                    y += _ROW_MM
                    self.row(row, columns, left, y - 1.5, width)
                    self.rule((left, y), (left + width, y), width=0.1)

    def edge_name(self, table: EdgeTable, left: float, y: float, width: float) -> None:
        name = legible(table.name, bold=True)
        self.say(name, left, y, _CELL_MM, bold=True)
        x = left + text_width_mm(Words(text=name, at=(0, 0), size_mm=_CELL_MM, bold=True)) + 2.0
        corner = (
            table.begins
            if not table.begins or "corner" in table.begins
            else f"{table.begins} corner"
        )
        length = format_length(table.length_mm, self.units, 0)
        for text in (
            f"{length} long, from the {corner}" if corner else f"{length} long",
            f"{length}, from {table.begins}" if corner else length,
            length,
        ):
            if x + text_width_mm(Words(text=text, at=(0, 0), size_mm=SMALL_MM)) <= left + width:
                self.say(text, x, y, SMALL_MM)
                return

    def row(
        self, row: Row, columns: Sequence[_Column], left: float, y: float, width: float
    ) -> None:
        at, first, second, bevel = (left + column.left for column in columns)
        self.say(
            drawing.station_words(row.s_mm, self.units),
            at,
            y,
            _CELL_MM,
            bold=bool(row.letter),
            anchor="end",
        )
        if row.letter:
            self.say(row.letter, left, y, _CELL_MM, bold=True)
        if self.comparison is None:
            x, forward = self.offsets(row)
            self.say(x, first, y, _CELL_MM, anchor="end")
            self.say(forward, second, y, _CELL_MM, anchor="end")
        else:
            self.take_off(row, Side.PORT, first, y)
            self.take_off(row, Side.STARBOARD, second, y)
        if row.bevel:
            size = SMALL_MM + 0.3
            long = text_width_mm(Words(text=row.bevel, at=(0, 0), size_mm=size))
            self.say(row.bevel, bevel, y, size * min(1.0, (left + width - bevel) / long))
        else:
            edges = box(bevel, y - _CELL_MM + 0.2, left + width - bevel, _ROW_MM - 0.9)
            self.marks.append(Stroke(points=edges, width_mm=0.2, closed=True))

    def take_off(self, row: Row, side: Side, x: float, y: float) -> None:
        mm, inches = take_off_words(row, side)
        bold = bool(row.letter) and bool(inches)
        text = mm if self.units == "mm" else inches or mm
        size = _CELL_MM if inches or mm == "–" else SMALL_MM
        self.say(text, x, y, size, bold=bold)

    def offsets(self, row: Row) -> tuple[str, str]:
        """Place of a station: from the pencil line across, from the outer corner forward."""
        line = self.pattern.centreline_offset_mm or 0.0
        sign = -1.0 if self.pattern.side is Side.PORT else 1.0
        across = sign * (row.at_mm[0] - (line if self.pattern.centreline_offset_mm else 0.0))
        return self.signed(across), self.signed(row.at_mm[1])

    def signed(self, mm: float) -> str:
        if self.units == "mm":
            return f"{round(mm, 1) + 0.0:.1f}".replace("-", "−")
        return format_inches(mm).replace("-", "−")

    def footer_lines(self, *, short: bool = False) -> list[Text]:
        """What has to be known, wrapped: (line, size, bold)."""
        lines: list[Text] = []
        for text, size, bold in footer_texts(
            self.result, self.pattern, self.stretches, short=short
        ):
            lines += [
                (line, size, bold)
                for line in wrapped(legible(text, bold=bold), self.room, size, bold=bold)
            ]
        return lines

    def footer(self, lines: Sequence[Text], top: float) -> None:
        y = top
        self.rule((self.left, top + 0.6), (self.right, top + 0.6), width=0.3)
        for text, size, bold in lines:
            y += _LEADING * size
            self.say(text, self.left, y + 0.6, size, bold=bold)


def _in_blocks(tables: Sequence[EdgeTable], lines: int) -> list[list[EdgeTable]]:
    """Two columns, as even as whole edges let them be; an edge is parted only where it must be."""
    ways = [([*tables[:k]], [*tables[k:]]) for k in range(1, len(tables) + 1)]
    best = min(ways, key=lambda way: max(map(_height, way)))
    if max(map(_height, best)) <= lines:
        return [*best]
    first: list[EdgeTable] = []
    second: list[EdgeTable] = []
    for table in tables:
        room = lines - _height(first)
        if second or room < 2:
            second.append(table)
        elif 1 + len(table.rows) <= room:
            first.append(table)
        else:
            first.append(replace(table, rows=table.rows[: room - 1]))
            second.append(replace(table, rows=table.rows[room - 1 :]))
    return [first, second]


def _stands_mm(footer: Sequence[Text]) -> float:
    return sum(_LEADING * size for _, size, _ in footer)


def _height(block: Sequence[EdgeTable]) -> int:
    return sum(1 + len(table.rows) for table in block)
