"""``spilemark lens``: measure a phone's lens once, keep it by name, start later jobs from it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from spilemark.commands import Examples

_FILE = click.option(
    "--file",
    "store",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where lenses are kept. [default: lenses.toml among your settings]",
)


@click.group()
def lens() -> None:
    """Measure the lens of your phone, so that later photos start from what is known of it.

    Useful where only a few cards fit round a pattern, or a messenger has stripped
    the photos of what the camera wrote into them.
    """


@lens.command(
    cls=Examples,
    examples=(
        "spilemark lens measure shop-phone 1.jpg 2.jpg 3.jpg 4.jpg 5.jpg",
        "spilemark lens measure shop-phone 6.jpg 7.jpg 8.jpg --update",
        "spilemark lens measure tablet 1.jpg 2.jpg 3.jpg --printed-bar 99.8,99.9 --force",
    ),
)
@click.argument("name")
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path), metavar="PHOTO...")
@click.option(
    "--printed-bar",
    metavar="X[,Y]",
    help="The printed 100 mm check bars as you measured them, mm, across and along the sheet.",
)
@click.option("--cards", metavar="FILE", help="Another card set, or battens. [default: our cards]")
@click.option(
    "--date",
    "day",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="When it was measured. [default: today]",
)
@click.option("--update", is_flag=True, help="Start from the lens stored under this name.")
@click.option("--force", is_flag=True, help="Replace a lens of that name.")
@_FILE
def measure(
    name: str,
    photos: tuple[Path, ...],
    printed_bar: str | None,
    cards: str | None,
    day: dt.datetime | None,
    update: bool,
    force: bool,
    store: Path | None,
) -> None:
    """Tell a lens from three or more photos of the scale cards, lying flat and still.

    Six or more cards over the whole frame; photos from different sides, tilted by
    some 20 degrees, one with the phone turned a quarter. Same lens, no zoom.
    """
    from spilemark.jobfile import order_from
    from spilemark.lens_job import lens_from_photos
    from spilemark.lenses import check_new_lens, find_lens, store_lens

    check_new_lens(name, store, force=force or update)
    before = find_lens(name, store) if update else None
    told: dict[str, object] = {"printed_bar": printed_bar, "cards": cards}
    # The cards lie still in all of them, as in photos of one pattern.
    table: dict[str, object] = {"single": {"photos": [str(path) for path in photos]}}
    if not photos:
        table = {}
    table |= {key: value for key, value in told.items() if value}
    order = order_from(table, "The command")
    when = day.date() if day else dt.datetime.now().astimezone().date()
    profile, said = lens_from_photos(
        name, order, before, when, progress=lambda words: click.echo(f"{words} ...", err=True)
    )
    for line in said:
        click.echo(line)
    path = store_lens(profile, store, force=force or update)
    click.echo(f'Kept as "{profile.name}" in {path}. Use it with --lens {profile.name}.')


@lens.command(
    "list",
    cls=Examples,
    examples=(
        "spilemark lens list",
        "spilemark lens list --file lenses.toml",
        "spilemark lens list --file /srv/shop/lenses.toml",
    ),
)
@_FILE
def list_lenses(store: Path | None) -> None:
    """List the lenses that were measured."""
    from spilemark.lenses import read_lenses

    found = read_lenses(store)
    for profile in found:
        camera = " ".join(part for part in (profile.make, profile.model) if part) or "no EXIF"
        day = profile.measured.isoformat() if profile.measured else "no date"
        click.echo(
            f"{profile.name:16} {camera}  {profile.width_px} x {profile.height_px} px  "
            f"{profile.photos} photos  {day}"
        )
    if not found:
        click.echo('None yet. Begin with "spilemark lens measure NAME PHOTO...".', err=True)
