"""Levenberg-Marquardt with iteratively reweighted crossings.

Written out because only the crossings, in pairs, may lose weight: a robust
loss over the whole residual vector (all that general solvers offer) would
soften the priors too.  Damping after Marquardt, "An Algorithm for Least-Squares
Estimation of Nonlinear Parameters", SIAM J. 11(2), 1963; weights after Cauchy's
loss (Huber, "Robust Statistics", 1981).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from spilemark.records import Floats

_HOPELESS = 1e12

Rows = tuple[Floats, Floats, Floats, Floats]
"""Crossing residuals (2M,), their derivatives (2M, P), other residuals (B,), theirs (B, P)."""


@dataclass(frozen=True, slots=True)
class Weighting:
    """How much each crossing counts."""

    keep: Floats
    """(M,) 1 or 0."""
    softness: float | None
    """Cauchy scale in units of the whitened residual; None: plain least squares."""

    def weights(self, misfit: Floats) -> Floats:
        """Weights (M,) at misfit lengths (M,)."""
        if self.softness is None:
            return self.keep
        return np.asarray(self.keep / (1 + (misfit / self.softness) ** 2))

    def loss(self, misfit: Floats) -> float:
        """Sum of the crossings' losses (twice the usual half-squares)."""
        if self.softness is None:
            return float(self.keep @ misfit**2)
        soft = self.softness**2 * np.log1p((misfit / self.softness) ** 2)
        return float(self.keep @ soft)


def minimise(
    evaluate: Callable[[Floats], Rows],
    start: Floats,
    weighting: Weighting,
    *,
    enough: float = 1e-9,
    damping: float = 1e-3,
    most_steps: int = 40,
) -> Floats:
    """Vector (P,) at which the weighted sum of squares is least.

    Parameters
    ----------
    evaluate : callable
        Residuals and derivatives at a vector; unknowns scaled to about one.
    enough : float
        Stop when the loss falls by less than this share.
    damping : float
        At the first step; small when the start is already near.
    """
    x = start
    rows = evaluate(x)
    loss = _loss(rows, weighting)
    for _ in range(most_steps):
        matrix, slope = _normal_equations(rows, weighting)
        better = None
        while better is None and damping < _HOPELESS:
            better = _try(evaluate, x, _step(matrix, slope, damping), weighting, loss)
            damping *= 0.1 if better else 8.0
        if better is None:
            return x
        x, rows, fallen = better
        gained, loss = loss - fallen, fallen
        if gained <= enough * loss:
            return x
    return x


def _try(
    evaluate: Callable[[Floats], Rows],
    x: Floats,
    step: Floats | None,
    weighting: Weighting,
    loss: float,
) -> tuple[Floats, Rows, float] | None:
    """Where a step leads, or None when the loss would not fall."""
    if step is None:
        return None
    rows = evaluate(x + step)
    tried = _loss(rows, weighting)
    return (x + step, rows, tried) if np.isfinite(tried) and tried <= loss else None


def _loss(rows: Rows, weighting: Weighting) -> float:
    misfit = np.linalg.norm(rows[0].reshape(-1, 2), axis=1)
    return weighting.loss(misfit) + float(rows[2] @ rows[2])


def _normal_equations(rows: Rows, weighting: Weighting) -> tuple[Floats, Floats]:
    seen, by_seen, known, by_known = rows
    misfit = np.linalg.norm(seen.reshape(-1, 2), axis=1)
    root = np.repeat(np.sqrt(weighting.weights(misfit)), 2)
    weighted = by_seen * root[:, None]
    matrix = weighted.T @ weighted + by_known.T @ by_known
    return matrix, weighted.T @ (seen * root) + by_known.T @ known


def _step(matrix: Floats, slope: Floats, damping: float) -> Floats | None:
    """Damped Gauss-Newton step, or None where the matrix has no factor."""
    damped = matrix + damping * np.diag(np.diag(matrix))
    try:
        return np.asarray(cho_solve(cho_factor(damped), -slope))
    except LinAlgError:
        return None
