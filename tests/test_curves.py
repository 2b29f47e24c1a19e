"""Curves: few, sharp at corners, smooth elsewhere, within the tolerance by a second measure."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import corner_indices, knee

from spilemark.curves import fit_polyline, segments_to_polyline


def apart(points, segments, *, closed):
    """Largest distance between measured and drawn line, both ways, by shapely."""
    measured = shapely.LineString(np.vstack([points, points[:1]]) if closed else points)
    dense = segments_to_polyline(segments, spacing_mm=0.2)
    drawn = shapely.LineString(dense)
    along = shapely.get_coordinates(shapely.segmentize(measured, 0.3))
    return max(
        shapely.distance(shapely.points(dense), measured).max(),
        shapely.distance(shapely.points(along), drawn).max(),
    )


def end_directions(control):
    first, last = control[1] - control[0], control[-1] - control[-2]
    return first / np.linalg.norm(first), last / np.linalg.norm(last)


def circle(radius, count=400, middle=(30.0, -20.0)):
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.array(middle) + radius * np.stack([np.cos(t), np.sin(t)], -1)


def test_a_rectangle_is_four_straight_lines_through_its_corners():
    side = np.linspace(0, 1, 50)[:-1, None]
    corners = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 40.0], [0.0, 40.0]])
    ring = np.vstack([a + side * (b - a) for a, b in pairwise([*corners, corners[0]])])
    fitted = fit_polyline(ring, corners=[0, 49, 98, 147], closed=True)
    assert [len(s) for s in fitted.segments] == [2, 2, 2, 2]
    assert np.allclose([s[0] for s in fitted.segments], corners)
    assert fitted.deviation_mm < 1e-9


def test_a_cubic_is_found_again_as_one_cubic():
    control = np.array([[0.0, 0.0], [40.0, 90.0], [140.0, -30.0], [200.0, 50.0]])
    t = np.linspace(0, 1, 500)[:, None]
    points = (
        (1 - t) ** 3 * control[0]
        + 3 * (1 - t) ** 2 * t * control[1]
        + 3 * (1 - t) * t**2 * control[2]
        + t**3 * control[3]
    )
    (found,) = fit_polyline(points, closed=False).segments
    assert np.allclose(found, control, atol=0.05)


@pytest.mark.parametrize("radius", [4.0, 15.0, 80.0, 600.0])
def test_a_circle_takes_few_cubics_and_has_no_corner(radius):
    """A quarter circle as one cubic is off by 2.7e-4 of the radius at best (Goldapp, "Approximation
    of circular arcs by cubic polynomials", Computer Aided Geometric Design 8, 1991): up to 180 mm
    four do for 0.05 mm; their places are not chosen quite so well."""
    ring = circle(radius, count=max(60, int(5 * radius)))
    fitted = fit_polyline(ring, closed=True)
    assert len(fitted.segments) <= (6 if radius < 180 else 8)
    assert apart(ring, fitted.segments, closed=True) <= 0.05
    for before, after in pairwise([*fitted.segments, fitted.segments[0]]):
        assert np.allclose(before[-1], after[0])
        assert end_directions(before)[1] @ end_directions(after)[0] > 0.99999


def test_a_knee_keeps_its_corners_and_its_straight_edges():
    ring = knee(step_mm=0.4).ring_mm
    corners = corner_indices(ring)
    fitted = fit_polyline(ring, corners=corners, closed=True)
    starts = np.array([s[0] for s in fitted.segments])
    for corner in ring[corners]:
        assert np.linalg.norm(starts - corner, axis=1).min() < 1e-12
    assert len(fitted.segments) <= 8
    assert sum(len(s) == 2 for s in fitted.segments) >= 3
    assert apart(ring, fitted.segments, closed=True) <= fitted.deviation_mm + 1e-6 <= 0.05 + 1e-6


def test_curves_meet_smoothly_where_there_is_no_corner():
    ring = knee(step_mm=0.5).ring_mm
    corners = corner_indices(ring)
    fitted = fit_polyline(ring, corners=corners, closed=True)
    sharp = {tuple(np.round(p, 9)) for p in ring[corners]}
    joints = [
        (a, b)
        for a, b in pairwise([*fitted.segments, fitted.segments[0]])
        if tuple(np.round(b[0], 9)) not in sharp
    ]
    assert joints
    for before, after in joints:
        turn = end_directions(before)[1] @ end_directions(after)[0]
        assert turn > np.cos(np.radians(0.1))


@pytest.mark.parametrize("tolerance", [0.02, 0.05, 0.2])
def test_a_hand_cut_edge_stays_within_the_tolerance_given(tolerance):
    rng = np.random.default_rng(3)
    x = np.arange(0, 400, 0.4)
    waves = sum(
        rng.normal(0, 0.03) * np.sin(2 * np.pi * x / length + rng.uniform(0, 6))
        for length in (23.0, 41.0, 77.0, 150.0)
    )
    edge = np.stack([x, 40 * np.sin(x / 180) + waves], -1)
    fitted = fit_polyline(edge, closed=False, tolerance_mm=tolerance)
    assert apart(edge, fitted.segments, closed=False) <= tolerance
    assert fitted.deviation_mm <= tolerance
    assert len(fitted.segments) < 40


def test_a_wider_tolerance_takes_fewer_curves():
    ring = circle(120.0) + 0.2 * np.sin(np.arange(400) / 5)[:, None]
    counts = [len(fit_polyline(ring, closed=True, tolerance_mm=t).segments) for t in (0.02, 0.4)]
    assert counts[1] < counts[0]


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.floats(-0.12, 0.12), min_size=3, max_size=6),
    st.floats(20, 300),
    st.integers(0, 2**31),
)
def test_any_rounded_shape_stays_within_the_tolerance(waves, size, seed):
    t = np.linspace(0, 2 * np.pi, 700, endpoint=False)
    radius = 1 + sum(a * np.cos((k + 2) * t) for k, a in enumerate(waves))
    noise = np.random.default_rng(seed).normal(0, 0.008, (len(t), 2))
    ring = size * radius[:, None] * np.stack([np.cos(t), np.sin(t)], -1) + noise
    fitted = fit_polyline(ring, closed=True)
    assert apart(ring, fitted.segments, closed=True) <= 0.05 + 1e-9


def test_points_that_jump_are_followed_when_the_tolerance_asks_for_it():
    rng = np.random.default_rng(0)
    edge = np.stack([np.arange(0, 60, 0.4), rng.normal(0, 0.2, 150)], -1)
    fitted = fit_polyline(edge, closed=False, tolerance_mm=0.02)
    assert apart(edge, fitted.segments, closed=False) <= 0.02 + 1e-9
    assert np.allclose(fitted.segments[0][0], edge[0])
    assert np.allclose(fitted.segments[-1][-1], edge[-1])
    for before, after in pairwise(fitted.segments):
        assert np.allclose(before[-1], after[0])


def test_an_unmarked_corner_is_still_drawn():
    leg = np.arange(0, 50, 0.5)
    edge = np.vstack([np.stack([leg, 0 * leg], -1), np.stack([50 + 0 * leg, leg], -1)])
    fitted = fit_polyline(edge, closed=False)
    assert apart(edge, fitted.segments, closed=False) <= 0.05


def test_repeated_points_and_short_lines_are_no_trouble():
    two = np.array([[0.0, 0.0], [10.0, 5.0]])
    (only,) = fit_polyline(two, closed=False).segments
    assert np.allclose(only, two)
    ring = np.repeat(circle(20.0, 60), 3, axis=0)
    assert apart(ring, fit_polyline(ring, closed=True).segments, closed=True) <= 0.05
    triangle = np.array([[0.0, 0.0], [30.0, 0.0], [0.0, 30.0]])
    assert len(fit_polyline(triangle, corners=[0, 1, 2], closed=True).segments) == 3
    assert apart(triangle, fit_polyline(triangle, closed=True).segments, closed=True) <= 0.05


def test_nonsense_is_refused():
    ring = circle(10.0, 20)
    with pytest.raises(ValueError, match="tolerance"):
        fit_polyline(ring, closed=True, tolerance_mm=0.0)
    with pytest.raises(ValueError, match="corner"):
        fit_polyline(ring, corners=[20], closed=True)
    with pytest.raises(ValueError, match="points"):
        fit_polyline(ring[:2], closed=True)
