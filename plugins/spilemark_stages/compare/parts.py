"""Numbers that need no datum: lengths of edges, angles of corners."""

from __future__ import annotations

import numpy as np

from spilemark.corners import corner_functional, edge_span, ring_span, slope
from spilemark.records import CornerComparison, Edge, EdgeComparison, Floats, RegisteredPattern
from spilemark.uncertainty import COVERAGE_FACTOR, align_causes, arc_weights, normals_of

_REACH_MM = 60.0
"""How much of each edge tells a corner's angle."""
_CLEAR_MM = 2.0


def compare_edges(
    port: RegisteredPattern, mirrored: RegisteredPattern
) -> tuple[EdgeComparison, ...]:
    """Edges of one name on both sides, in port's order."""
    others = {e.name: e for e in mirrored.outline.edges}
    return tuple(
        EdgeComparison(
            name=edge.name,
            port_length_mm=edge.length_mm,
            starboard_length_mm=others[edge.name].length_mm,
            u95_mm=_u95(port, mirrored, _length_row(port, edge), _length_row(mirrored, other)),
        )
        for edge in port.outline.edges
        if (other := others.get(edge.name)) is not None
    )


def compare_corners(
    port: RegisteredPattern, mirrored: RegisteredPattern
) -> tuple[CornerComparison, ...]:
    """Corners of one name on both sides: each as the angle between the edges next to it."""
    others = {c.name: k for k, c in enumerate(mirrored.outline.corners)}
    found = []
    for k, corner in enumerate(port.outline.corners):
        other = others.get(corner.name)
        if other is None:
            continue
        angle, row = _angle(port, k)
        other_angle, other_row = _angle(mirrored, other)
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
    """Change (N,) of an edge's length by changes of the ring: of the distance of its ends."""
    ring = pattern.outline.ring
    normals = normals_of(ring)
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    span = edge_span(edge, len(ring.points_mm))
    if edge.start == edge.stop:
        return np.zeros(len(weights))
    chord = ring.points_mm[span[-1]] - ring.points_mm[span[0]]
    along = chord / max(float(np.linalg.norm(chord)), 1e-9)
    start, stop = (
        corner_functional(ring.points_mm, normals, int(span[end]), weights) for end in (0, -1)
    )
    return np.asarray(along @ (stop - start))


def _angle(pattern: RegisteredPattern, corner: int) -> tuple[float, Floats]:
    """Inside angle, degrees, of the wood between two edges, and its change (N,), rad, by the ring."""
    outline = pattern.outline
    ring = outline.ring
    points, count = ring.points_mm, len(ring.points_mm)
    at = outline.corners[corner].index
    before = outline.corners[corner - 1].index
    after = outline.corners[(corner + 1) % len(outline.corners)].index
    weights = arc_weights(points, closed=True, seen=ring.seen)
    normals = normals_of(ring)
    headings, rows = [], []
    for span, sign in (
        (ring_span(before, at, count)[::-1], 1.0),
        (ring_span(at, after, count), -1.0),
    ):
        away = np.concatenate(
            [[0.0], np.cumsum(np.linalg.norm(np.diff(points[span], axis=0), axis=1))]
        )
        reach = min(_REACH_MM, 0.6 * float(away[-1]))
        use = (away >= min(_CLEAR_MM, 0.2 * reach)) & (away <= reach)
        weight = np.where(use, weights[span], 0.0)
        if (weight > 0).sum() < 2:
            weight = np.ones(len(span))
        line = slope(away, weight)
        way = line @ points[span]
        headings.append(float(np.arctan2(way[1], way[0])))
        row = np.zeros(count)
        # Outwards on the edge before (walked backwards) opens the angle one way, after the other.
        row[span] = line * float(np.sign(_cross(way, (weight[:, None] * normals[span]).sum(0))))
        rows.append(sign * row)
    angle = (headings[0] - headings[1]) % (2 * np.pi)
    return float(np.degrees(angle)), np.asarray(rows[0] + rows[1])


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
