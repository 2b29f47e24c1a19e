"""``spilemark jobs``: a folder of job files, worked on all cores."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from spilemark.commands import Examples

if TYPE_CHECKING:
    from spilemark.many import JobEnd

_WORDS_WIDE = 70


@click.command(
    cls=Examples,
    short_help="Run all job files of a folder.",
    examples=(
        "spilemark jobs spring_orders/ --out templates/",
        "spilemark jobs spring_orders/ --out templates/ --workers 2",
        "spilemark jobs spring_orders/ --out templates/ --force",
    ),
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder in which each job gets a folder of its own.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 64),
    metavar="COUNT",
    help="Jobs at the same time. [default: one per core]",
)
@click.option("--force", is_flag=True, help="Replace results that are there.")
def jobs(folder: Path, out: Path, workers: int | None, *, force: bool) -> int:
    """Run every job file (*.toml) of a folder and of the folders in it.

    Jobs run side by side; one that fails is told in the table at the end and
    stops no other. What is done stays when you stop it with ctrl-C.
    """
    from spilemark.many import exit_code_of, find_jobs, places, run_many

    found = find_jobs(folder)
    where, not_run = places(found, folder, out)
    # stderr, so that the table alone stands on stdout.
    with click.progressbar(length=len(where), label=f"{len(where)} jobs", file=sys.stderr) as bar:

        def ended(_: JobEnd) -> None:
            bar.update(1)

        count = workers or os.cpu_count() or 1
        ends = (*run_many(where, workers=count, force=force, ended=ended), *not_run)
    ends = tuple(sorted(ends, key=lambda end: end.job))
    for line in table(ends, folder):
        click.echo(line)
    return exit_code_of(ends)


def table(ends: tuple[JobEnd, ...], folder: Path) -> list[str]:
    """The end of every job, a row each; what failed or is below what was asked is told in full."""
    from spilemark.errors import EXIT_BELOW_LIMIT, UsageError

    names = [end.job.named_from(folder) for end in ends]
    wide = max(len("job"), *(len(name) for name in names))
    rows = [f"{'job':{wide}}  end          s  what was found"]
    for name, end in zip(names, ends, strict=True):
        word = "FAILED" if end.failed else "below" if end.exit_code == EXIT_BELOW_LIMIT else "done"
        # The row names the file already.
        said = end.words.removeprefix(f"The job file {end.job.file}").lstrip(":, ")
        if end.exit_code == UsageError.exit_code:
            said = f"not run: {said}"
        short = (
            said if len(said) <= _WORDS_WIDE else said[: _WORDS_WIDE - 3].rsplit(" ", 1)[0] + "..."
        )
        rows.append(f"{name:{wide}}  {word:6}  {end.seconds:6.1f}  {short}")
    failed = [(name, end) for name, end in zip(names, ends, strict=True) if end.failed]
    for name, end in zip(names, ends, strict=True):
        if end.exit_code:
            rows += ["", f"{name} (exit code {end.exit_code}):", f"  {end.words}"]
    done = len(ends) - len(failed)
    rows += ["", f"{done} of {len(ends)} jobs done, {len(failed)} failed."]
    return rows
