"""From coded pixel values back to light.

A blurred edge has its half-way point at the true place in linear light only;
in coded values it moves towards the dark side by a tenth to half a pixel.
Phones code with something close to the sRGB curve (IEC 61966-2-1); what is left
of their own tone curve is a shared cause ("edge place"), not a random error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Pixels

_REC709 = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def _curve(levels: int) -> NDArray[np.float32]:
    """Linear light 0..1 for each of ``levels`` coded values."""
    coded = np.linspace(0.0, 1.0, levels)
    low = coded / 12.92
    high = ((coded + 0.055) / 1.055) ** 2.4
    return np.where(coded <= 0.04045, low, high).astype(np.float32)


_CURVE_8 = _curve(256)


def to_linear(coded: Pixels) -> NDArray[np.float32]:
    """Coded sRGB values of any shape to linear light, 0..1."""
    if coded.dtype == np.uint16:
        return _curve(65536)[coded]
    return _CURVE_8[coded]


def linear_luma(coded: Pixels) -> NDArray[np.float32]:
    """Linear luminance (H, W), 0..1, of a patch (H, W) or (H, W, 3), ITU-R BT.709 weights."""
    light = to_linear(coded)
    if light.ndim == 2:
        return light
    return np.asarray(light @ _REC709)
