"""Which unknown stands where in the joint solve's vector."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spilemark_stages.rectify.observations import Beliefs, Length, PhotoObservation

LENS = 9
DRIFT = 3
POSE = 6
SCAN_HELD = (1, 2, 5)
"""Of a scan's pose, which is turn rad, 0, 0, x mm, y mm, distance mm: what stays put."""
CARD = 5
"""x mm, y mm, turn rad, lift mm, bow mm."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Slices of the vector of unknowns."""

    size: int
    lens: dict[str, slice]
    """By lens group."""
    drift: dict[int, slice]
    """By photo, where its group holds several: relative f, cx px, cy px."""
    pose: dict[int, slice]
    """By photo: rotation vector, translation, world to camera; of a scan see ``SCAN_HELD``."""
    cards: dict[tuple[str, str], slice]
    """By (arm, card name)."""
    print_scale: slice
    print_shear: int
    """How far columns of a print lean over its rows, rad; held where all lay on glass, whose own
    lack of squareness is asked after the solve."""
    own_print: dict[tuple[str, str], int]
    """By (arm, card name), of cards of another print: how much larger it is than the others."""
    height: dict[str, int]
    """By arm: the pattern's face; one for all arms of which no thickness of their own was told."""
    length: dict[str, int]
    """By id of the measured length: its true value."""
    ties: tuple[tuple[str, Length], ...]
    """(arm, length): where a measured length is seen."""
    free: NDArray[np.int_]
    """Indices that are solved for; one card of each arm stays put (the gauge)."""


def lay_out(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> Layout:
    """Give each unknown its place."""
    at = 0

    def take(count: int) -> slice:
        nonlocal at
        at += count
        return slice(at - count, at)

    lens: dict[str, slice] = {}
    for photo in photos:
        if photo.lens_group not in lens:
            lens[photo.lens_group] = take(LENS)
    crowd = Counter(photo.lens_group for photo in photos)
    drift = {k: take(DRIFT) for k, photo in enumerate(photos) if crowd[photo.lens_group] > 1}
    pose = {k: take(POSE) for k in range(len(photos))}
    cards: dict[tuple[str, str], slice] = {}
    for photo in photos:
        for seen in photo.cards:
            if (photo.arm, seen.card.name) not in cards:
                cards[photo.arm, seen.card.name] = take(CARD)
    print_scale, print_shear = take(2), take(1).start
    own_print = {card: take(1).start for card in cards if card in beliefs.reprinted}
    every_arm = tuple(dict.fromkeys(photo.arm for photo in photos))
    shared = take(1).start if any(arm not in beliefs.heights for arm in every_arm) else -1
    height = {arm: take(1).start if arm in beliefs.heights else shared for arm in every_arm}
    ties = tuple(
        (arm, length)
        for length in beliefs.lengths
        for arm in dict.fromkeys(photo.arm for photo in photos)
        if (length.arms is None or arm in length.arms)
        and all((arm, name) in cards for name in length.cards)
    )
    length = {tie.id: take(1).start for tie in {t.id: t for _, t in ties}.values()}
    fixed = {
        index
        for arm in dict.fromkeys(photo.arm for photo in photos)
        for index in range(*cards[arm, gauge_card(photos, arm)].indices(at))[:3]
    }
    fixed |= {
        pose[k].start + held
        for k, photo in enumerate(photos)
        if photo.is_scan
        for held in SCAN_HELD
    }
    if all(photo.is_scan for photo in photos):
        fixed.add(print_shear)
    free = np.array([k for k in range(at) if k not in fixed])
    return Layout(
        size=at,
        lens=lens,
        drift=drift,
        pose=pose,
        cards=cards,
        print_scale=print_scale,
        print_shear=print_shear,
        own_print=own_print,
        height=height,
        length=length,
        ties=ties,
        free=free,
    )


def gauge_card(photos: Sequence[PhotoObservation], arm: str) -> str:
    """The card of an arm that holds the plane frame: the one with most crossings."""
    tally: Counter[str] = Counter()
    for photo in photos:
        if photo.arm == arm:
            for seen in photo.cards:
                tally[seen.card.name] += len(seen.which)
    return tally.most_common(1)[0][0]
