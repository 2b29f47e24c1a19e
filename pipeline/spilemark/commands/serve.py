"""``spilemark serve``: the bench page."""

from __future__ import annotations

from pathlib import Path

import click

from spilemark.commands import Examples

DEFAULT_PORT = 8733


@click.command(
    cls=Examples,
    short_help="Open the bench page: all of it without a command line.",
    examples=(
        "spilemark serve",
        "spilemark serve --jobs spring_orders/",
        "spilemark serve --jobs knees/ --tcp-port 8801 --no-browser",
    ),
)
@click.option(
    "--jobs",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("jobs"),
    show_default=True,
    metavar="DIR",
    help="Folder in which each job has a folder; made if it is not there.",
)
@click.option(
    "--tcp-port",
    type=click.IntRange(0, 65535),
    default=DEFAULT_PORT,
    show_default=True,
    metavar="NUMBER",
    help="Where it listens, on this computer only; 0 takes any that is free.",
)
@click.option(
    "--phone-address",
    default="",
    metavar="ADDRESS",
    help="Where a phone finds this computer, once you let it in. [default: as the network tells]",
)
@click.option("--browser/--no-browser", default=True, help="Open it in the browser. [default: yes]")
def serve(jobs: Path, tcp_port: int, phone_address: str, *, browser: bool) -> int:
    """Open the bench page in the browser of this computer.

    Photograph, see what was found, compare and print without a command line.
    Jobs are the same folders that "spilemark make" makes and reads. Nothing
    listens to the network but for a phone that you let in, for a while.
    """
    from spilemark.serve.run import serve as run

    run(
        jobs,
        tcp_port,
        lambda words: click.echo(words, err=True),
        browser=browser,
        phone_address=phone_address,
    )
    return 0
