"""Circles drawn on a face with compasses: holes to be bored.

Found in the same picture from above as short marks, measured on the photo as taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.circles import fit_circle
from spilemark.records import Floats, PlaneMap
from spilemark_stages.trace.ink import EVERY_MM
from spilemark_stages.trace.line_model import line_places
from spilemark_stages.trace.marks import FLOOR_MM, LEAST_DEPTH, stroke_light
from spilemark_stages.trace.photometry import Float32, LinearPhoto
from spilemark_stages.trace.profiles import placed
from spilemark_stages.trace.stroke_mask import Strokes

_RADII_MM = (2.5, 120.0)
_ROUND_MM = 0.2
"""Scatter of a drawn circle about its fit; more is no circle drawn with compasses."""


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCircle:
    """A circle as measured."""

    centre_mm: Floats
    """(2,)"""
    radius_mm: float
    sigma_mm: float
    """Of one point of it, across."""
    seen_share: float

    def ring(self) -> Floats:
        """Points (N, 2) round it, the first repeated."""
        angle = np.linspace(0.0, 2 * np.pi, max(24, round(2 * np.pi * self.radius_mm)) + 1)
        out = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        out[-1] = out[0]
        return np.asarray(self.centre_mm + self.radius_mm * out)


def find_circles(
    strokes: Strokes, photo: LinearPhoto, plane: PlaneMap, known: list[Floats], blur_px: float
) -> list[DrawnCircle]:
    """Circles drawn on a face, the largest first; parameters as in ``marks.find_marks``."""
    view, mask = strokes.view, strokes.pencil(known)
    thick = np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)))
    open_face = np.pad(((thick == 0) | ~view.inside).astype(np.uint8), 1, constant_values=1)
    # All that can be reached from outside is no circle: to flood it is far quicker than to number it.
    cv2.floodFill(open_face, None, (0, 0), 0)
    left, top, wide, high = cv2.boundingRect(open_face)
    enclosed = open_face[top : top + high, left : left + wide]
    found: list[DrawnCircle] = []
    if not enclosed.size:
        return found
    stats = cv2.connectedComponentsWithStats(enclosed, connectivity=4)[2]
    for x, y, w, h, area in np.asarray(stats[1:] + [left, top, 0, 0, 0]).tolist():
        size = 0.5 * (w + h) * view.step_mm
        round_enough = abs(w - h) < 0.15 * max(w, h) + 2 and area > 0.7 * w * h
        if not round_enough or not _fits(0.5 * size):
            continue
        middle = np.array([x + 0.5 * (w - 1) - 1.0, y + 0.5 * (h - 1) - 1.0])
        centre = view.to_mm(middle)
        circle = measured_circle(photo, plane, centre, 0.5 * size + view.step_mm, blur_px)
        if circle is not None:
            found.append(circle)
    return sorted(found, key=lambda c: -c.radius_mm)


def _fits(radius_mm: float) -> bool:
    return _RADII_MM[0] <= radius_mm <= _RADII_MM[1]


def measured_circle(
    photo: LinearPhoto, plane: PlaneMap, centre: Floats, radius: float, blur_px: float
) -> DrawnCircle | None:
    """A circle about a place, measured by profiles across it; None where none is drawn."""
    for _ in range(3):
        count = max(24, round(2 * np.pi * radius / EVERY_MM))
        angle = 2 * np.pi * np.arange(count) / count
        out = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        line = placed(centre + radius * out, out, plane, 0.0)
        light, inside = stroke_light(photo, line)
        means = _turned_means(light, max(2, round(1.0 / EVERY_MM)))
        bars = line_places(means, inside, blur_px)
        deep = bars.depth * np.minimum(bars.width_px, 1.5)
        shows = inside & (deep > max(LEAST_DEPTH, 0.4 * float(np.quantile(deep, 0.8))))
        if shows.mean() < 0.8:
            return None
        points = line.points_mm + out * (bars.place_px * line.mm_per_px)[:, None]
        fitted = fit_circle(points[shows])
        centre, radius, scatter = fitted.centre_mm, fitted.radius_mm, fitted.scatter_mm
        if not _fits(radius) or scatter > 4 * _ROUND_MM:
            return None
    if scatter > _ROUND_MM:
        return None
    return DrawnCircle(centre, radius, max(scatter, FLOOR_MM), float(shows.mean()))


def _turned_means(light: Floats, reach: int) -> Floats:
    """Means (N, S) of profiles round a ring over ``reach`` neighbours to both sides."""
    around: Float32 = np.concatenate([light[-reach:], light, light[:reach]]).astype(np.float32)
    kernel = np.full((2 * reach + 1, 1), 1.0 / (2 * reach + 1), np.float32)
    mean: NDArray[np.float64] = np.asarray(cv2.filter2D(around, -1, kernel), dtype=np.float64)
    return mean[reach : reach + len(light)]
