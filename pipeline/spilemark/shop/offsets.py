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
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from spilemark.errors import UsageError
from spilemark.frames import signed_area
from spilemark.shop.joints import SAME_MM, Join, MovedEdge, meet, moved_edge
from spilemark.shop.outlines import Floats, Indices, ShopEdge, ShopOutline

LOST_DEPTH = 4.0
"""What vanishes at a tight inside corner lies within this many times the amount of the new line."""

_ON_LINE_MM = 1e-4
_SLIVER_MM2, _SLIVER = 1e-2, 0.1
"""Scraps and voids up to this and this share of the amount squared are what a rough edge leaves
behind when it is moved; no saw makes them."""
_LEAST_MM = 0.25
_RUN, _LEAST_RUN_MM, _MOST_RUN_MM = 2.0, 6.0, 40.0
"""How an edge runs at its ends is fitted over this many times the largest amount, within limits."""


@dataclass(frozen=True, slots=True)
class EdgeMove:
    """How one edge is moved."""

    outward_mm: float | Floats = 0.0
    """Square to the edge, positive out of the wood; one number, or one for each of its points."""
    along_mm: tuple[float, float] = (0.0, 0.0)
    """Bodily, in x and y."""


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
    each = [told.get(k, EdgeMove()) for k in range(len(outline.edges))]
    result = _with_edges(outline, _cleared(_moved_ring(outline, each, join), outline, each))
    _check_holes(result)
    return result


def densified(outline: ShopOutline, step_mm: float = 1.0) -> ShopOutline:
    """The same outline with no two neighbouring points farther apart than ``step_mm``."""
    p = outline.points_mm
    ahead = np.roll(p, -1, 0)
    parts = np.maximum(1, np.ceil(np.linalg.norm(ahead - p, axis=1) / step_mm)).astype(np.intp)
    place = np.concatenate([[0], np.cumsum(parts)[:-1]])
    share = (np.arange(parts.sum()) - np.repeat(place, parts)) / np.repeat(parts, parts)
    begin = np.repeat(p, parts, axis=0)
    rows = begin + share[:, None] * (np.repeat(ahead, parts, axis=0) - begin)
    return replace(
        outline,
        points_mm=rows,
        edges=tuple(
            replace(e, start=int(place[e.start]), stop=int(place[e.stop])) for e in outline.edges
        ),
        corners=tuple((name, int(place[index])) for name, index in outline.corners),
    )


def _moved_ring(outline: ShopOutline, moves: list[EdgeMove], join: Join) -> _Tagged:
    """One closed line along all moved edges."""
    over = max(_LEAST_RUN_MM, min(_RUN * max(_most(move) for move in moves), _MOST_RUN_MM))
    edges = [
        moved_edge(
            outline.points_mm[outline.indices(edge)],
            np.broadcast_to(np.asarray(move.outward_mm, np.float64), len(outline.indices(edge))),
            np.asarray(move.along_mm, np.float64),
            join,
            over,
        )
        for edge, move in zip(outline.edges, moves, strict=True)
    ]
    for k in range(len(edges)):
        before = k - 1 if k else len(edges) - 1
        old = outline.points_mm[outline.edges[k].start]
        if before == k:
            edges[k] = _closed_on_itself(edges[k], old, join)
            break
        pair = meet(edges[before], edges[k], old, join)
        if pair is None:
            names = f'"{outline.edges[before].name}" and "{outline.edges[k].name}"'
            raise _crosses(f"has no corner left between {names}", *old)
        edges[before], edges[k] = pair
    return _Tagged(
        np.concatenate([edge.points[:-1] for edge in edges]),
        np.repeat(np.arange(len(edges)), [len(edge.points) - 1 for edge in edges]),
    )


def _most(move: EdgeMove) -> float:
    return float(np.abs(move.outward_mm).max()) + float(np.hypot(*move.along_mm))


def _closed_on_itself(edge: MovedEdge, old: Floats, join: Join) -> MovedEdge:
    """A ring of one edge: its end joined to its own beginning."""
    half = len(edge.points) // 2
    first = replace(edge, points=edge.points[: half + 1], apex=edge.apex[: half + 1])
    second = replace(edge, points=edge.points[half:], apex=edge.apex[half:])
    pair = meet(second, first, old, join)
    second, first = pair if pair is not None else (second, first)
    return replace(
        edge,
        points=np.concatenate([first.points, second.points[1:]]),
        apex=np.concatenate([first.apex, second.apex[1:]]),
    )


def _cleared(raw: _Tagged, outline: ShopOutline, moves: list[EdgeMove]) -> _Tagged:
    """What the closed line runs round anticlockwise, if that is one piece without pockets."""
    from shapely import LinearRing

    if LinearRing(raw.points).is_simple:
        if signed_area(raw.points) <= 0:
            raise _nothing_left(outline)
        return raw
    most = max(_most(move) for move in moves)
    ring = _one_piece(_kept_faces(raw.points), raw, outline, _SLIVER_MM2 + _SLIVER * most**2)
    depth, (x, y) = _deepest_loss(LinearRing(ring), raw, outline)
    if depth > max(LOST_DEPTH * most, _LEAST_MM):
        raise _crosses("runs over itself", x, y)
    return _Tagged(ring, _nearest_edges(ring, raw))


def _kept_faces(ring: Floats) -> list[Any]:
    from shapely import LineString, unary_union
    from shapely.ops import polygonize

    closed = np.concatenate([ring, ring[:1]])
    faces = [f for f in polygonize(unary_union(LineString(closed))) if f.area > SAME_MM]
    if not faces:
        return []
    inside = np.array([f.representative_point().coords[0] for f in faces])
    kept = [f for f, turns in zip(faces, _windings(inside, ring), strict=True) if turns >= 1]
    union = unary_union(kept)
    return list(getattr(union, "geoms", [union]))


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


def _one_piece(pieces: list[Any], raw: _Tagged, outline: ShopOutline, sliver_mm2: float) -> Floats:
    from shapely import MultiPolygon, Polygon
    from shapely.geometry.polygon import orient

    pieces = [piece for piece in pieces if piece.area > sliver_mm2]
    if not pieces:
        raise _nothing_left(outline)
    if len(pieces) > 1:
        _, (x, y) = _deepest_loss(MultiPolygon(pieces).boundary, raw, outline)
        raise _crosses("falls into pieces", x, y)
    pockets = [Polygon(r) for r in pieces[0].interiors if Polygon(r).area > sliver_mm2]
    if pockets:
        middle = pockets[0].representative_point()
        raise _crosses("closes on itself", middle.x, middle.y)
    ring = orient(Polygon(pieces[0].exterior), 1.0).exterior
    return np.asarray(ring.coords)[:-1]


def _deepest_loss(
    new: Any, raw: _Tagged, outline: ShopOutline
) -> tuple[float, tuple[float, float]]:
    """How far from the new line lies the old one where the moved line was dropped, and where.

    A tight corner loses what lies within a few times the amount; an arm or a
    notch that is gone lies farther off.
    """
    ahead = np.roll(raw.points, -1, 0)
    kept = np.concatenate([_segments(line) for line in getattr(new, "geoms", [new])])
    dropped = _distances((raw.points + ahead) / 2.0, kept) > _ON_LINE_MM
    if not dropped.any():
        return 0.0, (0.0, 0.0)
    p = outline.points_mm
    old = np.concatenate([p, (p + np.roll(p, -1, 0)) / 2.0])
    gone = np.stack([raw.points[dropped], ahead[dropped]], axis=1)
    off, lost = _distances(old, kept), _distances(old, gone)
    depth = np.where(lost <= off + _ON_LINE_MM, off, 0.0)
    worst = int(np.argmax(depth))
    return float(depth[worst]), (float(old[worst, 0]), float(old[worst, 1]))


def _segments(line: Any) -> Floats:
    """Ends (S, 2, 2) of a line's segments."""
    coords = np.asarray(line.coords)[:, :2]
    return np.stack([coords[:-1], coords[1:]], axis=1)


def _distances(places: Floats, segments: Floats) -> Floats:
    """Distance (N,) of points (N, 2) from the nearest of many segments (S, 2, 2), by a tree."""
    from shapely import STRtree, linestrings, points

    tree = STRtree(linestrings(segments))
    _, found = tree.query_nearest(points(places), return_distance=True, all_matches=False)
    return np.asarray(found, dtype=np.float64)


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


def _nothing_left(outline: ShopOutline) -> UsageError:
    x, y = outline.points_mm.mean(axis=0)
    return _crosses("leaves no wood", float(x), float(y))
