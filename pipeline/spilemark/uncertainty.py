"""What is doubtful, after what has been fitted away.

Errors are linear in the causes: point i moves along its normal by
``sensitivity[i] @ c`` plus its own random part, with independent c of variance
one, so every variance is a plain sum of squares (law of propagation of
uncertainty, JCGM 100:2008, 5.2).  A fit is linear too to first order: it takes
some rigid motion out of the errors, and what it takes out is no longer doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from spilemark.frames import left_normals, outward_normals
from spilemark.records import Bools, Cause, Floats, Polyline, RegisteredPattern

COVERAGE_FACTOR = 1.959963984540054
"""Half-width of a 95 % interval in standard deviations (normal distribution)."""

EDGE_NOISE = "edge noise"
"""Budget name of the points' own random error."""

_BLOCKS = 150
_QUANTILES = 1 << 16
_SEED = 20_260_204

Indices = NDArray[np.intp]


def normals_of(line: Polyline) -> Floats:
    """Unit normals (N, 2) along which a line's sigma and sensitivities are stated."""
    if line.closed:
        return outward_normals(line.points_mm)
    return left_normals(line.points_mm, closed=False)


def arc_weights(points_mm: Floats, *, closed: bool, seen: Bools | None = None) -> Floats:
    """Length (N,) of line that each point stands for, mm; none where unseen.

    Where nothing at all was seen, every point counts.
    """
    p = np.asarray(points_mm, np.float64)
    step = np.linalg.norm(np.roll(p, -1, 0) - p, axis=1)
    if not closed:
        step[-1] = 0.0
    weight = 0.5 * (step + np.roll(step, 1))
    if seen is not None and seen.any():
        weight = np.where(seen, weight, 0.0)
    return np.asarray(weight)


def rigid_columns(points_mm: Floats, normals: Floats) -> Floats:
    """Change along the normals (N, 3) per radian of turn about (0, 0) and per mm of x, y shift."""
    turn = points_mm[:, 0] * normals[:, 1] - points_mm[:, 1] * normals[:, 0]
    return np.stack([turn, normals[:, 0], normals[:, 1]], axis=-1)


def fit_functional(points_mm: Floats, normals: Floats, weights: Floats) -> Floats:
    """The weighted least-squares rigid fit as a matrix.

    Returns
    -------
    (3, N)
        Times changes along the normals: the turn about (0, 0) (rad) and the
        shift (mm) that explain them best.  What a shape leaves open (the turn
        of a disc) stays zero.
    """
    middle = weights @ points_mm / weights.sum()
    columns = rigid_columns(points_mm - middle, normals)
    reach = np.sqrt(weights @ ((points_mm - middle) ** 2).sum(1) / weights.sum())
    scale = np.array([1.0 / max(float(reach), 1e-9), 1.0, 1.0])
    root = np.sqrt(weights / weights.sum())[:, None]
    about_middle = scale[:, None] * np.linalg.pinv(root * columns * scale, rcond=1e-6) * root.T
    turn, x, y = about_middle
    return np.stack([turn, x + turn * middle[1], y - turn * middle[0]])


def after_fit(sensitivity_mm: Floats, columns: Floats, functional: Floats) -> Floats:
    """Sensitivities (N, K) with the fitted rigid motion taken out."""
    return np.asarray(sensitivity_mm - columns @ (functional @ sensitivity_mm))


def random_after_fit(sigma_mm: Floats, columns: Floats, functional: Floats) -> Floats:
    """Variance (N,) of independent errors after a fit that they took part in."""
    variance = np.asarray(sigma_mm, np.float64) ** 2
    own = np.einsum("nj,jn->n", columns, functional)
    spread = (functional * variance) @ functional.T
    fitted = np.einsum("ni,ij,nj->n", columns, spread, columns)
    return np.asarray(variance * (1.0 - 2.0 * own) + fitted)


def u95_fit(line: Polyline, *, fitted_on: Polyline | None = None) -> Floats:
    """95 % half-width (N,) along the normal after the best rigid fit, mm: shape as such.

    Parameters
    ----------
    line : Polyline
    fitted_on : Polyline, optional
        The line that the fit was made on (a hole's place is judged after the
        fit of the outer edge); otherwise ``line`` itself.
    """
    base = line if fitted_on is None else fitted_on
    base_normals = normals_of(base)
    weights = arc_weights(base.points_mm, closed=base.closed, seen=base.seen)
    functional = fit_functional(base.points_mm, base_normals, weights)
    columns = rigid_columns(line.points_mm, normals_of(line))
    left = line.sensitivity_mm - columns @ (functional @ base.sensitivity_mm)
    if base is line:
        random = random_after_fit(line.sigma_mm, columns, functional)
    else:
        spread = (functional * base.sigma_mm**2) @ functional.T
        random = line.sigma_mm**2 + np.einsum("ni,ij,nj->n", columns, spread, columns)
    return np.asarray(COVERAGE_FACTOR * np.sqrt((left**2).sum(1) + np.maximum(random, 0.0)))


def u95_datum(registered: RegisteredPattern) -> Floats:
    """95 % half-width (N,) of the ring along its normal in the boat or pattern frame, mm."""
    squares = (registered.datum_sensitivity_mm**2).sum(1) + registered.outline.ring.sigma_mm**2
    return np.asarray(COVERAGE_FACTOR * np.sqrt(squares))


@dataclass(frozen=True, slots=True, eq=False)
class AlignedCauses:
    """The causes of two patterns, each once, and where each pattern's columns go."""

    causes: tuple[Cause, ...]
    of_a: Indices
    of_b: Indices

    def spread_a(self, sensitivity_mm: Floats) -> Floats:
        """Sensitivities (N, K of a) on the common columns."""
        return _spread(sensitivity_mm, self.of_a, len(self.causes))

    def spread_b(self, sensitivity_mm: Floats) -> Floats:
        """Sensitivities (N, K of b) on the common columns."""
        return _spread(sensitivity_mm, self.of_b, len(self.causes))

    def difference(self, a_mm: Floats, b_mm: Floats) -> Floats:
        """Sensitivities (N, K) of ``b - a``, so that whatever both share cancels."""
        result = self.spread_b(b_mm)
        result[:, self.of_a] -= a_mm
        return result


def _spread(sensitivity_mm: Floats, columns: Indices, count: int) -> Floats:
    wide = np.zeros((len(sensitivity_mm), count))
    wide[:, columns] = sensitivity_mm
    return wide


def align_causes(a: Sequence[Cause], b: Sequence[Cause]) -> AlignedCauses:
    """Match the causes of two patterns by identity: the same ``Cause.id`` is the same error."""
    place: dict[str, int] = {}
    causes: list[Cause] = []
    for cause in (*a, *b):
        if cause.id not in place:
            place[cause.id] = len(causes)
            causes.append(cause)
    return AlignedCauses(
        tuple(causes),
        np.array([place[c.id] for c in a], dtype=np.intp),
        np.array([place[c.id] for c in b], dtype=np.intp),
    )


def simultaneous_factor(
    sensitivity_mm: Floats,
    sigma_mm: Floats,
    *,
    coverage: float = 0.95,
    draws: int = 1000,
    seed: int = _SEED,
) -> float:
    """How many standard deviations a band needs to hold *everywhere at once*.

    The ``coverage`` quantile of the largest standardised error over all points,
    by Monte Carlo (JCGM 101:2008) with a fixed seed: the "sup-t" band, as in
    Montiel Olea and Plagborg-Moller, "Simultaneous confidence bands", Journal of
    Applied Econometrics 34(1), 2019.

    Parameters
    ----------
    sensitivity_mm : (N, K)
        Of neighbouring points in neighbouring rows: systematic errors are taken
        as equal over every 1/150 of the line.
    sigma_mm : (N,)
        Independent part.

    Returns
    -------
    float
        1.96 for one point, about 4 for thousands of independent ones; 1.96 too
        where there is no doubt at all.
    """
    deviation = np.sqrt((np.asarray(sensitivity_mm) ** 2).sum(1) + np.asarray(sigma_mm) ** 2)
    live = np.flatnonzero(deviation > 0)
    if not len(live):
        return COVERAGE_FACTOR
    blocks = np.array_split(live, min(_BLOCKS, len(live)))
    middles = np.array([block[len(block) // 2] for block in blocks])
    counts = np.array([len(block) for block in blocks])
    rng = np.random.default_rng(seed)
    standard = sensitivity_mm[middles] / deviation[middles, None]
    smooth = rng.standard_normal((draws, standard.shape[1])) @ standard.T
    share = np.asarray(sigma_mm, np.float64)[middles] / deviation[middles]
    up = smooth + share * _largest_of(counts, rng, draws)
    down = -smooth + share * _largest_of(counts, rng, draws)
    # A lone point has one error, not a largest and a smallest one.
    lone = counts == 1
    down[:, lone] = -up[:, lone]
    worst = np.maximum(up, down).max(axis=1)
    return float(max(np.quantile(worst, coverage), ndtri(0.5 + 0.5 * coverage)))


@lru_cache(maxsize=64)
def _quantiles_of_largest(count: int) -> Floats:
    """Even quantiles of the largest of ``count`` standard normal numbers."""
    even = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    return np.asarray(ndtri(even ** (1.0 / count)))


def _largest_of(counts: NDArray[np.intp], rng: np.random.Generator, draws: int) -> Floats:
    """Draws (draws, blocks) of the largest of ``counts`` standard normal numbers.

    By the inverse distribution, tabulated; ``counts`` are the sizes of an even
    split, the larger ones first.
    """
    pick = rng.integers(0, _QUANTILES, (draws, len(counts)), dtype=np.uint16)
    large = int((counts == counts[0]).sum())
    parts = [_quantiles_of_largest(int(counts[0]))[pick[:, :large]]]
    if large < len(counts):
        parts.append(_quantiles_of_largest(int(counts[-1]))[pick[:, large:]])
    return np.concatenate(parts, axis=1)


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one kind of cause adds, mm (95 %), at the worst point."""

    cause: str
    u95_mm: float


def budget(
    registered: RegisteredPattern, *, after: Literal["datum", "fit"] = "datum"
) -> tuple[Contribution, ...]:
    """Name what the doubt is made of, largest first, at the point where it is worst.

    Parameters
    ----------
    registered : RegisteredPattern
    after : {"datum", "fit"}
        In the boat or pattern frame, or of the shape as such (then without what
        the reference line adds).

    Notes
    -----
    The causes are independent, so the squares of the contributions sum exactly
    to the square of the whole.
    """
    ring = registered.outline.ring
    if after == "datum":
        table, causes = registered.datum_sensitivity_mm, registered.datum_causes
        random = ring.sigma_mm**2
    else:
        normals = normals_of(ring)
        weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
        functional = fit_functional(ring.points_mm, normals, weights)
        columns = rigid_columns(ring.points_mm, normals)
        table, causes = (
            after_fit(ring.sensitivity_mm, columns, functional),
            registered.outline.causes,
        )
        random = np.maximum(random_after_fit(ring.sigma_mm, columns, functional), 0.0)
    total = (table**2).sum(1) + random
    seen = ring.seen if ring.seen.any() else np.ones_like(ring.seen)
    worst = int(np.argmax(np.where(seen, total, -1.0)))
    squares: dict[str, float] = {EDGE_NOISE: float(random[worst])}
    for cause, value in zip(causes, table[worst], strict=True):
        squares[cause.kind] = squares.get(cause.kind, 0.0) + float(value) ** 2
    named = [Contribution(k, COVERAGE_FACTOR * float(np.sqrt(v))) for k, v in squares.items()]
    return tuple(sorted(named, key=lambda c: (-c.u95_mm, c.cause)))
