"""``spilemark fitted``: what was planed off, and the next pattern of the class."""

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
    side_option,
    units_option,
)

if TYPE_CHECKING:
    from spilemark.shop.files import Part
    from spilemark.shop.fitted import FittedRecord, Planed
    from spilemark.shop.lengths import Show
    from spilemark.shop.outlines import SideName


@click.command(
    cls=Examples,
    short_help="Record what was planed off; make the next pattern.",
    examples=(
        'spilemark fitted knee/ --side port --planed "hull edge = 0:0, 60:1.2, 120:0"',
        (
            'spilemark fitted knee/ --side starboard --planed "transom edge = 1/32in"'
            ' --note "proud at the quarter" --date today'
        ),
        "spilemark fitted knee/ --side port --next next_port.json",
    ),
)
@click.argument("pattern", type=click.Path(path_type=Path))
@side_option
@click.option(
    "--planed",
    multiple=True,
    metavar="EDGE=LENGTH",
    help='Taken off to fit, mm, by distance along the edge: "hull edge = 0:0, 60:1.2, 120:0", or '
    'one amount all along: "hull edge = 0.8". A minus where the part was short.',
)
@click.option("--date", metavar="YYYY-MM-DD", help='When it was fitted, or "today".')
@click.option("--note", default="", metavar="TEXT", help="Why, or where it was proud.")
@click.option(
    "--next",
    "onward",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.json",
    help="Write the pattern for the next boat, less what was planed off.",
)
@units_option
@force_option
@json_option
def fitted(
    pattern: Path,
    side: SideName | None,
    planed: tuple[str, ...],
    date: str | None,
    note: str,
    onward: Path | None,
    units: str | None,
    *,
    force: bool,
    as_json: bool,
) -> None:
    """Record what was planed off when a part was fitted.

    PATTERN is a results folder, its report.json or an outline file; the record
    (fitted.toml) is kept beside it and added to. Amounts count from the finished
    line: what was left on for the plane is not among them. The next pattern of
    the class starts from it: name it as fitted in the table [shop] of the next
    job, or give bevel and allow the file that --next writes.
    """
    from spilemark.shop.files import read_part, write_outline
    from spilemark.shop.fitted import next_pattern

    part = read_part(pattern, side)
    home = pattern if pattern.is_dir() else pattern.parent
    show = shown_in(units, part)
    record = _kept(home, pattern, part, planed, date, note)
    new = None
    if onward is not None:
        from dataclasses import replace

        new = replace(part, outline=next_pattern(part.outline, record.planed))
        write_outline(onward, new, force=force)
    lines = _lines(record, part, show)
    if as_json:
        say_json(_table(record, new))
        return
    say(lines)
    if onward is not None:
        click.echo(f"The next pattern is in {onward}.", err=True)


def _kept(
    home: Path, pattern: Path, part: Part, planed: tuple[str, ...], date: str | None, note: str
) -> FittedRecord:
    """The record beside the job, with what is new added and written.

    The first entry of a side brings with it what this job itself started less.
    """
    from dataclasses import replace

    from spilemark.shop.fitted import (
        FILE_NAME,
        FittedRecord,
        next_pattern,
        planed_before,
        read_fitted,
        write_fitted,
    )

    path = home / FILE_NAME
    record = read_fitted(path) if path.exists() else FittedRecord(boat=part.boat, part=part.part)
    if not planed:
        return record
    new = tuple(_entry(text, part, date, note) for text in planed)
    if all(entry.side != part.outline.side for entry in record.planed):
        new = (*planed_before(pattern, part.outline), *new)
    # Refuses what cannot be drawn before anything is kept.
    next_pattern(part.outline, new)
    record = replace(record, planed=(*record.planed, *new))
    write_fitted(path, record)
    click.echo(f"Kept in {path}.", err=True)
    return record


def _entry(text: str, part: Part, date: str | None, note: str) -> Planed:
    from dataclasses import replace

    from spilemark.shop.files import fingerprint
    from spilemark.shop.fitted import Planed, checked, planed_off_mm
    from spilemark.shop.lengths import read_signed
    from spilemark.shop.stations import read_stations

    off = checked(read_stations(text, read_signed))
    planed_off_mm(part.outline, part.outline.edge(off.edge), off)
    return Planed(
        side=part.outline.side,
        off=replace(off, edge=part.outline.edge(off.edge).name),
        outline=fingerprint(part.outline),
        date=date_of(date).isoformat() if date else "",
        note=note,
    )


def _lines(record: FittedRecord, part: Part, show: Show) -> list[str]:
    from spilemark.shop.lengths import show_length

    mine = [entry for entry in record.planed if entry.side == part.outline.side]
    if not mine:
        return [f"Nothing is recorded as planed off the {part.outline.side} part yet."]
    lines = []
    for entry in mine:
        amounts = ", ".join(
            f"{show_length(off, show)} at {show_length(at, show, 0)}"
            for at, off in zip(entry.off.at_mm, entry.off.values, strict=True)
        )
        if len(entry.off.values) == 1:
            amounts = f"{show_length(entry.off.values[0], show)} all along"
        told = ", ".join(word for word in (entry.date, entry.note) if word)
        lines.append(f"{entry.side}, {entry.off.edge}: {amounts}{f' ({told})' if told else ''}.")
    return lines


def _table(record: FittedRecord, new: Part | None) -> dict[str, Any]:
    return {
        "boat": record.boat,
        "part": record.part,
        "planed": [
            {
                "side": entry.side,
                "edge": entry.off.edge,
                "at_mm": [*entry.off.at_mm],
                "off_mm": [*entry.off.values],
                "date": entry.date,
                "note": entry.note,
            }
            for entry in record.planed
        ],
        "next_mm": None if new is None else new.outline.points_mm.round(4).tolist(),
    }
