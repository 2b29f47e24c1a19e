"""A pattern put together from what a file keeps of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal, cast

import numpy as np

from spilemark.corners import measured_edge
from spilemark.frames import outward_normals
from spilemark.names import OUTER
from spilemark.records import (
    Cause,
    Corner,
    Floats,
    Outline,
    Polyline,
    RegisteredPattern,
    RigidMap,
    Side,
)
from spilemark.uncertainty import COVERAGE_FACTOR, rigid_columns

_DATUM_COLUMNS = 3


def believed(points: Floats, fit_mm: float, datum_mm: float) -> tuple[Floats, Floats, Floats]:
    """Modes and random part where only the worst half-widths are known.

    Half of the variance is taken as a stretch along, a stretch across and a
    shear, which is what scale, lens and tilt do to a shape, and half as random;
    the datum's as a turn and a shift.  Own choice, on the careful side for
    lengths and angles.
    """
    normals = outward_normals(points)
    away = points - points.mean(axis=0)
    (x, y), (nx, ny) = away.T, normals.T
    fit = fit_mm / COVERAGE_FACTOR
    shape = np.stack([nx * x, ny * y, nx * y + ny * x])
    worst = float(np.sqrt((shape**2).sum(axis=0).max()))
    shape *= fit / math.sqrt(2.0) / max(worst, 1e-9)
    datum = rigid_columns(away, normals).T
    datum[0] /= max(float(np.abs(datum[0]).max()), 1e-9)
    place = math.sqrt(max(datum_mm**2 - fit_mm**2, 0.0)) / COVERAGE_FACTOR
    datum *= place / max(float(np.sqrt((datum**2).sum(axis=0).max())), 1e-9)
    none = np.zeros_like(shape)
    sigma = np.full(len(points), fit / math.sqrt(2.0))
    return np.concatenate([shape, none]), np.concatenate([shape, datum]), sigma


def assembled(
    points: Floats,
    corners: Sequence[tuple[str, Any]],
    edges: Sequence[str],
    side: Side,
    *,
    sigma: Floats,
    shape: Floats,
    datum: Floats,
    seen: Any,
    datum_kind: str,
    frame: str,
    offset_mm: float | None = None,
    line_mm: Any = None,
) -> RegisteredPattern:
    """Put a pattern together; edges are named in ring order, the first from the first corner."""
    if points.ndim != 2 or len(points) < 3 or not np.isfinite(points).all():
        raise ValueError("no outline")
    placed = [
        (name, int(np.argmin(np.linalg.norm(points - np.asarray(at, np.float64), axis=1))))
        for name, at in corners
    ]
    starts = [k for _, k in placed]
    if len(edges) != len(starts) and starts:
        raise ValueError("corners and edges do not match")
    stops = [*starts[1:], *starts[:1]]
    measured = [
        replace(measured_edge(points, a, b), name=name)
        for name, a, b in zip(edges, starts, stops, strict=False)
    ]
    causes = tuple(Cause(id=f"mode {k + 1}", kind="kept") for k in range(len(shape)))
    ring = Polyline(
        role="edge", points_mm=points, sigma_mm=sigma, sensitivity_mm=shape.T, seen=seen
    )
    lines = [ring]
    if line_mm:
        ends = np.asarray(line_mm, np.float64)
        none = np.zeros(len(ends))
        lines.append(
            Polyline(
                role="centreline",
                points_mm=ends,
                sigma_mm=none,
                sensitivity_mm=np.zeros((len(ends), len(shape))),
                seen=np.ones(len(ends), dtype=bool),
            )
        )
    outer = next((k for k, (name, _) in enumerate(placed) if name == OUTER), None)
    own = tuple(Cause(id=f"datum {k + 1}", kind="kept") for k in range(_DATUM_COLUMNS))
    return RegisteredPattern(
        outline=Outline(
            polylines=tuple(lines),
            corners=tuple(
                Corner(index=k, angle_deg=_angle(points, k), name=name) for name, k in placed
            ),
            edges=tuple(measured),
            causes=causes,
            views=(),
        ),
        side=side,
        face="up",
        datum=cast("Literal['centreline', 'corner and edge']", datum_kind),
        frame=cast("Literal['boat', 'pattern']", frame),
        map=RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0)),
        covariance=np.zeros((3, 3)),
        datum_causes=(*causes, *own),
        datum_sensitivity_mm=np.pad(datum.T, ((0, 0), (0, _DATUM_COLUMNS))),
        origin_corner=outer,
        centreline_offset_mm=offset_mm,
    )


def _angle(points: Floats, k: int, reach: int = 8) -> float:
    """Inside angle at a point, degrees, over a few points on both sides."""
    ahead, behind = points[(k + reach) % len(points)], points[k - reach]
    a, b = ahead - points[k], behind - points[k]
    turn = math.degrees(math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b)))
    return turn % 360.0
