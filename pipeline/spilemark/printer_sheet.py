"""A sheet to try a printer with: what it must measure, and what to do with what it does."""

from __future__ import annotations

import math
from pathlib import Path

from spilemark.card_papers import PAPERS, Paper, fit_to_page_mm
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.ink import Mark, Point, Sheet, Stroke, Words, bar, box, cross
from spilemark.ink_files import pdf_bytes, wrapped
from spilemark.printers import PrinterProfile
from spilemark.storage import store_files

BAR_MM, INCH_BAR_MM = 100.0, 101.6
_FINE_MM = 0.25
_STUB_MM = 28.0
_TEXT_MM, _LINE_MM = 3.4, 4.7


def write_test_sheet(
    path: Path,
    paper: str = "a4",
    *,
    profile: PrinterProfile | None = None,
    force: bool = False,
) -> Path:
    """Write the test sheet as a PDF of one page.

    Parameters
    ----------
    path : Path
        Ends in ``.pdf``.
    paper : str
        ``a4``, ``letter``, ``a3`` or ``tabloid``.
    profile : PrinterProfile, optional
        Draw it corrected for this printer: it must then measure true.
    force : bool
        Replace a file that is there.

    Raises
    ------
    UsageError
        Unknown paper or ending, or a profile of another paper.
    WouldOverwrite, CannotWrite
    """
    if path.suffix.lower() != ".pdf":
        raise UsageError(f"A test sheet is not written as {path.name}.", "Let it end in .pdf.")
    if path.exists() and not force:
        raise WouldOverwrite(
            f"{path} already exists.", "Choose another name, or add --force to replace it."
        )
    content = pdf_bytes([trial_sheet(paper, profile=profile)], "Printer test sheet")
    try:
        store_files({path: content})
    except OSError as error:
        raise CannotWrite(
            f"The test sheet cannot be written to {path}: {error.strerror}.",
            "Check that the folder exists, is yours to write in, and has room.",
        ) from error
    return path


def trial_sheet(paper: str = "a4", *, profile: PrinterProfile | None = None) -> Sheet:
    """Lay out the test sheet, paper upright; parameters as for `write_test_sheet`."""
    if paper not in PAPERS:
        raise UsageError(f'There is no paper "{paper}".', f"Choose {', '.join(PAPERS)}.")
    if profile is not None and profile.paper != paper:
        raise UsageError(
            f'Printer "{profile.name}" was measured on {profile.paper}, not on {paper}.',
            f"Print a plain test sheet on {paper} and measure it under another name.",
        )
    sheet = _layout(PAPERS[paper], profile)
    return sheet if profile is None else profile.corrected(sheet)


def _layout(paper: Paper, profile: PrinterProfile | None) -> Sheet:
    width, height = sorted((paper.width_mm, paper.height_mm))
    across, along = sorted(paper.check_mm)
    left, top = (width - across) / 2, (height - along) / 2
    corners = box(left, top, across, along)
    inner = left + 22.0
    marks: list[Mark] = [
        Stroke(points=corners, width_mm=0.12, grey=0.4, closed=True),
        *(m for corner in corners for m in cross(corner, 4.0, width_mm=_FINE_MM)),
        *_bars(inner, top + 46.0, top + 58.0),
        *_heading(paper, profile, inner, top),
        *_sides(left, top, across, along),
        *_advice(paper, inner, top + 70.0, left + across - 12.0),
    ]
    return Sheet(title="Printer test sheet", width_mm=width, height_mm=height, marks=tuple(marks))


def _heading(
    paper: Paper, profile: PrinterProfile | None, left: float, top: float
) -> tuple[Mark, ...]:
    state = "Plain: nothing corrected." if profile is None else profile.words
    lines = (
        (f"Printer test sheet, {paper.name.capitalize()}", 7.0, True, 16.0),
        ("Print at 100 % (“actual size”), never “fit to page”.", 4.0, False, 24.0),
        (state, 2.8, False, 30.0),
    )
    return tuple(
        Words(text=text, at=(left, top + y), size_mm=size, bold=bold)
        for text, size, bold, y in lines
    )


def _bars(x: float, metric_y: float, inch_y: float) -> tuple[Mark, ...]:
    """Both bars across; both along, hanging from the same height at their left."""
    lanes = ((metric_y, BAR_MM, "100 mm"), (inch_y, INCH_BAR_MM, "4 in"))
    marks: list[Mark] = []
    for k, (y, length, name) in enumerate(lanes):
        marks += bar((x, y), length, along=False)
        marks.append(_middle(f"{name} across", (x + length / 2, y - 2.0)))
        down = x - 14.0 + 9.0 * k
        marks += bar((down, metric_y), length, along=True)
        marks.append(_middle(f"{name} along", (down - 1.4, metric_y + length / 2), upwards=True))
    return tuple(marks)


def _sides(left: float, top: float, across: float, along: float) -> tuple[Mark, ...]:
    return (
        _middle(f"ACROSS {across:g} mm, cross to cross", (left + across / 2, top + 5.5)),
        _middle(
            f"ALONG {along:g} mm, cross to cross",
            (left + across - 2.0, top + along / 2),
            upwards=True,
        ),
        *_diagonal("1", (left, top + along), (left + across, top)),
        *_diagonal("2", (left, top), (left + across, top + along)),
    )


def _diagonal(name: str, start: Point, stop: Point) -> tuple[Mark, ...]:
    """The ends of a diagonal, with its name at both; its middle would run through the words."""
    (x0, y0), (x1, y1) = start, stop
    length = math.dist(start, stop)

    def at(run: float, off: float = 0.0) -> Point:
        dx, dy = (x1 - x0) / length, (y1 - y0) / length
        return x0 + run * dx + off * dy, y0 + run * dy - off * dx

    ends = ((0.0, _STUB_MM), (length - _STUB_MM, length))
    angle = math.degrees(math.atan2(y0 - y1, x1 - x0))
    text = f"{name}: {length:g} mm"
    return (
        *(Stroke(points=(at(a), at(b)), width_mm=0.12) for a, b in ends),
        Words(text=text, at=at(7.0, 1.2), size_mm=3.0, turn_deg=angle),
        Words(text=text, at=at(length - 7.0, 1.2), size_mm=3.0, anchor="end", turn_deg=angle),
    )


def _advice(paper: Paper, left: float, top: float, right: float) -> tuple[Mark, ...]:
    cousin = PAPERS[paper.cousin]
    short, long = sorted(paper.check_mm)
    fitted = (
        f"If both bars measure {fit_to_page_mm(paper, paper):.2f} or "
        f"{fit_to_page_mm(paper, cousin):.2f} instead of 100, the page was shrunk to fit "
        f"{paper.name.capitalize()} or {cousin.name.capitalize()}. Print it again at 100\u00a0%."
    )
    paragraphs = (
        ("1. Measure with a steel rule, middle of end stroke to middle of end stroke.", True),
        ("100 mm across ____________     100 mm along ____________", False),
        (fitted, False),
        ("2. Better: measure cross to cross, they are further apart.", True),
        (f"{short:g} mm across ____________     {long:g} mm along ____________", False),
        ("diagonal 1 ____________     diagonal 2 ____________     (alike: square)", False),
        ("3. Tell the program, where it measures printers:", True),
        (
            (
                f"a name for this printer, the paper {paper.name.capitalize()}, and across and along as you "
                "read them: of the bars, or cross to cross with both diagonals. Say which."
            ),
            False,
        ),
        (
            "printer ______________________   paper ______________________   date ____________",
            False,
        ),
    )
    marks: list[Mark] = []
    y = top
    for text, bold in paragraphs:
        for line in wrapped(text, right - left, _TEXT_MM, bold=bold):
            marks.append(Words(text=line, at=(left, y), size_mm=_TEXT_MM, bold=bold))
            y += _LINE_MM
        y += 2.0 if bold or "___" not in text else 3.5
    return tuple(marks)


def _middle(text: str, at: Point, *, upwards: bool = False) -> Words:
    return Words(text=text, at=at, size_mm=3.2, anchor="middle", upwards=upwards)
