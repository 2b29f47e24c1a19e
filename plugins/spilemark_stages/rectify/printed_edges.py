"""How far a card's black edges are seen from where its crossings put them.

A crossing stays put under blur, tone curve and spreading ink, by symmetry; the
straight edge between two crossings does not.  In linear light, through a lens
that blurs evenly, it would be seen half-way between black and white.  What is
left of a shift says that ink has spread, or that the camera's tones or its
sharpening are not what is undone (``spilemark.tone``).
"""

from __future__ import annotations

import cv2
import numpy as np

from spilemark.cards import Card
from spilemark.records import Floats, Pixels
from spilemark_stages.light import linear_luma_of
from spilemark_stages.rectify.observations import Indices

_FEWEST = 8
"""Edges of a card that are needed."""
_ENDS = 0.2
"""Share of an edge at either end that its crossing rounds off."""
_ROW_PX = 4.0
_STEP_PX = 0.5
_FARTHEST_PX = 7.0
_LEAST_SWING = 0.1
"""Of full light, between black and white."""
_LEVEL_SIGMAS = 2.0
"""So far from the next edge, in sigmas of the blur, black and white are told."""


def edge_shift_px(pixels: Pixels, card: Card, which: Indices, points_px: Floats) -> float | None:
    """How far towards the white the black edges of one card are seen, px.

    Parameters
    ----------
    pixels : (H, W) or (H, W, 3)
        The photo, stored.
    which : (N,)
        Indices of the crossings into ``card.crossings_mm()``.
    points_px : (N, 2)
        Where they were measured, stored px.

    Returns
    -------
    float or None
        None where the card is seen too small, too blurred or with too few edges.
    """
    start, stop, across = edges_between(card, which, points_px)
    if len(start) < _FEWEST:
        return None
    length = float(np.median(np.linalg.norm(stop - start, axis=1)))
    clear = length * (card.square_mm - card.marker_mm) / 2 / card.square_mm
    count = int(min(clear, _FARTHEST_PX) / _STEP_PX)
    samples = np.asarray(np.arange(-count, count + 1) * _STEP_PX, np.float64)
    rows = max(4, round((1 - 2 * _ENDS) * length / _ROW_PX))
    share = np.linspace(_ENDS, 1 - _ENDS, rows)
    along = start[:, None] + share[:, None] * (stop - start)[:, None]
    places = along[:, :, None] + samples[:, None] * across[:, None, None]
    return _half_way(_mean_light(pixels, places), samples, clear)


def edges_between(card: Card, which: Indices, points_px: Floats) -> tuple[Floats, Floats, Floats]:
    """Edges between neighbouring crossings: ends (E, 2) and (E, 2), unit normals to the white (E, 2)."""
    columns, rows = card.columns - 1, card.rows - 1
    every = np.full((rows * columns, 2), np.nan)
    every[which] = points_px
    at = every.reshape(rows, columns, 2)
    j, i = np.indices((rows, columns))
    # Of the squares that meet at a crossing, that to its upper left is black where i + j is even.
    even = np.where((i + j) % 2 == 0, 1.0, -1.0)
    right = at[:, 1:] - at[:, :-1]
    down = at[1:] - at[:-1]
    # Below an edge that runs right lies the white where above it is black: upper right of i, j.
    below = np.stack([-right[..., 1], right[..., 0]], axis=-1) * -even[:, :-1, None]
    beside = np.stack([down[..., 1], -down[..., 0]], axis=-1) * -even[:-1, :, None]
    start = np.concatenate([at[:, :-1].reshape(-1, 2), at[:-1].reshape(-1, 2)])
    stop = np.concatenate([at[:, 1:].reshape(-1, 2), at[1:].reshape(-1, 2)])
    across = np.concatenate([below.reshape(-1, 2), beside.reshape(-1, 2)])
    whole = np.isfinite(across).all(axis=1)
    across = across[whole] / np.linalg.norm(across[whole], axis=1, keepdims=True)
    return start[whole], stop[whole], across


def _mean_light(pixels: Pixels, places: Floats) -> Floats:
    """Linear brightness (E, S) across each edge, from places (E, R, S, 2), meaned along it."""
    height, width = pixels.shape[:2]
    ends = places[:, [0, -1]][:, :, [0, -1]].reshape(-1, 2).T
    low = np.clip(np.floor(ends.min(axis=1)).astype(int) - 1, 0, [width - 1, height - 1])
    high = np.ceil(ends.max(axis=1)).astype(int) + 2
    patch = linear_luma_of(pixels[low[1] : high[1], low[0] : high[0]])
    edges, rows, samples = places.shape[:3]
    local = (places - low).astype(np.float32).reshape(edges * rows, samples, 2)
    x, y = np.ascontiguousarray(local[..., 0]), np.ascontiguousarray(local[..., 1])
    light = cv2.remap(patch, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(light.reshape(edges, rows, samples).mean(axis=1), np.float64)


def _half_way(light: Floats, samples: Floats, clear: float) -> float | None:
    """Where the typical profile of (E, S) is half-way from black to white, px."""
    swing = light[:, -2:].mean(axis=1) - light[:, :2].mean(axis=1)
    told = swing > _LEAST_SWING
    if told.sum() < _FEWEST:
        return None
    off = light[told] - light[told, :2].mean(axis=1, keepdims=True)
    profile = np.median(off / swing[told, None], axis=0)
    steepest = float(np.gradient(profile, _STEP_PX).max())
    blur = 1.0 / (np.sqrt(2 * np.pi) * max(steepest, 1e-3))
    level = (np.abs(samples) >= _LEVEL_SIGMAS * blur) & (
        np.abs(samples) <= clear - _LEVEL_SIGMAS * blur
    )
    black, white = level & (samples < 0), level & (samples > 0)
    if not (black.any() and white.any()):
        return None
    half = 0.5 * (profile[black].mean() + profile[white].mean())
    rises = np.flatnonzero((profile[:-1] < half) & (profile[1:] >= half))
    if not len(rises):
        return None
    places = samples[rises] + _STEP_PX * (half - profile[rises]) / (
        profile[rises + 1] - profile[rises]
    )
    return float(places[np.argmin(np.abs(places))])
