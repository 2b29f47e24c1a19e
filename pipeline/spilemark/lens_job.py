"""From photos of cards to a stored lens, by the stages of the standard recipe."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from spilemark.card_files import load_card_set
from spilemark.cards import shop_cards
from spilemark.conductor import Progress, read_photos, survey_photos
from spilemark.errors import NoScale, UsageError
from spilemark.jobfile import JobOrder
from spilemark.lenses import FEWEST_PHOTOS, LensProfile, profile_of, sigmas
from spilemark.recipe import prepare, standard_recipe
from spilemark.records import StraightPhoto, Survey
from spilemark.results import JobRequest

_POOR = 2.0
"""Crossings that fit this much worse than they were read are not those of flat cards through one lens."""
_FOCAL_KNOWN = 0.005
_CENTRE_KNOWN_PX = 12.0


def lens_from_photos(
    name: str,
    order: JobOrder,
    before: LensProfile | None,
    measured: dt.date,
    *,
    progress: Progress,
) -> tuple[LensProfile, list[str]]:
    """Solve the photos of one arm and tell the lens by them.

    Parameters
    ----------
    before : LensProfile or None
        What was known; the photos must fit it.

    Returns
    -------
    profile : LensProfile
    words : list of str
        What was found, in a builder's words.

    Raises
    ------
    SpilemarkError
        As the stages do; ``NoScale`` where the cards do not fit together.
    """
    if not order.photos:
        raise UsageError(
            "No photo was given to measure the lens by.",
            f"Name {FEWEST_PHOTOS} or more photos of the printed cards after the lens's name.",
        )
    request = JobRequest(
        facts=order.facts,
        photos=order.photos,
        card_set=load_card_set(order.cards) if order.cards else shop_cards(),
    )
    kitchen = prepare(standard_recipe())
    photos = read_photos(request, kitchen, progress)
    if before is not None:
        _refuse_used(photos, before)
        photos = {
            arm: tuple(_known(photo, before) for photo in group) for arm, group in photos.items()
        }
    survey = survey_photos(request, kitchen, photos, progress)
    strange = next((note for note in survey.notes if note.code == "stored-lens-off"), None)
    if strange is not None:
        raise UsageError(strange.text, "Measure it under another name.")
    worst = next((note for note in survey.notes if note.code == "poor-fit"), None)
    if worst is not None and (worst.value or 0.0) > _POOR:
        raise NoScale(
            "The cards do not fit together as flat prints seen through one lens.",
            "Glue the cards to flat stock or tape them down, let none move between the photos,"
            " and photograph again.",
        )
    profile = profile_of(name, survey.views, measured=measured)
    if before is not None:
        profile = _counted(profile, before)
    # Noise is what the doubts of a fit are made for: such photos tell less, but nothing wrong.
    grain = [note.text for note in survey.notes if note.code == "grainy"]
    return profile, [*_words(profile, survey), *grain]


def _refuse_used(photos: dict[str, tuple[StraightPhoto, ...]], before: LensProfile) -> None:
    """Refuse photos that the stored lens was measured by: they would count twice."""
    names = [
        straight.photo.path.name
        for group in photos.values()
        for straight in group
        if straight.photo.sha256 in before.used
    ]
    if names:
        raise UsageError(
            f'The lens "{before.name}" was measured by {" and ".join(names)} already: the same'
            " photo tells nothing new.",
            "Leave out what was used, and take new photos from other sides.",
        )


def _known(photo: StraightPhoto, before: LensProfile) -> StraightPhoto:
    why = before.fits(photo.photo)
    if why:
        raise UsageError(
            f'{photo.photo.path.name} does not fit the lens "{before.name}": {why}.',
            "Measure it under another name.",
        )
    return replace(
        photo, lens=before.lens_for(photo.photo), lens_group=f"stored lens {before.name}"
    )


def _counted(profile: LensProfile, before: LensProfile) -> LensProfile:
    return replace(
        profile, photos=profile.photos + before.photos, used=[*before.used, *profile.used]
    )


def _words(profile: LensProfile, survey: Survey) -> list[str]:
    doubt = sigmas(profile)
    focal, centre = doubt[0] / profile.values[0], float(max(doubt[2], doubt[3]))
    found = (
        f"{profile.photos} photos: focal length {profile.values[0]:.0f} px, known to"
        f" {100 * focal:.2f} %; lens centre known to {centre:.1f} px (one sigma)."
    )
    lines = [found]
    if focal > _FOCAL_KNOWN or centre > _CENTRE_KNOWN_PX:
        lines.append(
            "That is little: photos from straight above say nothing of the focal length. Add some"
            " tilted by 20 degrees from different sides, one with the phone turned a quarter"
            " (--update)."
        )
    few = min(len(view.cards) for view in survey.views)
    if few < 4:
        lines.append(f"One photo shows only {few} cards: six over the whole frame tell more.")
    return lines
