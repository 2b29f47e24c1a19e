"""A run of an outline followed anew between two places, on drawn photos whose truth is exact."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from drawn_benches import CONCRETE, MAT, PLY, WHITE, Bench, drawn, plane, survey
from test_trace_cut_edge import HOLE, PLATE, plate_on, signed
from test_trace_scribed import PART, sheet

from spilemark.errors import NoEdge
from spilemark.frames import outward_normals
from spilemark.lens import plane_to_pixels
from spilemark.promises import check_result
from spilemark.records import Floats, JobFacts, Outline, View
from spilemark.ring_edits import shared_sensitivity
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.follow import APART
from spilemark_stages.trace.outlines import shared_by

JOB, OPTIONS = JobFacts(), cut_edge.Options()


def traced(bench: Bench, job: JobFacts = JOB) -> tuple[Outline, View]:
    found = survey(bench.view())
    (outline,) = cut_edge.trace(found, "port", job, OPTIONS)
    return outline, found.views[0]


def between(outline: Outline, a: Floats, b: Floats) -> np.ndarray:
    """Numbers of the ring's points from a place to another, in ring order."""
    ring = outline.ring.points_mm
    i, j = (int(np.argmin(np.linalg.norm(ring - p, axis=1))) for p in (a, b))
    return (i + np.arange((j - i) % len(ring) + 1)) % len(ring)


def spoiled(outline: Outline, run: np.ndarray, by: Floats) -> Outline:
    """As if the tracer had gone astray there: bent aside, most in the middle."""
    ring = outline.ring
    points = np.array(ring.points_mm)
    points[run] += np.sin(np.linspace(0, np.pi, len(run)))[:, None] * by
    lines = tuple(
        replace(line, points_mm=points) if line is ring else line for line in outline.polylines
    )
    within = set(run[1:-1].tolist())
    kept = tuple(c for c in outline.corners if c.index not in within)
    edges = tuple(e for e in outline.edges if not {e.start, e.stop} & within)
    return replace(outline, polylines=lines, corners=kept, edges=edges)


def follow(outline: Outline, view: View, *places: Floats) -> Outline:
    px = plane_to_pixels(np.array(places, dtype=float), view.plane)
    given = {"outline": outline, "view": view, "places_px": px, "job": JOB}
    changed = cut_edge.follow_edge(**given, options=OPTIONS)
    assert check_result("follow_edge", changed, given) == ""
    return changed


@pytest.fixture(scope="module")
def plate() -> tuple[Outline, View]:
    return traced(plate_on(MAT, PLY))


def test_an_edge_that_went_astray_is_followed_as_well_as_it_was_traced(plate):
    good, view = plate
    run = between(good, np.array([-80.0, -55]), np.array([80.0, -55]))
    bad = spoiled(good, run, np.array([0.0, -12.0]))
    assert np.abs(signed(bad.ring.points_mm, PLATE)).max() > 11
    ring = bad.ring.points_mm
    after = follow(bad, view, ring[run[0]], ring[run[-1]])
    fresh = after.ring.by_hand
    off = signed(after.ring.points_mm, PLATE)
    assert np.abs(off).max() < 0.3
    assert np.quantile(np.abs(off[fresh]), 0.95) < 0.08
    assert after.ring.seen.all()
    assert 150 < np.linalg.norm(np.diff(after.ring.points_mm[fresh], axis=0), axis=1).sum() < 165
    # Nothing else was touched.
    kept = {tuple(p) for p in after.ring.points_mm[~fresh]}
    outside = {tuple(p) for p in np.delete(ring, run, axis=0)}
    assert kept == outside
    assert after.causes == bad.causes


def test_its_doubt_is_honest(plate):
    good, view = plate
    run = between(good, np.array([-80.0, -55]), np.array([80.0, -55]))
    bad = spoiled(good, run, np.array([0.0, 7.0]))
    ring = bad.ring.points_mm
    after = follow(bad, view, ring[run[0]], ring[run[-1]])
    fresh = after.ring.by_hand
    places = [c.kind == "edge place" for c in after.causes]
    place = np.linalg.norm(after.ring.sensitivity_mm[:, places], axis=1)
    ratio = signed(after.ring.points_mm, PLATE) / np.hypot(after.ring.sigma_mm, place)
    assert np.mean(np.abs(ratio[fresh]) < 1.96) > 0.9
    # As doubtful as a traced edge, and not more.
    assert np.median(after.ring.sigma_mm[fresh]) == pytest.approx(
        np.median(good.ring.sigma_mm[run]), rel=0.3
    )


def test_corners_on_the_way_are_found_and_edges_run_between_them(plate):
    good, view = plate
    run = between(good, np.array([40.0, 55]), np.array([-40.0, 55]))
    bad = spoiled(good, run, np.array([0.0, 6.0]))
    assert len(bad.corners) == len(good.corners) - 4
    ring = bad.ring.points_mm
    after = follow(bad, view, ring[run[0]], ring[run[-1]])
    assert len(after.corners) == len(good.corners)
    at = after.ring.points_mm[[c.index for c in after.corners]]
    was = good.ring.points_mm[[c.index for c in good.corners]]
    assert np.linalg.norm(at[:, None] - was[None], axis=2).min(axis=1).max() < 0.1
    assert sorted(round(e.length_mm) for e in after.edges) == [20, 20, 36, 87, 87, 110, 110, 210]
    inside = [c for c in after.corners if c.angle_deg > 200]
    assert len(inside) == 2


@pytest.mark.parametrize("swapped", [False, True])
def test_the_run_may_lie_across_the_rings_first_point_and_begin_at_either_end(plate, swapped):
    good, view = plate
    ring = good.ring.points_mm
    n = len(ring)
    run = (n - 60 + np.arange(121)) % n
    bad = spoiled(good, run, np.array([4.0, 3.0]))
    ends = [bad.ring.points_mm[run[0]], bad.ring.points_mm[run[-1]]]
    after = follow(bad, view, *(ends[::-1] if swapped else ends))
    off = np.abs(signed(after.ring.points_mm, PLATE))
    assert off.max() < 0.3
    assert shapely.Polygon(after.ring.points_mm).is_valid
    assert len(after.corners) == len(good.corners)
    for edge in after.edges:
        assert {edge.start, edge.stop} <= {c.index for c in after.corners}


def test_a_shadows_border_and_a_pencil_line_are_not_followed():
    bench = Bench(plane(height_mm=3.0), colour=CONCRETE, grain=0.05)
    rim = shapely.Polygon(PLATE).buffer(9.0, join_style="mitre").exterior
    bench.shade([np.array(rim.coords[:-1])], 0.3)
    bench.lay([PLATE, HOLE], PLY)
    drawn(bench, np.array([[-95.0, -45], [95.0, -45]]), 0.7, closed=False)
    bench.card("A", (-75, 105), 2)
    bench.card("B", (70, -105), 178)
    (view,) = survey(bench.view()).views
    good, _ = traced(plate_on(CONCRETE, PLY, height_mm=3.0))
    run = between(good, np.array([-90.0, -55]), np.array([90.0, -55]))
    # It had gone along the shadow's border.
    bad = spoiled(good, run, np.array([0.0, -9.0]))
    ring = bad.ring.points_mm
    after = follow(bad, view, ring[run[0]], ring[run[-1]])
    off = np.abs(signed(after.ring.points_mm, PLATE))[after.ring.by_hand]
    assert np.quantile(off, 0.95) < 0.15


def test_where_there_is_no_edge_it_says_so():
    bench = plate_on(MAT, PLY)
    good, view = traced(bench)
    # Face and bench melt into each other within 45 mm of a place of the edge.
    at = plane_to_pixels(np.array([[0.0, -55.0]]), bench.plane)[0]
    y, x = np.mgrid[0 : bench.size[1], 0 : bench.size[0]]
    away = np.hypot(x - at[0], y - at[1]) * 0.28
    share = np.clip((60.0 - away) / 30.0, 0.0, 1.0)[..., None]
    bench.light = (1 - share) * bench.light + share * cv2.GaussianBlur(bench.light, (0, 0), 120)
    (melted,) = survey(bench.view()).views
    ring = good.ring.points_mm
    run = between(good, np.array([-28.0, -55]), np.array([28.0, -55]))
    with pytest.raises(NoEdge, match="no edge can be told"):
        follow(good, melted, ring[run[0]], ring[run[-1]])
    with pytest.raises(NoEdge, match="too near"):
        follow(good, view, ring[10], ring[11])


def test_a_place_on_the_way_leads_the_right_way_round(plate):
    """Two ways lead from end to end of a strip with a hole; the touch between tells which is meant."""
    good, view = plate
    run = between(good, np.array([105.0, -30]), np.array([105.0, 30]))
    bad = spoiled(good, run, np.array([-25.0, 0.0]))
    ring = bad.ring.points_mm
    after = follow(bad, view, ring[run[0]], np.array([105.0, 2.0]), ring[run[-1]])
    assert np.abs(signed(after.ring.points_mm, PLATE)).max() < 0.3


def test_ends_that_are_off_the_edge_are_told(plate):
    good, view = plate
    run = between(good, np.array([-80.0, -55]), np.array([80.0, -55]))
    bad = spoiled(good, run, np.array([0.0, -5.0]))
    middle = bad.ring.points_mm[run[len(run) // 2]]
    after = follow(bad, view, middle, bad.ring.points_mm[run[-1]])
    (note,) = [note for note in after.notes if note.code == APART]
    # The ring is laid from the place to the edge within a few millimetres.
    assert 1.0 < note.value < 5.5
    assert not any(note.code == APART for note in good.notes)


def test_a_drawn_line_is_followed_along_its_middle():
    bench = sheet(WHITE, wood=False)
    drawn(bench, PART, 0.6)
    good, view = traced(bench, JobFacts(edge={"port": "scribed"}))
    assert good.drawn_width_mm is not None
    run = between(good, np.array([-80.0, -65]), np.array([70.0, -65]))
    bad = spoiled(good, run, np.array([0.0, 6.0]))
    ring = bad.ring.points_mm
    after = follow(bad, view, ring[run[0]], ring[run[-1]])
    off = shapely.distance(shapely.LinearRing(PART), shapely.points(after.ring.points_mm))
    assert np.quantile(off[after.ring.by_hand], 0.95) < 0.1
    assert after.ring.seen[after.ring.by_hand].all()


def test_what_several_photos_said_beside_it_holds_for_the_run_too(plate):
    """Together they lay the edge a little beside where this photo alone sees it."""
    alone, view = plate
    beside = np.array([0.12, -0.09])
    ring = alone.ring
    lines = tuple(
        replace(line, points_mm=line.points_mm + beside) if line is ring else line
        for line in alone.polylines
    )
    other = replace(view, straight=replace(view.straight, photo=_named(view, "second.png")))
    together = replace(alone, polylines=lines, views=(view, other))
    run = between(together, np.array([60.0, -55]), np.array([105.0, 20]))
    bad = spoiled(together, run, np.array([3.0, -3.0]))
    ring_mm = bad.ring.points_mm
    after = follow(bad, view, ring_mm[run[0]], ring_mm[run[-1]])
    off = np.abs(signed(after.ring.points_mm, PLATE + beside))[after.ring.by_hand]
    assert np.quantile(off, 0.95) < 0.09
    assert after.causes[-1].kind == "edge followed by hand"
    own = after.ring.sensitivity_mm[:, -1]
    assert (own[after.ring.by_hand] >= 0.03).all()
    assert (own[~after.ring.by_hand] == 0).all()
    for line in after.polylines:
        assert line.sensitivity_mm.shape == (len(line.points_mm), len(after.causes))


def _named(view: View, name: str):
    return replace(view.straight.photo, path=view.straight.photo.path.with_name(name))


def test_what_all_points_share_is_that_of_the_tracer(plate):
    """Read off the ring's own, beside the survey's and the tracer's exact functions."""
    outline, view = plate
    ring = outline.ring.points_mm
    normals = outward_normals(ring)
    shared = shared_by(
        view,
        outline.causes[:2],
        ring,
        "port",
        0,
        OPTIONS.edge_bias_px,
        0.0,
        OPTIONS.flatness_mm,
    )
    aside = ring + 6.0 * normals
    exact = shared.sensitivity(aside, normals, edge=True)
    read = shared_sensitivity(outline, aside, normals)
    size = np.abs(exact).max(axis=0)
    assert (size > 0).all()
    assert np.abs(read - exact).max(axis=0) == pytest.approx(0 * size, abs=0.05 * size.max())
    assert (np.abs(read - exact).max(axis=0) < 0.12 * size + 1e-6).all()
