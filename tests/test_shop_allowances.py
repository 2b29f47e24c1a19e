"""Allowances by named edge, scribe gaps, corner reliefs, router bushes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon
from shop_zoo import knee, polygon, rectangle

from spilemark.errors import UsageError
from spilemark.shop.allowances import (
    Allowances,
    EdgeAllowance,
    ScribeGap,
    bush_offset_mm,
    cut_lines,
    normal_gap_mm,
    routed,
    router_template,
    undo_scribe,
)
from spilemark.shop.bevels import bevel_offset_mm, read_bevels
from spilemark.shop.offsets import EdgeMove, move_edges
from spilemark.shop.relief import CornerRelief, relieved, tangent_length_mm
from spilemark.shop.stations import Stations

FLARED = polygon(
    [[0, 0], [240, 0], [240, 60], [-40, 250], [-90, 230]],
    ("transom edge", "arm end", "inner edge", "hull arm end", "hull edge"),
)


def test_finished_and_cutting_line_are_kept_apart() -> None:
    # By hand: glue gap 2 off the left, saw 3 and plane 1 outside of that, saw 3 below.
    told = Allowances(
        edges=(
            EdgeAllowance(edge="left", saw_mm=3, plane_off_mm=1, glue_gap_mm=2),
            EdgeAllowance(edge="bottom", saw_mm=3),
        )
    )
    lines = cut_lines(rectangle(), told)
    assert Polygon(lines.pattern.points_mm).bounds == (0, 0, 100, 50)
    assert Polygon(lines.finished.points_mm).bounds == pytest.approx((2, 0, 100, 50))
    assert Polygon(lines.cutting.points_mm).bounds == pytest.approx((-2, -3, 100, 50))
    assert lines.second_face is None


def test_with_a_bevel_the_larger_outline_is_cut() -> None:
    told = Allowances(
        edges=(EdgeAllowance(edge="top", saw_mm=2), EdgeAllowance(edge="left", saw_mm=2))
    )
    bevels = read_bevels(["top=12 standing", "left=12 under"])
    lines = cut_lines(rectangle(), told, thickness_mm=18.0, bevels=bevels)
    off = bevel_offset_mm(18, 12)
    assert lines.second_face is not None
    assert Polygon(lines.finished.points_mm).bounds == pytest.approx((0, 0, 100, 50))
    assert Polygon(lines.second_face.points_mm).bounds == pytest.approx((off, 0, 100, 50 + off))
    assert Polygon(lines.cutting.points_mm).bounds == pytest.approx((-2, 0, 100, 52 + off))


@given(st.floats(-25, 25), st.floats(-25, 25), st.floats(0, 4), st.floats(0, 4), st.floats(0, 3))
@settings(max_examples=25, deadline=None)
def test_the_cutting_line_holds_both_faces_with_their_allowance(
    hull: float, transom: float, saw: float, plane: float, glue: float
) -> None:
    told = Allowances(
        edges=tuple(
            EdgeAllowance(edge=e, saw_mm=saw, plane_off_mm=plane, glue_gap_mm=glue)
            for e in ("hull edge", "transom edge")
        ),
        reliefs=(CornerRelief(corner="c0", radius_mm=12.0),),
    )
    bevels = (Stations("hull edge", (0.0,), (hull,)), Stations("transom edge", (0.0,), (transom,)))
    lines = cut_lines(FLARED, told, thickness_mm=20.0, bevels=bevels)
    cutting = Polygon(lines.cutting.points_mm)
    assert lines.second_face is not None
    for face in (lines.finished, lines.second_face):
        assert cutting.buffer(1e-6).contains(Polygon(face.points_mm))
        for name in ("hull edge", "transom edge", "relief at c0 corner"):
            middle = face.points_mm[face.indices(face.edge(name))].mean(axis=0)
            gap = LineString(np.vstack([lines.cutting.points_mm, lines.cutting.points_mm[:1]]))
            assert gap.distance(Point(middle)) >= saw + plane - 1e-6


def test_router_bush() -> None:
    # franz-makes.pages.dev; woodworking.stackexchange 7205.
    assert bush_offset_mm(30.0, 10.0) == 10.0
    assert bush_offset_mm(19.05, 12.7) == pytest.approx(25.4 / 8, abs=1e-12)
    for bush, cutter in ((10.0, 30.0), (10.0, 10.0), (10.0, 0.0)):
        with pytest.raises(UsageError, match="does not run in a bush"):
            bush_offset_mm(bush, cutter)


@pytest.mark.parametrize(("bush", "cutter"), [(30.0, 10.0), (16.0, 8.0)])
def test_what_the_router_leaves(bush: float, cutter: float) -> None:
    # Derived; checked with shapely: along its edges the part comes out true, outside corners are
    # rounded to the offset, and nothing of the part is lost elsewhere.
    finished = knee(step=1.0)
    template = router_template(finished, bush, cutter)
    part, made = Polygon(finished.points_mm), Polygon(routed(template, bush, cutter))
    offset = bush_offset_mm(bush, cutter)
    rounded = part.buffer(-offset).buffer(offset, quad_segs=90)
    assert made.symmetric_difference(rounded).area < 0.5
    assert part.buffer(1e-3).contains(made)
    for edge in finished.edges:
        # One step of a curve may bend a hair at its ends: the middle of each edge is enough.
        middle = finished.indices(edge)
        x, y = finished.points_mm[middle[len(middle) // 2]]
        assert made.exterior.distance(Point(x, y)) < 1e-3


def test_scribe_gap_on_a_slope() -> None:
    # Derived: vertical gap on a 30 degree slope, normal gap is g cos 30.
    assert normal_gap_mm(1.0, 30.0) == pytest.approx(0.866025, abs=1e-6)
    # And by measuring: a slope shifted down by 10, its distance square to it.
    slope = LineString([[0, 0], [100, 100 * math.tan(math.radians(30))]])
    assert slope.distance(Point(50, 50 * math.tan(math.radians(30)) - 10)) == pytest.approx(
        normal_gap_mm(10.0, 30.0)
    )


@pytest.mark.parametrize("direction", [180.0, 200.0, 150.0])
def test_a_fixed_compass_is_undone_exactly(direction: float) -> None:
    # A hull edge scribed by a compass held one way: the pattern's edge is the hull's, shifted.
    hull = knee(step=1.0)
    angle = math.radians(direction)
    way = (8 * math.cos(angle), 8 * math.sin(angle))
    pattern = move_edges(hull, {"hull edge": EdgeMove(along_mm=(-way[0], -way[1]))})
    undone = undo_scribe(
        pattern, [ScribeGap(edge="hull edge", gap_mm=8.0, direction_deg=direction)]
    )
    difference = Polygon(undone.points_mm).symmetric_difference(Polygon(hull.points_mm))
    assert difference.area < 0.05
    # Taken for a normal offset it is wrong wherever the edge does not face the compass.
    wrong = undo_scribe(pattern, [ScribeGap(edge="hull edge", gap_mm=8.0)])
    off = Polygon(wrong.points_mm).symmetric_difference(Polygon(hull.points_mm)).area
    assert off > (1.0 if direction == 180.0 else 40.0)


def test_a_rolled_block_is_undone_by_a_normal_offset() -> None:
    hull = knee(step=1.0)
    pattern = move_edges(hull, {"hull edge": EdgeMove(-10.0), "transom edge": EdgeMove(-6.0)})
    undone = undo_scribe(
        pattern, [ScribeGap(edge="Hull edge", gap_mm=10), ScribeGap(edge="transom edge", gap_mm=6)]
    )
    difference = Polygon(undone.points_mm).symmetric_difference(Polygon(hull.points_mm))
    assert difference.area < 0.05


@pytest.mark.parametrize(
    ("direction", "words"), [(0.0, "into the wood"), (90.0, "along it"), (270.0, "along it")]
)
def test_a_scribe_that_does_not_lead_out(direction: float, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        undo_scribe(knee(), [ScribeGap(edge="hull edge", gap_mm=8, direction_deg=direction)])


@pytest.mark.parametrize("angle", [60.0, 90.0, 98.0, 130.0])
@pytest.mark.parametrize("shape", ["clip", "round"])
def test_relief_clears_the_fillet(angle: float, shape: str) -> None:
    # Derived; checked with shapely: the fillet is what an opening with its radius takes off.
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    part = polygon([[0, 0], [200, 0], [200 * c + 200, 200 * s], [200 * c, 200 * s]])
    radius = 15.0
    cut = relieved(part, CornerRelief(corner="c0", radius_mm=radius, shape=shape))  # type: ignore[arg-type]
    whole, left = Polygon(part.points_mm), Polygon(cut.points_mm)
    opened = whole.buffer(-radius, quad_segs=90).buffer(radius, quad_segs=360)
    near = Point(0, 0).buffer(tangent_length_mm(radius, angle) * 1.05)
    fillet = whole.difference(opened).intersection(near)
    assert fillet.area > 1.0
    assert left.intersection(fillet).area < 0.02
    taken = whole.difference(left).area
    # The arc takes the fillet's area and no more; r^2 (cot(C / 2) - (pi - C) / 2).
    half = math.radians(angle) / 2
    area = radius**2 * (1 / math.tan(half) - (math.pi - 2 * half) / 2)
    if shape == "round":
        assert taken == pytest.approx(area, rel=0.01)
    else:
        leg = tangent_length_mm(radius, angle)
        assert taken == pytest.approx(0.5 * leg**2 * math.sin(2 * half))
        assert taken > area
    assert [e.name for e in cut.edges][-1] == "side 3"
    assert cut.edge("relief at c0 corner")


def test_tangent_length() -> None:
    # Derived, as for an arc tangent to both faces: C 90, R 200: 200; C 98, R 178: 154.733.
    assert tangent_length_mm(200, 90) == pytest.approx(200.0)
    assert tangent_length_mm(178, 98) == pytest.approx(154.733, abs=1e-3)


def test_relief_on_a_traced_outline_keeps_the_other_edges() -> None:
    outline = knee()
    cut = relieved(outline, CornerRelief(corner="outer", radius_mm=12.0))
    assert {e.name for e in cut.edges} == {
        *(e.name for e in outline.edges), "relief at outer corner"
    }  # fmt: skip
    lost = Polygon(outline.points_mm).difference(Polygon(cut.points_mm))
    assert lost.bounds[2] == pytest.approx(12.0, abs=1.5)
    assert Polygon(cut.points_mm).is_valid


@pytest.mark.parametrize(
    ("relief", "words"),
    [
        (CornerRelief(corner="outer", radius_mm=200.0), "which is only"),
        (CornerRelief(corner="nose", radius_mm=5.0), "No corner"),
        (CornerRelief(corner="outer", radius_mm=0.0), "needs no relief"),
    ],
)
def test_reliefs_that_are_refused(relief: CornerRelief, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        relieved(knee(), relief)


def test_an_inside_corner_holds_no_fillet() -> None:
    chevron = polygon([[0, 0], [120, 0], [120, 40], [60, 15], [0, 40]])
    with pytest.raises(UsageError, match="no fillet sits there"):
        relieved(chevron, CornerRelief(corner="c3", radius_mm=4.0))


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (Allowances(edges=(EdgeAllowance(edge="hull edge", saw_mm=-1),)), "not between"),
        (Allowances(edges=(EdgeAllowance(edge="hull edge", glue_gap_mm=900),)), "not between"),
        (Allowances(edges=(EdgeAllowance(edge="keel"),)), "No edge"),
        (Allowances(edges=(EdgeAllowance(edge="hull edge"), EdgeAllowance(edge="Hull edge"))),
         "given twice"),
        (Allowances(edges=(EdgeAllowance(edge="hull arm end", glue_gap_mm=150),
                           EdgeAllowance(edge="hull edge", glue_gap_mm=120))), "near"),
    ],
)  # fmt: skip
def test_allowances_that_are_refused(told: Allowances, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        cut_lines(knee(), told)


def test_bevels_need_a_thickness() -> None:
    with pytest.raises(UsageError, match="thickness"):
        cut_lines(knee(), Allowances(), bevels=read_bevels(["hull edge=3 under"]))


def test_a_bevel_taken_at_the_end_of_an_edge_stays_there_when_the_edge_is_cut_short() -> None:
    # By hand: the edge is 300 mm; with 5 mm off the arm's end and 1.5 off its other end, the
    # station at its end must not lie "past the end", and the bevel there is still 18 degrees.
    part = rectangle(300.0, 80.0)
    bevels = read_bevels(["top = 0:10 under, 300:18 under"])
    told = Allowances(
        edges=(
            EdgeAllowance(edge="left", glue_gap_mm=5.0),
            EdgeAllowance(edge="right", glue_gap_mm=1.5),
        )
    )
    lines = cut_lines(part, told, thickness_mm=20.0, bevels=bevels)
    assert lines.second_face is not None
    second = lines.second_face
    edge = second.edge("top")
    ends = second.points_mm[[edge.start, edge.stop]]
    # Top runs from right to left in ring order, and its stations with it.
    assert ends[0] == pytest.approx([298.5, 80 - bevel_offset_mm(20, 10)], abs=1e-6)
    assert ends[1] == pytest.approx([5.0, 80 - bevel_offset_mm(20, 18)], abs=1e-6)
    # One that lay past the end of the pattern itself is refused as before.
    with pytest.raises(UsageError, match="past the end"):
        cut_lines(
            part, told, thickness_mm=20.0, bevels=read_bevels(["top = 0:10 under, 303:18 under"])
        )
