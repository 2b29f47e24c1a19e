"""Light mirrored in a card: black squares that are not black."""

from __future__ import annotations

import numpy as np

from spilemark.cards import Card
from spilemark.records import Bools, Floats, Pixels
from spilemark_stages.light import linear_luma_of
from spilemark_stages.rectify.detect import apply_homography

_VEILED = 0.25
"""Light on a black square, as a share of the step to white, from which on it is not that of toner."""
_GREY = 0.4
"""As a share of white: no toner is so light, also where all of the card is washed out."""
_DARKEST = 0.25
"""Share of black squares by which toner is told."""
_WITHIN = 0.2
"""Share of a square from its middle at which it is asked."""


def veiled_squares(pixels: Pixels, card: Card, to_photo: Floats) -> tuple[Bools, float]:
    """Which squares of a card are black, but look washed out; and how light its toner is.

    Parameters
    ----------
    pixels : (H, W) or (H, W, 3)
        The photo, stored.
    to_photo : (3, 3)
        From board millimetres to pixels.

    Returns
    -------
    veiled : (rows, columns) bool
    toner : float
        Light on its darkest squares as a share of the white; nan where it cannot be seen.
    """
    black = (np.add.outer(np.arange(card.rows), np.arange(card.columns)) % 2) == 0
    rows, columns = np.nonzero(black)
    side = card.square_mm
    middles = (np.stack([columns, rows], axis=-1) + 0.5) * side
    around = _WITHIN * side * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
    # White shows between a coded square and its neighbours.
    white_rows, white_columns = np.nonzero(~black)
    gap = 0.25 * (side - card.marker_mm)
    rim = (np.stack([white_columns, white_rows], axis=-1) + 0.5) * side
    edge = (0.5 * side - gap) * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
    light = _light(pixels, to_photo, [middles[:, None] + around, rim[:, None] + edge])
    veiled = np.zeros(black.shape, dtype=bool)
    if light is None:
        return veiled, float("nan")
    dark, bright = light[0].mean(axis=1), light[1].mean(axis=1)
    toner = float(np.nanquantile(dark, _DARKEST))
    white = float(np.nanmedian(bright))
    step = white - toner
    veiled[rows, columns] = (dark - toner > _VEILED * max(step, 1e-3)) | (dark > _GREY * white)
    return veiled, toner / max(white, 1e-6)


def beside(veiled: Bools) -> Bools:
    """Crossings (M,), row by row, that touch one of those squares."""
    touched = veiled[1:, 1:] | veiled[:-1, 1:] | veiled[1:, :-1] | veiled[:-1, :-1]
    return np.asarray(touched.ravel())


def _light(pixels: Pixels, to_photo: Floats, places: list[Floats]) -> list[Floats] | None:
    """Linear light at groups of board places (N, M, 2), NaN outside of the photo."""
    flat = [apply_homography(to_photo, p.reshape(-1, 2)) for p in places]
    every = np.concatenate(flat)
    height, width = pixels.shape[:2]
    low = np.clip(np.floor(every.min(axis=0)), 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(every.max(axis=0)), low, [width - 1, height - 1]).astype(int)
    patch = linear_luma_of(pixels[low[1] : high[1] + 1, low[0] : high[0] + 1])
    out = []
    for points, group in zip(flat, places, strict=True):
        inside = ((points >= low) & (points <= high)).all(axis=1)
        x, y = (np.rint(np.clip(points, low, high)) - low).astype(int).T
        values = np.where(inside, patch[y, x], np.nan)
        out.append(np.asarray(values, np.float64).reshape(group.shape[:2]))
    return out if all(np.isfinite(values).any() for values in out) else None
