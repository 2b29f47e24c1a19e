"""Sub-pixel places of chessboard crossings.

A crossing is a saddle of brightness: blur, tone curve and printing gain act on
it with point symmetry, so it stays put where an edge would move.  Refined on
linear light with OpenCV's ``cornerSubPix`` in a window that ends before the
nearest coded square begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from spilemark.records import Bools, Floats, Pixels
from spilemark_stages.light import linear_luma_of

_SMALLEST_WINDOW = 2
_LARGEST_WINDOW = 12
_PROFILE_PX = 4.0
"""Half-length of the profile by which blur is told."""
_WIDE_PX, _WIDEST_PX = 1.5, 2.8
"""From the first on its ends cut off some of an edge's swing; beyond the second, most of it."""
_FARTHEST_MOVE = 0.8
"""A refined crossing that left its window by this share of it found something else."""


@dataclass(frozen=True, slots=True)
class Crossings:
    """Refined crossings of one card in one photo."""

    points_px: Floats
    """(N, 2) stored px; the guess where ``good`` is False."""
    good: Bools
    """(N,)"""
    contrast: Floats
    """(N,) linear light between the white and black quarters, 0..1."""
    blur_px: Floats
    """(N,) sigma of the blur that the edges next to the crossing show."""


def refine_crossings(
    pixels: Pixels, guess_px: Floats, step_px: Floats, gap_share: float
) -> Crossings:
    """Refine guessed crossings of one card.

    Parameters
    ----------
    pixels : (H, W) or (H, W, 3)
        The photo, stored.
    guess_px : (N, 2)
    step_px : (N, 2, 2)
        Pixel vectors of one chessboard square to the right and one down, at each crossing.
    gap_share : float
        Gap between a square's edge and the coded square in it, as a share of the square.
    """
    height, width = pixels.shape[:2]
    count = len(guess_px)
    points = np.array(guess_px, dtype=np.float64)
    good = np.zeros(count, dtype=bool)
    contrast, blur = np.zeros(count), np.full(count, np.nan)
    windows = _windows(step_px, gap_share)
    reach = float(np.abs(step_px).sum(axis=1).max()) * 0.5 + 2 * _LARGEST_WINDOW if count else 0.0
    inside = (
        (points > _LARGEST_WINDOW + 2).all(axis=1)
        & (points[:, 0] < width - _LARGEST_WINDOW - 3)
        & (points[:, 1] < height - _LARGEST_WINDOW - 3)
    )
    if not inside.any():
        return Crossings(points, good, contrast, blur)
    low = np.maximum(np.floor(points[inside].min(0) - reach), 0).astype(int)
    high = np.ceil(points[inside].max(0) + reach).astype(int) + 1
    patch = linear_luma_of(pixels[low[1] : high[1], low[0] : high[0]])
    for window in np.unique(windows[inside]):
        these = np.flatnonzero(inside & (windows == window))
        local = (points[these] - low).astype(np.float32).reshape(-1, 1, 2).copy()
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
        cv2.cornerSubPix(patch, local, (int(window), int(window)), (-1, -1), stop)
        moved = local.reshape(-1, 2).astype(np.float64) + low
        stayed = np.abs(moved - points[these]).max(axis=1) < max(1.5, _FARTHEST_MOVE * window)
        good[these] = stayed
        points[these[stayed]] = moved[stayed]
    if good.any():
        contrast[good], blur[good] = _quality(patch, points[good] - low, step_px[good], gap_share)
        good &= contrast > 0.25 * np.median(contrast[good])
    return Crossings(points, good, contrast, blur)


def _windows(step_px: Floats, gap_share: float) -> NDArray[np.int_]:
    """Half windows (N,) that end before the nearest coded square's corner."""
    # The corner of the nearest coded square lies gap right and gap down (or left).
    corners = np.stack([step_px.sum(axis=1), step_px[:, 0] - step_px[:, 1]], axis=1) * gap_share
    nearest = np.abs(corners).max(axis=2).min(axis=1)
    whole = np.clip(np.floor(nearest - 0.5), _SMALLEST_WINDOW, _LARGEST_WINDOW)
    return np.asarray(whole.astype(np.int_))


def _quality(
    patch: NDArray[np.float32], at: Floats, step: Floats, gap_share: float
) -> tuple[Floats, Floats]:
    """Contrast (negative where this is no saddle) and blur (px) at crossings (N, 2), each (N,)."""
    reach = min(0.8 * gap_share, 0.2)
    quarters = np.array([[1, 1], [-1, -1], [1, -1], [-1, 1]]) * reach
    q = _sample(patch, at[:, None] + quarters @ step)
    uneven = np.maximum(np.abs(q[:, 0] - q[:, 1]), np.abs(q[:, 2] - q[:, 3]))
    contrast = np.abs(q[:, :2].mean(axis=1) - q[:, 2:].mean(axis=1)) - uneven
    # Across the edge a fifth of a square away: contrast / slope gives the blur.
    edge = at + step[:, 0] * 0.22
    across = step[:, 1] / np.maximum(np.linalg.norm(step[:, 1], axis=1), 1e-9)[:, None]
    offsets = np.arange(-_PROFILE_PX, _PROFILE_PX + 0.01, 0.5)
    profile = _sample(patch, edge[:, None] + offsets[:, None] * across[:, None])
    slope = np.abs(np.gradient(profile, 0.5, axis=1)).max(axis=1)
    swing = np.ptp(profile, axis=1)
    blur = np.where(slope > 0, swing / (np.sqrt(2 * np.pi) * np.maximum(slope, 1e-12)), np.nan)
    return np.asarray(contrast), _beyond_profile(np.asarray(blur))


def _beyond_profile(blur: Floats) -> Floats:
    """Blur (N,) px of wide edges, of whose swing the profile's ends cut off a part."""
    wide = blur > _WIDE_PX
    if not wide.any():
        return blur
    seen = np.minimum(blur[wide], _WIDEST_PX)
    sigma = seen.copy()
    for _ in range(20):
        sigma = seen / erf(_PROFILE_PX / (np.sqrt(2) * sigma))
    out = blur.copy()
    out[wide] = sigma
    return out


def _sample(patch: NDArray[np.float32], points: Floats) -> Floats:
    """Bilinear values (N, M) at points (N, M, 2) of a patch."""
    p = np.asarray(points, dtype=np.float32)
    x, y = np.ascontiguousarray(p[..., 0]), np.ascontiguousarray(p[..., 1])
    values = cv2.remap(patch, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, np.float64)
