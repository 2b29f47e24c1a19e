"""``spilemark allow``: finished and cutting line of a part."""

from __future__ import annotations

from collections.abc import Callable
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

if TYPE_CHECKING:
    from spilemark.shop.allowances import CutLines
    from spilemark.shop.files import Part
    from spilemark.shop.lengths import Show
    from spilemark.shop.outlines import ShopOutline, SideName


def _amounts(option: str, words: str) -> Callable[[Any], Any]:
    return click.option(
        f"--{option}",
        multiple=True,
        metavar="[EDGE=]LENGTH",
        help=f"{words}, mm; without an edge on all of them. May be given again.",
    )


@click.command(
    cls=Examples,
    short_help="Allowances by edge: finished line and cutting line.",
    examples=(
        'spilemark allow knee/ --side port --saw 2mm --plane "hull edge = 1mm" --out knee.svg',
        (
            'spilemark allow knee/ --side port --scribe "hull edge = 8mm outboard"'
            ' --glue "hull edge = 2mm" --relief "outer corner = 12mm" --out knee.pdf'
        ),
        "spilemark allow knee/ --side port --bush 30mm --cutter 10mm --out template.svg",
    ),
)
@click.argument("pattern", type=click.Path(path_type=Path))
@side_option
@_amounts("saw", "Left outside the finished line for the saw")
@_amounts("plane", "Left on to be planed off")
@_amounts("glue", "Left free for thickened glue")
@click.option(
    "--scribe",
    multiple=True,
    metavar="EDGE=GAP_WAY",
    help='Scribe gap to undo, mm: "hull edge = 8mm outboard" (compass held one way: outboard, '
    'inboard, forward, aft, port, starboard, at 120) or "= 8mm square" (rolled block).',
)
@click.option(
    "--relief",
    multiple=True,
    metavar="CORNER=RADIUS",
    help='Clear a fillet in the hull\'s corner, mm: "outer corner = 12mm", or "12mm round".',
)
@click.option("--bush", metavar="LENGTH", help="Guide bush, outside diameter, mm.")
@click.option("--cutter", metavar="LENGTH", help="Router cutter in that bush, diameter, mm.")
@bevel_options
@job_option
@sheet_option
@units_option
@force_option
@json_option
def allow(
    pattern: Path,
    side: SideName | None,
    bush: str | None,
    cutter: str | None,
    job: Path | None,
    out: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
    **told: Any,
) -> int:
    """Work out the finished line and the cutting line of a part.

    PATTERN is a results folder, its report.json or an outline file. The scribe
    gap is undone first, then comes the gap for glue: that is the finished line.
    Outside of it, and of the larger face where edges are bevelled, lies the
    cutting line, with room for the saw and the plane.
    """
    from spilemark.shop.files import read_part
    from spilemark.shop_parts import cut_notes, cut_sheet

    part = read_part(pattern, side)
    order = order_from(told, job, part.outline.side)
    lines = order.cut_lines(part.outline)
    show = shown_in(units, part)
    template, router = _router(lines.finished, bush, cutter, show)
    notes = cut_notes(part, order, lines, router, show)
    if out is not None:
        from spilemark.shop_sheet import write_sheet

        write_sheet(out, cut_sheet(part, order, lines, notes, show, template), force=force)
    if as_json:
        say_json(_table(part, lines, template, notes))
    else:
        say(notes, bullets=True)
    if out is not None:
        click.echo(f"Drawn at true size in {out}.", err=True)
    return code_of(part)


def _router(
    finished: ShopOutline, bush: str | None, cutter: str | None, show: Show
) -> tuple[ShopOutline | None, tuple[str, ...]]:
    if bush is None and cutter is None:
        return None, ()
    from spilemark.errors import UsageError
    from spilemark.shop.allowances import bush_offset_mm, router_template
    from spilemark.shop.part_words import router_lines
    from spilemark.units import parse_length

    if bush is None or cutter is None:
        raise UsageError(
            "A guide bush needs its cutter, and a cutter its bush.",
            "Give both: --bush 30mm --cutter 10mm.",
        )
    sizes = parse_length(bush), parse_length(cutter)
    words = router_lines(*sizes, bush_offset_mm(*sizes), show)
    return router_template(finished, *sizes), words


def _table(
    part: Part, lines: CutLines, template: ShopOutline | None, notes: list[str]
) -> dict[str, Any]:
    def points(outline: ShopOutline | None) -> Any:
        return None if outline is None else outline.points_mm.round(4).tolist()

    return {
        "side": part.outline.side,
        "finished_mm": points(lines.finished),
        "second_face_mm": points(lines.second_face),
        "cutting_mm": points(lines.cutting),
        "router_template_mm": points(template),
        "words": notes,
    }
