"""True corners of a ring, and the smooth pieces between them.

Blur rounds every corner over a millimetre or so, and the smoothing that makes
an edge precise would round it further.  So a corner is never measured where it
is: a curve is fitted to each side from a little way off, and the corner is
where the two meet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.records import Floats
from spilemark_stages.trace.rings import resample, tangents

LEAST_TURN_DEG = 14.0
"""Less of a bend is a kink of the saw, not a corner."""
_WINDOW_MM = 9.0
_SHORTEST_MM = 2.0
"""A side that shows less than this clear of blur cannot be fitted."""
_ASIDE_MM = 12.0
_BIT_MM = 0.25
"""A corner is asked whether it is not a smooth edge with a wrong bit in it, this far about it."""
_UNSTEADY_DEG = 30.0
"""Straight and bent sides that differ by more about a corner are bent too tightly to carry on."""
_STEEPEST_BEND = 0.02
"""Of a radius of 25 mm."""
_ROUND_MM = 1.5
"""Farther from the crossing of its sides than this, a corner was cut round."""


@dataclass(frozen=True, slots=True, eq=False)
class Parabola:
    """A short piece of edge as ``across = c0 + c1 t + c2 t^2`` in a frame of its own."""

    origin: Floats
    along: Floats
    coefficients: Floats

    def at(self, t: Floats) -> Floats:
        """Points (N, 2) at distances ``t`` along."""
        across = np.polynomial.polynomial.polyval(t, self.coefficients)
        left = np.array([-self.along[1], self.along[0]])
        on_line = self.origin + np.multiply.outer(t, self.along)
        return np.asarray(on_line + np.multiply.outer(across, left))

    @property
    def bend(self) -> float:
        """Second-order coefficient, 1/mm; within what a part's edge has."""
        if len(self.coefficients) < 3:
            return 0.0
        return float(np.clip(self.coefficients[2], -_STEEPEST_BEND, _STEEPEST_BEND))

    def direction(self, t: float) -> Floats:
        """Unit direction of travel at ``t``."""
        slope = float(
            np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyder(self.coefficients))
        )
        d = self.along + slope * np.array([-self.along[1], self.along[0]])
        return np.asarray(d / np.linalg.norm(d))

    def place(self, point: Floats) -> float:
        """Distance along at which a point lies."""
        return float((point - self.origin) @ self.along)


@dataclass(frozen=True, slots=True, eq=False)
class Meeting:
    """Where two smooth pieces meet in a corner."""

    index: int
    """Nearest point of the ring."""
    at: Floats
    """(2,) mm."""
    before: Parabola
    after: Parabola
    turn_deg: float
    """Change of direction of travel, left positive."""


def fit_parabola(points: Floats, weights: Floats | None = None, *, highest: int = 2) -> Parabola:
    """Fit a short piece of edge; a straight line where it is too short to show a bend."""
    w = np.ones(len(points)) if weights is None else np.asarray(weights)
    origin = (points * w[:, None]).sum(axis=0) / w.sum()
    along = points[-1] - points[0]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    local = points - origin
    t = local @ along
    across = local @ np.array([-along[1], along[0]])
    span = float(t.max() - t.min())
    order = min(highest, 2 if span > 5.0 and len(points) >= 8 else 1)
    root = np.sqrt(w)
    basis = np.vander(t, order + 1, increasing=True) * root[:, None]
    coefficients = np.linalg.lstsq(basis, across * root, rcond=None)[0]
    return Parabola(origin, along, coefficients)


def crossing(before: Parabola, after: Parabola, near: Floats) -> Floats | None:
    """Where two pieces cross near a point, by Newton steps; None when they do not."""
    a, b = before.place(near), after.place(near)
    for _ in range(20):
        miss = after.at(np.array(b)) - before.at(np.array(a))
        jacobian = np.stack([before.direction(a), -after.direction(b)], axis=-1)
        if abs(np.linalg.det(jacobian)) < 0.05:
            return None
        step = np.linalg.solve(jacobian, miss)
        a, b = a + float(np.clip(step[0], -5, 5)), b + float(np.clip(step[1], -5, 5))
        if np.abs(step).max() < 1e-9:
            break
    return np.asarray(before.at(np.array(a)))


def turn_between(before: Parabola, after: Parabola, at: Floats) -> float:
    """Change of direction (deg) at a point, left positive."""
    u, v = before.direction(before.place(at)), after.direction(after.place(at))
    return float(np.degrees(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)))


def _turning(ring: Floats, gap: int, window: int) -> Floats:
    """Change of direction (N,), rad, across each point of an even ring, from lines on both sides."""
    n = len(ring)
    offset = np.arange(window) - (window - 1) / 2
    kernel = offset / (offset**2).sum()
    index = np.arange(n)
    ahead = (index[:, None] + gap + np.arange(window)) % n
    behind = (index[:, None] - gap - window + 1 + np.arange(window)) % n
    u = np.einsum("nwk,w->nk", ring[behind], kernel)
    v = np.einsum("nwk,w->nk", ring[ahead], kernel)
    return np.asarray(np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(axis=1)))


def _candidates(ring: Floats, gap: int, window: int) -> list[int]:
    """Points of locally strongest bend, in ring order."""
    n = len(ring)
    bend = np.abs(_turning(ring, gap, window))
    near = gap + window // 2
    around = np.stack([np.roll(bend, k) for k in range(-near, near + 1)])
    # A tight round bends everywhere: a corner bends more than what lies on both sides of it.
    flanks = np.stack([np.roll(bend, k) for k in range(1, gap + window + 1)]).min(axis=0)
    other = np.stack([np.roll(bend, -k) for k in range(1, gap + window + 1)]).min(axis=0)
    stands_out = bend - np.maximum(flanks, other) > np.radians(LEAST_TURN_DEG)
    peaks = np.nonzero((bend >= around.max(axis=0)) & stands_out)[0]
    chosen: list[int] = []
    for k in peaks:
        if not chosen or (k - chosen[-1] > near and (k - chosen[0]) % n > near):
            chosen.append(int(k))
    return chosen


def find_corners(ring: Floats, step_mm: float, gap_mm: float) -> list[Meeting]:
    """Corners of an evenly spaced closed ring (N, 2), mm, in ring order.

    ``gap_mm`` is how far from a corner blur and smoothing still bend the ring.
    """
    gap = max(2, round(gap_mm / step_mm))
    window = max(4, round(0.6 * _WINDOW_MM / step_mm))
    if len(ring) < 4 * (gap + window):
        return []
    places = _candidates(ring, gap, window)
    for _ in range(3):
        meetings = [
            m for k, _ in enumerate(places) if (m := _meeting(ring, step_mm, gap, places, k))
        ]
        moved = [m.index for m in meetings]
        if moved == places:
            break
        places = moved
    return meetings if places else []


def _meeting(
    ring: Floats, step_mm: float, gap: int, places: list[int], which: int
) -> Meeting | None:
    """The corner at one candidate, or None when its sides turn out to join smoothly."""
    n, here = len(ring), places[which]
    longest = round(_WINDOW_MM / step_mm)
    room = []
    for other in (places[which - 1], places[(which + 1) % len(places)]):
        away = min((here - other) % n, (other - here) % n) or n
        room.append(min(longest, away - 2 * gap))
    if min(room) * step_mm < _SHORTEST_MM:
        return None
    # Straight sides place the corner well enough for the bent ones to keep clear of it.
    for _ in range(2):
        sides = _sides(ring, here, gap, room, 1)
        at = crossing(*sides, ring[here])
        if at is None:
            return None
        near = (here + np.arange(-2 * gap, 2 * gap + 1)) % n
        here = int(near[np.linalg.norm(ring[near] - at, axis=1).argmin()])
    before, after = _sides(ring, here, gap, room, 2)
    at = crossing(before, after, ring[here])
    if at is None or np.linalg.norm(at - ring[here]) > _ROUND_MM + gap * step_mm:
        return None
    near = (here + np.arange(-2 * gap, 2 * gap + 1)) % n
    turn = turn_between(before, after, at)
    if abs(turn - turn_between(*sides, at)) > _UNSTEADY_DEG:
        return None
    if _joins_smoothly(ring, step_mm, here, places, which, (before, after)):
        return None
    distance = np.linalg.norm(ring[near] - at, axis=1)
    if abs(turn) < LEAST_TURN_DEG or distance.min() > _ROUND_MM:
        return None
    return Meeting(int(near[distance.argmin()]), at, before, after, turn)


def _sides(
    ring: Floats, here: int, gap: int, room: list[int], highest: int
) -> tuple[Parabola, Parabola]:
    """Curves through the ring on both sides of a point, from ``gap`` points away on."""
    n = len(ring)
    before = ring[(here - gap - np.arange(room[0])[::-1]) % n]
    after = ring[(here + gap + np.arange(room[1])) % n]
    return fit_parabola(before, highest=highest), fit_parabola(after, highest=highest)


def _joins_smoothly(
    ring: Floats,
    step_mm: float,
    here: int,
    places: list[int],
    which: int,
    sides: tuple[Parabola, Parabola],
) -> bool:
    """Whether one curve, bent as the two sides are, passes through most of the ring about a point."""
    n = len(ring)
    reach = [round(_ASIDE_MM / step_mm)] * 2
    for side, other in enumerate((places[which - 1], places[(which + 1) % len(places)])):
        away = min((here - other) % n, (other - here) % n) or n
        if away * step_mm > 0.5 * _ASIDE_MM:
            reach[side] = min(reach[side], away)
    points = ring[(here + np.arange(-reach[0], reach[1] + 1)) % n]
    along = points[-1] - points[0]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    t = (points - points[0]) @ along
    bend = float(np.mean([side.bend for side in sides]))
    across = (points - points[0]) @ np.array([-along[1], along[0]]) - bend * (t - t.mean()) ** 2
    weights = np.ones(len(points))
    off = np.zeros(len(points))
    for _ in range(8):
        line = np.polynomial.polynomial.polyfit(t, across, 1, w=np.sqrt(weights))
        off = np.abs(across - np.polynomial.polynomial.polyval(t, line))
        weights = 1.0 / np.maximum(off / _BIT_MM, 0.2) ** 1.5
    return bool((off < _BIT_MM).mean() > 0.7)


def pieces_between(
    ring: Floats, corners: list[Meeting], gap_mm: float, step_mm: float
) -> list[Floats]:
    """The smooth pieces of a ring, each from one corner to the next, evenly spaced.

    Near its ends a piece follows the curves that were fitted from farther off.
    """
    n = len(ring)
    spacing = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).mean())
    gap = max(1, round(gap_mm / spacing))
    pieces = []
    for k, first in enumerate(corners):
        last = corners[(k + 1) % len(corners)]
        count = (last.index - first.index) % n or n
        inner = ring[(first.index + np.arange(gap, count - gap + 1)) % n]
        head = _tail(first.after, first.at, inner[0] if len(inner) else last.at, step_mm)
        tail = _tail(last.before, last.at, inner[-1] if len(inner) else first.at, step_mm)[::-1]
        pieces.append(resample(np.vstack([head, inner, tail]), step_mm, closed=False))
    return pieces


def _tail(curve: Parabola, corner: Floats, inner: Floats, step_mm: float) -> Floats:
    """Points of a fitted curve from its corner up to, not onto, the ring's own points."""
    a, b = curve.place(corner), curve.place(inner)
    t = np.linspace(a, b, max(2, round(abs(b - a) / step_mm)), endpoint=False)
    points = curve.at(t)
    points[0] = corner
    return points


def inside_angle(before: Floats, after: Floats) -> float:
    """Angle of the wood (deg) at a point of a ring with wood on the left, from both directions."""
    cross = before[0] * after[1] - before[1] * after[0]
    return float(180.0 - np.degrees(np.arctan2(cross, before @ after)))


def smooth_tangents(points: Floats, *, closed: bool) -> Floats:
    """Directions of travel (N, 2), steadied over neighbours."""
    t = tangents(points, closed=closed)
    mode = "wrap" if closed else "edge"
    padded = np.pad(t, ((2, 2), (0, 0)), mode=mode)  # type: ignore[call-overload]
    steady = sum(padded[k : k + len(t)] for k in range(5))
    return np.asarray(steady / np.linalg.norm(steady, axis=1, keepdims=True))
