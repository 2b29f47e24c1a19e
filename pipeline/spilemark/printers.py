"""Printers as measured: what 100 mm comes out as, across and along the paper, kept by name.

"Across" is parallel to the short edge of the paper, "along" to its long edge,
whichever way a page lies.  A profile holds for one printer and one paper: A4
and A3 may pass through the same machine in different directions.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from spilemark.card_papers import PAPERS, fit_to_page_mm, out_of_square_rad
from spilemark.errors import UsageError
from spilemark.ink import Point, Sheet, placed
from spilemark.named_store import NamedStore, check_name

_ALIKE_MM = 0.6
"""A viewer shrinks both ways alike; a rule on 100 mm is read to a few tenths."""
_SHRUNK_MM = 1.5
"""Both ways alike and further off than this: shrunk by a viewer, not by a printer."""
_KNOWN_WITHIN_MM = 1.2
"""Printers leave edges of 3 to 7 mm; a shrunk page comes out by so much off the usual figure."""
_USUAL_MM = 3.0
"""Printers and copiers of all ages keep within this of 100 mm."""
_MOST_MM = 5.0
"""Beyond this a corrected page would no longer fit on its paper."""
_INCH_BAR_MM = 101.6
_SQUARE_DEG = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PrinterProfile:
    """One printer with one paper."""

    name: str
    paper: str
    across_mm: float
    """What 100 mm measures parallel to the short edge of the paper."""
    along_mm: float
    """What 100 mm measures parallel to its long edge."""
    out_of_square_deg: float | None = None
    """From the two diagonals of the test sheet; told, not corrected."""
    measured: dt.date | None = None

    def __post_init__(self) -> None:
        check_name(self.name, "printer")
        if self.paper not in PAPERS:
            raise ValueError(f"paper is one of {', '.join(PAPERS)}")
        for value in (self.across_mm, self.along_mm):
            if not abs(value - 100) <= _MOST_MM:
                raise ValueError(f"100 mm cannot have come out as {value:g} mm")

    @property
    def words(self) -> str:
        """What stands on a sheet that was corrected for this printer."""
        return (
            f'Corrected for printer "{self.name}" on {self.paper.capitalize()}: 100 mm came out as '
            f"{self.came_out}."
        )

    @property
    def came_out(self) -> str:
        """What 100 mm measured, both ways, and when."""
        day = f", {self.measured.isoformat()}" if self.measured else ""
        return f"{self.across_mm:.2f} across, {self.along_mm:.2f} along{day}"

    def corrected(self, sheet: Sheet) -> Sheet:
        """The same sheet, drawn so that this printer makes it true.

        Everything moves from the middle of the page by nominal / measured in
        each direction; pens and letters keep their size.
        """
        factors = (100 / self.across_mm, 100 / self.along_mm)
        fx, fy = factors if sheet.width_mm <= sheet.height_mm else factors[::-1]
        cx, cy = sheet.width_mm / 2, sheet.height_mm / 2

        def place(point: Point) -> Point:
            return cx + fx * (point[0] - cx), cy + fy * (point[1] - cy)

        return Sheet(
            title=sheet.title,
            width_mm=sheet.width_mm,
            height_mm=sheet.height_mm,
            marks=placed(sheet.marks, place),
        )


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What two measured bars say."""

    kind: Literal["printer", "fit-to-page", "wrong-bar", "far-off", "centimetres"]
    """``printer``: an ordinary printer's error, fit to be corrected."""
    words: str


def diagnose(paper: str, across_mm: float, along_mm: float) -> Diagnosis:
    """Tell a printer's own error from a page that a viewer shrank.

    Parameters
    ----------
    paper : str
        What the page was made for.
    across_mm, along_mm : float
        What 100 mm measures.

    Notes
    -----
    "Fit to page" shrinks both ways alike, into what the printer can reach of
    the paper in its tray: with edges of 4 mm an A4 page comes out at 96.19 of
    100 on A4 and at 91.38 on Letter.
    """
    mean = (across_mm + along_mm) / 2
    alike = abs(across_mm - along_mm) <= _ALIKE_MM
    measured = f"100 mm came out as {across_mm:.2f} mm across and {along_mm:.2f} mm along"
    if all(abs(10 * value - 100) <= _USUAL_MM for value in (across_mm, along_mm)):
        return Diagnosis("centimetres", f"{measured}: is that in centimetres?")
    if alike and abs(mean - _INCH_BAR_MM) <= 0.3:
        return Diagnosis(
            "wrong-bar", f"{measured}: that is the bar of 4 in, not the one of 100 mm."
        )
    if alike and mean < 100 - _SHRUNK_MM:
        page = PAPERS[paper]
        known = {into: fit_to_page_mm(page, PAPERS[into]) for into in (paper, page.cousin)}
        into = min(known, key=lambda name: abs(known[name] - mean))
        sure = abs(known[into] - mean) <= _KNOWN_WITHIN_MM
        return Diagnosis(
            "fit-to-page",
            f"{measured}, alike both ways: the page was {'' if sure else 'probably '}shrunk to fit. "
            f"{page.name.capitalize()} on {into.capitalize()} paper comes out as about "
            f"{known[into]:.2f} of 100.",
        )
    if alike and mean > 100 + _SHRUNK_MM:
        return Diagnosis(
            "fit-to-page", f"{measured}, alike both ways: the page was enlarged to fit."
        )
    if max(abs(across_mm - 100), abs(along_mm - 100)) > _USUAL_MM:
        return Diagnosis("far-off", f"{measured}: further off than printers are.")
    return Diagnosis("printer", f"{measured}.")


def out_of_square_deg(
    paper: str, one_mm: float, other_mm: float, across_mm: float = 100.0, along_mm: float = 100.0
) -> float:
    """How far a printed test sheet is out of square, from its two diagonals.

    Parameters
    ----------
    paper : str
    one_mm, other_mm : float
        Diagonal 1 (rising to the right) and 2, cross to cross.
    across_mm, along_mm : float
        What 100 mm measures.

    Returns
    -------
    float
        Degrees; positive if diagonal 1 is the longer.

    Raises
    ------
    UsageError
        No sheet has such diagonals.
    """
    short, long = sorted(PAPERS[paper].check_mm)
    size = (short * across_mm / 100, long * along_mm / 100)
    expected = math.hypot(*size)
    if max(abs(one_mm - expected), abs(other_mm - expected)) > 0.05 * expected:
        raise UsageError(
            f"The diagonals should be near {expected:.1f} mm, not {one_mm:g} and {other_mm:g}.",
            "Measure from corner cross to opposite corner cross of the test sheet.",
        )
    return math.degrees(out_of_square_rad(size, one_mm, other_mm))


def square_words(degrees: float) -> str:
    """What a shear means at the bench."""
    off = 300 * math.tan(math.radians(abs(degrees)))
    told = f"{abs(degrees):.2f}° out of square: {off:.1f} mm over 300 mm"
    if abs(degrees) <= _SQUARE_DEG:
        return f"{told}; good enough."
    return f"{told}. This is not corrected: feed the paper straighter, or use another printer."


def _entry(profile: PrinterProfile) -> str:
    lines = [
        "\n[[printer]]",
        f'name = "{profile.name}"',
        f'paper = "{profile.paper}"',
        f"across_mm = {profile.across_mm!r}  # what 100 mm measures along the short edge",
        f"along_mm = {profile.along_mm!r}  # and along the long edge",
    ]
    if profile.out_of_square_deg is not None:
        lines.append(f"out_of_square_deg = {profile.out_of_square_deg!r}")
    if profile.measured is not None:
        lines.append(f"measured = {profile.measured.isoformat()}")
    return "\n".join(lines) + "\n"


_STORE = NamedStore(
    kind="printer",
    many="printers",
    record=PrinterProfile,
    entry=_entry,
    again="Choose another name, or add --force to replace it.",
    told=lambda known: f" (100 mm came out as {known.came_out})",
)
read_printers, find_printer, store_printer = _STORE.read, _STORE.find, _STORE.store


def made_up_for(printer: PrinterProfile | None) -> str:
    """What a sheet says of the printer that it was made up for."""
    return printer.words if printer else "Not corrected for any printer."


def printer_for(name: str, paper: str, file: Path | None = None) -> PrinterProfile | None:
    """The stored printer that sheets of ``paper`` are made up for; None where none is named.

    Raises
    ------
    UsageError
        It is not known, or was measured with another paper.
    """
    if not name:
        return None
    profile = find_printer(name, file)
    if profile.paper != paper:
        raise UsageError(
            f'Printer "{profile.name}" was measured on {profile.paper}, the sheets are {paper}.',
            f"Print a test sheet on {paper} and measure it under another name.",
        )
    return profile


def paper_for(name: str | None, told: str | None, where: str) -> str:
    """The paper to print on: the one told, else the named printer's own, else A4.

    Raises
    ------
    UsageError
        The printer is not stored, or was measured with another paper than the one told.
    """
    if not name:
        return told or "a4"
    profile = find_printer(name)
    if told not in (None, profile.paper):
        raise UsageError(
            f'{where}: printer "{profile.name}" was measured on {profile.paper}, not on {told}.',
            f"Leave the paper out, or measure a test sheet on {told} under another name.",
        )
    return profile.paper
