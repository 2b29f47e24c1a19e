"""Whether a picture lay on a flatbed's glass or was taken through a lens, told by its cards alone.

A flatbed sees every card from straight above at one size: each is an affine
copy of its print, and all by the same map but for their turn.  A camera that
is not square to the bench sees the near end of a card larger than its far end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from spilemark.errors import NoScale, UsageError
from spilemark.records import Note
from spilemark_stages.rectify.detect import apply_homography
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation

_SLANTED = 1.3
"""How many times worse than a map with perspective one without it fits a card that is seen at a slant."""
_SLANTED_ALONE = 3.0
"""The same, where one card is all there is to tell by."""
_UNLIKE = 0.015
"""Share by which sizes of cards differ, once the phone is tilted by half a degree or more."""
_OTHER_PRINT = 0.015
"""Share by which a card differs in size from others that were not printed with it; turned cards of one
print differ by half a per cent."""
_FEWEST = 8
_ALIKE = 8e-3
"""Sizes of cards of one print on the glass agree to this share, however they are turned."""


def refuse_slanted_scans(photos: Sequence[PhotoObservation]) -> None:
    """Refuse a photo that was said to be a scan and shows its cards at a slant.

    Raises
    ------
    UsageError
    """
    for photo in photos:
        if photo.is_scan and _seen_at_a_slant(photo):
            raise UsageError(
                f"{photo.file} was said to be a flatbed scan, but its cards are"
                " seen at a slant: a camera took it.",
                "Leave out --scan for photos.",
            )


def _seen_at_a_slant(photo: PhotoObservation) -> bool:
    cards = [seen for seen in photo.cards if _enough(seen)]
    if len(cards) > 1 and _unlike(cards) < _UNLIKE:
        return False
    times = _SLANTED if len(cards) > 1 else _SLANTED_ALONE
    slanted = [flat > times * whole for flat, whole in map(_fits, cards)]
    return 2 * sum(slanted) > len(slanted)


def of_one_print(
    photos: tuple[PhotoObservation, ...],
) -> tuple[tuple[PhotoObservation, ...], list[Note]]:
    """Leave out cards of another print than the others of a scan: their size shows it.

    A camera's card that looks larger may lie higher; on the glass nothing else is left.

    Raises
    ------
    NoScale
        Two cards differ, and nothing tells which is right.
    """
    kept, notes = [], []
    for photo in photos:
        cards, strange = photo.cards, {}
        if photo.is_scan:
            strange = _of_another_print(photo)
        name = photo.file
        if strange and 2 * len(strange) >= sum(map(_enough, cards)):
            listed = " and ".join(sorted(seen.card.name for seen in cards if _enough(seen)))
            raise NoScale(
                f"Cards {listed} in {name} are not of one print: their sizes differ by"
                f" {100 * max(map(abs, strange.values())):.1f} %.",
                "Print all cards at once at 100 %, and scan again.",
            )
        notes += [_another_print(name, card, off) for card, off in sorted(strange.items())]
        rest = tuple(seen for seen in cards if seen.card.name not in strange)
        kept.append(replace(photo, cards=rest))
    return tuple(kept), notes


def _of_another_print(photo: PhotoObservation) -> dict[str, float]:
    """By how much, relative, cards are larger than half of the others."""
    cards = [seen for seen in photo.cards if _enough(seen)]
    if len(cards) < 2:
        return {}
    sizes = np.array([seen.px_per_mm for seen in cards])
    off = (sizes / np.median(sizes, axis=0)).mean(axis=1) - 1
    if len(cards) == 2:
        off = np.array([0.0, np.log(sizes[1] / sizes[0]).mean()])
    return {
        seen.card.name: float(by)
        for seen, by in zip(cards, off, strict=True)
        if abs(by) > _OTHER_PRINT
    }


def _another_print(photo: str, card: str, off: float) -> Note:
    return Note(
        code="card-of-another-print",
        severity="warn",
        text=f"Card {card} in {photo} is {100 * abs(off):.1f} % {'larger' if off > 0 else 'smaller'}"
        " than the others: it is of another print, and was not used. Use cards of one print.",
        value=100 * off,
        unit="%",
        photo=photo,
    )


def scanned_notes(photos: Sequence[PhotoObservation], known: Sequence[bool]) -> list[Note]:
    """Ask of pictures without a word of their camera whether they are scans.

    Parameters
    ----------
    known
        By photo: whether its file names the camera.
    """
    return [
        Note(
            code="looks-like-scan",
            severity="warn",
            text=f"{photo.file} shows all its cards from straight above at one size, and does not say"
            " which lens took it: is it a flatbed scan? Then add --scan, and the doubt shrinks.",
            photo=photo.file,
        )
        for photo, told in zip(photos, known, strict=True)
        if not told and not photo.is_scan and _lay_on_glass(photo)
    ]


def _lay_on_glass(photo: PhotoObservation) -> bool:
    cards = [seen for seen in photo.cards if _enough(seen)]
    if len(cards) < 2:
        return False
    if any(flat > _SLANTED * whole for flat, whole in map(_fits, cards)):
        return False
    return _unlike(cards) < _ALIKE


def _unlike(cards: Sequence[CardObservation]) -> float:
    """By how much the sizes of cards differ, relative, at most."""
    sizes = np.array([seen.px_per_mm for seen in cards])
    return float(np.ptp(sizes, axis=0).max() / sizes.mean())


def _enough(seen: CardObservation) -> bool:
    return seen.flat and len(seen.which) >= _FEWEST


def _fits(seen: CardObservation) -> tuple[float, float]:
    """Root mean squares, px, left by the best affine map and by the best one with perspective."""
    board = seen.card.crossings_mm()[seen.which]
    points = seen.points_px - seen.points_px.mean(axis=0)
    flat = points - (board - board.mean(axis=0)) @ seen.affine.T
    fitted, _ = cv2.findHomography(board, seen.points_px, 0)
    whole = seen.points_px - apply_homography(np.asarray(fitted, np.float64), board)
    count = 2 * len(board)
    left = [
        float(np.sqrt((out**2).sum() / (count - free))) for out, free in ((flat, 6), (whole, 8))
    ]
    return left[0], left[1]
