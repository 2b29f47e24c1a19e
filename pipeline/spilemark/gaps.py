"""Distances between outlines: the signed gap along a normal, and nearest distances.

The gap of an outline at a point is measured along that point's outward normal
to the other outline: positive where the other one lies outside, that is, is
fuller there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from spilemark.records import Bools, Floats

Indices = NDArray[np.intp]

LONGEST_PIECE_MM = 2.0
"""The other ring is looked at in pieces no longer than this."""

FACING = 0.5
"""Two edges face the same way while their normals stand within 60 degrees."""

EXTENSION_MM = 5.0
"""How far past its corner an edge still counts for its neighbour's length, by a straightedge."""

NORMAL_REACH_MM = 2.0
"""A normal is taken from this much of the edge on each side of its point."""

_WINDOW = 8
_CHUNK = 200
_SELF_MM = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Where the normals of N points meet another ring."""

    gap_mm: Floats
    """(N,) positive: the other ring lies outside."""
    segment: Indices
    """(N,) the other ring's segment that was met, by its first point."""
    along: Floats
    """(N,) how far along that segment, 0..1."""
    slant: Floats
    """(N,) cosine between the two normals; a shift of the other edge by 1 across itself is 1/slant here."""
    by_nearest: Bools
    """(N,) no edge that faces the same way was met: nearest distance with its sign instead."""

    def sample(self, values: Floats) -> Floats:
        """Values (M,) or (M, K) of the other ring's points, at the places that were met."""
        v = np.asarray(values, dtype=np.float64)
        ahead = v[(self.segment + 1) % len(v)]
        share = self.along if v.ndim == 1 else self.along[:, None]
        return np.asarray((1.0 - share) * v[self.segment] + share * ahead)

    def both_ends(self, flags: Bools) -> Bools:
        """Whether both ends of the segment that was met carry a flag (M,)."""
        near = flags[self.segment] | (self.along >= 1.0)
        far = flags[(self.segment + 1) % len(flags)] | (self.along <= 0.0)
        return np.asarray(near & far)


def edge_normals(ring_mm: Floats, corners: Sequence[int] = ()) -> Floats:
    """Outward unit normals (N, 2) of an anticlockwise ring that never look round a corner.

    Each is square to the chord over ``NORMAL_REACH_MM`` of edge on either side,
    cut short at corners; a corner itself belongs to the edge that starts there.
    """
    p = np.asarray(ring_mm, np.float64)
    count = len(p)
    step = np.linalg.norm(np.roll(p, -1, 0) - p, axis=1)
    reach = int(np.clip(round(NORMAL_REACH_MM / max(float(np.median(step)), 1e-9)), 1, count // 4))
    index = np.arange(count)
    behind, ahead = index - reach, index + reach
    breaks = np.unique(np.asarray(corners, dtype=np.intp))
    if len(breaks):
        previous = np.searchsorted(breaks, index, side="right") - 1
        start = np.where(previous < 0, breaks[-1] - count, breaks[previous])
        after = previous + 1
        stop = np.where(after >= len(breaks), breaks[0] + count, breaks[after % len(breaks)])
        behind, ahead = np.maximum(behind, start), np.minimum(ahead, stop)
    chord = p[ahead % count] - p[behind % count]
    chord /= np.maximum(np.linalg.norm(chord, axis=1, keepdims=True), 1e-12)
    return np.stack([chord[:, 1], -chord[:, 0]], axis=-1)


class Ring:
    """A closed ring (M, 2), anticlockwise, made ready to be met by normals.

    Parameters
    ----------
    ring_mm : (M, 2)
    corners : sequence of int
        Its true corners; past them the edges are extended a little, as a
        straightedge laid along them would be.
    labels : (M,), optional
        Which edge each segment belongs to; -1 for none in particular.
    """

    def __init__(
        self, ring_mm: Floats, corners: Sequence[int] = (), labels: Indices | None = None
    ) -> None:
        self._labels = np.full(len(ring_mm), -1) if labels is None else labels
        self.points_mm = np.asarray(ring_mm, np.float64)
        self._owner, self._share, self._dense = _densify(self.points_mm)
        self._tree = cKDTree(self._dense)
        self._extensions = _extensions(self.points_mm, sorted(corners))

    def meet(
        self,
        points_mm: Floats,
        normals: Floats,
        *,
        own: Ring | None = None,
        wanted: Indices | None = None,
        reach_mm: float = 60.0,
    ) -> Gaps:
        """Meet the ring along normals (N, 2) of points (N, 2), the nearest crossing first.

        Only crossings of edges that face the same way count.  Where there is
        none within ``reach_mm``, an edge that ends just short is extended past
        its corner; failing that too, the nearest distance stands in, positive
        where the point lies inside the ring.

        With ``own``, the ring that the points lie on, a far crossing does not
        count when the way there leads through that ring again: from the wall of
        a notch, across it and through the wood behind.  With ``wanted`` (N,),
        the label of the edge that each point should meet (-1: any), that edge
        extended past its corner counts before a farther crossing of another
        one: just off the end of a notch's floor, the floor and not the mouth.
        """
        p = np.asarray(points_mm, np.float64)
        n = np.asarray(normals, np.float64)
        found = _Found(len(p))
        nearest = self._tree.query(p)[1]
        window = nearest[:, None] + np.arange(-_WINDOW, _WINDOW + 1)
        self._cross(found, p, n, np.arange(len(p)), window, reach_mm)
        whole = np.arange(len(self._dense) + 1)
        for rows in _chunks(found.missing()):
            self._cross(
                found, p, n, rows, np.broadcast_to(whole, (len(rows), len(whole))), reach_mm
            )
            if own is not None:
                blocked = np.abs(found.gap[rows]) > own._way_out(p[rows], n[rows], found.gap[rows])
                found.gap[rows[blocked]] = np.nan
        anything = np.full(len(p), -1, dtype=np.intp)
        self._cross_extensions(found, p, n, found.missing(), anything, reach_mm)
        if wanted is not None:
            strays = np.flatnonzero((wanted >= 0) & (self._labels[found.segment] != wanted))
            self._cross_extensions(found, p, n, strays, wanted, reach_mm)
        by_nearest = np.zeros(len(p), dtype=bool)
        rows = found.missing()
        by_nearest[rows] = True
        if len(rows):
            self._nearest(found, p, rows)
        return Gaps(found.gap, found.segment, found.along, found.slant, by_nearest)

    def distances(self, points_mm: Floats) -> Floats:
        """Nearest distance (N,) from points to the ring, unsigned."""
        p = np.asarray(points_mm, np.float64)
        foot = self._feet(p)[0]
        return np.asarray(np.linalg.norm(p - foot, axis=1))

    def _cross(
        self, found: _Found, p: Floats, n: Floats, rows: Indices, window: Indices, reach: float
    ) -> None:
        """Crossings of the normals of ``rows`` with the pieces between windowed points."""
        if not len(rows):
            return
        count = len(self._dense)
        index = window % count
        place = self._dense[index] - p[rows, None]
        out = np.einsum("rwi,ri->rw", place, n[rows])
        side = place[..., 1] * n[rows, 0, None] - place[..., 0] * n[rows, 1, None]
        first, second = side[:, :-1], side[:, 1:]
        crosses = (first * second <= 0) & (first != second)
        share = np.where(crosses, first / np.where(crosses, first - second, 1.0), 0.0)
        gap = out[:, :-1] + share * (out[:, 1:] - out[:, :-1])
        travel = self._dense[index[:, 1:]] - self._dense[index[:, :-1]]
        length = np.maximum(np.linalg.norm(travel, axis=2), 1e-12)
        # The outward normal of a piece is its travel turned clockwise.
        slant = (travel[..., 1] * n[rows, 0, None] - travel[..., 0] * n[rows, 1, None]) / length
        size = np.where(crosses & (slant > FACING) & (np.abs(gap) <= reach), np.abs(gap), np.inf)
        best = np.argmin(size, axis=1)
        line = np.arange(len(rows))
        hit = np.isfinite(size[line, best])
        k, b = line[hit], best[hit]
        piece = index[k, b]
        ahead = self._share[(piece + 1) % count]
        end = np.where(ahead > self._share[piece], ahead, 1.0)
        along = self._share[piece] + share[k, b] * (end - self._share[piece])
        found.put(rows[hit], gap[k, b], self._owner[piece], along, slant[k, b])

    def _way_out(self, p: Floats, n: Floats, gap: Floats) -> Floats:
        """Distance (N,) from points on this ring, towards the gap's side, to the ring's next crossing."""
        direction = n * np.where(gap < 0, -1.0, 1.0)[:, None]
        dense = self._dense
        place = dense[None] - p[:, None]
        side = place[..., 1] * direction[:, 0, None] - place[..., 0] * direction[:, 1, None]
        out = np.einsum("ndi,ni->nd", place, direction)
        second, out_second = np.roll(side, -1, 1), np.roll(out, -1, 1)
        crosses = (side * second <= 0) & (side != second)
        share = np.where(crosses, side / np.where(crosses, side - second, 1.0), 0.0)
        at = out + share * (out_second - out)
        # The point's own two pieces are met at once and do not count.
        return np.asarray(np.where(crosses & (at > _SELF_MM), at, np.inf).min(axis=1))

    def _cross_extensions(
        self,
        found: _Found,
        p: Floats,
        n: Floats,
        rows: Indices,
        wanted: Indices,
        reach: float,
    ) -> None:
        """Crossings with edges drawn on past their corners, where nearer than what was found."""
        ext = self._extensions
        if not len(rows) or not len(ext.owner):
            return
        a = ext.start[None] - p[rows, None]
        b = ext.stop[None] - p[rows, None]
        first = a[..., 1] * n[rows, 0, None] - a[..., 0] * n[rows, 1, None]
        second = b[..., 1] * n[rows, 0, None] - b[..., 0] * n[rows, 1, None]
        crosses = (first * second <= 0) & (first != second)
        share = np.where(crosses, first / np.where(crosses, first - second, 1.0), 0.0)
        out_a = np.einsum("rei,ri->re", a, n[rows])
        out_b = np.einsum("rei,ri->re", b, n[rows])
        gap = out_a + share * (out_b - out_a)
        slant = n[rows] @ ext.normal.T
        right = (wanted[rows, None] < 0) | (self._labels[ext.owner][None] == wanted[rows, None])
        nearer = np.abs(gap) < np.where(np.isnan(found.gap), reach, np.abs(found.gap))[rows, None]
        size = np.where(crosses & right & nearer & (slant > FACING), np.abs(gap), np.inf)
        best = np.argmin(size, axis=1)
        line = np.arange(len(rows))
        hit = np.isfinite(size[line, best])
        k, e = line[hit], best[hit]
        found.put(rows[hit], gap[k, e], ext.owner[e], ext.along[e], slant[k, e])

    def _nearest(self, found: _Found, p: Floats, rows: Indices) -> None:
        from shapely import Polygon, contains_xy

        foot, owner, along = self._feet(p[rows])
        inside = contains_xy(Polygon(self.points_mm).buffer(0), p[rows, 0], p[rows, 1])
        size = np.linalg.norm(p[rows] - foot, axis=1)
        found.put(rows, np.where(inside, size, -size), owner, along, np.ones(len(rows)))

    def _feet(self, p: Floats) -> tuple[Floats, Indices, Floats]:
        """Nearest places on the ring (N, 2), their segments and shares along them."""
        dense, count = self._dense, len(self._dense)
        near = self._tree.query(p, k=min(4, count))[1].reshape(len(p), -1)
        pieces = np.concatenate([near, near - 1], axis=1) % count
        a, b = dense[pieces], dense[(pieces + 1) % count]
        step = b - a
        square = np.maximum((step**2).sum(2), 1e-18)
        t = np.clip(((p[:, None] - a) * step).sum(2) / square, 0.0, 1.0)
        foot = a + t[..., None] * step
        best = np.argmin(((p[:, None] - foot) ** 2).sum(2), axis=1)
        row = np.arange(len(p))
        piece, share = pieces[row, best], t[row, best]
        ahead = self._share[(piece + 1) % count]
        end = np.where(ahead > self._share[piece], ahead, 1.0)
        along = self._share[piece] + share * (end - self._share[piece])
        return foot[row, best], self._owner[piece], along


class _Found:
    """Crossings collected so far."""

    def __init__(self, count: int) -> None:
        self.gap = np.full(count, np.nan)
        self.segment = np.zeros(count, dtype=np.intp)
        self.along = np.zeros(count)
        self.slant = np.ones(count)

    def put(
        self, rows: Indices, gap: Floats, segment: Indices, along: Floats, slant: Floats
    ) -> None:
        self.gap[rows], self.segment[rows] = gap, segment
        self.along[rows], self.slant[rows] = along, slant

    def missing(self) -> Indices:
        return np.flatnonzero(np.isnan(self.gap))


@dataclass(frozen=True, slots=True, eq=False)
class _Extensions:
    """Edges drawn on past their corners."""

    start: Floats
    stop: Floats
    normal: Floats
    owner: Indices
    along: Floats


def _extensions(ring: Floats, corners: Sequence[int]) -> _Extensions:
    count = len(ring)
    normals = edge_normals(ring, corners)
    starts, directions, outwards, owners, along = [], [], [], [], []
    for corner in corners:
        # A corner's own normal belongs to the edge after it; the edge before
        # it is asked one point earlier.
        before = normals[(corner - 1) % count]
        for normal, forth, owner, share in (
            (before, 1.0, (corner - 1) % count, 1.0),
            (normals[corner], -1.0, corner, 0.0),
        ):
            starts.append(ring[corner])
            directions.append(forth * np.array([-normal[1], normal[0]]))
            outwards.append(normal)
            owners.append(owner)
            along.append(share)
    start = np.array(starts).reshape(-1, 2)
    stop = start + EXTENSION_MM * np.array(directions).reshape(-1, 2)
    normal = np.array(outwards).reshape(-1, 2)
    return _Extensions(start, stop, normal, np.array(owners, dtype=np.intp), np.array(along))


def _densify(ring: Floats) -> tuple[Indices, Floats, Floats]:
    """Owner segment (D,), share along it (D,) and points (D, 2), no piece over the limit."""
    step = np.roll(ring, -1, 0) - ring
    pieces = np.maximum(np.ceil(np.linalg.norm(step, axis=1) / LONGEST_PIECE_MM), 1).astype(np.intp)
    owner = np.repeat(np.arange(len(ring)), pieces)
    first = np.concatenate([[0], np.cumsum(pieces)[:-1]])
    share = (np.arange(len(owner)) - first[owner]) / pieces[owner]
    return owner, share, ring[owner] + share[:, None] * step[owner]


def _chunks(rows: Indices) -> list[Indices]:
    return np.array_split(rows, -(-len(rows) // _CHUNK)) if len(rows) else []


def directed_hausdorff(points_mm: Floats, others_mm: Floats) -> float:
    """Largest distance from any of ``points_mm`` (N, 2) to the nearest of ``others_mm`` (M, 2).

    Directed: exchanged arguments give another number.  Of outlines, ask it of
    points laid densely along them, not of their corners.
    """
    return float(cKDTree(np.asarray(others_mm, np.float64)).query(points_mm)[0].max())
