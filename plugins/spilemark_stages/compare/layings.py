"""Three ways of laying mirrored starboard on port."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from spilemark.corners import corner_and_edge_functional, edge_span, edges_at, straightest
from spilemark.fitting import ROBUST_WIDTHS, RigidFit, fit_outline
from spilemark.records import Floats, Polyline, RegisteredPattern, RigidMap
from spilemark.rigid import IDENTITY, apply, compose, rotation
from spilemark.uncertainty import arc_weights, fit_functional, normals_of
from spilemark_stages.compare.pair import Laid, Pair

_POLISH = 4
_SETTLED_RAD, _SETTLED_MM = 3e-6, 1e-3
_STARTS = 12
_FEW = 120
_COARSE_ROUNDS = 10
_POOR_SHARE = 0.02
"""A fit whose median gap is above this share of the pattern's size has lost its way."""


def on_datum(pair: Pair) -> Laid:
    """As the drawn lines lie on each other."""
    gaps = pair.meet(IDENTITY)
    return pair.laid(IDENTITY, gaps, pair.datum_table(gaps))


def best_fit(pair: Pair, on_corner: Laid | None) -> tuple[Laid, Floats]:
    """As the two outlines fit best, and the fit itself as a matrix (3, N).

    Stretches that are really different (a notch on one side only) lose their
    weight instead of dragging the rest along: Huber's weights.
    """
    starts = [] if on_corner is None else [on_corner.motion]
    if on_corner is None or pair.port.datum == pair.mirrored.datum == "centreline":
        starts.append(IDENTITY)
    fits = [fit_outline(pair.other, pair.ring, start=start) for start in starts]
    size = float(np.linalg.norm(np.ptp(pair.ring.points_mm, axis=0)))
    best = min(fits, key=lambda f: f.median_mm)
    if not best.median_mm <= _POOR_SHARE * size:
        best = min((best, *turned_fits(pair)), key=lambda f: f.median_mm)
    motion = best.motion
    functional = np.zeros((3, len(pair.weights)))
    gaps = pair.meet(motion)
    for _ in range(_POLISH):
        weights = _huber(gaps.gap_mm, np.where(pair.seen(gaps), pair.weights, 0.0))
        if weights.sum() <= 0:
            break
        functional = fit_functional(pair.ring.points_mm, pair.normals, weights)
        turn, x, y = -functional @ gaps.gap_mm
        if abs(turn) < _SETTLED_RAD and max(abs(x), abs(y)) < _SETTLED_MM:
            break
        step = RigidMap(turn_rad=float(turn), shift_mm=(float(x), float(y)))
        motion = compose(step, motion)
        gaps = pair.meet(motion)
    return pair.laid(motion, gaps, pair.shape_table(gaps), functional), functional


def _huber(gap: Floats, weights: Floats) -> Floats:
    if weights.sum() <= 0:
        return weights
    width = 1.4826 * float(np.median(np.abs(gap[weights > 0])))
    limit = max(ROBUST_WIDTHS * width, 1e-3)
    return np.asarray(weights * np.minimum(1.0, limit / np.maximum(np.abs(gap), 1e-12)))


def turned_fits(pair: Pair, first: RigidMap = IDENTITY) -> list[RigidFit]:
    """The likeliest fits begun from turns all round, middles on each other, after ``first``.

    All starts settle on few points, and the best two on all of them.
    """
    ring, other = pair.ring, pair.other
    few = _thinned(ring, _FEW)
    middle = ring.points_mm.mean(axis=0)
    coarse = []
    for k in range(_STARTS):
        turned = compose(RigidMap(turn_rad=2 * np.pi * k / _STARTS, shift_mm=(0.0, 0.0)), first)
        x, y = middle - apply(turned, other.points_mm).mean(axis=0)
        start = compose(RigidMap(turn_rad=0.0, shift_mm=(float(x), float(y))), turned)
        coarse.append(fit_outline(other, few, start=start, rounds=_COARSE_ROUNDS))
    coarse = sorted((f for f in coarse if np.isfinite(f.median_mm)), key=lambda f: f.median_mm)
    return [fit_outline(other, ring, start=f.motion) for f in coarse[:2]]


def _thinned(line: Polyline, count: int) -> Polyline:
    every = slice(None, None, max(1, len(line.points_mm) // count))
    return replace(
        line,
        points_mm=line.points_mm[every],
        sigma_mm=line.sigma_mm[every],
        sensitivity_mm=line.sensitivity_mm[every],
        seen=line.seen[every],
        by_hand=line.by_hand[every],
    )


def corner_and_edge(pair: Pair) -> Laid | None:
    """Outer corner on outer corner, straight edge along straight edge; None where there is none."""
    name = _shared_straight_edge(pair.port, pair.mirrored)
    if name is None:
        return None
    port, other = (_frame(p, name) for p in (pair.port, pair.mirrored))
    if port is None or other is None:
        return None
    turn = float((port.heading - other.heading + np.pi) % (2 * np.pi) - np.pi)
    x, y = port.corner - rotation(turn) @ other.corner
    motion = RigidMap(turn_rad=turn, shift_mm=(float(x), float(y)))
    gaps = pair.meet(motion)
    return pair.laid(motion, gaps, pair.shape_table(gaps), port.functional)


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """Where a pattern's outer corner lies and how its straight edge runs."""

    corner: Floats
    heading: float
    functional: Floats
    """(3, N) motion of corner and edge by changes of the ring along its normals."""


def _shared_straight_edge(port: RegisteredPattern, other: RegisteredPattern) -> str | None:
    """Name of the straight edge that meets the outer corner on both sides, the athwart one first."""
    if port.origin_corner is None or other.origin_corner is None:
        return None
    theirs = {e.name for e in edges_at(other.outline, other.origin_corner)}
    ring = port.outline.ring.points_mm
    shared = [e for e in edges_at(port.outline, port.origin_corner) if e.name and e.name in theirs]
    if not shared:
        return None
    shared.sort(key=lambda e: -float(abs(ring[e.stop, 0] - ring[e.start, 0])) / e.length_mm)
    return shared[straightest(ring, shared)].name


def _frame(pattern: RegisteredPattern, name: str) -> _Frame | None:
    outline = pattern.outline
    if pattern.origin_corner is None:
        return None
    index = outline.corners[pattern.origin_corner].index
    before, after = edges_at(outline, pattern.origin_corner)
    edge, other = (before, after) if before.name == name else (after, before)
    ring = outline.ring
    span = edge_span(edge, len(ring.points_mm))
    points = ring.points_mm[span]
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    along = _straight(points, weights[span])
    away = points[0] if edge.stop == index else points[-1]
    along = along * np.sign(float(along @ (away - ring.points_mm[index])))
    functional = corner_and_edge_functional(
        ring.points_mm, normals_of(ring), weights, index, edge, other
    )
    heading = float(np.arctan2(along[1], along[0]))
    return _Frame(np.asarray(ring.points_mm[index]), heading, functional)


def _straight(points: Floats, weights: Floats) -> Floats:
    """Direction (2,) of a straight fit, each point by the length it stands for."""
    w = weights if (weights > 0).sum() >= 2 else np.ones(len(points))
    middle = w @ points / w.sum()
    away = (points - middle) * np.sqrt(w)[:, None]
    return np.asarray(np.linalg.svd(away, full_matrices=False)[2][0])
