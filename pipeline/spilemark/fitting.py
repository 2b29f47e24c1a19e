"""Laying one outline on another by the distances between them, not by paired points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from spilemark.frames import outward_normals
from spilemark.records import Bools, Cause, Floats, Polyline, RigidMap
from spilemark.rigid import IDENTITY, apply, compose, rotation, turn_vectors
from spilemark.uncertainty import align_causes, arc_weights, fit_functional, normals_of

_POINTS = 400
_ROUNDS = 40
_DENSE_MM = 1.0
_SETTLED = 1e-7
ROBUST_WIDTHS = 3.0
"""Distances beyond this many robust standard deviations lose their weight."""


@dataclass(frozen=True, slots=True, eq=False)
class RigidFit:
    """How one outline was laid on another."""

    motion: RigidMap
    """Moves ``moving`` onto ``fixed``."""
    covariance: Floats
    """(3, 3) of turn (rad) and shift (mm) about (0, 0) of the fixed outline's frame."""
    rms_mm: float
    """Of the distances that kept their weight."""
    median_mm: float
    """Median distance over everything that was seen."""


def fit_outline(
    moving: Polyline,
    fixed: Polyline,
    *,
    start: RigidMap = IDENTITY,
    moving_causes: tuple[Cause, ...] = (),
    fixed_causes: tuple[Cause, ...] = (),
    robust: bool = True,
    rounds: int = _ROUNDS,
) -> RigidFit:
    """Lay a closed outline on another: no scale, no mirror, no paired points.

    Point-to-line iteration (Chen and Medioni, "Object modelling by registration
    of multiple range images", Image and Vision Computing 10(3), 1992): each
    fixed point looks for its nearest place on the moving outline, and the
    motion that takes out the distances along the fixed normals is repeated
    until it settles.

    Parameters
    ----------
    moving, fixed : Polyline
        Closed, anticlockwise.
    start : RigidMap
        Where to begin; the fit settles within a few centimetres of it.
    moving_causes, fixed_causes : tuple of Cause, optional
        Name the columns of the sensitivities, so that shared causes cancel;
        without them only random errors enter the covariance.
    robust : bool
        Let a stretch that is really different (a notch) lose its weight
        (Huber's weights) rather than drag everything else along.
    rounds : int
        Iterations at most.
    """
    every = max(1, len(fixed.points_mm) // _POINTS)
    normals = outward_normals(fixed.points_mm)
    weights = arc_weights(fixed.points_mm, closed=True, seen=fixed.seen)
    picked = slice(None, None, every)
    target, target_normals = fixed.points_mm[picked], normals[picked]
    arc = weights[picked]
    pool = _Pool(moving)
    motion = start
    gap, use = pool.gaps(target, target_normals, motion)
    weight = arc
    for _ in range(rounds):
        weight = _weights(gap, use, arc, robust=robust)
        if weight.sum() <= 0:
            break
        turn, x, y = -fit_functional(target, target_normals, weight) @ np.where(use, gap, 0.0)
        motion = compose(RigidMap(turn_rad=float(turn), shift_mm=(float(x), float(y))), motion)
        gap, use = pool.gaps(target, target_normals, motion)
        if abs(turn) < _SETTLED and max(abs(x), abs(y)) < 100 * _SETTLED:
            break
    kept = weight.sum() > 0
    rms = float(np.sqrt(weight @ np.where(use, gap, 0.0) ** 2 / weight.sum())) if kept else np.nan
    return RigidFit(
        motion,
        _covariance(moving, fixed, motion, moving_causes, fixed_causes),
        rms,
        float(np.median(np.abs(gap[arc > 0]))) if (arc > 0).any() else np.nan,
    )


def _weights(gap: Floats, use: Bools, arc: Floats, *, robust: bool) -> Floats:
    weight = np.where(use, arc, 0.0)
    if not robust or weight.sum() <= 0:
        return np.asarray(weight)
    width = 1.4826 * float(np.median(np.abs(gap[weight > 0])))
    limit = max(ROBUST_WIDTHS * width, 1e-6)
    return np.asarray(weight * np.minimum(1.0, limit / np.maximum(np.abs(gap), 1e-12)))


class _Pool:
    """Dense points of the moving outline, and their normals."""

    def __init__(self, line: Polyline) -> None:
        p = line.points_mm
        step = np.roll(p, -1, 0) - p
        length = np.linalg.norm(step, axis=1)
        pieces = np.maximum(np.ceil(length / _DENSE_MM), 1).astype(int)
        owner = np.repeat(np.arange(len(p)), pieces)
        first = np.concatenate([[0], np.cumsum(pieces)[:-1]])
        share = (np.arange(len(owner)) - first[owner]) / pieces[owner]
        self.points = p[owner] + share[:, None] * step[owner]
        normal = step / np.maximum(length[:, None], 1e-12)
        self.normals = np.stack([normal[:, 1], -normal[:, 0]], axis=-1)[owner]
        self.seen = (line.seen & np.roll(line.seen, -1))[owner]
        self.tree = cKDTree(self.points)

    def gaps(self, target: Floats, normals: Floats, motion: RigidMap) -> tuple[Floats, Bools]:
        """Distance (N,) along the target's normals to the moved outline; where it means something."""
        back = rotation(motion.turn_rad)
        flip = np.array([-1.0 if motion.flipped else 1.0, 1.0])
        local = ((target - np.asarray(motion.shift_mm)) @ back) * flip
        index = self.tree.query(local)[1]
        found = apply(motion, self.points[index])
        facing = turn_vectors(motion, self.normals[index])
        slant = (facing * normals).sum(1)
        # The moved outline is a straight line near its nearest point.
        across = ((found - target) * facing).sum(1)
        gap = across / np.where(slant > 0.5, slant, 1.0)
        use = (slant > 0.5) & self.seen[index]
        return np.where(use, gap, np.linalg.norm(found - target, axis=1)), use


def _covariance(
    moving: Polyline,
    fixed: Polyline,
    motion: RigidMap,
    moving_causes: tuple[Cause, ...],
    fixed_causes: tuple[Cause, ...],
) -> Floats:
    """Covariance (3, 3) of the fitted motion, by the two outlines' own doubts."""
    weights = arc_weights(fixed.points_mm, closed=True, seen=fixed.seen)
    functional = fit_functional(fixed.points_mm, normals_of(fixed), weights)
    pool = cKDTree(apply(motion, moving.points_mm))
    index = pool.query(fixed.points_mm)[1]
    variance = fixed.sigma_mm**2 + moving.sigma_mm[index] ** 2
    total = np.asarray((functional * variance) @ functional.T)
    if moving_causes or fixed_causes:
        aligned = align_causes(fixed_causes, moving_causes)
        sensitivity = aligned.difference(fixed.sensitivity_mm, moving.sensitivity_mm[index])
        moved = functional @ sensitivity
        total = total + moved @ moved.T
    return total
