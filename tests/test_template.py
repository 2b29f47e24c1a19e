"""The drawing: true to what was measured, with words that are there and stand clear."""

from __future__ import annotations

import math
from dataclasses import replace

import drawn_jobs
import numpy as np
import pytest
import shapely
import shapes as zoo

from spilemark import wording
from spilemark.curves import segments_to_polyline
from spilemark.ink import Words
from spilemark.ink_files import text_width_mm
from spilemark.lettering import rectangle
from spilemark.records import Label, RegisteredPattern, Template
from spilemark.template import (
    CURVE_TOLERANCE_MM,
    build_template,
    build_templates,
    curve_tolerance,
    runs_of,
)
from spilemark.units import rounded_up_mm
from spilemark_stages.mirror.centreline_mirror import mirror


def template(pattern: RegisteredPattern | None = None, **facts: object) -> Template:
    pattern = drawn_jobs.pattern() if pattern is None else pattern
    scale = facts.pop("scale", drawn_jobs.TAPED)
    return build_template(pattern, replace(drawn_jobs.FACTS, **facts), scale, {"program": "x"})


def strokes(drawn: Template, style: str) -> list:
    return [s for s in drawn.strokes if s.style == style]


def named(drawn: Template, name: str) -> np.ndarray:
    (stroke,) = [s for s in drawn.strokes if s.name == name]
    return np.vstack([s[0] for s in stroke.segments] + [stroke.segments[-1][-1]])


def area(label: Label) -> shapely.Polygon:
    """What a line of words covers, from a little below its base line to its capitals' height."""
    width = text_width_mm(
        Words(text=label.text, at=(0, 0), size_mm=label.height_mm, bold=label.bold)
    )
    shift = {"start": 0.5, "middle": 0.0, "end": -0.5}[label.anchor] * width
    angle = math.radians(label.turn_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    up = np.array([-along[1], along[0]])
    middle = np.array(label.at_mm) + shift * along + 0.28 * label.height_mm * up
    return shapely.Polygon(rectangle(tuple(middle), width, 0.9 * label.height_mm, label.turn_deg))


def words(drawn: Template) -> str:
    """All words, as one text: two columns follow each other."""
    return " ".join(label.text.replace("\u00a0", " ") for label in drawn.labels)


def wood(pattern: RegisteredPattern) -> shapely.Polygon:
    holes = [h.points_mm for h in pattern.outline.of_role("hole")]
    return shapely.Polygon(pattern.outline.ring.points_mm, holes)


@pytest.mark.parametrize("noise", [0.005, 0.06])
def test_the_edge_is_drawn_within_the_tolerance_that_is_stated(noise):
    pattern = drawn_jobs.pattern(zoo.knee(hole=True, step_mm=0.7), sigma_mm=noise)
    drawn = template(pattern)
    (edge,), (hole,) = strokes(drawn, "outline"), strokes(drawn, "hole")
    for stroke, line in ((edge, pattern.outline.ring), (hole, pattern.outline.of_role("hole")[0])):
        dense = segments_to_polyline(stroke.segments, spacing_mm=0.2)
        measured = shapely.LinearRing(line.points_mm)
        assert shapely.distance(shapely.points(dense), measured).max() <= drawn.curve_tolerance_mm
        assert shapely.LineString(dense).hausdorff_distance(measured) <= drawn.curve_tolerance_mm
        assert stroke.closed
    stated = drawn.curve_tolerance_mm
    # Independent noise of a thousand points: its largest is beyond 3 sigma (own derivation).
    assert CURVE_TOLERANCE_MM <= stated <= CURVE_TOLERANCE_MM + 0.02 + 5.5 * noise
    assert f"within {stated:.2f} mm of the points measured" in words(drawn)


def test_corners_stay_where_they_were_measured():
    pattern = drawn_jobs.pattern()
    (edge,) = strokes(template(pattern), "outline")
    starts = np.array([s[0] for s in edge.segments])
    for corner in pattern.outline.corners:
        place = pattern.outline.ring.points_mm[corner.index]
        assert np.linalg.norm(starts - place, axis=1).min() < 1e-9


def test_a_curve_follows_the_points_no_closer_than_they_scatter():
    quiet = drawn_jobs.pattern(sigma_mm=0.004).outline.ring
    loud = drawn_jobs.pattern(sigma_mm=0.1).outline.ring
    assert curve_tolerance(quiet) == CURVE_TOLERANCE_MM
    assert curve_tolerance(loud) == pytest.approx(0.25)
    assert curve_tolerance(loud, 0.4) == 0.4


def test_the_check_bars_are_what_they_say_and_square_to_each_other():
    """1 in = 25.4 mm exactly (international yard, 1959); the diagonal of a square is its root two."""
    drawn = template()
    for name, length in (("100mm", 100.0), ("4in", 101.6)):
        across, along = (np.diff(named(drawn, f"bar-{name}-{w}"), axis=0)[0] for w in WAYS)
        assert across == pytest.approx([length, 0.0], abs=1e-9)
        assert along == pytest.approx([0.0, length], abs=1e-9)
    for name in ("diagonal-rising", "diagonal-falling"):
        assert np.linalg.norm(np.diff(named(drawn, name), axis=0)) == pytest.approx(
            math.sqrt(2) * 100.0, abs=1e-9
        )
    corners = set(map(tuple, named(drawn, "square")))
    assert set(map(tuple, named(drawn, "diagonal-falling"))) <= corners
    assert "diagonals 141.4 mm" in words(drawn)


WAYS = ("across", "along")


SPECIMENS = {
    "knee": zoo.knee(),
    "notch and hole": zoo.knee(notch_mm=(200.0, 30.0, 12.0), hole=True),
    "no line": zoo.knee(line_mm=None),
    "arm": zoo.Drawn(
        zoo.even(np.array([[0.0, 0.0], [40.0, 0.0], [140.0, 600.0], [100.0, 610.0]]), 1.0), None
    ),
    "small": zoo.Drawn(
        zoo.even(np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 30.0], [0.0, 45.0]]), 0.5), None
    ),
    "tiny": zoo.Drawn(
        zoo.even(np.array([[0.0, 0.0], [14.0, 0.0], [14.0, 7.0], [0.0, 10.0]]), 0.5), None
    ),
}


@pytest.mark.parametrize("name", SPECIMENS)
@pytest.mark.parametrize("boat", ["Curlew", "The Extraordinarily Long Name of an Old Ketch"])
def test_words_cover_neither_edge_nor_line_nor_each_other(name, boat):
    pattern = drawn_jobs.pattern(SPECIMENS[name])
    drawn = template(pattern, boat=boat)
    sheet = shapely.box(
        drawn.left_mm,
        drawn.bottom_mm,
        drawn.left_mm + drawn.width_mm,
        drawn.bottom_mm + drawn.height_mm,
    )
    covered = [area(label) for label in drawn.labels]
    lines = [
        shapely.LineString(segments_to_polyline(s.segments))
        for s in drawn.strokes
        if s.style in ("outline", "hole", "centreline", "mark")
    ]
    bars = [
        shapely.LineString(named(drawn, f"bar-{n}-{w}")) for n in ("100mm", "4in") for w in WAYS
    ]
    for label, place in zip(drawn.labels, covered, strict=True):
        assert sheet.contains(place), label
        assert not any(place.intersects(line) for line in lines + bars), label
        assert sum(place.intersects(other) for other in covered) == 1, label
    inside = [p for p in covered if wood(pattern).contains(p)]
    assert bool(inside) == (name != "tiny")


def test_the_side_is_the_largest_word_and_stands_on_the_part():
    pattern = drawn_jobs.pattern()
    drawn = template(pattern)
    largest = max(drawn.labels, key=lambda label: label.height_mm)
    assert largest.text == "PORT"
    assert largest.height_mm > 20
    assert wood(pattern).contains(area(largest))


def test_the_arrow_points_forward_and_up_is_told():
    drawn = template()
    shaft = next(s for s in drawn.strokes if s.name == "forward")
    step = shaft.segments[0][1] - shaft.segments[0][0]
    assert step[0] == 0
    assert step[1] > 15
    assert "FWD" in words(drawn)
    assert "UP: this face" in words(drawn)
    assert any(s.name == "up" for s in drawn.strokes)


def test_the_sheet_says_all_that_it_must():
    pattern = drawn_jobs.pattern()
    said = words(template(pattern))
    doubt = wording.doubt_of(pattern)
    assert (
        f"±{rounded_up_mm(doubt.shape_mm, 'mm', 2):.2f} mm (95 %) for the pattern as it lay on the bench. Not included:"
        " the scribing itself (often 1 to 2 mm), the hull, this paper."
    ) in said
    for sentence in (
        "Measure the check bars in both directions before cutting. If they are wrong, do not cut.",
        "It does not size a structural part",
        "taped A-H 742.5 mm",
        "100 % of the outline seen, in 1 photo.",
        "2026-05-14",
        "Curlew",
        "quarter knee",
        "distance from the boat's centreline was not stated",
        f"Placed on its line: ±{rounded_up_mm(doubt.frame_mm, 'mm', 2):.2f} mm",
    ):
        assert sentence in said


def test_the_date_is_the_jobs_and_never_made_up():
    assert "no date given" in words(template(date=None))


def test_without_a_measured_length_no_size_is_claimed():
    said = words(template(scale=drawn_jobs.NOMINAL))
    assert "NO ABSOLUTE SIZE IS CLAIMED" in said
    assert "±" not in said


def test_inches_are_shown_where_inches_were_asked_for():
    said = words(template(units="in"))
    assert '" (95 %) for the pattern' in said


def test_what_was_not_seen_is_drawn_apart_and_said():
    traced = drawn_jobs.unseen(drawn_jobs.outline(zoo.knee(side="port")), 250, 330)
    pattern = drawn_jobs.laid(traced)
    drawn = template(pattern)
    (guessed,) = strokes(drawn, "guessed")
    points = np.vstack([s[0] for s in guessed.segments])
    assert points == pytest.approx(pattern.outline.ring.points_mm[249:330])
    assert "Dashed edge: NOT SEEN" in words(drawn)
    assert "not seen" in [label.text for label in drawn.labels]
    assert strokes(template(), "guessed") == []
    assert "NOT SEEN" not in words(template())


def test_an_edge_that_nobody_saw_is_all_guessed():
    traced = drawn_jobs.outline(zoo.knee(side="port"))
    pattern = drawn_jobs.laid(drawn_jobs.unseen(traced, 0, len(traced.ring.points_mm)))
    (guessed,) = strokes(template(pattern), "guessed")
    assert len(guessed.segments) == len(traced.ring.points_mm)


@pytest.mark.parametrize(
    ("flags", "runs"),
    [
        ([0, 0, 0, 0], []),
        ([1, 1, 1], [[0, 1, 2, 0]]),
        ([0, 1, 1, 0], [[1, 2, 3]]),
        ([1, 0, 0, 1], [[3, 0, 1]]),
        ([1, 0, 1, 0], [[2, 3], [0, 1]]),
    ],
)
def test_runs_go_round_the_end_of_a_ring(flags, runs):
    assert [r.tolist() for r in runs_of(np.array(flags, dtype=bool))] == runs


def test_the_line_is_straight_and_ticked_where_it_leaves_the_wood():
    pattern = drawn_jobs.pattern()
    drawn = template(pattern)
    (line,) = strokes(drawn, "centreline")
    assert line.segments[0][:, 0] == pytest.approx([0.0, 0.0], abs=0.02)
    assert line.segments[0][1, 1] > line.segments[0][0, 1]
    ticks = [s for s in drawn.strokes if s.name == "line-at-edge"]
    assert len(ticks) == 2
    ring = shapely.LinearRing(pattern.outline.ring.points_mm)
    for tick in ticks:
        (a, b) = tick.segments[0]
        assert shapely.LineString([a, b]).crosses(ring)
        assert abs(a[0]) < 0.02 and abs(b[0]) < 0.02  # noqa: PT018 - one line, two ends


def test_a_mirrored_copy_says_that_it_was_not_measured():
    copy = mirror(pattern=drawn_jobs.pattern(side="starboard"), options=None)
    drawn = template(copy)
    assert "MIRRORED COPY, not measured" in words(drawn)
    assert drawn.name == "port"


def test_a_job_has_a_template_for_each_measured_side_and_none_for_the_copy():
    both = build_templates(drawn_jobs.result())
    assert [t.name for t in both] == ["port", "starboard"]
    assert all(t.facts is drawn_jobs.FACTS and t.scale is drawn_jobs.TAPED for t in both)
    assert both[0].provenance["program"] == "spilemark 0.0.0"
    assert both[0].provenance["photo port.jpg"] == "0" * 64
    assert both[0].title == "Curlew, quarter knee, PORT"
    (single,) = build_templates(drawn_jobs.result(sides=("single",)))
    assert single.name == "single"


def test_no_arrow_points_forward_where_that_was_not_told():
    pattern = replace(drawn_jobs.pattern(), forward_known=False)
    drawn = template(pattern)
    assert not any(s.name == "forward" for s in drawn.strokes)
    assert "FWD" not in words(drawn)
    assert "Forward is up" not in words(drawn)
    assert "FORWARD: not told" in words(drawn)
    assert "WHICH END IS FORWARD WAS NOT TOLD" in words(drawn)


def test_a_pattern_that_ran_out_of_the_photo_claims_no_figure():
    whole = drawn_jobs.pattern()
    drawn = template(replace(whole, outline=replace(whole.outline, whole=False)))
    assert "for the pattern as it lay on the bench" not in words(drawn)
    assert "NOT WHOLE" in words(drawn)
    assert "NOT THE WHOLE PATTERN" in words(drawn)
