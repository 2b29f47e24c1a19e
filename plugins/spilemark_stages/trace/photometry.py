"""Pixel values as light: the tone curve undone, only where it is looked at.

The curve is undone by ``spilemark.tone``; why, stands there.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats, Pixels
from spilemark_stages.light import LUMA_WEIGHTS, linear_of

Float32 = NDArray[np.float32]

_TILE_BITS = 5
_TILE = 1 << _TILE_BITS
_REMAP_ROWS = 16000


class LinearPhoto:
    """Linear light of one photo, worked out tile by tile on demand.

    A 12 megapixel photo has its outline on a few hundred tiles; the rest is
    never converted and its memory never touched.

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
        self._linear = np.zeros(self._pixels.shape, dtype=np.float32)
        rows, columns = -(-self.height_px // _TILE), -(-self.width_px // _TILE)
        self._ready = np.zeros((rows, columns), dtype=bool)

    def sample(self, points_px: Floats) -> Float32:
        """Linear values (N, M, C) at stored pixels (N, M, 2), between pixels bilinearly.

        Beyond the frame the border pixel is repeated; use :meth:`inside` to
        know.  The remapper rounds places to 1/32 px: random, under 0.01 px a
        sample, and averaged away along each profile.
        """
        self._prepare(points_px)
        maps = np.ascontiguousarray(points_px, dtype=np.float32)
        parts = [
            cv2.remap(
                self._linear,
                maps[a : a + _REMAP_ROWS, :, 0],
                maps[a : a + _REMAP_ROWS, :, 1],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            for a in range(0, len(maps), _REMAP_ROWS)
        ]
        if not parts:
            return np.zeros((0, points_px.shape[1], self.channels), dtype=np.float32)
        values = np.concatenate(parts)
        shaped = values.reshape(*points_px.shape[:2], self.channels)
        return np.asarray(shaped, dtype=np.float32)

    def resampled(self, x: Float32, y: Float32) -> Float32:
        """Coded brightness (h, w), 0..1, at stored pixels: for looking, not for measuring."""
        left, right = int(max(x.min() - 2, 0)), int(min(x.max() + 3, self.width_px))
        top, bottom = int(max(y.min() - 2, 0)), int(min(y.max() + 3, self.height_px))
        part: Any = np.ascontiguousarray(self._pixels[top:bottom, left:right])
        grey = part[..., 0] if self.channels == 1 else cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
        x, y = x - np.float32(left), y - np.float32(top)
        seen = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        full = np.float32(np.iinfo(part.dtype).max)
        return np.asarray(np.asarray(seen, np.float32) / full, dtype=np.float32)

    def inside(self, points_px: Floats, margin_px: float = 1.0) -> NDArray[np.bool_]:
        """Whether points (..., 2) lie in the frame, ``margin_px`` or more from its rim."""
        x, y = points_px[..., 0], points_px[..., 1]
        return np.asarray(
            (x >= margin_px)
            & (y >= margin_px)
            & (x <= self.width_px - 1 - margin_px)
            & (y <= self.height_px - 1 - margin_px)
        )

    def covered(self, points_px: Floats) -> NDArray[np.bool_]:
        """Whether a scale card lies at points (..., 2): neither pattern nor bench is seen there."""
        if self._covered is None:
            return np.zeros(points_px.shape[:-1], dtype=bool)
        small = np.round(to_small(points_px, self._factor)).astype(np.int64)
        x = np.clip(small[..., 0], 0, self._covered.shape[1] - 1)
        y = np.clip(small[..., 1], 0, self._covered.shape[0] - 1)
        return self._covered[y, x]

    def _prepare(self, points_px: Floats) -> None:
        flat = np.asarray(points_px, dtype=np.float32).reshape(-1, 2)
        wanted = np.zeros(self._ready.size, dtype=bool)
        # Each sample needs the pixel before and the pixel after it, both ways.
        first, last = self._tiles(np.floor(flat)), self._tiles(np.floor(flat) + 1)
        columns = self._ready.shape[1]
        wanted[first[1] * columns + first[0]] = True
        spread = np.flatnonzero((first[0] != last[0]) | (first[1] != last[1]))
        for row, column in ((last[1], first[0]), (first[1], last[0]), (last[1], last[0])):
            wanted[row[spread] * columns + column[spread]] = True
        missing = wanted.reshape(self._ready.shape) & ~self._ready
        steps = np.diff(np.pad(missing, ((0, 0), (1, 1))).astype(np.int8), axis=1)
        # Neighbours in a row are done in one go.
        for (row, left), right in zip(
            np.argwhere(steps > 0), np.argwhere(steps < 0)[:, 1], strict=True
        ):
            part = (
                slice(row * _TILE, (row + 1) * _TILE),
                slice(left * _TILE, right * _TILE),
            )
            self._linear[part] = linear_of(self._pixels[part])
        self._ready |= missing

    def _tiles(self, whole_px: Float32) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Column and row (N,) of the tiles that hold whole pixels (N, 2)."""
        x = np.clip(whole_px[:, 0], 0, self.width_px - 1).astype(np.int32) >> _TILE_BITS
        y = np.clip(whole_px[:, 1], 0, self.height_px - 1).astype(np.int32) >> _TILE_BITS
        return x, y


def luma(linear: Float32) -> Float32:
    """Relative luminance (...) of linear values (..., C)."""
    if linear.shape[-1] == 1:
        return linear[..., 0]
    return linear @ LUMA_WEIGHTS


def reduced(pixels: Pixels, factor: int) -> Pixels:
    """Picture (h, w, C), still coded, at 1/``factor`` size: means of whole blocks.

    Place of a small pixel: ``full = (small + 0.5) * factor - 0.5``.
    """
    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    whole = pixels[: height * factor, : width * factor]
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    coded = _as_stored(small, whole)
    return coded if coded.ndim == 3 else coded[:, :, None]


def to_small(points_px: Floats, factor: int) -> Floats:
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
