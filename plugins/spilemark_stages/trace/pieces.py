"""Smooth pieces of a measured edge, and the corners in which they end."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.trace.corners import (
    Meeting,
    Parabola,
    crossing,
    fit_parabola,
    turn_between,
)

_BLUR_GAP = 3.5
"""How far from a corner its blur reaches along a measured edge, in blurs, and ..."""
_LEAST_GAP_MM = 0.8
"""... at least this."""
FIT_MM = 9.0
"""Length of edge from which a corner is carried forward."""
_DRAWN_ON = 2.0
"""Doubt of a corner in doubts of its sides: the end of a parabola through ten or so points is worth
3 / sqrt(n) of one of them, and neighbours that share pixels and smoothing count for three."""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One smooth piece as measured."""

    points: Floats
    sigma: Floats
    seen: Bools
    common: Floats | None = None
    """Doubt that all of it shares, beside ``sigma``."""


def corner_gap_mm(blur_px: float, mm_per_px: float) -> float:
    """How far from a corner blur reaches along its sides."""
    return max(_LEAST_GAP_MM, _BLUR_GAP * blur_px * mm_per_px)


def _side(piece: Piece, gap: float, step: float, *, head: bool) -> Parabola | None:
    """The curve of a measured piece near one of its ends, clear of the corner's own blur."""
    first, count = int(np.ceil(gap / step)), round(FIT_MM / step)
    count = min(count, len(piece.points) - 2 * first)
    if count < 4:
        return None
    index = first + np.arange(count)
    if not head:
        index = len(piece.points) - 1 - index[::-1]
    good = piece.seen[index]
    if good.sum() < max(4, 0.5 * count):
        return None
    return fit_parabola(piece.points[index[good]])


def cornered(
    pieces: list[Piece], corners: list[Meeting], step: float, gap: float
) -> tuple[list[Piece], list[Meeting]]:
    """Corners where measured sides cross, and pieces that end in them."""
    heads = [_side(p, gap, step, head=True) for p in pieces]
    tails = [_side(p, gap, step, head=False) for p in pieces]
    found: list[Meeting] = []
    for k, corner in enumerate(corners):
        before, after = tails[k - 1] or corner.before, heads[k] or corner.after
        at = crossing(before, after, corner.at)
        if at is None or np.linalg.norm(at - corner.at) > 3.0 * gap:
            at, before, after = corner.at, corner.before, corner.after
        turn = turn_between(before, after, at)
        found.append(Meeting(corner.index, at, before, after, turn))
    ended = []
    for k, piece in enumerate(pieces):
        first, last = found[k], found[(k + 1) % len(found)]
        ended.append(_ended(piece, first, last, gap, step, heads[k], tails[k]))
    return ended, found


def _ended(
    piece: Piece,
    first: Meeting,
    last: Meeting,
    gap: float,
    step: float,
    head: Parabola | None,
    tail: Parabola | None,
) -> Piece:
    """A piece whose ends, where blur reaches, follow the fitted sides into the corners."""
    points, sigma, seen = piece.points.copy(), piece.sigma.copy(), piece.seen.copy()
    count = min(int(np.ceil(gap / step)) + 1, len(points) // 2)
    for corner, curve, fitted, index in (
        (first, first.after, head, np.arange(count)),
        (last, last.before, tail, len(points) - 1 - np.arange(count)),
    ):
        inner = index[-1]
        share = np.arange(count) / max(count - 1, 1)
        a, b = curve.place(corner.at), curve.place(points[inner])
        points[index] = curve.at(a + share * (b - a))
        points[index[0]] = corner.at
        seen[index] = fitted is not None and bool(seen[inner])
        drawn_on = np.linspace(_DRAWN_ON, 1.0, count)
        sigma[index] = np.maximum(sigma[inner], 0.02) * drawn_on
    return replace(piece, points=points, sigma=sigma, seen=seen)
