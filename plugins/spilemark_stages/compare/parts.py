"""Numbers that need no datum: lengths of edges, angles of corners."""

from __future__ import annotations

import numpy as np

from spilemark.corner_angles import End, Heading, between_deg, ends_at, heading
from spilemark.corners import corner_functional, edge_span, edges_at
from spilemark.records import CornerComparison, Edge, EdgeComparison, Floats, RegisteredPattern
from spilemark.uncertainty import COVERAGE_FACTOR, align_causes, arc_weights, normals_of
from spilemark_stages.compare.pair import edge_key

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
        ends = [ends_at(port.outline, k), ends_at(mirrored.outline, other)]
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
    ends: tuple[End, End],
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
    return between_deg(from_before, from_after), opens - closes


def _heading(
    points: Floats, normals: Floats, weights: Floats, end: End, reach_mm: float, corner: Floats
) -> tuple[Heading, Floats]:
    """Heading of an edge where it leaves its corner, and its change (N,), rad, by the ring."""
    found = heading(points, weights, end, reach_mm)
    span, along = end.span, found.along
    # Along a curve the normal turns, so a mere slide of the edge along itself changes what is
    # across it; the slide is that of the corner.
    bend = float(found.line @ (normals[span] @ along))
    row = -bend * (along @ corner)
    row[span] += found.line
    left = np.array([-along[1], along[0]])
    side = float(np.sign(left @ (found.weight @ normals[span])))
    return found, np.asarray(side * row)
