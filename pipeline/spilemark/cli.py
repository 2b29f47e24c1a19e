"""The command line.  Nothing heavy is imported before a command needs it."""

from __future__ import annotations

import io
import json
import os
import sys
import traceback
from collections.abc import Sequence

import click

from spilemark import __version__, letters
from spilemark.commands.cards import cards
from spilemark.commands.check import check
from spilemark.commands.demo import demo
from spilemark.commands.jobs import jobs
from spilemark.commands.lens import lens
from spilemark.commands.make import make
from spilemark.commands.plugins import plugins
from spilemark.commands.printer import printer
from spilemark.commands.serve import serve
from spilemark.errors import EXIT_DONE, EXIT_INTERRUPTED, EXIT_OUR_BUG, SpilemarkError
from spilemark.shop_commands import SHOP_COMMANDS

_INTERRUPTED_WORDS = "Stopped by you; nothing was written."


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Each command has its own --help with examples.",
)
@click.version_option(__version__, "-V", "--version", prog_name="spilemark")
def spilemark() -> None:
    """True-scale templates of hull patterns, from photographs.

    Print scale cards, lay them around a cut pattern, photograph it, and get a
    template at true size; with both sides, also where they differ. Before that,
    tell whether the hull is square; after it, bevels, allowances and laminations.
    """


for command in (cards, make, jobs, serve, *SHOP_COMMANDS, printer, lens, plugins, check, demo):
    spilemark.add_command(command)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and hand back its exit code; the only place where errors become codes.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in given
    _survive_old_code_pages()
    # Our matrices are small: more threads only wait for each other (measured: 7.4 s of
    # processor time for two photos with two threads, 4.2 s with one).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = spilemark.main(
            args=given, prog_name="spilemark", standalone_mode=False, color=_colour()
        )
    except SpilemarkError as error:
        return _told(error.what, error.todo, error.exit_code, as_json=as_json)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        return _told(_INTERRUPTED_WORDS, "", EXIT_INTERRUPTED, as_json=as_json)
    except SystemExit:
        # click leaves this way, and only then, when whoever reads our output has had enough.
        return EXIT_DONE
    except Exception as error:
        click.echo(traceback.format_exc(), err=True)
        what = f"Something broke inside spilemark: {type(error).__name__}: {error}."
        todo = "That is our mistake, not yours. Please send us the lines above and the photos."
        return _told(what, todo, EXIT_OUR_BUG, as_json=as_json)
    return code if isinstance(code, int) else EXIT_DONE


def _survive_old_code_pages() -> None:
    """Let a terminal without a sign for ± show +- instead of stopping the work."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=letters.ERRORS)


def _colour() -> bool | None:
    """No colour where the person wants none (no-color.org); else as the terminal is."""
    return False if os.environ.get("NO_COLOR") else None


def _told(what: str, todo: str, code: int, *, as_json: bool) -> int:
    """Say an error on stderr, and on stdout where JSON was asked for; hand back its code."""
    click.echo(f"{what} {todo}".strip() if len(what) < 60 else f"{what}\n{todo}".strip(), err=True)
    if as_json:
        error = {"what": what, "todo": todo, "exit_code": code}
        click.echo(json.dumps({"schema": 1, "error": error}, ensure_ascii=False))
    return code


if __name__ == "__main__":
    sys.exit(main())
