"""How few sheets, where each lies, where they join: sums and shapes only."""

from __future__ import annotations

import itertools
import math
from functools import cache

import numpy as np
import pytest
import shapes as zoo
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon, box, union_all

from spilemark.tile_joins import CROSS_INSET_MM, Join, check_lines, joins, letter
from spilemark.tiling import Layout, Place, Window, plan_layout, sheets_along, turned

A4 = (
    Window(width_mm=182.0, height_mm=246.0),
    Window(width_mm=256.0, height_mm=167.0, lying=True),
)
OVERLAP_MM, CLEARANCE_MM = 10.0, 4.0
KEPT_MM = 2.4
"""What a clearance of 4 mm guarantees: points along the edge stand 3 mm apart."""

RECTANGLE = np.array([[0.0, 0.0], [450.0, 0.0], [450.0, 380.0], [0.0, 380.0]])
STRIP = np.array([[0.0, 0.0], [600.0, 400.0], [570.0, 440.0], [-30.0, 40.0]])
ANGLE_PIECE = np.array(
    [[0.0, 0.0], [500.0, 0.0], [500.0, 80.0], [80.0, 80.0], [80.0, 500.0], [0.0, 500.0]]
)
BULKHEAD = np.array([[0.0, 0.0], [1500.0, 0.0], [1500.0, 100.0], [200.0, 600.0], [0.0, 600.0]])
SPECIMENS = {
    "knee": zoo.knee().ring_mm,
    "large knee": zoo.knee(side="starboard", hull_mm=900.0, line_inboard_mm=200.0).ring_mm,
    "rectangle": RECTANGLE,
    "strip": STRIP,
    "angle piece": ANGLE_PIECE,
    "bulkhead": BULKHEAD,
    "small": RECTANGLE / 5,
}


def layout_of(ring: np.ndarray, **more: object) -> Layout:
    facts: dict = {"windows": A4, "overlap_mm": OVERLAP_MM, "clearance_mm": CLEARANCE_MM} | more
    return plan_layout(ring, **facts)


@cache
def specimen(name: str, turn: str = "any") -> Layout:
    return layout_of(SPECIMENS[name], turn=turn)


def dense(ring: np.ndarray, step_mm: float = 1.0) -> np.ndarray:
    return np.array(Polygon(ring).exterior.segmentize(step_mm).coords)


def core_area(layout: Layout, place: Place):
    return box(*layout.core_box(place))


@pytest.mark.parametrize(("window", "sheets"), [((190.0, 277.0), (3, 2)), ((277.0, 190.0), (2, 3))])
def test_sheets_for_450_by_380_on_a4_with_10_mm_edges(window, sheets):
    """Derived: n windows span n (w - o) + o; 440 / 180 and 370 / 267, turned 440 / 267 and 370 / 180."""
    found = tuple(
        sheets_along(length, w, 10.0) for length, w in zip((450, 380), window, strict=True)
    )
    assert found == sheets


@given(length=st.floats(1.0, 5000.0), window=st.floats(60.0, 500.0), overlap=st.floats(5.0, 40.0))
def test_so_many_windows_span_a_length_and_one_fewer_does_not(length, window, overlap):
    count = sheets_along(length, window, overlap)
    assert count * (window - overlap) + overlap >= length - 1e-5
    assert count == 1 or (count - 1) * (window - overlap) + overlap < length


def test_a_window_of_nothing_but_overlap_is_refused():
    with pytest.raises(ValueError, match="used up"):
        sheets_along(100.0, 10.0, 10.0)


@pytest.mark.parametrize("turn", ["any", "none"])
@pytest.mark.parametrize("name", SPECIMENS)
def test_every_edge_point_lies_on_a_sheet_with_room_to_spare(name, turn):
    ring = dense(SPECIMENS[name])
    layout = specimen(name, turn)
    there = layout.turned(ring)
    assert layout.turn_rad == 0 or turn == "any"
    shown = np.zeros(len(there), dtype=bool)
    for place in layout.places:
        shown |= layout.window_box(place).holds(there, KEPT_MM)
    assert shown.all()


@pytest.mark.parametrize("name", SPECIMENS)
def test_cores_share_the_wood_out_and_leave_none(name):
    layout = specimen(name)
    wood = Polygon(layout.turned(SPECIMENS[name]))
    cores = [core_area(layout, place) for place in layout.places]
    assert union_all(cores).buffer(1e-6).contains(wood)
    for one, other in itertools.combinations(cores, 2):
        # Beyond a sheet that was left out, two may reach half an overlap into the empty corner.
        assert one.intersection(other).intersection(wood).area < 1e-6
    for place, core in zip(layout.places, cores, strict=True):
        assert core.intersection(wood.buffer(CLEARANCE_MM)).area > 0, place


@pytest.mark.parametrize("name", SPECIMENS)
def test_never_more_sheets_than_the_rectangle_around_needs(name):
    """The rectangle's own count is the formula of the first test, for both ways of the paper."""
    extent = np.ptp(SPECIMENS[name], axis=0) + 2 * CLEARANCE_MM
    around = min(
        sheets_along(extent[0], w.width_mm, OVERLAP_MM)
        * sheets_along(extent[1], w.height_mm, OVERLAP_MM)
        for w in A4
    )
    assert len(specimen(name).places) <= around


def test_turning_and_leaving_out_empty_sheets_save_paper():
    """From drawings by hand: a strip of 720 x 48 mm fits lengthwise on three sheets of 256 mm."""
    strip = specimen("strip")
    assert len(strip.places) == 3
    assert strip.turn_rad != 0
    assert len(specimen("strip", "none").places) > 3
    assert len(specimen("knee").places) == 3
    around = specimen("knee")
    assert len(around.places) < around.columns * around.rows


def test_forward_stays_up_where_turning_saves_nothing():
    for name in ("rectangle", "small"):
        assert specimen(name).turn_rad == 0


def test_what_fits_on_one_sheet_takes_one():
    w, h = A4[0].width_mm - 2 * CLEARANCE_MM, A4[0].height_mm - 2 * CLEARANCE_MM
    ring = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    layout = layout_of(ring)
    assert layout.places == (Place(1, 1),)
    assert layout.core_box(Place(1, 1)) == layout.window_box(Place(1, 1))
    assert joins(layout) == ()
    assert check_lines(layout, ()) == ()
    assert len(layout_of(ring + [[0, 0], [1, 0], [1, 0], [0, 0]]).places) == 2


def test_words_and_lines_beyond_the_wood_are_on_paper_too():
    line = np.array([[40.0, -60.0], [40.0, 130.0]])
    layout = layout_of(SPECIMENS["small"], lines_mm=[line])
    there = layout.turned(np.linspace(*line, 200))
    shown = np.any([layout.window_box(p).holds(there, KEPT_MM) for p in layout.places], axis=0)
    assert shown.all()


def test_a_word_beside_the_edge_does_not_ask_for_the_whole_rectangle():
    corner_of_the_hollow = np.array([[110.0, 110.0], [130.0, 110.0], [130.0, 116.0]])
    far_off = np.array([[400.0, 120.0], [420.0, 120.0]])
    for word in (corner_of_the_hollow, far_off):
        layout = layout_of(ANGLE_PIECE, lines_mm=[word])
        assert len(layout.places) <= len(specimen("angle piece").places) + 1
        there = layout.turned(word)
        shown = np.any([layout.window_box(p).holds(there, KEPT_MM) for p in layout.places], axis=0)
        assert shown.all()


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 2 * math.pi), st.floats(40, 450)),
        min_size=5,
        max_size=12,
        unique=True,
    )
)
def test_any_star_shape_is_covered_and_hangs_together(spokes):
    spokes.sort()
    angle, reach = np.array(spokes).T
    ring = np.stack([reach * np.cos(angle), reach * np.sin(angle)], axis=-1)
    shape = Polygon(ring)
    if not shape.is_valid or shape.area < 500:
        return
    layout = layout_of(ring)
    paper = union_all([core_area(layout, place).buffer(1e-6) for place in layout.places])
    assert paper.contains(Polygon(layout.turned(ring)))
    assert paper.geom_type == "Polygon"
    for join in joins(layout):
        assert join.length_mm > 100
    assert_lines_cross_every_join(layout)


@pytest.mark.parametrize("name", SPECIMENS)
def test_each_pair_of_neighbours_has_one_join_with_its_own_letter(name):
    layout = specimen(name)
    found = joins(layout)
    assert len({join.name for join in found}) == len(found)
    beside = {
        frozenset((a, b))
        for a, b in itertools.combinations(layout.places, 2)
        if abs(a.row - b.row) + abs(a.column - b.column) == 1
    }
    assert {frozenset((join.under, join.over)) for join in found} == beside
    assert len(found) == len(beside)


@pytest.mark.parametrize("name", SPECIMENS)
def test_joining_crosses_are_whole_on_both_sheets(name):
    layout = specimen(name)
    for join in joins(layout):
        assert join.over > join.under
        for place in (join.under, join.over):
            window = layout.window_box(place)
            assert window.holds(np.array(join.crosses), 4.0).all()
            middle_of_overlap = np.array([join.start, join.stop])
            assert window.holds(middle_of_overlap, 0.0).all()
        for at, end in zip(join.crosses, (join.start, join.stop), strict=True):
            assert math.dist(at, end) == pytest.approx(CROSS_INSET_MM)


def assert_lines_cross_every_join(layout: Layout) -> None:
    met = joins(layout)
    lines = check_lines(layout, met)
    paper = union_all([core_area(layout, place).buffer(1e-6) for place in layout.places])
    drawn = [LineString([line.start, line.stop]) for line in lines]
    for line, shape in zip(lines, drawn, strict=True):
        assert paper.contains(shape)
        assert line.length_mm == pytest.approx(shape.length)
        assert line.length_mm > 100
    for join in met:
        assert any(crosses_well(shape, join) for shape in drawn), join.name


def crosses_well(line: LineString, join: Join) -> bool:
    """Over the join itself, between its crosses, with a piece to sight along on both sheets."""
    met = line.intersection(LineString([join.start, join.stop]))
    if met.is_empty:
        return False
    inside = min(math.dist(met.coords[0], end) for end in (join.start, join.stop))
    ends = min(math.dist(met.coords[0], end) for end in line.coords)
    return inside > CROSS_INSET_MM + 5 and ends > 15


@pytest.mark.parametrize("name", SPECIMENS)
def test_a_long_straight_line_crosses_every_join(name):
    assert_lines_cross_every_join(specimen(name))


def test_one_diagonal_serves_sheets_in_a_row():
    layout = specimen("strip")
    (line,) = check_lines(layout, joins(layout))
    across = layout.columns * layout.pitch_mm[0] + OVERLAP_MM
    assert line.length_mm > 0.9 * across


def test_letters_never_look_like_digits():
    names = [letter(k) for k in range(700)]
    assert names[:9] == list("ABCDEFGHJ")
    assert names[23:26] == ["Z", "AA", "AB"]
    assert len(set(names)) == 700
    assert not any({"I", "O"} & set(name) for name in names)


def test_turning_is_anticlockwise():
    np.testing.assert_allclose(turned(np.array([1.0, 0.0]), math.pi / 2), [0, 1], atol=1e-12)
