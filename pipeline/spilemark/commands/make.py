"""``spilemark make``: from photographs to templates."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spilemark.commands import Examples
from spilemark.commands.make_words import arms_of, said_on_command
from spilemark.errors import EXIT_BELOW_LIMIT, EXIT_DONE, UsageError, WouldOverwrite

if TYPE_CHECKING:
    from spilemark.job import Plan
    from spilemark.records import StraightPhoto

_PHOTO_OPTIONS = ("--port", "--starboard", "--single", "--both")


class _Make(Examples):
    """Lets several photos follow one option, as shells expand ``port*.jpg``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        return super().parse_args(ctx, _one_option_each(args))


def _one_option_each(args: Sequence[str]) -> list[str]:
    """Turn ``--port a.jpg b.jpg`` into ``--port a.jpg --port b.jpg``; a .toml ends the row."""
    spread: list[str] = []
    option = ""
    waiting = False
    for word in args:
        if word.startswith("-") and word != "-":
            option = word if word in _PHOTO_OPTIONS else ""
            waiting = bool(option)
            spread.append(word)
        elif option and not waiting and not word.lower().endswith(".toml"):
            spread += [option, word]
        else:
            option = option if waiting else ""
            waiting = False
            spread.append(word)
    return spread


def _photos(side: str, words: str) -> Callable[[Any], Any]:
    return click.option(
        f"--{side}",
        multiple=True,
        metavar="PHOTO...",
        help=f"{words}, one photo or several while it lies still.",
    )


@click.command(
    cls=_Make,
    short_help="Make templates from photos of cut patterns.",
    examples=(
        "spilemark make --port p.jpg --starboard s.jpg --distance A-H=742.5mm --out knee/",
        "spilemark make --port port_1.jpg port_2.jpg --thickness 3.1mm --out knee/",
        "spilemark make knee.toml --out knee/ --units in --force",
    ),
)
@click.argument("job", required=False, metavar="[JOB.toml]")
@_photos("port", "The port pattern")
@_photos("starboard", "The starboard pattern")
@_photos("single", "A part on the centreline")
@_photos("both", "Both patterns in the same photo")
@click.option("--out", metavar="DIR", help="Folder for the results; made if it is not there.")
@click.option(
    "--thickness",
    multiple=True,
    metavar="[SIDE:]LENGTH[±]",
    help="Caliper reading of the pattern's stock, mm, such as 3.1mm±0.1, or port:3.2mm where the "
    "sides differ. [default: not known]",
)
@click.option(
    "--batten",
    "battens",
    multiple=True,
    metavar="A-B=LENGTH[±]",
    help="Between the crosses of two cards glued to one stiff strip, measured once with a steel "
    "rule, mm. [default: none; ±0.1mm where none is given]",
)
@click.option(
    "--distance",
    "distances",
    multiple=True,
    metavar="[SIDE:]A-H=LENGTH[±]",
    help="Taped between the crosses of two cards, mm; may be given again for other pairs, or as "
    "port:A-H=... where the cards were moved between the sides.",
)
@click.option(
    "--printed-bar",
    metavar="X[,Y]",
    help="The printed 100 mm check bars as you measured them, mm, across and along the sheet.",
)
@click.option(
    "--scan",
    is_flag=True,
    default=None,
    help="The files are flatbed scans (pictures or PDF). [default: photos]",
)
@click.option("--cards", metavar="FILE", help="Another card set, or battens. [default: our cards]")
@click.option(
    "--cards-on",
    type=click.Choice(("bench", "pattern")),
    help="Where the cards lie. [default: bench]",
)
@click.option(
    "--centreline",
    multiple=True,
    metavar="[SIDE:]X1,Y1,X2,Y2",
    help="Two points of the pencil line, pixels of the upright photo. [default: found]",
)
@click.option(
    "--line-from-edge",
    multiple=True,
    metavar="[SIDE:]TEXT",
    help='Where the line is but a short tick, what tells its direction: "square to transom edge" or '
    '"along hull edge". [default: the line itself]',
)
@click.option(
    "--centreline-offset",
    metavar="LENGTH",
    help="From the pencil line to the boat's centreline, mm. [default: not stated]",
)
@click.option(
    "--forward",
    multiple=True,
    metavar="[SIDE:]X,Y",
    help="A point towards the bow, pixels of the upright photo. [default: told by a FWD tick]",
)
@click.option(
    "--face",
    multiple=True,
    metavar="[SIDE:]up|down",
    help="Which face was photographed. [default: up]",
)
@click.option(
    "--tags",
    type=click.Choice(("read", "ignore")),
    help="Printed tags on the patterns: line, side, bow, face. [default: read]",
)
@click.option(
    "--edge",
    multiple=True,
    metavar="[SIDE:]cut|scribed",
    help="The outline is the sheet's cut edge, or a pencil line drawn on it. [default: found]",
)
@click.option(
    "--tolerance", metavar="LENGTH", help="What still counts as the same, mm. [default: 1.5mm]"
)
@click.option(
    "--line-doubt",
    metavar="LENGTH",
    help="How well the pencil line was drawn, each end, mm. [default: 0.15mm]",
)
@click.option(
    "--paper",
    type=click.Choice(("a4", "letter", "a3", "tabloid")),
    help="Paper for printing. [default: the printer's, or a4]",
)
@click.option(
    "--printer",
    metavar="NAME",
    help='Make up for a printer that "spilemark printer measure" stored. [default: none]',
)
@click.option(
    "--lens",
    metavar="NAME",
    help='The phone\'s lens, as "spilemark lens measure" stored it. [default: as EXIF tells]',
)
@click.option(
    "--units", type=click.Choice(("mm", "in")), help="How lengths are shown. [default: mm]"
)
@click.option("--boat", metavar="TEXT", help="Name of the boat, for the labels.")
@click.option("--part", metavar="TEXT", help="Name of the part, for the labels.")
@click.option("--date", metavar="YYYY-MM-DD", help='Date for the labels, or "today".')
@click.option("--recipe", metavar="FILE", help="Other plug-ins than the shipped ones.")
@click.option(
    "--only",
    metavar="PART",
    help="One part of a job file that has several. [default: all of them]",
)
@click.option("--force", is_flag=True, help="Replace results that are there.")
@click.option("--dry-run", is_flag=True, help="Check everything, read the photos, write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print the report as JSON on stdout.")
def make(
    job: str | None,
    port: tuple[str, ...],
    starboard: tuple[str, ...],
    single: tuple[str, ...],
    both: tuple[str, ...],
    *,
    only: str | None,
    force: bool,
    dry_run: bool,
    as_json: bool,
    **told: Any,
) -> int:
    """Make true-scale templates from photos of cut patterns.

    Lay printed scale cards around the pattern, photograph it from above, and
    name the photos. With both sides given, the report says where they differ.
    A length takes mm where no unit stands, or cm, or in with fractions
    (3-7/16); what follows ± (or +-) is one standard deviation.
    """
    path = Path(job) if job else None
    if only and path is None:
        raise UsageError(f'--only "{only}" names a part, but no job file.', "Name the file too.")
    parts = [only or ""] if path is None or only else _parts_of(path)
    photos = {"port": port, "starboard": starboard, "single": single, "both": both}
    if len(parts) > 1:
        return _several(path, parts, photos, told, force=force, dry_run=dry_run, as_json=as_json)
    said = said_on_command(photos, told, arms_of(path, parts[0]))
    return run(path, said, parts[0], force=force, dry_run=dry_run, as_json=as_json)


def _parts_of(job_file: Path) -> list[str]:
    from spilemark.jobparts import parts_of

    return [part.name for part in parts_of(job_file)]


def _several(
    job_file: Path | None,
    parts: list[str],
    photos: dict[str, tuple[str, ...]],
    told: dict[str, Any],
    *,
    force: bool,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Run every part of a job file; one that cannot be measured stops no other."""
    from spilemark.errors import EXIT_SOME_JOBS_FAILED, SpilemarkError

    if any(photos.values()) or as_json:
        what = "--json prints one report" if as_json else "Photos on the command are of one part"
        raise UsageError(
            f"{what}, and {job_file} has {len(parts)}.", f'Name one: --only "{parts[0]}".'
        )
    orders = {name: said_on_command({}, dict(told), arms_of(job_file, name)) for name in parts}
    _plan_all(job_file, orders, force=force)
    codes: dict[str, int] = {}
    for name, said in orders.items():
        click.echo(f"\n--- {name} ---")
        try:
            codes[name] = run(job_file, said, name, force=force, dry_run=dry_run)
        except SpilemarkError as error:
            click.echo(f"Error: {error.what}\n{error.todo}".rstrip(), err=True)
            codes[name] = error.exit_code
    click.echo()
    for name, code in codes.items():
        word = {EXIT_DONE: "done", EXIT_BELOW_LIMIT: "below what was asked"}.get(code, "FAILED")
        click.echo(f"{name}: {word}")
    failed = [name for name, code in codes.items() if code not in (EXIT_DONE, EXIT_BELOW_LIMIT)]
    for name in failed:
        click.echo(f'When it is mended, make it alone: spilemark make "{job_file}" --only "{name}"')
    if not failed:
        return max(codes.values())
    return EXIT_SOME_JOBS_FAILED


def _plan_all(job_file: Path | None, orders: dict[str, dict[str, Any]], *, force: bool) -> None:
    """A slip of the pen in the last part is told before the first is measured."""
    from spilemark.job import plan_job
    from spilemark.jobfile import read_order

    standing = []
    for name, said in orders.items():
        try:
            plan_job(read_order(job_file, said, name), force=force)
        except WouldOverwrite as error:
            standing.append((name, error))
    if not standing:
        return
    missing = [name for name in orders if name not in dict(standing)]
    _, first = standing[0]
    only = " or ".join(f'--only "{name}"' for name in missing)
    todo = (
        f"Add {only} to make what is missing, or --force to make all again." if only else first.todo
    )
    raise WouldOverwrite(first.what, todo) from first


def run(
    job_file: Path | None,
    said: dict[str, Any],
    only: str = "",
    *,
    force: bool = False,
    dry_run: bool = False,
    as_json: bool = False,
) -> int:
    """Run one job and hand back the exit code.

    Parameters
    ----------
    job_file : Path or None
    said : dict
        The command line in the words of the job file.
    only : str
        Which part of a job file of several.
    """
    from spilemark.job import carry_out, look, plan_job
    from spilemark.jobfile import read_order

    plan = plan_job(read_order(job_file, said, only), force=force)
    if dry_run:
        for line in _planned(plan, look(plan, _progress)):
            click.echo(line)
        return EXIT_DONE
    result, files = carry_out(plan, _progress)
    from spilemark.summary import below_words, summary_text

    if as_json:
        click.echo((plan.folder / "report.json").read_text(encoding="utf-8"))
    click.echo(summary_text(result), err=as_json)
    click.echo(f"\nFiles in {plan.folder}:", err=as_json)
    for path in files:
        click.echo(f"  {path.name}", err=as_json)
    below = below_words(result)
    if below:
        click.echo(f"\nBelow what was asked: {' '.join(below)}", err=as_json)
    return EXIT_BELOW_LIMIT if below else EXIT_DONE


def _progress(words: str) -> None:
    click.echo(f"{words} ...", err=True)


def _planned(plan: Plan, photos: dict[str, tuple[StraightPhoto, ...]]) -> list[str]:
    facts = plan.request.facts
    lines = []
    for arm, set_of in photos.items():
        for straight in set_of:
            photo = straight.photo
            size = f"{photo.width_px} x {photo.height_px} px"
            lines.append(f"{arm}: {photo.path} ({size}, lens from {straight.lens.basis})")
    battens = ", ".join(
        f"{'-'.join(b.cards)} {b.distance_mm:g} mm" for b in plan.request.card_set.battens
    )
    lines.append(f"battens: {battens or 'none'}")
    taped = ", ".join(f"{one}-{other} {mm:g} mm" for one, other, mm, _ in facts.distances)
    lines.append(f"taped distances: {taped or 'none'}")
    lines.append(f"cards: {plan.request.card_set.name}, on the {facts.cards_on}")
    for stage, version in plan.kitchen.versions.items():
        lines.append(f"{stage} ({version})")
    lines.append(f"Results would go to {plan.folder}. Nothing was written.")
    return lines
