"""Measured lengths that contradict each other: batten, tapes, check bars.

Each is held against what all the others say of it, in units of both doubts:
the w-test of geodetic networks (Baarda, "A Testing Procedure for Use in Geodetic
Networks", 1968; own writing).  Between those that contradict none is chosen: all
are doubted as much as they differ, so that the interval holds either, and it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spilemark.records import JobFacts, Note
from spilemark.units import format_fine
from spilemark_stages.rectify.model import gather_priors
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.solve import Solution

_CONTRADICTS = 3.7
"""By chance once in five thousand."""
_CHECKED = 0.02
"""Share of a length's doubt on which others must have a say."""
_EITHER = 0.6
"""One sigma of what lies between two (an even spread: 0.58)."""
_BAR_MM = 100.0


@dataclass(frozen=True, slots=True)
class _Odd:
    """One measured length against all the others."""

    name: str
    told_mm: float
    others_mm: float
    sigmas: float


def contradiction(
    photos: Sequence[PhotoObservation], beliefs: Beliefs, solution: Solution, job: JobFacts
) -> tuple[float, Note] | None:
    """How far, relative, measured lengths go apart that do not go together, and the word on it.

    Parameters
    ----------
    beliefs
        Those of which ``solution`` came.
    """
    odd = _worst(photos, beliefs, solution)
    if odd is None or odd.sigmas < _CONTRADICTS:
        return None
    told, others = (format_fine(mm, job.units) for mm in (odd.told_mm, odd.others_mm))
    note = Note(
        code="lengths-disagree",
        severity="warn",
        text=f"The lengths that you gave contradict each other: {odd.name} was told to be {told}, and"
        f" by the others it is {others}. One was misread or mistyped, or is of another print. Either"
        " may be right as far as the photos tell, and all sizes are doubted so much: measure again"
        " before you cut.",
        value=odd.told_mm - odd.others_mm,
        unit="mm",
    )
    return abs(odd.told_mm / odd.others_mm - 1), note


def doubted(beliefs: Beliefs, apart: float) -> Beliefs:
    """Beliefs whose measured lengths may be off by as much as they go apart, relative."""
    share = _EITHER * apart
    lengths = tuple(
        replace(length, sigma_mm=float(np.hypot(length.sigma_mm, share * length.mm)))
        for length in beliefs.lengths
    )
    if beliefs.print_common_sigma is not None:
        return replace(beliefs, lengths=lengths)
    across, along = (float(np.hypot(sigma, share)) for sigma in beliefs.print_sigma)
    return replace(beliefs, lengths=lengths, print_sigma=(across, along))


def _worst(photos: Sequence[PhotoObservation], beliefs: Beliefs, solution: Solution) -> _Odd | None:
    """The measured length that lies farthest from what the others say of it."""
    priors = gather_priors(solution.layout, photos, beliefs)
    lengths = {length.id: length for length in beliefs.lengths}
    bars = {"print-scale-x": (0, "across"), "print-scale-y": (1, "along")}
    found = []
    for row, cause in zip(priors.weights, priors.causes, strict=True):
        bar = bars.get(cause.id) if beliefs.print_common_sigma is None else None
        if cause.id not in lengths and bar is None:
            continue
        off = float(row @ (priors.centre - solution.unknowns))
        pull = float(row @ solution.cofactor @ row)
        share = 1.0 - pull
        if share < _CHECKED:
            continue
        # What lies between it and the solution, which it has pulled to itself, crossings as noisy as
        # they are; where that is as expected this is the share again.
        spread = float(np.sqrt(1.0 - 2.0 * pull + row @ solution.covariance @ row))
        sigma = 1.0 / float(np.abs(row).max())
        if bar is not None:
            told, name = _BAR_MM * beliefs.print_scale[bar[0]], f"the 100 mm bar {bar[1]}"
            sigma *= _BAR_MM
        else:
            length = lengths[cause.id]
            told, name = length.mm, "-".join(length.cards)
        found.append(_Odd(name, told, told - off * sigma / share, abs(off) / spread))
    return max(found, key=lambda odd: odd.sigmas, default=None)
