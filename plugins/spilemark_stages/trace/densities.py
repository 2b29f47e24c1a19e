"""How likely a pixel is bench, shadow on the bench, or a pattern's face.

Histograms of reflectance relative to the bench stand for the three, so that a
bench of two colours or a face with knots needs no model of its own.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats
from spilemark_stages.trace.photometry import Float32

_RANGE = np.array([4.0, 0.8, 1.2], dtype=np.float32)
"""Half-width of the histogram in log luma, log red/green, log blue/green."""
_BINS = np.array([80, 32, 40])
_STEP = (2 * _RANGE / _BINS).astype(np.float32)
_VOLUME = float(np.prod(2 * _RANGE))

DEEPEST_SHADOW = 2.3
"""Log luma: skylight alone under a low hard lamp leaves about a tenth of the light."""

_SHADOW_TINT = 0.08
"""Log chroma by which a shadow, lit by the sky or by another lamp, may differ."""

STRAY_SHARE = 0.02
"""Share of a surface's pixels that may look like anything: stains, glue, handwriting."""


def bin_of(values: Float32) -> NDArray[np.int32]:
    """Flat histogram bin (...) of features (..., 3)."""
    flat = np.zeros(values.shape[:-1], dtype=np.int32)
    for k in range(3):
        along = (values[..., k] + _RANGE[k]) * (1 / _STEP[k])
        flat *= np.int32(_BINS[k])
        flat += np.clip(along, 0, _BINS[k] - 1, out=along).astype(np.int32)
    return flat


def log_density(bins: NDArray[np.int32]) -> Float32:
    """Log probability density (bins,) of a surface from the bins (N,) of samples of it."""
    counts = np.bincount(bins, minlength=int(_BINS.prod())).astype(np.float32)
    cube = counts.reshape(_BINS)
    kernel = np.array([0.06, 0.24, 0.4, 0.24, 0.06], dtype=np.float32)
    for axis in range(3):
        lines = np.ascontiguousarray(np.moveaxis(cube, axis, 0)).reshape(_BINS[axis], -1)
        smooth = cv2.filter2D(lines, -1, kernel[:, None], borderType=cv2.BORDER_CONSTANT)
        lines = np.asarray(smooth, dtype=np.float32)
        others = [int(_BINS[k]) for k in range(3) if k != axis]
        cube = np.moveaxis(lines.reshape(int(_BINS[axis]), *others), 0, axis)
    share = cube.ravel() / max(1.0, float(counts.sum()))
    density = (1 - STRAY_SHARE) * share / float(np.prod(_STEP)) + STRAY_SHARE / _VOLUME
    return np.asarray(np.log(density), dtype=np.float32)


def shadow_log_density(spread: Floats) -> Float32:
    """Log density (bins,) of bench in shadow: darker by any amount, of the bench's own hue."""
    axes = [(np.arange(_BINS[k]) + 0.5) * _STEP[k] - _RANGE[k] for k in range(3)]
    tint = np.hypot(spread[1:], _SHADOW_TINT)
    hue = [
        np.exp(-0.5 * (axes[k] / tint[k - 1]) ** 2) / (tint[k - 1] * np.sqrt(2 * np.pi))
        for k in (1, 2)
    ]
    depth = ((axes[0] < -spread[0]) & (axes[0] > -DEEPEST_SHADOW)) / (DEEPEST_SHADOW - spread[0])
    cube = depth[:, None, None] * hue[0][:, None] * hue[1]
    return np.asarray(np.log(cube.ravel() + STRAY_SHARE / _VOLUME), dtype=np.float32)


def shadow_like(values: Float32, spread: Floats) -> NDArray[np.bool_]:
    """Which pixels (..., 3) may be bench in shadow: darker, of its hue."""
    tint = 3.0 * np.hypot(spread[1:], _SHADOW_TINT)
    least, most = [-1.5 * DEEPEST_SHADOW, *-tint], [-spread[0], *tint]
    return np.asarray(cv2.inRange(values, np.array(least), np.array(most))) > 0


STRAY_LOG_DENSITY = float(-np.log(_VOLUME))
"""Log density of something that is none of the surfaces: it may look like anything."""
