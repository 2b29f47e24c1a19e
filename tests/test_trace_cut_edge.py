"""The tracer from photo to outline, on drawn photos whose truth is exact."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from drawn_benches import CONCRETE, KRAFT, MAT, PAINT, PLY, WHITE, Bench, plane, survey
from skimage.measure import find_contours

from spilemark.errors import NoOutline
from spilemark.frames import outward_normals, signed_area
from spilemark.lens import pixels_to_plane, plane_to_pixels
from spilemark.promises import _trace as broken_promise
from spilemark.records import Floats, JobFacts, Outline, View
from spilemark.testing.shapes import disc, notched_plate
from spilemark.tone import linear_luma
from spilemark_stages.trace import cut_edge

PLATE = notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)) - [105, 55]
HOLE = disc((50.0, -15.0), 14.0)


def trace(bench: Bench, job: JobFacts | None = None, **develop: float) -> tuple[Outline, ...]:
    found = survey(bench.view(**develop))
    outlines = cut_edge.trace(found, "port", job or JobFacts(), cut_edge.Options())
    assert not broken_promise(outlines, {})
    return outlines


def signed(points: Floats, truth: Floats) -> Floats:
    """Distance of points outside (positive) or inside of a true ring."""
    away = shapely.distance(shapely.LinearRing(truth), shapely.points(points))
    inside = shapely.contains_xy(shapely.Polygon(truth), points[:, 0], points[:, 1])
    return np.where(inside, -away, away)


def plate_on(colour: tuple[float, ...], face: tuple[float, ...], **kw: float) -> Bench:
    bench = Bench(plane(**{"height_mm": 0.4, **kw}), colour=colour, grain=0.05)
    bench.lay([PLATE, HOLE], face)
    bench.card("A", (-75, 100), 2)
    bench.card("B", (70, -100), 178)
    return bench


@pytest.fixture(scope="module")
def on_mat() -> Outline:
    (outline,) = trace(plate_on(MAT, PLY))
    return outline


def test_ring_hole_and_notch_lie_where_they_were_drawn(on_mat):
    ring = on_mat.ring.points_mm
    truth = shapely.Polygon(PLATE, [HOLE])
    (hole,) = on_mat.of_role("hole")
    traced = shapely.Polygon(ring, [hole.points_mm])
    assert traced.is_valid
    assert shapely.hausdorff_distance(traced, truth, densify=0.01) < 0.3
    off = signed(ring, PLATE)
    assert np.quantile(np.abs(off), 0.95) < 0.08
    assert np.abs(np.median(off)) < 0.04


def test_rings_wind_with_the_wood_on_their_left(on_mat):
    assert signed_area(on_mat.ring.points_mm) > 0
    assert signed_area(on_mat.of_role("hole")[0].points_mm) < 0
    gap = np.linalg.norm(on_mat.ring.points_mm[0] - on_mat.ring.points_mm[-1])
    assert 0.2 < gap < 2.0  # the first point is not repeated


def test_corners_are_sharp_and_edges_run_between_them(on_mat):
    assert [round(c.angle_deg / 90) for c in on_mat.corners].count(3) == 2  # inside the notch
    assert len(on_mat.corners) == 8
    true = PLATE[[np.argmin(np.abs(PLATE - q).sum(1)) for q in _plate_corners()]]
    at = on_mat.ring.points_mm[[c.index for c in on_mat.corners]]
    miss = np.linalg.norm(at[:, None] - true[None], axis=2).min(axis=1)
    assert miss.max() < 0.3
    assert sorted(round(e.length_mm) for e in on_mat.edges) == [20, 20, 36, 87, 87, 110, 110, 210]
    assert all(e.straight for e in on_mat.edges)
    assert on_mat.edges[0].start == 0
    assert on_mat.edges[-1].stop == 0


def _plate_corners() -> Floats:
    half = np.array([105.0, 55.0])
    outer = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    notch = [(-18, 55), (18, 55), (18, 35), (-18, 35)]
    return np.array([*(np.array(s) * half for s in outer), *notch], dtype=float)


def test_everything_was_seen_and_its_doubt_is_honest(on_mat):
    ring = on_mat.ring
    assert ring.seen.all()
    assert on_mat.notes == ()
    off = signed(ring.points_mm, PLATE)
    places = [c.kind == "edge place" for c in on_mat.causes]
    place = np.linalg.norm(ring.sensitivity_mm[:, places], axis=1)
    ratio = off / np.hypot(ring.sigma_mm, place)
    assert np.mean(np.abs(ratio) < 1.96) > 0.9
    assert np.median(ring.sigma_mm) < 0.06


def test_causes_are_the_surveys_then_edge_place_then_flatness(on_mat):
    ids = [c.id for c in on_mat.causes]
    assert ids[:3] == ["face-height", "picture-scale", "edge-place"]
    assert ids[3] == "edge-place:port:drawn.png"  # what another photo does not share
    assert ids[4:] == [f"flatness:port:{k}" for k in range(1, 6)]
    ring = on_mat.ring
    place = ring.sensitivity_mm[:, 2]
    assert (place > 0.04).all()  # never less than what "the edge" of a sawn sheet is
    hole = on_mat.of_role("hole")[0]
    assert (hole.sensitivity_mm[:, 2] > 0).all()  # an edge that is seen too far out shrinks a hole


def test_sensitivity_is_the_real_change_of_the_points(on_mat):
    ring, at = on_mat.ring, on_mat.views[0].plane
    pixels = plane_to_pixels(ring.points_mm, at)
    higher = type(at)(
        lens=at.lens,
        rotation_rad=at.rotation_rad,
        translation_mm=at.translation_mm,
        height_mm=at.height_mm + 0.1,
        gain=at.gain,
    )
    moved = pixels_to_plane(pixels, higher) - ring.points_mm
    along = np.einsum("ni,ni->n", moved, outward_normals(ring.points_mm))
    np.testing.assert_allclose(ring.sensitivity_mm[:, 0], along, atol=2e-4)


def test_flatness_moves_the_rim_as_a_bent_sheet_would(on_mat):
    ring, at = on_mat.ring, on_mat.views[0].plane
    by_height = ring.sensitivity_mm[:, 0] / 0.1
    modes = ring.sensitivity_mm[:, [c.id.startswith("flatness") for c in on_mat.causes]]
    assert modes.shape[1] == 5  # bent along, across, twisted; tilted along, across
    keep = np.abs(by_height) > 1e-3
    height = modes[keep] / by_height[keep, None]
    assert np.abs(height).max() == pytest.approx(0.2, rel=0.02)  # one sigma at the rim, mm
    assert at.height_mm == 0.4


@pytest.mark.parametrize(
    ("bench_colour", "face"),
    [(MAT, WHITE), (PAINT, KRAFT), (CONCRETE, PLY), (WHITE, (0.05, 0.05, 0.05))],
    ids=["white on dark", "dark on light", "ply on concrete", "black on white"],
)
def test_the_tone_curve_moves_no_edge(bench_colour, face):
    (outline,) = trace(plate_on(bench_colour, face))
    off = signed(outline.ring.points_mm, PLATE)
    assert abs(float(np.mean(off))) < 0.04
    assert np.quantile(np.abs(off), 0.95) < 0.12
    assert len(outline.of_role("hole")) == 1


def test_an_independent_contour_agrees_on_a_plain_step():
    bench = plate_on(MAT, WHITE, tilt_deg=0.5)
    view = bench.view()
    (outline,) = cut_edge.trace(survey(view), "port", JobFacts(), cut_edge.Options())
    # scikit-image's marching squares at the middle of the two levels, in linear light;
    # its points are (row, column) with the same pixel centres.
    luma = linear_luma(view.straight.photo.pixels)
    middle = plane_to_pixels(PLATE, view.plane).mean(axis=0)
    falloff = 1 - np.linspace(0, bench.falloff, bench.size[0])
    contours = find_contours(luma / falloff, 0.5 * (0.79 + 0.02))
    around = [
        c[:, ::-1] for c in contours if shapely.Polygon(c[:, ::-1]).contains(shapely.Point(middle))
    ]
    theirs = pixels_to_plane(max(around, key=len), view.plane)
    away = shapely.distance(shapely.LinearRing(theirs), shapely.points(outline.ring.points_mm))
    assert np.median(away) < 0.03
    assert np.quantile(away, 0.9) < 0.08


def test_a_shadows_border_is_not_the_edge():
    bench = Bench(plane(height_mm=3.0), colour=CONCRETE, grain=0.05)
    bench.shade([PLATE + [4.0, -3.0]], 0.25)
    bench.lay([PLATE], PLY)
    bench.card("A", (-75, 102))
    bench.card("B", (70, -103))
    (outline,) = trace(bench, JobFacts(thickness_mm=3.0))
    off = signed(outline.ring.points_mm, PLATE)
    assert np.quantile(np.abs(off), 0.95) < 0.2
    assert np.abs(off).max() < 1.0


def test_the_cut_wall_is_not_the_face():
    # The camera stands off to one side: there it sees 6 mm of wall, some 8 px wide.
    bench = Bench(plane(height_mm=6.0, tilt_deg=20.0), colour=MAT, grain=0.05)
    steps = np.linspace(0.0, 6.0, 25)
    for height in steps[:-1]:
        bench.lay([PLATE], (0.16, 0.10, 0.05), height_mm=float(height))
    bench.lay([PLATE], PLY)
    bench.card("A", (-75, 102))
    bench.card("B", (70, -103))
    (outline,) = trace(bench, JobFacts(thickness_mm=6.0))
    off = signed(outline.ring.points_mm, PLATE)
    assert np.quantile(np.abs(off), 0.95) < 0.2
    assert len(outline.corners) == 8


def test_two_patterns_come_largest_first():
    bench = Bench(plane(height_mm=0.4), colour=MAT)
    large = notched_plate(width_mm=150, height_mm=110, notch_mm=(30, 15)) - [165, 60]
    small = notched_plate(width_mm=110, height_mm=100, notch_mm=(25, 15)) + [40, -50]
    for ring in (small, large):
        bench.lay([ring], PLY)
    bench.card("A", (-80, 105))
    outlines = trace(bench)
    assert len(outlines) == 2
    for outline, ring in zip(outlines, (large, small), strict=True):
        assert np.quantile(np.abs(signed(outline.ring.points_mm, ring)), 0.95) < 0.15
    flatness = [{c.id for c in o.causes if c.id.startswith("flatness")} for o in outlines]
    assert not flatness[0] & flatness[1]  # two sheets do not bend as one
    assert "edge-place" in {c.id for c in outlines[0].causes} & {c.id for c in outlines[1].causes}


def test_a_pattern_that_runs_out_of_the_photo_is_said_to():
    bench = Bench(plane(height_mm=0.4), colour=MAT)
    bench.lay([PLATE + [130.0, 0.0]], PLY)
    bench.card("A", (-110, 60))
    (outline,) = trace(bench)
    assert [n.code for n in outline.notes] == ["cut-by-frame"]
    at_border = outline.ring.points_mm[~outline.ring.seen]
    assert len(at_border) > 50
    pixels = plane_to_pixels(at_border, outline.views[0].plane)
    assert (pixels[:, 0] > bench.size[0] - 40).all()
    seen = outline.ring.points_mm[outline.ring.seen]
    assert np.quantile(np.abs(signed(seen, PLATE + [130.0, 0.0])), 0.95) < 0.15


def test_nothing_but_cards_is_no_outline():
    bench = Bench(plane(), colour=CONCRETE, grain=0.05)
    bench.card("A", (-60, 60))
    bench.card("B", (60, -60))
    with pytest.raises(NoOutline) as caught:
        trace(bench)
    assert caught.value.exit_code == 10
    assert "drawn.png" in caught.value.what
    assert caught.value.todo


def test_an_arm_without_photos_is_no_outline():
    bench = plate_on(MAT, PLY)
    with pytest.raises(NoOutline):
        cut_edge.trace(survey(bench.view()), "starboard", JobFacts(), cut_edge.Options())


def test_a_card_on_the_face_does_not_cut_the_outline():
    bench = plate_on(MAT, PLY, height_mm=3.0)
    bench.card("C", (-30, -13), 0, base=3.0)
    (outline,) = trace(bench, JobFacts(cards_on="bench"))
    off = signed(outline.ring.points_mm, PLATE)
    assert np.abs(off).max() < 0.6
    assert outline.seen_fraction > 0.98


def test_a_card_over_the_edge_is_bridged_and_said():
    bench = plate_on(MAT, PLY)
    bench.card("C", (-45, -55), 90, base=0.4)
    (outline,) = trace(bench)
    assert "edge-unseen" in [n.code for n in outline.notes]
    hidden = outline.ring.points_mm[~outline.ring.seen]
    length = np.linalg.norm(np.diff(hidden, axis=0), axis=1).sum()
    assert 65 < length < 90  # the card is 75 mm wide with its paper
    assert (np.abs(hidden[:, 1] + 55) < 15).all()
    seen = outline.ring.points_mm[outline.ring.seen]
    assert np.quantile(np.abs(signed(seen, PLATE)), 0.95) < 0.15


def test_tools_on_the_bench_are_left_alone():
    bench = plate_on(MAT, PLY)
    rule = np.array([[-160, -60], [-148, -60], [-148, 60], [-160, 60]], float)
    block = np.array([[125, 20], [155, 20], [155, 50], [125, 50]], float)
    bench.lay([rule], (0.4, 0.41, 0.42), height_mm=0.0)
    bench.lay([block], (0.33, 0.2, 0.1), height_mm=0.0)
    (outline,) = trace(bench)
    assert np.quantile(np.abs(signed(outline.ring.points_mm, PLATE)), 0.95) < 0.12


@pytest.mark.parametrize("turn", [90, 180])
def test_the_phone_may_be_held_any_way(turn):
    size = (960, 1240) if turn == 90 else (1240, 960)
    at = plane(size, height_mm=0.4)
    bench = Bench(at, size=size, colour=MAT)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    ring = PLATE @ np.array([[c, s], [-s, c]])
    bench.lay([ring], PLY)
    bench.card("A", (97, 0) if turn == 90 else (-75, 100), turn)
    (outline,) = trace(bench)
    assert np.quantile(np.abs(signed(outline.ring.points_mm, ring)), 0.95) < 0.12


def test_the_better_of_two_photos_is_traced_and_said():
    far, near = Bench(plane(height_mm=0.4, tilt_deg=24), colour=MAT), plate_on(MAT, PLY)
    far.lay([PLATE + [130.0, 0.0]], PLY)  # runs out of the frame
    far.card("A", (-110, 60))
    views = (far.view(), near.view())
    (outline,) = cut_edge.trace(survey(*views), "port", JobFacts(), cut_edge.Options())
    assert outline.views == (views[1],)
    assert "traced-in" in [n.code for n in outline.notes]


def test_options_are_declared_with_help_and_unit():
    import dataclasses

    declared = cut_edge.declare_options()
    for option in dataclasses.fields(declared):
        assert option.metadata["help"]
        assert option.metadata["unit"]


def without_colour(view: View) -> View:
    photo = view.straight.photo
    grey = np.repeat(np.round(photo.pixels.mean(axis=2, keepdims=True)).astype(np.uint8), 3, axis=2)
    return replace(view, straight=replace(view.straight, photo=replace(photo, pixels=grey)))


def test_a_picture_without_colour_is_traced_as_truly_as_one_with():
    found = survey(without_colour(plate_on(CONCRETE, WHITE).view()))
    (outline,) = cut_edge.trace(found, "port", JobFacts(), cut_edge.Options())
    assert np.abs(signed(outline.ring.points_mm, PLATE)).max() < 0.4


def test_what_is_plain_white_is_said_and_doubted_by_how_far_light_spills():
    usual, bright = plate_on(CONCRETE, WHITE), plate_on(CONCRETE, WHITE)
    bright.light *= 2.0
    (seen,), (washed,) = trace(usual), trace(bright, blur_px=1.5)
    assert "washed-out" not in [note.code for note in seen.notes]
    (note,) = [note for note in washed.notes if note.code == "washed-out"]
    assert "out of the sun" in note.text
    off = np.abs(signed(washed.ring.points_mm, PLATE))
    # Half-way between face and bench as they were coded, not as they were.
    assert np.median(off) > 0.08
    within = off <= 1.96 * np.hypot(
        washed.ring.sigma_mm, np.linalg.norm(washed.ring.sensitivity_mm, axis=1)
    )
    assert within.mean() > 0.95


@pytest.mark.parametrize("wall", [(0.5, 0.38, 0.22), (0.03, 0.02, 0.015)], ids=["light", "dark"])
def test_a_dark_face_ends_where_it_does_whatever_its_cut_wall_looks_like(wall):
    """Stained ply has a light core; the camera stands off, so that two walls are seen."""
    bench = Bench(plane(height_mm=3.0, tilt_deg=22.0), colour=CONCRETE, grain=0.03)
    for height in np.linspace(0.0, 3.0, 16):
        bench.lay([PLATE], wall, height_mm=float(height))
    bench.lay([PLATE], (0.07, 0.045, 0.03))
    bench.card("A", (-75, 100), 2)
    bench.card("B", (70, -100), 178)
    (outline,) = trace(bench, JobFacts(thickness_mm=3.0))
    off = signed(outline.ring.points_mm, PLATE)
    assert np.quantile(np.abs(off), 0.95) < 0.2
    assert abs(float(np.mean(off))) < 0.08
