"""Which corner is the outer one, and what a builder calls edges and corners.

The *outer corner* of a pattern is the one nearest to the hull's corner: where
its two longest fairly straight outer edges meet.  It is looked for on the
convex hull of the outline, so that a notch cut into an edge does not make
corners of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from spilemark.records import Corner, Edge, Floats, Outline

Indices = NDArray[np.intp]

MAIN_TURN_DEG = 20.0
"""A corner is a main one where the convex hull turns at least this much."""

HOLLOW = 0.06
"""A run that bends inwards by more than this share of its chord is a throat, not an outer edge."""

CLIP_SHARE = 0.15
"""A short run between two long outer edges, below this share of both, is a clipped corner."""

RIVAL_SHARE = 0.9
"""Corners that score within this share of the best one cannot be told apart by shape."""

HIDES_CORNER = 0.15
"""A run that bulges by more than this share of its chord holds a corner that a rough edge hid: no bowed
edge of a knee or breasthook bulges half as much."""

LEAST_SCORE_SHARE = 0.12
"""An outer corner scores at least this share of the pattern's size; an arm's end does not."""

INSIDE_DEG = 200.0
"""From this inside angle on, a corner is an inside one: the bottom of a notch."""

LONG_ENOUGH = 0.4
"""An edge to lay a pattern on is at least this share of the other one's length."""

STRAIGHT_SHARE = 0.003
"""An edge that leaves its chord by less than this share of it is straight."""

_BROKEN_TRUST = 0.5
_WINDOW_SHARE = 0.008
_NEAREST_MM = 2.0
_FURTHEST_MM = 11.0
"""A tracer sets a corner where parabolas through about this much of its two sides meet."""


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of the ring between two main corners, in ring order."""

    first: int
    """Index into ``outline.corners`` of the main corner where it starts."""
    last: int
    """The main corner where it ends."""
    chord_mm: float
    hollow: float
    """Median inward distance from the chord, over the chord; below zero where it bulges."""
    broken: bool
    """Whether a corner stands within it that is no notch's."""

    @property
    def trust(self) -> float:
        """How much it looks like an outer edge, 0..1: full and unbroken, not hollow."""
        full = 1.0 - max(0.0, self.hollow) / (2 * HOLLOW)
        return max(full, 0.0) * (_BROKEN_TRUST if self.broken else 1.0)

    @property
    def outer(self) -> bool:
        """Whether it can be an outer edge."""
        return -HIDES_CORNER < self.hollow < HOLLOW


@dataclass(frozen=True, slots=True)
class OuterCorner:
    """A candidate for the outer corner."""

    corners: tuple[int, ...]
    """Index into ``outline.corners``: one, or both ends of the clip where it was cut off."""
    before: Run
    """The outer edge that ends here, in ring order."""
    after: Run
    """The outer edge that starts here."""
    score_mm: float


def ring_span(start: int, stop: int, count: int) -> Indices:
    """Indices from ``start`` to ``stop`` inclusive, round the end of a ring of ``count`` points."""
    return np.arange(start, stop + (count if stop <= start else 0) + 1) % count


def edge_span(edge: Edge, count: int) -> Indices:
    """Indices of an edge's points, both corners included."""
    return ring_span(edge.start, edge.stop, count)


def main_corners(ring_mm: Floats, corners: Sequence[Corner]) -> tuple[int, ...]:
    """Indices into ``corners`` of those where the convex hull turns."""
    hull = ConvexHull(ring_mm).vertices
    if len(hull) < 3:
        return ()
    points = ring_mm[hull]
    step = np.roll(points, -1, 0) - points
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.degrees((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    window = max(3.0, _WINDOW_SHARE * float(np.linalg.norm(step, axis=1).sum()))
    main = []
    for k, corner in enumerate(corners):
        near = np.linalg.norm(points - ring_mm[corner.index], axis=1) <= window
        if corner.angle_deg < 180.0 and float(turn[near].sum()) >= MAIN_TURN_DEG:
            main.append(k)
    return tuple(main)


def runs_between(
    ring_mm: Floats, corners: Sequence[Corner], main: Sequence[int]
) -> tuple[Run, ...]:
    """The runs from each main corner to the next one."""
    runs = []
    for k, first in enumerate(main):
        last = main[(k + 1) % len(main)]
        points = ring_mm[ring_span(corners[first].index, corners[last].index, len(ring_mm))]
        chord = points[-1] - points[0]
        length = max(float(np.linalg.norm(chord)), 1e-9)
        # Wood lies on the left of an anticlockwise ring.
        inward = np.array([-chord[1], chord[0]]) / length
        hollow = float(np.median((points - points[0]) @ inward)) / length
        within = range(first + 1, last + (len(corners) if last <= first else 0))
        inner = [corners[k % len(corners)].angle_deg for k in within]
        broken = bool(inner) and max(inner) < INSIDE_DEG
        runs.append(Run(first, last, length, hollow, broken))
    return tuple(runs)


def has_arms(outline: Outline, outer: OuterCorner) -> bool:
    """Whether a pattern has the form of a knee about a corner: two outer edges, nothing bulging across.

    A half bulkhead has a square corner too, but the run that faces it is the
    hull's, which bulges; a knee's throat is hollow, or straight.
    """
    ring, corners = outline.ring.points_mm, outline.corners
    runs = runs_between(ring, corners, main_corners(ring, corners))
    sides = {(outer.before.first, outer.before.last), (outer.after.first, outer.after.last)}
    across = [run for run in runs if (run.first, run.last) not in sides]
    longest = max((run.chord_mm for run in across), default=0.0)
    return all(run.hollow > -HOLLOW for run in across if run.chord_mm > 0.5 * longest)


def outer_corner_candidates(outline: Outline) -> tuple[OuterCorner, ...]:
    """Corners between two outer edges, the likeliest first; empty where there is none.

    Each scores by its shorter edge times the square of the sine of the angle
    between the two: long legs near a right angle.  Squared, because without it
    the corner opposite to the longest side wins whatever its angle, and that
    side may be a throat which is hardly hollow.  A run that is a little hollow,
    or has a corner in it, counts for less.  Where the outer corner itself was lost
    in a rough edge there is none: corners of an arm's end are no candidates.
    """
    ring, corners = outline.ring.points_mm, outline.corners
    main = main_corners(ring, corners)
    if len(main) < 3:
        return ()
    runs = runs_between(ring, corners, main)
    found = []
    for k, after in enumerate(runs):
        before = runs[k - 1]
        found += _candidate(ring, corners, before, after, (after.first,))
        far = runs[k - 2]
        clipped = before.chord_mm < CLIP_SHARE * min(far.chord_mm, after.chord_mm)
        if len(runs) > 3 and before.outer and clipped:
            found += _candidate(ring, corners, far, after, (before.first, before.last))
    least = LEAST_SCORE_SHARE * float(np.linalg.norm(np.ptp(ring, axis=0)))
    return tuple(sorted((c for c in found if c.score_mm >= least), key=lambda c: -c.score_mm))


def _candidate(
    ring: Floats, corners: Sequence[Corner], before: Run, after: Run, at: tuple[int, ...]
) -> list[OuterCorner]:
    if not (before.outer and after.outer):
        return []
    a = ring[corners[before.last].index] - ring[corners[before.first].index]
    b = ring[corners[after.last].index] - ring[corners[after.first].index]
    sine = (a[0] * b[1] - a[1] * b[0]) / (np.linalg.norm(a) * np.linalg.norm(b))
    shorter = min(before.chord_mm, after.chord_mm)
    score = shorter * float(sine) ** 2 * min(before.trust, after.trust)
    return [OuterCorner(at, before, after, score)] if sine > 0 else []


def rivals(candidates: Sequence[OuterCorner]) -> tuple[OuterCorner, ...]:
    """The best candidate and those that shape alone cannot tell from it."""
    best = max((c.score_mm for c in candidates), default=0.0)
    return tuple(c for c in candidates if c.score_mm >= RIVAL_SHARE * best)


def chord(outline: Outline, run: Run) -> Floats:
    """Vector (2,) from a run's first corner to its last, mm."""
    ring = outline.ring.points_mm
    ends = (outline.corners[run.last].index, outline.corners[run.first].index)
    return np.asarray(ring[ends[0]] - ring[ends[1]])


def edges_at(outline: Outline, corner: int) -> tuple[Edge, Edge]:
    """The edge that ends at a corner (index into ``outline.corners``) and the one that starts there.

    As the outline has them, or made from its corners where it has none.
    """
    count = len(outline.corners)
    before, at, after = (outline.corners[(corner + k) % count].index for k in (-1, 0, 1))
    return _edge_between(outline, before, at), _edge_between(outline, at, after)


def _edge_between(outline: Outline, start: int, stop: int) -> Edge:
    for edge in outline.edges:
        if (edge.start, edge.stop) == (start, stop):
            return edge
    return measured_edge(outline.ring.points_mm, start, stop)


def measured_edge(ring_mm: Floats, start: int, stop: int) -> Edge:
    """A nameless edge between two points of a ring, its length and straightness measured."""
    points = ring_mm[ring_span(start, stop, len(ring_mm))]
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    along = points[-1] - points[0]
    across = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
    bow = float(np.ptp((points - points[0]) @ across))
    return Edge(
        name="", start=start, stop=stop, length_mm=length, straight=bow < STRAIGHT_SHARE * length
    )


def corner_functional(
    ring_mm: Floats,
    normals: Floats,
    corner: int,
    weights: Floats,
    *,
    limits: tuple[int, int] | None = None,
) -> Floats:
    """How a corner moves when its two edges move along their normals.

    Parameters
    ----------
    ring_mm, normals : (N, 2)
    corner : int
        Index of the corner's point.
    weights : (N,)
        Length that each point stands for; none where it was not seen.
    limits : (int, int), optional
        Points at which the edge before starts and the edge after stops.

    Returns
    -------
    (2, N)
        Times changes along the normals: the corner's own displacement, mm.
        Each edge's change over the last 11 mm, or half of a short edge, is
        drawn on to the corner by a parabola, as the tracer draws the edge
        itself; the corner is where both edges meet.
    """
    count = len(ring_mm)
    first, last = limits if limits is not None else (corner + 1, corner - 1)
    before = ring_span(first % count, corner, count)[::-1]
    after = ring_span(corner, last % count, count)
    rows, directions = [], []
    for span in (before, after):
        row, normal = _edge_at_corner(ring_mm, normals, span, weights)
        rows.append(row)
        directions.append(normal)
    return np.asarray(np.linalg.pinv(np.array(directions), rcond=1e-3) @ np.array(rows))


def corner_and_edge_functional(
    ring_mm: Floats, normals: Floats, weights: Floats, corner: int, edge: Edge, other: Edge
) -> Floats:
    """Laying by one corner and the straight edge that leads from it, as a matrix.

    Parameters
    ----------
    ring_mm, normals : (N, 2)
    weights : (N,)
    corner : int
        Index of the corner's point.
    edge, other : Edge
        The edge that is laid on, and the other one that meets the corner.

    Returns
    -------
    (3, N)
        Times changes along the normals: the turn about (0, 0) of the edge
        (rad), and the shift (mm) that goes with it and brings the corner along.
    """
    count = len(ring_mm)
    leads = edge.start == corner
    span = edge_span(edge, count) if leads else edge_span(edge, count)[::-1]
    away = np.concatenate(
        [[0.0], np.cumsum(np.linalg.norm(np.diff(ring_mm[span], axis=0), axis=1))]
    )
    w = weights[span] if (weights[span][1:-1] > 0).sum() >= 2 else np.ones(len(span))
    # The corners themselves are stated along their bisectors, not across this edge.
    w = np.concatenate([[0.0], w[1:-1], [0.0]]) if len(span) > 4 else w
    along = ring_mm[span[-1]] - ring_mm[corner]
    along = along / np.linalg.norm(along)
    normal = (w[:, None] * normals[span]).sum(0)
    turn = np.zeros(count)
    turn[span] = slope(away, w) * float(along[0] * normal[1] - along[1] * normal[0])
    turn /= np.linalg.norm(normal)
    before, after = (other, edge) if leads else (edge, other)
    x, y = corner_functional(ring_mm, normals, corner, weights, limits=(before.start, after.stop))
    return np.stack([turn, x + turn * ring_mm[corner, 1], y - turn * ring_mm[corner, 0]])


def straightest(ring_mm: Floats, edges: Sequence[Edge]) -> int:
    """Which of the edges at a corner to lay a pattern on, by its place in ``edges``.

    Short ones are left out; of those that are all straight the first counts, so
    name the preferred one first.
    """
    longest = max(edge.length_mm for edge in edges)
    shares = []
    for edge in edges:
        points = ring_mm[edge_span(edge, len(ring_mm))]
        along = points[-1] - points[0]
        across = np.array([-along[1], along[0]]) / max(float(along @ along), 1e-12)
        bow = float(np.ptp((points - points[0]) @ across))
        short = edge.length_mm < LONG_ENOUGH * longest
        shares.append(np.inf if short else max(bow, STRAIGHT_SHARE))
    return int(np.argmin(shares))


def _edge_at_corner(
    ring: Floats, normals: Floats, span: Indices, weights: Floats
) -> tuple[Floats, Floats]:
    """Row (N,) that draws an edge's change on to its corner, and its normal (2,) there."""
    away = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring[span], axis=0), axis=1))])
    reach = max(min(_FURTHEST_MM, 0.5 * float(away[-1])), 3 * _NEAREST_MM)
    # Even steps end exactly on the limits: rounding must not decide which points speak.
    use = (away >= min(_NEAREST_MM, 0.2 * reach) - 1e-6) & (away <= reach + 1e-6)
    # Corners are stated along their bisectors, not across the edge.
    use[[0, -1]] = False
    w = np.where(use, weights[span], 0.0)
    if (w > 0).sum() < 2:
        w = np.where(np.arange(len(span)) < 3, 1.0, 0.0)
    row = np.zeros(len(ring))
    row[span] = _intercept(away, w)
    # A curved edge's normal is drawn on to the corner just as its change is.
    normal = row[span] @ normals[span]
    return row, normal / np.linalg.norm(normal)


def _intercept(at: Floats, weights: Floats) -> Floats:
    """Weights (N,) whose product with values is at ``at`` = 0 of the parabola through them."""
    bent = 2 if (weights > 0).sum() > 4 else 1
    return np.asarray(_fit_rows(at, weights, bent)[0])


def slope(at: Floats, weights: Floats) -> Floats:
    """Weights (N,) whose product with values is the slope of their straight-line fit."""
    return np.asarray(_fit_rows(at, weights, 1)[1])


def _fit_rows(at: Floats, weights: Floats, degree: int) -> Floats:
    root = np.sqrt(weights / weights.sum())[:, None]
    columns = np.vander(at, degree + 1, increasing=True)
    return np.asarray(np.linalg.pinv(root * columns, rcond=1e-9) * root.T)
