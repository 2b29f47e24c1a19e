"""The blank of a job as words, as files and as plain data."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from spilemark.blank_job import BlankResult, extra_layers
from spilemark.records import JobFacts, Side
from spilemark.shop.lengths import Show


def blank_words(result: BlankResult, facts: JobFacts) -> list[tuple[str, list[str]]]:
    """What the report says: a heading, and lines under it."""
    if not result:
        return []
    from spilemark.blank.board_words import board_lines
    from spilemark.blank.words import LAMINATION_CAUTIONS, lamination_lines

    units: Show = facts.units
    found = [
        (f"Lamination of {side}", [*lamination_lines(knee, units), *LAMINATION_CAUTIONS[1:3]])
        for side, knee in result.knees.items()
    ]
    shared = one_form_words(result, facts)
    if shared:
        found.append(("One form or two", [shared]))
    found += [(f"Wood for {side}", board_lines(laid, units)) for side, laid in result.laid.items()]
    return found


def blank_summary(result: BlankResult, facts: JobFacts) -> list[str]:
    """The finding in short, for the terminal."""
    if not result:
        return []
    from spilemark.blank.board_words import board_lines
    from spilemark.blank.words import form_lines

    found = [
        f"Lamination of {side}. {form_lines(knee, facts.units)[0]}"
        for side, knee in result.knees.items()
    ]
    shared = one_form_words(result, facts)
    if shared:
        found.append(shared)
    return found + [
        f"Wood for {side}: {board_lines(laid, facts.units)[0]}"
        for side, laid in result.laid.items()
    ]


def one_form_words(result: BlankResult, facts: JobFacts) -> str:
    """Whether one lamination serves both sides; empty where only one was worked out."""
    from spilemark.shop.lengths import show_length

    if result.differ_mm is None:
        return ""
    off = show_length(result.differ_mm, facts.units)
    tolerance = show_length(facts.tolerance_mm, facts.units)
    if result.differ_mm <= facts.tolerance_mm:
        return (
            f"The throats of the two sides end {off} apart when laid on each other, within the tolerance of "
            f"{tolerance}: one form, and one lamination ripped in two, serve both."
        )
    return (
        f"The throats of the two sides end {off} apart when laid on each other, more than the tolerance of "
        f"{tolerance}: a form for each, or one in between and plane."
    )


def write_blank(result: BlankResult, facts: JobFacts, folder: Path) -> tuple[Path, ...]:
    """Write form, lamination, corner block, layout and board of every side.

    Raises
    ------
    CannotWrite
    UsageError
        The job's printer is not known, or was measured with another paper.
    """
    if not result:
        return ()
    from spilemark.blank.board_words import board_sheet
    from spilemark.blank.files import drawing_files, knee_drawings, store_in
    from spilemark.printers import printer_for

    printer = printer_for(facts.printer, facts.paper)
    files: dict[str, bytes] = {}
    for side, knee in result.knees.items():
        lines = result.parts[side]
        drawings = knee_drawings(
            knee, _title(side, facts), facts.units, lines.line_mm, extra_layers(lines)
        )
        files |= drawing_files(drawings, facts.paper, f"_{side}", printer)
    for side, laid in result.laid.items():
        sheet = board_sheet(laid, _title(side, facts), facts.units)
        if sheet is not None:
            files |= drawing_files({"board": sheet}, facts.paper, f"_{side}")
    return store_in(folder, files, force=True)


def blank_table(result: BlankResult, facts: JobFacts) -> dict[str, Any] | None:
    """The blank of a job as plain data, for a report; None where nothing was asked."""
    if not result:
        return None
    from spilemark.blank.board_words import board_lines, board_table
    from spilemark.blank.tables import knee_table
    from spilemark.blank.words import lamination_lines

    units: Show = facts.units
    return {
        "laminations": {
            str(side): knee_table(knee, lamination_lines(knee, units))
            for side, knee in result.knees.items()
        },
        "throats_differ_mm": result.differ_mm,
        "boards": {
            str(side): board_table(laid, board_lines(laid, units))
            for side, laid in result.laid.items()
        },
        "left_out": [str(side) for side in result.left_out],
    }


def _title(side: Side, facts: JobFacts) -> str:
    date = facts.date.isoformat() if facts.date else ""
    name = " ".join(w for w in (facts.part, "" if side is Side.SINGLE else str(side)) if w)
    return ", ".join(word for word in (facts.boat, name or str(side), date) if word)
