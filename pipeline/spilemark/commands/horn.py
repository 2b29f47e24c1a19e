"""``spilemark horn``: is the hull square, from three tapes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spilemark.commands import Examples
from spilemark.commands.shop_options import (
    date_of,
    force_option,
    json_option,
    say,
    say_json,
    shown_in,
    units_option,
)

if TYPE_CHECKING:
    from spilemark.shop.horning import Horning
    from spilemark.shop.hull_orders import HullOrder
    from spilemark.shop.hull_turn import HullAgainstPatterns, LineFrom


@click.command(
    cls=Examples,
    short_help="Tell from three tapes whether a hull is square.",
    examples=(
        ("spilemark horn --port-diagonal 4049.9mm --starboard-diagonal 4039.6mm --breadth 1200mm"),
        (
            "spilemark horn --port-diagonal 12-4-0 --starboard-diagonal 12-3-2 --breadth 42in"
            " --units ft"
        ),
        "spilemark horn knee.toml --fixed --comparison knee/report.json",
    ),
)
@click.argument(
    "job", required=False, type=click.Path(path_type=Path, dir_okay=False), metavar="[JOB.toml]"
)
@click.option(
    "--port-diagonal",
    metavar="LENGTH[±]",
    help="From the stem to the transom's port corner, mm.",
)
@click.option(
    "--starboard-diagonal",
    metavar="LENGTH[±]",
    help="From the same point to the starboard corner, mm.",
)
@click.option("--breadth", metavar="LENGTH[±]", help="Across the transom, corner to corner, mm.")
@click.option(
    "--tape-class",
    type=click.Choice(("I", "II", "III")),
    help="Accuracy class printed on the tape; used where no ± is given. [default: II]",
)
@click.option(
    "--heights",
    metavar="STEM,PORT,STBD",
    help="Heights of the three points above one level, mm. [default: level]",
)
@click.option(
    "--middle",
    metavar="'LENGTH SIDE'",
    help="How far the transom's middle is off the centreline wire, mm: '5mm starboard'.",
)
@click.option("--fixed", is_flag=True, default=None, help="The hull cannot be moved any more.")
@click.option(
    "--comparison",
    type=click.Path(path_type=Path),
    metavar="REPORT",
    help="Does the hull explain what this report found? A report.json or its folder.",
)
@click.option(
    "--turn",
    metavar="DEG[±DEG]",
    help="The same for a turn you give: mirrored starboard's transom edge against port's, on the "
    "pencil lines, anticlockwise seen from above.",
)
@click.option(
    "--line-from",
    type=click.Choice(("centreline", "transom")),
    help="What the pencil lines on the patterns were set out from. [default: centreline]",
)
@click.option("--date", metavar="YYYY-MM-DD", help='When it was taped, or "today".')
@click.option("--support", metavar="TEXT", help="How the hull stands, for the record.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.toml",
    help="Keep a record: the table [hull] of a job file, with what was found.",
)
@units_option
@force_option
@json_option
def horn(
    job: Path | None,
    comparison: Path | None,
    turn: str | None,
    out: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
    **told: Any,
) -> None:
    """Tell from three tapes how far a transom is out of square.

    Hook the tape at one point of the stem, read it at both top corners of the
    transom, and across. Port and starboard are the boat's own, also when she
    lies upside down. Lengths are mm where no unit stands, or in, ft, 3-7/16,
    or feet-inches-eighths such as 12-3-2+. What follows ± is one standard
    deviation. Square first, then scribe.
    """
    from spilemark.shop.horning import horn as horned
    from spilemark.shop_parts import hull_table, hull_words

    order = _order(job, told)
    hull = horned(order.tapes)
    show = shown_in(units)
    beside = _beside(hull, order.line_from, comparison, turn)
    lines = [*hull_words(order, hull, beside, show)]
    if out is not None:
        from spilemark.shop.files import write_text

        write_text(out, _record(order, told, job, lines), force=force)
    if as_json:
        say_json(hull_table(order, hull, beside, lines))
        return
    say(lines, bullets=True)
    if out is not None:
        click.echo(f"Kept in {out}.", err=True)


def _order(job: Path | None, told: dict[str, Any]) -> HullOrder:
    from spilemark.shop.hull_orders import hull_order

    table, where = _hull_table(job)
    said = {key: value for key, value in told.items() if value is not None}
    if "heights" in said:
        said["heights"] = [part.strip() for part in _three(said["heights"])]
    if "date" in said:
        said["date"] = date_of(said["date"])
    return hull_order(table | said, where)


def _hull_table(job: Path | None) -> tuple[dict[str, Any], str]:
    if job is None:
        return {}, "The command"
    from spilemark.errors import UsageError
    from spilemark.strict import read_toml

    table = read_toml(job, "job file").get("hull")
    if not isinstance(table, dict):
        raise UsageError(
            f"The job file {job} has no table [hull].",
            "Write one with port_diagonal, starboard_diagonal and breadth, or give them as options.",
        )
    return table, f"The job file {job}, [hull],"


def _three(text: str) -> list[str]:
    """Cut heights at semicolons, or at commas where no decimal commas can be meant."""
    return text.split(";") if ";" in text else text.split(",")


def _beside(
    hull: Horning, line_from: LineFrom, comparison: Path | None, turn: str | None
) -> list[tuple[str, HullAgainstPatterns]]:
    """Set the hull beside what a report or the person says of the patterns."""
    from spilemark.shop.hull_turn import TURN, hull_against_turn

    found = []
    if turn is not None:
        deg, u95 = _turn(turn)
        found.append((TURN, hull_against_turn(hull, deg, u95, line_from)))
    if comparison is not None:
        from spilemark.shop.files import hull_beside_report

        found += hull_beside_report(hull, comparison, line_from)
    return found


def _turn(text: str) -> tuple[float, float]:
    import re

    from spilemark.shop.lengths import read_degrees

    turn, _, doubt = re.sub(r"\+\s*/?\s*-", "±", text).partition("±")
    return read_degrees(turn), abs(read_degrees(doubt)) if doubt.strip() else 0.0


def _record(order: HullOrder, told: dict[str, Any], job: Path | None, lines: list[str]) -> str:
    """The table ``[hull]`` in the words in which it was given, with what was found as comments."""
    import json

    table = dict(_hull_table(job)[0])
    table |= {key: value for key, value in told.items() if value is not None}
    if isinstance(table.get("heights"), str):
        table["heights"] = [part.strip() for part in _three(table["heights"])]
    table.pop("date", None)
    text = ["[hull]"]
    text += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in table.items()]
    if order.date is not None:
        text.append(f"date = {order.date.isoformat()}")
    return "\n".join([*text, "", *(f"# {line}" for line in lines)]) + "\n"
