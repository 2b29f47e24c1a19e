"""``spilemark record``: a job put away, with hashes and a sheet to write on."""

from __future__ import annotations

from pathlib import Path

import click

from spilemark.commands import Examples
from spilemark.commands.shop_options import force_option, json_option, say, say_json
from spilemark.errors import UsageError


@click.command(
    cls=Examples,
    short_help="Put a job away: inputs by hash, sums, results, a job sheet.",
    examples=(
        "spilemark record knee/ --job job.toml --out knee_record.zip",
        (
            'spilemark record knee/ --job job.toml --trials trials.toml --moisture 12 --glue "epoxy, batch 41"'
            " --photos --out knee_record/"
        ),
        "spilemark record knee_record.zip --check",
    ),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--job",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="JOB.toml",
    help="The job file: it is kept, and its photos are compared with those measured.",
)
@click.option("--only", default="", metavar="PART", help="Which part of a job file of several.")
@click.option(
    "--trials",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.toml",
    help="This shop's trial bends.",
)
@click.option("--photos", is_flag=True, help="Keep the photos whole, not only by hash.")
@click.option("--moisture", type=float, metavar="PERCENT", help="Of the wood when it was glued.")
@click.option("--glue", default="", metavar="TEXT", help="Make and batch.")
@click.option("--by", default="", metavar="NAME", help="Who did it.")
@click.option("--note", "notes", multiple=True, metavar="TEXT", help="May be given again.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER|FILE.zip",
    help="Where the record goes. [default: FOLDER_record.zip]",
)
@click.option("--check", is_flag=True, help="Hash a record again instead of making one.")
@force_option
@json_option
def record(
    folder: Path,
    job: Path | None,
    only: str,
    trials: Path | None,
    moisture: float | None,
    glue: str,
    by: str,
    notes: tuple[str, ...],
    out: Path | None,
    *,
    photos: bool,
    check: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Put a job into one folder or zip, to mail or to keep.

    FOLDER is a results folder. The record holds its files, the job file, what
    was planed off (fitted.toml beside the results), the shop's trial bends,
    every input by its hash, and a job sheet of A4 to print: what was
    measured and reckoned, and lines for what only the bench knows. Lengths are
    in mm in record.json, in the job's units on the sheet.
    """
    from spilemark.job_record import Bench, check_record, gather, record_table, write_record

    if check:
        table = check_record(folder)
        if as_json:
            say_json(table)
        else:
            say([f"{folder}: all {len(table['files'])} files are as they were written."])
        return
    found = _photos_of(job, only)
    if photos and not found:
        raise UsageError("--photos needs to know where they lie.", "Give the job file with --job.")
    made = gather(
        folder,
        job_file=job,
        trials=trials,
        photos=found,
        with_photos=photos,
        bench=Bench(moisture_percent=moisture, glue=glue, by=by, notes=notes),
    )
    target = out or folder.with_name(f"{folder.resolve().name}_record.zip")
    write_record(made, target, force=force)
    if as_json:
        say_json({"record": str(target), **record_table(made, b"")})
    else:
        say(
            [f"{made.title}: {len(made.files) + 2} files in {target}. Print job_sheet.pdf from it."]
        )


def _photos_of(job: Path | None, only: str) -> tuple[Path, ...]:
    """The photos that a job file names."""
    if job is None:
        return ()
    from spilemark.jobfile import read_order

    order = read_order(job, {}, only)
    return tuple(path for arm in order.photos.values() for path in arm)
