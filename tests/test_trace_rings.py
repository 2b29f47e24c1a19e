"""Smoothing, resampling and corners of rings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from spilemark.testing.shapes import disc, notched_plate, resample
from spilemark_stages.trace.corners import find_corners, inside_angle, pieces_between
from spilemark_stages.trace.rings import bridged, lengths_along, local_fit, robust_fit
from spilemark_stages.trace.rings import resample as even


@given(st.floats(-2, 2), st.floats(-0.2, 0.2), st.floats(-0.02, 0.02), st.booleans())
def test_a_local_parabola_keeps_a_parabola_up_to_its_ends(a, b, c, some_left_out):
    t = np.arange(60.0)
    weights = np.ones(60)
    if some_left_out:
        weights[[0, 7, 8, 9, 30, 59]] = 0.0
    fitted, _ = local_fit(a + b * t + c * t * t, weights, 8, closed=False)
    np.testing.assert_allclose(fitted, a + b * t + c * t * t, atol=1e-4)


def test_gain_is_what_noise_comes_down_by():
    rng = np.random.default_rng(5)
    fitted, gain = local_fit(rng.normal(0, 1, 4000), np.ones(4000), 10, closed=True)
    assert float(np.std(fitted)) == pytest.approx(float(gain[0]), rel=0.05)


def test_local_fit_agrees_with_an_outside_smoother_in_what_it_keeps():
    # scipy's Savitzky-Golay filter, same order: both pass a slow wave alike.
    t = np.arange(400)
    wave = np.sin(2 * np.pi * t / 100)
    ours, _ = local_fit(wave, np.ones(400), 9, closed=True)
    theirs = savgol_filter(wave, 15, 2, mode="wrap")
    np.testing.assert_allclose(ours, theirs, atol=5e-3)


def test_outliers_do_not_pull():
    values = np.zeros(200)
    values[50:56] = 3.0
    usable = np.ones(200, dtype=bool)
    fitted, _, weights = robust_fit(values, usable, 8, closed=True, floor=0.05)
    assert np.nanmax(np.abs(fitted[np.r_[:45, 62:200]])) < 0.05
    assert (weights[51:55] == 0).all()


def test_gaps_are_bridged_round_the_end_of_a_ring():
    values = np.array([np.nan, 1.0, 2.0, 3.0, np.nan])
    np.testing.assert_allclose(bridged(values, closed=False), [1, 1, 2, 3, 3])
    np.testing.assert_allclose(bridged(values, closed=True), [5 / 3, 1, 2, 3, 7 / 3])


def test_even_points_keep_the_length_and_the_ends():
    line = np.array([[0.0, 0], [10, 0], [10, 5]])
    points = even(line, 0.5, closed=False)
    assert (points[0] == line[0]).all()
    assert (points[-1] == line[-1]).all()
    assert lengths_along(points, closed=False)[-1] == pytest.approx(15.0, abs=0.2)


def noisy(ring: np.ndarray, sigma: float = 0.03) -> np.ndarray:
    closed = np.vstack([ring, ring[:1]])
    points = resample(closed, 0.4)[:-1]
    return points + np.random.default_rng(2).normal(0, sigma, points.shape)


def test_every_corner_of_a_notched_plate_and_nothing_else():
    ring = noisy(notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)))
    found = find_corners(ring, 0.4, 1.2)
    turns = [round(m.turn_deg / 90) for m in found]
    assert len(found) == 8
    assert turns.count(-1) == 2
    true = np.array(
        [[0, 0], [210, 0], [210, 110], [123, 110], [123, 90], [87, 90], [87, 110], [0, 110]]
    )
    away = np.linalg.norm(np.array([m.at for m in found])[:, None] - true[None], axis=2).min(axis=1)
    assert away.max() < 0.15


@pytest.mark.parametrize("radius", [13.0, 60.0, 300.0])
def test_a_round_part_has_no_corner(radius):
    assert find_corners(noisy(disc((0, 0), radius, hole=False)), 0.4, 1.2) == []


def test_a_blunt_corner_is_a_corner_and_a_dent_is_not():
    roof = np.array([[0.0, 0], [120, 0], [120, 60], [60, 82], [0, 60]])
    ring = noisy(resample(np.vstack([roof, roof[:1]]), 0.4)[:-1])
    found = find_corners(ring, 0.4, 1.2)
    assert sorted(round(m.turn_deg) for m in found)[0] == pytest.approx(40, abs=2)
    assert len(found) == 5
    straight = noisy(notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)))
    dent = (np.abs(straight[:, 0] - 60) < 9) & (straight[:, 1] < 5)
    straight[dent, 1] += 0.3 * (1 + np.cos(np.pi * (straight[dent, 0] - 60) / 9))
    assert len(find_corners(straight, 0.4, 1.2)) == 8


def test_pieces_run_from_corner_to_corner():
    ring = noisy(notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)))
    found = find_corners(ring, 0.4, 1.2)
    pieces = pieces_between(ring, found, 1.2, 0.4)
    for k, piece in enumerate(pieces):
        np.testing.assert_allclose(piece[0], found[k].at, atol=1e-9)
        np.testing.assert_allclose(piece[-1], found[(k + 1) % 8].at, atol=0.5)


def test_inside_angles_are_the_woods():
    east, north = np.array([1.0, 0]), np.array([0, 1.0])
    assert inside_angle(east, north) == pytest.approx(90)  # convex, walking with wood on the left
    assert inside_angle(north, east) == pytest.approx(270)  # a notch
