"""Laying an outline on another by distances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo

from spilemark.fitting import fit_outline
from spilemark.records import RigidMap
from spilemark.rigid import apply, compose


def laid(**kind: object) -> tuple[object, object, RigidMap]:
    fixed = zoo.outline(zoo.knee(), fields=()).ring
    moving = zoo.outline(zoo.knee(**kind), fields=(), turn_rad=0.05, shift_mm=(12.0, -9.0)).ring
    return moving, fixed, RigidMap(turn_rad=0.05, shift_mm=(12.0, -9.0))


def test_the_motion_is_found_back() -> None:
    moving, fixed, motion = laid()
    fit = fit_outline(moving, fixed)  # type: ignore[arg-type]
    round_trip = compose(fit.motion, motion)
    assert round_trip.turn_rad == pytest.approx(0.0, abs=1e-5)
    assert round_trip.shift_mm == pytest.approx((0.0, 0.0), abs=5e-3)
    assert fit.rms_mm < 5e-3


def test_a_difference_on_one_side_does_not_drag_the_rest_along() -> None:
    moving, fixed, motion = laid(bump_mm=(240.0, 5.0, 160.0))
    robust = compose(fit_outline(moving, fixed).motion, motion)  # type: ignore[arg-type]
    plain = compose(fit_outline(moving, fixed, robust=False).motion, motion)  # type: ignore[arg-type]
    points = zoo.knee().ring_mm
    worst = [np.abs(apply(m, points) - points).max() for m in (robust, plain)]
    assert worst[0] < 0.1 < 0.5 < worst[1]


def test_neither_scale_nor_mirror_is_fitted_away() -> None:
    moving, fixed, _ = laid()
    larger = replace(moving, points_mm=moving.points_mm * 1.01)  # type: ignore[type-var]
    assert fit_outline(larger, fixed).median_mm > 0.3  # type: ignore[arg-type]
    mirrored = zoo.outline(zoo.knee(side="starboard"), fields=()).ring
    assert fit_outline(mirrored, fixed).median_mm > 5.0  # type: ignore[arg-type]


def test_the_covariance_is_that_of_many_fits() -> None:
    sigma, draws = 0.05, 150
    exact = zoo.outline(zoo.knee(step_mm=4.0), fields=(), sigma_mm=sigma)
    found = []
    for seed in range(draws):
        noisy = zoo.outline(zoo.knee(step_mm=4.0), fields=(), sigma_mm=sigma, noise_seed=seed).ring
        motion = fit_outline(noisy, replace(exact.ring, sigma_mm=0 * exact.ring.sigma_mm)).motion
        found.append([motion.turn_rad, *motion.shift_mm])
    claimed = fit_outline(
        exact.ring, replace(exact.ring, sigma_mm=0 * exact.ring.sigma_mm)
    ).covariance
    spread = np.std(found, axis=0)
    assert spread == pytest.approx(np.sqrt(np.diag(claimed)), rel=0.25)


def test_shared_causes_do_not_doubt_the_fit() -> None:
    outline = zoo.outline(zoo.knee(), tag="port", fields=zoo.shared_fields(), sigma_mm=0.0)
    fit = fit_outline(
        outline.ring, outline.ring, moving_causes=outline.causes, fixed_causes=outline.causes
    )
    assert np.abs(fit.covariance).max() < 1e-12
