"""``spilemark compare``: any two patterns that spilemark wrote, one on the other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from spilemark.commands import Examples
from spilemark.commands.shop_options import force_option, json_option, say, say_json, units_option
from spilemark.errors import EXIT_BELOW_LIMIT, EXIT_DONE, UsageError

if TYPE_CHECKING:
    from spilemark.kept import Kept
    from spilemark.pairing import Pairing
    from spilemark.records import Side

Hand = Literal["auto", "same", "other"]


@click.command(
    cls=Examples,
    short_help="Compare any two patterns, of one boat or of two.",
    examples=(
        "spilemark compare knee/ knee_2/ --side port",
        "spilemark compare knee/port.svg knee_2/starboard.svg --tolerance 2mm",
        "spilemark compare next_port.json knee_2/ --side port --out difference.svg",
    ),
)
@click.argument("one", metavar="A", type=click.Path(path_type=Path))
@click.argument("other", metavar="B", type=click.Path(path_type=Path))
@click.option(
    "--side",
    type=click.Choice(("port", "starboard", "single")),
    help="Which pattern of A, where it holds several. [default: its only one]",
)
@click.option(
    "--other-side",
    type=click.Choice(("port", "starboard", "single")),
    help="Which pattern of B. [default: its only one, or the same side as of A]",
)
@click.option(
    "--hand",
    type=click.Choice(("auto", "same", "other")),
    default="auto",
    help="Whether B is mirrored first: other. [default: auto, by the two sides]",
)
@click.option(
    "--tolerance", metavar="LENGTH", help="What still counts as the same, mm. [default: 1.5mm]"
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.svg",
    help="Draw where they differ.",
)
@units_option
@force_option
@json_option
def compare(
    one: Path,
    other: Path,
    side: str | None,
    other_side: str | None,
    hand: Hand,
    tolerance: str | None,
    out: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
) -> int:
    """Lay two patterns on each other and say where they differ.

    A and B are results folders, report.json files, templates (.svg) or outline
    files: port and starboard, the same side of two boats, or a pattern and the
    next one of its class. B is mirrored where it is of the other hand. What the
    two jobs share (a tape, a batten) is not known any more, so the intervals
    are on the careful side. The templates of one job are compared by make.
    """
    from spilemark.pairing import pair_up, pairing_lines, pairing_table

    first, second = _two(one, other, side, other_side)
    pairing = pair_up(first, second, hand, _tolerance_mm(tolerance), _shown(units, first))
    if out is not None:
        _draw(pairing, out, force=force)
    if as_json:
        say_json(pairing_table(pairing, one.name, other.name))
    else:
        say(pairing_lines(pairing, str(one), str(other)), bullets=False)
    if out is not None:
        click.echo(f"Drawn in {out}.", err=True)
    return EXIT_BELOW_LIMIT if pairing.no_size else EXIT_DONE


def _two(one: Path, other: Path, side: str | None, other_side: str | None) -> tuple[Kept, Kept]:
    from spilemark.kept import read_kept, sides_in
    from spilemark.records import Side

    first = read_kept(one, Side(side) if side else None)
    wanted: Side | None = Side(other_side) if other_side else None
    if wanted is None:
        held = sides_in(other)
        same_file = one.resolve() == other.resolve()
        wanted = first.side if len(held) > 1 and first.side in held and not same_file else None
    second = read_kept(other, wanted)
    if one.resolve() == other.resolve() and first.side is second.side:
        raise UsageError(
            "A and B are the same pattern.", "Name two files, or two sides: --other-side starboard."
        )
    return first, second


def _tolerance_mm(text: str | None) -> float:
    if text is None:
        return 1.5
    from spilemark.units import parse_length

    mm = parse_length(text)
    if not 0.05 <= mm <= 100.0:
        raise UsageError(
            f"--tolerance {text} is not between 0.05 and 100 mm.",
            "Give what you would still plane to fit, such as 1.5mm.",
        )
    return mm


def _shown(units: str | None, kept: Kept) -> Literal["mm", "in"]:
    return "in" if (units or kept.units) in ("in", "ft") else "mm"


def _draw(pairing: Pairing, out: Path, *, force: bool) -> None:
    from spilemark.difference_figure import figure
    from spilemark.shop.files import write_text

    if out.suffix.lower() != ".svg":
        raise UsageError(f"The figure is not written as {out.name}.", "Let it end in .svg.")
    text = '<?xml version="1.0" encoding="utf-8"?>\n'
    write_text(out, text + figure(pairing.comparison, pairing.facts) + "\n", force=force)
