"""Lines as sequences of points: resampling, smoothing that keeps ends, robust offsets."""

from __future__ import annotations

import numpy as np

from spilemark.records import Bools, Floats


def lengths_along(points: Floats, *, closed: bool) -> Floats:
    """Distance of each point from the first along the line, (N,) or (N + 1,) when closed."""
    line = np.vstack([points, points[:1]]) if closed else points
    step = np.linalg.norm(np.diff(line, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(step)])


def resample(points: Floats, step: float, *, closed: bool) -> Floats:
    """Points at even distances of about ``step``; an open line keeps both its ends."""
    line = np.vstack([points, points[:1]]) if closed else np.asarray(points)
    along = lengths_along(points, closed=closed)
    pieces = max(4 if closed else 1, round(along[-1] / step))
    at = np.linspace(0.0, along[-1], pieces + 1)
    if closed:
        at = at[:-1]
    return np.stack([np.interp(at, along, line[:, k]) for k in (0, 1)], axis=-1)


def blurred_ring(points: Floats, sigma_points: float) -> Floats:
    """A closed, evenly spaced line smoothed with a Gaussian of ``sigma_points`` points."""
    reach = max(1, round(4 * sigma_points))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_points) ** 2)
    kernel /= kernel.sum()
    around = np.pad(points, ((reach, reach), (0, 0)), mode="wrap")
    return np.stack([np.convolve(around[:, k], kernel, mode="valid") for k in (0, 1)], axis=-1)


def tangents(points: Floats, *, closed: bool) -> Floats:
    """Unit directions of travel (N, 2)."""
    step = np.roll(points, -1, 0) - np.roll(points, 1, 0) if closed else np.gradient(points, axis=0)
    return np.asarray(step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-12))


def right_normals(points: Floats, *, closed: bool) -> Floats:
    """Unit normals (N, 2) to the right of travel: outward, with wood on the left."""
    t = tangents(points, closed=closed)
    return np.stack([t[:, 1], -t[:, 0]], axis=-1)


def _window_sums(values: Floats, kernels: Floats, closed: bool) -> Floats:
    """Sums (N, K) of values (N,) about each sample, weighted by each of kernels (K, W)."""
    reach = kernels.shape[1] // 2
    around = np.zeros(len(values) + 2 * reach)
    around[reach : reach + len(values)] = values
    if closed:
        around[:reach] = values[len(values) - reach :]
        around[reach + len(values) :] = values[:reach]
    return np.asarray(np.lib.stride_tricks.sliding_window_view(around, 2 * reach + 1) @ kernels.T)


def local_fit(
    values: Floats, weights: Floats, reach: float, *, closed: bool, order: int = 2
) -> tuple[Floats, Floats]:
    """Weighted local polynomial (Savitzky and Golay 1964, with weights) at every point.

    Parameters
    ----------
    values, weights : (N,)
        Evenly spaced samples; weight 0 leaves one out.
    reach : float
        Half-width of the window in samples; the window falls to zero at it.
    order : int
        0, 1 or 2.  An open line is fitted one-sidedly at its ends.

    Returns
    -------
    fitted : (N,)
        NaN where the window holds too little.
    gain : (N,)
        Square root of the variance of ``fitted`` for samples of unit variance.
    """
    fit = _LocalFit(weights, reach, order, closed)
    return fit.of(values), fit.gain()


class _LocalFit:
    """What :func:`local_fit` works out of weights alone; the gain only where it is asked for."""

    def __init__(self, weights: Floats, reach: float, order: int, closed: bool) -> None:
        half = max(order, int(np.floor(reach)))
        if closed:
            half = min(half, (len(weights) - 1) // 2)
        u = np.arange(-half, half + 1) / (half + 1.0)
        self.taper = (1 - np.abs(u) ** 3) ** 3
        self.powers = u ** np.arange(2 * order + 1)[:, None]
        self.weights, self.closed, self.terms = weights, closed, order + 1
        moment = _window_sums(weights, self.taper * self.powers, closed)
        counted = _running_sums((weights > 0).astype(float)[:, None], half, closed)[:, 0]
        self.enough = counted > self.terms
        self.row = _first_row(moment, self.enough)

    def of(self, values: Floats) -> Floats:
        """Fitted values (N,)."""
        kernels = self.taper * self.powers[: self.terms]
        right = _window_sums(self.weights * values, kernels, self.closed)
        fitted = sum(self.row[i] * right[:, i] for i in range(self.terms))
        return np.where(self.enough, fitted, np.nan)

    def gain(self) -> Floats:
        """Square root of the variance (N,) for samples of unit variance."""
        noise = _window_sums(self.weights**2, self.taper**2 * self.powers, self.closed)
        terms = range(self.terms)
        variance = sum(self.row[i] * self.row[j] * noise[:, i + j] for i in terms for j in terms)
        return np.sqrt(np.maximum(variance, 0.0))


def _first_row(moment: Floats, enough: Bools) -> list[Floats]:
    """First rows, as T columns (N,), of the inverses of normal matrices with moments (N, 2 T - 1).

    Written out by cofactors: thousands of small matrices take a library ten times as long.
    """
    even = moment[:, ::2] + 1e-9 * moment[:, ::2].sum(axis=1, keepdims=True)
    if even.shape[1] == 1:
        parts = [np.ones(len(moment))]
    elif even.shape[1] == 2:
        parts = [even[:, 1], -moment[:, 1]]
    else:
        m1, m2, m3 = moment[:, 1:4].T
        parts = [
            even[:, 1] * even[:, 2] - m3 * m3,
            m2 * m3 - m1 * even[:, 2],
            m1 * m3 - m2 * even[:, 1],
        ]
    first = (even[:, 0], *moment[:, 1 : len(parts)].T)
    determinant = sum(m * part for m, part in zip(first, parts, strict=True))
    safe = np.where(enough, determinant, 1.0)
    return [part / safe for part in parts]


def robust_fit(
    values: Floats, usable: Bools, reach: float, *, closed: bool, floor: float, rounds: int = 3
) -> tuple[Floats, Floats, Floats]:
    """:func:`local_fit` with Tukey weights: fitted (N,), gain (N,), final weights (N,).

    ``floor`` is the smallest believed scatter of a sample.
    """
    clean = np.where(usable, values, 0.0)
    weights = usable.astype(float)
    fit = _LocalFit(weights, 2 * reach, 1, closed)
    for _ in range(rounds):
        fitted = fit.of(clean)
        miss = np.where(usable & np.isfinite(fitted), clean - fitted, 0.0)
        scatter = local_scatter(miss, weights, 3 * reach, closed=closed)
        ratio = miss / (4.685 * np.maximum(scatter, floor))
        weights = np.where(usable & (np.abs(ratio) < 1), (1 - ratio**2) ** 2, 0.0)
        fit = _LocalFit(weights, reach, 2, closed)
    return fit.of(clean), fit.gain(), weights


def local_scatter(miss: Floats, weights: Floats, reach: float, *, closed: bool) -> Floats:
    """Robust standard deviation (N,) of misses near each point (mean absolute, Gaussian scale)."""
    half = max(1, int(reach))
    if closed:
        half = min(half, (len(miss) - 1) // 2)
    use = (weights > 0).astype(float)
    sums = _running_sums(np.stack([use, np.abs(miss) * use], axis=-1), half, closed)
    return 1.2533 * sums[:, 1] / np.maximum(sums[:, 0], 1.0)


def _running_sums(values: Floats, half: int, closed: bool) -> Floats:
    """Sums (N, K) of values (N, K) within ``half`` samples of each."""
    count = len(values)
    around = np.zeros((count + 2 * half + 1, values.shape[1]))
    around[half + 1 : half + 1 + count] = values
    if closed:
        around[1 : half + 1] = values[count - half :]
        around[half + 1 + count :] = values[:half]
    total = np.cumsum(around, axis=0)
    return np.asarray(np.maximum(total[2 * half + 1 :] - total[: -2 * half - 1], 0.0))


def bridged(values: Floats, *, closed: bool) -> Floats:
    """NaN values filled in linearly along the line; all zero when nothing is known."""
    known = np.isfinite(values)
    if known.all():
        return values
    if not known.any():
        return np.zeros_like(values)
    n = len(values)
    at = np.arange(n)
    if closed:
        return np.interp(at, at[known], values[known], period=n)
    return np.interp(at, at[known], values[known])
