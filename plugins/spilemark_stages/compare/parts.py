"""Numbers that need no datum: lengths of edges, angles of corners."""

from __future__ import annotations

import numpy as np

from spilemark.corner_angles import End, Heading, between_deg, ends_at, heading
from spilemark.corners import Indices, corner_functional, edge_span, edges_at, ring_span
from spilemark.names import OUTER
from spilemark.records import CornerComparison, Edge, EdgeComparison, Floats, RegisteredPattern
from spilemark.uncertainty import COVERAGE_FACTOR, align_causes, arc_weights, normals_of
from spilemark_stages.compare.pair import edge_key

_KNOT_MM = 10.0
_TOE = "arm outer"
"""How the names of the corners at the toes end."""


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
                through_toes_deg=_through_toes_deg(port, mirrored)
                if corner.name == OUTER
                else None,
            )
        )
    return tuple(found)


def _through_toes_deg(port: RegisteredPattern, mirrored: RegisteredPattern) -> float | None:
    """Outer corner's angle by straight lines to the toes, mirrored starboard's less port's.

    Each arm is met equally far from the corner on both sides, at the nearer of its two
    toes, so that a bow that both have opens neither. None where a toe was not seen.
    """
    sides = [(p, _arms(p)) for p in (port, mirrored)]
    if not all(
        pattern.outline.ring.seen[arm[-3:]].all() for pattern, arms in sides for arm in arms
    ):
        return None
    walked = [[pattern.outline.ring.points_mm[arm] for arm in arms] for pattern, arms in sides]
    reaches = [min(_far(arm)[-1] for arm in both) for both in zip(*walked, strict=True)]
    one, other = (
        [_way_rad(arm, reach) for arm, reach in zip(arms, reaches, strict=True)] for arms in walked
    )
    wider = (other[0] - other[1]) - (one[0] - one[1])
    return float(np.degrees((wider + np.pi) % (2 * np.pi) - np.pi))


def _arms(pattern: RegisteredPattern) -> tuple[Indices, Indices]:
    """Points of the ring from the outer corner to each toe: against the ring's order, and along it."""
    corners, count = pattern.outline.corners, len(pattern.outline.ring.points_mm)
    origin = pattern.origin_corner or 0
    toes = []
    for step in (-1, 1):
        ahead = [corners[(origin + step * k) % len(corners)] for k in range(1, len(corners))]
        toes.append(next((c for c in ahead if c.name.endswith(_TOE)), ahead[0]).index)
    at = corners[origin].index
    return ring_span(toes[0], at, count)[::-1], ring_span(at, toes[1], count)


def _far(points: Floats) -> Floats:
    """Distance of each point from the first, never falling."""
    return np.asarray(np.maximum.accumulate(np.linalg.norm(points - points[0], axis=1)))


def _way_rad(points: Floats, reach_mm: float) -> float:
    """Direction in which a walk is ``reach_mm`` from its first point."""
    far = _far(points)
    k = min(int(np.searchsorted(far, reach_mm - 1e-9)), len(far) - 1)
    k = max(k, 1)
    share = np.clip((reach_mm - far[k - 1]) / max(far[k] - far[k - 1], 1e-9), 0.0, 1.0)
    x, y = points[k - 1] + share * (points[k] - points[k - 1]) - points[0]
    return float(np.arctan2(y, x))


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
