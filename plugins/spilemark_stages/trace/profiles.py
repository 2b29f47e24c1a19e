"""Profiles across an edge, their means along it, and the two ways of reading their colour."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from spilemark.lens import plane_to_pixels
from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.edgemodel import FINDING, Grid, log_evidence
from spilemark_stages.trace.hue import hue_evidence, hue_scale
from spilemark_stages.trace.photometry import Float32, LinearPhoto, luma


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Points of a line on the face as they lie in the photo."""

    points_mm: Floats
    """(N, 2)"""
    normals_mm: Floats
    """(N, 2) outward"""
    at_px: Floats
    """(N, 2)"""
    across_px: Floats
    """(N, 2) unit normals of the edge in the photo, outward."""
    mm_per_px: Floats
    """(N,) along the normal."""
    wall_px: Floats
    """(N,) visible width of the cut wall, outward; negative where it is hidden."""


def placed(points: Floats, normals: Floats, plane: PlaneMap, thickness_mm: float) -> Placed:
    """Carry points and normals of a line on the face into the photo.

    The normal in the photo is at right angles to the edge *in the photo*: blur
    does not know that the plane is tilted.
    """
    reach = 0.25
    along = np.stack([-normals[:, 1], normals[:, 0]], axis=-1)
    around = np.stack([0.0 * along, reach * along, -reach * along, reach * normals])
    at, ahead, behind, beyond = plane_to_pixels((points + around).reshape(-1, 2), plane).reshape(
        4, -1, 2
    )
    outward = beyond - at
    direction = ahead - behind
    across = np.stack([-direction[:, 1], direction[:, 0]], axis=-1)
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    rise = np.einsum("ni,ni->n", across, outward)
    across *= np.where(rise < 0, -1.0, 1.0)[:, None]
    foot = plane_to_pixels(points, plane, plane.height_mm - thickness_mm) - at
    return Placed(
        points_mm=points,
        normals_mm=normals,
        at_px=at,
        across_px=across,
        mm_per_px=reach / np.maximum(np.abs(rise), 1e-9),
        wall_px=np.einsum("ni,ni->n", across, foot),
    )


_CLEAR_PX = 3.0
"""A card nearer than this to the edge hides it."""


def profiles(photo: LinearPhoto, line: Placed, samples: Floats) -> tuple[Float32, Bools]:
    """Linear values (N, S, C) along the normals, and (N,) whether the edge itself can be seen.

    Where a scale card lies beside the edge, the last value before it stands
    for what is under it.
    """
    s = np.asarray(samples, dtype=np.float64)
    places = np.empty((len(line.at_px), len(s), 2), dtype=np.float32)
    for k in (0, 1):
        places[..., k] = line.at_px[:, k, None] + np.multiply.outer(line.across_px[:, k], s)
    values = photo.sample(places)
    # A straight profile leaves the frame at an end, if at all.
    usable = photo.inside(places[:, [0, -1]]).all(axis=1)
    covered = photo.covered(places)
    touched = covered.any(axis=1)
    if touched.any():
        usable &= ~covered[:, np.abs(s) <= _CLEAR_PX].any(axis=1)
        rows = np.nonzero(touched)[0]
        values[rows] = _behind_cards(values[rows], covered[rows], s)
    return values, np.asarray(usable)


def _behind_cards(values: Float32, covered: Bools, samples: Floats) -> Float32:
    """Profiles with covered ends replaced by their last values that are seen."""
    index = np.arange(len(samples))
    middle = int(np.argmin(np.abs(samples)))
    before = np.where(covered & (index <= middle), index + 1, 0).max(axis=1)
    after = np.where(covered & (index >= middle), index - 1, len(samples) - 1).min(axis=1)
    low = np.minimum(before, middle)
    high = np.maximum(after, middle)
    picked = np.clip(index[None, :], low[:, None], high[:, None])
    return np.take_along_axis(values, picked[..., None], axis=1)


def stacked(
    values: Float32, usable: Bools, reach: int, stride: int, *, closed: bool
) -> tuple[Floats, Floats]:
    """Triangular means of profiles along the line, every ``stride`` of them.

    Returns
    -------
    means : (M, S, C)
    weight : (M,)
        Share of the window that was usable, 0..1.
    """
    n, samples, channels = values.shape
    kernel = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0)
    kernel /= kernel.sum()
    flat = values.reshape(n, -1) * usable[:, None]
    both = np.concatenate([flat, usable[:, None]], axis=1).astype(np.float32)
    if closed:
        both = np.concatenate([both[-reach:], both, both[:reach]])
    else:
        both = np.pad(both, ((reach, reach), (0, 0)))
    mean = cv2.filter2D(both, -1, kernel[:, None].astype(np.float32))[reach : reach + n : stride]
    weight = mean[:, -1].astype(np.float64)
    scaled = mean[:, :-1] / np.maximum(weight, 1e-6)[:, None]
    return scaled.reshape(-1, samples, channels).astype(np.float64), weight


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Mean profiles read as brightness and as share of the face's colour."""

    light: Floats
    """(M, S) coded brightness: face 0, whole range about 1."""
    light_trust: Floats
    """(M,) 0..1, how far noise lets it be believed."""
    hue: Floats
    """(M, S) face 0, bench 1 in whatever light."""
    hue_trust: Floats


def coded(linear: Floats) -> Floats:
    """SRGB code (0..1) of linear light: noise and grain are about even in it."""
    low = np.maximum(linear, 0.0)
    return np.where(low <= 0.0031308, low * 12.92, 1.055 * low ** (1 / 2.4) - 0.055)


def luma_code(linear: Floats | Float32) -> Floats:
    """Code (...) of the luminance of linear values (..., C)."""
    return coded(luma(np.asarray(linear, dtype=np.float64)))


def reading(means: Floats, first: Bools, last: Bools) -> Reading:
    """Read mean profiles (M, S, C).

    ``first`` and ``last`` (S,) are the samples that are face for sure, and
    those that are bench.
    """
    channels = means.shape[-1]
    light = luma_code(means)
    light = light - np.median(light[:, first], axis=1)[:, None]
    span = np.maximum(np.quantile(np.abs(light), 0.9, axis=1), 0.01)[:, None]
    light = light / span
    noise = np.std(light[:, first], axis=1)
    if channels == 1:
        hue, hue_trust = np.zeros_like(light), np.zeros(len(light))
    else:
        scale = hue_scale(means, first, last)
        hue, hue_trust = scale.read(means), scale.trust
    return Reading(
        light=light,
        light_trust=np.minimum(1.0, (0.04 / np.maximum(noise, 1e-6)) ** 2),
        hue=hue,
        hue_trust=hue_trust,
    )


def edge_evidence(
    how: Reading, walls: Floats, where: Grid, blur_px: float, least_trust: float = 0.0
) -> Floats:
    """Log evidence (M, shifts) of each place of the edge, from brightness and hue together.

    Brightness that is trusted less than ``least_trust`` is not asked at all.
    """
    out = how.hue_trust[:, None] * hue_evidence(how.hue, walls, where)
    ask = how.light_trust >= least_trust
    light = log_evidence(how.light[ask], walls[ask], where, blur_px, FINDING)
    out[ask] += how.light_trust[ask, None] * light
    return np.asarray(out)
