"""Where on a sheet a closed shape is drawn: the search, in a top-down picture of the face.

A closed line parts the face into what can be reached from the sheet's rim and
what cannot.  That holds for whatever else is drawn: strokes that overshoot a
corner, ticks and a reference line that cross it, letters, grain.  Gaps in the
line are closed by thickening all that is dark, as little as will do.  Only the
search works on resampled pixels; what it finds is measured on the photo as
taken (``scribed_ring``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.edgemodel import best_path
from spilemark_stages.trace.masks import Mask, widest
from spilemark_stages.trace.pencil_search import FaceView, Indices, view_face
from spilemark_stages.trace.photometry import Float32, LinearPhoto
from spilemark_stages.trace.rings import blurred_ring, resample, right_normals

_ALONG_MM = 4.0
"""A stroke is told from a speck by its mean ridge over this much to both sides of a place."""
_SHARES = (0.5, 0.35, 0.25, 0.17, 0.12)
"""Thresholds that are tried, as shares of the strongest strokes' strength."""
_ALL = 0.98
"""Share of a ring that shows, from which on none is looked for among paler strokes."""
_GAPS_MM = (1.0, 2.5, 5.0, 9.0, 14.0)
"""Gaps that are closed, the smallest first."""
_SHORTEST_MM = 8.0
"""A dark bit shorter than this is no stroke."""
_NARROWEST_MM = 9.0
"""A drawn shape is wider somewhere than this; what is not lies between two strokes, or in a letter."""
_LEAST_SHARE = 0.04
"""Of the face that a drawn shape takes."""
_PACE_MM = 0.2
_REACH_MM = 2.4
"""How far the first ring may lie beside the stroke."""
_STEP_MM = 1.0
_STIFFNESS = 3.0
_ON_LINE = 0.35
"""Share of the ring's own typical strength from which on a place of it shows the stroke."""


@dataclass(frozen=True, slots=True, eq=False)
class DrawnRing:
    """A closed stroke as found."""

    points_mm: Floats
    """(N, 2) evenly spaced, anticlockwise."""
    shown: float
    """Share of it along which a stroke was found."""
    strength: float
    """Ridge that three quarters of it have, in units of the face's own ridges."""

    @property
    def merit(self) -> float:
        """By which the better of two is told: how much of it shows, and how clearly."""
        return self.shown * float(np.log1p(self.strength))


def drawn_ring(
    photo: LinearPhoto,
    plane: PlaneMap,
    face: shapely.Polygon,
    covered: shapely.Geometry,
    least_shown: float,
) -> DrawnRing | None:
    """The clearest closed stroke on a face; None where less than a share of any shows."""
    view = view_face(photo, plane, face, covered)
    if view is None:
        return None
    found = strokes(view)
    top = float(np.quantile(found[found > 0], 0.995)) if (found > 0).any() else 0.0
    if top <= 0.0:
        return None
    best: DrawnRing | None = None
    for share in _SHARES:
        mask = _long_parts(found > share * top, found > min(2 * share, 0.6) * top, view.step_mm)
        away = cv2.distanceTransform(1 - mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        for gap in _GAPS_MM:
            ring = _enclosed(view, np.asarray(away, np.float32), gap)
            if ring is None:
                continue
            ring_of = _snapped(view, ring)
            if ring_of is not None and (best is None or ring_of.merit > best.merit):
                best = ring_of
            break
        if best is not None and best.shown >= _ALL:
            break
    return best if best is not None and best.shown >= least_shown else None


def strokes(view: FaceView, along_mm: float = _ALONG_MM, least: float | None = None) -> Float32:
    """Mean ridge (h, w) along the ridge's own direction; 0 where there is none.

    A stroke is dark over a length, a speck of the photo's noise is not.  Nothing is asked of
    pixels whose own ridge is not above ``least``, by default the usual noise.
    """
    if least is None:
        least = float(np.quantile(view.ridge[view.inside][::7], 0.8)) + 1e-9
    rows, columns = _thinned(view, *np.nonzero(view.ridge > least))
    out = np.zeros_like(view.ridge)
    if not len(rows):
        return out
    angle = view.angle_at(rows, columns)
    reach = max(2, round(along_mm / view.step_mm))
    t = np.arange(-reach, reach + 1, dtype=np.float32)
    x = (columns[:, None] + np.cos(angle)[:, None] * t).astype(np.float32)
    y = (rows[:, None] - np.sin(angle)[:, None] * t).astype(np.float32)
    wide = cv2.dilate(view.ridge, np.ones((3, 3), np.uint8))
    along = _sampled(np.asarray(wide, np.float32), x, y)
    # Half of it may be missing: a stroke ends, or bends away at a corner.
    half = np.maximum(along[:, : reach + 1].mean(axis=1), along[:, reach:].mean(axis=1))
    out[rows, columns] = np.minimum(half, 4.0 * np.median(along, axis=1))
    return out


_ROWS = 20_000


def _sampled(image: Float32, x: Float32, y: Float32) -> Float32:
    """Bilinear values (N, M) at pixels; remap takes no more than 32767 rows."""
    parts = [
        cv2.remap(image, x[a : a + _ROWS], y[a : a + _ROWS], cv2.INTER_LINEAR)
        for a in range(0, len(x), _ROWS)
    ]
    return np.asarray(np.concatenate(parts), dtype=np.float32)


def _thinned(view: FaceView, rows: Indices, columns: Indices) -> tuple[Indices, Indices]:
    """Those of some pixels whose ridge is no lower than that of both neighbours across it."""
    half, xy = (part[rows, columns] for part in view.skew)
    sector = np.round(0.5 * np.arctan2(xy, half) / (np.pi / 4)).astype(np.int64) % 4
    across = np.array([(1, 0), (1, 1), (0, 1), (-1, 1)])[sector]
    ridge = np.pad(view.ridge, 1)
    at = (rows + 1) * ridge.shape[1] + columns + 1
    beside = across[:, 1] * ridge.shape[1] + across[:, 0]
    own = view.ridge[rows, columns]
    top = (own >= ridge.take(at + beside)) & (own >= ridge.take(at - beside))
    return rows[top], columns[top]


def _long_parts(weak: Bools, strong: Bools, step_mm: float) -> Mask:
    """Connected strokes that are long enough and somewhere strong (hysteresis, Canny 1986)."""
    joined = np.asarray(cv2.dilate(weak.astype(np.uint8), np.ones((3, 3), np.uint8)))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    size = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) * step_mm
    good = size >= _SHORTEST_MM
    shown = np.zeros(len(stats), dtype=bool)
    shown[np.unique(labels[strong])] = True
    good &= shown
    good[0] = False
    return np.asarray(good[np.asarray(labels)] & weak, dtype=np.uint8)


def _enclosed(view: FaceView, away: Float32, gap_mm: float) -> Floats | None:
    """Ring (N, 2), mm, about what cannot be reached from the rim when gaps are closed.

    ``away`` (h, w) is the distance from the nearest stroke, px.
    """
    reach = max(1.0, 0.5 * gap_mm / view.step_mm)
    open_face = away > reach
    framed = np.pad((open_face | ~view.inside).astype(np.uint8), 1, constant_values=1)
    _, numbered, sizes, _ = cv2.connectedComponentsWithStats(framed, connectivity=4)
    labels, stats = np.asarray(numbered, np.int32), np.asarray(sizes, np.int32)
    outside = int(labels[0, 0])
    inner = ((labels != outside) & (framed > 0)).astype(np.uint8)
    inner = _wide_enough(inner, stats, labels, view.step_mm)
    if not inner.any():
        return None
    markers = np.zeros(labels.shape, dtype=np.int32)
    markers[labels == outside] = 1
    markers[inner > 0] = 2
    height = np.pad(view.ridge, 1)
    level = np.clip(255 * height / max(float(np.quantile(height[height > 0], 0.999)), 1e-9), 0, 255)
    picture = cv2.merge([level.astype(np.uint8)] * 3)
    parted = cv2.watershed(picture, markers)
    area = np.asarray((parted == 2).astype(np.uint8))
    area = np.asarray(cv2.morphologyEx(area, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)))
    contours, _ = cv2.findContours(area, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(contours, key=cv2.contourArea)
    least = _LEAST_SHARE * float(view.inside.sum())
    if cv2.contourArea(largest) < least:
        return None
    points = largest[:, 0].astype(np.float64) - 1.0
    mm = view.to_mm(points)
    return np.asarray(mm if shapely.LinearRing(mm).is_ccw else mm[::-1])


def _wide_enough(
    inner: Mask, stats: NDArray[np.int32], labels: NDArray[np.int32], step_mm: float
) -> Mask:
    """Inner cells without slivers between two strokes and the eyes of letters."""
    out = np.zeros_like(inner)
    for k in np.unique(labels[inner > 0]):
        x, y, w, h, _ = (int(v) for v in stats[k])
        if min(w, h) * step_mm < 0.5 * _NARROWEST_MM:
            continue
        box = (slice(y, y + h), slice(x, x + w))
        one = (labels[box] == k).astype(np.uint8)
        if widest(one) * step_mm >= 0.5 * _NARROWEST_MM:
            out[box] |= one
    return out


def _snapped(view: FaceView, ring: Floats) -> DrawnRing | None:
    """A ring moved onto the ridge beside it, neighbours agreeing."""
    level = float(np.quantile(view.ridge[view.inside][::7], 0.9)) + 1e-9
    points = blurred_ring(resample(ring, _STEP_MM, closed=True), 1.0)
    for reach in (_REACH_MM, 0.5 * _REACH_MM):
        points = resample(points, _STEP_MM, closed=True)
        normals = right_normals(points, closed=True)
        offsets = np.arange(-reach, reach + 0.5 * _PACE_MM, _PACE_MM)
        values = _ridge_at(view, points[:, None] + offsets[None, :, None] * normals[:, None])
        kernel = np.ones((5, 1), np.float32) / 5.0
        around = np.concatenate([values[-2:], values, values[:2]])
        steady = np.asarray(cv2.filter2D(around, -1, kernel))[2:-2]
        typical = float(np.median(steady.max(axis=1))) + 1e-9
        evidence = 6.0 * np.minimum(steady / typical, 1.5).astype(np.float64)
        path = best_path(evidence, _PACE_MM / 0.1, _STIFFNESS * 0.1, closed=True)
        points = points + offsets[path][:, None] * normals
        points = blurred_ring(points, 0.7)
    on = steady[np.arange(len(path)), path]
    shown = float((on > _ON_LINE * max(float(np.quantile(on, 0.8)), level)).mean())
    shape = shapely.Polygon(points)
    # Both sides of a ring about a single stroke are drawn onto that stroke.
    if not shape.is_valid or shape.buffer(-0.5 * _NARROWEST_MM).is_empty:
        return None
    return DrawnRing(
        resample(points, _STEP_MM, closed=True), shown, float(np.quantile(on, 0.25)) / level
    )


def _ridge_at(view: FaceView, places_mm: Floats) -> Float32:
    """Ridge (N, M) at places (N, M, 2) on the face."""
    at = view.to_px(places_mm).astype(np.float32)
    return _sampled(view.ridge, at[..., 0], at[..., 1])
