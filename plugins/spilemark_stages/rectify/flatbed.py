"""What the cards tell of a flatbed: whether its two ways are square."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spilemark.records import Cause, Floats, Note
from spilemark_stages.rectify.model import gather_priors, photo_rows
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.solve import Solution

_NOISIEST = 1.5
"""A skew itself makes the crossings fit worse: that is not noise."""
_SURE = 4.0
_WORTH_TELLING_RAD = 3e-4
"""A millimetre in three metres: below a pencil line over any scan."""
_OUT_OF_SQUARE = "scanner out of square"


def with_squareness(
    observed: Sequence[PhotoObservation], solution: Solution, beliefs: Beliefs
) -> tuple[Solution, list[Note]]:
    """Add, for each scan, what its lines being out of square with its travel may do.

    The map has no number for it.  A skew by an angle stretches one diagonal and
    squeezes the other as much as half of it changes one scale against the
    other along the sides, so it is counted as that: right in size, turned by 45 degrees.

    Returns
    -------
    solution : Solution
        With one more cause for each scan.
    notes : list of Note
        On scans whose skew shows.
    """
    views = list(solution.views)
    causes = list(solution.causes)
    print_gain = solution.print_gain
    scans = [k for k, photo in enumerate(observed) if photo.is_scan]
    notes: list[Note] = []
    for k in scans:
        skew, sigma = skew_rad(observed, solution, beliefs, k)
        notes += _skew_notes(observed[k], skew, sigma)
        doubt = float(np.hypot(skew, sigma))
        causes.append(Cause(id=f"square:{observed[k].name}", kind=_OUT_OF_SQUARE))
        for j, view in enumerate(views):
            column = np.zeros((len(view.numbers), 1))
            if j == k:
                column[0], column[1] = -0.5 * doubt * view.numbers[0], doubt
            views[j] = replace(view, gain=np.hstack([view.gain, column]))
        print_gain = np.hstack([print_gain, np.zeros((2, 1))])
    if not scans:
        return solution, []
    widened = replace(solution, views=tuple(views), causes=tuple(causes), print_gain=print_gain)
    return widened, notes


def skew_rad(
    observed: Sequence[PhotoObservation], solution: Solution, beliefs: Beliefs, k: int
) -> tuple[float, float]:
    """Angle by which the columns of scan ``k`` lean over its rows, and its standard deviation, rad.

    One more unknown beside those of the solve, found from what that left over:
    a single Gauss-Newton step, which is the whole way since all is nearly linear.
    """
    layout, x = solution.layout, solution.unknowns
    priors = gather_priors(layout, observed, beliefs)
    rows, misses, leans = [priors.weights], [priors.weights @ (priors.centre - x)], []
    for j, (photo, solved) in enumerate(zip(observed, solution.views, strict=True)):
        residual, by_x = photo_rows(x, layout, observed, j)
        kept = np.repeat(np.concatenate(solved.kept), 2)
        rows.append(by_x[kept])
        misses.append(-residual[kept])
        leans.append(_lean(photo)[kept] if j == k else np.zeros(int(kept.sum())))
    column = np.concatenate([np.zeros(len(priors.weights)), *leans])
    matrix = np.column_stack([np.concatenate(rows)[:, layout.free], column])
    # Columns in px run to thousands beside ones.
    size = np.linalg.norm(matrix, axis=0)
    size[size == 0] = 1.0
    scaled = matrix / size
    inverse = np.linalg.pinv(scaled.T @ scaled, hermitian=True)
    skew = float(inverse[-1] @ (scaled.T @ np.concatenate(misses)) / size[-1])
    noise = min(max(1.0, solution.noise), _NOISIEST)
    return skew, float(np.sqrt(inverse[-1, -1]) / size[-1]) * noise


def _lean(photo: PhotoObservation) -> Floats:
    """What a skew of one radian does to each whitened crossing residual (2N,)."""
    return np.concatenate(
        [
            np.column_stack([seen.points_px[:, 1] / seen.sigma_px, np.zeros(len(seen.which))])
            for seen in photo.cards
        ]
    ).ravel()


def _skew_notes(photo: PhotoObservation, skew: float, sigma: float) -> list[Note]:
    if abs(skew) < max(_WORTH_TELLING_RAD, _SURE * sigma):
        return []
    name = photo.file
    return [
        Note(
            code="scan-skewed",
            severity="warn",
            text=f"The scanner that made {name} is out of square: {300 * abs(skew):.2f} mm over"
            " 300 mm. The doubt was widened by as much. Scan the pattern once more turned by a"
            " quarter, or photograph it.",
            value=300 * abs(skew),
            unit="mm over 300 mm",
            photo=name,
        )
    ]
