"""True corners of a ring, and the smooth pieces between them.

Blur rounds every corner over a millimetre or so, and the smoothing that makes
an edge precise would round it further.  So a corner is never measured where it
is: a curve is fitted to each side from a little way off, and the corner is
where the two meet.
"""

from __future__ import annotations

import math
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
_MOST = 120
"""A ring that bends at more places is no pattern's but a damaged picture's: none of them is a corner."""
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
        c0, c1, c2 = self._terms()
        across = c0 + t * (c1 + t * c2)
        left = np.array([-self.along[1], self.along[0]])
        on_line = self.origin + np.multiply.outer(t, self.along)
        return np.asarray(on_line + np.multiply.outer(across, left))

    def _terms(self) -> tuple[float, float, float]:
        """The three coefficients; a straight line has no third."""
        c = self.coefficients
        return float(c[0]), float(c[1]), float(c[2]) if len(c) > 2 else 0.0

    def point_and_way(self, t: float) -> tuple[float, float, float, float]:
        """Place (x, y) and direction of travel (not of unit length) at ``t``, as plain numbers."""
        c0, c1, c2 = self._terms()
        (x, y), (u, v) = self.origin.tolist(), self.along.tolist()
        across, slope = c0 + t * (c1 + t * c2), c1 + 2 * c2 * t
        return x + t * u - across * v, y + t * v + across * u, u - slope * v, v + slope * u

    @property
    def bend(self) -> float:
        """Second-order coefficient, 1/mm; within what a part's edge has."""
        if len(self.coefficients) < 3:
            return 0.0
        return float(np.clip(self.coefficients[2], -_STEEPEST_BEND, _STEEPEST_BEND))

    def direction(self, t: float) -> Floats:
        """Unit direction of travel at ``t``."""
        _, _, u, v = self.point_and_way(t)
        return np.asarray(np.array([u, v]) / math.hypot(u, v))

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
    powers = np.stack([np.ones_like(t), t, t * t][: order + 1])
    weighted = powers * w
    normal = weighted @ powers.T
    # Points that are all one have no direction: then the line is even.
    normal[1:, 1:] += 1e-12 * np.eye(order) * max(float(normal[0, 0]), 1e-12)
    coefficients = np.linalg.solve(normal, weighted @ across)
    return Parabola(origin, along, coefficients)


def crossing(before: Parabola, after: Parabola, near: Floats) -> Floats | None:
    """Where two pieces cross near a point, by Newton steps; None when they do not."""
    a, b = before.place(near), after.place(near)
    for _ in range(20):
        ax, ay, au, av = before.point_and_way(a)
        bx, by, bu, bv = after.point_and_way(b)
        turned = bu * av - au * bv
        if abs(turned) <= 0.05 * math.hypot(au, av) * math.hypot(bu, bv):
            return None
        dx, dy = bx - ax, by - ay
        step = (bu * dy - bv * dx) / turned, (au * dy - av * dx) / turned
        a, b = a + min(max(step[0], -5.0), 5.0), b + min(max(step[1], -5.0), 5.0)
        if max(abs(step[0]), abs(step[1])) < 1e-9:
            break
    return np.array(before.point_and_way(a)[:2])


def turn_between(before: Parabola, after: Parabola, at: Floats) -> float:
    """Change of direction (deg) at a point, left positive."""
    u, v = before.direction(before.place(at)), after.direction(after.place(at))
    return float(np.degrees(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)))


def _turning(ring: Floats, gap: int, window: int) -> Floats:
    """Change of direction (N,), rad, across each point of an even ring, from lines on both sides."""
    offset = np.arange(window) - (window - 1) / 2
    kernel = offset / (offset**2).sum()
    around = np.pad(ring, ((gap + window, gap + window), (0, 0)), mode="wrap")
    along = np.lib.stride_tricks.sliding_window_view(around, window, axis=0) @ kernel
    u, v = along[1 : 1 + len(ring)], along[2 * gap + window : 2 * gap + window + len(ring)]
    return np.asarray(np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(axis=1)))


def _candidates(ring: Floats, gap: int, window: int) -> list[int]:
    """Points of locally strongest bend, in ring order."""
    n = len(ring)
    bend = np.abs(_turning(ring, gap, window))
    near = gap + window // 2
    # A tight round bends everywhere: a corner bends more than what lies on both sides of it.
    behind = _runs(bend, gap + window, -gap - window).min(axis=1)
    ahead = _runs(bend, gap + window, 1).min(axis=1)
    stands_out = bend - np.maximum(behind, ahead) > np.radians(LEAST_TURN_DEG)
    highest = _runs(bend, 2 * near + 1, -near).max(axis=1)
    peaks = np.nonzero((bend >= highest) & stands_out)[0]
    chosen: list[int] = []
    for k in peaks:
        if not chosen or (k - chosen[-1] > near and (k - chosen[0]) % n > near):
            chosen.append(int(k))
    return chosen


def _runs(values: Floats, count: int, first: int) -> Floats:
    """(N, count): ``count`` neighbours of each value of a ring, from ``first`` places on."""
    n = len(values)
    around = np.take(values, np.arange(first, first + n + count - 1), mode="wrap")
    return np.lib.stride_tricks.sliding_window_view(around, count)


def find_corners(ring: Floats, step_mm: float, gap_mm: float) -> list[Meeting]:
    """Corners of an evenly spaced closed ring (N, 2), mm, in ring order.

    ``gap_mm`` is how far from a corner blur and smoothing still bend the ring.
    """
    gap = max(2, round(gap_mm / step_mm))
    window = max(4, round(0.6 * _WINDOW_MM / step_mm))
    if len(ring) < 4 * (gap + window):
        return []
    places = _candidates(ring, gap, window)
    if len(places) > _MOST:
        return []
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
        off = np.abs(_off_line(t, across, weights))
        weights = 1.0 / np.maximum(off / _BIT_MM, 0.2) ** 1.5
    return bool((off < _BIT_MM).mean() > 0.7)


def _off_line(t: Floats, across: Floats, weights: Floats) -> Floats:
    """Distances (N,) from the straight line of weighted least squares."""
    share = weights / weights.sum()
    off_t, off = t - share @ t, across - share @ across
    slope = (share * off_t) @ off / max(float((share * off_t) @ off_t), 1e-12)
    return np.asarray(off - slope * off_t)


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
