"""``spilemark trial``: what a released blank tells of the next form."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spilemark.commands import Examples
from spilemark.commands.shop_options import date_of, json_option, say, say_json
from spilemark.errors import EXIT_DONE

if TYPE_CHECKING:
    from spilemark.blank.trial import TrialBend
    from spilemark.shop.outlines import SideName


@click.command(
    cls=Examples,
    short_help="Trial bend: measured against expected, and the next form.",
    examples=(
        "spilemark trial trials.toml --strips 6 --on-form 82.3 --off-form 80.9 --wanted 80 --wood oak",
        "spilemark trial trials.toml --strips 6 --corner-on-form 97.7 --corner-off-form 99.4",
        'spilemark trial trials.toml --strips 6 --on-form 82.3 --photo blank/ --edge "throat curve"',
    ),
)
@click.argument("trials", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--strips", metavar="N|LENGTH,LENGTH,...", help="How many equal ones, or every strip, mm."
)
@click.option("--on-form", type=float, metavar="DEG", help="What it turned through on the form.")
@click.option("--off-form", type=float, metavar="DEG", help="What it turns through released.")
@click.option("--corner-on-form", type=float, metavar="DEG", help="The same as a corner.")
@click.option("--corner-off-form", type=float, metavar="DEG", help="The same as a corner.")
@click.option(
    "--photo",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Results of a photo of the released blank, in place of its angle.",
)
@click.option("--side", type=click.Choice(("port", "starboard", "single")))
@click.option("--edge", default="throat curve", help="Its inside edge. [default: throat curve]")
@click.option(
    "--wanted", type=float, metavar="DEG", help="Bend of the knee. [default: an earlier trial's]"
)
@click.option("--sigma", type=float, metavar="DEG", help="Doubt of the angle. [default: 0.25]")
@click.option("--wood", default="", help="For the record.")
@click.option("--date", metavar="YYYY-MM-DD", help='Of the release, or "today".')
@click.option("--note", default="", help="Anything that may explain it.")
@click.option("--dry-run", is_flag=True, help="Say it, and leave the file as it is.")
@json_option
def trial(
    trials: Path,
    strips: str | None,
    side: SideName | None,
    edge: str,
    photo: Path | None,
    wanted: float | None,
    sigma: float | None,
    wood: str,
    date: str | None,
    note: str,
    *,
    dry_run: bool,
    as_json: bool,
    **angles: float | None,
) -> int:
    """Set a released blank beside what was expected, and correct the next form.

    TRIALS is this shop's file of trial bends, made with the first. Without a
    blank it is shown. Each bend counts by how well it tells the shop's own
    factor; "spilemark laminate --trials" and the job file use it.
    """
    from spilemark.blank.trial import check_opened, factor_from, judge, read_trials
    from spilemark.blank.words import trial_lines, trial_rows

    before = read_trials(trials) if trials.exists() else ()
    given = [v for v in (photo, *angles.values(), strips) if v is not None]
    if not given:
        from spilemark.blank.tables import factor_table

        factor = factor_from(before)
        if as_json:
            say_json({"factor": factor_table(factor)})
            return EXIT_DONE
        for row in trial_rows(before):
            click.echo("  ".join(f"{cell:<12}" for cell in row).rstrip())
        say([f"Factor {factor.factor:.2f} ± {factor.factor_sigma:.2f}, of {len(before)} bend(s)."])
        return EXIT_DONE
    on_form, off_form = _angles(angles, photo, side, edge)
    bend = _bend(strips, on_form, off_form, sigma, wanted, wood, date, note)
    check_opened(bend)
    found = judge(bend, before)
    if not dry_run:
        _store(trials, (*before, bend))
    lines = trial_lines(found)
    if as_json:
        from spilemark.blank.tables import trial_table

        say_json(trial_table(found, lines))
    else:
        say(lines, bullets=True)
    if not dry_run:
        click.echo(f"Kept in {trials}, which now holds {len(before) + 1}.", err=True)
    return EXIT_DONE


def _angles(
    angles: dict[str, float | None], photo: Path | None, side: SideName | None, edge: str
) -> tuple[float, float]:
    """Bend on the form and off it, however each was told."""
    from spilemark.errors import UsageError

    on = _one(angles["on_form"], angles["corner_on_form"])
    off = _one(angles["off_form"], angles["corner_off_form"])
    if photo is not None and off is not None:
        raise UsageError(
            "The released blank was told by a photo and by an angle.", "Give one of the two."
        )
    if photo is not None:
        off = _turn_of(photo, side, edge)
    if on is None or off is None:
        missing = "on the form" if on is None else "off the form"
        raise UsageError(
            f"What the stack turned through {missing} is not told.",
            "Give --on-form and --off-form, or the corners, or --photo for the released blank.",
        )
    return on, off


def _one(bend: float | None, corner: float | None) -> float | None:
    from spilemark.errors import UsageError

    if bend is not None and corner is not None:
        raise UsageError("An angle was told as a bend and as a corner.", "Give one of the two.")
    return bend if corner is None else 180.0 - corner


def _turn_of(photo: Path, side: SideName | None, edge: str) -> float:
    import math

    from spilemark.blank.curves import faired
    from spilemark.shop.files import read_part

    outline = read_part(photo, side).outline
    curve = faired(outline.points_mm[outline.indices(outline.edge(edge))]).curve
    return abs(math.degrees(curve.turn_rad))


def _bend(
    strips: str | None,
    on_form: float,
    off_form: float,
    sigma: float | None,
    wanted: float | None,
    wood: str,
    date: str | None,
    note: str,
) -> TrialBend:
    from spilemark.blank.springback import lost_share
    from spilemark.blank.trial import ANGLE_SIGMA_DEG, TrialBend
    from spilemark.errors import UsageError
    from spilemark.units import parse_length

    if strips is None:
        raise UsageError("How many strips it has is not told.", "Give --strips 6.")
    text = strips.strip()
    if text.isdigit() and int(text) > 500:
        raise UsageError(f"{text} strips make no stack.", "Use 2 to 200.")
    stack = [1.0] * int(text) if text.isdigit() else [parse_length(p) for p in text.split(",")]
    more: dict[str, Any] = {} if date is None else {"date": date_of(date)}
    return TrialBend(
        strips=len(stack),
        ideal=lost_share(stack),
        form_bend_deg=on_form,
        bend_deg=off_form,
        sigma_deg=ANGLE_SIGMA_DEG if sigma is None else sigma,
        wanted_deg=wanted,
        wood=wood,
        note=note,
        **more,
    )


def _store(path: Path, bends: tuple[TrialBend, ...]) -> None:
    from spilemark.blank.trial import trials_text
    from spilemark.errors import CannotWrite
    from spilemark.storage import store_files

    try:
        store_files({path: trials_text(bends).encode()})
    except OSError as error:
        raise CannotWrite.because(path, error) from error
