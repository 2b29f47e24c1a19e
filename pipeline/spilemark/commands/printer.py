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
    from spilemark.printer_measure import SheetReadings, measured_printer
    from spilemark.printers import store_printer

    read = SheetReadings(
        paper=paper,
        across=across,
        along=along,
        cross_to_cross=cross_to_cross,
        diagonals=() if rest["diagonals"] is None else _pair(rest["diagonals"]),
    )
    day = dt.date.today() if rest["day"] is None else rest["day"].date()
    profile, words = measured_printer(name, read, day, as_measured=rest["as_measured"])
    path = store_printer(profile, rest["store"], force=rest["force"])
    for line in words:
        click.echo(line)
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


def _pair(text: str) -> list[str]:
    from spilemark.errors import UsageError

    parts = text.split(",")
    if len(parts) != 2:
        raise UsageError(
            f'--diagonals takes two lengths with a comma between, not "{text}".',
            "Write for example 300.1,299.8 with points inside the numbers.",
        )
    return parts
