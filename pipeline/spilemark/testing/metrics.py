"""How a measured outline is judged against truth.

p95: nearest distance between result and truth outlines, both directions, every
0.5 mm, after the best rigid fit (turn and shift; no scale, no mirror); the 95th
percentile.  The datum version allows nothing but a slide along the reference
line.  Signed errors are positive where the result lies outside the wood.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.spatial import cKDTree

from spilemark.records import Bools, Floats, Outline
from spilemark.uncertainty import u95_fit

STEP_MM = 0.5
UNSEEN_ALLOWED = 0.02
"""Share of the true length that may go unseen before it counts as error (easy scenes)."""
_START_TURNS = 24


def resample_ring(ring: Floats, step_mm: float = STEP_MM) -> Floats:
    """Points (M, 2) every ``step_mm`` (or a little less) along a closed ring."""
    return resample_with(ring, None, step_mm)[0]


def resample_with(
    ring: Floats, values: Floats | None, step_mm: float = STEP_MM
) -> tuple[Floats, Floats]:
    """Resample a closed ring and, linearly, values (N,) that belong to its points."""
    p = np.asarray(ring, dtype=np.float64)
    v = np.zeros(len(p)) if values is None else np.asarray(values, dtype=np.float64)
    p, v = np.concatenate([p, p[:1]]), np.concatenate([v, v[:1]])
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])
    count = max(3, int(np.ceil(at[-1] / step_mm)))
    new = np.linspace(0.0, at[-1], count, endpoint=False)
    points = np.stack([np.interp(new, at, p[:, 0]), np.interp(new, at, p[:, 1])], axis=-1)
    return points, np.interp(new, at, v)


def _subdivide(ring: Floats) -> Floats:
    """Every point of a closed ring, corners above all, and more between them."""
    step = np.roll(ring, -1, 0) - ring
    parts = np.maximum(np.ceil(np.linalg.norm(step, axis=1) / STEP_MM), 1).astype(np.int64)
    which = np.repeat(np.arange(len(ring)), parts)
    share = (np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[which]
    return np.asarray(ring[which] + share[:, None] * step[which])


class Contour:
    """Closed rings (outer anticlockwise, holes clockwise) that can be asked for nearest points."""

    def __init__(self, rings: Sequence[Floats]) -> None:
        dense = [_subdivide(np.asarray(r, dtype=np.float64)) for r in rings]
        self.points = np.concatenate(dense)
        self.samples = np.concatenate([resample_ring(r) for r in rings])
        """Even samples (M, 2) every 0.5 mm, for percentiles by length."""
        starts = np.cumsum([0] + [len(d) for d in dense])
        self._next = np.concatenate([np.roll(np.arange(a, b), -1) for a, b in _pairs(starts)])
        self._before = np.concatenate([np.roll(np.arange(a, b), 1) for a, b in _pairs(starts)])
        travel = self.points[self._next] - self.points
        travel /= np.maximum(np.linalg.norm(travel, axis=1, keepdims=True), 1e-12)
        self._outward = np.stack([travel[:, 1], -travel[:, 0]], axis=-1)
        self._tree = cKDTree(self.points)

    def nearest(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """Signed distance (N,), foot (N, 2) and outward normal there (N, 2)."""
        p = np.asarray(points, dtype=np.float64)
        _, k = self._tree.query(p)
        ahead, t_ahead = self._foot(p, k)
        behind, t_behind = self._foot(p, self._before[k])
        back = np.linalg.norm(p - behind, axis=1) < np.linalg.norm(p - ahead, axis=1)
        foot = np.where(back[:, None], behind, ahead)
        at_vertex = np.where(back, t_behind >= 1, t_ahead <= 0)
        normal = np.where(back[:, None], self._outward[self._before[k]], self._outward[k])
        both = self._outward[self._before[k]] + self._outward[k]
        both /= np.maximum(np.linalg.norm(both, axis=1, keepdims=True), 1e-12)
        normal = np.where(at_vertex[:, None], both, normal)
        miss = p - foot
        side = np.where(np.einsum("ni,ni->n", miss, normal) < 0, -1.0, 1.0)
        return side * np.linalg.norm(miss, axis=1), foot, normal

    def _foot(self, p: Floats, k: np.ndarray) -> tuple[Floats, Floats]:
        """Foot on segment k and its place along it, 0..1."""
        a = self.points[k]
        step = self.points[self._next[k]] - a
        t = np.einsum("ni,ni->n", p - a, step) / np.maximum(
            np.einsum("ni,ni->n", step, step), 1e-18
        )
        t = np.clip(t, 0.0, 1.0)
        return a + step * t[:, None], t


def _pairs(starts: Floats) -> list[tuple[int, int]]:
    return [(int(a), int(b)) for a, b in pairwise(starts)]


@dataclass(frozen=True, slots=True)
class Motion:
    """A rigid motion: turn about the origin, then shift."""

    turn_rad: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)

    def __call__(self, points: Floats) -> Floats:
        """Move points (N, 2)."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        turned = np.asarray(points, dtype=np.float64) @ np.array([[c, s], [-s, c]])
        return np.asarray(turned + np.asarray(self.shift_mm))


def fit_rigid(rings: Sequence[Floats], truth: Sequence[Floats]) -> Motion:
    """Best rigid motion of ``rings`` onto ``truth``, least squares of nearest distances both ways.

    Starts from no knowledge of the turn: coarse turns about the centroids first.
    """
    target = Contour(truth)
    coarse = np.concatenate([resample_ring(r, 4.0) for r in rings])
    trials = [_start(k, rings, truth) for k in range(_START_TURNS)]
    trials.sort(key=lambda m: float(np.abs(target.nearest(m(coarse))[0]).mean()))
    settled = [_settle(m, [resample_ring(r, 4.0) for r in rings], target, 15) for m in trials[:4]]
    best = min(settled, key=lambda m: _square_both(m, rings, target))
    return _settle(best, rings, target, 25)


def _start(k: int, rings: Sequence[Floats], truth: Sequence[Floats]) -> Motion:
    turn = 2 * np.pi * k / _START_TURNS
    have, want = (resample_ring(r[0]).mean(0) for r in (rings, truth))
    shift = want - Motion(turn)(have[None])[0]
    return Motion(turn, (float(shift[0]), float(shift[1])))


def _square_both(motion: Motion, rings: Sequence[Floats], target: Contour) -> float:
    moved = Contour([motion(r) for r in rings])
    there, back = target.nearest(moved.samples)[0], moved.nearest(target.samples)[0]
    return float(np.mean(there**2) + np.mean(back**2))


def _settle(motion: Motion, rings: Sequence[Floats], target: Contour, steps: int) -> Motion:
    """Gauss-Newton on the distances along the normals, both directions."""
    for _ in range(steps):
        moved = Contour([motion(r) for r in rings])
        middle = moved.samples.mean(0)
        out, _, normal = target.nearest(moved.samples)
        back, foot, own_normal = moved.nearest(target.samples)
        # A truth point outside the result means that the result lies inside there.
        miss = np.concatenate([out, -back])
        at = np.concatenate([moved.samples, foot]) - middle
        n = np.concatenate([normal, own_normal])
        by_turn = n[:, 1] * at[:, 0] - n[:, 0] * at[:, 1]
        rows = np.column_stack([by_turn, n])
        turn, x, y = -np.linalg.lstsq(rows, miss, rcond=None)[0]
        step = Motion(float(turn))
        before = np.asarray(motion.shift_mm)
        shift = step((before - middle)[None])[0] + middle + np.array([x, y])
        motion = Motion(motion.turn_rad + float(turn), (float(shift[0]), float(shift[1])))
        if abs(turn) < 1e-9 and max(abs(x), abs(y)) < 1e-7:
            break
    return motion


def fit_slide(rings: Sequence[Floats], truth: Sequence[Floats]) -> Motion:
    """Best shift along y (the reference line) only; turn and x stay as they are."""
    target = Contour(truth)
    slide = 0.0
    for _ in range(25):
        moved = Contour([Motion(0.0, (0.0, slide))(r) for r in rings])
        out, _, normal = target.nearest(moved.samples)
        back, _, own_normal = moved.nearest(target.samples)
        miss = np.concatenate([out, -back])
        along = np.concatenate([normal[:, 1], own_normal[:, 1]])
        step = -float(along @ miss / max(float(along @ along), 1e-12))
        slide += step
        if abs(step) < 1e-7:
            break
    return Motion(0.0, (0.0, slide))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A result to be judged: rings, and per point whether it was seen and its claimed half-width."""

    rings: tuple[Floats, ...]
    """Outer ring first, anticlockwise; holes clockwise; mm in any frame."""
    seen: tuple[Bools, ...] | None = None
    u95_mm: tuple[Floats, ...] | None = None
    """95 % half-width along the normal after a rigid fit, or None where none is claimed."""


def measured(outline: Outline) -> Measured:
    """What a traced outline claims of its edge and holes."""
    ring = outline.ring
    lines = (ring, *outline.of_role("hole"))
    return Measured(
        rings=tuple(line.points_mm for line in lines),
        seen=tuple(line.seen for line in lines),
        u95_mm=tuple(u95_fit(line, fitted_on=None if line is ring else ring) for line in lines),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeScore:
    """One outline against truth; millimetres and percent."""

    p50_mm: float
    p95_mm: float
    worst_mm: float
    mean_signed_mm: float
    """Positive: the result is too large."""
    seen_percent: float
    coverage_percent: float
    """Share of the outline's length that lies within its claimed 95 % interval; NaN without claim."""
    u95_median_mm: float
    motion: Motion


def score_fit(
    result: Measured, truth: Sequence[Floats], *, unseen_allowed: float = UNSEEN_ALLOWED
) -> ShapeScore:
    """Judge shape as such: after the best rigid fit."""
    motion = fit_rigid(result.rings, truth)
    return _score(result, truth, motion, unseen_allowed)


def score_datum(
    result: Measured, truth: Sequence[Floats], *, unseen_allowed: float = UNSEEN_ALLOWED
) -> ShapeScore:
    """Judge in the pattern frame: only a slide along the reference line is allowed.

    Both must stand in the pattern frame (line on x = 0, forward up).
    """
    motion = fit_slide(result.rings, truth)
    return _score(result, truth, motion, unseen_allowed)


def _score(
    result: Measured, truth: Sequence[Floats], motion: Motion, unseen_allowed: float
) -> ShapeScore:
    target = Contour(truth)
    moved = [motion(r) for r in result.rings]
    points, seen = _dense(moved, result.seen, fill=1.0)
    seen_here = seen > 0.999
    error = target.nearest(points)[0]
    seen_truth = seen_here[cKDTree(points).query(target.samples)[1]]
    missed = np.abs(Contour(moved).nearest(target.samples)[0])
    claimed = _dense(moved, result.u95_mm, fill=np.nan)[1]
    inside = (np.abs(error) <= claimed)[seen_here]
    distances = np.concatenate(
        [np.abs(error[seen_here]), missed[seen_truth], _unseen(seen_truth, unseen_allowed)]
    )
    no_claim = result.u95_mm is None or not seen_here.any()
    return ShapeScore(
        p50_mm=_percentile(distances, 50),
        p95_mm=_percentile(distances, 95),
        worst_mm=float(distances.max()),
        mean_signed_mm=float(error[seen_here].mean()) if seen_here.any() else float("nan"),
        seen_percent=100.0 * float(seen_truth.mean()),
        coverage_percent=float("nan") if no_claim else 100.0 * float(inside.mean()),
        u95_median_mm=float("nan") if no_claim else float(np.median(claimed[seen_here])),
        motion=motion,
    )


def _dense(
    rings: Sequence[Floats], values: Sequence[Floats] | Sequence[Bools] | None, *, fill: float
) -> tuple[Floats, Floats]:
    """All rings resampled, with values carried along."""
    per_ring = [np.full(len(r), fill) for r in rings] if values is None else values
    pairs = [resample_with(r, np.asarray(v, float)) for r, v in zip(rings, per_ring, strict=True)]
    return np.concatenate([p for p, _ in pairs]), np.concatenate([v for _, v in pairs])


def _unseen(seen_truth: Bools, allowed: float) -> Floats:
    """Unseen length beyond the allowance, as infinite errors of both directions."""
    excess = int((~seen_truth).sum()) - int(allowed * len(seen_truth))
    return np.full(2 * max(excess, 0), np.inf)


def _percentile(values: Floats, percent: float) -> float:
    """The percentile without interpolation, so that infinite errors stay infinite."""
    return float(np.percentile(values, percent, method="higher"))


def bootstrap(
    values: Sequence[float],
    statistic: Callable[[Floats], float] = lambda v: float(np.median(v)),
    *,
    draws: int = 2000,
    seed: int = 1,
) -> tuple[float, float]:
    """95 % interval of a statistic over scenes, by resampling scenes.

    Percentile bootstrap: Efron, "Bootstrap Methods: Another Look at the
    Jackknife", Annals of Statistics 7(1), 1979.
    """
    v = np.asarray(values, dtype=np.float64)
    picks = np.random.default_rng(seed).integers(0, len(v), (draws, len(v)))
    results = np.sort([statistic(v[p]) for p in picks])
    low, high = np.percentile(results, [2.5, 97.5], method="nearest")
    return float(low), float(high)
