"""What a hand does to an outline's ring: stretches exchanged, corners set and taken away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from spilemark.corners import Indices, ring_span
from spilemark.frames import outward_normals
from spilemark.records import Bools, Cause, Corner, Edge, Floats, Outline

HAND = "drawn by hand"
"""Kind of the cause that the points of one stretch drawn by hand share."""
STRAIGHT_MM = 0.5
_BEND_MM = 3.0
"""Over so much on both sides a bend is told ..."""
_NEAR_MM = 3.0
"""... and so far from the place that was shown it may lie."""
_LEAST_BEND_DEG = 8.0
_SIDE = (7, 2)
"""A corner's sides run from the seventh point off it to the second."""
_SAME_MM = 2.0
"""Corners nearer than this are one."""
_FAR_MM = 12.0
"""A corner farther from the place that was shown is not the one meant."""
_DEGREE = 3
_Any = TypeVar("_Any", np.float64, np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """What takes the place of a run of a ring's points, in ring order."""

    points_mm: Floats
    """(M, 2)"""
    sigma_mm: Floats
    """(M,)"""
    seen: Bools
    """(M,)"""
    corners: tuple[int, ...] = ()
    """Which of its points are corners."""


def spliced(
    outline: Outline, span: Indices, stretch: Stretch, own: tuple[Cause, Floats] | None = None
) -> Outline:
    """An outline with a run of its ring exchanged, marked as made by hand.

    Parameters
    ----------
    outline : Outline
    span : (S,)
        Numbers of the ring's points that go, in ring order; not all of them.
    stretch : Stretch
    own : (Cause, (M,)), optional
        A doubt that the new points share, mm, beside what all of the ring shares.

    Returns
    -------
    Outline
        Its corners are those outside of the run, its two ends, and those of the stretch; edges
        go from corner to corner.
    """
    ring = outline.ring
    n, m = len(ring.points_mm), len(stretch.points_mm)
    rest = (int(span[-1]) + 1 + np.arange(n - len(span))) % n
    first = np.flatnonzero(rest == 0)
    turn = m + int(first[0]) if len(first) else 0

    def laid(new: NDArray[_Any], old: NDArray[_Any]) -> NDArray[_Any]:
        return np.roll(np.concatenate([new, old[rest]]), -turn, axis=0)

    points = laid(stretch.points_mm, ring.points_mm)
    fresh = laid(np.ones(m, dtype=bool), np.zeros(n, dtype=bool))
    shared = shared_sensitivity(outline, points[fresh], outward_normals(points)[fresh])
    # The run may lie across the ring's first point: then its order here is another.
    place = np.argsort((np.flatnonzero(fresh) + turn) % len(points))
    table = laid(shared[place], ring.sensitivity_mm)
    columns = [table]
    if own is not None:
        columns.append(laid(own[1], np.zeros(n))[:, None])
    lines = []
    for line in outline.polylines:
        if line is ring:
            lines.append(
                replace(
                    line,
                    points_mm=points,
                    sigma_mm=laid(stretch.sigma_mm, ring.sigma_mm),
                    sensitivity_mm=np.concatenate(columns, axis=1),
                    seen=laid(stretch.seen, ring.seen),
                    by_hand=laid(np.ones(m, dtype=bool), ring.by_hand),
                )
            )
        else:
            wider = np.zeros((len(line.points_mm), len(columns) - 1))
            lines.append(
                replace(line, sensitivity_mm=np.concatenate([line.sensitivity_mm, wider], axis=1))
            )
    numbers = {int(old): (m + k - turn) % len(points) for k, old in enumerate(rest)}
    numbers |= {int(span[0]): -turn % len(points), int(span[-1]): (m - 1 - turn) % len(points)}
    kept = [replace(c, index=numbers[c.index]) for c in outline.corners if c.index in numbers]
    taken = {c.index for c in kept}
    fresh_corners = [(k - turn) % len(points) for k in stretch.corners]
    kept += [_corner(points, k) for k in fresh_corners if not _close(points, k, taken)]
    causes = outline.causes if own is None else (*outline.causes, own[0])
    edges = [
        replace(e, start=numbers[e.start], stop=numbers[e.stop])
        for e in outline.edges
        if e.start in numbers and e.stop in numbers
    ]
    changed = replace(outline, polylines=tuple(lines), causes=causes)
    return with_corners(changed, kept, edges, fresh)


def with_corners(
    outline: Outline, corners: Sequence[Corner], edges: Sequence[Edge], touched: Bools
) -> Outline:
    """An outline with these corners, and edges from each to the next.

    Parameters
    ----------
    edges : sequence of Edge
        Those that there were, by numbers of today's points; one that has both its corners
        still, and no touched point, stays as it is.
    touched : (N,)
        Points that were moved.
    """
    points = outline.ring.points_mm
    corners = sorted(corners, key=lambda corner: corner.index)
    before = {(e.start, e.stop): e for e in edges}
    starts = {e.start: e for e in edges}
    rows = []
    for k, corner in enumerate(corners):
        start, stop = corner.index, corners[(k + 1) % len(corners)].index
        edge = before.get((start, stop))
        if edge is None or touched[ring_span(start, stop, len(points))].any():
            like = edge or starts.get(start) or Edge(
                name=f"edge {k + 1}", start=start, stop=stop, length_mm=0.0, straight=False
            )  # fmt: skip
            edge = _edge(points, like, start, stop)
        rows.append(edge)
    return replace(outline, corners=tuple(corners), edges=tuple(rows))


def corner_set(outline: Outline, place: Floats) -> tuple[Outline, int] | None:
    """The outline with a corner where its ring bends most near a place (2,), and that point's number.

    The outline itself stays as it is.  None where there is a corner already.
    """
    points = outline.ring.points_mm
    k = _bend_near(points, int(np.argmin(np.linalg.norm(points - place, axis=1))))
    if _close(points, k, {corner.index for corner in outline.corners}):
        return None
    untouched = np.zeros(len(points), dtype=bool)
    corners = [*outline.corners, _corner(points, k)]
    return with_corners(outline, corners, outline.edges, untouched), k


def corner_gone(outline: Outline, place: Floats) -> tuple[Outline, int] | None:
    """The outline without the corner nearest to a place (2,), and its point's number; None: none is near."""
    points = outline.ring.points_mm
    if not outline.corners:
        return None
    away = [float(np.linalg.norm(points[c.index] - place)) for c in outline.corners]
    which = int(np.argmin(away))
    if away[which] > _FAR_MM:
        return None
    corners = [c for k, c in enumerate(outline.corners) if k != which]
    untouched = np.zeros(len(points), dtype=bool)
    gone = outline.corners[which].index
    return with_corners(outline, corners, outline.edges, untouched), gone


def shared_sensitivity(outline: Outline, points: Floats, normals: Floats) -> Floats:
    """Sensitivities (M, K) of further points of an outline to what its ring's points share.

    How far a point moves with a shared cause is a smooth field over the bench, taken across the
    edge, plus a change across the edge that is the same all round.  Both are fitted to the
    ring's own (polynomials of third degree) and read off at the new points.  What one stretch
    drawn by hand shares belongs to it alone.

    Parameters
    ----------
    points, normals : (M, 2)
        Plane frame; the normals outward.
    """
    ring = outline.ring
    centre = ring.points_mm.mean(axis=0)
    reach = max(float(np.abs(ring.points_mm - centre).max()), 1.0)

    def basis(at: Floats, across: Floats) -> Floats:
        x, y = ((at - centre) / reach).T
        terms = np.stack(
            [x**i * y**j for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)], axis=1
        )
        return np.concatenate([terms * across[:, :1], terms * across[:, 1:], 0 * x[:, None] + 1], 1)

    known = basis(ring.points_mm, outward_normals(ring.points_mm))
    field = np.linalg.lstsq(known, ring.sensitivity_mm, rcond=1e-6)[0]
    field[:, [cause.kind == HAND for cause in outline.causes]] = 0.0
    return np.asarray(basis(points, normals) @ field)


def length_mm(points: Floats) -> float:
    """Length of an open line (N, 2)."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _bend_near(points: Floats, k: int) -> int:
    """The point within ``_NEAR_MM`` of point k along the ring where it bends most; k where it hardly does."""
    n = len(points)
    spacing = max(float(np.linalg.norm(np.roll(points, -1, 0) - points, axis=1).mean()), 1e-6)
    room = max(1, round(_NEAR_MM / spacing))
    arm = min(max(1, round(_BEND_MM / spacing)), max(1, n // 4))
    near = (k + np.arange(-room, room + 1)) % n
    u, v = points[near] - points[(near - arm) % n], points[(near + arm) % n] - points[near]
    bend = np.abs(np.degrees(np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(1))))
    most = int(np.argmax(bend))
    if bend[most] < _LEAST_BEND_DEG:
        return k
    # Of the points about it, a corner stands out farthest.
    start, stop = points[(near[most] - arm) % n], points[(near[most] + arm) % n]
    about = (near[most] + np.arange(-arm, arm + 1)) % n
    away, chord = points[about] - start, stop - start
    return int(about[np.argmax(np.abs(away[:, 0] * chord[1] - away[:, 1] * chord[0]))])


def _corner(points: Floats, k: int) -> Corner:
    """A corner at point k, with the wood's angle there."""
    n = len(points)
    far, near = _SIDE
    u = points[(k - near) % n] - points[(k - far) % n]
    v = points[(k + far) % n] - points[(k + near) % n]
    turn = float(np.degrees(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)))
    return Corner(index=int(k), angle_deg=180.0 - turn)


def _close(points: Floats, k: int, others: set[int]) -> bool:
    away = [float(np.linalg.norm(points[k] - points[other])) for other in others]
    return min(away, default=np.inf) < _SAME_MM


def _edge(points: Floats, like: Edge, start: int, stop: int) -> Edge:
    """An edge as it is now."""
    run = points[ring_span(start, stop, len(points))]
    chord = run[-1] - run[0]
    size = float(np.linalg.norm(chord))
    across = np.zeros(1)
    if size > 0:
        away = run - run[0]
        across = (away[:, 0] * chord[1] - away[:, 1] * chord[0]) / size
    straight = bool(size > 0 and np.abs(across).max() <= STRAIGHT_MM)
    return replace(like, start=start, stop=stop, length_mm=length_mm(run), straight=straight)
