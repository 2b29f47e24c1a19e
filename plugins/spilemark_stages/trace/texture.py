"""Where two textures part, told row by row: grain that runs into an edge ends there.

The mean profile of a stretch says nothing where both sides are about as light.
But each single row has a grain of its own, which ends at the edge and does not
go on beyond it, while it does go on across a shadow's border.  What all rows of
a stretch have in common, a shadow above all, is taken away first; what is left
of each is a random walk on either side, broken at the edge.  How much it walks
is measured beside the edge, on each side, so that the evidence is counted in
units of that very wood and that very bench.

The likelihood of a walk seen through noise is that of the local level model
(Harvey, "Forecasting, Structural Time Series Models and the Kalman Filter",
1989, sec. 4.1), summed sample by sample from the far end of either side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Bools, Floats
from spilemark_stages.trace.edgemodel import Grid

_GUARD = 1.2
"""Half-width, in blurs, of what about an edge belongs to neither side."""
_NEAR, _FAR = 2, 6
"""Lags, samples, between which a walk is told from noise and blur."""
_HEAVY_TAILS = 0.5
"""Grain that runs along an edge steps more boldly than a random walk does."""
_STEP = 9.0
"""Squared surprise beyond which a row's grain begins anew."""
_LINE = 9.0
"""The same on a face, in mean profiles: a pencil line ..."""
_SHADOW = 5.0
"""... and on a bench, where shadows begin and end."""


@dataclass(frozen=True, slots=True)
class Sides:
    """Samples (S,) that are surely face, and surely bench."""

    face: Bools
    bench: Bools


def row_evidence(
    rows: Floats,
    usable: Bools,
    walls: Floats,
    where: Grid,
    sides: Sides,
    blur_px: float,
    reach: int,
    *,
    closed: bool,
) -> Floats:
    """Log evidence (N, shifts) of each row by itself.

    Parameters
    ----------
    rows : (N, S)
        Coded brightness along the outward normals, samples a px apart.
    usable : (N,)
        Rows to learn from.
    walls : (N,)
        Visible width of the wall, px; it may have any brightness.
    reach : int
        Half-width in rows of the stretch that has its common part, and its
        noise and walks, in common.
    """
    own = rows - _near_mean(rows, usable, reach, closed=closed)
    learnt = [
        _walk(own[:, side], usable, reach, closed=closed) for side in (sides.face, sides.bench)
    ]
    out = _broken(own, learnt, walls, where, blur_px, (_STEP, _STEP))
    out *= _independent(own, usable, reach, closed=closed)[:, None]
    out[~usable] = 0.0
    return out


def mean_evidence(
    means: Floats,
    usable: Bools,
    walls: Floats,
    where: Grid,
    sides: Sides,
    blur_px: float,
    reach: int,
    *,
    closed: bool,
) -> Floats:
    """The same of mean profiles (N, S), where a shadow's border is a step on the bench."""
    learnt = [
        _walk(means[:, side], usable, reach, closed=closed) for side in (sides.face, sides.bench)
    ]
    out = _broken(means, learnt, walls, where, blur_px, (_LINE, _SHADOW))
    out[~usable] = 0.0
    return _HEAVY_TAILS * out


def _broken(
    own: Floats,
    learnt: list[tuple[Floats, Floats]],
    walls: Floats,
    where: Grid,
    blur_px: float,
    most: tuple[float, float],
) -> Floats:
    """Log likelihood (N, shifts) of a walk from the inner end and another from the outer one."""
    s, shifts = np.asarray(where.samples), np.asarray(where.shifts)
    inner = _summed(own, *learnt[0], most[0])
    outer = _summed(own[:, ::-1], *learnt[1], most[1])[:, ::-1]
    guard = _GUARD * blur_px
    last = (shifts - guard - s[0]) / (s[1] - s[0])
    first = last[None, :] + (2 * guard + np.maximum(walls, 0.0)[:, None]) / (s[1] - s[0])
    rows = np.arange(len(own), dtype=np.int64)[:, None]
    return _between(inner, rows, last[None, :]) + _between(outer, rows, first)


def _between(sums: Floats, rows: NDArray[np.int64], at: Floats) -> Floats:
    """Sums (N, S) at places between samples."""
    at = np.clip(at, 0.0, sums.shape[1] - 1.0)
    low = np.minimum(at.astype(np.int64), sums.shape[1] - 2)
    share = at - low
    return np.asarray((1 - share) * sums[rows, low] + share * sums[rows, low + 1])


def _summed(values: Floats, walk: Floats, noise: Floats, most: float) -> Floats:
    """Log likelihood (N, S) of all samples up to each, the first one free."""
    drift, rest = walk**2, noise**2
    level, doubt = values[:, 0].copy(), rest.copy()
    out = np.zeros(values.shape)
    for k in range(1, values.shape[1]):
        doubt = doubt + drift
        spread = doubt + rest
        miss = values[:, k] - level
        surprise = miss * miss / spread
        out[:, k] = out[:, k - 1] - 0.5 * (np.log(spread) + np.minimum(surprise, most))
        gain = np.where(surprise > most, 1.0, doubt / spread)
        level = level + gain * miss
        doubt = np.where(surprise > most, rest, (1.0 - gain) * doubt)
    return out


def _near_mean(values: Floats, usable: Bools, reach: int, *, closed: bool) -> Floats:
    """Mean (N, K) of the usable rows within ``reach`` of each."""
    both = np.concatenate([values * usable[:, None], usable[:, None]], axis=1)
    reach = max(1, min(reach, (len(values) - 1) // 2))
    around = np.pad(both, ((reach, reach), (0, 0)), mode="wrap" if closed else "constant")
    total = np.concatenate([np.zeros((1, both.shape[1])), np.cumsum(around, axis=0)])
    sums = total[2 * reach + 1 :] - total[: -2 * reach - 1]
    return np.asarray(sums[:, :-1] / np.maximum(sums[:, -1:], 1.0))


def _walk(side: Floats, usable: Bools, reach: int, *, closed: bool) -> tuple[Floats, Floats]:
    """Random walk per root sample and noise (N,) of one side, near each row.

    Variance of a difference over k samples is k walk^2 + 2 noise^2.
    """
    near, far = (
        _near_mean(
            ((side[:, lag:] - side[:, :-lag]) ** 2).mean(axis=1)[:, None],
            usable,
            reach,
            closed=closed,
        )[:, 0]
        for lag in (_NEAR, _FAR)
    )
    walk = np.sqrt(np.maximum(far - near, 0.0) / (_FAR - _NEAR))
    noise = np.sqrt(np.maximum(0.5 * (near - _NEAR * walk**2), 0.1 * near) + 1e-7)
    return walk, noise


def _independent(own: Floats, usable: Bools, reach: int, *, closed: bool) -> Floats:
    """Share (N,) of its evidence that each row may count for: neighbours repeat one another."""
    ahead = np.roll(own, -1, axis=0)
    both = usable & np.roll(usable, -1)
    if not closed:
        both[-1] = False
    product = _near_mean((own * ahead).mean(axis=1)[:, None], both, reach, closed=closed)[:, 0]
    square = _near_mean((own * own).mean(axis=1)[:, None], usable, reach, closed=closed)[:, 0]
    share = np.clip(product / np.maximum(square, 1e-12), 0.0, 0.95)
    return np.asarray((1 - share) / (1 + share))
