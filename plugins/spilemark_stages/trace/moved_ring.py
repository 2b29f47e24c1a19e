"""A traced ring moved along its normals, its corners set anew."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spilemark.frames import outward_normals
from spilemark.records import Bools, Floats
from spilemark_stages.trace.corners import Meeting, Parabola, fit_parabola
from spilemark_stages.trace.pieces import FIT_MM, Piece, cornered
from spilemark_stages.trace.traced_ring import POINTS_MM, TracedRing

Indices = NDArray[np.intp]


def moved_ring(
    ring: TracedRing, outward_mm: Floats, sigma_mm: Floats, seen: Bools, gap_mm: float
) -> TracedRing:
    """A ring with every point moved along its normal, corners set anew where the moved sides cross.

    Parameters
    ----------
    ring : TracedRing
    outward_mm, sigma_mm, seen : (N,)
        How far each point is moved, and its new doubt.
    gap_mm : float
        How far from a corner its blur reaches.

    Returns
    -------
    TracedRing
        With as many points, in the same order.
    """
    points = ring.points_mm + outward_normals(ring.points_mm) * outward_mm[:, None]
    if not ring.corners:
        return TracedRing(points, sigma_mm, seen, ())
    sides = sides_of(ring)
    pieces = [Piece(points[side], sigma_mm[side], seen[side]) for side in sides]
    corners = [
        Meeting(index, points[index], _last_of(pieces[k - 1]), _first_of(pieces[k]), turn)
        for k, (index, turn) in enumerate(ring.corners)
    ]
    pieces, corners = cornered(pieces, corners, POINTS_MM, gap_mm)
    out, doubt, known = points.copy(), sigma_mm.copy(), seen.copy()
    for side, piece in zip(sides, pieces, strict=True):
        own = side[:-1]
        out[own], doubt[own], known[own] = (v[:-1] for v in (piece.points, piece.sigma, piece.seen))
    return TracedRing(out, doubt, known, tuple((m.index, m.turn_deg) for m in corners))


def sides_of(ring: TracedRing) -> list[Indices]:
    """Indices of each side from corner to corner, both included; the whole ring without corners."""
    n = len(ring.points_mm)
    at = [index for index, _ in ring.corners]
    if not at:
        return [np.arange(n)]
    return [
        (first + np.arange(((last - first) % n or n) + 1)) % n
        for first, last in zip(at, at[1:] + at[:1], strict=True)
    ]


def _first_of(piece: Piece) -> Parabola:
    return fit_parabola(piece.points[: max(3, round(FIT_MM / POINTS_MM))])


def _last_of(piece: Piece) -> Parabola:
    return fit_parabola(piece.points[-max(3, round(FIT_MM / POINTS_MM)) :])
