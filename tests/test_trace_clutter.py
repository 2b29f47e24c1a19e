"""Things across a pattern's edge: bridged, marked as guessed, and nothing else is taken for one."""

from __future__ import annotations

import cv2
import numpy as np
import shapely
from drawn_benches import MAT, PLY, Bench, grained, plane, survey

from spilemark.records import JobFacts, Outline
from spilemark.testing.shapes import disc, notched_plate
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.clutter import without_clutter

PLATE = notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)) - [105, 55]
STEEL = (0.35, 0.37, 0.40)
ORANGE = (0.55, 0.25, 0.02)


def bench_with(*things) -> Outline:
    bench = Bench(plane(height_mm=3.0), colour=MAT, grain=0.05)
    grained(PLATE, bench.plane, bench, PLY, 9)
    for ring, colour in things:
        bench.lay([ring], colour)
    bench.card("A", (-75, 102), 2)
    bench.card("B", (70, -103), 178)
    (outline,) = cut_edge.trace(
        survey(bench.view()), "port", JobFacts(thickness_mm=3.0), cut_edge.Options()
    )
    return outline


def bar(at, size, turn_deg) -> np.ndarray:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    corners = 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size
    return corners @ np.array([[c, s], [-s, c]]) + at


def check(outline: Outline, thing: np.ndarray, guessed_mm: tuple[float, float]) -> None:
    ring = outline.ring
    off = shapely.distance(shapely.LinearRing(PLATE), shapely.points(ring.points_mm))
    assert off[ring.seen].max() < 0.5
    assert np.quantile(off[ring.seen], 0.95) < 0.15
    # The guess runs on as the edge ran on both sides.
    assert off.max() < 1.0
    under = shapely.contains_xy(shapely.Polygon(thing), *ring.points_mm.T)
    assert under.any()
    assert not ring.seen[under].any()
    length = 0.8 * (~ring.seen).sum()
    assert guessed_mm[0] < length < guessed_mm[1]


def test_a_steel_bar_across_the_edge_is_bridged_and_guessed():
    thing = bar((-40, -60), (40, 70), 12)
    check(bench_with((thing, STEEL)), thing, (40, 60))


def test_a_pencil_across_the_edge_is_bridged_and_guessed():
    thing = bar((45, -50), (7, 90), -20)
    check(bench_with((thing, ORANGE)), thing, (7, 20))


def _mask(ring: np.ndarray) -> np.ndarray:
    mask = np.zeros((300, 400), np.uint8)
    cv2.fillPoly(mask, [np.round(ring + [200, 150]).astype(np.int32)], 1)
    return mask


def test_a_tab_of_the_faces_own_colour_stays():
    mask = _mask(PLATE) | _mask(bar((-40, -70), (20, 60), 0))
    out, covered = without_clutter(mask, np.zeros((300, 400, 3), np.float32), 1.0)
    assert not covered.any()
    assert (out == mask).all()


def test_what_sticks_out_is_cut_along_a_chord():
    thing = _mask(bar((-40, -60), (20, 60), 0))
    values = np.zeros((300, 400, 3), np.float32)
    values[thing > 0] = [0.0, -0.6, 0.5]
    out, covered = without_clutter(_mask(PLATE) | thing, values, 1.0)
    assert (out != _mask(PLATE)).sum() < 60
    assert covered[thing > 0].all()


def test_a_knot_at_the_edge_is_no_clutter():
    plate = _mask(PLATE)
    knot = _mask(disc((-40.0, -55.0), 8.0)) & plate
    values = np.zeros((300, 400, 3), np.float32)
    values[knot > 0] = [-1.0, 0.4, -0.4]
    out, covered = without_clutter(plate, values, 1.0)
    assert not covered.any()
    assert (out == plate).all()


def test_what_lies_over_the_edge_is_said_with_its_place_and_a_remedy():
    outline = bench_with((bar((-40, -60), (40, 70), 12), STEEL))
    (note,) = [n for n in outline.notes if n.code == "edge-unseen"]
    assert "take it away" in note.text
    assert note.at_mm is not None
    assert np.linalg.norm(np.array(note.at_mm) - [-40, -55]) < 8


def test_somebodys_shadow_over_the_edge_is_no_clutter():
    mask = _mask(PLATE) | _mask(bar((-40, -70), (20, 60), 0))
    values = np.zeros((300, 400, 3), np.float32)
    values[100:, 130:190] = [-1.2, 0.08, 0.1]
    out, covered = without_clutter(mask, values, 1.0)
    assert not covered.any()
    assert (out == mask).all()


def test_bench_in_shadow_that_passed_for_pattern_is_taken_away_and_hides_nothing():
    thing = _mask(bar((-40, -70), (20, 60), 0)) & (1 - _mask(PLATE))
    values = np.zeros((300, 400, 3), np.float32)
    values[thing > 0] = [-0.5, -0.5, 0.5]
    out, covered = without_clutter(_mask(PLATE) | thing, values, 1.0, thing > 0)
    assert not covered.any()
    assert (out != _mask(PLATE)).sum() < 60
