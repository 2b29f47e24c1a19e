"""The specimen shapes are what their names say."""

import numpy as np
import pytest
import shapely

from spilemark.frames import signed_area
from spilemark.testing import shapes

ALL = [shapes.quarter_knee(), shapes.breasthook(), shapes.notched_plate()]


@pytest.mark.parametrize("ring", ALL)
def test_rings_are_simple_anticlockwise_and_dense(ring):
    assert shapely.Polygon(ring).is_valid
    assert signed_area(ring) > 0
    assert np.linalg.norm(np.roll(ring, -1, 0) - ring, axis=1).max() <= shapes.STEP_MM + 1e-9
    assert signed_area(shapes.mirror(ring)) == pytest.approx(signed_area(ring))


def test_the_breasthook_is_its_own_mirror_image():
    ring = shapes.breasthook()
    wood, image = shapely.Polygon(ring), shapely.Polygon(shapes.mirror(ring))
    assert wood.symmetric_difference(image).area < 1e-6 * wood.area


def test_a_plates_area_is_its_sides_less_the_notch():
    assert signed_area(shapes.notched_plate()) == pytest.approx(420 * 260 - 40 * 25)


def test_the_knees_corner_has_the_angle_and_legs_asked_for():
    ring = shapes.quarter_knee(angle_deg=97.0, sag_mm=0.0, line_inboard_mm=80.0)
    corner = np.array([80.0, 0.0])
    k = int(np.argmin(np.linalg.norm(ring - corner, axis=1)))
    ahead, behind = ring[(k + 60) % len(ring)] - corner, ring[k - 60] - corner
    turn = np.degrees(np.arccos(ahead @ behind / np.linalg.norm(ahead) / np.linalg.norm(behind)))
    assert turn == pytest.approx(97.0, abs=0.01)


def test_a_bulge_rises_as_high_and_as_wide_as_asked():
    plain = shapes.notched_plate()
    ring = shapes.bulge(plain, at_mm=(210.0, 0.0), height_mm=1.0, width_mm=30.0)
    moved = np.linalg.norm(ring - plain, axis=1)
    assert moved.max() == pytest.approx(1.0, abs=1e-3)
    assert np.ptp(plain[moved > 1e-6][:, 0]) == pytest.approx(30.0, abs=1.1)
    assert ring[np.argmax(moved), 1] < 0  # outward, below the lower side
