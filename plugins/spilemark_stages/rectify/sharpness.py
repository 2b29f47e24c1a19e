"""How wide the clearest edges of a photo are: sharp, blurred, or nothing to judge by."""

from __future__ import annotations

from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats

_LOOK_PX, _AGAIN_PX = 1.0, 2.0
"""Smoothing at the first look, and what is added to it for the second."""
_STEP_SHARE = 0.2
"""Only edges as high as this share of the photo's contrast are judged, however much detail there is."""
_FAINTEST = 1.0
_FEWEST, _FEW_SHARE = 100, 0.15
"""A direction with fewer edge pixels, also beside the richest one, tells nothing: shadows are soft."""
_SHARP_PX, _BLURRED_PX = 1.7, 2.2
"""Below the first the cards of a usual photo can be read; above the second they no longer can."""
_BAND_PX, _MARGIN_PX = 512, 16
_BACK = ((0, 1), (1, 1), (1, 0), (1, -1))
"""One pixel (rows, columns) along each of four directions."""


def judge(grey: NDArray[np.uint8]) -> Literal["sharp", "blurred", "unknown"]:
    """Judge by the direction whose edges are softest: a moved phone blurs one way only."""
    width = edge_width_px(grey)
    if not np.isfinite(width) or _SHARP_PX < width <= _BLURRED_PX:
        return "unknown"
    return "sharp" if width <= _SHARP_PX else "blurred"


def edge_width_px(grey: NDArray[np.uint8]) -> float:
    """Blur (one sigma, px) of the sharper edges in the softest direction; NaN without edges.

    The width of a step is told by how much its slope loses when the photo is
    blurred once more, whatever the height of the step: Zhuo and Sim, "Defocus
    map estimation from a single image", Pattern Recognition 44 (2011).
    """
    some = grey[::8, ::8]
    contrast = float(np.percentile(some, 99) - np.percentile(some, 1))
    found: list[list[Floats]] = [[] for _ in _BACK]
    for top in range(0, grey.shape[0], _BAND_PX):
        low = max(0, top - _MARGIN_PX)
        band = grey[low : top + _BAND_PX + _MARGIN_PX]
        inner = slice(top - low, min(top - low + _BAND_PX, len(band)))
        for widths, more in zip(found, _widths(band, inner, contrast), strict=True):
            widths.append(more)
    widths = [np.concatenate(w) for w in found]
    enough = max(_FEWEST, _FEW_SHARE * max(len(w) for w in widths))
    return max((float(np.percentile(w, 25)) for w in widths if len(w) >= enough), default=np.nan)


def _widths(band: NDArray[np.uint8], inner: slice, contrast: float) -> list[Floats]:
    """Blur, px, at the crest of every high step, by direction."""
    first = cv2.GaussianBlur(band.astype(np.float32), (0, 0), _LOOK_PX)
    again = cv2.GaussianBlur(first, (0, 0), _AGAIN_PX)
    (x, y), (x2, y2) = _slopes(first), _slopes(again)
    slope = np.maximum(np.hypot(x, y), 1e-6)
    lost = slope**2 / np.maximum(x * x2 + y * y2, 1e-6)
    variance = _AGAIN_PX**2 / np.maximum(lost**2 - 1.0, 1e-3)
    high = slope * np.sqrt(2 * np.pi * variance) > _STEP_SHARE * contrast
    high &= slope > _FAINTEST
    high[:, :_MARGIN_PX] = high[:, -_MARGIN_PX:] = False
    high[: inner.start] = high[inner.stop :] = False
    way = np.round(np.arctan2(y, x) % np.pi / (np.pi / 4)).astype(int) % 4
    found = []
    for k, step in enumerate(_BACK):
        ahead, behind = (np.roll(slope, s, (0, 1)) for s in (step, (-step[0], -step[1])))
        crest = high & (way == k) & (slope >= ahead) & (slope >= behind)
        found.append(np.sqrt(np.maximum(variance[crest] - _LOOK_PX**2, 0.0)).astype(np.float64))
    return found


def _slopes(image: NDArray[Any]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    x = cv2.Sobel(image, cv2.CV_32F, 1, 0, scale=1 / 8)
    y = cv2.Sobel(image, cv2.CV_32F, 0, 1, scale=1 / 8)
    return np.asarray(x, np.float32), np.asarray(y, np.float32)
