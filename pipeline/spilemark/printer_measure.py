"""What a person read off a printed test sheet, made a printer's profile or refused."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from spilemark.card_papers import PAPERS
from spilemark.errors import UsageError
from spilemark.printers import (
    Diagnosis,
    PrinterProfile,
    diagnose,
    out_of_square_deg,
    square_words,
)
from spilemark.units import parse_length

_BAR_MM = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetReadings:
    """A test sheet as measured, in the words in which it was told."""

    paper: str
    across: str
    """Parallel to the short edge of the paper."""
    along: str
    cross_to_cross: bool = False
    """Whether both run from corner cross to corner cross; False: the bars of 100 mm."""
    diagonals: Sequence[str] = ()
    """Both diagonals, cross to cross; empty: not measured."""


def measured_printer(
    name: str,
    read: SheetReadings,
    day: dt.date,
    *,
    as_measured: bool = False,
    insist: str = "add --as-measured",
) -> tuple[PrinterProfile, tuple[str, ...]]:
    """The profile of a printer, and what is to be said of it.

    Parameters
    ----------
    name : str
    read : SheetReadings
    day : date
        When it was measured.
    as_measured : bool
        Keep it although it looks like a page that was shrunk to fit.
    insist : str
        How the person says that, for messages.

    Raises
    ------
    UsageError
        What was told is no length, is none that a printer makes, or looks like a shrunk page and
        was not insisted on.
    """
    if read.paper not in PAPERS:
        raise UsageError(f'There is no paper "{read.paper}".', f"Choose {', '.join(PAPERS)}.")
    nominal = sorted(PAPERS[read.paper].check_mm) if read.cross_to_cross else (_BAR_MM, _BAR_MM)
    measured = [
        100.0 * parse_length(text) / whole
        for text, whole in zip((read.across, read.along), nominal, strict=True)
    ]
    across, along = measured
    found = diagnose(read.paper, across, along)
    _accept(found, insist, as_measured=as_measured)
    words, shear = [found.words], None
    if read.diagonals:
        one, other = (parse_length(text) for text in read.diagonals)
        shear = round(out_of_square_deg(read.paper, one, other, across, along), 3)
        words.append(square_words(shear))
    try:
        profile = PrinterProfile(
            name=name.strip(),
            paper=read.paper,
            across_mm=round(across, 3),
            along_mm=round(along, 3),
            out_of_square_deg=shear,
            measured=day,
        )
    except ValueError as error:
        raise UsageError(f"That cannot be kept: {error}.", "Correct it and try again.") from error
    return profile, tuple(words)


def _accept(found: Diagnosis, insist: str, *, as_measured: bool) -> None:
    """Refuse what is no printer's own error, unless it is small enough and insisted on."""
    slip = found.kind in ("wrong-bar", "centimetres")
    if found.kind == "printer" or (as_measured and not slip):
        return
    again = {
        "wrong-bar": "Measure the 100 mm bar.",
        "centimetres": "Write the unit behind it, such as 9.98cm, or the length in millimetres.",
        "fit-to-page": f'Print again at 100 % ("actual size"). If it comes out the same, {insist}.',
        "far-off": "Check the rule and which bar was measured, print again at 100 %. "
        f"If it comes out the same, {insist}.",
    }
    raise UsageError(found.words, again[found.kind])
