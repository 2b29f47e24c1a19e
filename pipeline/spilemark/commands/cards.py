"""``spilemark cards``: scale cards to print."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from spilemark.commands import Examples


@click.command(
    cls=Examples,
    examples=(
        "spilemark cards --out cards.pdf",
        "spilemark cards --paper letter --count 8 --out cards.pdf",
        "spilemark cards --paper a3 --out cards.svg --force",
        "spilemark cards --tags only --out tags.pdf",
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
    "--tags",
    type=click.Choice(("with", "none", "only")),
    default="with",
    show_default=True,
    help="The sheet of tags that say line, side, bow and face: with the cards, or not, or alone.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="FILE",
    help="A .pdf, or an .svg (one file a sheet).",
)
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
def cards(
    paper: str, count: int | None, tags: Literal["with", "none", "only"], out: Path, force: bool
) -> None:
    """Write scale cards as sheets for any office printer.

    Print them at 100 % ("actual size"), measure the check bars, cut the cards
    out or leave the sheets whole, and lay them around the pattern. The last sheet
    holds tags to lay on a pattern: they say where its line runs, its side, which
    way the bow is and which face is up.
    """
    from spilemark.card_sheets import write_card_sheets

    for path in write_card_sheets(out, paper=paper, count=count, tags=tags, force=force):
        click.echo(path)
    then = "cut along the grey lines" if tags == "only" else "then measure the 100 mm bars"
    click.echo(f'Print at 100 % ("actual size", not "fit to page"), {then}.', err=True)
