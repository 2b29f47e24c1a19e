"""The way along an edge, or along a drawn line, from place to place: the cheapest path through the picture.

What a pixel costs falls with how strong an edge it lies on, in brightness or in
colour: the largest eigenvalue of the structure tensor of all channels (Di
Zenzo, "A note on the gradient of a multi-image", Computer Vision, Graphics, and
Image Processing 33, 1986).  The path is Dijkstra's ("A note on two problems in
connexion with graphs", Numerische Mathematik 1, 1959).  It is good to a pixel
or two; what is handed on is measured along it afterwards.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import cv2
import numpy as np

from spilemark.records import Floats, Pixels
from spilemark_stages.trace.photometry import Float32, reduced, to_full, to_small
from spilemark_stages.trace.side_steps import SideSteps

_PIXEL_MM = 0.4
"""Size of the picture's pixels in which a path is sought ..."""
_MOST_PX = 700_000
"""... larger where so many would not do."""
_ASIDE_SHARE, _ASIDE_MM = 0.4, 25.0
"""How far the picture reaches beyond the places, as a share of how far they lie apart, and at least."""
_BLUR_PX = 1.2
_STRONG = 0.98
"""Quantile of strength that stands for a clear edge, beyond which none is better than another."""
_WIDE_MM = 1.5
_DEAREST = 30.0
"""What a pixel on no edge costs, in pixels on a clear one: how long a way round an edge may take."""
_ANY_EDGE = 0.15
"""What an edge counts that does not part face from bench."""
_RIDGE_MM = 0.6
"""Width of a drawn line."""


def edge_path(
    pixels: Pixels,
    places_px: Floats,
    mm_per_px: float,
    *,
    drawn: bool,
    sides: SideSteps | None = None,
) -> Floats:
    """The way (N, 2) along the strongest edge through places, stored px.

    Parameters
    ----------
    pixels : (H, W[, C])
        As stored.
    places_px : (M, 2)
        Stored px, in order; the first and the last are its ends.
    mm_per_px : float
        About the scale there.
    drawn : bool
        Whether a dark line is followed rather than an edge.
    sides : SideSteps, optional
        Where face gives way to bench: a pencil line or a shadow's border is no such place.
    """
    # Takes a while to load, and only a correction needs it.
    from skimage import graph

    span = np.ptp(places_px, axis=0)
    aside = max(_ASIDE_MM / mm_per_px, _ASIDE_SHARE * float(np.linalg.norm(span)))
    size = np.array([pixels.shape[1], pixels.shape[0]])
    low = np.clip(np.floor(places_px.min(axis=0) - aside), 0, size - 2).astype(int)
    high = np.clip(np.ceil(places_px.max(axis=0) + aside) + 1, low + 2, size).astype(int)
    area = float(np.prod(high - low))
    factor = int(np.clip(round(_PIXEL_MM / mm_per_px), 1, None))
    factor = max(factor, int(np.ceil(np.sqrt(area / _MOST_PX))))
    high = np.maximum(high, low + factor)
    small = reduced(pixels[low[1] : high[1], low[0] : high[0]], factor)
    pixel_mm = factor * mm_per_px
    if drawn:
        told = _of_strongest(_ridge(small, _RIDGE_MM / pixel_mm))
    else:
        # Seen from farther off, both sides of a pencil line are one, and those of an edge are not.
        wide = _of_strongest(_edge(small, max(_WIDE_MM / pixel_mm, 2 * _BLUR_PX)))
        told = np.sqrt(_of_strongest(_edge(small, _BLUR_PX)) * wide)
    if sides is not None and not drawn:
        y, x = np.mgrid[0 : told.shape[0], 0 : told.shape[1]].astype(np.float64)
        part = np.minimum(sides.at(to_full(np.stack([x, y], axis=-1), factor) + low), 1.0)
        told = told * (_ANY_EDGE + (1.0 - _ANY_EDGE) * part).astype(np.float32)
    cost = 1.0 / (1.0 / _DEAREST + told)
    knots = np.round(to_small(places_px - low, factor)).astype(int)
    knots = np.clip(knots, 0, np.array(told.shape[::-1]) - 1)
    way: list[Floats] = []
    cheapest: Any = graph.route_through_array
    for start, stop in pairwise(knots):
        path, _ = cheapest(cost, start[::-1], stop[::-1], geometric=True)
        way.append(np.array(path, dtype=np.float64)[:, ::-1][(1 if way else 0) :])
    return np.asarray(to_full(np.concatenate(way), factor) + low)


def _of_strongest(strength: Float32) -> Float32:
    """Strengths as shares of what stands for a clear one, 1 at most."""
    scale = max(float(np.quantile(strength, _STRONG)), 1e-6)
    return np.asarray(np.minimum(strength / np.float32(scale), 1.0), dtype=np.float32)


def _edge(picture: Pixels, blur_px: float) -> Float32:
    """Strength (h, w) of the steepest change of all channels."""
    values = cv2.GaussianBlur(_levels(picture), (0, 0), blur_px)
    values = values if values.ndim == 3 else values[:, :, None]
    dx = np.stack([cv2.Scharr(values[..., k], cv2.CV_32F, 1, 0) for k in range(values.shape[2])], 2)
    dy = np.stack([cv2.Scharr(values[..., k], cv2.CV_32F, 0, 1) for k in range(values.shape[2])], 2)
    xx, yy, xy = (dx * dx).sum(2), (dy * dy).sum(2), (dx * dy).sum(2)
    return np.asarray(np.sqrt(0.5 * (xx + yy + np.sqrt((xx - yy) ** 2 + 4 * xy**2))), np.float32)


def _ridge(picture: Pixels, width_px: float) -> Float32:
    """Strength (h, w) of the darkest bar of about a width: the largest second derivative."""
    grey = _levels(picture).mean(axis=2)
    sigma = max(0.5 * width_px, 0.8)
    values = cv2.GaussianBlur(grey, (0, 0), sigma)
    xx = cv2.Sobel(values, cv2.CV_32F, 2, 0)
    yy = cv2.Sobel(values, cv2.CV_32F, 0, 2)
    xy = cv2.Sobel(values, cv2.CV_32F, 1, 1)
    most = 0.5 * (xx + yy + np.sqrt((xx - yy) ** 2 + 4 * xy**2))
    return np.asarray(np.maximum(most, 0.0), dtype=np.float32)


def _levels(picture: Pixels) -> Float32:
    """Coded values (h, w, C), 0..1: as an eye sees steps."""
    return np.asarray(picture / np.float32(np.iinfo(picture.dtype).max), dtype=np.float32)
