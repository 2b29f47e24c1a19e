"""Where the middle of a drawn line is in mean profiles across it.

The line is a bar of some width between two grounds that need not be alike, all
blurred by the photo.  Steger, "An Unbiased Detector of Curvilinear Structures",
IEEE TPAMI 20(2), 1998: such a line's ridge lies beside its middle, by
``-(s^2 / 2w) ln(1 - a)`` for half-width w, smoothing s and contrast ratio a of
the two sides.  He inverts that with a table of widths and ratios; here the same
bar is fitted to the profile, which asks for no table and says how sure it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from spilemark.records import Bools, Floats
from spilemark_stages.trace.edgemodel import best_path

SAMPLES = np.arange(-8.0, 8.01, 0.5)
"""Places across the line, px, at which a profile is read."""
_SHIFTS = np.arange(-2.5, 2.51, 0.125)
_WIDTHS = (0.4, 0.8, 1.2, 1.6, 2.0, 2.4, 2.8, 3.2, 3.6, 4.0, 4.5, 5.0)
"""Widths that are tried, px; a line narrower than the first cannot be told from it by its place."""
_STIFFNESS = 2.0
_ALIKE_SAMPLES = 3.0
"""So many neighbouring samples, half a px apart and blurred over one, tell no more than one."""
_FLOOR_PX = 0.02
_NEIGHBOURS = 2
"""Profiles to each side that share a width."""


@dataclass(frozen=True, slots=True, eq=False)
class LinePlaces:
    """Fitted bars, one a mean profile."""

    place_px: Floats
    """(M,) middle of the bar."""
    sigma_px: Floats
    """(M,)"""
    depth: Floats
    """(M,) how far the bar lies below the mean of its two sides (light)."""
    width_px: Floats
    """(M,) width of the bar."""
    fitted: Floats
    """(M, S) the bars as fitted."""
    dip: Floats
    """(M, S) what the bar takes from its grounds, negative."""
    beside_px: Floats
    """(M,) how far off another dark line runs beside this one; 0 where none does."""


@lru_cache(maxsize=16)
def _bars(blur_px: float) -> tuple[Floats, Floats]:
    """For each width and shift: orthonormal bases (W, K, 4, S), and pseudo-inverses (W, K, 4, S)."""
    basis = _levels(_SHIFTS, np.array(_WIDTHS)[:, None], blur_px)
    q = np.linalg.qr(basis)[0]
    return np.asarray(np.swapaxes(q, -1, -2)), np.asarray(np.linalg.pinv(basis))


def _levels(place: Floats, width: Floats, blur_px: float) -> Floats:
    """What left ground, bar, right ground and an even slope add to a profile (..., S, 4)."""
    x = SAMPLES - place[..., None]
    half = 0.5 * width[..., None]
    into, out = ndtr((x + half) / blur_px), ndtr((x - half) / blur_px)
    return np.stack(np.broadcast_arrays(1.0 - into, into - out, out, x), axis=-1)


def line_places(means: Floats, known: Bools, blur_px: float, *, alone: bool = False) -> LinePlaces:
    """Fit a bar to each of a row of mean profiles.

    Parameters
    ----------
    means : (M, S)
        Light at ``SAMPLES`` across the line.
    known : (M,) bool
        Which of them saw enough to tell.
    blur_px : float
        The photo's blur, one sigma.
    alone : bool
        Each profile is of a line of its own.

    Notes
    -----
    A width is that of a few neighbours together, as one pencil drew them: alone,
    a thin line's width and darkness cannot be told apart.
    """
    bases, inverses = _bars(round(blur_px, 2))
    explained = (bases.reshape(-1, bases.shape[-1]) @ means.T).reshape(*bases.shape[:3], -1)
    left = (means**2).sum(axis=1) - (explained**2).sum(axis=2)
    left = np.maximum(left, 1e-12)
    use = known if known.any() else np.ones(len(means), dtype=bool)
    width = _width_of(left.min(axis=1), use, 0 if alone else _NEIGHBOURS)
    row = np.arange(len(means))
    miss = left[width, :, row]
    levels = np.einsum("mkcs,ms->mkc", inverses[width], means, optimize=True)
    depth = 0.5 * (levels[..., 0] + levels[..., 2]) - levels[..., 1]
    # A bar lighter than both grounds is no pencil's.
    miss = np.where(depth > 0, miss, miss.max(axis=1, keepdims=True))
    free = (len(SAMPLES) - 5) / _ALIKE_SAMPLES
    noise = np.maximum(miss.min(axis=1), 1e-12) / free
    if not alone:
        noise = np.maximum(noise, 0.25 * np.median(noise[use]))
    evidence = -0.5 * (miss - miss.min(axis=1, keepdims=True)) / (noise[:, None] * _ALIKE_SAMPLES)
    evidence[~known] = 0.0
    path = evidence.argmax(axis=1)
    if not alone:
        path = best_path(evidence, _SHIFTS[1] - _SHIFTS[0], _STIFFNESS, closed=False)
    place, sigma = _between(miss, path, noise * _ALIKE_SAMPLES)
    widths = np.array(_WIDTHS)[width]
    taken = levels[row, path]
    parts = _levels(place, widths, blur_px)
    fitted = np.asarray(np.einsum("msc,mc->ms", parts, taken))
    deep = depth[row, path]
    dip = -deep[:, None] * parts[..., 1]
    beside = _beside(means - fitted, place, widths, 0.5 * deep * np.minimum(widths, 2.0) / 2.0)
    return LinePlaces(place, sigma, deep, widths, fitted, dip, beside)


def _width_of(left: Floats, use: Bools, neighbours: int) -> NDArray[np.int64]:
    """Which of the widths (M,) explains each profile and its neighbours best; ``left`` is (W, M)."""
    log = np.where(use, np.log(left), 0.0)
    reach = min(neighbours, (log.shape[1] - 1) // 2)
    padded = np.pad(log, ((0, 0), (reach, reach)), mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1).sum(axis=-1)
    return np.asarray(near.argmin(axis=0))


def _beside(left: Floats, place: Floats, width: Floats, least: Floats) -> Floats:
    """Distance (M,) px of the deepest dip that the bar leaves unexplained; 0 where it is shallow."""
    x = SAMPLES[None, :] - place[:, None]
    clear = (np.abs(x) > 0.5 * width[:, None] + 1.0) & (np.abs(SAMPLES) < SAMPLES[-1] - 0.4)
    dark = np.where(clear, -left, -np.inf)
    at = dark.argmax(axis=1)
    row = np.arange(len(left))
    return np.where(dark[row, at] > least, np.abs(x[row, at]), 0.0)


def _between(miss: Floats, path: NDArray[np.int64], noise: Floats) -> tuple[Floats, Floats]:
    """Lowest point of a parabola through three trial places, and its doubt (M,)."""
    row = np.arange(len(miss))
    middle = np.clip(path, 1, miss.shape[1] - 2)
    low, here, high = (miss[row, middle + k] for k in (-1, 0, 1))
    step = _SHIFTS[1] - _SHIFTS[0]
    bend = np.maximum(low - 2 * here + high, 1e-12)
    shift = np.clip(0.5 * (low - high) / bend, -1.0, 1.0)
    # exp(-miss / (2 noise)) has the variance noise / (half the second derivative).
    sigma = np.sqrt(2.0 * noise / (bend / step**2))
    place = _SHIFTS[middle] + step * shift
    return place, np.clip(np.hypot(sigma, _FLOOR_PX), _FLOOR_PX, 1.0)
