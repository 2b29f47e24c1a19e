"""Drawn strokes as what a DXF file can hold: circles, arcs, and lines with arcs in them.

A vertex of a polyline carries a bulge, the tangent of a quarter of the angle of
the arc to the next vertex: positive for an arc that turns anticlockwise, zero
for a straight line.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from spilemark.cubics import curve_points
from spilemark.records import Floats, Stroke

_SAMPLES = 33
_SPARE = 0.9
"""Share of the tolerance allowed at the places that are looked at; between them a little is lost."""
_WIDEST_RAD = math.radians(150)
"""Arcs wider than this are parted: their middle point no longer fixes them well."""
_DEEPEST = 24
_JOINED_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """A whole circle, or its arc anticlockwise from one angle to the other."""

    centre: tuple[float, float]
    radius_mm: float
    from_rad: float | None = None
    to_rad: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """Vertices (x, y, bulge); the bulge belongs to the way to the next vertex."""

    vertices: tuple[tuple[float, float, float], ...]
    closed: bool


def shape_of(stroke: Stroke, tolerance_mm: float) -> Circle | Chain:
    """The simplest shape that keeps within a tolerance of a stroke.

    Parameters
    ----------
    stroke : Stroke
    tolerance_mm : float
        Largest distance between the two.

    Returns
    -------
    Circle or Chain
        A straight stroke is a chain of two vertices.
    """
    curved = any(len(segment) == 4 for segment in stroke.segments)
    circle = _circle(stroke, tolerance_mm) if curved else None
    return circle or _chain(stroke, tolerance_mm)


def _circle(stroke: Stroke, tolerance: float) -> Circle | None:
    """The circle that the whole stroke follows, if it follows one."""
    points = np.concatenate([_sampled(segment) for segment in stroke.segments])
    # Least squares on x^2 + y^2 = 2 a x + 2 b y + c (Kasa 1976), about the middle for numbers' sake.
    middle = points.mean(axis=0)
    p = points - middle
    design = np.column_stack([2 * p, np.ones(len(p))])
    (a, b, c), *_ = np.linalg.lstsq(design, (p**2).sum(axis=1), rcond=None)
    square = c + a**2 + b**2
    if square <= 0:
        return None
    radius = math.sqrt(square)
    off = np.abs(np.hypot(p[:, 0] - a, p[:, 1] - b) - radius).max()
    bow = np.ptp(np.unwrap(np.arctan2(p[:, 1] - b, p[:, 0] - a)))
    # A nearly straight stroke fits circles of any size: that is no arc.
    if off > _SPARE * tolerance or radius * (1 - math.cos(min(bow, math.pi) / 2)) < 4 * tolerance:
        return None
    centre = (float(a + middle[0]), float(b + middle[1]))
    if stroke.closed:
        return Circle(centre=centre, radius_mm=radius)
    angles = np.unwrap(np.arctan2(p[:, 1] - b, p[:, 0] - a))
    low, high = sorted((float(angles[0]), float(angles[-1])))
    return Circle(centre=centre, radius_mm=radius, from_rad=low, to_rad=high)


def _sampled(segment: Floats) -> Floats:
    if len(segment) == 2:
        return np.asarray(segment[0] + np.linspace(0, 1, 5)[:, None] * (segment[1] - segment[0]))
    return _on_curve(segment, np.linspace(0, 1, _SAMPLES))


def _on_curve(segment: Floats, at: Floats) -> Floats:
    return np.asarray(curve_points(segment[None], at[None])[0])


def _chain(stroke: Stroke, tolerance: float) -> Chain:
    vertices: list[tuple[float, float, float]] = []
    for segment in stroke.segments:
        vertices += _vertices(segment, _SPARE * tolerance)
    x, y = (float(v) for v in stroke.segments[-1][-1])
    ends_where_it_began = math.dist((x, y), vertices[0][:2]) < _JOINED_MM
    if not (stroke.closed and ends_where_it_began):
        vertices.append((x, y, 0.0))
    return Chain(vertices=tuple(vertices), closed=stroke.closed)


def _vertices(segment: Floats, tolerance: float) -> Iterable[tuple[float, float, float]]:
    """Begin of each arc that a segment is made of, without its end."""
    if len(segment) == 2:
        return [(float(segment[0][0]), float(segment[0][1]), 0.0)]
    found: list[tuple[float, float, float]] = []
    left = [(segment, 0)]
    while left:
        curve, depth = left.pop()
        bulge = _bulge(curve, tolerance)
        if bulge is None and depth < _DEEPEST:
            first, second = _halves(curve)
            left += [(second, depth + 1), (first, depth + 1)]
        else:
            found.append((float(curve[0][0]), float(curve[0][1]), bulge or 0.0))
    return found


def _bulge(curve: Floats, tolerance: float) -> float | None:
    """Bulge of the arc or line over a curve's ends that keeps within the tolerance, or None."""
    points = _on_curve(curve, np.linspace(0, 1, _SAMPLES))
    chord = curve[3] - curve[0]
    length = float(np.linalg.norm(chord))
    if length < _JOINED_MM:
        return 0.0 if np.linalg.norm(points - curve[0], axis=1).max() <= tolerance else None
    along = (points - curve[0]) @ chord / length
    across = (points - curve[0]) @ np.array([-chord[1], chord[0]]) / length
    # What runs out beyond an end is as far off as that end.
    beyond = np.maximum(np.maximum(-along, along - length), 0.0)
    if np.hypot(across, beyond).max() <= tolerance:
        return 0.0
    bulge = _through(along, across, length)
    if beyond.max() > tolerance or abs(4 * math.atan(bulge)) > _WIDEST_RAD or bulge == 0:
        return None
    radius = length * (1 + bulge**2) / (4 * abs(bulge))
    height = length * (1 - bulge**2) / (4 * bulge)
    off = np.abs(np.hypot(along - length / 2, across - height) - radius)
    return bulge if np.hypot(off, beyond).max() <= tolerance else None


def _through(along: Floats, across: Floats, length: float) -> float:
    """Bulge of the arc over a chord that passes the curve's middle point.

    The chord is seen from a point on the arc under half a turn less half the
    arc's angle (inscribed angle); an arc to the right turns anticlockwise.
    """
    x, y = float(along[_SAMPLES // 2]), float(across[_SAMPLES // 2])
    seen = math.atan2(abs(y) * length, x * (x - length) + y * y)
    return math.copysign(math.tan((math.pi - seen) / 2), -y) if y else 0.0


def _halves(curve: Floats) -> tuple[Floats, Floats]:
    """A cubic parted in its middle (de Casteljau)."""
    a, b, c, d = curve
    ab, bc, cd = (a + b) / 2, (b + c) / 2, (c + d) / 2
    abc, bcd = (ab + bc) / 2, (bc + cd) / 2
    middle = (abc + bcd) / 2
    return np.stack([a, ab, abc, middle]), np.stack([middle, bcd, cd, d])
