"""``spilemark cards``: scale cards to print."""

from __future__ import annotations

from pathlib import Path

import click

from spilemark.commands import Examples


@click.command(
    cls=Examples,
    examples=(
        "spilemark cards --out cards.pdf",
        "spilemark cards --paper letter --count 8 --out cards.pdf",
        "spilemark cards --paper a3 --out cards.svg --force",
    ),
)
@click.option(
    "--paper",
    type=click.Choice(("a4", "letter", "a3", "tabloid")),
    default="a4",
    show_default=True,
    help="The paper in the printer.",
)
@click.option(
    "--count", type=click.IntRange(1), metavar="N", help="How many cards, from A on. [default: all]"
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help="A .pdf, or an .svg (one file a sheet).",
)
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
def cards(paper: str, count: int | None, out: Path, force: bool) -> None:
    """Write scale cards as sheets for any office printer.

    Print them at 100 % ("actual size"), measure the check bars, cut the cards
    out or leave the sheets whole, and lay them around the pattern.
    """
    from spilemark.card_sheets import write_card_sheets

    for path in write_card_sheets(out, paper=paper, count=count, force=force):
        click.echo(path)
    click.echo(
        'Print at 100 % ("actual size", not "fit to page"), then measure the 100 mm bars.', err=True
    )
