"""Taking off a corner so that a part clears a fillet of glue in the hull's corner."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from spilemark.errors import UsageError
from spilemark.shop.outlines import Floats, ShopEdge, ShopOutline

MOST_CORNER_DEG = 165.0
"""A corner flatter than this holds no fillet worth clearing."""

MOST_SHARE = 0.5
"""A relief takes at most this share of each of its edges."""

_ARC_STEP_RAD = math.radians(3.0)
_ROUNDS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerRelief:
    """What to take off at a corner."""

    corner: str
    radius_mm: float
    """Of the fillet."""
    shape: Literal["clip", "round"] = "clip"
    """A straight cut from tangent point to tangent point, or the fillet's own arc."""


def tangent_length_mm(radius_mm: float, corner_deg: float) -> float:
    """From the corner to where a fillet runs out on each face: r / tan(C / 2).

    Own derivation, checked with shapely: an arc tangent to both faces of a
    corner of angle C.
    """
    return radius_mm / math.tan(math.radians(corner_deg) / 2.0)


def relieved(outline: ShopOutline, relief: CornerRelief) -> ShopOutline:
    """Take a corner off: a new short edge stands in its place.

    The tangent lengths count along the edges as they are.  A straight cut
    clears the fillet with room to spare; the arc just touches it.

    Raises
    ------
    UsageError
        There is no such corner, it is an inside or a flat one, or the fillet
        would eat up an edge.
    """
    if not (math.isfinite(relief.radius_mm) and relief.radius_mm > 0):
        raise UsageError(f"A fillet of radius {relief.radius_mm:g} mm needs no relief.", "")
    k, before, after = _edges_at(outline, relief)
    one = outline.points_mm[outline.indices(before)][::-1]
    two = outline.points_mm[outline.indices(after)]
    leg = _leg(one, two, relief)
    for edge, points in ((before, one), (after, two)):
        if leg > MOST_SHARE * _length(points):
            raise UsageError(
                f"A fillet of radius {relief.radius_mm:g} mm takes {leg:.0f} mm off the edge "
                f'"{edge.name}", which is only {_length(points):.0f} mm long.',
                "Take a smaller fillet.",
            )
    cut_one, cut_two = _cut_at(one, leg), _cut_at(two, leg)
    middle = np.array([cut_one[0], cut_two[0]])
    if relief.shape == "round":
        middle = _arc(cut_one[0], cut_two[0], relief.radius_mm)
    name = f"relief at {relief.corner.removesuffix(' corner')} corner"
    new = ShopEdge(name=name, start=0, stop=0)
    return _assembled(outline, k, [cut_one[::-1], middle, cut_two], new)


def _edges_at(outline: ShopOutline, relief: CornerRelief) -> tuple[int, ShopEdge, ShopEdge]:
    """Place in the row of edges of the one that starts at the corner, with both edges."""
    index = outline.corner(relief.corner)
    for k, edge in enumerate(outline.edges):
        if edge.start == index and len(outline.edges) > 1:
            return k, outline.edges[k - 1], edge
    raise UsageError(
        f'No edge begins at the corner "{relief.corner}".', "Name a corner between two edges."
    )


def _leg(one: Floats, two: Floats, relief: CornerRelief) -> float:
    """Tangent length, for the corner's angle as measured over the tangent length itself."""
    leg = relief.radius_mm
    for _ in range(_ROUNDS):
        a, b = (_cut_at(p, min(leg, 0.9 * _length(p)))[0] - p[0] for p in (one, two))
        angle = math.degrees(math.atan2(float(b[0] * a[1] - b[1] * a[0]), float(a @ b))) % 360.0
        if not 1.0 < angle < MOST_CORNER_DEG:
            raise UsageError(
                f'The corner "{relief.corner}" opens by {angle:.0f} degrees: no fillet sits there.',
                "Name the corner that goes into the hull's corner.",
            )
        leg = tangent_length_mm(relief.radius_mm, angle)
    return leg


def _arc(start: Floats, stop: Floats, radius: float) -> Floats:
    """Arc from start to stop that bulges to the right of the way there."""
    chord = stop - start
    half = float(np.hypot(*chord)) / 2.0
    radius = max(radius, half)
    left = np.array([-chord[1], chord[0]]) / (2.0 * half)
    centre = (start + stop) / 2.0 + left * math.sqrt(radius**2 - half**2)
    first = math.atan2(*(start - centre)[::-1])
    sweep = 2.0 * math.asin(half / radius)
    at = first + sweep * np.linspace(0, 1, max(3, math.ceil(sweep / _ARC_STEP_RAD) + 1))
    arc = centre + radius * np.stack([np.cos(at), np.sin(at)], axis=-1)
    return np.concatenate([start[None], arc[1:-1], stop[None]])


def _cut_at(points: Floats, along_mm: float) -> Floats:
    """What is left of a line when its beginning is taken off."""
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    k = int(np.searchsorted(run, along_mm, side="right"))
    share = (along_mm - run[k - 1]) / (run[k] - run[k - 1])
    first = points[k - 1] + share * (points[k] - points[k - 1])
    rest = points[k:] if share < 1.0 else points[k + 1 :]
    return np.concatenate([first[None], rest])


def _assembled(outline: ShopOutline, k: int, parts: list[Floats], new: ShopEdge) -> ShopOutline:
    """The ring with the edge before ``k``, a new edge and edge ``k`` exchanged."""
    edges = list(outline.edges)
    runs = [outline.points_mm[outline.indices(e)] for e in edges]
    runs[k - 1], runs[k] = parts[0], parts[2]
    edges.insert(k, new)
    runs.insert(k, parts[1])
    starts = np.concatenate([[0], np.cumsum([len(run) - 1 for run in runs])])
    count = int(starts[-1])
    placed = tuple(
        replace(e, start=int(starts[i]), stop=int(starts[i + 1]) % count)
        for i, e in enumerate(edges)
    )
    points = np.concatenate([run[:-1] for run in runs])
    corners = tuple(
        (name, int(np.argmin(np.linalg.norm(points - outline.points_mm[index], axis=1))))
        for name, index in outline.corners
    )
    return replace(outline, points_mm=points, edges=placed, corners=corners)


def _length(points: Floats) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
