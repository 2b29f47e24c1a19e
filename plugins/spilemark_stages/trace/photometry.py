"""Pixel values as light: the tone curve undone, only where it is looked at.

The curve is undone by ``spilemark.tone``; why, stands there.
"""

from __future__ import annotations

from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats, Photo, Pixels
from spilemark_stages.light import LUMA_WEIGHTS
from spilemark_stages.trace.light_tiles import LightTiles

Float32 = NDArray[np.float32]
_Real = TypeVar("_Real", np.float32, np.float64)

_ROWS = 2000
"""Profiles that are read in one go: few enough to stay in the processor's cache."""


_LOOK_LONG_SIDE_PX = 1008
"""About 1.2 mm a pixel for a pattern that fills the frame: fine enough for notches and holes."""

_NO_MAP: Any = None
"""Places in one map need no second one."""


class LinearPhoto:
    """Linear light of one photo, worked out where it is looked at.

    A 12 megapixel photo has its outline on a hundredth of its pixels; the rest
    is never converted.

    Parameters
    ----------
    covered : (h, w) bool
        At 1/``factor`` size: where scale cards lie.
    """

    def __init__(
        self, pixels: Pixels, covered: NDArray[np.bool_] | None = None, factor: int = 1
    ) -> None:
        self._pixels = pixels if pixels.ndim == 3 else pixels[:, :, None]
        self._covered = covered
        self._factor = factor
        self.height_px, self.width_px, self.channels = self._pixels.shape
        self._light = LightTiles(self._pixels)

    def sample(self, points_px: Floats | Float32) -> Float32:
        """Linear values (N, M, C) at stored pixels (N, M, 2), between pixels bilinearly.

        Beyond the frame the border pixel is repeated; use :meth:`inside` to know.
        """
        maps = np.asarray(points_px, dtype=np.float32)
        parts = [self._bilinear(maps[a : a + _ROWS]) for a in range(0, len(maps), _ROWS)]
        if not parts:
            return np.zeros((0, points_px.shape[1], self.channels), dtype=np.float32)
        return np.concatenate(parts)

    def _bilinear(self, points_px: Float32) -> Float32:
        """Between the four pixels about each point, as light.

        Light is interpolated, not code: half-way between two pixels of an edge
        their codes' mean is darker than their light's.
        """
        maps = self._light.places(points_px)
        seen = cv2.remap(self._light.image, maps, _NO_MAP, cv2.INTER_LINEAR)
        return np.asarray(seen, dtype=np.float32).reshape(*maps.shape[:2], self.channels)

    def resampled(self, x: Float32, y: Float32) -> Float32:
        """Coded brightness (h, w), 0..1, at stored pixels: for looking, not for measuring."""
        left, right = int(max(x.min() - 2, 0)), int(min(x.max() + 3, self.width_px))
        top, bottom = int(max(y.min() - 2, 0)), int(min(y.max() + 3, self.height_px))
        part: Any = self._pixels[top:bottom, left:right]
        grey = part[..., 0] if self.channels == 1 else cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
        x, y = x - np.float32(left), y - np.float32(top)
        seen = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        full = np.float32(np.iinfo(part.dtype).max)
        return np.asarray(np.asarray(seen, np.float32) / full, dtype=np.float32)

    def inside(self, points_px: Floats | Float32, margin_px: float = 1.0) -> NDArray[np.bool_]:
        """Whether points (..., 2) lie in the frame, ``margin_px`` or more from its rim."""
        x, y = points_px[..., 0], points_px[..., 1]
        return np.asarray(
            (x >= margin_px)
            & (y >= margin_px)
            & (x <= self.width_px - 1 - margin_px)
            & (y <= self.height_px - 1 - margin_px)
        )

    def covered(self, points_px: Floats | Float32) -> NDArray[np.bool_]:
        """Whether a scale card lies at points (..., 2): neither pattern nor bench is seen there."""
        if self._covered is None:
            return np.zeros(points_px.shape[:-1], dtype=bool)
        height, width = self._covered.shape
        # The nearest pixel of ``to_small``.
        small = (np.asarray(points_px, dtype=np.float32) + np.float32(0.5)) / self._factor
        x = np.clip(small[..., 0], 0, width - 1).astype(np.intp)
        y = np.clip(small[..., 1], 0, height - 1).astype(np.intp)
        return np.asarray(self._covered.ravel().take(y * width + x))


def luma(linear: NDArray[_Real]) -> NDArray[_Real]:
    """Relative luminance (...) of linear values (..., C)."""
    if linear.shape[-1] == 1:
        return linear[..., 0]
    return linear @ LUMA_WEIGHTS


def look_factor(photo: Photo) -> int:
    """By how much a photo is reduced to look at it as a whole."""
    return max(1, round(max(photo.width_px, photo.height_px) / _LOOK_LONG_SIDE_PX))


def reduced(pixels: Pixels, factor: int) -> Pixels:
    """Picture (h, w, C), still coded, at 1/``factor`` size: means of whole blocks.

    Place of a small pixel: ``full = (small + 0.5) * factor - 0.5``.
    """
    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    whole = pixels[: height * factor, : width * factor]
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    coded = _as_stored(small, whole)
    return coded if coded.ndim == 3 else coded[:, :, None]


def to_small(points_px: Floats | Float32, factor: int) -> Floats:
    """Stored pixels to pixels of the reduced picture."""
    return (np.asarray(points_px, dtype=np.float64) + 0.5) / factor - 0.5


def to_full(points_px: Floats, factor: int) -> Floats:
    """Pixels of the reduced picture to stored pixels."""
    return (np.asarray(points_px, dtype=np.float64) + 0.5) * factor - 0.5


def _as_stored(small: Any, whole: Pixels) -> Pixels:
    """The reduced picture in the number type of the whole one."""
    if whole.dtype == np.uint16:
        return np.asarray(small, dtype=np.uint16)
    return np.asarray(small, dtype=np.uint8)
