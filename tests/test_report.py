"""report.json: every key that is promised, true numbers, strict JSON, equal bytes."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import drawn_jobs
import numpy as np
import pytest
import shapely
import shapes as zoo
from shapely import Polygon

from spilemark.curves import segments_to_polyline
from spilemark.errors import CannotWrite
from spilemark.frames import signed_area
from spilemark.records import Note, Side
from spilemark.report import report, write_report
from spilemark.results import JobResult
from spilemark.template import build_templates
from spilemark.uncertainty import u95_datum, u95_fit

# The schema as it was agreed: a reader of another program may rely on these.
TOP = {"schema", "units", "frame", "job", "patterns", "comparison", "notes", "provenance"}
PATTERN = {
    "measured", "outline_mm", "sigma_mm", "u95_fit_mm", "u95_datum_mm", "seen", "holes_mm",
    "marks_mm", "centreline_mm", "corners_mm", "edges", "scale", "registration", "seen_percent",
    "photos", "budget", "drawn_width_mm", "holes", "marks", "drawn",
}  # fmt: skip
COMPARISON = {
    "datum", "tolerance_mm", "stations", "rigid", "verdict", "one_part_serves_both", "take_off",
}  # fmt: skip
NOTE = {"code", "severity", "text", "value", "unit", "at_mm"}
STATION = {"s_mm", "edge", "gap_mm", "u95_mm", "verdict"}


def strict(constant: str) -> float:
    raise AssertionError(f"{constant} is not JSON")


def written(job: JobResult, folder) -> dict:
    text = write_report(job, folder).read_text(encoding="utf-8")
    return json.loads(text, parse_constant=strict)


@pytest.fixture(scope="module")
def job() -> JobResult:
    note = Note(code="glare", severity="info", text="Ä reflection", photo="port.jpg",
                at_px=(3.25, 4.0), value=math.nan, unit="px")  # fmt: skip
    traced = drawn_jobs.unseen(drawn_jobs.outline(zoo.knee(side="port", hole=True)), 40, 90)
    bumped = zoo.knee(side="starboard", bump_mm=(200.0, 4.0, 60.0))
    return drawn_jobs.result(port=traced, starboard=bumped, notes=(note,))


@pytest.fixture(scope="module")
def told(job, tmp_path_factory) -> dict:
    return written(job, tmp_path_factory.mktemp("report"))


def test_every_promised_key_is_there(told):
    assert told.keys() >= TOP
    assert told["schema"] == 1
    assert told["units"] == "mm"
    assert set(told["patterns"]) == {"port", "starboard"}
    for pattern in told["patterns"].values():
        assert pattern.keys() >= PATTERN
        assert pattern["scale"].keys() >= {"basis", "sigma_relative"}
        assert pattern["registration"].keys() >= {"angle_sigma_rad", "offset_sigma_mm"}
        assert all(e.keys() >= {"name", "from", "to", "length_mm", "straight"}
                   for e in pattern["edges"])  # fmt: skip
        assert all(c.keys() == {"cause", "u95_mm_at_worst", "shared"} for c in pattern["budget"])
        # Grain is each place's own; everything else moves the outline as a whole.
        assert [c["cause"] for c in pattern["budget"] if not c["shared"]] == ["edge noise"]
    assert told["comparison"].keys() >= COMPARISON
    assert all(s.keys() >= STATION for s in told["comparison"]["stations"])
    assert told["comparison"]["rigid"].keys() >= {"turn_deg", "turn_u95_deg", "shift_mm"}
    assert all(n.keys() >= NOTE for n in told["notes"])
    assert told["provenance"].keys() >= {"photos", "options", "versions"}
    assert all(p.keys() >= {"name", "sha256"} for p in told["provenance"]["photos"])


def test_rings_wind_as_promised_and_do_not_repeat_their_first_point(job, told):
    for side, pattern in told["patterns"].items():
        ring = np.array(pattern["outline_mm"])
        assert signed_area(ring) > 0
        assert not np.allclose(ring[0], ring[-1])
        assert Polygon(ring).is_valid
        for hole in pattern["holes_mm"]:
            assert signed_area(np.array(hole)) < 0
        assert ring == pytest.approx(job.patterns[side].outline.ring.points_mm, abs=5.1e-5)
    assert len(told["patterns"]["port"]["holes_mm"]) == 1


def test_doubts_are_those_of_the_pattern_point_by_point(job, told):
    for side, pattern in told["patterns"].items():
        known = job.patterns[side]
        for key, values in (
            ("u95_fit_mm", u95_fit(known.outline.ring)),
            ("u95_datum_mm", u95_datum(known)),
            ("sigma_mm", known.outline.ring.sigma_mm),
        ):
            assert pattern[key] == pytest.approx(values.tolist(), abs=5.1e-5)
            assert len(pattern[key]) == len(pattern["outline_mm"])
        assert pattern["seen"] == known.outline.ring.seen.tolist()
        assert pattern["seen_percent"] == pytest.approx(100 * known.outline.seen_fraction, abs=0.01)
    assert told["patterns"]["port"]["seen_percent"] < 100


def test_the_budget_adds_up_to_the_worst_doubt(job, told):
    for pattern in told["patterns"].values():
        parts = [c["u95_mm_at_worst"] for c in pattern["budget"]]
        assert parts == sorted(parts, reverse=True)
        assert math.hypot(*parts) == pytest.approx(pattern["u95_worst_datum_mm"], rel=1e-3)


def test_edges_run_from_corner_to_corner(told):
    for pattern in told["patterns"].values():
        ring = np.array(pattern["outline_mm"])
        for edge in pattern["edges"]:
            stop = edge["to"] + (len(ring) if edge["to"] <= edge["from"] else 0)
            points = ring[np.arange(edge["from"], stop + 1) % len(ring)]
            length = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
            assert edge["length_mm"] == pytest.approx(length, rel=2e-3)
        corners = {tuple(c) for c in pattern["corners_mm"].values()}
        assert "outer" in pattern["corners_mm"]
        assert {tuple(ring[e["from"]]) for e in pattern["edges"]} <= corners
        assert len(corners) == len(pattern["corners_mm"])


def test_the_comparison_is_the_one_of_its_first_alignment(job, told):
    comparison, found = job.comparison, told["comparison"]
    first = comparison.alignments[0]
    assert found["datum"] == first.datum == "centreline"
    assert found["verdict"] == comparison.verdict
    assert found["one_part_serves_both"] is comparison.one_part_serves_both
    assert len(found["stations"]) == len(first.stations)
    for one, station in zip(found["stations"], first.stations, strict=True):
        assert one["verdict"] == str(station.verdict)
        assert one["edge"] == station.edge
        if math.isfinite(station.gap_mm):
            assert one["gap_mm"] == pytest.approx(station.gap_mm, abs=5.1e-5)
        else:
            assert one["gap_mm"] is None
    assert [a["datum"] for a in found["alignments"]] == [a.datum for a in comparison.alignments]
    widest = found["alignments"][0]["gap_mm"]
    assert len(widest) == len(told["patterns"]["port"]["outline_mm"])
    assert None in widest
    assert len(found["take_off"]) == len(comparison.take_off)
    assert {"port_length_mm", "starboard_length_mm"} <= found["edges"][0].keys()
    assert found["area_mm2"][0] == pytest.approx(comparison.area_mm2[0], abs=0.06)


def test_what_the_cards_said_is_there(told):
    (port, _) = told["cards"]
    assert port["photo"] == "port.jpg"
    card = port["cards"][0]
    assert (card["name"], card["crossings"], card["kept"]) == ("A", 21, 20)
    assert card["lift_mm"] == 0.12
    assert (card["edge_shift_px"], card["edge_shift_mm"]) == (-0.08, -0.02)
    assert 0.02 < card["residual_rms_px"] < 0.1
    assert told["patterns"]["port"]["scale"]["print_scale"] == [0.998, 0.999]


def test_what_is_not_known_is_null_and_numbers_are_rounded(job, told, tmp_path):
    note = next(n for n in told["notes"] if n["code"] == "glare")
    assert note["value"] is None
    assert note["at_px"] == [3.2, 4.0]
    assert note["text"] == "Ä reflection"
    text = write_report(job, tmp_path).read_text(encoding="utf-8")
    outline = text.split('"outline_mm": ')[1].split('"sigma_mm"')[0]
    decimals = [len(n.split(".")[1]) for n in outline.replace("[", "").replace("]", "").split(",")
                if "." in n]  # fmt: skip
    assert max(decimals) == 4
    assert "-0.0," not in outline


def test_the_fixed_words_stand_with_the_figure(told):
    for pattern in told["patterns"].values():
        # Rounded up: a doubt is never said too small.
        said = math.ceil(100 * pattern["u95_worst_fit_mm"] - 1e-6) / 100
        assert pattern["fixed_words"] == (
            f"±{said:.2f} mm (95 %) for the pattern as it lay on the bench."
            " Not included: the scribing itself (often 1 to 2 mm), the hull, this paper."
        )


def test_a_nominal_scale_claims_no_size():
    job = drawn_jobs.result(sides=("port",), scale=drawn_jobs.NOMINAL)
    pattern = report(job)["patterns"]["port"]
    assert pattern["scale"]["basis"] == "nominal"
    assert pattern["fixed_words"].startswith("NO ABSOLUTE SIZE IS CLAIMED")


def test_one_side_has_no_comparison_and_a_part_on_the_centreline_is_single():
    alone = report(drawn_jobs.result(sides=("starboard",)))
    assert alone["comparison"] is None
    assert set(alone["patterns"]) == {"starboard"}
    assert set(report(drawn_jobs.result(sides=("single",)))["patterns"]) == {"single"}


def test_the_frame_is_the_boats_only_where_the_line_was_placed_in_it():
    facts = replace(drawn_jobs.FACTS, centreline_offset_mm=410.0)
    assert report(drawn_jobs.result(facts=facts))["frame"] == "boat"
    assert report(drawn_jobs.result())["frame"] == "pattern"


def test_without_a_line_there_is_none(tmp_path):
    told = written(drawn_jobs.result(sides=("port",), port=zoo.knee(side="port", line_mm=None)),
                   tmp_path)  # fmt: skip
    pattern = told["patterns"]["port"]
    assert pattern["centreline_mm"] is None
    assert pattern["datum"] == "corner and edge"


def test_equal_results_give_equal_bytes_and_no_clock_is_in_them(job, tmp_path):
    one = write_report(job, tmp_path)
    assert one.name == "report.json"
    first = one.read_bytes()
    again = replace(job, timings_s={"trace": 99.0})
    assert write_report(again, tmp_path).read_bytes() == first
    assert b"timings" not in first
    assert json.loads(first)["job"]["date"] == "2026-05-14"
    with pytest.raises(CannotWrite, match="cannot be written"):
        write_report(job, tmp_path / "gone")


def test_the_drawn_edge_is_no_farther_from_the_points_than_is_said(job, told):
    pattern = job.patterns[Side.PORT]
    (ring,) = [s for s in build_templates(job)[0].strokes if s.style == "outline"]
    dense = segments_to_polyline(ring.segments, spacing_mm=0.1)
    away = shapely.distance(
        shapely.LineString(dense), shapely.points(pattern.outline.ring.points_mm)
    )
    said = told["patterns"]["port"]["drawn"]
    assert away.max() <= said["largest_distance_mm"] + 1e-3
    assert said["largest_distance_mm"] <= told["patterns"]["port"]["curve_tolerance_mm"] + 1e-9
    assert said["curves"] + said["straight_lines"] == len(ring.segments)
