"""What report.html says, as plain words and numbers; how it looks is the template's part."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from spilemark import wording
from spilemark.blank_parts import blank_words
from spilemark.corner_angles import WORDS, corner_angle_deg
from spilemark.note_words import merged
from spilemark.records import (
    Note,
    RegisteredPattern,
    Side,
    SideComparison,
    Verdict,
)
from spilemark.results import JobResult
from spilemark.shop.lengths import show_degrees
from spilemark.shop_parts import card_rows, hull_lines, part_lines
from spilemark.summary import advice_for
from spilemark.template import drawn_ring
from spilemark.uncertainty import Contribution, budget
from spilemark.units import INCH_MM, Units, format_inches, format_mm, rounded_up_mm
from spilemark_stages.write.report_marks import mark_table
from spilemark_stages.write.report_sources import card_table, photo_rows
from spilemark_stages.write.report_unchecked import unchecked
from spilemark_stages.write.report_ways import halves_table, laying_table, line_tables, verdict_of
from spilemark_stages.write.report_words import (
    CAUSES,
    Content,
    NoteWords,
    PatternWords,
    Places,
    Row,
    Share,
    Table,
)
from spilemark_stages.write.shop_rows import fitted_alignment, stretches_of, thirty_seconds

_LAID = {
    "centreline": "on their pencil lines",
    "corner and edge": "on corner and edge",
    "best fit": "as they fit best",
}
_ANGLES = "Angles of the corners"
_MEASURED = f"Each {WORDS}."
_FEET_FROM_MM = 36 * INCH_MM
_MOST_STATIONS = 400
_SIGNS = {
    Verdict.DIFFERENT: "■ DIFFERENT",
    Verdict.CANNOT_TELL: "? CANNOT TELL",
    Verdict.SAME: "same",
}


def content_of(result: JobResult) -> Content:
    """Say everything of one job."""
    return _Teller(result).content()


class _Teller:
    """Writes words in the person's units."""

    def __init__(self, result: JobResult) -> None:
        self.result, self.facts = result, result.facts
        self.units: Units = result.facts.units
        self.comparison = result.comparison

    def content(self) -> Content:
        facts, result = self.facts, self.result
        notes, places = self.notes()
        return Content(
            title=", ".join(w for w in (facts.boat, facts.part) if w) or "Measured pattern",
            names=" · ".join((self.sides(), wording.date_words(facts))),
            headline=self.headline(),
            verdict=verdict_of(result),
            nominal=wording.NO_SIZE if result.scale_is_nominal else "",
            do_first=self.do_first(),
            patterns=tuple(self.pattern(p) for p in result.patterns.values()),
            tables=(
                *self.tables(),
                *(() if self.comparison is None else (laying_table(self.comparison, self.judged),)),
                *(
                    ()
                    if result.halves is None
                    else (halves_table(result.halves, self.length, self.judged),)
                ),
                *line_tables(result.patterns.values(), facts, lambda mm: self.doubt(mm, 1)),
                *mark_table(result.patterns.values(), self.length, lambda mm: self.doubt(mm, 2)),
            ),
            stations=None if self.comparison is None else self.stations(self.comparison),
            notes=notes,
            places=places,
            hull=_once(hull_lines(result.shop, self.units)),
            shop=self.shop(),
            unchecked=unchecked(self.result),
            not_included=wording.not_included(result.facts),
            lay=wording.where_it_lay(result.patterns.values()),
            scale=wording.size_words(result.survey.scale, result.survey.views, result.facts),
            rounding=self.rounding(),
            cards=card_table(result, self.signed),
            files=photo_rows(result),
            versions=tuple(result.versions.items()),
            cautions=(
                *wording.CAUTIONS,
                *([wording.GLUE] if result.shop.parts or result.blank.knees else []),
            ),
        )

    def length(self, mm: float, digits: int = 1) -> str:
        """A length of the part: feet and inches where it is long."""
        if not math.isfinite(mm):
            return "not seen"
        if self.units == "mm":
            return format_mm(mm, digits)
        if abs(mm) < _FEET_FROM_MM:
            return format_inches(mm)
        parts = round(abs(mm) / INCH_MM * 16)
        feet, rest = divmod(parts, 12 * 16)
        sign = "-" if mm < 0 else ""
        return f"{sign}{feet}' {format_inches(rest / 16 * INCH_MM)}"

    def small(self, mm: float, digits: int = 1) -> str:
        """A gap or a doubt, too small for fractions; never a flat zero for a doubt."""
        if not math.isfinite(mm):
            return "not seen"
        if self.units == "mm":
            return format_mm(mm, digits).replace("-", "−")
        return f'{mm / INCH_MM:.{digits + 1}f}"'.replace("-", "−")

    def doubt(self, mm: float, digits: int = 1) -> str:
        """A half-width with its sign, rounded up so that it is never said too small."""
        return f"±{self.small(rounded_up_mm(mm, self.units, digits), digits)}"

    def sides(self) -> str:
        names = [wording.SIDE_WORDS[side].lower() for side in self.result.patterns]
        return " and ".join("on the centreline" if n == "centre" else n for n in names)

    def headline(self) -> str:
        if self.comparison is not None:
            return wording.one_part_words(self.comparison.one_part_serves_both)
        if self.result.scale_is_nominal:
            return "One pattern was measured: its shape, without a size."
        if not self.whole():
            return "Part of a pattern was measured: it runs out of the photo."
        doubt = wording.doubt_of(next(iter(self.result.patterns.values())))
        return f"One pattern was measured; its shape is good to {self.doubt(doubt.shape_mm, 2)} (95 %)."

    def whole(self) -> bool:
        return all(p.outline.whole for p in self.result.patterns.values())

    def do_first(self) -> tuple[str, ...]:
        """What to do, in order."""
        lines = [] if self.whole() else [wording.NOT_WHOLE]
        if any(note.code == "veiled" for note in self.result.notes):
            lines.append(
                "Wipe the lens and take the photo again before you cut: through a veil the edge can be"
                " wrong by millimetres. See the notes."
            )
        if self.result.scale_is_nominal:
            lines.append(
                "Give it a size: tape the distance between two cards, or measure their check bars, "
                "and run again."
            )
        lines.append(wording.CHECK_BARS)
        for stretch in stretches_of(self.comparison):
            cut = stretch.cut
            lines.append(
                f"{cut.edge[0].upper()}{cut.edge[1:]}, {self.length(cut.from_mm, 0)} to "
                f"{self.length(cut.to_mm, 0)}: take {self.taken(cut.most_mm)} off to fit {cut.side}."
                f" Sawn to {cut.side}'s pattern, {stretch.fuller}'s part comes out short there, and"
                " wood cannot be put back."
            )
        lines.append(wording.TRUER)
        return tuple(lines)

    def taken(self, mm: float) -> str:
        if self.units == "mm":
            return format_mm(mm)
        return thirty_seconds(mm)

    def pattern(self, pattern: RegisteredPattern) -> PatternWords:
        side = wording.SIDE_WORDS[pattern.side]
        name = "Part on the centreline" if pattern.side is Side.SINGLE else side.capitalize()
        fit, datum = budget(pattern, after="fit"), budget(pattern)
        numbers: list[Row] = [("how it is drawn", wording.face_words(pattern))]
        if not pattern.forward_known:
            numbers.append(("forward", wording.forward_words(pattern)))
        if not self.result.scale_is_nominal and pattern.outline.whole:
            doubt = wording.doubt_of(pattern)
            about = "its line" if pattern.datum == "centreline" else "its corner and edge"
            numbers += [
                ("shape, anywhere seen", f"{self.doubt(doubt.shape_mm, 2)} (95 %)"),
                (f"place on {about}", f"{self.doubt(doubt.frame_mm, 2)} (95 %)"),
            ]
        numbers += [
            ("seen", wording.photo_words(pattern)),
            ("drawn", self.drawn(pattern)),
            ("x = 0", wording.datum_words(pattern, self.facts)),
        ]
        scanned = wording.where_it_lay([pattern]) == "on the glass"
        return PatternWords(
            side=pattern.side,
            name=name,
            numbers=tuple(numbers),
            shares=self.shares(fit),
            to_do=self.to_do(fit, scanned=scanned),
            line_to_do=""
            if datum[0].cause == fit[0].cause
            else self.to_do(datum, "place", scanned=scanned),
        )

    def drawn(self, pattern: RegisteredPattern) -> str:
        """How far the drawn edge leaves the points measured."""
        fitted = drawn_ring(pattern.outline)
        pieces = len(fitted.segments)
        return (
            f"As {pieces} lines and curves, nowhere more than {self.small(fitted.deviation_mm, 2)} "
            "from the points measured; corners stay sharp."
        )

    def shares(self, causes: Sequence[Contribution]) -> tuple[Share, ...]:
        total = sum(c.u95_mm**2 for c in causes) or 1.0
        return tuple(
            Share(
                words=CAUSES.get(c.cause, c.cause),
                doubt=self.doubt(c.u95_mm, 2),
                percent=round(100 * c.u95_mm**2 / total),
            )
            for c in causes
            if c.u95_mm**2 >= 0.005 * total
        )

    def to_do(self, causes: Sequence[Contribution], what: str = "shape", *, scanned: bool) -> str:
        """The first cause, from the largest on, that something can be done about, and what it brings."""
        total = sum(c.u95_mm**2 for c in causes)
        for cause in causes:
            advice = advice_for(cause.cause, scanned=scanned)
            if advice:
                left = math.sqrt(max(total - cause.u95_mm**2, 0.0))
                return (
                    f"To know its {what} better, {advice}: without that doubt, "
                    f"{self.doubt(math.sqrt(total), 2)} would be {self.doubt(left, 2)}."
                )
        return ""

    def tables(self) -> tuple[Table, ...]:
        comparison = self.comparison
        if comparison is None:
            return self.tables_of_one(next(iter(self.result.patterns.values())))
        lengths = tuple(
            (
                e.name,
                self.length(e.port_length_mm),
                self.length(e.starboard_length_mm),
                self.signed(e.starboard_length_mm - e.port_length_mm),
                self.doubt(e.u95_mm),
            )
            for e in comparison.edges
        )
        angles = tuple(
            (
                c.name,
                show_degrees(c.port_deg, 2),
                show_degrees(c.starboard_deg, 2),
                f"{c.starboard_deg - c.port_deg:+.2f}°".replace("-", "−"),
                f"±{c.u95_deg:.2f}°",
            )
            for c in comparison.corners
        )
        head = ("port", "starboard", "starboard − port", "95 %")
        return (
            Table(title=self.lengths_title(), head=("edge", *head), rows=lengths),
            Table(title=_ANGLES, head=("corner", *head), rows=angles, under=_MEASURED),
        )

    def tables_of_one(self, pattern: RegisteredPattern) -> tuple[Table, ...]:
        outline = pattern.outline
        edges = tuple((e.name, self.length(e.length_mm)) for e in outline.edges)
        corners = tuple(
            (c.name or f"corner {k + 1}", show_degrees(corner_angle_deg(outline, k)))
            for k, c in enumerate(outline.corners)
        )
        return (
            Table(title=self.lengths_title(), head=("edge", "length"), rows=edges),
            Table(title=_ANGLES, head=("corner", "inside angle"), rows=corners, under=_MEASURED),
        )

    def lengths_title(self) -> str:
        nominal = self.result.scale_is_nominal
        return f"Lengths of the edges{', if the cards were printed true' if nominal else ''}"

    def signed(self, mm: float) -> str:
        if not math.isfinite(mm):
            return "not seen"
        text = self.small(abs(mm))
        return text if not any(c in "123456789" for c in text) else ("+" if mm > 0 else "−") + text

    def stations(self, comparison: SideComparison) -> Table:
        """Every stretch, on the verdict's datum and as the sides fit best."""
        first, best = comparison.alignments[0], fitted_alignment(comparison)
        both = first is not best and len(first.stations) == len(best.stations)
        head: Row = ("edge", "middle at", "largest gap", "95 %", "verdict")
        if both:
            head = (*head, "as they fit best", "95 %", "verdict")
        rows = []
        for k, s in enumerate(first.stations[:_MOST_STATIONS]):
            row: Row = (s.edge, self.length(s.s_mm, 0), *self.judged(s.gap_mm, s.u95_mm, s.verdict))
            if both:
                b = best.stations[k]
                row = (*row, *self.judged(b.gap_mm, b.u95_mm, b.verdict))
            rows.append(row)
        laid = _LAID[first.datum]
        return Table(
            title=f"Every stretch, the sides laid {laid}",
            head=head,
            rows=tuple(rows),
            under="+ where starboard is fuller. The 95 % hold for all stretches at once.",
        )

    def judged(self, gap_mm: float, u95_mm: float, verdict: Verdict) -> Row:
        doubt = self.doubt(u95_mm) if math.isfinite(u95_mm) else "–"
        return self.signed(gap_mm), doubt, _SIGNS[verdict]

    def notes(
        self,
    ) -> tuple[tuple[NoteWords, ...], dict[Side, Places]]:
        """Warnings first; a note's number stands at its place in the drawing of its pattern."""
        order = sorted(merged(self.result.notes), key=lambda n: n.severity != "warn")
        numbers = {id(note): k for k, note in enumerate(order, 1)}
        places = {
            side: self.places(pattern, numbers) for side, pattern in self.result.patterns.items()
        }
        drawn = {number for found in places.values() for number, _ in found}
        words = tuple(
            NoteWords(
                number=numbers[id(n)],
                text=n.text,
                warn=n.severity == "warn",
                where=self.where(n, drawn=numbers[id(n)] in drawn),
            )
            for n in order
        )
        return words, places

    def places(self, pattern: RegisteredPattern, numbers: dict[int, int]) -> Places:
        comparison = self.comparison
        found: Iterable[Note] = (*pattern.outline.notes, *pattern.notes)
        if comparison is not None and comparison.port is pattern:
            found = (*found, *comparison.notes)
        return tuple(
            (numbers[id(n)], n.at_mm) for n in found if n.at_mm is not None and id(n) in numbers
        )

    def where(self, note: Note, *, drawn: bool) -> str:
        told = [note.photo] if note.photo and note.photo not in note.text else []
        return ", ".join([*told, *(["see the drawing"] if drawn else [])])

    def shop(self) -> tuple[tuple[str, Table | None, tuple[str, ...]], ...]:
        found = []
        for side, part in self.result.shop.parts.items():
            rows = card_rows(part.card, self.units)
            card = Table(title="Bevel card", head=rows[0], rows=tuple(rows[1:])) if rows else None
            name = wording.SIDE_WORDS[side].capitalize()
            found.append(
                (f"{name}: bevels and allowances", card, _once(part_lines(part, self.units)))
            )
        found += [(name, None, tuple(lines)) for name, lines in self.blank()]
        return tuple(found)

    def blank(self) -> list[tuple[str, list[str]]]:
        return blank_words(self.result.blank, self.result.facts)

    def rounding(self) -> str:
        if self.units == "mm":
            return (
                "Lengths to 0.1 mm, stations to 1 mm, angles of two sides to 0.01°; doubts are rounded up."
                " report.json holds every number to 0.0001 mm."
            )
        return (
            "Lengths to the nearest 1/16 inch (feet and inches from 36 inches on); gaps to 0.01 inch, and"
            " where wood comes off to the nearest 1/32;"
            " doubts are rounded up. report.json holds every number in millimetres."
        )


def _once(lines: Iterable[str]) -> tuple[str, ...]:
    """The lines less the cautions, which the page has in a place of their own."""
    said = {*wording.CAUTIONS, wording.GLUE}
    return tuple(line for line in lines if line not in said)
