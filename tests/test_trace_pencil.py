"""Pencil lines on a face, measured on drawn photos."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_benches import MAT, PLY, Bench, grained, plane, survey

from spilemark.frames import stored_to_upright
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, JobFacts, Outline
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.pencil_search import FaceView, find_lines

FACE = np.array([[-120.0, -65], [120, -65], [120, 65], [-120, 65]])
PENCIL = (0.10, 0.10, 0.11)


def stroke(start: Floats, stop: Floats, width: float = 0.5) -> Floats:
    along = (np.asarray(stop) - start) / np.linalg.norm(np.asarray(stop) - start)
    side = 0.5 * width * np.array([-along[1], along[0]])
    # Close enough set that the lens bends it as it bends the truth.
    middle = np.linspace(start, stop, 100)
    return np.vstack([middle + side, middle[::-1] - side])


def traced(lines: list[Floats], job: JobFacts | None = None, *, grain_seed: int = 4) -> Outline:
    at = plane(height_mm=0.4)
    bench = Bench(at, colour=MAT)
    edge = np.vstack([np.linspace(FACE[k], FACE[(k + 1) % 4], 200)[:-1] for k in range(4)])
    grained(edge, at, bench, PLY, grain_seed)
    for line in lines:
        bench.lay([line], PENCIL, opacity=0.7)
    bench.card("A", (-75, 108))
    (outline,) = cut_edge.trace(survey(bench.view()), "port", job or JobFacts(), cut_edge.Options())
    return outline


def place_and_angle(points: Floats, start: Floats, stop: Floats) -> tuple[float, float]:
    """Mean distance to the left of a true line, mm, and angle against it, deg."""
    along = (stop - start) / np.linalg.norm(stop - start)
    t = (points - start) @ along
    off = (points - start) @ np.array([-along[1], along[0]])
    slope = np.polyfit(t, off, 1)[0]
    return float(off.mean()), float(np.degrees(np.arctan(slope)))


ACROSS = np.array([[12.0, -61.0], [20.0, 61.0]])


def test_a_line_across_the_grain_is_the_centreline():
    outline = traced([stroke(*ACROSS)])
    (line,) = outline.of_role("centreline")
    off, angle = place_and_angle(line.points_mm, *ACROSS)
    # The width is symmetric about the true line, so nothing pulls: a hundredth or two is noise.
    assert abs(off) < 0.03
    assert abs(angle) < 0.03
    assert np.linalg.norm(line.points_mm[-1] - line.points_mm[0]) > 110
    assert outline.notes == ()
    place = [c.kind == "edge place" for c in outline.causes]
    assert (line.sensitivity_mm[:, place] == 0).all()  # a line has no bright side
    assert line.sensitivity_mm.shape == (len(line.points_mm), len(outline.causes))


def test_a_line_along_the_grain_is_told_from_it():
    along = np.array([[-116.0, 10.0], [116.0, 14.0]])
    (line,) = traced([stroke(*along)]).of_role("centreline")
    off, angle = place_and_angle(line.points_mm, *along)
    assert abs(off) < 0.05
    assert abs(angle) < 0.03


def test_grain_alone_is_no_line():
    outline = traced([])
    assert not outline.of_role("centreline")
    assert not outline.of_role("mark")


def test_a_broken_line_is_one_line():
    along = ACROSS[1] - ACROSS[0]
    parts = [
        stroke(ACROSS[0] + a * along, ACROSS[0] + b * along) for a, b in ((0, 0.45), (0.48, 1))
    ]
    (line,) = traced(parts).of_role("centreline")
    assert abs(place_and_angle(line.points_mm, *ACROSS)[0]) < 0.03
    assert np.linalg.norm(line.points_mm[-1] - line.points_mm[0]) > 110


def test_two_lines_across_are_marks_and_a_question():
    outline = traced([stroke(*ACROSS), stroke(*(ACROSS - [60.0, 0]))])
    assert not outline.of_role("centreline")
    assert len(outline.of_role("mark")) == 2
    assert [n.code for n in outline.notes] == ["line-unclear"]


def test_a_short_line_is_a_mark_beside_the_reference_line():
    short = np.array([[70.0, -10.0], [80.0, 30.0]])
    outline = traced([stroke(*ACROSS), stroke(*short)])
    assert len(outline.of_role("centreline")) == 1
    (mark,) = outline.of_role("mark")
    assert abs(place_and_angle(mark.points_mm, *short)[0]) < 0.05


def typed(points: Floats) -> JobFacts:
    at = plane(height_mm=0.4)
    stored = plane_to_pixels(points, at)
    upright = stored_to_upright(stored, 1240, 960, 1)
    return JobFacts(centreline_px={"port": tuple(float(v) for v in upright.ravel())})


def test_a_line_that_was_pointed_at_is_snapped_to():
    other = ACROSS - [60.0, 0]
    outline = traced([stroke(*ACROSS), stroke(*other)], typed(other + [[1.5, 4.0], [-1.0, -9.0]]))
    (line,) = outline.of_role("centreline")
    off, angle = place_and_angle(line.points_mm, *other)
    assert abs(off) < 0.03
    assert abs(angle) < 0.03


def test_points_given_where_nothing_is_drawn_are_taken_as_given():
    given = np.array([[-40.0, -50.0], [-42.0, 50.0]])
    outline = traced([stroke(*ACROSS)], typed(given))
    (line,) = outline.of_role("centreline")
    np.testing.assert_allclose(line.points_mm, given, atol=1e-3)
    np.testing.assert_allclose(line.sigma_mm, 0.3)
    assert "line-as-given" in [n.code for n in outline.notes]


@pytest.mark.parametrize("width", [0.3, 0.9])
def test_thin_and_broad_lines_lie_alike(width):
    (line,) = traced([stroke(*ACROSS, width)]).of_role("centreline")
    assert abs(place_and_angle(line.points_mm, *ACROSS)[0]) < 0.04


def test_a_face_of_shreds_has_no_lines() -> None:
    """As in a damaged picture: every fourth pixel misses it."""
    inside = np.zeros((40, 40), dtype=bool)
    inside[1, 1::4] = True
    ridge = np.where(inside, 0.5, 0.0).astype(np.float32)
    view = FaceView(ridge, np.zeros((40, 40, 2), np.float32), inside, np.zeros(2), 0.4)
    assert find_lines(view) == []
