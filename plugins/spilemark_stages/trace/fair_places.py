"""Where a faint edge runs: the places of all its stretches at once, with what a sawn edge can be.

The evidence of one stretch may have several peaks half a millimetre apart, one at
the edge and others in the grain.  But an edge is sawn to a fair line, which it
leaves by about a tenth of a millimetre.  So all stretches of a side are asked
together: a Gaussian process (fair curve plus the saw's wobble) is the prior, the
evidence of each stretch over all trial places its likelihood, and expectation
propagation (Minka 2001; Rasmussen and Williams, "Gaussian Processes for Machine
Learning", 2006, sec. 3.6) finds the mean and doubt that agree with both.  How like an arc the side is, its likelihood says (ibid., ch. 5).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.trace.rings import lengths_along

Sites = tuple[Floats, Floats]
"""Precision (M,) of what each stretch says, and precision times mean."""

_KNOT_MM = 50.0
"""A fair curve is an arc and a cubic spline with knots so far apart on top of it."""
_ANYWHERE_MM = 5.0
"""One sigma of where the arc lies, and of its tilt and bend over the side."""
_UNLIKE_ARC_MM = (0.1, 0.3, 1.0, 4.0, 16.0)
"""One sigma of how far a side leaves its arc: which one it is, its own stretches say."""
_WOBBLE_MM = 0.1
"""One sigma of how far a sawn edge leaves its fair curve, ..."""
_WOBBLE_LONG_MM = 12.0
"""... and over which length it does."""
_LONG_MM = 150.0
"""Waves shorter than this, along a faint edge, may be the saw's or those of grain and blotches ..."""
_WAVES_MM = 40.0
"""... and are told over this half-width."""
_SWEEPS = 12
_DAMPING = 0.6
_FINER = 4
_LEAST_PRECISION = 1e-6
_ASKED = 1e-3
"""A stretch of less precision (1/mm^2) than this says nothing of the side's form."""
_FEW = 5
"""Stretches from which on their scatter about the fair curve says how far they can be believed."""


@dataclass(frozen=True, slots=True)
class FairPlaces:
    """The edge in each stretch."""

    place_mm: Floats
    """(M,) outward of the base line."""
    sigma_mm: Floats
    """(M,)"""
    waves_mm: Floats
    """(M,) how far the side leaves a long fair curve nearby: form or grain, the picture cannot say."""


def fair_basis(
    at_mm: Floats, length_mm: float, *, closed: bool, knots_mm: float = _KNOT_MM
) -> Floats:
    """Functions (M, J) of which a fair line is made, at distances along a line.

    Cubic B-splines (de Boor, "A Practical Guide to Splines", 1978) on even knots;
    round a closed line they are periodic.
    """
    spans = max(1, round(length_mm / knots_mm))
    if closed:
        spans = max(4, spans)
    x = np.asarray(at_mm) / max(length_mm, 1e-9) * spans
    count = spans if closed else spans + 3
    off = x[:, None] - (np.arange(count)[None, :] - (0.0 if closed else 1.0))
    if closed:
        off = (off + 0.5 * spans) % spans - 0.5 * spans
    near = np.abs(off)
    inner = 2.0 / 3.0 - near**2 + 0.5 * near**3
    outer = np.maximum(2.0 - near, 0.0) ** 3 / 6.0
    return np.asarray(np.where(near < 1.0, inner, outer))


def _arc_basis(at_mm: Floats, length_mm: float, *, closed: bool) -> Floats:
    """Functions (M, 3 or 5) of which an arc is made: powers, or waves round a closed line."""
    x = np.asarray(at_mm) / max(length_mm, 1e-9)
    if closed:
        turns = 2.0 * np.pi * x[:, None] * np.array([1.0, 2.0])
        return np.concatenate([np.ones((len(x), 1)), np.cos(turns), np.sin(turns)], axis=1)
    return np.asarray((2.0 * x - 1.0)[:, None] ** np.arange(3))


def off_arc(base_mm: Floats, normals: Floats, *, closed: bool) -> Floats:
    """How far (N,) outward an evenly spaced line (N, 2) runs beside its own arc, mm."""
    at = lengths_along(base_mm, closed=closed)
    basis = _arc_basis(at[: len(base_mm)], float(at[-1]), closed=closed)
    fitted = basis @ np.linalg.lstsq(basis, base_mm, rcond=None)[0]
    return np.asarray(np.einsum("ni,ni->n", base_mm - fitted, normals))


def fair_places(
    evidence: Floats,
    shifts_mm: Floats,
    at_mm: Floats,
    length_mm: float,
    base_off_mm: Floats,
    *,
    closed: bool,
) -> FairPlaces:
    """Places of all stretches of one side.

    Parameters
    ----------
    evidence : (M, S)
        Log evidence of each trial place, what neighbours repeat left out; all zero where nothing
        is known.
    shifts_mm : (M, S)
        Trial places, outward of the base line.
    at_mm : (M,)
        Distance of each stretch along the line.
    length_mm : float
        Of the whole line.
    base_off_mm : (M,)
        How far the base line itself is off an arc there (``off_arc``).
    """
    priors = _priors(at_mm, length_mm, closed=closed)
    places, log = _finer(shifts_mm + base_off_mm[:, None], evidence)
    told = np.ptp(log, axis=1) > 0.0
    sites = _first(places, log, told)
    sites = _settled(priors[-1], places, log, told, sites, _SWEEPS // 2)
    prior = max(priors, key=lambda prior: _likelihood(prior, *sites))
    sites = _settled(prior, places, log, told, sites, _SWEEPS)
    mean, variance = _posterior(prior, *sites)
    sigma = np.sqrt(variance) * _scatter(mean, variance, *sites, told)
    waves = _waves(mean, sigma, at_mm, length_mm, closed=closed)
    return FairPlaces(mean - base_off_mm, sigma, waves)


def _waves(mean: Floats, sigma: Floats, at_mm: Floats, length_mm: float, *, closed: bool) -> Floats:
    """Root mean square (M,) near each stretch of what a long fair curve leaves of a side."""
    basis = np.concatenate(
        [
            _arc_basis(at_mm, length_mm, closed=closed),
            fair_basis(at_mm, length_mm, closed=closed, knots_mm=_LONG_MM),
        ],
        axis=1,
    )
    share = 1.0 / sigma[:, None]
    rest = mean - basis @ np.linalg.lstsq(share * basis, share[:, 0] * mean, rcond=None)[0]
    near = _apart(at_mm, length_mm, closed=closed) <= _WAVES_MM
    return np.asarray(np.sqrt(near @ rest**2 / near.sum(axis=1)))


def _apart(at_mm: Floats, length_mm: float, *, closed: bool) -> Floats:
    """Distances (M, M) along the line."""
    apart = np.abs(at_mm[:, None] - at_mm[None, :])
    return np.minimum(apart, length_mm - apart) if closed else apart


def _priors(at_mm: Floats, length_mm: float, *, closed: bool) -> list[Floats]:
    """Covariances (M, M) of edges that are more and more unlike an arc."""
    apart = _apart(at_mm, length_mm, closed=closed)
    arc = _arc_basis(at_mm, length_mm, closed=closed)
    fair = fair_basis(at_mm, length_mm, closed=closed)
    common = _ANYWHERE_MM**2 * arc @ arc.T + 1e-6 * np.eye(len(at_mm))
    common += _WOBBLE_MM**2 * np.exp(-0.5 * (apart / _WOBBLE_LONG_MM) ** 2)
    return [common + unlike**2 * fair @ fair.T for unlike in _UNLIKE_ARC_MM]


def _settled(
    prior: Floats, places: Floats, log: Floats, told: Bools, sites: Sites, sweeps: int
) -> Sites:
    """Sites after so many sweeps of expectation propagation over all stretches at once."""
    site, lean = sites
    for _ in range(sweeps):
        mean, variance = _posterior(prior, site, lean)
        cavity = np.maximum(1.0 / variance - site, _LEAST_PRECISION)
        expected = (mean / variance - lean) / cavity
        tilted = log - 0.5 * cavity[:, None] * (places - expected[:, None]) ** 2
        middle, spread = _moments(places, tilted)
        new = 1.0 / spread - cavity
        # Two peaks far apart say less than nothing: such a stretch is not asked this time.
        clear = new > _LEAST_PRECISION
        new = np.where(clear, new, _LEAST_PRECISION)
        new_lean = np.where(clear, middle / spread - cavity * expected, new * middle)
        site = np.where(told, site + _DAMPING * (new - site), _LEAST_PRECISION)
        lean = np.where(told, lean + _DAMPING * (new_lean - lean), 0.0)
    return site, lean


def _likelihood(prior: Floats, site: Floats, lean: Floats) -> float:
    """Log likelihood of what the sites say under a prior (Rasmussen and Williams, eq. 2.30)."""
    use = site > _ASKED
    spread = prior[np.ix_(use, use)] + np.diag(1.0 / site[use])
    root = np.linalg.cholesky(spread)
    white = np.linalg.solve(root, lean[use] / site[use])
    return float(-0.5 * white @ white - np.log(np.diagonal(root)).sum())


def _posterior(prior: Floats, site: Floats, lean: Floats) -> tuple[Floats, Floats]:
    """Mean and variance (M,) of the process given Gaussian sites of precision ``site``."""
    root = np.sqrt(site)
    inner = np.eye(len(prior)) + root[:, None] * prior * root[None, :]
    gain = np.linalg.solve(inner, root[:, None] * prior)
    variance = np.diagonal(prior) - np.einsum("ij,ji->i", prior * root[None, :], gain)
    return gain.T @ (lean / root), np.maximum(variance, 1e-8)


def _first(places: Floats, log: Floats, told: Bools) -> Sites:
    """Sites (M,) that each stretch would have by itself: precision, and precision times mean."""
    middle, spread = _moments(places, log)
    site = np.where(told, 1.0 / spread, _LEAST_PRECISION)
    return site, np.where(told, middle / spread, 0.0)


def _moments(places: Floats, log: Floats) -> tuple[Floats, Floats]:
    """Mean and variance (M,) of places (M, S) with log weights."""
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    middle = (weight * places).sum(axis=1)
    spread = (weight * (places - middle[:, None]) ** 2).sum(axis=1)
    least = (0.29 * (places[:, 1] - places[:, 0])) ** 2
    return middle, np.maximum(spread, least)


def _finer(places: Floats, log: Floats) -> tuple[Floats, Floats]:
    """Places and log evidence on a grid that is finer, linearly between."""
    count = places.shape[1]
    at = np.linspace(0.0, count - 1.0, _FINER * (count - 1) + 1)
    low = np.minimum(at.astype(np.int64), count - 2)
    share = at - low
    fine = [(1.0 - share) * v[:, low] + share * v[:, low + 1] for v in (places, log)]
    return fine[0], fine[1]


def _scatter(mean: Floats, variance: Floats, site: Floats, lean: Floats, told: Bools) -> float:
    """By how much more than they claim the stretches scatter about what the others say; at least 1."""
    cavity = 1.0 / variance - site
    use = told & (cavity > 10 * _LEAST_PRECISION) & (site > 10 * _LEAST_PRECISION)
    if use.sum() < _FEW:
        return 1.0
    expected = (mean / variance - lean)[use] / cavity[use]
    own = lean[use] / site[use]
    off = np.abs(own - expected) / np.sqrt(1.0 / cavity[use] + 1.0 / site[use])
    # Of two standard deviations that belong to the mean absolute miss of a Gaussian.
    return max(1.0, 1.2533 * float(off.mean()))
