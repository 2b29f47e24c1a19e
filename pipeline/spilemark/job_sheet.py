"""The job sheet: a record to print, to write on at the bench, and to file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from spilemark import ink_files, wording
from spilemark.ink import Mark, Sheet, Stroke, Words, moved
from spilemark.job_record import JobRecord, sums_of
from spilemark.shop.lengths import Show, show_length

_WIDTH_MM, _HEIGHT_MM = 210.0, 297.0
_MARGIN_MM = 15.0
_FOOT_MM = 12.0
_TITLE_MM, _HEAD_MM, _TEXT_MM = 6.0, 4.2, 3.2
_LINE_MM = 4.6
_NOT_CHECKED = (
    "Not checked by this program: the strength of the part, the glue, the wood's moisture, and whether"
    " the hull was square on the day."
)
_WRITE = (
    "Wood and moisture when glued",
    "Glue, batch, hardener",
    "Temperature in the shop",
    "Mixed at / clamped by / released at",
    "Angle on the form / after release",
    "Planed off: edge, where, how much",
    "Fitted by, date",
)


@dataclass(frozen=True, slots=True)
class _Row:
    """A stretch of the sheet that stays in one piece."""

    height_mm: float
    marks: tuple[Mark, ...]
    """Their y counts from the row's top."""
    heads: bool = False
    """Whether it must not stand last on a page."""


def job_sheet(record: JobRecord) -> bytes:
    """A PDF of A4 sheets: as much as there is, and lines to write on."""
    return ink_files.pdf_bytes(job_pages(record), f"Job sheet: {record.title}")


def job_pages(record: JobRecord) -> list[Sheet]:
    """The sheets, before they become a file."""
    pages: list[list[Mark]] = [[]]
    y = _MARGIN_MM
    rows = [*_rows(record)]
    for k, row in enumerate(rows):
        need = row.height_mm + (rows[k + 1].height_mm if row.heads and k + 1 < len(rows) else 0.0)
        if y + need > _HEIGHT_MM - _MARGIN_MM - _FOOT_MM and pages[-1]:
            pages.append([])
            y = _MARGIN_MM
        pages[-1] += moved(row.marks, 0.0, y)
        y += row.height_mm
    return [
        Sheet(
            title=f"Job sheet: {record.title}",
            width_mm=_WIDTH_MM,
            height_mm=_HEIGHT_MM,
            marks=(*marks, *_foot(record, number, len(pages))),
        )
        for number, marks in enumerate(pages, start=1)
    ]


def _rows(record: JobRecord) -> Iterator[_Row]:
    units: Show = "in" if (record.report.get("job") or {}).get("units") == "in" else "mm"
    yield _words(f"Job sheet: {record.title}", _TITLE_MM, bold=True, after=3.0)
    yield from _section("What was measured", [*_measured(record)])
    yield from _section("At the bench", [*_told(record)])
    yield from _blanks()
    yield from _section("What was planed off", [*_planed(record, units)])
    yield from _table("This shop's trial bends", _bends(record))
    for head, lines in _reckoned(record):
        yield from _section(f"What was reckoned: {head}", lines)
    yield from _table("What went in", _inputs(record))
    cautions = [wording.STRUCTURE, wording.HULL, wording.DUST, wording.GLUE, _NOT_CHECKED]
    yield from _section("Mind", cautions)


def _measured(record: JobRecord) -> Iterator[str]:
    for side, pattern in record.report["patterns"].items():
        if not pattern.get("measured", True):
            continue
        scale = pattern.get("scale") or {}
        seen = pattern.get("seen_percent")
        told = [str(pattern.get("fixed_words") or "")]
        told += [f"Scale: {scale['words']}."] if scale.get("words") else []
        told += [wording.DRAWN] if pattern.get("drawn_width_mm") is not None else []
        told += [f"{seen:g} % of the outline seen."] if isinstance(seen, int | float) else []
        yield f"{side.upper()}: {' '.join(t for t in told if t)}"
    compared = record.report.get("comparison")
    if isinstance(compared, dict):
        yield f"Port against mirrored starboard, laid on {compared.get('datum')}: {compared.get('verdict')}"


def _reckoned(record: JobRecord) -> Iterator[tuple[str, list[str]]]:
    """The sentences of the report's sums, table by table, with what each is of."""
    known = {wording.STRUCTURE, wording.HULL, wording.DUST, wording.GLUE, wording.CHECK_BARS}
    known |= {str(p.get("fixed_words")) for p in record.report["patterns"].values()}
    for key in sums_of(record.report):
        for path, words in _sentences(record.report[key], (key,)):
            lines = [*dict.fromkeys(w for w in words if w not in known)]
            if lines:
                yield ", ".join(path), lines


def _sentences(table: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """Lists called "words" anywhere in a table; what only groups others is left out of the name."""
    if isinstance(table, list):
        for value in table:
            yield from _sentences(value, path)
    if not isinstance(table, dict):
        return
    words = table.get("words")
    if isinstance(words, list):
        yield path[1:] or path, [w for w in words if isinstance(w, str)]
    for key, value in table.items():
        if key != "words":
            yield from _sentences(value, path if key == "parts" else (*path, key))


def _planed(record: JobRecord, units: Show) -> Iterator[str]:
    for entry in record.planed.planed:
        off = entry.off
        amounts = ", ".join(
            f"{show_length(v, units)} at {show_length(at, units, 0)}"
            for at, v in zip(off.at_mm, off.values, strict=True)
        )
        tail = ", ".join(word for word in (entry.date, entry.note) if word)
        yield f"{entry.side}, {off.edge}: {amounts}{f' ({tail})' if tail else ''}."


def _bends(record: JobRecord) -> list[tuple[str, ...]]:
    if not record.bends:
        return []
    head = ("date", "wood", "strips", "on the form", "released", "times the law", "note")
    rows = [
        (
            str(b.get("date") or ""),
            str(b.get("wood") or ""),
            str(b["strips"]),
            f"{b['form_bend_deg']:.1f}°",
            f"{b['bend_deg']:.1f}°",
            f"{b['times_the_law']:.2f}",
            str(b.get("note") or ""),
        )
        for b in record.bends
    ]
    return [head, *rows]


def _told(record: JobRecord) -> Iterator[str]:
    bench = record.bench
    if bench.moisture_percent is not None:
        yield f"Moisture of the wood when it was glued: {bench.moisture_percent:g} %."
    if bench.glue:
        yield f"Glue: {bench.glue}."
    if bench.by:
        yield f"By {bench.by}."
    yield from bench.notes


def _inputs(record: JobRecord) -> list[tuple[str, ...]]:
    rows = [
        (i.name, i.what, i.sha256[:16], "kept here" if i.kept else "by its hash only")
        for i in record.inputs
    ]
    head = ("file", "what", "SHA-256 begins", "")
    return [head, *rows] if rows else []


def _section(head: str, lines: Sequence[str]) -> Iterator[_Row]:
    if not lines:
        return
    yield _words(head, _HEAD_MM, bold=True, before=2.0, heads=True)
    for line in lines:
        yield _words(line, _TEXT_MM, after=0.8)


def _table(head: str, cells: Sequence[Sequence[str]]) -> Iterator[_Row]:
    if not cells:
        return
    yield _words(head, _HEAD_MM, bold=True, before=2.0, heads=True)
    widths = [
        max(
            ink_files.text_width_mm(Words(text=c, at=(0.0, 0.0), size_mm=_TEXT_MM, bold=k == 0))
            for k, c in enumerate(column)
        )
        for column in zip(*cells, strict=True)
    ]
    # Where names are long, columns give way together and letters shrink with them.
    room = _WIDTH_MM - 2 * _MARGIN_MM
    share = min(1.0, room / (sum(widths) + 4.0 * (len(widths) - 1)))
    for k, row in enumerate(cells):
        x, marks = _MARGIN_MM, []
        for cell, width in zip(row, widths, strict=True):
            marks.append(Words(text=cell, at=(x, _TEXT_MM), size_mm=_TEXT_MM * share, bold=k == 0))
            x += (width + 4.0) * share
        yield _Row(_LINE_MM, tuple(marks), heads=k == 0)


def _blanks() -> Iterator[_Row]:
    yield _words("To write down", _HEAD_MM, bold=True, before=2.0, heads=True)
    for label in _WRITE:
        words = Words(text=label, at=(_MARGIN_MM, 6.0), size_mm=_TEXT_MM)
        line = Stroke(
            points=((_MARGIN_MM + 68.0, 6.6), (_WIDTH_MM - _MARGIN_MM, 6.6)), width_mm=0.2, grey=0.4
        )
        yield _Row(8.5, (words, line))


def _words(
    text: str,
    size: float,
    *,
    bold: bool = False,
    before: float = 0.0,
    after: float = 1.5,
    heads: bool = False,
) -> _Row:
    lines = ink_files.wrapped(text, _WIDTH_MM - 2 * _MARGIN_MM, size, bold=bold)
    pitch = size * _LINE_MM / _TEXT_MM
    marks = tuple(
        Words(text=line, at=(_MARGIN_MM, before + size + k * pitch), size_mm=size, bold=bold)
        for k, line in enumerate(lines)
    )
    return _Row(before + len(lines) * pitch + after, marks, heads)


def _foot(record: JobRecord, number: int, count: int) -> tuple[Mark, ...]:
    y = _HEIGHT_MM - _MARGIN_MM
    small = 2.8
    return (
        Stroke(
            points=((_MARGIN_MM, y - 5.0), (_WIDTH_MM - _MARGIN_MM, y - 5.0)),
            width_mm=0.15,
            grey=0.5,
        ),
        Words(text=record.title, at=(_MARGIN_MM, y), size_mm=small, grey=0.3),
        Words(
            text=f"sheet {number} of {count}",
            at=(_WIDTH_MM - _MARGIN_MM, y),
            size_mm=small,
            anchor="end",
            grey=0.3,
        ),
    )
