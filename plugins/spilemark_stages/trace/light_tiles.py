"""The parts of a photo that are looked at closely, as light: worked out once, kept close together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Pixels
from spilemark_stages.light import linear_of

Float32 = NDArray[np.float32]

_TILE_PX = 64
_HELD_PX = _TILE_PX + 1
"""A point at a tile's rim lies between its pixels and its neighbours'."""
_ABREAST = 32
"""Tiles beside each other in the picture that holds them."""


class LightTiles:
    """Square tiles of a photo as linear light, one after the other in one picture.

    The search for an edge, its measuring and what is drawn beside it look at the
    same pixels over and over.
    """

    def __init__(self, pixels: Pixels) -> None:
        """``pixels`` (H, W, C) as stored."""
        self._pixels = pixels
        down, self._across = (-(-side // _TILE_PX) for side in pixels.shape[:2])
        self._count = 0
        self._shift = np.full((down * self._across, 2), np.nan, dtype=np.float32)
        """From stored pixels to those of ``image``, for each tile; NaN where it is not there yet."""
        rows = -(-len(self._shift) // _ABREAST)
        # Memory that is never written is never taken from the machine.
        shape = (rows * _HELD_PX, _ABREAST * _HELD_PX, pixels.shape[2])
        self.image: Float32 = np.empty(shape, dtype=np.float32)

    def places(self, points_px: Float32) -> Float32:
        """Where in ``image`` stored pixels (N, M, 2) lie; those beyond the frame at its rim."""
        height, width = self._pixels.shape[:2]
        points = np.fmax(points_px, np.float32(0.0))
        for k, last in enumerate((width - 1, height - 1)):
            np.minimum(points[..., k], np.float32(last), out=points[..., k])
        tile = points.astype(np.int32) // _TILE_PX
        which = tile[..., 1] * self._across + tile[..., 0]
        shift = self._shift.take(which, axis=0)
        missing = np.isnan(shift[..., 0])
        if missing.any():
            for one in np.unique(which[missing]):
                self._add(int(one))
            shift = self._shift.take(which, axis=0)
        points += shift
        return points

    def _add(self, which: int) -> None:
        row, column = divmod(which, self._across)
        y, x = row * _TILE_PX, column * _TILE_PX
        below, beside = (k * _HELD_PX for k in divmod(self._count, _ABREAST))
        part = self._pixels[y : y + _HELD_PX, x : x + _HELD_PX]
        high, wide = part.shape[:2]
        light = linear_of(part)
        if (high, wide) != (_HELD_PX, _HELD_PX):
            beyond = ((0, _HELD_PX - high), (0, _HELD_PX - wide), (0, 0))
            light = np.pad(light, beyond, mode="edge")
        self.image[below : below + _HELD_PX, beside : beside + _HELD_PX] = light
        self._shift[which] = beside - x, below - y
        self._count += 1
