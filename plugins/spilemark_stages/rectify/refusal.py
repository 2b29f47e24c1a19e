"""Why no card was found, told from the photo itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spilemark.cards import CardSet
from spilemark.errors import NoScale
from spilemark.records import StraightPhoto
from spilemark_stages.rectify.detect import find_cards
from spilemark_stages.rectify.measure import grey_of
from spilemark_stages.rectify.observations import PhotoObservation
from spilemark_stages.rectify.sharpness import judge

_DARK, _BRIGHT = 30, 245
_SMALL_PX = 900
_LAY = (
    "Lay at least one printed card, four or more are better, flat and uncovered beside the"
    " pattern. If your cards come from elsewhere, name their file with --cards."
)
_ON_GLASS = (
    "Tape printed cards, face down like the pattern, beside it on the glass; they must not be cut"
    " off. Scan in grey or colour with 150 dots per inch or more. Is it a photo? Leave out --scan."
)
_AGAIN = "rest the elbows, tap the pattern to focus, and take it again"


def no_card_error(straight: StraightPhoto, card_set: CardSet) -> NoScale:
    """An error that says what to do about the likeliest reason."""
    photo = straight.photo
    grey = grey_of(photo.pixels)
    if find_cards(np.ascontiguousarray(grey[:, ::-1]), card_set):
        return NoScale(
            f"{photo.path.name} is mirrored: its cards can be read in a mirror only, and the pattern"
            " would come out as the other hand.",
            f"Give the picture as the {'scanner' if photo.is_scan else 'camera'} takes it, not"
            " mirrored. Selfie cameras, scanning programs and picture editors can mirror: turn"
            ' that off, or mirror it back ("flip horizontally").',
        )
    what = f'No scale card of the set "{card_set.name}" was found in {photo.path.name}.'
    if photo.is_scan:
        return NoScale(what, _ON_GLASS)
    name = photo.path.name
    unread = f'no scale card of the set "{card_set.name}" could be read in it'
    level = float(np.median(grey[::8, ::8]))
    if max(grey.shape) < _SMALL_PX:
        what = f"{name} is only {photo.width_px} x {photo.height_px} pixels: {unread}."
        return NoScale(what, "Send the original as the camera stored it.")
    if level < _DARK:
        what = f"{name} is very dark: {unread}."
        return NoScale(what, "More light, or the flash turned to the ceiling.")
    if level > _BRIGHT:
        what = f"{name} is washed out: {unread}."
        return NoScale(what, "Less light, or step out of the sun.")
    sharp = judge(grey)
    if sharp == "blurred":
        todo = f"{_AGAIN[:1].upper()}{_AGAIN[1:]}, with the printed cards in it."
        return NoScale(f"{name} is blurred: {unread}.", todo)
    maybe = "" if sharp == "sharp" else f" If they lie there, the photo may be blurred: {_AGAIN}."
    return NoScale(what, f"{_LAY}{maybe}")


def check_photos_connect(photos: Sequence[PhotoObservation]) -> None:
    """Refuse photos of one side that no chain of shared cards ties together.

    Raises
    ------
    NoScale
        Names one that stands alone.
    """
    for arm in dict.fromkeys(photo.arm for photo in photos):
        left = [photo for photo in photos if photo.arm == arm]
        tied, known = [left.pop(0)], set[str]()
        while tied:
            known |= {card.card.name for photo in tied for card in photo.cards}
            tied = [p for p in left if known & {card.card.name for card in p.cards}]
            left = [p for p in left if not any(p is one for one in tied)]
        if left:
            name = left[0].file
            seen = ", ".join(sorted(card.card.name for card in left[0].cards))
            raise NoScale(
                f"{name} shows no card that the other pictures for {arm} show (it shows {seen}),"
                " so nothing tells where it belongs.",
                "Let the cards lie still with the pattern, and let each picture show at least one"
                " card of another.",
            )
