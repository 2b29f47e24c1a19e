"""Drawn photos against areas and places known otherwise."""

import numpy as np
import pytest
import shapely
from scipy.ndimage import map_coordinates

from spilemark.cards import shop_cards
from spilemark.testing import shapes
from spilemark.testing.bench import LaidCard
from spilemark.testing.scenes import Look, coverage, draw_scene, simple_plane


def test_covered_area_is_shapelys_pixel_by_pixel():
    ring = np.array([[1.3, 0.2], [9.9, 3.7], [6.1, 11.4], [-2.5, 8.0]])
    share = coverage([ring], 12, 10)
    shape = shapely.Polygon(ring)
    for y, x in np.ndindex(10, 12):
        square = shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5)
        assert share[y, x] == pytest.approx(shape.intersection(square).area, abs=1e-12)


def test_holes_are_cut_out_and_neighbours_join_without_a_seam():
    outer = shapes.disc((20.0, 20.0), 15.0, hole=False)
    hole = shapes.disc((22.0, 18.0), 6.0)
    share = coverage([outer, hole], 40, 40)
    assert share.sum() == pytest.approx(shapely.Polygon(outer, [hole]).area)
    left = np.array([[2.2, 2], [7.7, 2], [7.7, 9], [2.2, 9]])
    right = left + [5.5, 0]
    both = coverage([left, right], 20, 12)
    assert both[5, 4:11] == pytest.approx(1.0)


def _card(centre, turn):
    return LaidCard(
        card=shop_cards().cards[2],
        centre_mm=np.asarray(centre, float),
        turn_rad=turn,
        base_mm=0.0,
        lift_mm=0.2,
        bow_mm=0.1,
        print_scale=(1.002, 0.999),
        shear=0.0,
    )


@pytest.fixture(scope="module")
def scene():
    plane = simple_plane(width_px=700, height_px=500)
    ring = shapes.notched_plate(width_mm=90.0, height_mm=60.0, notch_mm=(20, 12))
    return draw_scene([ring - [20.0, 100.0]], plane, (700, 500), cards=[_card((-20.0, 60.0), 0.4)])


def test_same_scene_same_bytes(scene):
    again = draw_scene(scene.rings_mm, scene.plane, (700, 500), cards=scene.cards)
    assert again.photo.sha256 == scene.photo.sha256


def test_edge_lies_half_way_in_linear_light(scene):
    """A blurred step keeps its half-level on the edge only while light is linear."""
    flat = draw_scene(scene.rings_mm, scene.plane, (700, 500), look=Look(srgb=False))
    grey = flat.photo.pixels.astype(float)
    edge = scene.rings_px[0]
    lower = edge[(scene.rings_mm[0][:, 1] < -99.999) & (np.abs(scene.rings_mm[0][:, 0] - 20) < 25)]
    x, y = lower[len(lower) // 2]
    column = round(x)
    # Along a column the edge is crossed once; its place by linear interpolation.
    line = grey[:, column]
    y_here = np.interp(column, *lower[np.argsort(lower[:, 0])].T)
    rows = np.arange(int(y) - 4, int(y) + 6)
    half = 255 * (Look().bench + Look().pattern) / 2
    found = np.interp(-half, -line[rows], rows)
    assert found == pytest.approx(y_here, abs=0.03)


def test_a_crossing_is_a_saddle_where_truth_says(scene):
    """Turned by half a turn about a chessboard crossing, the picture is itself; elsewhere not."""
    grey = scene.photo.pixels.astype(float)
    y, x = np.mgrid[-3:4, -3:4].reshape(2, -1)

    def unlike_itself(at):
        there = map_coordinates(grey, [at[1] + y, at[0] + x], order=3)
        back = map_coordinates(grey, [at[1] - y, at[0] - x], order=3)
        return np.abs(there - back).mean()

    for crossing in scene.crossings_px(scene.cards[0])[[0, 7, 20]]:
        here = unlike_itself(crossing)
        assert here < 4
        for way in ([0.3, 0], [0, 0.3], [-0.3, 0], [0, -0.3]):
            assert unlike_itself(crossing + way) > 2 * here
