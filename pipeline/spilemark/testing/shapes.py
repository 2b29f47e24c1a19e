"""Outlines of common boat parts, millimetres, anticlockwise with x right and y up.

Starboard parts as seen from above with the bow up; ``mirror`` makes port ones.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spilemark.records import Floats

STEP_MM = 0.5


def resample(line: Floats, step_mm: float = STEP_MM) -> Floats:
    """Points (M, 2) along an open line, evenly spaced, both ends kept."""
    p = np.asarray(line, dtype=np.float64)
    travelled = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    count = max(2, int(np.ceil(travelled[-1] / step_mm)) + 1)
    at = np.linspace(0.0, travelled[-1], count)
    return np.stack([np.interp(at, travelled, p[:, 0]), np.interp(at, travelled, p[:, 1])], axis=-1)


def curve(a: Sequence[float], b: Sequence[float], c: Sequence[float], d: Sequence[float]) -> Floats:
    """Cubic Bezier from ``a`` to ``d`` with handles ``b`` and ``c``, resampled."""
    t = np.linspace(0.0, 1.0, 600)[:, None]
    pa, pb, pc, pd = (np.asarray(p, dtype=np.float64) for p in (a, b, c, d))
    weighted = (1 - t) ** 3 * pa + 3 * (1 - t) ** 2 * t * pb + 3 * (1 - t) * t**2 * pc + t**3 * pd
    return resample(weighted)


def join(*lines: Floats) -> Floats:
    """One closed ring (N, 2) from lines whose ends touch; no point twice."""
    return np.concatenate([resample(line)[:-1] for line in lines])


def quarter_knee(
    *,
    transom_mm: float = 330.0,
    hull_mm: float = 400.0,
    angle_deg: float = 98.0,
    sag_mm: float = 5.0,
    end_mm: float = 50.0,
    throat: float = 0.6,
    line_inboard_mm: float = 100.0,
) -> Floats:
    """A starboard quarter knee: transom leg to the left, hull leg forward.

    The reference line lies on x = 0, ``line_inboard_mm`` inboard of the corner.
    ``throat`` (0..1) says how deep the inner curve reaches into the corner.
    """
    corner = np.array([line_inboard_mm, 0.0])
    lean = np.radians(angle_deg)
    forward = np.array([-np.cos(lean), np.sin(lean)])
    outward = np.array([forward[1], -forward[0]])
    hull_end = corner + hull_mm * forward
    transom_end = corner + np.array([-transom_mm, 0.0])
    along = np.linspace(0.0, 1.0, 400)[:, None]
    hull = corner + along * hull_mm * forward + 4 * sag_mm * along * (1 - along) * outward
    hull_in = hull_end - end_mm * outward
    transom_in = transom_end + np.array([0.0, end_mm])
    inner = curve(
        hull_in.tolist(),
        (hull_in - throat * hull_mm * forward).tolist(),
        (transom_in + [throat * transom_mm, 0.0]).tolist(),
        transom_in.tolist(),
    )
    return join(
        hull,
        np.stack([hull_end, hull_in]),
        inner,
        np.stack([transom_in, transom_end]),
        np.stack([transom_end, corner]),
    )


def breasthook(*, length_mm: float = 300.0, half_mm: float = 220.0, arm_mm: float = 60.0) -> Floats:
    """A breasthook, nose forward, symmetric about x = 0."""
    throat = 0.55 * length_mm
    side = curve(
        (half_mm, 0.0),
        (0.95 * half_mm, 0.4 * length_mm),
        (0.5 * half_mm, 0.8 * length_mm),
        (14.0, length_mm),
    )
    inner = curve(
        (0.0, throat), (60.0, throat), (0.7 * (half_mm - arm_mm), throat), (half_mm - arm_mm, 0.0)
    )
    nose = np.array([[14.0, length_mm], [-14.0, length_mm]])
    foot = np.array([[half_mm - arm_mm, 0.0], [half_mm, 0.0]])
    flip = np.array([-1.0, 1.0])
    return join(side, nose, side[::-1] * flip, foot[::-1] * flip, inner[::-1] * flip, inner, foot)


def notched_plate(
    *,
    width_mm: float = 420.0,
    height_mm: float = 260.0,
    notch_mm: tuple[float, float] = (40.0, 25.0),
) -> Floats:
    """A rectangle with a notch in the middle of its upper side, lower left corner at (0, 0)."""
    wide, deep = notch_mm
    left, right = (width_mm - wide) / 2, (width_mm + wide) / 2
    corners = [
        (0.0, 0.0),
        (width_mm, 0.0),
        (width_mm, height_mm),
        (right, height_mm),
        (right, height_mm - deep),
        (left, height_mm - deep),
        (left, height_mm),
        (0.0, height_mm),
    ]
    ring = np.array([*corners, corners[0]])
    return join(*(ring[k : k + 2] for k in range(len(corners))))


def disc(centre_mm: tuple[float, float], radius_mm: float, *, hole: bool = True) -> Floats:
    """A round hole (clockwise) or, with ``hole`` False, a round part (anticlockwise)."""
    count = max(24, int(np.ceil(2 * np.pi * radius_mm / STEP_MM)))
    turn = np.linspace(0.0, 2 * np.pi, count, endpoint=False) * (-1.0 if hole else 1.0)
    round_it = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return np.asarray(np.asarray(centre_mm) + radius_mm * round_it)


def mirror(ring: Floats) -> Floats:
    """Port from starboard: x changes sign, winding is kept."""
    return np.asarray(np.asarray(ring, dtype=np.float64)[::-1] * np.array([-1.0, 1.0]))


def bulge(ring: Floats, *, at_mm: tuple[float, float], height_mm: float, width_mm: float) -> Floats:
    """Raise (or, with a negative height, lower) a stretch of the edge as a cosine bell.

    Parameters
    ----------
    ring : (N, 2)
        Anticlockwise.
    at_mm
        The ring's point nearest to this is the middle.
    height_mm, width_mm
        Height along the outward normal and whole width along the edge.
    """
    p = np.asarray(ring, dtype=np.float64)
    middle = int(np.argmin(np.linalg.norm(p - np.asarray(at_mm), axis=1)))
    step = np.linalg.norm(np.roll(p, -1, 0) - p, axis=1)
    start = np.concatenate([[0.0], np.cumsum(step)[:-1]])
    length = float(step.sum())
    away = (start - start[middle] + length / 2) % length - length / 2
    bell = 0.5 * (1 + np.cos(np.pi * np.clip(2 * away / width_mm, -1, 1)))
    travel = np.roll(p, -1, 0) - np.roll(p, 1, 0)
    travel /= np.linalg.norm(travel, axis=1, keepdims=True)
    outward = np.stack([travel[:, 1], -travel[:, 0]], axis=-1)
    return np.asarray(p + outward * (height_mm * bell)[:, None])
