"""Options and small helpers that the shop commands share."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spilemark.errors import EXIT_BELOW_LIMIT, EXIT_DONE

if TYPE_CHECKING:
    from spilemark.shop.files import Part
    from spilemark.shop.lengths import Show
    from spilemark.shop.orders import ShopOrder
    from spilemark.shop.outlines import SideName

FileOption = Callable[[Any], Any]

units_option = click.option(
    "--units",
    type=click.Choice(("mm", "in", "ft")),
    help="How lengths are shown: mm, inches, or feet-inches-eighths. [default: as the job, or mm]",
)
side_option = click.option(
    "--side",
    type=click.Choice(("port", "starboard", "single")),
    help="Which pattern, where there are several.",
)
job_option = click.option(
    "--job",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="JOB.toml",
    help="Take the table [shop] of a job file first.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON on stdout, in mm.")
force_option = click.option("--force", is_flag=True, help="Replace a file that is there.")
sheet_option = click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw it at true size: an .svg or a .pdf of one sheet.",
)


def bevel_options(command: Any) -> Any:
    """Add the options that tell of bevels."""
    angle = "degrees [default: 0 where another angle is given]"
    for option in (
        click.option(
            "--tilt", type=float, metavar="DEG", help=f"Inboard side of the knee raised, {angle}"
        ),
        click.option(
            "--plan",
            type=float,
            metavar="DEG",
            help=f"Side seen from above, narrowing aft, {angle}",
        ),
        click.option("--rake", type=float, metavar="DEG", help=f"Transom, top aft, {angle}"),
        click.option("--flare", type=float, metavar="DEG", help=f"Side, top outboard, {angle}"),
        click.option(
            "--pattern-on",
            type=click.Choice(("top", "bottom")),
            help="The face of the part on which the pattern lay. [default: top]",
        ),
        click.option(
            "--bevel",
            "bevels",
            multiple=True,
            metavar="EDGE=BEVEL",
            help='From the pattern\'s face, degrees from square: "hull edge = 12 under", or by '
            'stations in mm "hull edge = 0:10 under, 300:18 under"; "sliding 78" is 12 under.',
        ),
        click.option("--stock", metavar="LENGTH", help="Thickness of the part, mm."),
    ):
        command = option(command)
    return command


def order_from(told: dict[str, Any], job: Path | None, side: SideName | None) -> ShopOrder:
    """Lay the options of a command over the table ``[shop]`` of a job file."""
    from spilemark.shop.orders import shop_order

    table: dict[str, Any] = {}
    if job is not None:
        from spilemark.jobfile import rooted_shop
        from spilemark.strict import read_toml

        found = read_toml(job, "job file").get("shop", {})
        table = rooted_shop(found, job.parent) if isinstance(found, dict) else {}
    said = {k: [*v] if isinstance(v, tuple) else v for k, v in told.items() if v not in (None, ())}
    angles = {k: said.pop(k) for k in ("flare", "rake", "plan", "tilt") if k in said}
    if angles:
        said["angles"] = angles
    if side and isinstance(table.get(side), dict):
        said = {**table.pop(side), **said}
    where = f"The job file {job}, [shop]," if job is not None else "The command"
    return shop_order(table | said, side, where)


def shop_of(job: Path | None, side: SideName) -> ShopOrder | None:
    """What a job file's ``[shop]`` says of one side; None without a file or without that table."""
    if job is None:
        return None
    from spilemark.strict import read_toml

    return order_from({}, job, side) if "shop" in read_toml(job, "job file") else None


def shown_in(units: str | None, part: Part | None = None) -> Show:
    """Units as told on the command, else those of the job."""
    if units == "ft":
        return "ft"
    return "in" if (units or (part.units if part else "mm")) == "in" else "mm"


def say(lines: Sequence[str], *, bullets: bool = False) -> None:
    """Write lines wrapped to a terminal's width."""
    for line in lines:
        first, rest = ("- ", "  ") if bullets else ("", "")
        click.echo(click.wrap_text(line, 96, first, rest))


def say_json(table: dict[str, Any]) -> None:
    """Write one JSON table on stdout."""
    click.echo(json.dumps({"schema": 1, **table}, ensure_ascii=False, allow_nan=False))


def code_of(part: Part) -> int:
    """Exit code of a command that ended well: another where the pattern claims no size."""
    return EXIT_BELOW_LIMIT if part.scale == "nominal" else EXIT_DONE


def date_of(text: str) -> dt.date:
    """Read an ISO date, or "today"."""
    from spilemark.errors import UsageError

    if text.strip().lower() == "today":
        return dt.datetime.now().astimezone().date()
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(
            f"--date {text} is not a date.", "Write for example 2026-05-14."
        ) from error
