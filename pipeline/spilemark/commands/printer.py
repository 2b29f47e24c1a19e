"""``spilemark printer``: try a printer, tell what it does to 100 mm, list those that were told."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from spilemark.commands import Examples

_PAPERS = ("a4", "letter", "a3", "tabloid")
_PAPER = click.option(
    "--paper",
    type=click.Choice(_PAPERS),
    default="a4",
    show_default=True,
    help="The paper in the printer.",
)
_FILE = click.option(
    "--file",
    "store",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where printers are kept. [default: printers.toml among your settings]",
)


@click.group()
def printer() -> None:
    """Make up for a printer that does not print 100 mm as 100 mm.

    Print a test sheet, measure it with a steel rule, tell what you measured
    under a name, and use that name for tiled templates.
    """


@printer.command(
    "test-sheet",
    cls=Examples,
    examples=(
        "spilemark printer test-sheet --out test.pdf",
        "spilemark printer test-sheet --paper letter --out test.pdf --force",
        "spilemark printer test-sheet --printer shop --out corrected.pdf",
    ),
)
@_PAPER
@click.option("--printer", "name", metavar="NAME", help="Correct it for a printer measured before.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE.pdf",
    help="The PDF to write.",
)
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
@_FILE
def trial_sheet(paper: str, name: str | None, out: Path, force: bool, store: Path | None) -> None:
    """Write a page that shows what a printer does to lengths, both ways, and to right angles."""
    from spilemark.printer_sheet import write_test_sheet
    from spilemark.printers import find_printer

    profile = None if name is None else find_printer(name, store)
    given = click.get_current_context().get_parameter_source("paper")
    if profile is not None and given is click.core.ParameterSource.DEFAULT:
        paper = profile.paper
    click.echo(write_test_sheet(out, paper, profile=profile, force=force))
    click.echo('Print it at 100 % ("actual size", not "fit to page"), then measure.', err=True)


@printer.command(
    cls=Examples,
    examples=(
        "spilemark printer measure shop --across 99.8mm --along 100.2mm",
        (
            "spilemark printer measure shop --long --across 179.6mm --along 240.5mm"
            " --diagonals 300,299.8"
        ),
        "spilemark printer measure office --paper letter --across 99.7mm --along 100mm --force",
    ),
)
@click.argument("name")
@_PAPER
@click.option(
    "--across",
    required=True,
    metavar="LENGTH",
    help="What the bar parallel to the short edge measures (mm).",
)
@click.option(
    "--along",
    required=True,
    metavar="LENGTH",
    help="What the bar parallel to the long edge measures (mm).",
)
@click.option(
    "--long",
    "cross_to_cross",
    is_flag=True,
    help="The lengths run from corner cross to corner cross. [default: the bars of 100 mm]",
)
@click.option("--diagonals", metavar="D1,D2", help="Both diagonals, cross to cross (mm).")
@click.option(
    "--date",
    "day",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="When it was measured. [default: today]",
)
@click.option(
    "--as-measured",
    is_flag=True,
    help="Keep it although it looks like a page that was shrunk to fit.",
)
@click.option("--force", is_flag=True, help="Replace a printer of that name.")
@_FILE
def measure(
    name: str, paper: str, across: str, along: str, cross_to_cross: bool, **rest: Any
) -> None:
    """Keep under NAME what a printed test sheet measures.

    Sheets that are made for this printer are then drawn longer or shorter by
    as much, in each direction, and say so.
    """
    from spilemark.card_papers import PAPERS
    from spilemark.printers import PrinterProfile, diagnose, square_words, store_printer
    from spilemark.units import parse_length

    nominal = sorted(PAPERS[paper].check_mm) if cross_to_cross else (100.0, 100.0)
    measured = tuple(
        100 * parse_length(text) / whole
        for text, whole in zip((across, along), nominal, strict=True)
    )
    words = _accepted(diagnose(paper, *measured), as_measured=rest["as_measured"])
    shear = None
    if rest["diagonals"] is not None:
        shear = _shear(paper, rest["diagonals"], measured)
    day = dt.date.today() if rest["day"] is None else rest["day"].date()
    profile = _checked(
        PrinterProfile,
        name=name.strip(),
        paper=paper,
        across_mm=round(measured[0], 3),
        along_mm=round(measured[1], 3),
        out_of_square_deg=None if shear is None else round(shear, 3),
        measured=day,
    )
    path = store_printer(profile, rest["store"], force=rest["force"])
    click.echo(words)
    if shear is not None:
        click.echo(square_words(shear))
    click.echo(f'Kept as "{profile.name}" in {path}.')


@printer.command(
    "list",
    cls=Examples,
    examples=(
        "spilemark printer list",
        "spilemark printer list --file printers.toml",
        "spilemark printer list --file /srv/shop/printers.toml",
    ),
)
@_FILE
def list_printers(store: Path | None) -> None:
    """List the printers that were measured."""
    from spilemark.printers import read_printers, square_words

    found = read_printers(store)
    for profile in found:
        day = profile.measured.isoformat() if profile.measured else "no date"
        line = (
            f"{profile.name:16} {profile.paper:8} across {profile.across_mm:.2f}  "
            f"along {profile.along_mm:.2f}  {day}"
        )
        if profile.out_of_square_deg is not None:
            line += f"  {square_words(profile.out_of_square_deg)}"
        click.echo(line)
    if not found:
        click.echo('None yet. Begin with "spilemark printer test-sheet --out test.pdf".', err=True)


def _accepted(found: Any, *, as_measured: bool) -> str:
    """Refuse what is no printer's own error, unless it is small enough and insisted on."""
    from spilemark.errors import UsageError

    slip = found.kind in ("wrong-bar", "centimetres")
    if found.kind != "printer" and (slip or not as_measured):
        again = {
            "wrong-bar": "Measure the 100 mm bar.",
            "centimetres": "Write the unit behind it, such as 9.98cm, or the length in millimetres.",
            "fit-to-page": 'Print again at 100 % ("actual size"). If it comes out the same, '
            "add --as-measured.",
            "far-off": "Check the rule and which bar was measured, print again at 100 %. "
            "If it comes out the same, add --as-measured.",
        }
        raise UsageError(found.words, again[found.kind])
    return str(found.words)


def _shear(paper: str, text: str, measured: tuple[float, ...]) -> float:
    from spilemark.errors import UsageError
    from spilemark.printers import out_of_square_deg
    from spilemark.units import parse_length

    parts = text.split(",")
    if len(parts) != 2:
        raise UsageError(
            f'--diagonals takes two lengths with a comma between, not "{text}".',
            "Write for example 300.1,299.8 with points inside the numbers.",
        )
    one, other = (parse_length(part) for part in parts)
    return out_of_square_deg(paper, one, other, *measured)


def _checked(kind: Any, **fields: Any) -> Any:
    from spilemark.errors import UsageError

    try:
        return kind(**fields)
    except ValueError as error:
        raise UsageError(f"That cannot be kept: {error}.", "Correct it and try again.") from error
