"""Whether a photo will do, in words, before the pattern is moved."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from pathlib import Path
from typing import Any

from spilemark.card_files import load_card_set
from spilemark.cards import shop_cards
from spilemark.conductor import survey_photos
from spilemark.errors import SpilemarkError, UnreadableInput
from spilemark.jobfile import order_from
from spilemark.note_words import shown_in
from spilemark.recipe import Kitchen
from spilemark.records import Outline, Photo, StraightPhoto, Survey, View
from spilemark.results import JobRequest
from spilemark.serve.found import cards_words
from spilemark.serve.page_words import plain_words
from spilemark.units import Units

GOOD_CARDS = 4
"""From here on the doubt no longer grows quickly with the distance from the cards."""
_ABOUT_THE_JOB = {
    "scale-nominal", "thickness-assumed", "distance-not-seen", "no-exif", "first-of-several",
    "face-height", "lying-extension", "converted",
}  # fmt: skip
"""What is no fault of the photo, and would be said of every one."""
_ALSO = ("outside-cards", "faint-edge")
"""Told though they are no fault: a photo that is taken otherwise would be better."""
_BY_ITSELF = ("card-not-flat", "card-of-another-print", "poor-fit", "grainy")
"""What all photos together may show otherwise: one photo alone tells lens and cards badly apart."""


def verdict_on(
    path: Path,
    arm: str,
    table: dict[str, Any],
    kitchen: Kitchen,
    known: Collection[str] = (),
) -> tuple[dict[str, Any], Photo | None]:
    """Judge one photo by itself.

    Parameters
    ----------
    path : Path
    arm : str
    table : dict
        What the job file says that counts here: which cards, how thick, whether it is a scan.
    kitchen : Kitchen
    known : collection of str
        Cards that other photos of the same pattern show: it lies still, so they lie there too.

    Returns
    -------
    verdict : dict
        ``good`` "yes", "mind" or "no"; ``words`` in one sentence; ``more`` sentences.
    photo : Photo or None
        None where it cannot be read.
    """
    order = order_from({**table, arm: {**table.get(arm, {}), "photos": [str(path)]}}, "This job")
    try:
        photo: Photo = _call(kitchen, "read_source", path=path, is_scan=arm in order.scans)
    except SpilemarkError as error:
        return _no(error, path), None
    card_set = load_card_set(order.cards) if order.cards else shop_cards()
    # Distances may be between cards of the other side's photo.
    facts = replace(order.facts, distances=())
    request = JobRequest(facts=facts, photos=order.photos, card_set=card_set)
    try:
        straight = _call(kitchen, "undistort", photo=photo, arm=arm, job=facts)
        survey = survey_photos(request, kitchen, {arm: (straight,)})
        outlines = _call(kitchen, "trace", survey=survey, arm=arm, job=facts)
    except SpilemarkError as error:
        return _no(error, path), photo
    return _judged(survey, outlines, straight, known, facts.units), photo


def _alone(code: str) -> str:
    return "By this photo alone, before it is measured: " if code in _BY_ITSELF else ""


def _has_line(view: View, outlines: tuple[Outline, ...]) -> bool:
    """Whether each pattern shows its reference line, or a tag that lies on it."""
    tagged = any(tag.says == "line" for tag in view.tags)
    return tagged or all(o.of_role("centreline") for o in outlines)


def _call(kitchen: Kitchen, stage: str, **arguments: Any) -> Any:
    name = kitchen.name_of(stage)
    return kitchen.plugins.call(stage, name, **arguments, options=kitchen.options[stage, name])


def _no(error: SpilemarkError, path: Path) -> dict[str, Any]:
    if isinstance(error.__cause__, MemoryError):
        error = UnreadableInput(
            "There was not enough memory to look at this photo.",
            "Close other programs, or take it with fewer megapixels.",
        )
    words = _of_this(error.what, path.name)
    return {
        "good": "no",
        "words": words,
        "more": [plain_words(error.todo)] if error.todo else [],
        "cards": [],
    }


def _of_this(text: str, name: str) -> str:
    """Words about a photo, for somebody who has just taken it and knows no file name."""
    words = plain_words(text).replace(name, "this photo")
    return words[:1].upper() + words[1:]


def _judged(
    survey: Survey,
    outlines: tuple[Outline, ...],
    straight: StraightPhoto,
    known: Collection[str],
    units: Units,
) -> dict[str, Any]:
    (view,) = survey.views
    name = straight.photo.path.name
    cards = sorted(card.name for card in view.cards)
    notes = [*straight.photo.notes, *view.straight.notes, *survey.notes]
    for outline in outlines:
        notes += outline.notes
    told = [shown_in(n, units) for n in notes if n.code not in _ABOUT_THE_JOB]
    warned = [n for n in told if n.severity == "warn"]
    soft = any(n.code == "blurred" for n in told)
    whole = bool(outlines) and all(o.whole for o in outlines)
    seen = min((o.seen_fraction for o in outlines), default=0.0)
    # Scans are of parts more often than not.
    missing = [] if straight.photo.is_scan else sorted(set(known) - set(cards))
    good = "mind" if warned or len(cards) < GOOD_CARDS or not whole or missing else "yes"
    words = [
        "not quite sharp" if soft else "sharp",
        cards_words(cards),
        f"{100 * seen:.0f}\u00a0% of the edge seen"
        if whole
        else "the pattern runs out of the photo",
    ]
    more = [_alone(n.code) + _of_this(n.text, name) for n in warned]
    if missing:
        many = len(missing) > 1
        more.append(
            f"Card{'s' if many else ''} {', '.join(missing)} {'are' if many else 'is'} not seen here, but in another"
            " photo of this pattern: blurred, covered, or out of the picture. Take it again with all of them, unless each"
            " photo is to show a part of a long pattern."
        )
    if len(cards) < GOOD_CARDS:
        more.append("Lay four or more cards round the pattern: the doubt shrinks a good deal.")
    more += [_of_this(n.text, name) for n in told if n.code in _ALSO]
    if not _has_line(view, outlines):
        more.append(
            "No pencil line was seen on the pattern: without it the sides are laid on each other by corner and"
            " edge alone. Draw one, or draw it darker, before the pattern is moved."
        )
    better = ": good; better still with what is said below." if more else ": good."
    sentence = ", ".join(words) + (better if good == "yes" else "; see what is said below.")
    return {
        "good": good,
        "words": sentence[:1].upper() + sentence[1:],
        "more": more,
        "cards": cards,
    }
