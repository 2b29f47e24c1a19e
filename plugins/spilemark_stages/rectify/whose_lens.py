"""Which lens took which photo: photos that share none after all, and a stored lens of another phone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spilemark.lenses import is_stored
from spilemark.records import Floats, Lens, Note, StraightPhoto
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.solve import Solution, SolvedView, solve

DIFFERENT_LENSES = "different-lenses"
_STRAINED = 1.5
"""Crossings that fit this much worse than they were read ask for another explanation."""
_WORTH = 0.75
_CHANGED = 5.0
"""Change of one lens from photo to photo, three numbers in the sigmas of what is believed of it, from which
on it was not that lens: by chance once in a hundred thousand (chi with three degrees of freedom)."""
_FITS = 1.0
"""Misfit of a photo, in units of its reading, up to which nothing is asked: usual ones have 0.7."""
_OTHER_LENS = 45.0
"""Squared distance from what was believed of nine numbers: by chance once in a million (chi-square)."""
_LARGEST_SIGMAS = 10.0
"""How much one crossing counts at most when two explanations are weighed."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One way of explaining the photos."""

    photos: tuple[StraightPhoto, ...]
    observed: tuple[PhotoObservation, ...]
    solution: Solution
    notes: tuple[Note, ...] = ()


def solve_with_lenses(
    photos: tuple[StraightPhoto, ...], observed: tuple[PhotoObservation, ...], beliefs: Beliefs
) -> Attempt:
    """Solve; a photo that another than the stored lens explains better goes without it."""
    first = _attempt(photos, observed, beliefs)
    second = without_strangers(first, observed, beliefs)
    if second is None or not clearly_better(second, first):
        # A card that has lifted may bend a lens, too: cards are asked before it is given up.
        return first
    return second


def clearly_better(one: Attempt, other: Attempt) -> bool:
    """Whether the photos fit so much better by one explanation that the other is given up."""
    return misfit(one) <= _WORTH * misfit(other)


def without_strangers(
    tried: Attempt, observed: tuple[PhotoObservation, ...], beliefs: Beliefs
) -> Attempt | None:
    """Solve again without the stored lens in the photos that do not bear it out; None: all do.

    Parameters
    ----------
    observed
        As they were measured, before any was given a lens of its own.
    """
    strange = [is_strange(*pair) for pair in zip(tried.photos, tried.solution.views, strict=True)]
    return _without(tried, observed, beliefs, strange)


def without_misfits(
    tried: Attempt, observed: tuple[PhotoObservation, ...], beliefs: Beliefs
) -> Attempt | None:
    """Solve again without the stored lens in the photos that fit badly by it; None: all fit.

    A lens that is nearly the stored one (another phone of the same make) is not strange: what it
    bends otherwise is put down to cards, and they do not fit well even then.
    """
    bad = [
        _misfit_in(seen, solved) > _FITS
        for seen, solved in zip(tried.observed, tried.solution.views, strict=True)
    ]
    return _without(tried, observed, beliefs, bad)


def _without(
    tried: Attempt,
    observed: tuple[PhotoObservation, ...],
    beliefs: Beliefs,
    which: Sequence[bool],
) -> Attempt | None:
    """Solve again without the stored lens in some photos; None where none of them has one."""
    instead = [
        straight.otherwise if out else None
        for straight, out in zip(tried.photos, which, strict=True)
    ]
    if not any(instead):
        return None
    photos = tuple(other or straight for straight, other in zip(tried.photos, instead, strict=True))
    relensed = tuple(
        replace(seen, lens=straight.lens, lens_group=straight.lens_group)
        for seen, straight in zip(observed, photos, strict=True)
    )
    again = _attempt(photos, relensed, beliefs)
    told = tuple(
        _not_that_lens(straight)
        for straight, other in zip(tried.photos, instead, strict=True)
        if other
    )
    return replace(again, notes=(*told, *again.notes))


def unlike_stored(photos: Sequence[StraightPhoto], solution: Solution) -> list[Note]:
    """Photos that do not bear out their stored lens, where there is no other to go by."""
    return [
        Note(
            code="stored-lens-off",
            severity="warn",
            text=f"{straight.photo.path.name} does not look as if taken with the"
            f" {straight.lens.basis}: another lens of the phone, a zoom, or a new setting?",
            photo=straight.photo.path.name,
        )
        for straight, solved in zip(photos, solution.views, strict=True)
        if is_stored(straight.lens) and is_strange(straight, solved)
    ]


def _attempt(
    photos: tuple[StraightPhoto, ...], observed: tuple[PhotoObservation, ...], beliefs: Beliefs
) -> Attempt:
    apart, solution, notes = solve_apart_if_need_be(observed, beliefs)
    return Attempt(photos, apart, solution, tuple(notes))


def solve_apart_if_need_be(
    observed: tuple[PhotoObservation, ...], beliefs: Beliefs
) -> tuple[tuple[PhotoObservation, ...], Solution, list[Note]]:
    """Solve; where photos thought to share a lens do not fit together, give each its own."""
    solution = solve(observed, beliefs)
    if not_apart(observed, solution, beliefs):
        return observed, solution, []
    change = largest_change(solution, observed, beliefs)
    changed = change > _CHANGED
    apart = tuple(replace(photo, lens_group=photo.name) for photo in observed)
    freed = solve(apart, beliefs)
    if freed.noise > (1.0 if changed else _WORTH) * solution.noise:
        return observed, solution, []
    if changed:
        return apart, freed, [different_note(change, "times what one lens changes")]
    return apart, freed, [different_note(solution.noise)]


def not_apart(observed: Sequence[PhotoObservation], solution: Solution, beliefs: Beliefs) -> bool:
    """Whether photos that share a lens by their files were taken by one, by all that they show."""
    if len({photo.lens_group for photo in observed}) == len(observed):
        return True
    return solution.noise < _STRAINED and largest_change(solution, observed, beliefs) <= _CHANGED


def largest_change(
    solution: Solution, observed: Sequence[PhotoObservation], beliefs: Beliefs
) -> float:
    """Largest change of a lens in one of its photos, in the sigmas of what is believed of that; 0: none shared.

    A zoom that no file tells of is taken up by the camera's height, by cards
    and by this, so that crossings may fit as well as ever.
    """
    changes = [0.0]
    for k, at in solution.layout.drift.items():
        focus, *centre = solution.unknowns[at]
        moved = np.hypot(*centre) / beliefs.drift_centre_in(observed[k])
        changes.append(float(np.hypot(focus / beliefs.drift_f, moved)))
    return max(changes)


def different_note(by: float, unit: str = "times the usual residual") -> Note:
    """Said when photos of one lens, by their files, do not fit together as such."""
    return Note(
        code=DIFFERENT_LENSES,
        severity="warn",
        text="The photos look as if taken with different cameras or lenses, though the"
        " files do not say so. Each was given a lens of its own, so that less cancels"
        " between port and starboard. Use one phone, without zoom, for all photos.",
        value=by,
        unit=unit,
    )


def is_strange(straight: StraightPhoto, solved: SolvedView) -> bool:
    """Whether the lens found is farther from the one believed than its doubt allows."""
    return _strangeness(straight.lens, solved) > _OTHER_LENS


def _strangeness(lens: Lens, solved: SolvedView) -> float:
    """Squared distance of the lens found from the one believed, in the sigmas of the belief."""
    off = solved.numbers[:9] - lens.values
    size = np.sqrt(np.diag(lens.covariance))
    return float((off / size) @ np.linalg.solve(lens.covariance / np.outer(size, size), off / size))


def misfit(tried: Attempt) -> float:
    """Root mean square of all crossings in units of their reading, those set aside included."""
    return misfit_of(tried.observed, tried.solution)


def misfit_of(observed: Sequence[PhotoObservation], solution: Solution) -> float:
    """The same of any photos and what they were solved to."""
    pairs = zip(observed, solution.views, strict=True)
    lengths = np.concatenate([_lengths(seen, solved) for seen, solved in pairs])
    return float(np.sqrt((lengths**2).mean()))


def _misfit_in(seen: PhotoObservation, solved: SolvedView) -> float:
    """The same of one photo."""
    return float(np.sqrt((_lengths(seen, solved) ** 2).mean()))


def _lengths(seen: PhotoObservation, solved: SolvedView) -> Floats:
    """Residuals (N,) of a photo's crossings in units of their reading, capped."""
    lengths = [
        np.linalg.norm(residual / card.sigma_px[:, None], axis=1)
        for card, residual in zip(seen.cards, solved.residuals_px, strict=True)
    ]
    return np.asarray(np.minimum(np.concatenate(lengths), _LARGEST_SIGMAS))


def _not_that_lens(straight: StraightPhoto) -> Note:
    name = straight.photo.path.name
    return Note(
        code="stored-lens-not-used",
        severity="warn",
        text=f"The {straight.lens.basis} was not used for {name}: the cards in it show that another"
        " lens took it (another phone, another lens of it, or a zoom). It was measured as if none"
        " were stored.",
        photo=name,
    )
