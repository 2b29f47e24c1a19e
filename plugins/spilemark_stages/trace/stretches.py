"""Where the edge is in the mean profile of a stretch of some centimetres.

This decides the bias.  A mean of a hundred aligned profiles has next to no
noise; what is left to decide is which part of it is face, broken arris, cut
wall, shadow and bench (``edgemodel``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.light import LUMA_WEIGHTS
from spilemark_stages.trace.edgemodel import (
    MEASURING,
    Grid,
    best_path,
    grid,
    log_evidence,
    place_of,
)
from spilemark_stages.trace.faint import FAINT, FAINT_SHARE, faint_evidence
from spilemark_stages.trace.fair_places import FairPlaces, fair_places, off_arc
from spilemark_stages.trace.hue import hue_evidence, hue_scale, step_middle
from spilemark_stages.trace.photometry import Float32, LinearPhoto
from spilemark_stages.trace.profiles import Placed, profiles, stacked
from spilemark_stages.trace.rings import lengths_along

WHERE = grid(8.0, 12.0, 0.5, 2.6, 0.2)
FAINT_WHERE = Grid(WHERE.samples, grid(8.0, 12.0, 0.5, 5.0, 0.25).shifts)
"""Farther where an edge is told by hue, which is smoothed over some px."""
SAMPLES = np.array(WHERE.samples)
_FACE = SAMPLES <= -4.0
_BENCH = SAMPLES >= 8.0
_STRETCH_MM = 12.0
"""Half-width of the triangular window of a mean profile."""
_STIFFNESS = 4.0
_REACH_PX = 1.5
_DARK = 0.6
"""A face so much darker than its bench is stained, or a dark veneer: its wall may well be lighter ..."""
_SHADED = 0.3
"""... but where it is turned away from the lamp, as the bench's shade beside it tells."""
_BY_HUE_PX = 0.9
"""Doubt of a place that smoothed colour and ended grain tell: half the width of that smoothing."""
_OFF_FAIR_PX = 2.0
"""One sigma of how far a faint edge is believed to run off the line that was laid through it."""
_TWICE = 0.5
"""Each profile takes part in two stretches: their evidence counts for half."""
_GRAIN = 0.02
"""Unevenness of a mean face, as a share of the profile's range, from which on brightness is believed
less than its noise would allow: neighbouring samples of grain are one."""
_HUE_STEP_PX = 0.2
"""Doubt of that step: colour is stored at half size."""
_LIGHTER = 0.4
"""Log ratio of bench to face from which on the bench is the lighter of the two for sure."""
_ALIKE = 0.35
"""Log ratio of two sides' light up to which their hues part where their surfaces part."""
_UNLIKE = 1.5
"""The same from which on smoothing of colour makes hue misplace the edge by a px and more."""
_ELSEWHERE_MM = 0.6
"""Nearer than this another place is not another line."""
BLURS_PX = (0.6, 0.75, 0.9, 1.1, 1.35, 1.7, 2.2, 2.8)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is cut."""

    thickness_mm: float

    @property
    def arris_mm(self) -> float:
        """Width of the broken edge: about a tenth of a millimetre on ply, none on card."""
        return min(0.1, 0.05 * self.thickness_mm)

    @property
    def arris_bias_mm(self) -> float:
        """How far inside of the cut a broken edge is seen.

        Its brightness runs from the face's to the wall's, which is the darker,
        so the face seems to end about the middle of the round.
        """
        return 0.5 * self.arris_mm


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """All profiles of a piece read one way, beside their means."""

    own: Floats
    """(N, S)"""
    mean: Floats
    """(M, S)"""
    trust: Floats
    """(M,) 0..1"""


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Mean profiles along a piece, and where the edge is in them."""

    stride: int
    light: Channel
    hue: Channel
    place_px: Floats
    """(M,) edge within the mean profile."""
    rounded: Floats
    """(M,) 0..1: how far the round of a broken edge hides its cut (``Sheet.arris_bias_mm``)."""
    sigma_px: Floats
    """(M,)"""
    common_px: Floats
    """(M,) doubt that all stretches of a faint side share."""
    usable: Bools
    """(N,) profiles that took part."""
    told: Bools
    """(M,) where the place stands out from both ends of the places that were tried."""
    faint: bool
    """Brightness tells little: single profiles cannot be registered by it."""


def _brightness(values: Floats | Float32) -> Floats:
    """Linear luminance (..., S) of (..., S, C)."""
    if values.shape[-1] == 1:
        return np.asarray(values[..., 0], dtype=np.float64)
    return np.asarray(values @ LUMA_WEIGHTS, dtype=np.float64)


def _far_light(photo: LinearPhoto, line: Placed, thickness_mm: float) -> Floats:
    """Light (N,) of the bench some way off, beyond the pattern's own shadow."""
    reach = np.array([3.0, 4.0, 5.0]) * max(thickness_mm, 1.0)
    steps = reach[None, :] / line.mm_per_px[:, None]
    places = line.at_px[:, None] + line.across_px[:, None] * steps[..., None]
    return np.asarray(np.median(_brightness(photo.sample(places)), axis=1))


def _running_median(values: Floats, stride: int, reach: int) -> Floats:
    """Median of samples within ``reach`` of every ``stride``-th one."""
    centres = np.arange(0, len(values), stride)
    pick = np.clip(
        centres[:, None] + np.arange(-reach, reach + 1, max(1, reach // 8)), 0, len(values) - 1
    )
    return np.asarray(np.median(values[pick], axis=1))


def _light_channel(own: Floats, mean: Floats, nearest: Floats) -> tuple[Channel, Floats, Floats]:
    """Brightness with the face at 0 and the range at 1; level and range (M,)."""
    level = np.median(mean[:, _FACE], axis=1)
    off = mean - level[:, None]
    span = np.maximum(np.quantile(np.abs(off[:, np.abs(SAMPLES) <= 8]), 0.9, axis=1), 1e-3)
    scaled = off / span[:, None]
    noise = np.std(scaled[:, _FACE], axis=1)
    trust = np.minimum(1.0, (_GRAIN / np.maximum(noise, 1e-6)) ** 2)
    channel = Channel((own - level[nearest, None]) / span[nearest, None], scaled, trust)
    return channel, level, span


def find_stretches(
    photo: LinearPhoto,
    line: Placed,
    usable: Bools,
    sheet: Sheet,
    blur_px: float,
    *,
    closed: bool,
    faint: bool = False,
) -> Stretches:
    """Mean profiles along a piece of edge and the place of the edge in each.

    ``faint``: the ring that the piece belongs to is badly told by brightness.
    """
    values, inside = profiles(photo, line, SAMPLES)
    usable = usable & inside
    spacing = float(np.median(np.linalg.norm(np.diff(line.points_mm, axis=0), axis=1)))
    reach = max(4, min(round(_STRETCH_MM / spacing), len(values) // 3))
    stride = max(1, reach // 2)
    means, weight = stacked(values, usable, reach, stride, closed=closed)
    nearest = np.minimum((np.arange(len(values)) + stride // 2) // stride, len(means) - 1)
    light, level, span = _light_channel(_brightness(values), _brightness(means), nearest)
    walls = line.wall_px[::stride]
    beside = (SAMPLES[None, :] > walls[:, None] + 2) & (SAMPLES[None, :] < walls[:, None] + 5)
    beside[:, -4:] |= ~beside.any(axis=1, keepdims=True)
    raw = _brightness(means)
    near = (raw * beside).sum(axis=1) / beside.sum(axis=1)
    far = _running_median(_far_light(photo, line, sheet.thickness_mm), stride, reach)
    shade = near / np.maximum(far, 1e-4)
    dim = 1.0 - light.trust
    faint = faint and float((dim > FAINT).mean()) > FAINT_SHARE
    where = FAINT_WHERE if faint else WHERE
    # Grain that runs along a faint edge is uneven face: its evidence counts for less than little.
    believed = light.trust**2 if faint else light.trust
    evidence = believed[:, None] * log_evidence(
        light.mean,
        walls,
        where,
        blur_px,
        MEASURING,
        arris=sheet.arris_mm / float(np.median(line.mm_per_px)),
        lights=np.where((level < _DARK * far) & (shade > _SHADED), 0.0, level / span),
        shade=shade,
    )
    hue, unlike = _hue_channel(values, means, nearest, level, near)
    weight_of_hue = hue.trust * np.exp(-0.5 * (unlike / _UNLIKE) ** 2)
    evidence += weight_of_hue[:, None] * hue_evidence(hue.mean, walls, where)
    evidence += _hue_step(hue, unlike, walls, where)
    if faint:
        evidence += dim[:, None] * faint_evidence(
            photo, line, usable, where, blur_px, reach, stride, closed=closed, measuring=True
        )
        evidence -= 0.5 * (np.array(where.shifts) / _OFF_FAIR_PX) ** 2
    evidence[weight < 0.05] = 0.0
    path = best_path(evidence, where.shifts[1] - where.shifts[0], _STIFFNESS, closed=closed)
    if not faint:
        place, sigma = place_of(evidence, path, where.shifts, _REACH_PX)
        told = np.ones(len(path), dtype=bool)
        common = np.zeros(len(path))
    else:
        found = _fairly(evidence, line, where, stride, closed=closed)
        scale = np.asarray(line.mm_per_px[::stride])
        place, sigma = found.place_mm / scale, found.sigma_mm / scale
        told = _told(evidence, place, where, _ELSEWHERE_MM / scale, closed)
        common = dim * np.hypot(_BY_HUE_PX, found.waves_mm / scale)
    return Stretches(
        stride, light, hue, place, _rounded(near, level), sigma, common, usable, told, faint
    )


def _fairly(
    evidence: Floats, line: Placed, where: Grid, stride: int, *, closed: bool
) -> FairPlaces:
    """The stretches of a faint side, all asked at once."""
    along = lengths_along(line.points_mm, closed=closed)
    return fair_places(
        _TWICE * evidence,
        np.outer(np.asarray(line.mm_per_px[::stride]), np.array(where.shifts)),
        along[: len(line.points_mm) : stride],
        float(along[-1]),
        np.asarray(off_arc(line.points_mm, line.normals_mm, closed=closed)[::stride]),
        closed=closed,
    )


def _told(evidence: Floats, place: Floats, where: Grid, apart_px: Floats, closed: bool) -> Bools:
    """Where (M,) no other line beside the found one would be likelier.

    Each stretch is asked together with two on either side of it, for lines that run beside
    the found one by ``apart_px`` (M,) or more.
    """
    shifts = np.array(where.shifts)
    beside = np.concatenate([shifts, [0.0]])
    at = (place[:, None] + beside[None, :] - shifts[0]) / (shifts[1] - shifts[0])
    low = np.clip(np.floor(at).astype(np.int64), 0, len(shifts) - 2)
    share = np.clip(at - low, 0.0, 1.0)
    rows = np.arange(len(place))[:, None]
    along = (1.0 - share) * evidence[rows, low] + share * evidence[rows, low + 1]
    ends = ((2, 2), (0, 0))
    around = np.pad(along, ends, mode="wrap" if closed and len(along) > 2 else "edge")
    pooled = _TWICE * np.sum([around[k : k + len(along)] for k in range(5)], axis=0)
    far = np.abs(beside[None, :]) >= apart_px[:, None]
    best = np.where(far, pooled, -np.inf).max(axis=1)
    return np.asarray(pooled[:, -1] > best)


def _rounded(near: Floats, level: Floats) -> Floats:
    """How far (M,) a broken edge is seen short of its cut: not at all before a lighter bench.

    Before a darker bench the round, which is darker than the face, passes for
    bench in part.  Before a lighter one all of the pattern is dark, round and
    wall too, and ends where the cut is.
    """
    lighter = np.log(np.maximum(near, 1e-4) / np.maximum(level, 1e-4))
    return np.clip(1.0 - lighter / _LIGHTER, 0.0, 1.0)


def _hue_channel(
    values: Float32, means: Floats, nearest: Floats, level: Floats, near: Floats
) -> tuple[Channel, Floats]:
    """Share of colour that is not the face's, and (M,) log ratio of the two sides' light."""
    if values.shape[-1] == 1:
        empty = Channel(np.zeros(values.shape[:2]), np.zeros(means.shape[:2]), np.zeros(len(means)))
        return empty, np.zeros(len(means))
    scale = hue_scale(means, _FACE, _BENCH)
    unlike = np.log(np.maximum(near, 1e-4) / np.maximum(level, 1e-4))
    return Channel(scale.read(values, nearest), scale.read(means), scale.trust), unlike


def _hue_step(hue: Channel, unlike: Floats, walls: Floats, where: Grid) -> Floats:
    """Evidence (M, shifts) from the middle of the step in hue, where brightness tells little.

    Only where both sides are about as light, so that smoothing of colour is
    even to both, and where no wall of the face's own colour stands between.
    """
    shifts = np.array(where.shifts)
    use = (np.abs(unlike) < _UNLIKE) & (hue.trust > 0.3)
    middle = step_middle(hue.mean, SAMPLES)
    use &= np.isfinite(middle)
    ahead = np.where(use, middle, 0.0)[:, None] - shifts[None, :]
    # Somewhere on a visible wall, which may have the face's colour or lie in the dark.
    off = np.minimum(ahead, 0.0) + np.maximum(ahead - np.maximum(walls, 0.0)[:, None], 0.0)
    off /= np.hypot(_HUE_STEP_PX, unlike)[:, None]
    return np.where(use[:, None], -0.5 * off**2, 0.0)


def best_blur(photo: LinearPhoto, line: Placed, *, closed: bool) -> float:
    """Blur of the photo (px, one sigma): that which explains its clearest mean profiles best.

    ``line`` has a point about every 4 px.
    """
    values, inside = profiles(photo, line, SAMPLES)
    means, weight = stacked(values, inside, 1, 4, closed=closed)
    light, level, span = _light_channel(
        np.zeros((0, len(SAMPLES))), _brightness(means), np.zeros(0, dtype=np.int64)
    )
    walls = line.wall_px[::4]
    plain = (weight > 0.9) & (walls < 0.3)
    if plain.sum() < 3:
        plain = weight > 0.5
    if not plain.any():
        return BLURS_PX[2]
    contrast = span / np.maximum(level, 1e-4)
    plain &= contrast >= np.quantile(contrast[plain], 0.5)
    means, walls = light.mean[plain], walls[plain]

    @cache
    def told(which: int) -> float:
        every = log_evidence(means, walls, WHERE, BLURS_PX[which], MEASURING)
        return float(np.median(every.max(axis=1)))

    best = 2
    for way in (1, -1):
        while 0 <= best + way < len(BLURS_PX) and told(best + way) > told(best):
            best += way
    return BLURS_PX[best]
