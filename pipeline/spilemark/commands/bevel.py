"""``spilemark bevel``: bevel card, second face and larger outline."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spilemark.commands import Examples
from spilemark.commands.shop_options import (
    bevel_options,
    code_of,
    force_option,
    job_option,
    json_option,
    order_from,
    say,
    say_json,
    sheet_option,
    shown_in,
    side_option,
    units_option,
)
from spilemark.errors import EXIT_DONE, UsageError

if TYPE_CHECKING:
    from spilemark.shop.files import Part
    from spilemark.shop.lengths import Show
    from spilemark.shop.orders import ShopOrder
    from spilemark.shop.outlines import SideName


@click.command(
    cls=Examples,
    short_help="Bevel card and second face of a part.",
    examples=(
        'spilemark bevel knee/ --side port --stock 18mm --bevel "hull edge = 0:10 under, 300:18 under"',
        (
            "spilemark bevel knee/ --side port --stock 3/4in --flare 15 --rake 12 --plan 8 --tilt 5"
            " --out bevels.svg"
        ),
        'spilemark bevel --stock 22mm --bevel "sheer = sliding 102" --units in',
    ),
)
@click.argument("pattern", required=False, type=click.Path(path_type=Path))
@side_option
@bevel_options
@job_option
@sheet_option
@units_option
@force_option
@json_option
def bevel(
    pattern: Path | None,
    side: SideName | None,
    job: Path | None,
    out: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
    **told: Any,
) -> int:
    """Make a bevel card, and draw the second face of a part.

    PATTERN is a results folder, its report.json or an outline file; without
    one, only the sums are made. Under is an acute angle at the pattern's face,
    standing an obtuse one. Bevels past 60 degrees are refused.
    """
    from spilemark.shop.bevels import compound_bevel
    from spilemark.shop.part_words import compound_lines

    part = _part(pattern, side)
    order = order_from(told, job, side if part is None else part.outline.side)
    if not order.bevels:
        raise UsageError(
            "No bevel is given.",
            'Give --bevel "hull edge = 12 under", or the hull\'s angles: --flare 15 --rake 12.',
        )
    show = shown_in(units, part)
    lines: list[str] = []
    if order.angles is not None:
        measured = None if part is None else part.outer_deg
        lines += compound_lines(compound_bevel(order.angles), order.pattern_on, measured)
    if part is None:
        if out is not None:
            raise UsageError(
                "Nothing can be drawn without a pattern.", "Name a results folder or report.json."
            )
        _sums(order, lines, show, as_json=as_json)
        return EXIT_DONE
    _whole(part, order, lines, show, out, force=force, as_json=as_json)
    return code_of(part)


def _part(pattern: Path | None, side: SideName | None) -> Part | None:
    if pattern is None:
        return None
    from spilemark.shop.files import read_part

    return read_part(pattern, side)


def _stock(order: ShopOrder) -> float:
    if order.stock_mm is None:
        raise UsageError(
            "The thickness of the part is not given.", "Add it, for example --stock 18mm."
        )
    return order.stock_mm


def _sums(order: ShopOrder, lines: list[str], show: Show, *, as_json: bool) -> None:
    """Bevels without an outline: what they come to across the stock."""
    from spilemark.shop.bevels import bevel_offset_mm
    from spilemark.shop.part_words import offset_lines

    stock = _stock(order)
    offsets = [[bevel_offset_mm(stock, b) for b in s.values] for s in order.bevels]
    lines += offset_lines(order.bevels, offsets, show)
    if not as_json:
        say(lines)
        return
    rows = [
        {"edge": s.edge, "s_mm": at, "bevel_deg": deg, "offset_mm": off}
        for s, row in zip(order.bevels, offsets, strict=True)
        for at, deg, off in zip(s.at_mm, s.values, row, strict=True)
    ]
    say_json({"stock_mm": stock, "bevels": rows, "words": lines})


def _whole(
    part: Part,
    order: ShopOrder,
    lines: list[str],
    show: Show,
    out: Path | None,
    *,
    force: bool,
    as_json: bool,
) -> None:
    from spilemark.shop.faces import bevel_card, face_lines
    from spilemark.shop.part_words import table
    from spilemark.shop_parts import bevel_notes, bevel_sheet, card_rows, card_table

    stock = _stock(order)
    faces = face_lines(part.outline, stock, order.bevels)
    card = bevel_card(part.outline, stock, order.bevels)
    notes = [*lines, *bevel_notes(part, order, card)]
    if out is not None:
        from spilemark.shop_sheet import write_sheet

        write_sheet(out, bevel_sheet(part, order, faces, card, notes, show), force=force)
    if as_json:
        say_json(
            {
                "side": part.outline.side,
                "stock_mm": stock,
                "pattern_on": order.pattern_on,
                "card": card_table(card),
                "second_face_mm": faces.second_face.points_mm.round(4).tolist(),
                "larger_outline_mm": faces.large.points_mm.round(4).tolist(),
                "words": notes,
            }
        )
    else:
        for line in table(card_rows(card, show)):
            click.echo(line)
        click.echo()
        say(notes, bullets=True)
    if out is not None:
        click.echo(f"Drawn at true size in {out}.", err=True)
