"""Trouble that is put down to cards and may be the picture's: another zoom, a picture that was changed.

Where several cards are accused at once, or a lens comes out far from what its
file says, it is asked whether photos that have a lens of their own, or a file
that is not believed, explain the same crossings with fewer faults.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from spilemark.lenses import is_stored
from spilemark.records import Lens, Note, StraightPhoto
from spilemark_stages.rectify.card_faults import Freed, free_faulty_cards
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.solve import SolvedView, solve
from spilemark_stages.rectify.whose_lens import (
    DIFFERENT_LENSES,
    Attempt,
    different_note,
    is_strange,
    misfit,
    not_apart,
)

_SEVERAL = 2
_NO_WORSE = 1.1
_OPEN_FOCAL, _OPEN_ASPECT, _OPEN_CENTRE = 0.3, 0.05, 0.15
"""Relative, one sigma: what cutting, zooming and squeezing may do."""
_NEAREST, _FARTHEST, _MOST_SQUEEZED = 0.4, 2.5, 0.12
_OFF_SIGMAS = 4.5
_OPENED = "file not believed"


def explained(tried: Attempt, beliefs: Beliefs) -> tuple[Attempt, Freed]:
    """The photos with their faults named, by the camera that leaves fewest of them."""
    found = free_faulty_cards(tried.observed, beliefs, tried.solution)
    best = replace(tried, solution=found.solution), found
    best = _of_one_lens(*best, beliefs) or best
    if len(found.faults) < _SEVERAL and not _odd_views(best[0]):
        return best
    for other in _others(tried, beliefs):
        freed = free_faulty_cards(other.observed, beliefs, other.solution)
        again = replace(other, solution=freed.solution)
        if misfit(again) > _NO_WORSE * misfit(best[0]):
            continue
        odd = _odd_views(again)
        opened = any(_is_open(seen) for seen in again.observed)
        if opened and not (odd and _sane(again)):
            continue
        # What is wrong with a picture explains all of its cards, or is not what is wrong.
        if len(freed.faults) <= len(best[1].faults) // _SEVERAL - (0 if opened else 1):
            told = tuple(_odd_note(again.photos[k], again.solution.views[k]) for k in odd)
            best = replace(again, notes=(*again.notes, *(told if opened else ()))), freed
    return best


def _of_one_lens(tried: Attempt, found: Freed, beliefs: Beliefs) -> tuple[Attempt, Freed] | None:
    """Photos that were given a lens each, with the one of their files again and a card at fault instead.

    One card of another print bends a lens that all photos share as much as
    another zoom in one of them would: a bad card is likelier than a second camera.
    """
    pairs = list(zip(tried.photos, tried.observed, strict=True))
    if all(seen.lens_group == straight.lens_group for straight, seen in pairs):
        return None
    observed = tuple(replace(seen, lens_group=straight.lens_group) for straight, seen in pairs)
    notes = tuple(note for note in tried.notes if note.code != DIFFERENT_LENSES)
    for known, faults in ((found.beliefs, found.faults), (beliefs, [])):
        freed = free_faulty_cards(observed, known, solve(observed, known))
        freed = replace(freed, faults=[*faults, *freed.faults])
        again = replace(tried, observed=observed, solution=freed.solution, notes=notes)
        few = len(freed.faults) <= len(found.faults) + 1
        fits = misfit(again) <= _NO_WORSE * misfit(tried)
        if few and fits and not_apart(observed, freed.solution, freed.beliefs):
            return again, freed
        if not found.faults:
            break
    return None


def _others(tried: Attempt, beliefs: Beliefs) -> Iterator[Attempt]:
    """The same photos with a lens each, then with files that are not believed."""
    if any(photo.is_scan for photo in tried.observed):
        return
    apart = tuple(replace(photo, lens_group=photo.name) for photo in tried.observed)
    if len({photo.lens_group for photo in tried.observed}) < len(tried.observed):
        solution = solve(apart, beliefs)
        yield Attempt(
            tried.photos, apart, solution, (*tried.notes, different_note(tried.solution.noise))
        )
    if any(is_stored(s.lens) for s in tried.photos):
        return
    opened = tuple(replace(photo, lens=_open(photo)) for photo in tried.observed)
    yield Attempt(tried.photos, opened, solve(opened, beliefs), tried.notes)
    if len(opened) > 1:
        each = tuple(replace(photo, lens_group=photo.name) for photo in opened)
        yield Attempt(tried.photos, each, solve(each, beliefs), tried.notes)


def _open(photo: PhotoObservation) -> Lens:
    """Its lens, of whose frame and focal length little is believed."""
    sigma = np.sqrt(np.diag(photo.lens.covariance))
    sigma[0] = max(sigma[0], _OPEN_FOCAL * photo.lens.values[0])
    sigma[1] = max(sigma[1], _OPEN_ASPECT)
    sigma[2:4] = np.maximum(sigma[2:4], _OPEN_CENTRE * photo.width_px)
    return Lens(values=photo.lens.values, covariance=np.diag(sigma**2), basis=_OPENED)


def _is_open(photo: PhotoObservation) -> bool:
    return photo.lens.basis == _OPENED


def _odd_views(tried: Attempt) -> list[int]:
    """Photos whose lens comes out where their file hardly lets it be."""
    return [
        k
        for k, (straight, solved, seen) in enumerate(
            zip(tried.photos, tried.solution.views, tried.observed, strict=True)
        )
        if not seen.is_scan and not is_stored(straight.lens) and is_strange(straight, solved)
    ]


def _sane(tried: Attempt) -> bool:
    """Whether pictures were changed no more than people and apps change them."""
    return all(
        _NEAREST < solved.numbers[0] / straight.lens.values[0] < _FARTHEST
        and abs(solved.numbers[1] - 1) < _MOST_SQUEEZED
        for straight, solved in zip(tried.photos, tried.solution.views, strict=True)
    )


def _odd_note(straight: StraightPhoto, solved: SolvedView) -> Note:
    """What of the picture is not as its file says."""
    found, told = solved.numbers[:9], straight.lens.values
    sigma = np.hypot(
        np.sqrt(np.diag(straight.lens.covariance)), np.linalg.norm(solved.gain[:9], axis=1)
    )
    off = (found - told) / sigma
    name = straight.photo.path.name
    whats = []
    if abs(off[1]) > _OFF_SIGMAS:
        whats.append(f"squeezed by about {100 * abs(found[1] - 1):.0f} % one way")
    if abs(off[0]) > _OFF_SIGMAS:
        whats.append(
            f"zoomed: by its cards the focal length is {found[0] / told[0]:.2f} times what the file says"
        )
    if np.abs(off[2:4]).max() > _OFF_SIGMAS:
        whats.append("cut, or straightened, so that the middle of the lens is not its middle")
    return Note(
        code="picture-changed",
        severity="warn",
        text=f"{name} is not as a phone takes it: it seems"
        f" {' and '.join(whats) or 'bent as no main lens bends it'}. It has been made up for as far as"
        " the cards tell. Give the original file, as the camera stored it.",
        photo=name,
    )
