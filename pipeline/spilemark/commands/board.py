"""``spilemark board``: whether a part comes out of the wood that there is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spilemark.commands import Examples
from spilemark.commands.shop_options import (
    code_of,
    force_option,
    json_option,
    say,
    say_json,
    shop_of,
    shown_in,
    side_option,
    units_option,
)
from spilemark.errors import EXIT_BELOW_LIMIT

if TYPE_CHECKING:
    from spilemark.blank.board import BoardOrder
    from spilemark.shop.outlines import SideName


@click.command(
    cls=Examples,
    short_help="Does the part fit the wood, and how must it lie?",
    examples=(
        'spilemark board knee/ --side port --size "600 x 250 mm" --grain-within 15 --out board.pdf',
        "spilemark board knee/ --side port --blank plank/ --defect 120,40,15 --saw 3mm --flip",
        'spilemark board knee/ --side port --pair --kerf 3mm --size "1200 x 400 mm"',
    ),
)
@click.argument("pattern", type=click.Path(path_type=Path))
@side_option
@click.option("--size", metavar='"L x W"', help="A straight board, length and width, mm.")
@click.option("--blank", metavar="DIR", help="Results of a photo of the wood, or an outline file.")
@click.option("--points", metavar='"X,Y; X,Y; ..."', help="The wood as drawn points, mm.")
@click.option(
    "--defect",
    "defects",
    multiple=True,
    metavar="X,Y,R",
    help="A knot to keep clear of: place and radius in mm; may be given again.",
)
@click.option("--grain", type=float, metavar="DEG", help="Of the wood, from x. [default: 0]")
@click.option(
    "--grain-part", type=float, metavar="DEG", help="Of the part, from x. [default: toe to toe]"
)
@click.option("--grain-within", type=float, metavar="DEG", help="[default: any direction]")
@click.option("--saw", metavar="LENGTH", help="Wood wanted outside the line, mm. [default: 3mm]")
@click.option(
    "--kerf", metavar="LENGTH", help="Least between a pair, mm. [default: 3mm; twice the saw]"
)
@click.option("--flip", is_flag=True, default=None, help="It may be turned over.")
@click.option("--pair", is_flag=True, default=None, help="Part and mirror image on one board.")
@click.option("--throat", metavar="EDGE", help="Its inside edge. [default: throat curve]")
@click.option("--follow", metavar="EDGE", help="Edge of the wood on which the throat must lie.")
@click.option("--follow-within", metavar="LENGTH", help="How near, mm. [default: 1mm]")
@click.option(
    "--job",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="JOB.toml",
    help="Take the tables [board] and [shop] of a job file first.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw it at true size: an .svg, .pdf or .dxf.",
)
@units_option
@force_option
@json_option
def board(
    pattern: Path,
    side: SideName | None,
    points: str | None,
    job: Path | None,
    out: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
    **told: Any,
) -> int:
    """Lay a part in the wood that there is, with the largest least margin.

    PATTERN is a results folder, its report.json or an outline file. The wood is
    a board by its size, drawn points, or the results of a photo of it; without
    any, the smallest boards to buy are told. What does not fit is told by how
    much, and the exit code is 5.
    """
    from spilemark.blank.board import lay
    from spilemark.blank.board_words import board_lines, board_sheet, board_table
    from spilemark.blank.marks import marks_of
    from spilemark.blank_job import lines_of
    from spilemark.shop.files import read_part
    from spilemark.shop_parts import warnings_of

    part = read_part(pattern, side)
    lines_there = lines_of(part, shop_of(job, part.outline.side))
    laid = lay(
        lines_there.finished,
        _order(told, points, job),
        lines_there.cutting.points_mm,
        bevelled=lines_there.bevelled,
    )
    show = shown_in(units, part)
    lines = board_lines(laid, show)
    title = ", ".join(word for word in (part.boat, part.outline.name, part.date) if word)
    marks = marks_of(part, lines_there.order)
    sheet = board_sheet(laid, title, show, marks) if out is not None else None
    if out is not None:
        from spilemark.errors import UsageError
        from spilemark.layers import write_drawing

        if sheet is None:
            raise UsageError("There is no wood to draw.", "Give --size, --blank or --points.")
        write_drawing(out, sheet, force=force)
    if as_json:
        say_json(board_table(laid, lines))
    else:
        say([*lines, *warnings_of(part)], bullets=True)
    if out is not None:
        click.echo(f"Drawn at true size in {out}.", err=True)
    return EXIT_BELOW_LIMIT if laid.fits is False else code_of(part)


def _order(told: dict[str, Any], points: str | None, job: Path | None) -> BoardOrder:
    from spilemark.blank.board import BOARD_PATHS, board_order

    table: dict[str, Any] = {}
    if job is not None:
        from spilemark.strict import read_toml

        found = read_toml(job, "job file").get("board")
        table = dict(found) if isinstance(found, dict) else {}
        for key in BOARD_PATHS:
            if isinstance(table.get(key), str):
                table[key] = str(job.parent / table[key])
    said = {k: [*v] if isinstance(v, tuple) else v for k, v in told.items() if v not in (None, ())}
    if points is not None:
        said["points"] = _points(points)
    if {"size", "blank", "points"} & said.keys():
        # The wood of the command takes the place of the file's, whichever way it was told.
        table = {k: v for k, v in table.items() if k not in ("size", "blank", "points")}
    where = f"The job file {job}, [board]," if job is not None else "The command"
    return board_order(table | said, where)


def _points(text: str) -> list[list[float]]:
    from spilemark.errors import UsageError

    try:
        return [[float(v) for v in pair.split(",")] for pair in text.split(";") if pair.strip()]
    except ValueError as error:
        raise UsageError(
            f'--points "{text}" are not points.', 'Write "0,0; 600,0; 600,200; 0,200" in mm.'
        ) from error
