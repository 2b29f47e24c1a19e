"""A pair on one board."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from shapely import Polygon, box
from shop_zoo import knee

from spilemark.blank.boards import boards_for
from spilemark.blank.nest import _touch, nest_pair
from spilemark.blank.shapes import Floats
from spilemark.errors import UsageError
from spilemark.testing.blanks import random_case

KNEE = knee(step=2.0).points_mm


def test_two_half_squares_make_a_square_and_a_kerf() -> None:
    # Own derivation: long side to long side, apart by the kerf, one way longer by kerf·√2.
    pair = nest_pair([(0, 0), (200, 0), (0, 200)], kerf_mm=3.0)
    assert pair.length_mm * pair.width_mm <= 200.0 * (200.0 + 3.0 * math.sqrt(2.0)) * 1.003
    assert 3.0 <= pair.between_mm < 3.1


def test_the_pair_is_a_pair_apart_and_on_the_board() -> None:
    pair = nest_pair(KNEE, kerf_mm=3.2, around_mm=4.0)
    one, other = (Polygon(ring) for ring in pair.rings_mm)
    assert one.area == pytest.approx(other.area) == pytest.approx(Polygon(KNEE).area)
    assert one.distance(other) == pytest.approx(pair.between_mm, abs=1e-6)
    assert pair.between_mm >= 3.2
    board = box(0, 0, pair.length_mm, pair.width_mm)
    assert board.exterior.distance(one.union(other)) == pytest.approx(4.0, abs=1e-6)
    assert [pose.flipped for pose in pair.poses] == [False, True]
    for pose, ring in zip(pair.poses, pair.rings_mm, strict=True):
        assert pose.apply(KNEE) == pytest.approx(ring)
    # Knees lie in each other: well under two boards of their own.
    alone = boards_for(KNEE, around_mm=4.0).least_wood.area_mm2
    assert pair.length_mm * pair.width_mm < 0.9 * 2 * alone


def test_a_board_that_is_there() -> None:
    width = boards_for(KNEE, around_mm=2.0).narrowest.width_mm + 10
    pair = nest_pair(KNEE, kerf_mm=3.0, around_mm=2.0, board_mm=(900.0, width))
    assert pair.fits
    assert pair.width_mm <= width
    assert pair.short_mm == (0.0, 0.0)
    short = nest_pair(KNEE, kerf_mm=3.0, around_mm=2.0, board_mm=(400.0, width))
    assert not short.fits
    assert short.short_mm == pytest.approx((pair.length_mm - 400.0, 0.0), abs=15.0)
    narrow = nest_pair(KNEE, kerf_mm=3.0, board_mm=(900.0, 120.0))
    assert narrow.short_mm[1] > 0


def test_grain_is_kept_on_both() -> None:
    pair = nest_pair(KNEE, kerf_mm=3.0, grain_deg=135.0, grain_within_deg=10.0)
    for pose in pair.poses:
        grain = -135.0 if pose.flipped else 135.0
        off = grain + math.degrees(pose.turn_rad)
        assert abs((off + 90) % 180 - 90) <= 10.0 + 1e-6
    free = nest_pair(KNEE, kerf_mm=3.0)
    assert free.length_mm * free.width_mm <= pair.length_mm * pair.width_mm + 1.0
    any_way = nest_pair(KNEE, kerf_mm=3.0, grain_deg=135.0, grain_within_deg=90.0)
    assert any_way.length_mm == pytest.approx(free.length_mm)


def test_no_nest_beats_the_area_of_the_parts() -> None:
    pair = nest_pair(KNEE, kerf_mm=0.0)
    assert pair.length_mm * pair.width_mm > 2 * Polygon(KNEE).area
    assert pair.between_mm >= 0.0
    assert np.isfinite(pair.rings_mm[0]).all()


@pytest.mark.parametrize(
    "told",
    [
        {"kerf_mm": -1.0},
        {"kerf_mm": 1.0, "around_mm": -1.0},
        {"kerf_mm": 1.0, "board_mm": (0.0, 9.0)},
    ],
)
def test_lengths_below_zero(told: dict[str, object]) -> None:
    with pytest.raises(UsageError, match="zero or more"):
        nest_pair(KNEE, **told)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(8))
def test_what_is_slid_touches_and_no_more(seed: int) -> None:
    """Against shapely's areas and distances: two knees, odd shapes, also with level sides."""
    one, other = (random_case(k).part_mm for k in (seed, seed + 50))
    other = np.vstack([other, other[-1] + [10.0, 0.0]]) if seed % 2 else other
    slide = _touch(one, other)
    low, high = Polygon(one).buffer(0), Polygon(other + [slide, 0.0]).buffer(0)
    assert low.distance(high) == pytest.approx(0.0, abs=1e-6)
    assert low.intersection(high).area < 1e-3
    nearer = Polygon(other + [slide - 0.1, 0.0]).buffer(0)
    assert low.intersection(nearer).area > 0.0


def test_a_pair_of_knees_as_measured_comes_in_a_second_or_two() -> None:
    """A measured edge is no drawn one: many short sides, all of which have to keep clear."""
    ring = as_measured(2500)
    busy = time.process_time()
    pair = nest_pair(ring, kerf_mm=6.0, around_mm=3.0, board_mm=(900.0, 300.0))
    assert time.process_time() - busy < 8.0
    drawn = nest_pair(KNEE, kerf_mm=6.0, around_mm=3.0, board_mm=(900.0, 300.0))
    assert pair.length_mm == pytest.approx(drawn.length_mm, abs=3.0)


def as_measured(count: int) -> Floats:
    """The knee with so many points, each a tenth of a millimetre off its line."""
    line = Polygon(KNEE).exterior
    at = np.linspace(0.0, line.length, count, endpoint=False)
    points = np.array([line.interpolate(s).coords[0] for s in at])
    return points + np.random.default_rng(4).normal(0.0, 0.1, points.shape)
