"""A hole that is round but for a short stretch: whether the edge is not rather on the circle there."""

from __future__ import annotations

import numpy as np

from spilemark.circles import FittedCircle, fit_circle
from spilemark.lens import plane_to_pixels
from spilemark.records import Bools, Floats
from spilemark_stages.trace.traced_ring import RingTracer, TracedRing

_OFF_MM, _OFF_SIGMAS = 0.4, 3.5
"""A point lies off its circle from here on."""
_MOST_OFF = 0.3
"""Share of a ring off its circle from which on it is another shape."""
_SIDE_MM = (0.7, 2.5)
"""Beside an edge, what lies on its side: clear of its blur and its broken arris."""
_SAMPLES = 7


def round_again(tracer: RingTracer, hole: TracedRing, mm_per_px: float) -> TracedRing:
    """A hole followed along its circle, where a short stretch of it had left that and need not.

    The shade at the foot of a hole's wall can have the colour of the face: then a
    search that begins at the face's colour goes astray into the wood.  Most holes
    are bored.  What decides is the photo: what lies between ring and circle
    is wood where it differs less from what lies beyond the ring than from what
    lies within the circle; a keyway stays.

    Parameters
    ----------
    tracer : RingTracer
        Of the photo in which the hole was traced.
    hole : TracedRing
        Wood on its left: clockwise.
    mm_per_px : float
        Size of a pixel there.
    """
    circle = fit_circle(hole.points_mm)
    off = _off(hole.points_mm, circle)
    if not off.any() or off.mean() > _MOST_OFF:
        return hole
    if _edge_on_ring(tracer, hole.points_mm[off], circle):
        return hole
    again = tracer.follow(_clockwise(circle, len(hole.points_mm)), mm_per_px)
    good = np.isfinite(again.points_mm).all() and not _off(again.points_mm, circle).any()
    return again if good else hole


def _edge_on_ring(tracer: RingTracer, points: Floats, circle: FittedCircle) -> bool:
    """Whether the photo changes more across points (N, 2) than across the circle beside them."""
    arm = points - circle.centre_mm
    reach = np.linalg.norm(arm, axis=1)
    way = arm / reach[:, None]
    low, high = np.minimum(reach, circle.radius_mm), np.maximum(reach, circle.radius_mm)
    margin = np.minimum(_SIDE_MM[0], (high - low) / 3)
    within = _look(tracer, circle, way, low - _SIDE_MM[1], low - _SIDE_MM[0])
    between = _look(tracer, circle, way, low + margin, high - margin)
    beyond = _look(tracer, circle, way, high + _SIDE_MM[0], high + _SIDE_MM[1])
    at_low, at_high = np.linalg.norm(between - within), np.linalg.norm(beyond - between)
    outward = reach.mean() > circle.radius_mm
    return bool(at_high >= at_low if outward else at_low >= at_high)


def _look(
    tracer: RingTracer, circle: FittedCircle, way: Floats, start: Floats, stop: Floats
) -> Floats:
    """Mean look (C,) of rays (N, 2) from the centre, between two distances (N,), as an eye grades light."""
    reach = start[:, None] + (stop - start)[:, None] * np.linspace(0.0, 1.0, _SAMPLES)
    places = circle.centre_mm + reach[..., None] * way[:, None]
    pixels = plane_to_pixels(places.reshape(-1, 2), tracer.plane).reshape(places.shape)
    return np.asarray(np.cbrt(tracer.photo.sample(pixels)).mean(axis=(0, 1)), dtype=np.float64)


def _off(points: Floats, circle: FittedCircle) -> Bools:
    away = np.abs(np.linalg.norm(points - circle.centre_mm, axis=1) - circle.radius_mm)
    return np.asarray(away > max(_OFF_MM, _OFF_SIGMAS * circle.scatter_mm))


def _clockwise(circle: FittedCircle, count: int) -> Floats:
    turn = -2 * np.pi * np.arange(count) / count
    return np.asarray(
        circle.centre_mm + circle.radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    )
