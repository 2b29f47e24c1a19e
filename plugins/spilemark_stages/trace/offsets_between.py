"""How far another photo's ring lies from a ring, point by point and edge by edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.frames import outward_normals
from spilemark.records import Bools, Floats
from spilemark_stages.trace.moved_ring import sides_of
from spilemark_stages.trace.rings import lengths_along
from spilemark_stages.trace.traced_ring import TracedRing

_REACH_MM = 4.0
"""Farther off than this it is another edge: a face raised by 5 mm is seen moved so far at 30 degrees."""
_SAME_WAY = np.cos(np.radians(25.0))
"""Pieces of ring that run otherwise belong to the other side of a corner."""
_CORNER_MM = 2.5
"""This near to a corner sides are carried on, not seen, and a normal may meet the other one."""
_END_SHARE = 0.3
"""Of a short side this much at each end."""
_CHUNK = 256


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One photo's word on where the edge lies, at the points of a base ring."""

    offset_mm: Floats
    """(N,) outward of the base point; 0 where nothing was read."""
    sigma_mm: Floats
    """(N,) random doubt."""
    seen: Bools
    """(N,) read, and seen rather than guessed."""


def own_reading(ring: TracedRing) -> Reading:
    """The base ring's reading of itself."""
    return Reading(np.zeros(len(ring.points_mm)), ring.sigma_mm, ring.seen)


def read_against(base: TracedRing, other: TracedRing) -> Reading:
    """Signed distance of ``other`` along the normals of ``base``.

    Only pieces of ring that run the same way count, so that near a corner a
    side is held against the same side.  Between the last sure point of a side
    and its corner the distance is carried on.
    """
    normals = outward_normals(base.points_mm)
    offset, sigma, seen = _crossings(base.points_mm, normals, other)
    for side in sides_of(base):
        clear = _clear_of_ends(base.points_mm[side]) if base.corners else np.ones(len(side), bool)
        known = np.where(seen[side], 1.0, 0.0)
        offset[side] = _carried(np.where(clear, offset[side], np.nan))
        sigma[side] = _carried(np.where(clear, sigma[side], np.nan))
        seen[side] = _carried(np.where(clear, known, np.nan)) > 0.5
    read = np.isfinite(offset)
    return Reading(
        offset_mm=np.where(read, offset, 0.0),
        sigma_mm=np.where(read, np.nan_to_num(sigma, nan=1.0), 1.0),
        seen=read & seen,
    )


def _carried(values: Floats) -> Floats:
    """Values (N,) with NaN at the two ends replaced by the nearest known one; inner NaN stay."""
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return values
    out = values.copy()
    out[: known[0]] = values[known[0]]
    out[known[-1] + 1 :] = values[known[-1]]
    return out


def _clear_of_ends(side: Floats) -> Bools:
    """Points (N,) of a side that are not near one of the corners at its ends."""
    along = lengths_along(side, closed=False)
    near = min(_CORNER_MM, _END_SHARE * float(along[-1]))
    return np.asarray((along > near) & (along < along[-1] - near))


def _crossings(points: Floats, normals: Floats, other: TracedRing) -> tuple[Floats, Floats, Bools]:
    """Nearest crossing of each normal with pieces of ring that run the same way."""
    start, stop = other.points_mm, np.roll(other.points_mm, -1, axis=0)
    run = stop - start
    length = np.maximum(np.linalg.norm(run, axis=1), 1e-12)
    way = np.stack([run[:, 1], -run[:, 0]], axis=-1) / length[:, None]
    offset = np.full(len(points), np.nan)
    sigma, seen = np.ones(len(points)), np.zeros(len(points), dtype=bool)
    for low in range(0, len(points), _CHUNK):
        here = slice(low, low + _CHUNK)
        p, n = points[here], normals[here]
        middle = p.mean(axis=0)
        reach = np.linalg.norm(p - middle, axis=1).max() + _REACH_MM + length.max()
        near = np.flatnonzero(np.linalg.norm(start - middle, axis=1) <= reach)
        if not len(near):
            continue
        along = np.stack([-n[:, 1], n[:, 0]], axis=-1)
        gap = start[near][None] - p[:, None]
        first = np.einsum("pki,pi->pk", gap, along)
        step = run[near] @ along.T
        share = -first / np.where(np.abs(step.T) < 1e-9, 1e-9, step.T)
        away = np.einsum("pki,pi->pk", gap, n) + share * (run[near] @ n.T).T
        good = (share >= 0) & (share < 1) & (np.abs(away) < _REACH_MM)
        good &= (n @ way[near].T) > _SAME_WAY
        cost = np.where(good, np.abs(away), np.inf)
        pick = cost.argmin(axis=1)
        rows = np.flatnonzero(np.isfinite(cost[np.arange(len(p)), pick]))
        at = near[pick[rows]]
        offset[low + rows] = away[rows, pick[rows]]
        sigma[low + rows] = other.sigma_mm[at]
        seen[low + rows] = other.seen[at] & other.seen[(at + 1) % len(other.seen)]
    return offset, sigma, seen
