"""The edge to a few hundredths of a pixel, along pieces that are already well placed.

How far each profile is shifted against the mean profile of its stretch is a
linear fit, free of any model of the profile's form; where the edge is in the
mean profile is asked apart (``stretches``).  The fit allows each profile its
own face and bench, so grain does not pass for a shift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.corners import smooth_tangents
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.profiles import Placed, placed
from spilemark_stages.trace.rings import local_scatter, robust_fit
from spilemark_stages.trace.stretches import SAMPLES, Channel, Sheet, Stretches, find_stretches

SPACING_PX = 1.6
"""Distance of profiles along the edge."""
_REGISTER_PX = 4.5
"""Half-width of the part of a profile that is registered."""
_FARTHEST_PX = 2.5
"""A shift larger than this is another edge, a splinter or a card."""
_WOBBLE_PX = 0.4
"""One sigma of how far a sawn edge leaves its course of some centimetres: a tenth of a millimetre."""
_FLOOR_PX = 0.03
_NEAR_PX = 10.0
"""Half-width of the course against which scatter is told, along the edge."""


@dataclass(frozen=True, slots=True, eq=False)
class Offsets:
    """How far the edge lies outward of each base point."""

    line: Placed
    px: Floats
    """(N,) NaN where nothing could be told."""
    rounded: Floats
    """(N,) 0..1, see ``Stretches``."""
    stretch_sigma_px: Floats
    """(N,) doubt of the edge's place in the mean profile."""
    common_px: Floats
    """(N,) doubt that all of a faint side shares."""
    told: Bools
    """(N,) whether no other place beside it would be nearly as likely."""


def placed_piece(piece: Floats, plane: PlaneMap, sheet: Sheet, *, closed: bool) -> Placed:
    """A piece of edge (N, 2), wood on its left, as it lies in the photo."""
    t = smooth_tangents(piece, closed=closed)
    normals = np.stack([t[:, 1], -t[:, 0]], axis=-1)
    return placed(piece, normals, plane, sheet.thickness_mm)


def _shifts(channel: Channel, found: Stretches, between: _Between) -> Floats:
    """Shift (N,) of each profile against its stretch's mean, px."""
    slope = np.gradient(channel.mean, SAMPLES, axis=1)
    off = SAMPLES[None, :] - found.place_px[:, None]
    window = np.clip(1 - (off / _REGISTER_PX) ** 2, 0, None)
    ramp = np.clip(0.5 + off / 3.0, 0, 1)
    design = np.stack([-slope, np.ones_like(slope), ramp], axis=-1)
    weighted = design * window[..., None]
    normal = np.einsum("msi,msj->mij", weighted, design)
    normal += 1e-6 * np.eye(3)
    first = np.linalg.solve(normal, weighted.transpose(0, 2, 1))[:, 0]
    residual = channel.own - between.blend(channel.mean)
    return np.asarray(np.einsum("ns,ns->n", first[between.nearest], residual))


@dataclass(frozen=True, slots=True, eq=False)
class _Between:
    """Linear blending of stretches at each profile."""

    low: Floats
    high: Floats
    share: Floats

    @property
    def nearest(self) -> Floats:
        return np.where(self.share < 0.5, self.low, self.high)

    def blend(self, values: Floats) -> Floats:
        share = self.share.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray((1 - share) * values[self.low] + share * values[self.high])


def _between(count: int, stretches: int, stride: int, *, closed: bool) -> _Between:
    at = np.arange(count) / stride
    low = np.minimum(at.astype(np.int64), stretches - 1)
    high = (low + 1) % stretches if closed else np.minimum(low + 1, stretches - 1)
    return _Between(low, high, np.minimum(at - low, 1.0))


def _scatter(shift: Floats, usable: Bools, *, closed: bool) -> Floats:
    """Robust local scatter (N,) of shifts about their own smooth course."""
    fitted, _, weights = robust_fit(
        shift, usable, _NEAR_PX / SPACING_PX, closed=closed, floor=_FLOOR_PX, rounds=1
    )
    miss = np.where(np.isfinite(fitted) & (weights > 0), shift - fitted, 0.0)
    return np.maximum(
        local_scatter(miss, weights, 5 * _NEAR_PX / SPACING_PX, closed=closed), _FLOOR_PX
    )


def offsets(
    photo: LinearPhoto,
    plane: PlaneMap,
    piece: Floats,
    usable: Bools,
    sheet: Sheet,
    blur_px: float,
    *,
    closed: bool,
    faint: bool = False,
) -> Offsets:
    """Measure one smooth piece (N, 2) of edge, evenly spaced, wood on its left."""
    line = placed_piece(piece, plane, sheet, closed=closed)
    found = find_stretches(photo, line, usable, sheet, blur_px, closed=closed, faint=faint)
    between = _between(len(piece), len(found.place_px), found.stride, closed=closed)
    shift = _shifts(found.light, found, between)
    usable = found.usable & (np.abs(shift) < _FARTHEST_PX)
    weight = 1.0 / _scatter(shift, usable, closed=closed) ** 2
    total = weight
    if (found.hue.trust > 0.02).any():
        by_hue = _shifts(found.hue, found, between)
        hue_usable = found.usable & (np.abs(by_hue) < _FARTHEST_PX)
        hue_weight = 1.0 / _scatter(by_hue, hue_usable, closed=closed) ** 2
        hue_weight *= between.blend((found.hue.trust > 0.02).astype(np.float64)) * hue_usable
        light_weight = weight * usable
        total = np.maximum(light_weight + hue_weight, 1e-12)
        shift = (light_weight * shift + hue_weight * by_hue) / total
        usable = usable | hue_usable
    sigma = between.blend(found.sigma_px)
    if found.faint:
        # A single faint profile says less of its own shift than saws are wont to wobble.
        believed = 1.0 / (1.0 + 1.0 / (_WOBBLE_PX**2 * total))
        shift = believed * shift
        sigma = np.hypot(sigma, _WOBBLE_PX * np.sqrt(1.0 - believed))
    px = np.where(usable, between.blend(found.place_px) + shift, np.nan)
    return Offsets(
        line=line,
        px=px,
        rounded=between.blend(found.rounded),
        stretch_sigma_px=sigma,
        common_px=between.blend(found.common_px),
        told=found.told[between.nearest],
    )
