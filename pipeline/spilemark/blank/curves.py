"""A curve by its headings: what bending keeps is the length, what it changes is the heading.

``s`` runs along the curve in mm, ``theta`` is the heading in radians, unwrapped.  Between
two stations the heading runs evenly, so each piece is an arc, and the ends of the pieces
are exact for arcs and straights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.errors import UsageError

Floats = NDArray[np.float64]

_STEP_MM = 1.0
_FAIR_MM = 0.06
_FAIR_OVER_MM = 10.0
_TRUEST_MM = 0.01
_LIGHTEST, _HEAVIEST = 0.0, 13.0
"""Weights of smoothness to try, as powers of ten."""
_KNOT_MM, _DEGREE = 6.0, 4
_KINK_STEP_MM = 4.0
_KINK_DEG = 6.0
_LEAST_POINTS = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """An open line in the plane by length and heading."""

    s_mm: Floats
    """(N,) rising from 0."""
    theta_rad: Floats
    """(N,)"""
    start_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def length_mm(self) -> float:
        """Length along the curve."""
        return float(self.s_mm[-1])

    @property
    def turn_rad(self) -> float:
        """Heading at its end less that at its start; anticlockwise above 0."""
        return float(self.theta_rad[-1] - self.theta_rad[0])

    @property
    def curvature_per_mm(self) -> Floats:
        """Of each piece (N - 1,)."""
        return np.asarray(np.diff(self.theta_rad) / np.diff(self.s_mm))

    def points_mm(self) -> Floats:
        """Integrate the headings: the stations as points (N, 2)."""
        ds, turn = np.diff(self.s_mm), np.diff(self.theta_rad)
        middle = self.theta_rad[:-1] + turn / 2.0
        # np.sinc has the pi in it; the chord of an arc is ds · sin(turn/2)/(turn/2).
        chord = ds * np.sinc(turn / (2.0 * np.pi))
        steps = np.column_stack([chord * np.cos(middle), chord * np.sin(middle)])
        return np.asarray(np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)]) + self.start_mm)

    def normals(self) -> Floats:
        """Unit vectors (N, 2) to the left of the heading."""
        return np.column_stack([-np.sin(self.theta_rad), np.cos(self.theta_rad)])

    def tightest(self) -> tuple[float, float]:
        """Least radius, and where along the curve; infinite where it is straight."""
        curvature = np.abs(self.curvature_per_mm)
        k = int(np.argmax(curvature))
        at = float(self.s_mm[k] + self.s_mm[k + 1]) / 2.0
        return (1.0 / float(curvature[k]) if curvature[k] > 1e-9 else float("inf")), at

    def moved_left(self, by_mm: float) -> Curve:
        """The parallel curve ``by_mm`` to the left, station by station.

        A piece of length ds that turns by dθ becomes ds - by·dθ long.

        Raises
        ------
        UsageError
            The curve is tighter than the distance: its parallel would fold.
        """
        ds = np.diff(self.s_mm) - by_mm * np.diff(self.theta_rad)
        if (ds <= 0).any():
            radius, at = self.tightest()
            raise UsageError(
                f"The curve is as tight as {radius:.1f} mm, {at:.0f} mm from its start: a stack "
                f"reaching {abs(by_mm):.1f} mm into the bend folds there.",
                "Make the stack thinner or the curve rounder.",
            )
        start = np.asarray(self.start_mm) + by_mm * self.normals()[0]
        return replace(
            self,
            s_mm=np.concatenate([[0.0], np.cumsum(ds)]),
            start_mm=(float(start[0]), float(start[1])),
        )

    def bent(self, factor: float) -> Curve:
        """The same lengths with all curvature times ``factor``, its first end held."""
        theta = self.theta_rad[0] + factor * (self.theta_rad - self.theta_rad[0])
        return replace(self, theta_rad=theta)

    def extended(self, before_mm: float, after_mm: float) -> Curve:
        """With straight arms added at both ends."""
        s, theta = self.s_mm + before_mm, self.theta_rad
        start = np.asarray(self.start_mm) - before_mm * _way(theta[0])
        if before_mm > 0:
            s, theta = np.concatenate([[0.0], s]), np.concatenate([theta[:1], theta])
        if after_mm > 0:
            s = np.concatenate([s, s[-1:] + after_mm])
            theta = np.concatenate([theta, theta[-1:]])
        return Curve(s_mm=s, theta_rad=theta, start_mm=(float(start[0]), float(start[1])))

    def laid_on(self, other: Curve, at_mm: float) -> Curve:
        """Move and turn it so that place and heading at ``at_mm`` are the other's."""
        turned = replace(
            self,
            theta_rad=self.theta_rad
            + np.interp(at_mm, other.s_mm, other.theta_rad)
            - np.interp(at_mm, self.s_mm, self.theta_rad),
        )
        shift = other.at(at_mm) - turned.at(at_mm)
        start = np.asarray(self.start_mm) + shift
        return replace(turned, start_mm=(float(start[0]), float(start[1])))

    def at(self, s_mm: float) -> Floats:
        """Point at a length along it."""
        points = self.points_mm()
        k = int(np.clip(np.searchsorted(self.s_mm, s_mm, side="right") - 1, 0, len(points) - 2))
        run, whole = s_mm - self.s_mm[k], self.s_mm[k + 1] - self.s_mm[k]
        turn = (self.theta_rad[k + 1] - self.theta_rad[k]) * run / whole
        return np.asarray(
            points[k] + run * np.sinc(turn / (2.0 * np.pi)) * _way(self.theta_rad[k] + turn / 2.0)
        )

    def middle_mm(self) -> float:
        """Where half of the turn is done: the middle of the bend; half the length if straight."""
        half = self.theta_rad[0] + self.turn_rad / 2.0
        way = np.sign(self.turn_rad)
        if abs(self.turn_rad) < 1e-6:
            return self.length_mm / 2.0
        reached = np.maximum.accumulate(way * self.theta_rad)
        level = reached >= way * half
        first = int(np.argmax(level))
        before = max(first - 1, 0)
        rise = reached[first] - reached[before]
        share = (way * half - reached[before]) / rise if rise > 0 else 0.0
        return float(self.s_mm[before] + share * (self.s_mm[first] - self.s_mm[before]))


def _way(theta: float) -> Floats:
    return np.array([np.cos(theta), np.sin(theta)])


def arc(radius_mm: float, turn_rad: float, arm_mm: float = 0.0, step_mm: float = _STEP_MM) -> Curve:
    """An arc turning to the left, with straight arms: for drawn knees and for checks."""
    count = max(2, int(np.ceil(radius_mm * turn_rad / step_mm)) + 1)
    bend = Curve(
        s_mm=np.linspace(0.0, radius_mm * turn_rad, count),
        theta_rad=np.linspace(0.0, turn_rad, count),
    )
    return bend.extended(arm_mm, arm_mm)


def from_curvature(s_mm: Floats, curvature_per_mm: Floats) -> Curve:
    """A curve from its curvature at stations, by the trapezium rule."""
    ds = np.diff(s_mm)
    theta = np.concatenate(
        [[0.0], np.cumsum(ds * (curvature_per_mm[:-1] + curvature_per_mm[1:]) / 2.0)]
    )
    return Curve(s_mm=np.asarray(s_mm, np.float64), theta_rad=theta)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FairedCurve:
    """A curve made of measured or typed points, and how far it keeps off them."""

    curve: Curve
    off_mm: float
    """Largest distance of a point from the faired curve."""


def faired(points_mm: Floats, within_mm: float = _FAIR_MM) -> FairedCurve:
    """Lay a fair curve through measured or typed points.

    The smoothest of its kind (least bending energy of a cubic spline for its
    distance from the points) that nowhere keeps off the points by more than
    ``within_mm`` over a centimetre: single points may scatter more.

    Parameters
    ----------
    points_mm : ndarray of float, shape (N, 2)
        In order.
    within_mm : float
        Farthest that the curve may leave the mean of the points of a centimetre.

    Raises
    ------
    UsageError
        Fewer than four points, or a kink, which no strip can follow.
    """
    from scipy.interpolate import CubicSpline

    points = _distinct(np.asarray(points_mm, np.float64))
    if len(points) < _LEAST_POINTS:
        raise UsageError(
            f"A curve of {len(points)} points cannot be faired.", "Give four or more along it."
        )
    check_kinks(points)
    along = _along(points)
    typed = along[-1] / (len(points) - 1) > 3.0 * _STEP_MM
    if typed:
        # Typed points are stations of a batten: it runs through each of them.
        line, off = CubicSpline(along, points, axis=0), 0.0
        last = float(along[-1])
    else:
        line, off = _smoothest(along, points, within_mm)
        last = float(line.t[-1 - _DEGREE])
    u = np.linspace(0.0, last, max(3, int(last / (_STEP_MM / 2.0)) + 1))
    first = np.asarray(line(u, 1))
    theta = np.unwrap(np.arctan2(first[:, 1], first[:, 0]))
    speed = np.linalg.norm(first, axis=1)
    s = np.concatenate([[0.0], np.cumsum(np.diff(u) * (speed[:-1] + speed[1:]) / 2.0)])
    x, y = np.asarray(line(0.0))
    return FairedCurve(
        curve=Curve(s_mm=s, theta_rad=theta, start_mm=(float(x), float(y))), off_mm=off
    )


def check_kinks(points_mm: Floats) -> None:
    """Refuse a curve with a kink: a sharp turn between stretches that turn far less.

    Raises
    ------
    UsageError
        Names the sharpest one.
    """
    points = _distinct(np.asarray(points_mm, np.float64))
    along = _along(points)
    count = int(along[-1] / _KINK_STEP_MM)
    if count + 1 < len(points):
        stations = np.linspace(0.0, along[-1], max(count, 4) + 1)
        # Measured points scatter; the means of a step's length do not.
        over = max(1, round(_KINK_STEP_MM * len(points) / float(along[-1])))
        points = _means(points, over)
        points = np.column_stack([np.interp(stations, along, axis) for axis in points.T])
    else:
        stations = along
    steps = np.diff(points, axis=0)
    turn = np.diff(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0])))
    pair = np.abs(np.convolve(turn, [1.0, 1.0], mode="full"))[: len(turn)]
    sharp = np.degrees(pair - 1.5 * np.array([_beside(turn, k) for k in range(len(turn))]))
    k = int(np.argmax(sharp)) if len(sharp) else 0
    if len(sharp) and sharp[k] > _KINK_DEG:
        x, y = points[min(k + 1, len(points) - 1)]
        raise UsageError(
            f"The throat curve has a kink of {np.degrees(pair[k]):.0f}° near ({x:.0f}, {y:.0f}) mm, "
            f"{stations[min(k + 1, len(stations) - 1)]:.0f} mm from its start: no strip follows it.",
            "Name an edge that runs fair, or give the curve by points and round the kink.",
        )


def _beside(turn: Floats, k: int) -> float:
    """What two turns beside those at k - 1 and k come to, on the side that turns more.

    Near the ends of a few typed points there is but one, which counts twice; of two
    turns in all the lesser is held against the greater.
    """
    sides = [
        part for part in (turn[max(k - 3, 0) : max(k - 1, 0)], turn[k + 1 : k + 3]) if len(part)
    ]
    if not sides:
        return 2.0 * float(np.abs(turn).min())
    return max(2.0 * abs(float(part.mean())) for part in sides)


def _smoothest(along: Floats, points: Floats, within_mm: float) -> tuple[Any, float]:
    """Find the largest weight of smoothness that keeps the means of the points near.

    Lengths between noisy points are too long and wander, so each point's place
    along the curve is taken again from the curve itself.
    """
    over = min(len(along), max(1, round(_FAIR_OVER_MM * (len(along) - 1) / float(along[-1]))))
    start = _along(_means(points, over)) + np.linspace(0.0, 1e-6, len(along))
    best = _fairest(start, points, over, within_mm)
    # Points that scatter little (drawn ones) are kept to more nearly than measured ones.
    truer = max(3.0 * _scatter_of_means(best[1], over), _TRUEST_MM)
    if truer < within_mm:
        best = _fairest(start, points, over, truer)
    return best[0], float(np.abs(best[1]).max())


def _fairest(along: Floats, points: Floats, over: int, within_mm: float) -> tuple[Any, Floats]:
    """The heaviest smoothing spline whose points' means stay within a distance, and their offsets."""
    best = _smoothed(along, points, 10.0**_LIGHTEST)
    low, high = _LIGHTEST, _HEAVIEST
    for _ in range(10):
        middle = (low + high) / 2.0
        found = _smoothed(along, points, 10.0**middle)
        if np.abs(_means(found[1][:, None], over)).max() <= within_mm:
            low, best = middle, found
        else:
            high = middle
    return best


def _scatter_of_means(off: Floats, over: int) -> float:
    """Standard deviation of means of ``over`` neighbours, from the third differences of such means.

    Those of a smooth line are next to nothing; of independent values they have
    20 times the variance.
    """
    count = len(off) // over
    if count < 5:
        return float(np.std(off))
    means = off[: count * over].reshape(count, over).mean(axis=1)
    return float(np.sqrt(np.mean(np.diff(means, 3) ** 2) / 20.0))


def _smoothed(u: Floats, points: Floats, weight: float) -> tuple[Any, Floats]:
    """A smoothing spline by its own length, and how far each point lies to the left of it."""
    for _ in range(4):
        line = _spline(u, points, weight)
        first = line(u, 1)
        speed = np.linalg.norm(first, axis=1)
        way = first / speed[:, None]
        off = points - line(u)
        length = np.concatenate([[0.0], np.cumsum(np.diff(u) * (speed[:-1] + speed[1:]) / 2.0)])
        u = np.maximum.accumulate(length + (off * way).sum(axis=1))
        u = u - u[0] + np.linspace(0.0, 1e-6 * len(u), len(u))
    return line, off[:, 1] * way[:, 0] - off[:, 0] * way[:, 1]


def _spline(u: Floats, points: Floats, weight: float) -> Any:
    """Smoothing spline (N, 2) of degree 4 that costs change of curvature, not curvature.

    One that costs curvature, such as the natural cubic one, is straight at its
    ends and opens an arc there.  Penalised B-splines: Eilers and Marx,
    *Statistical Science* 11, 1996.
    """
    from scipy.interpolate import BSpline

    long = float(u[-1] - u[0])
    count = max(4, min(round(long / _KNOT_MM), len(u) // 2))
    step = long / count
    knots = u[0] + step * np.arange(-_DEGREE, count + _DEGREE + 1)
    design = BSpline.design_matrix(u, knots, _DEGREE, extrapolate=True)
    rough = np.diff(np.eye(design.shape[1]), 3, axis=0) / step**2.5
    normal = (design.T @ design).toarray() + weight * rough.T @ rough
    # A quadratic costs nothing: the points alone must tell one, and five do.
    return BSpline(knots, np.linalg.solve(normal, design.T @ points), _DEGREE)


def _means(values: Floats, over: int) -> Floats:
    """Moving means (N, K) of ``over`` rows; at the ends of those that there are."""
    count = np.convolve(np.ones(len(values)), np.ones(over), "same")
    sums = [np.convolve(column, np.ones(over), "same") for column in values.T]
    return np.column_stack(sums) / count[:, None]


def _distinct(points: Floats) -> Floats:
    points = points.reshape(-1, 2)
    if not np.isfinite(points).all():
        raise UsageError("A point of the curve is no number.", "Give x, y in mm.")
    keep = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6])
    return np.asarray(points[keep])


def _along(points: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
