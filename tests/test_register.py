"""A pattern laid in the boat frame: where a builder would find its corners."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import shapes as zoo
from hypothesis import given, settings
from hypothesis import strategies as st

from spilemark.corners import measured_edge
from spilemark.errors import UsageError
from spilemark.frames import mm_to_pdf, mm_to_svg, outward_normals, stored_to_upright
from spilemark.lens import plane_to_pixels
from spilemark.records import Corner, EdgeRule, Floats, Outline, RegisteredPattern, Side, View
from spilemark.rigid import apply, inverse
from spilemark.testing import shapes
from spilemark.uncertainty import u95_datum
from spilemark_stages.register.reference_line import Options, register


def placed(
    drawn: zoo.Drawn, side: str, *, orientation: int = 1, **lay: object
) -> tuple[Outline, View]:
    view = zoo.view(side, orientation=orientation, causes=len(zoo.all_fields(side)))
    return zoo.outline(drawn, tag=side, views=(view,), **lay), view  # type: ignore[arg-type]


def upright(view: View, points_mm: Floats) -> Floats:
    photo = view.straight.photo
    stored = plane_to_pixels(points_mm, view.plane)
    return stored_to_upright(stored, photo.width_px, photo.height_px, photo.orientation)


def codes(pattern: RegisteredPattern) -> set[str]:
    return {note.code for note in pattern.notes}


def laid(outline: Outline, side: str, **facts: object) -> RegisteredPattern:
    return register(
        outline=outline,
        side=Side(side),
        job=zoo.job(**({"face": {side: "up"}} | facts)),
        options=Options(),
    )


def same_place(pattern: RegisteredPattern, drawn: zoo.Drawn, offset_mm: float = 0.0) -> None:
    expected = drawn.ring_mm + [offset_mm, 0.0]
    distance = np.linalg.norm(pattern.outline.ring.points_mm[:, None] - expected[::9], axis=2)
    assert distance.min(axis=0).max() < 1e-6


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("face", ["up", "down"])
@given(turn=st.floats(-3.2, 3.2), x=st.floats(-300, 300), y=st.floats(-300, 300))
@settings(max_examples=8, deadline=None)
def test_however_it_lay_it_comes_to_the_same_place(
    side: str, face: str, turn: float, x: float, y: float
) -> None:
    drawn = zoo.knee(side=side, step_mm=5.0)
    outline, _ = placed(drawn, side, turn_rad=turn, shift_mm=(x, y), face_down=face == "down")
    pattern = laid(outline, side, face={side: face})
    same_place(pattern, drawn)
    assert apply(pattern.map, outline.ring.points_mm)[:: -1 if face == "down" else 1] == (
        pytest.approx(pattern.outline.ring.points_mm, abs=1e-6)
    )
    assert pattern.map.flipped == (face == "down")
    corner = pattern.outline.corners[pattern.origin_corner or 0]
    assert corner.name == "outer"
    assert pattern.outline.ring.points_mm[corner.index, 1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("face", ["up", "down"])
@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_one_clipped_corner_ends_where_a_builder_would_find_it(
    side: str, face: str, orientation: int
) -> None:
    # A knee with the outer corner of its hull arm clipped: outboard, and forward.
    drawn = zoo.knee(side=side, step_mm=5.0, clip_mm=20.0)
    outboard = -1.0 if side == "port" else 1.0
    for turn, forward_given in product((0.4, 2.9, -1.7), (True, False)):
        outline, view = placed(
            drawn, side, turn_rad=turn, face_down=face == "down", orientation=orientation
        )
        facts: dict[str, object] = {"face": {side: face}}
        if forward_given:
            c, s = np.cos(turn), np.sin(turn)
            bow = np.array([[30.0 if face == "up" else -30.0, 500.0]])
            seen_at = upright(view, bow @ np.array([[c, s], [-s, c]]))[0]
            facts["forward_px"] = {side: (float(seen_at[0]), float(seen_at[1]))}
        pattern = laid(outline, side, **facts)
        assert not codes(pattern) & {"wrong-hand", "forward-unknown", "aft-of-transom"}
        clip = next(e for e in pattern.outline.edges if e.name == "hull arm end 2")
        at = pattern.outline.ring.points_mm[[clip.start, clip.stop]].mean(axis=0)
        ring = pattern.outline.ring.points_mm
        assert at[1] > 0.85 * ring[:, 1].max()
        assert at[0] * outboard > 0
        low, high = ring.min(axis=0), ring.max(axis=0)
        svg = mm_to_svg(at[None], left_mm=low[0], top_mm=high[1])[0]
        pdf = mm_to_pdf(at[None], left_mm=low[0], bottom_mm=low[1])[0]
        width, height = high - low
        left = side == "port"
        # Near the sheet's top in both; towards the sheet's left for port.
        assert svg[1] < 0.15 * height
        assert pdf[1] > 0.85 * height * 72 / 25.4
        assert (svg[0] < 0.3 * width) == left
        assert (pdf[0] < 0.3 * width * 72 / 25.4) == left
        expected = drawn.ring_mm[:, 1].max()
        assert ring[:, 1].max() == pytest.approx(expected, abs=0.01)


def test_an_offset_lies_outboard_on_either_side() -> None:
    for side, x in (("port", -410.0), ("starboard", 410.0)):
        drawn = zoo.knee(side=side)
        outline, _ = placed(drawn, side, turn_rad=1.0)
        pattern = laid(outline, side, centreline_offset_mm=410.0)
        assert pattern.frame == "boat"
        assert pattern.centreline_offset_mm == x
        line = pattern.outline.of_role("centreline")[0].points_mm
        assert line[:, 0] == pytest.approx(x)
        same_place(pattern, drawn, x)
    assert laid(placed(drawn, "starboard")[0], "starboard").frame == "pattern"
    with pytest.raises(UsageError, match="offset"):
        laid(outline, "starboard", centreline_offset_mm=-5.0)


def test_the_line_runs_from_aft_forward_with_its_left_to_port() -> None:
    drawn = zoo.knee()
    backwards = zoo.Drawn(drawn.ring_mm, drawn.line_mm[::-1])  # type: ignore[index]
    one, other = (laid(placed(d, "port", turn_rad=0.5)[0], "port") for d in (drawn, backwards))
    a, b = (p.outline.of_role("centreline")[0] for p in (one, other))
    assert a.points_mm == pytest.approx(b.points_mm, abs=1e-9)
    assert a.sensitivity_mm == pytest.approx(b.sensitivity_mm, abs=1e-9)
    assert one.datum_sensitivity_mm == pytest.approx(other.datum_sensitivity_mm, abs=1e-9)


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_forward_at_the_wrong_end_raises_a_suspicion(side: str) -> None:
    outline, view = placed(zoo.knee(side=side), side)
    aft = upright(view, np.array([[0.0, -400.0]]))[0]
    pattern = laid(outline, side, forward_px={side: tuple(aft)})
    assert "wrong-hand" in codes(pattern)
    # It is laid as the person said, not as we would have it.
    assert pattern.outline.ring.points_mm[:, 1].min() < -300


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_a_pattern_that_lay_face_down_unsaid_is_suspected(side: str) -> None:
    outline, view = placed(zoo.knee(side=side), side, face_down=True)
    bow = upright(view, np.array([[0.0, 500.0]]))[0]
    assert "wrong-hand" in codes(laid(outline, side, forward_px={side: tuple(bow)}))
    # With no point given, forward follows from the side, and the transom comes to lie ahead.
    assert "aft-of-transom" in codes(laid(outline, side))


def test_forward_abeam_is_asked_again() -> None:
    outline, view = placed(zoo.knee(), "port")
    abeam = upright(view, np.array([[700.0, 62.0]]))[0]
    with pytest.raises(UsageError, match="--forward"):
        laid(outline, "port", forward_px={"port": tuple(abeam)})


def test_an_unstated_face_is_taken_as_up_and_said() -> None:
    outline, _ = placed(zoo.knee(), "port")
    assert "face-assumed" in codes(laid(outline, "port", face={}))
    assert "face-assumed" not in codes(laid(outline, "port"))


def test_a_bow_transoms_knee_is_named_alike() -> None:
    # Its wood lies aft of the transom: the stern knee of the other side, turned end for end.
    drawn = zoo.knee(side="starboard")
    turned = zoo.Drawn(-drawn.ring_mm, -drawn.line_mm)  # type: ignore[operator]
    outline, view = placed(turned, "port")
    bow = upright(view, np.array([[0.0, 400.0]]))[0]
    pattern = laid(outline, "port", forward_px={"port": tuple(bow)})
    assert not codes(pattern) & {"wrong-hand", "aft-of-transom"}
    lengths = {e.name: round(e.length_mm) for e in pattern.outline.edges}
    assert lengths["transom edge"] == 330
    assert lengths["hull edge"] == 400


def breasthook() -> zoo.Drawn:
    line = np.stack([np.zeros(20), np.linspace(170.0, 295.0, 20)], -1)
    return zoo.Drawn(zoo.even(shapes.breasthook(), 2.0), line)


def test_a_part_on_the_centreline_asks_for_forward() -> None:
    outline, view = placed(breasthook(), "single", turn_rad=2.0)
    asked = laid(outline, "single")
    note = next(n for n in asked.notes if n.code == "forward-unknown")
    assert note.severity == "warn"
    assert "--forward" in note.text
    aft = upright(view, apply_turn(np.array([[0.0, -300.0]]), 2.0))[0]
    pattern = laid(outline, "single", forward_px={"single": tuple(aft)})
    assert "forward-unknown" not in codes(pattern)
    # As the person said: the nose, where y is counted from, then points aft.
    assert pattern.outline.ring.points_mm[:, 1].max() > 290.0
    assert asked.outline.ring.points_mm[:, 1].min() < -290.0


def test_a_breasthook_has_sides() -> None:
    outline, view = placed(breasthook(), "single", turn_rad=-1.0)
    bow = upright(view, apply_turn(np.array([[0.0, 500.0]]), -1.0))[0]
    pattern = laid(outline, "single", forward_px={"single": tuple(bow)})
    ring = pattern.outline.ring.points_mm
    for edge in pattern.outline.edges:
        x = ring[[edge.start, edge.stop], 0].mean()
        if edge.name.startswith("starboard"):
            assert x > 10
        if edge.name.startswith("port"):
            assert x < -10
    assert "throat curve" in {e.name for e in pattern.outline.edges}
    assert pattern.frame == "boat"


def test_a_lopsided_breasthook_is_said_to_be_so() -> None:
    even = breasthook()
    pulled = even.ring_mm.copy()
    arm = (pulled[:, 0] > 100) & (pulled[:, 1] < 100)
    pulled[arm, 0] += 4.0 * (1 - pulled[arm, 1] / 100)
    notes = []
    for ring in (even.ring_mm, pulled):
        outline, view = placed(replace(even, ring_mm=ring), "single")
        bow = upright(view, np.array([[0.0, 500.0]]))[0]
        pattern = laid(outline, "single", forward_px={"single": tuple(bow)}, line_doubt_mm=0.02)
        notes.append([n for n in pattern.notes if n.code == "not-symmetric"])
    assert notes[0] == []
    assert "further out" in notes[1][0].text
    assert notes[1][0].value == pytest.approx(4.0, abs=0.2)


def apply_turn(points: Floats, turn: float) -> Floats:
    c, s = np.cos(turn), np.sin(turn)
    return points @ np.array([[c, s], [-s, c]])


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("face", ["up", "down"])
def test_without_a_line_it_lies_on_corner_and_edge(side: str, face: str) -> None:
    drawn = zoo.knee(side=side, line_mm=None)
    outline, _ = placed(drawn, side, turn_rad=0.9, face_down=face == "down")
    pattern = laid(outline, side, face={side: face})
    assert (pattern.datum, pattern.frame) == ("corner and edge", "pattern")
    assert "no-reference-line" in codes(pattern)
    # Outer corner at (0, 0), the straight transom edge along x, wood forward of it.
    same_place(pattern, drawn, 100.0 if side == "port" else -100.0)
    assert pattern.datum_sensitivity_mm.shape == (len(drawn.ring_mm), 12)


def test_a_straight_hull_edge_carries_a_pattern_whose_transom_is_crowned() -> None:
    drawn = zoo.knee(side="starboard", line_mm=None, sag_mm=0.0)
    ring = shapes.bulge(drawn.ring_mm, at_mm=(-65.0, 0.0), height_mm=12.0, width_mm=320.0)
    pattern = laid(placed(zoo.Drawn(ring, None), "starboard", turn_rad=2.2)[0], "starboard")
    hull = next(e for e in pattern.outline.edges if e.name == "hull edge")
    points = pattern.outline.ring.points_mm[[hull.start, hull.stop]]
    assert points[0] == pytest.approx([0.0, 0.0], abs=1e-6)
    assert points[1] == pytest.approx([0.0, 400.0], abs=1e-3)


@pytest.mark.parametrize("face", ["up", "down"])
def test_a_typed_line_serves_where_none_was_traced(face: str) -> None:
    drawn = zoo.knee()
    bare = zoo.Drawn(drawn.ring_mm, None)
    for orientation in (1, 6):
        outline, view = placed(
            bare, "port", turn_rad=0.7, face_down=face == "down", orientation=orientation
        )
        flip = np.array([-1.0, 1.0]) if face == "down" else np.ones(2)
        ends = apply_turn(np.array([[0.0, 5.0], [0.0, 118.0]]) * flip, 0.7)
        typed = tuple(upright(view, ends).ravel())
        pattern = laid(outline, "port", centreline_px={"port": typed}, face={"port": face})
        same_place(pattern, drawn)
        assert pattern.datum == "centreline"
        line = pattern.outline.of_role("centreline")[0]
        assert line.name == "given"
        traced = laid(placed(drawn, "port", turn_rad=0.7)[0], "port")
        assert pattern.covariance[0, 0] > traced.covariance[0, 0]
    with pytest.raises(UsageError, match="does not lie on the pattern"):
        laid(outline, "port", centreline_px={"port": (10.0, 10.0, 60.0, 10.0)})


def test_a_typed_line_of_both_patterns_belongs_to_the_one_it_lies_on() -> None:
    outline, _ = placed(zoo.Drawn(zoo.knee().ring_mm, None), "both")
    pattern = laid(outline, "port", centreline_px={"both": (10.0, 10.0, 60.0, 10.0)})
    assert pattern.datum == "corner and edge"


def test_what_is_said_of_one_side_counts_before_what_is_said_of_both() -> None:
    outline, view = placed(zoo.Drawn(zoo.knee().ring_mm, None), "both")
    ends = tuple(upright(view, np.array([[0.0, 5.0], [0.0, 118.0]])).ravel())
    wrong = (10.0, 10.0, 60.0, 10.0)
    lines = {"both": wrong, "port": ends}
    bow, stern = (tuple(upright(view, np.array([[0.0, y]]))[0]) for y in (400.0, -300.0))
    facts = {"centreline_px": lines, "forward_px": {"both": stern, "port": bow}}
    pattern = laid(outline, "port", **facts)
    assert pattern.datum == "centreline"
    assert "wrong-hand" not in codes(pattern)
    with pytest.raises(UsageError, match="--centreline port"):
        laid(outline, "port", centreline_px={"both": ends, "port": wrong})


@given(length=st.floats(40.0, 250.0), doubt=st.floats(0.01, 1.0))
@settings(max_examples=10, deadline=None)
def test_the_drawn_lines_own_doubt(length: float, doubt: float) -> None:
    drawn = replace(
        zoo.knee(step_mm=5.0),
        line_mm=np.stack([np.zeros(20), np.linspace(10.0, 10.0 + length, 20)], -1),
    )
    outline, _ = placed(drawn, "port", fields=(), sigma_mm=0.0)
    pattern = laid(outline, "port", line_doubt_mm=doubt)
    # Two independent ends: the turn's sigma is sqrt(2) doubt / length.
    turn = np.sqrt(pattern.covariance[0, 0])
    assert turn == pytest.approx(np.sqrt(2) * doubt / length, rel=1e-6)
    middle = np.array([-(10.0 + length / 2), 1.0])
    sideways = np.sqrt(middle @ pattern.covariance[:2, :2] @ middle)
    assert sideways == pytest.approx(doubt / np.sqrt(2), rel=1e-6)
    rows = pattern.datum_sensitivity_mm[:, -3:]
    assert u95_datum(pattern) == pytest.approx(1.96 * np.linalg.norm(rows, axis=1), rel=1e-4)


def test_a_short_line_is_said_to_be_short() -> None:
    outline, _ = placed(zoo.knee(line_mm=(5.0, 40.0)), "port")
    assert "line-short" in codes(laid(outline, "port"))
    assert "line-short" not in codes(laid(outline, "port", line_doubt_mm=0.01))


def test_a_bent_line_is_said_to_be_bent_and_trusted_less() -> None:
    straight = zoo.knee()
    y = straight.line_mm[:, 1]  # type: ignore[index]
    bow = 0.8 * np.sin(np.pi * (y - y[0]) / np.ptp(y))
    bent = replace(straight, line_mm=straight.line_mm + np.stack([bow, 0 * y], -1))  # type: ignore[operator]
    patterns = [laid(placed(d, "port")[0], "port", line_doubt_mm=0.0) for d in (straight, bent)]
    assert "line-bent" not in codes(patterns[0])
    assert "line-bent" in codes(patterns[1])
    assert patterns[1].covariance[0, 0] > 10 * patterns[0].covariance[0, 0]


def test_shape_and_its_doubt_stay_as_traced() -> None:
    outline, _ = placed(zoo.knee(hole=True), "port", turn_rad=0.6)
    pattern = laid(outline, "port")
    for role in ("edge", "hole"):
        before, after = outline.of_role(role)[0], pattern.outline.of_role(role)[0]  # type: ignore[arg-type]
        assert after.sensitivity_mm == pytest.approx(before.sensitivity_mm)
        assert after.sigma_mm == pytest.approx(before.sigma_mm)
    assert [c.id for c in pattern.datum_causes[: len(outline.causes)]] == [
        c.id for c in outline.causes
    ]


def test_a_shape_without_corners_is_still_laid() -> None:
    disc = shapes.disc((0.0, 0.0), 150.0, hole=False)
    line = np.stack([np.zeros(10), np.linspace(-100, 100, 10)], -1)
    outline, view = placed(zoo.Drawn(disc, line), "single")
    bow = upright(view, np.array([[0.0, 300.0]]))[0]
    pattern = laid(outline, "single", forward_px={"single": tuple(bow)})
    assert pattern.origin_corner is None
    assert pattern.outline.ring.points_mm[:, 1].min() == pytest.approx(0.0, abs=1e-9)
    bare, _ = placed(zoo.Drawn(disc, None), "port")
    assert {"no-reference-line", "forward-unknown"} <= codes(laid(bare, "port"))


def half_bulkhead() -> zoo.Drawn:
    """Flat top, straight inboard edge, and the hull's bulging side; line near the inboard edge."""
    hull = shapes.curve((30, 0), (186, 2), (294, 120), (300, 388))
    top = np.linspace((300, 388), (0, 400), 300)
    inboard = np.linspace((0, 400), (0, 0), 400)
    foot = np.linspace((0, 0), (30, 0), 30)
    ring = zoo.even(shapes.join(hull, top, inboard, foot), 1.0)
    line = np.stack([np.full(24, 40.0), np.linspace(20.0, 380.0, 24)], -1)
    return zoo.Drawn(ring, line, ())


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_a_half_bulkhead_is_no_knee_and_asks_for_forward(side: str) -> None:
    drawn = half_bulkhead() if side == "starboard" else half_bulkhead().mirrored()
    traced, _ = placed(drawn, side, turn_rad=0.4)
    pattern = laid(traced, side)
    assert not pattern.forward_known
    assert "forward-unknown" in codes(pattern)
    names = {edge.name for edge in pattern.outline.edges}
    assert all(name.startswith("edge ") for name in names), names


def test_a_knee_with_a_straight_inner_edge_is_still_a_knee() -> None:
    ring = zoo.even(shapes.join(*(np.linspace(a, b, 200) for a, b in
        (((100, 0), (60, 300)), ((60, 300), (20, 300)), ((20, 300), (-150, 50)),
         ((-150, 50), (-150, 0)), ((-150, 0), (100, 0))))), 1.0)  # fmt: skip
    line = np.stack([np.zeros(24), np.linspace(5.0, 200.0, 24)], -1)
    traced, _ = placed(zoo.Drawn(ring, line, ()), "starboard")
    pattern = laid(traced, "starboard")
    assert pattern.forward_known
    assert {"hull edge", "transom edge"} <= {edge.name for edge in pattern.outline.edges}


def ragged(side: str) -> Outline:
    """A knee whose transom edge has a spur of 4 mm beside the outer corner, as a tracer hands it on.

    The spur hid the corner itself; what is left of it is an inside corner at its foot.
    """
    drawn = zoo.knee(side=side)
    sign = -1.0 if side == "port" else 1.0
    ring = drawn.ring_mm.copy()
    foot = sign * 92.0
    on_edge = np.abs(ring[:, 1]) < 1e-6
    ring[on_edge, 1] -= np.maximum(0.0, 4.0 - np.abs(ring[on_edge, 0] - foot))
    outline = zoo.outline(replace(drawn, ring_mm=ring), tag=side, turn_rad=0.4)
    bare = zoo.outline(drawn, tag=side)
    corner = next(
        c for c in bare.corners if np.allclose(bare.ring.points_mm[c.index], [sign * 100.0, 0.0])
    )
    spur = int(np.argmin(np.linalg.norm(ring - [foot - sign * 4.0, 0.0], axis=1)))
    kept = [c for c in bare.corners if c is not corner] + [Corner(index=spur, angle_deg=225.0)]
    kept.sort(key=lambda c: c.index)
    edges = tuple(
        measured_edge(outline.ring.points_mm, one.index, other.index)
        for one, other in zip(kept, (*kept[1:], kept[0]), strict=True)
    )
    return replace(outline, corners=tuple(kept), edges=edges)


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("line", [True, False])
def test_a_corner_that_a_ragged_edge_hid_leaves_forward_unknown(side: str, line: bool) -> None:
    # Seen on a scan of few colours: an arm's end was taken for the outer corner, and FWD pointed aft.
    outline = ragged(side)
    if not line:
        outline = replace(outline, polylines=(outline.ring,))
    pattern = laid(outline, side)
    assert not pattern.forward_known
    assert "forward-unknown" in codes(pattern)
    note = next(n for n in pattern.notes if n.code == "forward-unknown")
    assert note.severity == "warn"
    assert f"--forward {side}:x,y" in note.text
    assert not any(e.name.startswith(("notch", "hull", "transom")) for e in pattern.outline.edges)
    assert not any(c.name == "outer" for c in pattern.outline.corners)


@pytest.mark.parametrize("line", [True, False])
def test_a_shape_with_two_outer_corners_alike_leaves_forward_unknown(line: bool) -> None:
    # A rectangle has four; which of them is outboard is a guess, and so would be the bow.
    ring = zoo.even(np.array([[-180.0, 0.0], [0.0, 0.0], [0.0, 300.0], [-180.0, 300.0]]), 1.0)
    pencil = np.stack([np.full(24, -70.0), np.linspace(20.0, 280.0, 24)], -1) if line else None
    pattern = laid(zoo.outline(zoo.Drawn(ring, pencil), tag="port"), "port")
    assert not pattern.forward_known
    assert "forward-unknown" in codes(pattern)
    assert "forward-deduced" not in codes(pattern)


def test_spurs_of_a_few_millimetres_make_no_notch() -> None:
    # A notch of 20 mm is one; the same of 4 mm is a ragged edge, and both its sides keep their name.
    for depth, notched in ((20.0, True), (4.0, False)):
        drawn = zoo.knee(side="port", notch_mm=(200.0, 20.0, depth))
        pattern = laid(zoo.outline(drawn, tag="port"), "port")
        names = [e.name for e in pattern.outline.edges]
        assert any(name.startswith("notch") for name in names) is notched
        assert pattern.forward_known
        corners = [c.name for c in pattern.outline.corners]
        assert len(set(corners)) == len(corners)
        assert corners.count("hull arm outer") == 1


def test_part_of_a_pattern_tells_neither_forward_nor_its_edges() -> None:
    traced, _ = placed(zoo.knee(side="port"), "port")
    pattern = laid(replace(traced, whole=False), "port")
    assert not pattern.forward_known
    assert all(edge.name.startswith("edge ") for edge in pattern.outline.edges)


def outer_of(pattern: RegisteredPattern) -> int:
    return pattern.outline.corners[pattern.origin_corner or 0].index


def ticked(side: str, turned_deg: float, **knee: object) -> zoo.Drawn:
    """A knee of which only 30 mm of the line are drawn, turned by hand."""
    drawn = zoo.knee(side=side, **knee)  # type: ignore[arg-type]
    t = np.linspace(-15.0, 15.0, 16)
    angle = np.radians(turned_deg)
    tick = np.stack([-t * np.sin(angle), 30.0 + t * np.cos(angle)], -1)
    return replace(drawn, line_mm=tick)


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("face", ["up", "down"])
def test_an_edge_tells_which_way_a_tick_runs(side: str, face: str) -> None:
    straight = zoo.knee(side=side)
    for turned in (0.0, 0.5, -0.5):
        outline, _ = placed(ticked(side, turned), side, turn_rad=0.8, face_down=face == "down")
        rule = {side: EdgeRule(square=True, edge="Transom edge")}
        pattern = laid(outline, side, face={side: face}, line_from_edge=rule)
        assert "line-by-edge" in codes(pattern)
        assert "line-short" not in codes(pattern)
        # The zoo's transom edge is square to the line: the tick's own turn leaves no trace.
        same_place(pattern, straight)
        alone = laid(outline, side, face={side: face})
        corner = next(c for c in alone.outline.corners if c.name.startswith("hull arm outer"))
        moved = alone.outline.ring.points_mm[corner.index]
        at = pattern.outline.ring.points_mm[corner.index]
        # About the tick's middle, and then along the line until the outer corner's foot is at 0.
        away = at - [pattern.outline.ring.points_mm[outer_of(pattern), 0], 30.0]
        by = np.radians(abs(turned)) * np.linalg.norm(away)
        assert np.linalg.norm(moved - at) == pytest.approx(by, rel=0.02, abs=1e-6)


def test_how_far_an_edge_is_better_than_the_tick() -> None:
    outline, _ = placed(ticked("port", 0.0), "port", fields=(), sigma_mm=0.02)
    rule = {"port": EdgeRule(square=True, edge="transom edge")}
    alone, told = laid(outline, "port"), laid(outline, "port", line_from_edge=rule)
    # 0.15 mm at both ends of 30 mm: sqrt(2) 0.15 / 30 rad, which is 0.4 degrees.
    assert np.degrees(np.sqrt(alone.covariance[0, 0])) == pytest.approx(0.405, abs=0.02)
    (short,) = [n for n in alone.notes if n.code == "line-short"]
    told_deg = float(re.search(r"±([\d.]+) degrees", short.text)[1])  # type: ignore[index]
    assert told_deg == pytest.approx(1.96 * 0.405, abs=0.03)
    # An edge of so many points 0.02 mm off at random: sigma / (sqrt(n) times their spread).
    edge = next(e for e in told.outline.edges if e.name == "transom edge")
    count = (edge.stop - edge.start) % len(told.outline.ring.points_mm)
    expected = 0.02 / np.sqrt(count) / (edge.length_mm / np.sqrt(12))
    assert np.sqrt(told.covariance[0, 0]) == pytest.approx(expected, rel=0.15)
    assert told.covariance[1, 1] < 0.2**2


def test_the_doubt_of_a_tick_and_an_edge_is_what_drawing_them_anew_scatters() -> None:
    rule = {"port": EdgeRule(square=True, edge="transom edge")}
    facts = {"line_from_edge": rule, "line_doubt_mm": 0.3}
    rng = np.random.default_rng(4)
    outline, _ = placed(ticked("port", 0.0), "port", fields=(), sigma_mm=0.3, turn_rad=0.8)
    first = laid(outline, "port", **facts)
    origin = apply(inverse(first.map), np.zeros((1, 2)))
    ring, (line,) = outline.ring, outline.of_role("centreline")
    out, share = outward_normals(ring.points_mm), np.linspace(0, 1, len(line.points_mm))
    across = np.array([np.cos(0.8), np.sin(0.8)])
    seen = []
    for _ in range(150):
        noisy = ring.points_mm + out * rng.normal(0, 0.3, (len(out), 1))
        one, other = rng.normal(0, 0.3, 2)
        tick = line.points_mm + np.outer((1 - share) * one + share * other, across)
        again = replace(
            outline,
            polylines=(replace(ring, points_mm=noisy), replace(line, points_mm=tick)),
        )
        motion = laid(again, "port", **facts).map
        seen.append([motion.turn_rad, apply(motion, origin)[0, 0]])
    scatter = np.std(seen, axis=0)
    claimed = np.sqrt(np.diag(first.covariance))[:2]
    assert scatter == pytest.approx(claimed, rel=0.2)


def test_an_edge_that_is_not_there_or_another_way_is_asked_about() -> None:
    outline, _ = placed(ticked("port", 0.0), "port")
    for rule, words in (
        (EdgeRule(square=True, edge="sheer"), "no edge of that name"),
        (EdgeRule(square=False, edge="transom edge"), "degrees off"),
    ):
        with pytest.raises(UsageError, match=words):
            laid(outline, "port", line_from_edge={"port": rule})


def test_the_only_straight_mark_is_the_tick_where_an_edge_tells_its_way() -> None:
    outline, _ = placed(ticked("port", 0.3), "port")
    (line,) = outline.of_role("centreline")
    marked = replace(outline, polylines=(outline.ring, replace(line, role="mark")))
    assert laid(marked, "port").datum == "corner and edge"
    rule = {"port": EdgeRule(square=True, edge="transom edge")}
    pattern = laid(marked, "port", line_from_edge=rule)
    assert pattern.datum == "centreline"
    assert not pattern.outline.of_role("mark")
