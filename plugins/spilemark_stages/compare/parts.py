"""Numbers that need no datum: lengths of edges, angles of corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.corners import (
    Indices,
    corner_functional,
    edge_span,
    edges_at,
    slope,
)
from spilemark.records import CornerComparison, Edge, EdgeComparison, Floats, RegisteredPattern
from spilemark.uncertainty import COVERAGE_FACTOR, align_causes, arc_weights, normals_of
from spilemark_stages.compare.pair import edge_key

_BLADE_MM = 150.0
"""How much of a fairly straight edge tells a corner's angle: a sliding bevel's blade."""
_CURVE_MM = 40.0
"""How much of a curved one."""
_BENT_SHARE = 0.02
"""An edge that leaves its chord by more than this share of it is curved."""
_CLEAR_MM = 2.0
_KNOT_MM = 10.0


def compare_edges(
    port: RegisteredPattern, mirrored: RegisteredPattern
) -> tuple[EdgeComparison, ...]:
    """Edges that are the same on both sides, in port's order."""
    others = {edge_key(mirrored, e): e for e in mirrored.outline.edges}
    return tuple(
        EdgeComparison(
            name=edge.name,
            port_length_mm=edge.length_mm,
            starboard_length_mm=other.length_mm,
            u95_mm=_u95(port, mirrored, _length_row(port, edge), _length_row(mirrored, other)),
        )
        for edge in port.outline.edges
        if (other := others.get(edge_key(port, edge))) is not None
    )


def compare_corners(
    port: RegisteredPattern, mirrored: RegisteredPattern
) -> tuple[CornerComparison, ...]:
    """Corners of one name on both sides: each as the angle between the edges next to it.

    Both sides are measured over the same length of edge, so that a curve common
    to both opens neither.
    """
    others = {c.name: k for k, c in enumerate(mirrored.outline.corners)}
    found = []
    for k, corner in enumerate(port.outline.corners):
        other = others.get(corner.name)
        if other is None:
            continue
        ends = [_ends(port, k), _ends(mirrored, other)]
        before, after = (min(a.reach_mm, b.reach_mm) for a, b in zip(*ends, strict=True))
        angle, row = _angle(port, k, ends[0], (before, after))
        other_angle, other_row = _angle(mirrored, other, ends[1], (before, after))
        found.append(
            CornerComparison(
                name=corner.name,
                port_deg=angle,
                starboard_deg=other_angle,
                u95_deg=float(np.degrees(_u95(port, mirrored, row, other_row))),
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """An edge, walked away from one of its corners."""

    span: Indices
    away_mm: Floats
    reach_mm: float
    """How much of it tells the corner's angle."""


def _ends(pattern: RegisteredPattern, corner: int) -> tuple[_End, _End]:
    """The two edges at a corner: the one that ends there, the one that starts there."""
    before, after = edges_at(pattern.outline, corner)
    points = pattern.outline.ring.points_mm
    spans = edge_span(before, len(points))[::-1], edge_span(after, len(points))
    first, second = (_end(points, span) for span in spans)
    return first, second


def _end(points: Floats, span: Indices) -> _End:
    steps = np.linalg.norm(np.diff(points[span], axis=0), axis=1)
    away = np.concatenate([[0.0], np.cumsum(steps)])
    longest = min(_BLADE_MM, 0.6 * float(away[-1]))
    near = points[span[away <= longest + 1e-9]]
    chord = near[-1] - near[0]
    across = np.array([-chord[1], chord[0]]) / max(float(chord @ chord), 1e-12)
    bent = len(near) > 2 and float(np.ptp((near - near[0]) @ across)) > _BENT_SHARE
    return _End(span, away, min(longest, _CURVE_MM) if bent else longest)


def _u95(
    port: RegisteredPattern, mirrored: RegisteredPattern, row: Floats, other_row: Floats
) -> float:
    """95 % half-width of a difference of two linear functions of the rings."""
    ring, other = port.outline.ring, mirrored.outline.ring
    aligned = align_causes(port.outline.causes, mirrored.outline.causes)
    shared = aligned.difference(
        (row @ ring.sensitivity_mm)[None], (other_row @ other.sensitivity_mm)[None]
    )
    random = float(row**2 @ ring.sigma_mm**2 + other_row**2 @ other.sigma_mm**2)
    return float(COVERAGE_FACTOR * np.sqrt((shared**2).sum() + random))


def _length_row(pattern: RegisteredPattern, edge: Edge) -> Floats:
    """Change (N,) of an edge's length by changes of the ring along its normals.

    A polyline through knots along the edge grows where a knot moves against
    the turn of the line there, and with its two ends.
    """
    ring = pattern.outline.ring
    normals = normals_of(ring)
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    row = np.zeros(len(weights))
    corners = {c.index: k for k, c in enumerate(pattern.outline.corners)}
    if edge.start not in corners or edge.stop not in corners:
        return row
    span = edge_span(edge, len(ring.points_mm))
    count = int(np.clip(round(edge.length_mm / _KNOT_MM), 1, len(span) - 1))
    knots = span[np.linspace(0, len(span) - 1, count + 1).round().astype(int)]
    travel = np.diff(ring.points_mm[knots], axis=0)
    travel /= np.linalg.norm(travel, axis=1, keepdims=True)
    row[knots[1:-1]] = ((travel[:-1] - travel[1:]) * normals[knots[1:-1]]).sum(axis=1)
    for index, pull in ((edge.start, -travel[0]), (edge.stop, travel[-1])):
        before, after = edges_at(pattern.outline, corners[index])
        row += pull @ corner_functional(
            ring.points_mm, normals, index, weights, limits=(before.start, after.stop)
        )
    return row


def _angle(
    pattern: RegisteredPattern,
    corner: int,
    ends: tuple[_End, _End],
    reaches_mm: tuple[float, float],
) -> tuple[float, Floats]:
    """Inside angle of the wood between two edges, degrees, and its change (N,), rad, by the ring."""
    outline = pattern.outline
    ring = outline.ring
    before, after = edges_at(outline, corner)
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    normals = normals_of(ring)
    moved = corner_functional(
        ring.points_mm,
        normals,
        outline.corners[corner].index,
        weights,
        limits=(before.start, after.stop),
    )
    (from_before, opens), (from_after, closes) = (
        _heading(ring.points_mm, normals, weights, end, reach, moved)
        for end, reach in zip(ends, reaches_mm, strict=True)
    )
    angle = (from_before - from_after) % (2 * np.pi)
    return float(np.degrees(angle)), opens - closes


def _heading(
    points: Floats, normals: Floats, weights: Floats, end: _End, reach_mm: float, corner: Floats
) -> tuple[float, Floats]:
    """Heading of an edge where it leaves its corner, rad, and its change (N,) by the ring."""
    span, away = end.span, end.away_mm
    use = (away >= min(_CLEAR_MM, 0.2 * reach_mm) - 1e-6) & (away <= reach_mm + 1e-6)
    use[[0, -1]] = False
    weight = np.where(use, weights[span], 0.0)
    if (weight > 0).sum() < 2:
        weight = np.ones(len(span))
    line = slope(away, weight)
    way = line @ points[span]
    along = way / np.linalg.norm(way)
    # Along a curve the normal turns, so a mere slide of the edge along itself changes what is
    # across it; the slide is that of the corner.
    bend = float(line @ (normals[span] @ along))
    row = -bend * (along @ corner)
    row[span] += line
    left = np.array([-along[1], along[0]])
    side = float(np.sign(left @ (weight @ normals[span])))
    return float(np.arctan2(way[1], way[0])), np.asarray(side * row)
