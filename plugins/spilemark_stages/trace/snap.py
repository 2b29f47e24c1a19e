"""From a ring found at reduced size to one that follows the edge to a fraction of a millimetre."""

from __future__ import annotations

import numpy as np

from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, PlaneMap
from spilemark_stages.trace.bridges import bridge
from spilemark_stages.trace.edgemodel import best_path, grid, place_of
from spilemark_stages.trace.faint import BESIDE_PX, FAINT, FAINT_SHARE, LEAST_TRUST, faint_evidence
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.profiles import (
    edge_evidence,
    placed,
    profiles,
    reading,
    stacked,
)
from spilemark_stages.trace.rings import blurred_ring, bridged, resample, right_normals, robust_fit

_SEARCH_PX = 8.0
_REACH_PX = 22.0
_STIFFNESS = 6.0
"""Cost of a jump of one px from one stretch to the next: the samples of a profile are far from
independent, so their evidence is overstated."""
_FINEST_MM = 0.7
"""Spacing of the ring at most, but never below half a px: a photo that was shrunk shows corners no less."""
_PACE_PX = 1.0
"""Distance of the places that are tried: the next stage needs no better than half of it."""
_ASIDE_PX = 6.0
"""Room beyond the places that are tried, on which the face is learnt."""
_COARSE_BLUR_PX = 1.2
"""Blur of a mean of profiles that are not yet aligned."""


def snapped(
    photo: LinearPhoto, plane: PlaneMap, ring_px: Floats, coarse_px: float, thickness_mm: float
) -> tuple[Floats, bool, bool]:
    """A closed ring in mm on the edge near a coarse ring, evenly spaced, about 2 px a step.

    Beside it: whether brightness tells face from bench badly; and whether the ring is
    still rough, because it does or because it was found in large steps.

    Parameters
    ----------
    ring_px : (N, 2)
        Stored pixels; wood on the left in the plane frame.
    coarse_px : float
        Size in stored pixels of the picture in which the ring was found.
    """
    mm = pixels_to_plane(ring_px, plane)
    scale = mean_scale(ring_px, plane)
    ring = resample(mm, coarse_px * scale, closed=True)
    ring = blurred_ring(ring, 1.0)
    # A ring found in larger steps may be that much farther off.
    first = max(_SEARCH_PX, 2.0 * coarse_px)
    faint = is_faint(photo, plane, resample(ring, 4 * scale, closed=True), first)
    rough = faint or first > _SEARCH_PX
    # Rough rings are moved on in longer, fairer pieces than these.
    searches = {first, _SEARCH_PX} if rough else {_SEARCH_PX, 0.5 * _SEARCH_PX}
    every = 4
    for search in sorted(searches, reverse=True):
        ring = resample(ring, every * scale, closed=True)
        ring = _moved(photo, plane, ring, thickness_mm, search, every, faint=faint)
    return resample(ring, max(min(2 * scale, _FINEST_MM), 0.5 * scale), closed=True), faint, rough


def is_faint(photo: LinearPhoto, plane: PlaneMap, ring: Floats, search: float) -> bool:
    """Whether brightness tells face from bench badly along much of a ring with a point every 4 px."""
    samples = np.arange(-search - BESIDE_PX, search + BESIDE_PX + 1.0, 2.0)
    line = placed(ring, right_normals(ring, closed=True), plane, 0.0)
    values, inside = profiles(photo, line, samples)
    means, weight = stacked(values, inside, 4, 4, closed=True)
    how = reading(means, samples <= -search, samples >= search)
    trust = how.light_trust[weight > 0.5]
    return bool(len(trust)) and float((trust < 1.0 - FAINT).mean()) > FAINT_SHARE


def mean_scale(ring_px: Floats, plane: PlaneMap) -> float:
    """Mean scale of a ring (N, 2) of stored pixels on the face, mm per px."""
    mm = pixels_to_plane(ring_px, plane)
    px_step = np.linalg.norm(np.diff(ring_px, axis=0), axis=1).sum()
    mm_step = np.linalg.norm(np.diff(mm, axis=0), axis=1).sum()
    return float(mm_step / max(px_step, 1e-9))


def _moved(
    photo: LinearPhoto,
    plane: PlaneMap,
    ring: Floats,
    thickness_mm: float,
    search: float,
    every: int,
    *,
    faint: bool,
) -> Floats:
    """One pass: each stretch of about 12 px moved to its likeliest place, neighbours agreeing.

    ``every`` is the spacing of the ring, px: 4, or a part of it.
    """
    aside = BESIDE_PX if faint else _ASIDE_PX
    beyond = search + aside if faint else max(_REACH_PX, search + aside)
    where = grid(search + aside, beyond, 1.0, search, _PACE_PX)
    line = placed(ring, right_normals(ring, closed=True), plane, thickness_mm)
    values, inside = profiles(photo, line, np.array(where.samples))
    stride = 4 // every
    means, weight = stacked(values, inside, 2 * stride, stride, closed=True)
    samples = np.array(where.samples)
    how = reading(means, samples <= -search - 2.0, samples >= search + 4.0)
    least = LEAST_TRUST if faint else 0.0
    evidence = edge_evidence(how, line.wall_px[::stride], where, _COARSE_BLUR_PX, least)
    if faint:
        dim = 1.0 - how.light_trust
        evidence += dim[:, None] * faint_evidence(
            photo,
            line,
            inside,
            where,
            _COARSE_BLUR_PX,
            2 * stride,
            stride,
            closed=True,
            sampled=(values, inside),
        )
    evidence[weight < 0.5] = 0.0
    path = best_path(evidence, _PACE_PX, _STIFFNESS, closed=True)
    place, _ = place_of(evidence, path, where.shifts, 1.0)
    place[weight < 0.5] = np.nan
    usable = np.isfinite(place)
    fitted, _, _ = robust_fit(place, usable, 3, closed=True, floor=0.2)
    at = np.arange(len(ring)) / stride
    offsets = np.interp(at, np.arange(len(place)), bridged(fitted, closed=True), period=len(place))
    moved = ring + line.normals_mm * (offsets * line.mm_per_px)[:, None]
    # Under a card the coarse ring is a guess in steps: corners must not be found in it.
    spacing = float(np.median(np.linalg.norm(np.diff(moved, axis=0), axis=1)))
    return bridge(moved, np.repeat(usable, stride)[: len(moved)], spacing, closed=True)
