"""The body of a form: all that lies behind its face within its depth, and room in it for holes.

Nothing of it may lie where the strips do, however tight the bend and however short the arms.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from spilemark.blank.curves import Curve, Floats
from spilemark.errors import UsageError

WALL_MM = 10.0
"""Wood left between a hole and the edge of the form: common practice, no source."""
_BETWEEN_HOLES = 1.5
"""Middles of clamp holes are at least so many diameters apart."""
_SHIFTED = 0.6
"""A hole may be moved by so many of its diameters to keep its wall."""
_HOLLOW_MM = 60.0
"""Hollows of the back that are sharper than this are rounded out: a saw has to follow them."""
_ON_FACE_MM = 1e-6
_OTHERS = 600
"""So many points of a face are enough to see where it faces itself."""


def body_behind(face: Curve, depth_mm: float) -> Any:
    """All that is within a depth of a face on one side of it, as one shapely polygon.

    Parameters
    ----------
    face : Curve
        Its ends count as running on straight: nothing reaches past them to the other side.
    depth_mm : float
        To the left above 0, to the right below.

    Raises
    ------
    UsageError
        The face runs into itself, so that it has no two sides.
    """
    from shapely import LineString, Polygon, buffer, get_parts, polygons, union_all

    reach = 4.0 * (face.length_mm + abs(depth_mm))
    side = left_of(face, reach)
    if depth_mm < 0:
        middle = side.centroid
        side = middle.buffer(4.0 * reach).difference(side)
    points = face.points_mm()
    line = LineString(points)
    inward = math.copysign(1.0, depth_mm) * face.normals()
    back = points + np.minimum(abs(depth_mm), _free_mm(points, inward))[:, None] * inward
    quads = np.stack([points[:-1], points[1:], back[1:], back[:-1]], axis=1)
    behind = union_all(buffer(polygons(quads), 0.0))
    # Where the rays of both arms end on each other they leave a seam: closed with the hollows.
    closed = behind.buffer(_HOLLOW_MM, quad_segs=64).buffer(-_HOLLOW_MM, quad_segs=64)
    whole = union_all([behind, closed]).intersection(side)
    pieces = [p for p in get_parts(whole) if p.geom_type == "Polygon"]
    body = max(pieces, key=lambda p: float(p.area), default=Polygon())
    if body.is_empty or not line.within(body.boundary.buffer(_ON_FACE_MM)):
        raise _no_body()
    return Polygon(body.exterior)


def _free_mm(points: Floats, inward: Floats) -> Floats:
    """How far each point of a face may go inwards and still have no other point of it nearer.

    The circle that touches the face at p and passes through q has radius
    |q - p|² / (2 n · (q - p)); the least of them reaches to the middle between the
    arms, or to the centre of a bend.  Own derivation.
    """
    others = points[:: max(1, len(points) // _OTHERS)]
    free = np.full(len(points), np.inf)
    for k, (point, normal) in enumerate(zip(points, inward, strict=True)):
        way = others - point
        ahead = way @ normal
        there = ahead > _ON_FACE_MM
        if there.any():
            free[k] = float(((way[there] ** 2).sum(axis=1) / (2.0 * ahead[there])).min())
    return free


def left_of(curve: Curve, reach_mm: float) -> Any:
    """The region to the left of a curve whose ends run on straight for a reach.

    Raises
    ------
    UsageError
        It runs into itself.
    """
    from shapely import LinearRing, Polygon

    line = curve.extended(reach_mm, reach_mm).points_mm()
    middle = line.mean(axis=0)
    off = np.linalg.norm(line - middle, axis=1)
    (x0, y0), (x1, y1) = line[0] - middle, line[-1] - middle
    start, stop = math.atan2(y1, x1), math.atan2(y0, x0)
    # Anticlockwise from the curve's end round to its start: the left side is within.
    turn = np.linspace(start, start + (stop - start) % (2.0 * math.pi), 91)
    around = middle + 1.2 * float(off.max()) * np.column_stack([np.cos(turn), np.sin(turn)])
    ring = np.vstack([line, around])
    if not LinearRing(ring).is_simple:
        raise _no_body()
    return Polygon(ring)


def hole_places(body: Any, wanted_mm: Floats, hole_mm: float) -> Floats:
    """Middles (M, 2) of holes near the wanted places (N, 2), each wholly in the body with a wall.

    One that would have to be moved far, or come near to another, is left out.
    """
    from shapely import Point
    from shapely.ops import nearest_points

    room = body.buffer(-(0.5 * hole_mm + WALL_MM))
    kept: list[Floats] = []
    for wanted in wanted_mm:
        if room.is_empty:
            break
        place = np.asarray(nearest_points(room, Point(wanted))[0].coords[0])
        near = float(np.hypot(*(place - wanted))) <= _SHIFTED * hole_mm
        if near and all(np.hypot(*(place - k)) >= _BETWEEN_HOLES * hole_mm for k in kept):
            kept.append(place)
    return np.array(kept).reshape(-1, 2)


def ring_of(body: Any) -> Floats:
    """Its outline (N, 2), the first point not repeated."""
    return np.asarray(body.exterior.coords)[:-1]


def _no_body() -> UsageError:
    return UsageError(
        "The form's body cannot be drawn: its face, with its arms on, runs into itself.",
        "Use more and thinner strips, shorter arms or a rounder curve.",
    )
