"""Short marks and circles on a face, measured on drawn photos whose truth is exact."""

from __future__ import annotations

import drawn_jobs
import numpy as np
import pytest
import shapely
from drawn_benches import MAT, PLY, WHITE, Bench, closely, drawn, grained, plane, survey
from skimage.measure import CircleModel

from spilemark.circles import circle_of, fit_circle, is_closed_mark
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, JobFacts, Outline, Side
from spilemark.template import build_template
from spilemark.testing.shapes import disc
from spilemark_stages.register.reference_line import Options as LineOptions
from spilemark_stages.register.reference_line import register
from spilemark_stages.trace import cut_edge
from spilemark_stages.write.report_marks import mark_table

FACE = np.array([[-120.0, -65], [120, -65], [118, 66], [-119, 63], [-125, 0]])
LINE = np.array([[12.0, -61.0], [20.0, 61.0]])
TICKS = {
    "a station over the edge": np.array([[60.0, -66.0], [62, -54]]),
    "by itself, across the grain": np.array([[-60.0, 20.0], [-59, 31]]),
    "one of a pair": np.array([[80.0, 20.0], [84, 31]]),
    "the other of the pair": np.array([[83.0, 19.0], [87, 30]]),
}


def traced(bench: Bench) -> Outline:
    (outline,) = cut_edge.trace(survey(bench.view()), "port", JobFacts(), cut_edge.Options())
    return outline


def letters(at: tuple[float, float], turn: float = 0.0) -> Floats:
    t = np.linspace(0, 10 * np.pi, 400)
    x, y = 1.3 * t + 2.2 * np.sin(t), 4 * np.cos(t)
    c, s = np.cos(turn), np.sin(turn)
    return np.stack([at[0] + c * x - s * y, at[1] + s * x + c * y], axis=-1)


@pytest.fixture(scope="module")
def marked() -> Outline:
    """Ply with a reference line, ticks, two words, a drawn circle and a bored hole."""
    at = plane(height_mm=3.0)
    bench = Bench(at, colour=MAT)
    grained(closely(FACE), at, bench, PLY, 4)
    bench.lay([disc((-20.0, -35.0), 9.0)], MAT)
    drawn(bench, LINE, 0.5, closed=False)
    for tick in TICKS.values():
        drawn(bench, tick, 0.5, dark=0.68, closed=False)
    drawn(bench, letters((30.0, 0.0)), 0.5, dark=0.65, closed=False)
    drawn(bench, letters((-105.0, -30.0), 0.4), 0.5, dark=0.65, closed=False)
    drawn(bench, disc((-85.0, 30.0), 13.0), 0.5)
    bench.card("A", (-75, 108))
    return traced(bench)


def straight(outline: Outline) -> list:
    return [m for m in outline.of_role("mark") if not is_closed_mark(m)]


def test_ticks_are_carried_letters_and_grain_are_not(marked):
    found = straight(marked)
    assert len(found) == len(TICKS)
    for name, tick in TICKS.items():
        near = min(found, key=lambda m: np.linalg.norm(m.points_mm.mean(0) - tick.mean(0)))
        way = (tick[1] - tick[0]) / np.linalg.norm(tick[1] - tick[0])
        across = (near.points_mm - tick[0]) @ np.array([-way[1], way[0]])
        assert np.abs(across).max() < 0.1, name
        assert np.abs(across).max() < 4 * near.sigma_mm.max(), name
        length = np.linalg.norm(near.points_mm[1] - near.points_mm[0])
        # What stands beyond the edge is the bench, and the last bit before it its blur.
        assert length == pytest.approx(11.5, abs=1.2), name
        assert 0.01 < near.sigma_mm.max() < 0.08, name


def test_a_drawn_circle_is_a_circle(marked):
    (mark,) = [m for m in marked.of_role("mark") if is_closed_mark(m)]
    circle = circle_of(mark)
    assert circle is not None
    assert circle.centre_mm == pytest.approx([-85, 30], abs=0.06)
    assert circle.radius_mm == pytest.approx(13.0, abs=0.05)


def test_a_bored_hole_is_a_circle(marked):
    (hole,) = marked.of_role("hole")
    circle = circle_of(hole)
    assert circle is not None
    assert circle.centre_mm == pytest.approx([-20, -35], abs=0.15)
    assert circle.radius_mm == pytest.approx(9.0, abs=0.15)
    assert circle_of(marked.ring) is None


def test_bare_grain_and_a_blank_card_bear_no_marks():
    for colour, wood in ((PLY, True), (WHITE, False)):
        at = plane(height_mm=3.0)
        bench = Bench(at, colour=MAT)
        if wood:
            grained(closely(FACE), at, bench, colour, 9)
        else:
            bench.lay([closely(FACE)], colour)
        bench.card("A", (-75, 108))
        assert not traced(bench).of_role("mark")


def test_a_circle_is_fitted_as_another_library_fits_it():
    """scikit-image's ``CircleModel`` on an arc of 200 degrees with noise; its own answer is the oracle."""
    rng = np.random.default_rng(5)
    angle = np.linspace(0.0, np.radians(200), 150)
    arc = np.array([40.0, -7.0]) + 12.5 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    points = arc + rng.normal(0, 0.05, arc.shape)
    other = CircleModel.from_estimate(points)
    found = fit_circle(points)
    assert found.centre_mm == pytest.approx(other.center, abs=0.02)
    assert found.radius_mm == pytest.approx(other.radius, abs=0.02)
    # A dent of a tenth of it, which least squares on all points follows, is left out.
    points[20:35] += 0.8 * (points[20:35] - [40, -7]) / 12.5
    assert np.linalg.norm(fit_circle(points).centre_mm - [40, -7]) < 0.05
    assert shapely.Point(fit_circle(points).centre_mm).distance(
        shapely.Point(40, -7)
    ) < np.linalg.norm(CircleModel.from_estimate(points).center - np.array([40, -7]))


def test_marks_and_circles_reach_template_and_report(marked):
    pattern = register(outline=marked, side=Side.PORT, job=drawn_jobs.FACTS, options=LineOptions())
    template = build_template(pattern, drawn_jobs.FACTS, drawn_jobs.TAPED)
    marks = [s for s in template.strokes if s.style == "mark"]
    assert len(marks) == len(TICKS) + 1
    assert sum(s.closed for s in marks) == 1
    (table,) = mark_table([pattern], "{:.1f}".format, "{:.2f}".format)
    sizes = sorted(row[2] for row in table.rows)
    assert sizes[-1] == "Ø 26.0"
    assert len(table.rows) == len(TICKS) + 2  # and the bored hole


def test_a_tick_that_was_pointed_at_is_the_line():
    bench = Bench(plane(height_mm=3.0), colour=MAT)
    bench.lay([closely(FACE)], WHITE)
    tick = np.array([[40.0, -20.0], [42, 8]])
    drawn(bench, tick, 0.5, closed=False)
    bench.card("A", (-75, 108))
    pointed = plane_to_pixels(tick + [[1.4, 1.0], [1.6, -2.0]], bench.plane)
    job = JobFacts(centreline_px={"port": tuple(float(v) for v in pointed.ravel())})
    (outline,) = cut_edge.trace(survey(bench.view()), "port", job, cut_edge.Options())
    (line,) = outline.of_role("centreline")
    way = (tick[1] - tick[0]) / np.linalg.norm(tick[1] - tick[0])
    assert np.abs((line.points_mm - tick[0]) @ [-way[1], way[0]]).max() < 0.05
    assert not outline.of_role("mark")
