"""Parallax: the height that two photos tell, against the formula of photogrammetry."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import surveys

from spilemark import lens as camera
from spilemark_stages.trace.parallax import rim_heights
from spilemark_stages.trace.several import Beliefs, put_together
from spilemark_stages.trace.traced_ring import POINTS_MM

QUIET = {"edge_noise_px": 0.0, "edge_bias_sd_px": 0.0, "crossing_noise_px": 0.0}


@pytest.mark.parametrize("seed", [3, 8, 12])
def test_a_face_that_stands_higher_is_found_at_parallax_times_distance_over_base(seed: int) -> None:
    """Height from a parallax: dh = p H / (B + p), any textbook of photogrammetry (e.g. Kraus,
    "Photogrammetry", 2007, normal case; from memory); p how far apart two cameras show a point on
    the height that was believed, B how far apart they stand along it, H how high above it.
    """
    world = surveys.draw(
        seed,
        photos=2,
        cards=(8, 8),
        tilt_deg=(14.0, 20.0),
        outline_step_mm=POINTS_MM,
        thickness_mm=(4.0, 4.0),
        caliper_sd_mm=0.0,
        lift_sd_mm=0.0,
        bow_sd_mm=0.0,
        print_scale_sd=0.0,
        **QUIET,
    )
    told = dataclasses.replace(world.job, thickness_mm=3.0, thickness_sigma_mm=1.0)
    solution = surveys.solve_world(world, told)
    pieces = surveys.pieces_of(world, solution, edge_noise_px=0.05)
    first, second = (piece.outer.points_mm for piece in pieces)
    stations = [camera.camera_centre(piece.view.plane) for piece in pieces]
    base = stations[1][:2] - stations[0][:2]
    along = base / np.linalg.norm(base)
    believed = pieces[0].view.plane.height_mm
    above = np.mean([station[2] for station in stations]) - believed
    # Stations at unlike heights show a point in its own way each; about the middle of the two that
    # takes nothing from the mean.
    middle = 0.5 * (stations[0][:2] + stations[1][:2])
    parallax = (first - second) @ along
    slope = np.polyfit((first - middle) @ along, parallax, 1)
    parallax_at_middle = float(slope[1])
    by_formula = parallax_at_middle * above / (np.linalg.norm(base) + parallax_at_middle)
    fused, used, _ = put_together(
        pieces, solution.causes, "port", 0, Beliefs(0.02, 0.0, flatness_mm=0.05)
    )
    assert fused is not None
    assert len(used) == 2
    rise, sigma = rim_heights(fused)
    assert rise.mean() == pytest.approx(by_formula, abs=0.1)
    assert by_formula == pytest.approx(4.0 - believed, abs=0.1)
    assert sigma.mean() < 0.3
