"""Finding straight pencil lines on a face, in a small top-down picture of it.

Only the search works on resampled pixels; what it finds is measured on the
photo as taken (``pencil``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from spilemark.lens import plane_to_pixels
from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.photometry import Float32, LinearPhoto

Indices = NDArray[np.intp]

_STEP_MM = 0.4
_MOST_PX = 2_500_000
"""A large sheet is searched more coarsely."""
_RIM_MM = 2.5
"""Rim of the face that shows the edge's own blur and round."""
_LINE_MM = 0.5
"""Width of a pencil line; common practice, no source: 0.3 to 0.9."""
_ANGLES = 360
_SPREAD_DEG = 3.0
"""How far the direction of a single pixel's ridge may be off."""
_STRONG = 6.0
"""Robust standard deviations above parallel lines of the same length that a find must stand out."""
_BESIDE_BEST = 0.15
"""Share of the strongest find's strength below which nothing else is looked at."""
_MOST_LINES = 8
_EACH_ANGLE = 3
"""Parallels of so many neighbouring directions are taken to be alike."""
_EACH = 7
"""Pixels are counted off one in so many for a quantile of them."""


_COARSE = 4
"""How far a face reaches is told by every fourth pixel."""


@dataclass(frozen=True, slots=True, eq=False)
class FaceView:
    """A face seen from straight above."""

    ridge: Float32
    """(h, w) how much darker than its two sides, along ``angle``; 0 beside the face."""
    skew: tuple[Float32, Float32]
    """Two of (h, w): the parts of its curvature that turn with its direction (``angle_at``)."""
    inside: Bools
    """(h, w)"""
    origin_mm: Floats
    """(2,) plane place of pixel (0, 0); x right, y *down* the rows."""
    step_mm: float

    def to_mm(self, pixels: Floats) -> Floats:
        """Plane places (..., 2) of its pixels (..., 2), column and row."""
        return np.asarray(self.origin_mm + pixels * self.step_mm * np.array([1.0, -1.0]))

    def to_px(self, places_mm: Floats) -> Floats:
        """Its pixels (..., 2), column and row, of plane places (..., 2)."""
        return np.asarray((places_mm - self.origin_mm) / self.step_mm * np.array([1.0, -1.0]))

    def angle_at(self, rows: Indices, columns: Indices) -> Floats:
        """Direction (N,) of the ridge at pixels, rad, in plane axes."""
        half, xy = (part[rows, columns] for part in self.skew)
        return np.asarray(-(0.5 * np.arctan2(xy, half) + np.pi / 2))


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A straight line across a face, found in its view."""

    normal: Floats
    """(2,) unit, to the left of ``along``."""
    distance_mm: float
    """``normal @ point`` of its points."""
    strength: float
    """Robust standard deviations above its parallels."""

    @property
    def along(self) -> Floats:
        """Unit direction (2,)."""
        return np.array([self.normal[1], -self.normal[0]])


def view_face(
    photo: LinearPhoto, plane: PlaneMap, face: shapely.Polygon, covered: shapely.Geometry
) -> FaceView | None:
    """A face from above with its dark ridges; None when it is too small for a line."""
    region = face.buffer(-_RIM_MM).difference(covered)
    if region.is_empty:
        return None
    left, bottom, right, top = region.bounds
    step = max(_STEP_MM, float(np.sqrt((right - left) * (top - bottom) / _MOST_PX)))
    width, height = int((right - left) / step) + 1, int((top - bottom) / step) + 1
    if min(width, height) < 12:
        return None
    origin = np.array([left, top])
    light = _from_above(photo, plane, origin, step, (width, height))
    inside = _rasterised(region, origin, step, (width, height))
    sigma = max(0.8, 0.5 * _LINE_MM / step)
    ridge, skew = _ridges(np.asarray(cv2.log(light + np.float32(0.01)), np.float32), sigma)
    ridge[~inside] = 0.0
    return FaceView(ridge, skew, inside, origin, step)


def _from_above(
    photo: LinearPhoto, plane: PlaneMap, origin: Floats, step: float, size: tuple[int, int]
) -> Float32:
    """Coded brightness of the face, resampled; the map is smooth and is bent from a coarse grid."""
    width, height = size
    every = 16
    x = np.arange(0, width + every, every)
    y = np.arange(0, height + every, every)
    gx, gy = np.meshgrid(origin[0] + x * step, origin[1] - y * step)
    px = plane_to_pixels(np.stack([gx.ravel(), gy.ravel()], axis=-1), plane)
    grid = px.reshape(len(y), len(x), 2).astype(np.float32)
    down, right = _between(height, len(y), every), _between(width, len(x), every).T
    return photo.resampled(
        *(np.asarray(down @ grid[..., k] @ right, dtype=np.float32) for k in (0, 1))
    )


def _between(fine: int, coarse: int, every: int) -> Float32:
    """Matrix (fine, coarse) that sets values between every ``every``-th one linearly."""
    at = np.arange(fine) / every
    low = np.minimum(at.astype(np.int64), coarse - 2)
    out = np.zeros((fine, coarse), dtype=np.float32)
    out[np.arange(fine), low] = 1.0 - (at - low)
    out[np.arange(fine), low + 1] = at - low
    return out


def _rasterised(
    region: shapely.Geometry, origin: Floats, step: float, size: tuple[int, int]
) -> Bools:
    mask = np.zeros((size[1], size[0]), dtype=np.uint8)
    for part in shapely.get_parts(region):
        if part.geom_type != "Polygon":
            continue
        rings = [part.exterior, *part.interiors]
        for k, ring in enumerate(rings):
            points = (np.array(ring.coords) - origin) * [1.0, -1.0] / step
            cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 0 if k else 1)
    return np.asarray(mask > 0)


def _ridges(log_light: Float32, sigma: float) -> tuple[Float32, tuple[Float32, Float32]]:
    """Strength of dark ridges, and what gives their direction, from second derivatives.

    Steger, "An Unbiased Detector of Curvilinear Structures", IEEE TPAMI 20(2), 1998:
    the line runs at right angles to the direction of the largest curvature.
    """
    smooth = cv2.GaussianBlur(log_light, (0, 0), sigma)
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3, scale=0.25)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3, scale=0.25)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3, scale=0.25)
    half = 0.5 * (xx - yy)
    strength = 0.5 * (xx + yy) + cv2.magnitude(half, xy)
    ridge = np.maximum(strength, 0.0).astype(np.float32, copy=False)
    return ridge, (np.asarray(half, np.float32), np.asarray(xy, np.float32))


def find_lines(view: FaceView) -> list[Candidate]:
    """Straight dark lines, strongest first: a Hough transform in which every pixel votes its own way.

    Strength is counted against the parallels of the same direction, so wood
    grain, which is all parallels, does not stand out.
    """
    inside = view.ridge[view.inside]
    # The face of a damaged picture may be a row of shreds that every fourth pixel misses.
    if not view.inside[::_COARSE, ::_COARSE].any():
        return []
    noise = float(np.quantile(inside[::_EACH], 0.9)) + 1e-9
    rows, columns = np.nonzero(view.ridge > noise)
    weight = np.minimum(view.ridge[rows, columns] / noise, 4.0)
    x, y = columns * view.step_mm, -rows * view.step_mm
    pace = np.pi / _ANGLES
    middle = np.round((view.angle_at(rows, columns) % np.pi) / pace).astype(np.int64)
    reach = round(np.radians(_SPREAD_DEG) / pace)
    size = float(np.hypot(view.ridge.shape[0], view.ridge.shape[1])) * view.step_mm
    bins = int(2 * size / view.step_mm) + 3
    theta = np.arange(_ANGLES) * pace
    sine, cosine = np.sin(theta) / view.step_mm, np.cos(theta) / view.step_mm
    places = np.empty((2 * reach + 1, len(x)), dtype=np.int64)
    for k in range(-reach, reach + 1):
        a = (middle + k) % _ANGLES
        rho = cosine[a] * y - sine[a] * x + size / view.step_mm
        places[k + reach] = a * bins + np.rint(rho).astype(np.int64)
    votes = np.bincount(places.ravel(), np.tile(weight, len(places)), _ANGLES * bins)
    table = np.asarray(votes, dtype=np.float64).reshape(_ANGLES, bins)
    return _peaks(table, view, pace, size)


def _peaks(table: Floats, view: FaceView, pace: float, size: float) -> list[Candidate]:
    """Lines that stand out of their parallels."""
    table = np.asarray(cv2.blur(table.astype(np.float32), (3, 1)))
    hull = cv2.convexHull(cv2.findNonZero(view.inside[::_COARSE, ::_COARSE].astype(np.uint8)))[:, 0]
    x, y = _COARSE * hull[:, 0] * view.step_mm, -_COARSE * hull[:, 1] * view.step_mm
    typical, spread = np.zeros(len(table), np.float32), np.ones(len(table), np.float32)
    for k in range(0, len(table), _EACH_ANGLE):
        reach = -np.sin(k * pace) * x + np.cos(k * pace) * y
        first, last = (round((v + size) / view.step_mm) for v in (reach.min(), reach.max()))
        parallels = np.asarray(table[k, first : last + 1], dtype=np.float32)
        middle = _median(parallels)
        alike = slice(k, k + _EACH_ANGLE)
        typical[alike] = middle
        spread[alike] = 1.4826 * _median(np.abs(parallels - middle))
    score = (table - typical[:, None]) / np.maximum(spread, 3.0)[:, None]
    found: list[Candidate] = []
    clear = max(3, round(3.0 / view.step_mm))
    apart = round(np.radians(6.0) / pace)
    least = max(_STRONG, _BESIDE_BEST * float(score.max()))
    for _ in range(_MOST_LINES):
        a, r = np.unravel_index(int(score.argmax()), score.shape)
        if score[a, r] < least:
            break
        theta = float(a) * pace
        normal = np.array([-np.sin(theta), np.cos(theta)])
        distance = float(r) * view.step_mm - size + float(normal @ view.origin_mm)
        found.append(Candidate(normal, distance, float(score[a, r])))
        _silence(score, int(a), int(r), clear, apart)
    return found


def _median(values: Float32) -> np.float32:
    """Median of a few hundred values and more; for hundreds of rows the usual one takes twice as long."""
    half = len(values) // 2
    return np.float32(np.partition(values, half)[half])


def _silence(score: Floats, angle: int, place: int, clear: int, apart: int) -> None:
    """Blank a peak and its flanks so that the next one is another line."""
    bins = score.shape[1]
    for k in range(-apart, apart + 1):
        a = angle + k
        # Past half a turn the same line has its distance from the other side.
        r = place if 0 <= a < len(score) else bins - 3 - place
        width = clear + abs(k) * clear
        score[a % len(score), max(0, r - width) : r + width + 1] = -np.inf
