"""Moving the edges of an outline by amounts of their own, and joining them again.

Each edge is moved square to itself, by an amount that may change along it, and
bodily in a fixed direction.  Neighbours are carried on to their intersection or
cut back to it.  What overlaps is cleared by winding number: of all the faces
that the moved lines enclose, those stay that they run round anticlockwise.
(Chen and McMains, "Polygon offsetting by computing winding numbers", ASME
DETC2005-85513, 2005; there for one amount all round.)
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from spilemark.errors import UsageError
from spilemark.shop.outlines import Floats, Indices, ShopEdge, ShopOutline

Join = Literal["mitre", "round"]

MITRE_LIMIT = 4.0
"""A mitred corner stands off its old place by at most this many times the amount, then is cut off."""

LOST_DEPTH = 4.0
"""What vanishes at a tight inside corner lies within this many times the amount of the new line."""

_ARC_STEP_RAD = math.radians(2.0)
_PARALLEL = 1e-6
_SAME_MM = 1e-9
_ON_LINE_MM = 1e-4
_SLIVER_MM2 = 1e-2
_LEAST_MM = 0.25


@dataclass(frozen=True, slots=True)
class EdgeMove:
    """How one edge is moved."""

    outward_mm: float | Floats = 0.0
    """Square to the edge, positive out of the wood; one number, or one for each of its points."""
    along_mm: tuple[float, float] = (0.0, 0.0)
    """Bodily, in x and y."""


@dataclass(slots=True)
class _Steps:
    """The segments of a ring, one row each, where they are and where they go."""

    at: Floats
    """(N, 2) first points before the move."""
    begin: Floats
    end: Floats
    heading: Floats
    """(N, 2) unit vectors along the moved segments."""
    edge: Indices
    """(N,) which edge each belongs to."""

    def length(self, row: int) -> float:
        """Length of a moved segment."""
        return float(np.hypot(*(self.end[row] - self.begin[row])))


@dataclass(slots=True)
class _Tagged:
    """A ring whose segments know their edge."""

    points: Floats
    edge: Indices
    """(M,) edge of the segment that begins at each point."""


def move_edges(
    outline: ShopOutline, moves: Mapping[str, EdgeMove], *, join: Join = "mitre"
) -> ShopOutline:
    """Move named edges of an outline; edges that are not named stay.

    Parameters
    ----------
    outline : ShopOutline
    moves : mapping
        Edge name to :class:`EdgeMove`.
    join : {"mitre", "round"}
        How outside corners are carried on: straight to the intersection, or
        round the old corner where both edges move out by one amount.

    Raises
    ------
    UsageError
        The result crosses itself, falls apart, loses an edge or cuts a hole;
        the message says where.

    Notes
    -----
    Corners from the intersection of the moved edges: own derivation, checked
    against ``shapely.buffer`` where all amounts are one, and against lines
    intersected by hand where they are not.
    """
    told = {outline.edges.index(outline.edge(name)): move for name, move in moves.items()}
    steps = _moved_steps(outline, [told.get(k, EdgeMove()) for k in range(len(outline.edges))])
    raw = _joined(steps, join)
    clean = _cleared(raw, steps)
    result = _with_edges(outline, clean)
    _check_holes(result)
    return result


def densified(outline: ShopOutline, step_mm: float = 1.0) -> ShopOutline:
    """The same outline with no two neighbouring points farther apart than ``step_mm``."""
    p = outline.points_mm
    ahead = np.roll(p, -1, 0)
    parts = np.maximum(1, np.ceil(np.linalg.norm(ahead - p, axis=1) / step_mm)).astype(np.intp)
    rows = [
        start + np.linspace(0, 1, n, endpoint=False)[:, None] * (stop - start)
        for start, stop, n in zip(p, ahead, parts, strict=True)
    ]
    place = np.concatenate([[0], np.cumsum(parts)[:-1]])
    return replace(
        outline,
        points_mm=np.concatenate(rows),
        edges=tuple(
            replace(e, start=int(place[e.start]), stop=int(place[e.stop])) for e in outline.edges
        ),
        corners=tuple((name, int(place[index])) for name, index in outline.corners),
    )


def _moved_steps(outline: ShopOutline, moves: list[EdgeMove]) -> _Steps:
    """Every segment, displaced by its own edge's move."""
    parts = []
    for k, (edge, move) in enumerate(zip(outline.edges, moves, strict=True)):
        points = outline.points_mm[outline.indices(edge)]
        amount = np.broadcast_to(np.asarray(move.outward_mm, np.float64), len(points))
        step = np.diff(points, axis=0)
        length = np.linalg.norm(step, axis=1)
        keep = length > _SAME_MM
        heading = step[keep] / length[keep, None]
        outward = np.stack([heading[:, 1], -heading[:, 0]], axis=-1)
        along = np.asarray(move.along_mm)
        begin = points[:-1][keep] + along + amount[:-1][keep, None] * outward
        end = points[1:][keep] + along + amount[1:][keep, None] * outward
        parts.append((points[:-1][keep], begin, end, heading, np.full(int(keep.sum()), k)))
    at, begin, end, heading, edge_of = (np.concatenate(rows) for rows in zip(*parts, strict=True))
    moved = end - begin
    size = np.linalg.norm(moved, axis=1)
    # An amount that changes turns the segment a little; one that shrinks to nothing keeps its way.
    turned = np.where(
        size[:, None] > _SAME_MM, moved / np.maximum(size, _SAME_MM)[:, None], heading
    )
    return _Steps(at, begin, end, turned, edge_of.astype(np.intp))


def _joined(steps: _Steps, join: Join) -> _Tagged:
    """One closed line through all moved segments."""
    points: list[Floats] = []
    tags: list[int] = []
    count = len(steps.at)
    for i in range(count):
        before = i - 1 if i else count - 1
        corner = _corner(steps, before, i, join)
        points += corner
        # Up to its middle a joint belongs to the edge before it.
        half = (len(corner) - 1) // 2 if len(corner) > 1 else 0
        tags += [int(steps.edge[before])] * half + [int(steps.edge[i])] * (len(corner) - half)
    return _Tagged(np.array(points), np.array(tags, dtype=np.intp))


def _corner(steps: _Steps, one: int, two: int, join: Join) -> list[Floats]:
    """Points that lead from the end of a moved segment to the beginning of the next."""
    leave, arrive, old = steps.end[one], steps.begin[two], steps.at[two]
    gap = arrive - leave
    if float(np.hypot(*gap)) < _SAME_MM:
        return [arrive]
    d, e = steps.heading[one], steps.heading[two]
    turn = float(d[0] * e[1] - d[1] * e[0])
    if abs(turn) < _PARALLEL:
        return [leave, arrive]
    past = float(gap[0] * e[1] - gap[1] * e[0]) / turn
    short = float(gap[0] * d[1] - gap[1] * d[0]) / turn
    # The two lines meet ``past`` ahead of the one's end and ``short`` after the other's beginning.
    meet = leave + past * d
    reach = max(float(np.hypot(*(leave - old))), float(np.hypot(*(arrive - old))))
    share = MITRE_LIMIT * reach / max(float(np.hypot(*(meet - old))), _SAME_MM)
    outside = past >= 0.0 >= short
    if outside and join == "round":
        arc = _arc(old, leave, arrive)
        if arc is not None:
            return arc
    if -past < 0.5 * steps.length(one) and short < 0.5 * steps.length(two):
        if share >= 1.0:
            return [meet]
        return (
            [leave + share * past * d, arrive + share * short * e] if outside else [leave, arrive]
        )
    if past < 0.0 < short:
        # Over the old corner, so that what is cut off is run round the other way.
        return [leave, old, arrive]
    return [leave, meet, arrive] if share >= 1.0 else [leave, arrive]


def _arc(centre: Floats, leave: Floats, arrive: Floats) -> list[Floats] | None:
    """Points round an old corner; None where the two edges do not move by one amount."""
    a, b = leave - centre, arrive - centre
    radius = float(np.hypot(*a))
    if abs(radius - float(np.hypot(*b))) > 1e-6 * max(radius, 1.0):
        return None
    start = math.atan2(a[1], a[0])
    sweep = math.remainder(math.atan2(b[1], b[0]) - start, math.tau)
    at = start + sweep * np.linspace(0, 1, max(2, math.ceil(abs(sweep) / _ARC_STEP_RAD) + 1))
    arc = centre + radius * np.stack([np.cos(at), np.sin(at)], axis=-1)
    return [leave, *arc[1:-1], arrive]


def _cleared(raw: _Tagged, steps: _Steps) -> _Tagged:
    """What the closed line runs round anticlockwise, if that is one piece without pockets."""
    from shapely import LinearRing

    if LinearRing(raw.points).is_simple:
        if _signed_area(raw.points) <= 0:
            raise _nothing_left(steps)
        return raw
    ring = _one_piece(_kept_faces(raw.points), steps)
    _check_depth(ring, steps)
    return _Tagged(ring, _nearest_edges(ring, raw))


def _kept_faces(ring: Floats) -> list[Any]:
    from shapely import LineString, unary_union
    from shapely.ops import polygonize

    closed = np.concatenate([ring, ring[:1]])
    faces = [f for f in polygonize(unary_union(LineString(closed))) if f.area > _SAME_MM]
    if not faces:
        return []
    inside = np.array([f.representative_point().coords[0] for f in faces])
    kept = [f for f, turns in zip(faces, _windings(inside, ring), strict=True) if turns >= 1]
    union = unary_union(kept)
    return [p for p in getattr(union, "geoms", [union]) if p.area > _SLIVER_MM2]


def _windings(points: Floats, ring: Floats) -> Indices:
    """How often a ring runs round each point, anticlockwise positive (crossings of a ray to +x)."""
    a, b = ring, np.roll(ring, -1, 0)
    found = np.zeros(len(points), dtype=np.intp)
    for k, (x, y) in enumerate(points):
        left = (b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (x - a[:, 0]) * (b[:, 1] - a[:, 1])
        up = (a[:, 1] <= y) & (b[:, 1] > y) & (left > 0)
        down = (a[:, 1] > y) & (b[:, 1] <= y) & (left < 0)
        found[k] = int(up.sum()) - int(down.sum())
    return found


def _one_piece(pieces: list[Any], steps: _Steps) -> Floats:
    from shapely import MultiPolygon, Polygon
    from shapely.geometry.polygon import orient

    if not pieces:
        raise _nothing_left(steps)
    if len(pieces) > 1:
        _, (x, y) = _deepest_loss(MultiPolygon(pieces).boundary, steps)
        raise _crosses("falls into pieces", x, y)
    pockets = [Polygon(r) for r in pieces[0].interiors if Polygon(r).area > _SLIVER_MM2]
    if pockets:
        middle = pockets[0].representative_point()
        raise _crosses("closes on itself", middle.x, middle.y)
    ring = orient(Polygon(pieces[0].exterior), 1.0).exterior
    return np.asarray(ring.coords)[:-1]


def _check_depth(ring: Floats, steps: _Steps) -> None:
    """Refuse where more than a tight corner vanished: an arm, or a notch."""
    from shapely import LinearRing

    depth, (x, y) = _deepest_loss(LinearRing(ring), steps)
    moved = float(np.linalg.norm(steps.begin - steps.at, axis=1).max())
    if depth > max(LOST_DEPTH * moved, _LEAST_MM):
        raise _crosses("runs over itself", x, y)


def _deepest_loss(new: Any, steps: _Steps) -> tuple[float, tuple[float, float]]:
    """Of the segments that are not on the new line, the one farthest from it: how far, and where."""
    from shapely import distance, points

    middle = (steps.begin + steps.end) / 2.0
    lost = distance(points(middle), new) > _ON_LINE_MM
    old = (steps.at + np.roll(steps.at, -1, 0)) / 2.0
    depth = np.where(lost, distance(points(old), new), 0.0)
    worst = int(np.argmax(depth))
    x, y = old[worst]
    return float(depth[worst]), (float(x), float(y))


def _nearest_edges(ring: Floats, raw: _Tagged) -> Indices:
    """Edge of each segment of a cleared ring: that of the moved segment under its middle."""
    from shapely import LineString, STRtree, points

    ahead = np.roll(raw.points, -1, 0)
    tree = STRtree([LineString(pair) for pair in zip(raw.points, ahead, strict=True)])
    middle = (ring + np.roll(ring, -1, 0)) / 2.0
    return np.asarray(raw.edge[tree.nearest(points(middle))], dtype=np.intp)


def _with_edges(outline: ShopOutline, ring: _Tagged) -> ShopOutline:
    """Name the edges of the new ring; it starts where the first edge starts."""
    starts = [_start_of(ring, k, outline) for k in range(len(outline.edges))]
    count = len(ring.points)
    shifted = [(s - starts[0]) % count for s in starts]
    if any(b <= a for a, b in itertools.pairwise(shifted)):
        x, y = ring.points[starts[0]]
        raise _crosses("no longer follows its edges in order", float(x), float(y))
    edges = tuple(
        replace(e, start=a, stop=b)
        for e, a, b in zip(outline.edges, shifted, [*shifted[1:], 0], strict=True)
    )
    points = np.roll(ring.points, -starts[0], axis=0)
    corners = tuple((name, _corner_at(outline, edges, points, i)) for name, i in outline.corners)
    return replace(outline, points_mm=points, edges=edges, corners=corners)


def _start_of(ring: _Tagged, edge: int, outline: ShopOutline) -> int:
    """Where the longest run of an edge's segments begins."""
    mine = ring.edge == edge
    if mine.all():
        return 0
    length = np.where(mine, np.linalg.norm(np.roll(ring.points, -1, 0) - ring.points, axis=1), 0.0)
    begins = np.flatnonzero(mine & ~np.roll(mine, 1))
    if not len(begins):
        named = outline.edges[edge]
        x, y = outline.points_mm[outline.indices(named)].mean(axis=0)
        raise _crosses(f'leaves nothing of the edge "{named.name}"', float(x), float(y))
    ends = np.flatnonzero(mine & ~np.roll(mine, -1))
    count = len(mine)
    best = max(
        begins,
        key=lambda b: length[np.arange(b, b + 1 + int(((ends - b) % count).min())) % count].sum(),
    )
    return int(best)


def _corner_at(
    outline: ShopOutline, edges: tuple[ShopEdge, ...], points: Floats, index: int
) -> int:
    """A corner's new point: where the same edge starts, else the nearest."""
    for old, new in zip(outline.edges, edges, strict=True):
        if old.start == index:
            return new.start
    return int(np.argmin(np.linalg.norm(points - outline.points_mm[index], axis=1)))


def _check_holes(outline: ShopOutline) -> None:
    from shapely import Polygon

    wood = Polygon(outline.points_mm)
    for hole in outline.holes_mm:
        if not wood.contains(Polygon(hole)):
            x, y = hole.mean(axis=0)
            raise _crosses("cuts the hole", float(x), float(y))


def _crosses(what: str, x: float, y: float) -> UsageError:
    return UsageError(
        f"Moved by these amounts, the outline {what} near ({x:.0f}, {y:.0f}) mm.",
        "Take smaller amounts, or leave that edge as it is.",
    )


def _nothing_left(steps: _Steps) -> UsageError:
    x, y = steps.at.mean(axis=0)
    return _crosses("leaves no wood", float(x), float(y))


def _signed_area(ring: Floats) -> float:
    x, y = ring.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
