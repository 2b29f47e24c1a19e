"""What the bench looks like, so that what lies on it can be told from it.

Everything here is in *reflectance relative to the bench*: log light minus a
smooth fit of the bench's own log light, so that lamps, their fall-off and
vignetting drop out.  The bench is learnt from the frame's border, which a
photographer leaves free, and from whatever agrees with it further in.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Bools, Floats, Pixels
from spilemark_stages.light import LUMA_WEIGHTS, linear_of
from spilemark_stages.trace.photometry import Float32

DARK_FLOOR = 0.004
"""Linear light added before logarithms: sensor and coding noise of the darkest cloth."""

SPREAD_FLOOR = np.array([0.06, 0.025, 0.025])
"""Smallest believed spread of a bench (log luma, two log chroma ratios)."""

_FAR = 3.5
"""Robust standard deviations within which a pixel is taken as bench while fitting."""

_ENOUGH = 4000
"""Pixels by which the light is fitted."""

_TONES = np.linspace(-6.0, 1.0, 71)
"""Bins of log light, a tenth wide ..."""
_TONE_REACH = 0.25
"""... and how far one tone reaches."""

_COARSE = 6
"""The light is smooth: it is fitted and kept on every sixth small pixel."""


@dataclass(frozen=True, slots=True, eq=False)
class Relative:
    """A reduced picture as reflectance relative to its bench."""

    values: Float32
    """(h, w, 3): log luma, log red/green, log blue/green, less the bench's."""
    spread: Floats
    """(3,) robust spread of the bench itself."""
    bench: Bools
    """(h, w) pixels that agree with the bench."""


def log_features(coded: Pixels) -> Float32:
    """(h, w, C) coded pixels to (h, w, 3): log light, log red/green, log blue/green."""
    linear = linear_of(coded)
    if linear.shape[-1] == 1:
        out = np.zeros((*linear.shape[:2], 3), dtype=np.float32)
        out[..., 0] = cv2.log(linear[..., 0] + DARK_FLOOR)
        return out
    out = np.asarray(cv2.transform(_log_of(coded), _AGAINST_GREEN), dtype=np.float32)
    luma = cv2.transform(linear, LUMA_WEIGHTS[None, :])
    out[..., 0] = cv2.log(luma + np.float32(DARK_FLOOR))
    return out


_LOG_8 = np.log(linear_of(np.arange(256, dtype=np.uint8)[:, None]).ravel() + DARK_FLOOR)
_AGAINST_GREEN = np.array([[0, 0, 0], [1, -1, 0], [0, -1, 1]], dtype=np.float32)
"""Nothing yet, red less green, blue less green."""


def _log_of(coded: Pixels) -> Float32:
    """Log of linear light of every channel (h, w, C)."""
    if coded.dtype == np.uint8:
        return np.asarray(cv2.LUT(coded, _LOG_8), dtype=np.float32)
    return np.asarray(cv2.log(linear_of(coded) + np.float32(DARK_FLOOR)), dtype=np.float32)


def _powers(x: Floats, y: Floats, order: int) -> Floats:
    """Monomials of degree up to ``order`` of scaled places (N,) as (N, terms)."""
    across, down = [np.ones_like(x)], [np.ones_like(y)]
    for _ in range(order):
        across.append(across[-1] * x)
        down.append(down[-1] * y)
    terms = [across[i] * down[j] for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack(terms, axis=-1)


def _robust_surface(basis: Floats, values: Floats, rounds: int = 6) -> tuple[Floats, Floats]:
    """Least absolute deviations by reweighting: coefficients (terms, 3), spread (3,)."""
    weights = np.ones(len(values))
    coefficients = np.zeros((basis.shape[1], values.shape[1]))
    spread = np.ones(values.shape[1])
    ridge = 1e-6 * len(values) * np.eye(basis.shape[1])
    for _ in range(rounds):
        weighted = basis * weights[:, None]
        solved = np.linalg.solve(weighted.T @ basis + ridge, weighted.T @ values)
        coefficients = np.asarray(solved, dtype=np.float64)
        residual = np.abs(values - basis @ coefficients)
        spread = np.maximum(1.4826 * np.median(residual, axis=0), SPREAD_FLOOR)
        weights = 1.0 / np.maximum(np.linalg.norm(residual / spread, axis=1), 0.3)
    return coefficients, spread


def _grid(height: int, width: int) -> tuple[Floats, Floats]:
    """Places of pixels scaled to about -1..1 along the longer side."""
    half = max(height, width) / 2
    y, x = np.mgrid[0:height, 0:width]
    return (x - (width - 1) / 2) / half, (y - (height - 1) / 2) / half


def _border(shape: tuple[int, ...]) -> Bools:
    """The frame's border band."""
    band = max(2, round(0.03 * max(shape)))
    mask = np.ones(shape[:2], dtype=bool)
    mask[band:-band, band:-band] = False
    return mask


def _local_mean(values: Float32, mask: Bools, sigma: float) -> Float32:
    """Mean of masked values around each pixel, fading to zero where there are none."""
    stacked = np.dstack([values * mask[..., None], mask]).astype(np.float32)
    blurred = cv2.GaussianBlur(stacked, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    return np.asarray(blurred[..., :3] / (blurred[..., 3:] + 0.02))


def agrees(residual: NDArray[np.floating], spread: Floats) -> Bools:
    """Which pixels (..., 3) agree with the bench in all three features."""
    limit = (_FAR * spread).astype(np.float32)
    return np.asarray(
        (np.abs(residual[..., 0]) < limit[0])
        & (np.abs(residual[..., 1]) < limit[1])
        & (np.abs(residual[..., 2]) < limit[2])
    )


def _bench_light(features: Float32, unknown: Bools) -> tuple[Float32, Floats]:
    """The bench's own log features (h, w, 3) at coarse size, and its spread (3,)."""
    x, y = _grid(*unknown.shape)
    take = _border(unknown.shape) & ~unknown
    surface, spread = np.zeros_like(features), SPREAD_FLOOR
    for order in (2, 2, 3):
        rows, columns = np.nonzero(take)
        if len(rows) < 50:
            break
        every = 1 + len(rows) // _ENOUGH
        rows, columns = rows[::every], columns[::every]
        basis = _powers(x[rows, columns], y[rows, columns], order)
        coefficients, spread = _robust_surface(basis, features[rows, columns].astype(np.float64))
        whole = _powers(x.ravel(), y.ravel(), order)
        surface = (whole @ coefficients).reshape(features.shape).astype(np.float32)
        take = agrees(features - surface, spread) & ~unknown
    mean = _local_mean(features - surface, take, 0.05 * max(unknown.shape))
    return surface + mean, spread


def _even_light(features: Float32, unknown: Bools) -> tuple[Floats, Floats]:
    """What a scanner's lid looks like (3,), and its spread (3,): the commonest tone along the border.

    A scanner lights every place alike, so that a pattern that runs out of the
    scan is no part of the light, as it would be to a fit.
    """
    rim = features[_border(unknown.shape) & ~unknown].astype(np.float64)
    if len(rim) < 50:
        rim = features[~unknown].astype(np.float64)
    count, edges = np.histogram(rim[:, 0], bins=_TONES)
    # A lid's tone may fall on a bin's edge.
    crowd = np.convolve(count, np.ones(3), mode="same")
    middle = edges[int(crowd.argmax())] + 0.5 * (edges[1] - edges[0])
    near = rim[np.abs(rim[:, 0] - middle) < _TONE_REACH]
    tone = np.median(near, axis=0)
    spread = 1.4826 * np.median(np.abs(near - tone), axis=0)
    return tone, np.maximum(spread, SPREAD_FLOOR)


def relative_to_bench(features: Float32, unknown: Bools, *, even_light: bool = False) -> Relative:
    """Fit the bench's light and take it away.

    Parameters
    ----------
    features : (h, w, 3)
        From :func:`log_features`.
    unknown : (h, w) bool
        Pixels that are neither bench nor pattern for sure (the scale cards).
    even_light : bool
        Of a flatbed: the bench is its lid, lit alike everywhere.
    """
    if even_light:
        tone, spread = _even_light(features, unknown)
        values = features - tone.astype(np.float32)
        return Relative(values=values, spread=spread, bench=agrees(values, spread) & ~unknown)
    height, width = unknown.shape
    size = (max(8, width // _COARSE), max(8, height // _COARSE))
    coarse = cv2.resize(features, size, interpolation=cv2.INTER_NEAREST)
    hidden = cv2.resize(unknown.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    light, spread = _bench_light(np.asarray(coarse, dtype=np.float32), hidden)
    values = features - cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR)
    return Relative(values=values, spread=spread, bench=agrees(values, spread) & ~unknown)
