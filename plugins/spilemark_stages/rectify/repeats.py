"""Photos that are one and the same picture, saved again."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from spilemark.records import Note
from spilemark_stages.rectify.observations import PhotoObservation

_ALIKE = 5e-4
"""Crossings agree to this share of their spread, less than a pixel in a usual photo, after turning,
shifting and shrinking the picture as a whole; no hand holds a phone so twice."""
_FEWEST = 8


def repeat_notes(photos: tuple[PhotoObservation, ...]) -> list[Note]:
    """Say which photos of one arm show the cards from exactly the same place."""
    found: dict[str, str] = {}
    for one, other in combinations(photos, 2):
        if one.is_scan or other.is_scan or one.arm != other.arm:
            continue  # From straight above every scan is a similarity of every other.
        if other.name not in found and same_picture(one, other):
            found[other.name] = one.name
    return [_note(*(name.partition(":")[2] for name in pair)) for pair in found.items()]


def same_picture(one: PhotoObservation, other: PhotoObservation) -> bool:
    """Whether all crossings seen in both agree but for a similarity of the picture plane."""
    a, b = _crossings(one), _crossings(other)
    shared = sorted(a.keys() & b.keys())
    if len(shared) < _FEWEST:
        return False
    x, y = np.array([a[key] for key in shared]), np.array([b[key] for key in shared])
    x, y = x - x.mean(), y - y.mean()
    left = y - x * (np.vdot(x, y) / np.vdot(x, x))
    return bool(np.linalg.norm(left) < _ALIKE * np.linalg.norm(y))


def _crossings(photo: PhotoObservation) -> dict[tuple[str, int], complex]:
    """Place of each crossing, x + iy, by card and number."""
    return {
        (card.card.name, int(k)): complex(*point)
        for card in photo.cards
        for k, point in zip(card.which, card.points_px, strict=True)
    }


def _note(again: str, first: str) -> Note:
    return Note(
        code="same-picture",
        severity="warn",
        text=f"{again} shows the cards exactly as {first} does: it looks like the same picture,"
        " saved again. A second photo helps only from another place: take it from a little to the"
        " side, or leave it out.",
        photo=again,
    )
