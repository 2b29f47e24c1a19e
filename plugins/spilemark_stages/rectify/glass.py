"""Whether a picture lay on a flatbed's glass or was taken through a lens, told by its cards alone.

A flatbed sees every card from straight above at one size: each is an affine
copy of its print, and all by the same map but for their turn.  A camera that
is not square to the bench sees the near end of a card larger than its far end.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from spilemark.errors import UsageError
from spilemark.records import Floats, Note
from spilemark_stages.rectify.detect import apply_homography
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation

_SLANTED = 1.3
"""How many times worse than a map with perspective one without it fits a card that is seen at a slant."""
_SLANTED_ALONE = 3.0
"""The same, where one card is all there is to tell by."""
_UNLIKE = 0.015
"""Share by which sizes of cards differ, once the phone is tilted by half a degree or more."""
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
                f"{photo.name.partition(':')[2]} was said to be a flatbed scan, but its cards are"
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
            text=f"{name} shows all its cards from straight above at one size, and does not say"
            " which lens took it: is it a flatbed scan? Then add --scan, and the doubt shrinks.",
            photo=name,
        )
        for photo, told in zip(photos, known, strict=True)
        if not told and not photo.is_scan and _lay_on_glass(photo)
        for name in [photo.name.partition(":")[2]]
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
    sizes = np.array([_size(seen) for seen in cards])
    return float(np.ptp(sizes, axis=0).max() / sizes.mean())


def _enough(seen: CardObservation) -> bool:
    return seen.flat and len(seen.which) >= _FEWEST


def _fits(seen: CardObservation) -> tuple[float, float]:
    """Root mean squares, px, left by the best affine map and by the best one with perspective."""
    board = seen.card.crossings_mm()[seen.which]
    flat = _affine(seen)
    fitted, _ = cv2.findHomography(board, seen.points_px, 0)
    whole = seen.points_px - apply_homography(np.asarray(fitted, np.float64), board)
    count = 2 * len(board)
    left = [
        float(np.sqrt((out**2).sum() / (count - free)))
        for out, free in ((_residual(seen, flat), 6), (whole, 8))
    ]
    return left[0], left[1]


def _affine(seen: CardObservation) -> Floats:
    """(2, 2) from board millimetres to pixels, about the middles."""
    board = seen.card.crossings_mm()[seen.which]
    points = seen.points_px - seen.points_px.mean(axis=0)
    return np.asarray(np.linalg.lstsq(board - board.mean(axis=0), points, rcond=None)[0].T)


def _residual(seen: CardObservation, by: Floats) -> Floats:
    board = seen.card.crossings_mm()[seen.which]
    points = seen.points_px - seen.points_px.mean(axis=0)
    return np.asarray(points - (board - board.mean(axis=0)) @ by.T)


def _size(seen: CardObservation) -> Floats:
    """Pixels per mm (2,) across and along, the same however the card is turned."""
    return np.asarray(np.linalg.norm(_affine(seen), axis=1))
