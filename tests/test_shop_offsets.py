"""Moving edges by amounts of their own: against shapely where they must agree."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LinearRing, LineString, MultiPoint, Polygon
from shop_zoo import knee, polygon, rectangle

from spilemark.errors import UsageError
from spilemark.shop.offsets import EdgeMove, densified, move_edges
from spilemark.shop.outlines import (
    ShopEdge,
    ShopOutline,
    counts_from_end,
    make_outline,
    mirrored,
)


def area(outline: ShopOutline) -> float:
    return float(Polygon(outline.points_mm).area)


def perimeter(outline: ShopOutline) -> float:
    return float(Polygon(outline.points_mm).length)


def signed_area(ring: np.ndarray) -> float:
    x, y = ring.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def all_round(outline: ShopOutline, mm: float) -> dict[str, EdgeMove]:
    return {e.name: EdgeMove(mm) for e in outline.edges}


def chevron() -> ShopOutline:
    return polygon([[0, 0], [120, 0], [120, 40], [60, 15], [0, 40]])


def notched(depth: float, width: float = 10.0) -> ShopOutline:
    left, right = 50 - width / 2, 50 + width / 2
    return polygon(
        [[0, 0], [100, 0], [100, 50], [right, 50], [right, 50 - depth], [left, 50 - depth],
         [left, 50], [0, 50]]
    )  # fmt: skip


@pytest.mark.parametrize("mm", [0.5, 3.0, 12.0, -1.0, -3.0, -15.0])
def test_one_amount_all_round_is_shapelys_mitred_buffer(mm: float) -> None:
    outline = knee(step=1.0)
    moved = move_edges(outline, all_round(outline, mm))
    wanted = Polygon(outline.points_mm).buffer(mm, join_style="mitre", mitre_limit=4.0)
    assert Polygon(moved.points_mm).is_valid
    # Curved edges are carried on along their tangent; shapely takes their last chord.
    assert wanted.symmetric_difference(Polygon(moved.points_mm)).area < 0.01 * mm**2
    assert [e.name for e in moved.edges] == [e.name for e in outline.edges]


@pytest.mark.parametrize("mm", [1.0, 3.0, 12.0, -1.0, -3.0, -15.0])
def test_a_noisy_outline_comes_out_near_the_clean_one(mm: float) -> None:
    # shapely on the clean outline; a point of the noisy one stands off by 0.05 mm (one sigma).
    outline = knee(noise=0.05, step=0.5)
    moved = move_edges(outline, all_round(outline, mm))
    wanted = Polygon(knee(step=0.5).points_mm).buffer(mm, join_style="mitre", mitre_limit=4.0)
    assert Polygon(moved.points_mm).is_valid
    assert wanted.exterior.hausdorff_distance(LinearRing(moved.points_mm)) < 0.25 + 0.04 * abs(mm)


@pytest.mark.parametrize("mm", [4.0, -4.0])
def test_inside_corners_agree_with_shapely(mm: float) -> None:
    for outline in (chevron(), notched(20, 16)):
        moved = move_edges(outline, all_round(outline, mm))
        wanted = Polygon(outline.points_mm).buffer(mm, join_style="mitre", mitre_limit=4.0)
        assert wanted.symmetric_difference(Polygon(moved.points_mm)).area < 1e-6


def test_saw_allowance_with_round_corners() -> None:
    # Steiner's formula and shapely: 100 x 50 grown by 3 is 5000 + 3 * 300 + 9 pi.
    outline = rectangle()
    grown = move_edges(outline, all_round(outline, 3.0), join="round")
    assert 5000 + 900 + 9 * math.pi == pytest.approx(5928.274, abs=1e-3)
    # 2 degree steps of arc, whose chords lie inside it by r (1 - cos 1 degree).
    assert area(grown) == pytest.approx(5928.274, abs=1e-2)
    assert Polygon(outline.points_mm).buffer(3.0, quad_segs=512).area == pytest.approx(
        area(grown), abs=1e-2
    )
    assert area(move_edges(outline, all_round(outline, 3.0))) == pytest.approx(106 * 56)


def test_each_edge_by_its_own_amount() -> None:
    # By hand: left out 2, bottom in 1, right out 5, top stays.
    moved = move_edges(
        rectangle(), {"left": EdgeMove(2), "bottom": EdgeMove(-1), "right": EdgeMove(5)}
    )
    assert moved.points_mm == pytest.approx(np.array([[-2, 1], [105, 1], [105, 50], [-2, 50]]))


def intersection(p: np.ndarray, d: np.ndarray, q: np.ndarray, e: np.ndarray) -> np.ndarray:
    along = np.linalg.solve(np.stack([d, -e], axis=1), q - p)
    return np.asarray(p + along[0] * d)


@given(
    st.lists(st.floats(-6, 6), min_size=5, max_size=5),
    st.floats(0, 360),
)
@settings(max_examples=60, deadline=None)
def test_corners_are_where_the_moved_edges_meet(amounts: list[float], turn: float) -> None:
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    ring = np.array([[0, 0], [90, -10], [120, 60], [50, 100], [-20, 60]]) @ np.array(
        [[c, s], [-s, c]]
    )
    outline = polygon(ring)
    moved = move_edges(outline, {f"side {k}": EdgeMove(a) for k, a in enumerate(amounts)})
    step = np.roll(ring, -1, 0) - ring
    out = np.stack([step[:, 1], -step[:, 0]], -1) / np.linalg.norm(step, axis=1)[:, None]
    on = ring + np.array(amounts)[:, None] * out
    wanted = [intersection(on[k - 1], step[k - 1], on[k], step[k]) for k in range(5)]
    # The zero row of amounts keeps every point where it was.
    # Points within SAME_MM of each other count as one: a move of that much may be none.
    assert moved.points_mm == pytest.approx(np.array(wanted), abs=1e-8)
    assert [i for _, i in moved.corners] == [0, 1, 2, 3, 4]


@given(st.floats(0.1, 8.0))
@settings(max_examples=60, deadline=None)
def test_out_and_in_again(mm: float) -> None:
    outline = polygon([[0, 0], [90, -10], [120, 60], [50, 100], [-20, 60]])
    there = move_edges(outline, all_round(outline, mm))
    back = move_edges(there, all_round(there, -mm))
    assert back.points_mm == pytest.approx(outline.points_mm, abs=1e-9)


def test_a_bodily_move_keeps_the_edge_and_joins_the_neighbours() -> None:
    moved = move_edges(rectangle(), {"right": EdgeMove(along_mm=(4.0, 9.0))})
    assert moved.points_mm == pytest.approx(np.array([[0, 0], [104, 0], [104, 50], [0, 50]]))
    everything = {e.name: EdgeMove(along_mm=(4.0, 9.0)) for e in knee().edges}
    assert move_edges(knee(), everything).points_mm == pytest.approx(knee().points_mm + [4.0, 9.0])


def test_an_amount_that_changes_along_the_edge() -> None:
    outline = densified(rectangle(), 5.0)
    top = outline.edge("top")
    along = outline.stations_mm(top)
    moved = move_edges(outline, {"top": EdgeMove(2.0 + 3.0 * along / 100.0)})
    # By hand: the top edge runs from (100, 52) to (0, 55), met by the two ends.
    assert moved.points_mm[moved.edge("top").start] == pytest.approx([100, 52], abs=1e-9)
    assert moved.points_mm[moved.edge("top").stop] == pytest.approx([0, 55], abs=1e-9)
    assert area(moved) == pytest.approx(5000 + 350)


@given(st.lists(st.floats(-5, 5), min_size=5, max_size=5))
@settings(max_examples=15, deadline=None)
def test_a_noisy_outline_keeps_its_edges(amounts: list[float]) -> None:
    outline = knee(noise=0.05, step=1.0)
    told = {e.name: EdgeMove(a) for e, a in zip(outline.edges, amounts, strict=True)}
    moved = move_edges(outline, told)
    assert Polygon(moved.points_mm).is_valid
    for before, after in zip(outline.edges, moved.edges, strict=True):
        assert before.name == after.name
        # The middle of each edge lies off its old place by its own amount, within the noise.
        line = LineString(outline.points_mm[outline.indices(before)])
        middle = moved.points_mm[moved.indices(after)]
        middle = middle[len(middle) // 3 : 2 * len(middle) // 3]
        off = line.distance(MultiPoint(middle))
        assert off == pytest.approx(abs(told[before.name].outward_mm), abs=0.35)


def test_a_needle_corner_is_cut_off_but_never_inside_the_amount() -> None:
    outline = polygon([[0, 0], [200, 0], [0, 20]])
    moved = move_edges(outline, all_round(outline, 3.0))
    assert Polygon(moved.points_mm).contains(Polygon(outline.points_mm).buffer(2.999))
    assert np.linalg.norm(moved.points_mm - [200, 0], axis=1).min() < 4 * 3.0 + 0.5


@pytest.mark.parametrize(
    ("outline", "mm", "words", "place"),
    [
        (rectangle(), -25.0, "no wood", None),
        (rectangle(), -40.0, "no wood", None),
        (notched(45, 10), -4.0, "into pieces", (50, 3)),
        (notched(30, 10), 6.0, "runs over itself", (50, 20)),
        (polygon([[0, 0], [100, 0], [100, 50], [52, 50], [55, 20], [45, 20], [48, 50], [0, 50]]),
         2.5, "closes on itself", (50, 34)),
        (polygon([[0, 0], [100, 0], [100, 50], [60, 50], [60, 120], [52, 120], [52, 50], [0, 50]]),
         -5.0, "runs over itself", (56, 120)),
        (knee(hole=True, width=90.0), -37.0, "hole", (40, 40)),
    ],
)  # fmt: skip
def test_refused_with_its_place(
    outline: ShopOutline, mm: float, words: str, place: tuple[float, float] | None
) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        move_edges(outline, all_round(outline, mm))
    if place is not None:
        x, y = eval(caught.value.what.rsplit("near ", 1)[1].split(" mm")[0])
        assert math.hypot(x - place[0], y - place[1]) < 8.0
    assert caught.value.todo


def test_an_edge_that_vanishes_is_named() -> None:
    outline = polygon([[0, 0], [100, 0], [100, 48], [98, 50], [0, 50]],
                      ("bottom", "right", "clip", "top", "left"))  # fmt: skip
    with pytest.raises(UsageError, match='no corner left between "right" and "clip"'):
        move_edges(outline, {"right": EdgeMove(-5.0)})


def test_edges_and_corners_by_name() -> None:
    outline = knee()
    assert outline.edge("Hull Edge").from_end
    assert outline.stations_mm(outline.edge("hull edge"))[-1] == 0.0
    assert outline.stations_mm(outline.edge("transom edge"))[0] == 0.0
    assert outline.corner("outer") == outline.corner("outer corner") == 0
    with pytest.raises(UsageError, match="No edge") as caught:
        outline.edge("keel")
    assert "throat curve" in caught.value.todo
    with pytest.raises(UsageError, match="No corner"):
        outline.corner("nose")
    with pytest.raises(UsageError, match="2 edges are called"):
        polygon([[0, 0], [9, 0], [0, 9]], ("a", "a", "b")).edge("a")


def test_an_outline_that_crosses_itself_is_refused_with_its_place() -> None:
    ring = [[0, 0], [40, 0], [40, 40], [10, -10]]
    with pytest.raises(UsageError, match=r"crosses itself near \(1[56], 0\)"):
        make_outline(ring, [])
    with pytest.raises(UsageError, match="anticlockwise"):
        make_outline([[0, 0], [0, 9], [9, 0]], [])
    with pytest.raises(UsageError, match="do not meet"):
        make_outline(
            [[0, 0], [9, 0], [0, 9]],
            [ShopEdge(name="a", start=0, stop=1), ShopEdge(name="b", start=2, stop=0)],
        )


@given(st.integers(0, 4), st.floats(-50, 50), st.floats(0.5, 2.0))
@settings(max_examples=60, deadline=None)
def test_mirroring_twice_is_the_same_outline(start: int, shift: float, scale: float) -> None:
    # Derived, checked by doing it: M(M(x)) = x; |area| and perimeter stay; the signed area of
    # the mirrored points flips, so the ring is turned round; labels change sides.
    ring = np.roll(np.array([[0, 0], [90, -10], [120, 60], [50, 40], [-20, 60.0]]), start, 0)
    outline = polygon(ring * scale + shift)
    outline = make_outline(outline.points_mm, outline.edges, corners=dict(outline.corners),
                           side="port", name="PORT knee, Port side")  # fmt: skip
    once, twice = mirrored(outline), mirrored(mirrored(outline))
    assert twice.points_mm == pytest.approx(outline.points_mm, abs=1e-9)
    assert {(e.name, e.start, e.stop, e.from_end) for e in twice.edges} == {
        (e.name, e.start, e.stop, e.from_end) for e in outline.edges
    }
    assert twice.corners == outline.corners
    assert area(once) == pytest.approx(area(outline), abs=1e-9)
    assert perimeter(once) == pytest.approx(perimeter(outline), abs=1e-9)
    flipped = outline.points_mm * [-1.0, 1.0]
    assert signed_area(flipped) == pytest.approx(-signed_area(outline.points_mm))
    assert (once.side, once.name) == ("starboard", "STARBOARD knee, Starboard side")
    assert (twice.side, twice.name) == (outline.side, outline.name)
    for edge in outline.edges:
        same = once.edge(edge.name)
        assert np.sort(once.stations_mm(same)) == pytest.approx(np.sort(outline.stations_mm(edge)))


@pytest.mark.parametrize("arms", [(300.0, 220.0), (260.0, 300.0), (280.0, 280.0), (280.0, 280.4)])
def test_stations_begin_at_the_same_corner_on_both_sides(arms: tuple[float, float]) -> None:
    # Own derivation: mirrored, every edge must count from the mirror image of the same end, or a
    # winding bevel is cut the wrong way round on one side.
    port = knee(hull=arms[0], transom=arms[1])
    turned = mirrored(port)
    # As a starboard pattern is read, its ring begins elsewhere and knows nothing of port's.
    starboard = make_outline(
        turned.points_mm,
        [replace(e, from_end=False) for e in turned.edges],
        corners=dict(turned.corners),
        side="starboard",
    )
    for edge in port.edges:
        other = starboard.edge(edge.name)
        begins = [
            outline.points_mm[outline.indices(e)][np.argmin(outline.stations_mm(e))]
            for outline, e in ((port, edge), (starboard, other))
        ]
        assert begins[0] * [-1.0, 1.0] == pytest.approx(begins[1]), edge.name
    ends = {e.name: port.points_mm[e.stop if e.from_end else e.start] for e in port.edges}
    assert ends["hull arm end"] == pytest.approx(port.points_mm[port.edge("hull edge").start])


def test_which_end_is_clearly_nearer() -> None:
    assert counts_from_end(700.0, 300.0, starboard=False)
    assert not counts_from_end(300.0, 700.0, starboard=True)
    # About as far: by the side alone, whichever is longer by a hair.
    for ahead, behind in ((500.0, 500.4), (500.4, 500.0)):
        assert not counts_from_end(ahead, behind, starboard=False)
        assert counts_from_end(ahead, behind, starboard=True)
