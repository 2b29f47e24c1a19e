"""Round holes whose ring went astray, and holes that are not round, on drawn photos."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from drawn_benches import MAT, PLY, Bench, plane, survey

from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, JobFacts, Outline
from spilemark.testing.shapes import disc
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.round_holes import round_again
from spilemark_stages.trace.snap import mean_scale
from spilemark_stages.trace.stretches import Sheet
from spilemark_stages.trace.traced_ring import RingTracer, TracedRing

PLATE = np.array([[-105, -55], [105, -55], [105, 55], [-105, 55]], dtype=float)
CENTRE, RADIUS = np.array([30.0, 0.0]), 26.0
BORED = disc(tuple(CENTRE), RADIUS)
KEYED = np.array(
    shapely.union(
        shapely.Polygon(BORED), shapely.box(CENTRE[0] + 20, -4.0, CENTRE[0] + RADIUS + 6.0, 4.0)
    ).exterior.coords
)[:-1]


def bench_with(hole: Floats) -> Bench:
    bench = Bench(plane(height_mm=0.4), colour=MAT, grain=0.05)
    bench.lay([PLATE, hole], PLY)
    bench.card("A", (-75, 100), 2)
    bench.card("B", (70, -100), 178)
    return bench


def hole_of(bench: Bench) -> tuple[Outline, Floats]:
    (outline,) = cut_edge.trace(survey(bench.view()), "port", JobFacts(), cut_edge.Options())
    (hole,) = outline.of_role("hole")
    return outline, hole.points_mm


def off_mm(points: Floats) -> Floats:
    return np.abs(np.linalg.norm(points - CENTRE, axis=1) - RADIUS)


@pytest.mark.parametrize("deep_mm", [1.5, 5.0])
def test_a_bored_hole_that_was_followed_into_the_wood_is_followed_again(deep_mm: float) -> None:
    bench = bench_with(BORED)
    outline, points = hole_of(bench)
    (view,) = outline.views
    bearing = np.arctan2(*(points - CENTRE).T[::-1])
    out = deep_mm * np.exp(-((bearing / 0.2) ** 2))[:, None]
    strayed = points + out * (points - CENTRE) / RADIUS
    count = len(points)
    ring = TracedRing(strayed, np.full(count, 0.05), np.ones(count, dtype=bool), ())
    tracer = RingTracer(LinearPhoto(view.straight.photo.pixels), view.plane, Sheet(0.4))
    tracer.blur_px = 0.8
    again = round_again(tracer, ring, mean_scale(plane_to_pixels(strayed, view.plane), view.plane))
    assert off_mm(strayed).max() > 0.9 * deep_mm
    assert off_mm(again.points_mm).max() < 0.2
    assert again.seen.all()


def test_a_keyway_stays() -> None:
    _, points = hole_of(bench_with(KEYED))
    away = shapely.distance(shapely.LinearRing(KEYED), shapely.points(points))
    assert np.quantile(away, 0.98) < 0.15
    assert off_mm(points).max() > 4.0
