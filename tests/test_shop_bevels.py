"""Bevels, compound bevels and the second face."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LinearRing, LineString, Point, Polygon
from shop_zoo import knee, polygon, rectangle

from spilemark.errors import UsageError
from spilemark.shop.bevels import (
    CompoundBevel,
    KneeAngles,
    PatternFace,
    bevel_from_rise_deg,
    bevel_from_sliding_deg,
    bevel_offset_mm,
    compound_bevel,
    kind,
    read_bevel,
    read_bevels,
    rise_mm,
    sliding_deg,
)
from spilemark.shop.faces import bevel_card, face_lines
from spilemark.shop.offsets import densified
from spilemark.shop.stations import Stations, fair


def test_offset_across_the_thickness() -> None:
    # glen-l.com, transom-angle: extra material is angle factor times thickness, 1 1/2" and 12
    # degrees; derived: T tan b.
    assert bevel_offset_mm(18.0, 12.0) == pytest.approx(3.8260, abs=1e-4)
    assert bevel_offset_mm(1.5 * 25.4, 12.0) / 25.4 == pytest.approx(0.31883, abs=1e-5)
    assert bevel_offset_mm(1.5 * 25.4, 12.0) / 25.4 * 16 == pytest.approx(5.101, abs=1e-3)
    assert bevel_offset_mm(18.0, -12.0) == -bevel_offset_mm(18.0, 12.0)
    # Derived: a winding bevel of 10 to 18 degrees in 22 mm.
    assert bevel_offset_mm(22.0, 10.0) == pytest.approx(3.879, abs=1e-3)
    assert bevel_offset_mm(22.0, 18.0) == pytest.approx(7.148, abs=1e-3)


def test_fourteen_inch_square_rule() -> None:
    # seamount-mattson.com, tranangl: each 1/4" on 14" is one degree; exactly 1.0230.
    assert bevel_from_rise_deg(25.4 / 4) == pytest.approx(1.0230, abs=1e-3)
    assert rise_mm(1.0) / 25.4 == pytest.approx(0.2444, abs=1e-4)
    assert read_bevel("1/4 on 14 standing") == pytest.approx(1.0230, abs=1e-3)
    assert read_bevel("6.35mm on 355.6mm under") == pytest.approx(-1.0230, abs=1e-3)


@given(st.floats(-60, 60))
@settings(deadline=None)
def test_rise_and_sliding_bevel_come_back(bevel: float) -> None:
    assert bevel_from_rise_deg(rise_mm(bevel)) == pytest.approx(abs(bevel), abs=1e-9)
    assert bevel_from_sliding_deg(sliding_deg(bevel)) == pytest.approx(bevel)


@pytest.mark.parametrize(
    ("text", "bevel"),
    [
        ("12 under", -12.0),
        ("12° standing", 12.0),
        ("12,5 Under", -12.5),
        ("square", 0.0),
        ("sliding 78", -12.0),
        ("sliding 102°", 12.0),
    ],
)
def test_bevels_as_written(text: str, bevel: float) -> None:
    # Under is acute, standing obtuse: Steel, 1794.
    assert read_bevel(text) == bevel
    assert kind(bevel) == ("square" if not bevel else "under" if bevel < 0 else "standing")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("12", "which way"),
        ("steep under", "not an angle"),
        ("61 under", "past 60"),
        ("sliding 12", "past 60"),
        ("-12 under", "negative"),
        ("3 on 1 standing", "past 60"),
        ("", "which way"),
    ],
)
def test_bevels_that_are_refused(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        read_bevel(text)
    assert caught.value.todo


# Table derived from plane normals; checked below by intersecting planes.
TABLE = [
    ((0, 0, 0, 0), 90.000, 0.0, 0.0, 90.000),
    ((15, 12, 0, 0), 90.000, -15.000, -12.000, 93.085),
    ((15, 12, 8, 0), 98.000, -15.000, -12.000, 100.679),
    ((15, 12, 8, 5), 98.908, -10.048, -11.954, 100.679),
    ((15, 12, -8, 5), 83.215, -10.048, -11.954, 85.545),
]


def knee_angles(flare: float, rake: float, plan: float, tilt: float) -> KneeAngles:
    return KneeAngles(flare_deg=flare, rake_deg=rake, plan_deg=plan, tilt_deg=tilt)


@pytest.mark.parametrize(("angles", "corner", "side", "transom", "true"), TABLE)
def test_compound_bevels(
    angles: tuple[float, ...], corner: float, side: float, transom: float, true: float
) -> None:
    found = compound_bevel(knee_angles(*angles))
    assert found.corner_deg == pytest.approx(corner, abs=1e-3)
    assert found.side_deg == pytest.approx(side, abs=1e-3)
    assert found.transom_deg == pytest.approx(transom, abs=1e-3)
    assert found.true_corner_deg == pytest.approx(true, abs=1e-3)


def turned(axis: np.ndarray, angle_deg: float) -> np.ndarray:
    """Rotation matrix about an axis (Rodrigues)."""
    x, y, z = axis / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    a = math.radians(angle_deg)
    return np.eye(3) + math.sin(a) * k + (1 - math.cos(a)) * k @ k


def plane_through(points: np.ndarray) -> tuple[np.ndarray, float]:
    """Plane n . x = d of three points, by least squares of the singular vectors."""
    normal = np.linalg.svd(points[1:] - points[0])[2][-1]
    return normal, float(normal @ points[0])


def built_knee(angles: KneeAngles, thickness: float = 10.0) -> dict[str, float]:
    """A knee cut by planes: points on hull surfaces made by turning, then planes intersected.

    x aft, y outboard, z up.
    """
    # The side: a fore-and-aft line turned in plan, and a vertical leaned outboard across it.
    aft = turned(np.array([0, 0, 1.0]), -angles.plan_deg) @ np.array([1.0, 0, 0])
    up = turned(aft, -angles.flare_deg) @ np.array([0, 0, 1.0])
    side = plane_through(np.array([[0, 0, 0], 100 * aft, 80 * up]))
    lean = turned(np.array([0, 1.0, 0]), angles.rake_deg) @ np.array([0, 0, 1.0])
    transom = plane_through(np.array([[0, 0, 0], [0, 70.0, 0], 60 * lean]))
    tilt = turned(np.array([1.0, 0, 0]), -angles.tilt_deg)
    inboard, over = tilt @ np.array([0, -1.0, 0]), tilt @ np.array([0, 0, 1.0])
    faces = [
        plane_through(z * over + np.array([[0, 0, 0], [50.0, 0, 0], 40 * inboard]))
        for z in (0.0, -thickness)
    ]

    def point(*planes: tuple[np.ndarray, float]) -> np.ndarray:
        return np.linalg.solve(np.array([n for n, _ in planes]), [d for _, d in planes])

    # Far along each edge: cut by a plane across it.
    fore, inner = (np.array([-1.0, 0, 0]), 200.0), (np.array([0, -1.0, 0]), 200.0)
    corners = [point(face, side, transom) for face in faces]
    sides = [point(face, side, fore) for face in faces]
    transoms = [point(face, transom, inner) for face in faces]

    def angle(a: np.ndarray, b: np.ndarray) -> float:
        return math.degrees(math.acos(a @ b / np.linalg.norm(a) / np.linalg.norm(b)))

    def bevel(ends: list[np.ndarray], away: np.ndarray) -> float:
        """Positive where the bottom face reaches farther out than the top one."""
        along = (ends[0] - corners[0]) / np.linalg.norm(ends[0] - corners[0])
        drop = corners[1] - corners[0]
        across = drop - (drop @ along) * along - (drop @ over) * over
        sign = math.copysign(1.0, across @ away)
        return sign * math.degrees(math.atan(np.linalg.norm(across) / thickness))

    def square_to(n: np.ndarray, v: np.ndarray) -> np.ndarray:
        return v - (v @ n) * n

    meet = np.cross(side[0], transom[0])
    meet /= np.linalg.norm(meet)
    side_in, transom_in = sides[0] - corners[0], transoms[0] - corners[0]
    return {
        "corner": angle(side_in, transom_in),
        "side": bevel(sides, -transom_in),
        "transom": bevel(transoms, -side_in),
        "true": angle(square_to(meet, side_in), square_to(meet, transom_in)),
    }


@given(st.tuples(st.floats(-25, 35), st.floats(-20, 30), st.floats(-15, 15), st.floats(-10, 10)))
@settings(deadline=None)
def test_compound_bevels_by_intersecting_planes(angles: tuple[float, ...]) -> None:
    told = knee_angles(*angles)
    found, wanted = compound_bevel(told), built_knee(told)
    assert found.corner_deg == pytest.approx(wanted["corner"], abs=1e-6)
    assert found.side_deg == pytest.approx(wanted["side"], abs=1e-5)
    assert found.transom_deg == pytest.approx(wanted["transom"], abs=1e-5)
    assert found.true_corner_deg == pytest.approx(wanted["true"], abs=1e-6)


def test_flare_turns_to_tumblehome() -> None:
    # alsboatsdotcom.wordpress.com, quarter-knees: the edge to trim changes with tumblehome.
    assert compound_bevel(knee_angles(10, 0, 0, 0)).side_deg < 0
    assert compound_bevel(knee_angles(-10, 0, 0, 0)).side_deg > 0


def test_the_face_of_the_pattern_decides_under_or_standing() -> None:
    found: CompoundBevel = compound_bevel(knee_angles(15, 12, 8, 5))
    top, bottom = found.stations("top"), found.stations("bottom")
    assert [kind(s.values[0]) for s in top] == ["under", "under"]
    assert [kind(s.values[0]) for s in bottom] == ["standing", "standing"]


@pytest.mark.parametrize("angles", [(61, 0, 0, 0), (0, -75, 0, 0), (50, 0, 0, -20)])
def test_compound_bevels_past_sixty_are_refused(angles: tuple[float, ...]) -> None:
    with pytest.raises(UsageError, match="past 60"):
        compound_bevel(knee_angles(*angles))


def bevels(*texts: str) -> tuple[Stations, ...]:
    return read_bevels(texts)


def test_constant_bevels_are_parallel_offsets_that_meet() -> None:
    # By hand: top 12 standing in 18 mm, left square, right 10 under, bottom square.
    lines = face_lines(rectangle(), 18.0, bevels("top=12 standing", "right=10 under"))
    up, in_ = bevel_offset_mm(18, 12), bevel_offset_mm(18, 10)
    second = Polygon(lines.second_face.points_mm)
    assert second.bounds == pytest.approx((0, 0, 100 - in_, 50 + up))
    assert second.area == pytest.approx((100 - in_) * (50 + up))
    # The larger outline: out with standing, never in with under.
    assert Polygon(lines.large.points_mm).bounds == pytest.approx((0, 0, 100, 50 + up))


def test_two_standing_bevels_meet_at_a_slanting_corner() -> None:
    # By hand with numpy: both offset lines of an 80 degree corner intersected.
    c, s = math.cos(math.radians(80)), math.sin(math.radians(80))
    part = polygon([[0, 0], [200, 0], [200 * c + 100, 200 * s], [200 * c, 200 * s]],
                   ("transom edge", "a", "b", "hull edge"))  # fmt: skip
    lines = face_lines(part, 22.0, bevels("hull edge=14 standing", "transom edge=9 under"))
    out, up = bevel_offset_mm(22, 14), bevel_offset_mm(22, 9)
    wanted = np.linalg.solve([[-s, c], [0.0, -1.0]], [out, -up])
    assert lines.second_face.points_mm[0] == pytest.approx(wanted, abs=1e-9)


def test_a_winding_bevel_is_not_parallel() -> None:
    # Derived: 22 mm thick, 10 degrees at one end and 18 at the other: 3.879 and 7.148 mm.
    outline = knee(hull=300)
    lines = face_lines(outline, 22.0, bevels("hull edge = 0:10 standing, 300:18 standing"))
    card = bevel_card(
        outline, 22.0, bevels("hull edge = 0:10 standing, 300:18 standing"), station_mm=60.0
    )
    assert card[0].offset_mm == pytest.approx(3.879, abs=1e-3)
    assert card[-1].offset_mm == pytest.approx(7.148, abs=1e-3)
    new = LineString(
        lines.second_face.points_mm[lines.second_face.indices(lines.second_face.edge("hull edge"))]
    )
    assert len(card) > 2
    for row in card[1:-1]:
        # Square off the first line by the offset; the slope of the change costs 1 in 20,000.
        assert new.distance(Point(row.at_mm)) == pytest.approx(row.offset_mm, rel=2e-4)
    assert Polygon(lines.second_face.points_mm).is_valid


def test_a_bevel_that_changes_sign_on_a_noisy_edge_leaves_no_slits() -> None:
    told = bevels("hull edge = 0:10 under, 150:14 under, 300:18 standing")
    clean = face_lines(knee(), 18.0, told)
    noisy = face_lines(knee(noise=0.03), 18.0, told)
    for one, other in (
        (noisy.second_face, clean.second_face),
        (noisy.large, clean.large),
    ):
        assert Polygon(one.points_mm).length < 1.03 * Polygon(other.points_mm).length
        assert LinearRing(one.points_mm).hausdorff_distance(LinearRing(other.points_mm)) < 0.6


def test_fair_line_passes_the_marks_and_never_swings_past() -> None:
    at, values = (0.0, 100.0, 200.0, 300.0), (2.0, 2.0, 9.0, 9.0)
    found = fair(Stations("e", at, values), np.linspace(0, 320, 641), edge_length_mm=320)
    assert found[[0, 200, 400, 600]] == pytest.approx(values)
    assert found.min() >= 2.0
    assert found.max() <= 9.0
    assert (np.diff(found) >= -1e-12).all()
    assert found[-1] == 9.0
    straight = fair(Stations("e", (0.0, 300.0), (4.0, 7.0)), np.array([100.0]), edge_length_mm=300)
    assert straight[0] == pytest.approx(5.0)


def test_stations_count_from_the_outer_corner() -> None:
    card = bevel_card(knee(), 22.0, bevels("hull edge=0:10 under, 280:18 under"))
    assert card[0].at_mm == pytest.approx((0.0, 0.0), abs=1e-9)
    assert not card[0].throughout
    assert card[0].bevel_deg == pytest.approx(-10.0)
    assert [row.s_mm for row in card] == sorted(row.s_mm for row in card)
    assert card[-1].s_mm == pytest.approx(knee().length_mm(knee().edge("hull edge")))


def test_bevel_card() -> None:
    (row,) = bevel_card(knee(), 18.0, bevels("transom edge=12 under"))
    assert row.throughout
    assert row.at_mm == pytest.approx((110.0, 0.0), abs=1.0)
    assert (row.kind, row.bevel_deg) == ("under", pytest.approx(-12.0))
    assert row.sliding_deg == pytest.approx(78.0)
    assert row.cut_sliding_deg == pytest.approx(78.0)
    assert row.table_tilt_deg == pytest.approx(12.0)
    assert row.offset_mm == pytest.approx(-3.826, abs=1e-3)
    standing = bevel_card(knee(), 18.0, bevels("transom edge=12 standing"))[0]
    assert standing.sliding_deg == pytest.approx(102.0)
    assert standing.cut_sliding_deg == pytest.approx(78.0)
    long = bevel_card(rectangle(1000), 18.0, bevels("top=0:2 under, 1000:12 standing"))
    assert [r.s_mm for r in long] == pytest.approx([0, 250, 500, 750, 1000])
    assert {r.kind for r in long} == {"under", "standing"}


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["hull edge=12 under", "Hull edge=3 under"], "given twice"),
        (["keel=12 under"], "No edge"),
        (["hull edge=0:10 under, 900:12 under"], "past the end"),
        (["hull edge=0:10 under, 0:12 under"], "at one place"),
        (["hull edge=10 under, 50:12 under"], "needs its distance"),
        (["hull edge 12 under"], "not an edge with its values"),
        (["throat curve=59 standing"], "near"),
    ],
)
def test_bevels_that_cannot_be_drawn(texts: list[str], words: str) -> None:
    thickness = 22.0 if "throat" not in texts[0] else 200.0
    with pytest.raises(UsageError, match=words):
        face_lines(knee(), thickness, bevels(*texts))


def test_a_thickness_of_nothing() -> None:
    with pytest.raises(UsageError, match="has no bevel"):
        face_lines(knee(), 0.0, bevels("hull edge=12 under"))


@given(st.floats(-30, 30), st.floats(-30, 30), st.floats(-30, 30))
@settings(max_examples=25, deadline=None)
def test_the_second_face_and_back(a: float, b: float, c: float) -> None:
    # Straight edges and constant bevels: seen from the second face, the bevels change sign.
    part = polygon([[0, 0], [300, 0], [260, 90], [10, 220]], ("one", "two", "three", "four"))
    told = (Stations("one", (0.0,), (a,)), Stations("two", (0.0,), (b,)),
            Stations("four", (0.0,), (c,)))  # fmt: skip
    there = face_lines(part, 20.0, told).second_face
    back = [Stations(s.edge, s.at_mm, (-s.values[0],)) for s in told]
    again = face_lines(there, 20.0, back).second_face
    difference = Polygon(again.points_mm).symmetric_difference(Polygon(part.points_mm))
    assert difference.area < 1e-6


def test_stations_with_lengths_of_any_kind() -> None:
    read = bevels('hull edge = 0:10 under, 11 3/4":18 under; 40cm:square')[0]
    assert read.at_mm == pytest.approx((0.0, 298.45, 400.0))
    assert read.values == (-10.0, -18.0, 0.0)
    assert bevels("a=87,3:1 under, 90:2 under")[0].at_mm == (87.3, 90.0)
    assert len(densified(rectangle(), 5.0).points_mm) == 60


@given(
    st.tuples(st.floats(-20, 30), st.floats(-15, 25), st.floats(-12, 12), st.floats(-8, 8)),
    st.sampled_from(["top", "bottom"]),
    st.floats(6, 30),
)
@settings(deadline=None, max_examples=40)
def test_the_second_face_of_a_knee_cut_out_of_space_by_planes(
    angles: tuple[float, ...], pattern_on: PatternFace, thickness: float
) -> None:
    # Own construction in 3-D, x aft, y outboard, z up: side and transom as planes through the
    # origin, both faces of the knee as planes, their corners by numpy.linalg.solve.
    told = knee_angles(*angles)
    f, r, p, c = (math.radians(a) for a in angles)
    side = np.array([math.sin(p) * math.cos(f), math.cos(p) * math.cos(f), -math.sin(f)])
    transom = np.array([math.cos(r), 0.0, -math.sin(r)])
    up = np.array([0.0, math.sin(c), math.cos(c)])
    fore, inner = np.array([-1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
    heights = (0.0, -thickness) if pattern_on == "top" else (-thickness, 0.0)
    # Seen from above, forward up the sheet: a port knee has outboard to the left.
    first, second = (
        [
            np.linalg.solve(np.array([up, *pair]), [height, *where])
            for pair, where in (
                ((side, transom), (0.0, 0.0)),
                ((transom, inner), (0.0, 250.0)),
                ((side, fore), (0.0, 300.0)),
            )
        ]
        for height in heights
    )
    across = np.cross(up, [-1.0, 0.0, 0.0])
    across /= np.linalg.norm(across)
    ahead = np.cross(across, up)
    ahead *= math.copysign(1.0, float(-ahead[0]))
    across *= math.copysign(1.0, float(-across[1]))

    def flat(corner: np.ndarray) -> list[float]:
        return [float(corner @ across), float(corner @ ahead)]

    part = polygon(
        [flat(first[0]), flat(first[1]), flat(first[2])], ("transom edge", "inner", "hull edge")
    )
    lines = face_lines(part, thickness, compound_bevel(told).stations(pattern_on))
    edges = {e.name: e for e in lines.second_face.edges}
    corner = lines.second_face.points_mm[edges["transom edge"].start]
    assert corner == pytest.approx(flat(second[0]), abs=1e-6)
    for name, far in (("transom edge", second[1]), ("hull edge", second[2])):
        edge = lines.second_face.points_mm[lines.second_face.indices(edges[name])]
        along = np.array(flat(far)) - corner
        off = (edge - corner) @ np.array([-along[1], along[0]]) / np.linalg.norm(along)
        assert np.abs(off).max() < 1e-6, name
