"""Free rectangles on a piece of wood, against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapes as zoo

from spilemark.lettering import Room, rectangle

PLATE = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0, -70.0])
def test_a_place_lies_in_the_wood_and_clear_of_all_that_is_on_it(turn):
    drawn = zoo.knee(hole=True)
    room = Room(drawn.ring_mm, drawn.holes_mm, [drawn.line_mm], clear_mm=3.0, turn_deg=turn)
    size = (38.0, 26.0)
    place = room.place(*size)
    assert place is not None
    area = shapely.Polygon(rectangle(place, *size, turn))
    assert shapely.Polygon(drawn.ring_mm, drawn.holes_mm).contains(area)
    assert area.distance(shapely.LineString(drawn.line_mm)) > 1.5
    assert area.distance(shapely.LinearRing(drawn.ring_mm)) > 1.5


def test_what_does_not_fit_has_no_place():
    room = Room(PLATE, clear_mm=3.0)
    assert room.place(90.0, 50.0) is not None
    assert room.place(97.0, 20.0) is None
    assert room.place(20.0, 57.0) is None
    assert room.place(500.0, 500.0) is None


def test_the_nearest_place_is_taken():
    room = Room(PLATE, clear_mm=3.0)
    x, y = room.place(10.0, 10.0, (100.0, 0.0))
    assert (x, y) == pytest.approx((92.0, 8.0), abs=2.0)
    assert room.place(10.0, 10.0) == pytest.approx((50.0, 30.0), abs=1.5)


def test_a_taken_area_is_no_longer_free():
    room = Room(PLATE, clear_mm=1.0)
    left_half = rectangle((25.0, 30.0), 50.0, 60.0)
    assert room.is_free(rectangle((25.0, 30.0), 30.0, 20.0, 15.0))
    room.take(left_half)
    assert not room.is_free(rectangle((25.0, 30.0), 30.0, 20.0, 15.0))
    assert room.place(30.0, 20.0)[0] > 64.0
    assert not room.is_free(rectangle((95.0, 30.0), 30.0, 20.0))


def test_a_large_part_is_looked_at_more_coarsely():
    room = Room(PLATE * 60.0, clear_mm=3.0)
    assert room.place(5000.0, 3000.0) is not None
