"""Which coded square a quadrangle shows.

Reading is done here, for all quadrangles at once: OpenCV's own reader compares
each one with each code of a dictionary in turn, which for a thousand codes took
nine tenths of the time of finding cards.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Bools, Floats

_PER_CELL = 4
_CELL_MIDDLE = 0.4
"""Share of a cell's width that is looked at: blur brings the neighbours in from both sides."""
_MOST_BORDER_WRONG = 0.35
"""Share of the dark border that may look light: a blade of grass, glare."""
_LEAST_SPREAD = 5.0
"""Grey levels (standard deviation over the cells) below which there is nothing to read."""


@lru_cache(maxsize=8)
def _codes(dictionary: str) -> tuple[NDArray[np.float32], int, int]:
    """Codes (4 * codes, cells) as +1 and -1, turned by quarter turns; cells a side; bits it can mend."""
    book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    side = int(book.markerSize)
    bits = np.array(
        [cv2.aruco.Dictionary.getBitsFromByteList(row[None], side) for row in book.bytesList],
        dtype=np.float32,
    )
    turned = np.stack([np.rot90(bits, k, axes=(1, 2)) for k in range(4)], axis=1)
    return 2 * turned.reshape(-1, side * side) - 1, side, int(book.maxCorrectionBits)


def without_codes(dictionary: str) -> cv2.aruco.Dictionary:
    """A dictionary that nothing matches: the detector then only hands out quadrangles."""
    book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    side = int(book.markerSize)
    board = (np.indices((side, side)).sum(axis=0) % 2).astype(np.uint8)
    return cv2.aruco.Dictionary(cv2.aruco.Dictionary.getByteListFromBits(board), side, 0)


def read_codes(
    grey: NDArray[np.uint8], quads_px: Floats, dictionary: str, wanted: frozenset[int]
) -> list[tuple[int, Floats]]:
    """Id and corners (4, 2), clockwise from the code's own top left, of each quadrangle that reads.

    Parameters
    ----------
    grey : (H, W)
    quads_px : (N, 4, 2)
        Corners clockwise in the photo, from any one on.
    wanted : frozenset of int
        Ids of the cards in use; any other code is a misreading.
    """
    if not len(quads_px):
        return []
    codes, side, mendable = _codes(dictionary)
    cells = _cells(grey, quads_px, side + 2)
    light, plain = _light_cells(cells.reshape(len(cells), -1))
    table = light.reshape(-1, side + 2, side + 2)
    inner = table[:, 1:-1, 1:-1]
    border = table.sum(axis=(1, 2)) - inner.sum(axis=(1, 2))
    framed = border <= _MOST_BORDER_WRONG * side * side
    here = np.repeat(np.isin(np.arange(len(codes) // 4), list(wanted)), 4)
    sign = 2 * inner.reshape(len(inner), -1).astype(np.float32) - 1
    wrong = np.where(here, 0.5 * (side * side - sign @ codes.T), np.inf)
    best = wrong.argmin(axis=1)
    fits = plain & framed & (wrong[np.arange(len(best)), best] <= mendable + 0.01)
    # A quadrangle that shows the code turned by k quarters begins k corners late.
    return [
        (int(best[n] // 4), np.roll(quads_px[n], -_start(best[n] % 4), axis=0))
        for n in np.flatnonzero(fits)
    ]


def _start(quarters: int) -> int:
    """Which corner of a quadrangle is the code's top left when it shows the code turned left."""
    return (4 - int(quarters)) % 4


def _cells(grey: NDArray[np.uint8], quads_px: Floats, across: int) -> Floats:
    """Mean grey (N, across, across) of the middles of each quadrangle's cells."""
    inset = (np.arange(_PER_CELL) + 0.5) / _PER_CELL * _CELL_MIDDLE + (1 - _CELL_MIDDLE) / 2
    at = ((np.arange(across)[:, None] + inset) / across).ravel()
    u, v = np.meshgrid(at, at)
    flat = np.stack([u.ravel(), v.ravel(), np.ones(u.size)])
    lifted = _square_to(quads_px) @ flat
    places = (lifted[:, :2] / lifted[:, 2:]).astype(np.float32)
    # Rows of a picture of quadrangles; the remapper takes up to 32767 of them.
    values = [
        cv2.remap(grey, part[:, 0], part[:, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in np.array_split(places, len(places) // 8000 + 1)
    ]
    fine = np.concatenate(values).astype(np.float64)
    table = fine.reshape(len(quads_px), across, _PER_CELL, across, _PER_CELL)
    return np.asarray(table.mean(axis=(2, 4)))


def _square_to(quads: Floats) -> Floats:
    """Homographies (N, 3, 3) from the unit square to quadrangles (N, 4, 2).

    Heckbert, "Fundamentals of Texture Mapping and Image Warping", 1989, section 2.2.3.
    """
    a, b, c, d = (quads[:, k] for k in range(4))
    total = a - b + c - d
    one, two = b - c, d - c
    det = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    g = (total[:, 0] * two[:, 1] - total[:, 1] * two[:, 0]) / det
    h = (one[:, 0] * total[:, 1] - one[:, 1] * total[:, 0]) / det
    out = np.empty((len(quads), 3, 3))
    out[:, :2, 0] = b - a + g[:, None] * b
    out[:, :2, 1] = d - a + h[:, None] * d
    out[:, :2, 2] = a
    out[:, 2] = np.stack([g, h, np.ones(len(quads))], axis=-1)
    return out


def _light_cells(cells: Floats) -> tuple[Bools, Bools]:
    """Which cells (N, K) are light, each quadrangle by its own threshold; (N,) where there is one.

    The threshold that parts the cells best: Otsu, IEEE Trans. SMC 9(1), 1979.
    """
    ordered = np.sort(cells, axis=1)
    count = np.arange(1, ordered.shape[1])
    below = np.cumsum(ordered, axis=1)
    total = below[:, -1:]
    dark = below[:, :-1] / count
    light = (total - below[:, :-1]) / count[::-1]
    between = count * count[::-1] * (light - dark) ** 2
    split = between.argmax(axis=1)
    rows = np.arange(len(cells))
    level = 0.5 * (ordered[rows, split] + ordered[rows, split + 1])
    return cells > level[:, None], np.asarray(cells.std(axis=1) >= _LEAST_SPREAD)
