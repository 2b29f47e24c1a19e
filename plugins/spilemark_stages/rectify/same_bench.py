"""Photos of one side that cannot be of one bench: the same letters, lying altogether otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from spilemark.errors import UsageError
from spilemark.records import Floats
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.start import places_in

_APART_MM = 25.0
_APART_SHARE = 0.25
"""Of the distance between two cards: how far a first guess at a photo may put one from the truth."""
_TURNED_RAD = np.radians(20.0)

_ADVICE = (
    "Leave out what shows another bench. Were cards moved between the photos? Then take all photos"
    " of this pattern again, and let cards and pattern lie until the last one."
)


def check_same_bench(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> None:
    """Refuse photos of one side in which most of the cards that they share lie elsewhere.

    Single cards that were moved are left to the solve, which names them.

    Raises
    ------
    UsageError
        Names the photo that does not belong, or the two that do not belong together.
    """
    for arm in dict.fromkeys(photo.arm for photo in photos):
        group = [photo for photo in photos if photo.arm == arm]
        if len(group) > 1:
            _check(group, np.array(beliefs.print_scale))


def _check(photos: list[PhotoObservation], scale: Floats) -> None:
    places = [places_in(photo, scale) for photo in photos]
    at_odds = [
        (one, other)
        for one, other in combinations(range(len(photos)), 2)
        if _at_odds(places[one], places[other])
    ]
    if not at_odds:
        return
    tally = np.bincount(np.ravel(at_odds), minlength=len(photos))
    odd = int(tally.argmax())
    names = [photo.file for photo in photos]
    alone = len(photos) > 2 and all(odd in pair for pair in at_odds)
    one, other = next(pair for pair in at_odds if not alone or odd in pair)
    told = _told(places[one], places[other], names[one], names[other])
    what = (
        f"{names[odd]} does not show the bench of the other photos"
        if alone and (tally == tally[odd]).sum() == 1
        else f"{names[one]} and {names[other]} do not show the same bench"
    )
    raise UsageError(f"{what}, though cards of the same letters lie there: {told}.", _ADVICE)


def _at_odds(one: dict[str, Floats], other: dict[str, Floats]) -> bool:
    """Whether no more than half of the shared cards lie alike in both."""
    shared = sorted(one.keys() & other.keys())
    if len(shared) < 2:
        return False
    alike = {name: {name} for name in shared}
    for a, b in combinations(shared, 2):
        if _lie_alike(_from(one[a], one[b]), _from(other[a], other[b])):
            alike[a].add(b)
            alike[b].add(a)
    return 2 * max(len(cards) for cards in alike.values()) <= len(shared)


def _from(card: Floats, other: Floats) -> Floats:
    """Place (3,) of another card as seen from one: x mm, y mm, turn rad."""
    c, s = np.cos(card[2]), np.sin(card[2])
    at = np.array([[c, s], [-s, c]]) @ (other[:2] - card[:2])
    return np.array([*at, other[2] - card[2]])


def _lie_alike(one: Floats, other: Floats) -> bool:
    far = max(float(np.hypot(*one[:2])), float(np.hypot(*other[:2])))
    turn = abs(float(np.angle(np.exp(1j * (one[2] - other[2])))))
    apart = float(np.hypot(*(one - other)[:2]))
    return apart < max(_APART_MM, _APART_SHARE * far) and turn < _TURNED_RAD


def _told(one: dict[str, Floats], other: dict[str, Floats], first: str, second: str) -> str:
    """The pair of cards whose distance differs most, in words."""
    pairs = list(combinations(sorted(one.keys() & other.keys()), 2))
    apart = [
        [float(np.hypot(*(places[a] - places[b])[:2])) for places in (one, other)] for a, b in pairs
    ]
    k = int(np.argmax([abs(x - y) for x, y in apart]))
    (a, b), (x, y) = pairs[k], apart[k]
    if abs(x - y) < _APART_MM:
        return f"cards {a} and {b} are turned otherwise"
    return f"{a} and {b} lie about {x:.0f} mm apart in {first} and {y:.0f} mm in {second}"
