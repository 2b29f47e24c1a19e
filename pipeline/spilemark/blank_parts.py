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
    found += [
        (f"Wood for {side}", [*board_lines(laid, units), *_alone(result, side)])
        for side, laid in result.laid.items()
    ]
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
        " ".join([f"Wood for {side}: {board_lines(laid, facts.units)[0]}", *_alone(result, side)])
        for side, laid in result.laid.items()
    ]


def _alone(result: BlankResult, side: Side) -> list[str]:
    """That the other side was promised the same wood, told once."""
    last = list(result.laid)[-1]
    both = len(result.laid) > 1 and all(laid.fits for laid in result.laid.values())
    if not both or side is not last or result.laid[side].pair is not None:
        return []
    return [
        (
            "Each side was laid in that wood alone. For both out of one board write pair = true, or lay "
            "the second in what the first leaves."
        )
    ]


def one_form_words(result: BlankResult, facts: JobFacts) -> str:
    """Whether one lamination serves both sides; empty where only one was worked out."""
    from spilemark.shop.lengths import show_length

    if result.differ_mm is None:
        return ""
    off = show_length(result.differ_mm, facts.units)
    tolerance = show_length(facts.tolerance_mm, facts.units)
    pair = any(knee.order.cutting.pair for knee in result.knees.values())
    if result.differ_mm <= facts.tolerance_mm:
        words = (
            f"The throats of the two sides end {off} apart when laid on each other, within the tolerance of "
            f"{tolerance}: one form serves both."
        )
        if pair:
            words += (
                " Make the form and the strips of ONE side, port's or starboard's: the two lists are two ways "
                "to the same pair, not four knees. The lamination is ripped in two, and its halves are port's "
                "and starboard's."
            )
        return words
    words = (
        f"The throats of the two sides end {off} apart when laid on each other, more than the tolerance of "
        f"{tolerance}: a form for each, or one in between and plane."
    )
    if pair:
        words += (
            " The strip lists are for a pair ripped out of one lamination, as you asked: with a form for each "
            "side, leave pair out, and each list is for one knee."
        )
    return words


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
    from spilemark.blank.marks import marks_of
    from spilemark.printers import printer_for

    printer = printer_for(facts.printer, facts.paper)
    files: dict[str, bytes] = {}
    for side, knee in result.knees.items():
        lines = result.parts[side]
        drawings = knee_drawings(
            knee,
            _title(side, facts),
            facts.units,
            lines.line_mm,
            extra_layers(lines, knee.order.throat),
            marks_of(lines.part, lines.order),
        )
        files |= drawing_files(drawings, facts.paper, f"_{side}", printer)
    for side, laid in result.laid.items():
        lines = result.parts[side]
        marks = marks_of(lines.part, lines.order)
        sheet = board_sheet(laid, _title(side, facts), facts.units, marks)
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
