"""``spilemark laminate``: form, strips and corner block of a laminated knee."""

from __future__ import annotations

import re
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
from spilemark.errors import EXIT_DONE

if TYPE_CHECKING:
    from spilemark.blank.knee import LaminatedKnee
    from spilemark.blank.orders import LaminationOrder
    from spilemark.shop.files import Part
    from spilemark.shop.outlines import SideName


@click.command(
    cls=Examples,
    short_help="Laminated knee: over-bent form, strips, corner block.",
    examples=(
        'spilemark laminate knee/ --side port --stack 18mm --strips 3mm --wood "white oak" --width 18mm',
        (
            "spilemark laminate knee/ --side port --job job.toml --trials trials.toml"
            " --working-time 40 --out laminated/"
        ),
        (
            "spilemark laminate --corner 98 --radius 160mm --stack 18mm --strips 9 --wood oak"
            " --width 18mm --out form/"
        ),
    ),
)
@click.argument("pattern", required=False, type=click.Path(path_type=Path))
@side_option
@click.option("--throat", metavar="EDGE", help="The inside edge. [default: throat curve]")
@click.option("--corner", type=float, metavar="DEG", help="Without a pattern: the knee's corner.")
@click.option("--radius", metavar="LENGTH", help="Without a pattern: radius of its throat, mm.")
@click.option(
    "--points",
    metavar='"X,Y; X,Y; ..."',
    help="Without a pattern: points of the throat curve, mm.",
)
@click.option("--stack", metavar="LENGTH", help="Thickness of the whole stack, mm.")
@click.option(
    "--strips",
    metavar="N|LENGTH|LENGTH,LENGTH,...",
    help="Number of strips, thickest strip in mm, or every strip from the inside.",
)
@click.option(
    "--wood",
    multiple=True,
    metavar="NAME",
    help='"white oak", or "iroko: 1.38, 12400, hardwood" (million psi, psi); again for each strip.',
)
@click.option("--width", metavar="LENGTH", help="Thickness of the finished part, mm.")
@click.option("--pair", is_flag=True, default=None, help="One lamination for both sides, ripped.")
@click.option("--form", type=click.Choice(("male", "female")), help="[default: male]")
@click.option("--arms", metavar="LENGTH", help="Straight wood past each toe, mm. [default: 60mm]")
@click.option("--clamps", metavar="LENGTH", help="Clamp spacing, mm. [default: 100mm]")
@click.option("--kerf", metavar="LENGTH", help="Of your saw, mm. [default: 2mm]")
@click.option("--board", metavar="LENGTH", help="Width of the board to rip, mm.")
@click.option("--working-time", type=float, metavar="MIN", help="From the glue's label, minutes.")
@click.option("--block", metavar="LENGTH", help="Left on the corner block, mm. [default: 4mm]")
@click.option("--trials", metavar="FILE", help="This shop's trial bends.")
@click.option(
    "--job",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="JOB.toml",
    help="Take the tables [lamination] and [shop] of a job file first.",
)
@click.option(
    "--paper",
    type=click.Choice(("a4", "letter", "a3", "tabloid")),
    help="For the form over sheets. [default: the printer's, or a4]",
)
@click.option("--printer", metavar="NAME", help="A measured printer that the sheets make up for.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder for form, lamination, corner block and layout as SVG, PDF and DXF.",
)
@units_option
@force_option
@json_option
def laminate(
    pattern: Path | None,
    side: SideName | None,
    corner: float | None,
    radius: str | None,
    points: str | None,
    job: Path | None,
    paper: str | None,
    printer: str | None,
    out: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
    **told: Any,
) -> int:
    """Work out a laminated knee: strips, springback, the over-bent form, the corner block.

    PATTERN is a results folder, its report.json or an outline file. The form is
    over-bent point by point by what the strips are expected to spring back; the
    range of that is said and drawn. Make a trial bend, then tell it to
    "spilemark trial".
    """
    from spilemark.blank.knee import laminate_curve, laminate_part
    from spilemark.blank.words import lamination_lines
    from spilemark.blank_job import extra_layers, lines_of
    from spilemark.shop.files import read_part

    order = _order(told, job)
    part = read_part(pattern, side or order.side) if pattern is not None else None
    shop = None
    if part is None:
        knee = laminate_curve(_throat(corner, radius, points), order)
    else:
        shop = shop_of(job, part.outline.side)
        cut = lines_of(part, shop)
        knee = laminate_part(cut.finished, order, cut.cutting.points_mm)
    show = shown_in(units, part)
    lines = lamination_lines(knee, show)
    if out is not None:
        from spilemark.blank.files import drawing_files, knee_drawings, store_in
        from spilemark.blank.marks import marks_of
        from spilemark.printers import paper_for, printer_for

        sheets = paper_for(printer, paper, "--printer")
        made_for = printer_for(printer or "", sheets)
        extra = () if part is None else extra_layers(cut, order.throat)
        drawings = knee_drawings(
            knee, _title(part, knee), show, lines=extra, marks=marks_of(part, shop)
        )
        store_in(out, drawing_files(drawings, sheets, printer=made_for), force=force)
    if as_json:
        from spilemark.blank.tables import knee_table

        say_json(knee_table(knee, lines))
    else:
        say([*lines, *_warnings(part)], bullets=True)
    if out is not None:
        click.echo(f"Drawn at true size in {out}.", err=True)
    return code_of(part) if part is not None else EXIT_DONE


def _order(told: dict[str, Any], job: Path | None) -> LaminationOrder:
    from spilemark.blank.orders import LAMINATION_PATHS, lamination_order
    from spilemark.units import parse_length

    table: dict[str, Any] = {}
    stock: float | None = None
    if job is not None:
        from spilemark.strict import read_toml

        found = read_toml(job, "job file")
        if isinstance(found.get("lamination"), dict):
            table = dict(found["lamination"])
            for key in LAMINATION_PATHS:
                if isinstance(table.get(key), str):
                    table[key] = str(job.parent / table[key])
        shop = found.get("shop")
        if isinstance(shop, dict) and shop.get("stock") is not None:
            stock = parse_length(str(shop["stock"]))
    said = {k: [*v] if isinstance(v, tuple) else v for k, v in told.items() if v not in (None, ())}
    if told.get("strips") is not None:
        said["strips"] = _strips(told["strips"])
    if len(said.get("wood", ())) == 1:
        said["wood"] = said["wood"][0]
    where = f"The job file {job}, [lamination]," if job is not None else "The command"
    return lamination_order(table | said, where, stock)


def _strips(text: str) -> int | str | list[str]:
    """Read ``9`` as a number of strips, ``3mm`` as a thickness, ``3mm,3mm,6mm`` as every strip."""
    if text.strip().isdigit():
        return int(text)
    parts = [p.strip() for p in text.split(",")]
    # "1,6mm" is a thickness with a decimal comma; every strip has its own unit.
    listed = len(parts) > 1 and all(re.search(r"\d.*[a-z\"'″′]$", p, re.IGNORECASE) for p in parts)
    return parts if listed else text


def _throat(corner: float | None, radius: str | None, points: str | None) -> Any:
    import numpy as np

    from spilemark.blank.curves import FairedCurve, arc, faired
    from spilemark.errors import UsageError
    from spilemark.units import parse_length

    if points is not None:
        try:
            pairs = [[float(v) for v in p.split(",")] for p in points.split(";") if p.strip()]
            ring = np.array(pairs, np.float64).reshape(-1, 2)
        except ValueError as error:
            raise UsageError(
                f'--points "{points}" are not points.', 'Write "0,0; 40,2; 80,10" in mm.'
            ) from error
        return faired(ring)
    if corner is None or radius is None:
        raise UsageError(
            "There is no throat curve.",
            "Name a results folder, or give --corner 98 --radius 160mm, or --points.",
        )
    if not 0.0 < corner < 179.0:
        raise UsageError(f"A knee with a corner of {corner:g}° has no bend.", "Give 20 to 160.")
    return FairedCurve(curve=arc(parse_length(radius), np.radians(180.0 - corner)), off_mm=0.0)


def _title(part: Part | None, knee: LaminatedKnee) -> str:
    if part is None:
        return knee.name
    return ", ".join(word for word in (part.boat, part.outline.name, part.date) if word)


def _warnings(part: Part | None) -> tuple[str, ...]:
    from spilemark import wording
    from spilemark.blank.words import LAMINATION_CAUTIONS

    doubt: tuple[str, ...] = ()
    if part is not None:
        from spilemark.shop_parts import warnings_of

        doubt = warnings_of(part)
    return (*doubt, *LAMINATION_CAUTIONS[1:3], wording.GLUE, wording.STRUCTURE, wording.DUST)
