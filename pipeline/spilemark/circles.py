"""Round holes and drawn circles: the circle that measured points follow, where they follow one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.records import Floats, Polyline

_ROUND_MM = 0.25
_SIGMAS = 2.5
_WITHIN = 0.95
"""Share of a line's points that keep to its circle."""
_FLOOR_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedCircle:
    """A circle through measured points."""

    centre_mm: Floats
    """(2,)"""
    radius_mm: float
    scatter_mm: float
    """Robust standard deviation of the points about it."""


def fit_circle(points: Floats) -> FittedCircle:
    """The circle that fits points (N, 2) best, outliers left out.

    Least squares of ``x^2 + y^2 = 2 a x + 2 b y + c`` (Kasa 1976) to start
    with, then Gauss-Newton on the distances from the circle.
    """
    middle = points.mean(axis=0)
    local = points - middle
    design = np.column_stack([2.0 * local, np.ones(len(local))])
    solved = np.linalg.lstsq(design, (local**2).sum(axis=1), rcond=None)[0]
    centre = solved[:2]
    radius = float(np.sqrt(max(solved[2] + centre @ centre, 1e-9)))
    scatter = 0.0
    for _ in range(8):
        away = local - centre
        distance = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
        miss = distance - radius
        scatter = 1.4826 * float(np.median(np.abs(miss)))
        good = np.abs(miss) < 3.0 * max(scatter, _FLOOR_MM)
        design = np.column_stack([away / distance[:, None], np.ones(len(local))])[good]
        step = np.linalg.lstsq(design, miss[good], rcond=None)[0]
        centre, radius = centre + step[:2], radius + float(step[2])
    return FittedCircle(centre_mm=centre + middle, radius_mm=radius, scatter_mm=scatter)


def circle_of(line: Polyline) -> FittedCircle | None:
    """The circle that a closed line is, as well as it was seen; None where it is another shape.

    A mark is closed where its last point is its first.
    """
    points = line.points_mm[line.seen]
    closed = line.closed or is_closed_mark(line)
    if not closed or len(points) < 8 or line.seen.mean() < 0.5:
        return None
    found = fit_circle(points)
    miss = np.abs(np.linalg.norm(points - found.centre_mm, axis=1) - found.radius_mm)
    allowed = np.maximum(_ROUND_MM, _SIGMAS * line.sigma_mm[line.seen])
    return found if (miss < allowed).mean() >= _WITHIN else None


def is_closed_mark(line: Polyline) -> bool:
    """Whether an open record is a line that comes back to where it began."""
    ends = line.points_mm[[0, -1]]
    return len(line.points_mm) > 3 and bool(np.allclose(ends[0], ends[1], atol=1e-6))
