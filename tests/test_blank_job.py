"""Lamination and board of a job: asked before the photos are read, drawn and told after."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import drawn_jobs
import ezdxf
import numpy as np
import pytest
from shapely import LineString, Polygon, get_parts

from spilemark.blank.board import board_order, lay
from spilemark.blank.curves import FairedCurve, arc
from spilemark.blank.knee import laminate_curve
from spilemark.blank.orders import lamination_order
from spilemark.blank.throat import less_beyond_throat
from spilemark.blank.trial import TrialBend, trials_text
from spilemark.blank_job import BlankResult, _differ_mm, blank_request, blank_sums, part_lines
from spilemark.blank_parts import blank_summary, blank_table, blank_words, write_blank
from spilemark.errors import UnreadableInput, UsageError
from spilemark.jobfile import order_from, read_order
from spilemark.records import Side
from spilemark.results import JobResult
from spilemark.shop_job import shop_request, shop_sums
from spilemark.storage import existing_results

LAMINATION: dict[str, Any] = {
    "stack": "12 mm",
    "strips": "1.5 mm",
    "wood": "white oak",
    "width": "18 mm",
}
BOTH = ("port", "starboard")


def worked(
    lamination: dict[str, Any] | None = None,
    board: dict[str, Any] | None = None,
    shop: dict[str, Any] | None = None,
) -> JobResult:
    """A drawn job with its wood worked out."""
    result = drawn_jobs.result()
    asked = shop_request({}, shop or {}, BOTH, "The job file")
    done, _ = shop_sums(
        asked, result.patterns, result.comparison, result.facts, result.survey.scale
    )
    stock = (shop or {}).get("stock")
    request = blank_request(lamination or {}, board or {}, stock, "The job file")
    parts, notes = part_lines(result.patterns, done, result.facts, result.survey.scale)
    blank, more = blank_sums(request, parts)
    return replace(result, shop=done, blank=blank, notes=(*result.notes, *notes, *more))


def throat_of(result: JobResult) -> str:
    """The drawn knee's inside edge by its own name."""
    names = [e.name for e in result.patterns[Side.PORT].outline.edges]
    return next(n for n in names if "throat" in n)


def test_every_side_gets_form_block_and_layout(tmp_path: Path) -> None:
    result = worked(LAMINATION, {"size": "900 x 600 mm"})
    assert set(result.blank.knees) == {Side.PORT, Side.STARBOARD}
    files = {p.name for p in write_blank(result.blank, result.facts, tmp_path)}
    for side in BOTH:
        for name in ("form", "lamination", "layout", "board"):
            assert {f"{name}_{side}.svg", f"{name}_{side}.pdf", f"{name}_{side}.dxf"} <= files
    layers = {e.dxf.layer for e in ezdxf.readfile(tmp_path / "layout_port.dxf").modelspace()}
    assert {"KNEE", "LAMINATION", "FORM", "REFERENCE_LINE"} <= layers
    # All of them count as results, which --force may replace.
    assert {p.name for p in existing_results(tmp_path)} == files


def test_words_and_table_hold_the_same() -> None:
    result = worked(LAMINATION, {"size": "900 x 600 mm"})
    words = dict(blank_words(result.blank, result.facts))
    assert "FORM, male" in words["Lamination of port"][0]
    assert "IT FITS" in words["Wood for port"][0]
    table = blank_table(result.blank, result.facts)
    assert table is not None
    json.dumps(table, allow_nan=False)
    knee = result.blank.knees[Side.PORT]
    assert table["laminations"]["port"]["form_bend_deg"] == knee.lamination.form_bend_deg
    assert table["boards"]["port"]["fits"] is True
    told = " ".join(blank_summary(result.blank, result.facts))
    assert "Lamination of port" in told
    assert "one form" in told or "a form for each" in told


def test_sides_that_are_mirror_images_end_alike() -> None:
    result = worked(LAMINATION)
    assert result.blank.differ_mm is not None
    # The drawn outlines scatter by hundredths; what is judged by it is the job's tolerance.
    assert result.blank.differ_mm < 0.4 * result.facts.tolerance_mm


def test_sides_that_differ_by_a_degree_are_told_so() -> None:
    """The same radius, corners of 98° and 97°: walked along by plain sums, first arms together."""
    asked = lamination_order({**LAMINATION, "arms": 200.0}, "The command")
    knees = {
        side: laminate_curve(
            FairedCurve(curve=arc(160.0, np.radians(180.0 - corner)), off_mm=0.0), asked
        )
        for side, corner in ((Side.PORT, 98.0), (Side.STARBOARD, 97.0))
    }

    def toe(corner: float, length: float) -> Any:
        radius, turn = 160.0 + 6.0, np.radians(180.0 - corner)
        on = length - 200.0 - radius * turn
        return np.array(
            [
                200.0 + radius * np.sin(turn) + on * np.cos(turn),
                radius * (1.0 - np.cos(turn)) + on * np.sin(turn),
            ]
        )

    shorter = 400.0 + 166.0 * np.radians(82.0)
    expected = np.linalg.norm(toe(98.0, shorter) - toe(97.0, shorter))
    assert expected > 3.0
    assert _differ_mm(knees) == pytest.approx(expected, abs=0.01)


def test_nothing_asked_is_nothing_said(tmp_path: Path) -> None:
    result = worked()
    assert not result.blank
    assert blank_table(result.blank, result.facts) is None
    assert blank_words(result.blank, result.facts) == []
    assert write_blank(result.blank, result.facts, tmp_path) == ()
    assert not BlankResult().below


def test_the_stock_of_the_shop_is_the_width() -> None:
    told = {k: v for k, v in LAMINATION.items() if k != "width"}
    result = worked(told, shop={"stock": "22 mm", "saw": ["2 mm"]})
    assert result.blank.knees[Side.PORT].order.cutting.width_mm == 22.0
    with pytest.raises(UsageError, match="how wide"):
        blank_request(told, {}, None, "The job file")


def test_what_must_come_out_of_the_board_is_the_cutting_line() -> None:
    plain = worked(board={"size": "900 x 600 mm"}).blank.laid[Side.PORT]
    sawn = worked(board={"size": "900 x 600 mm"}, shop={"saw": ["5 mm"]}).blank.laid[Side.PORT]
    assert sawn.placement is not None
    assert plain.placement is not None
    # 5 mm along its edges, up to 1.6 times that at its corners of 90 degrees and less.
    less = plain.placement.margin_mm - sawn.placement.margin_mm
    assert 4.9 < less < 8.0


def test_a_board_that_is_too_small_says_how_much_and_what_to_buy() -> None:
    result = worked(board={"size": "200 x 100 mm"})
    assert result.blank.below
    note = next(n for n in result.notes if n.code == "blank-too-small")
    assert "DOES NOT FIT" in note.text
    words = dict(blank_words(result.blank, result.facts))["Wood for port"]
    assert any("Smallest board" in line for line in words)


def test_too_tight_a_bend_is_a_note_with_numbers() -> None:
    result = worked(LAMINATION | {"stack": "24 mm", "strips": 2})
    note = next(n for n in result.notes if n.code == "bend-too-tight")
    assert note.value is not None
    assert "white oak" in note.text


def test_an_edge_that_is_not_there_leaves_the_template_alone() -> None:
    result = worked(LAMINATION | {"throat": "belly"})
    assert result.blank.left_out == (Side.PORT, Side.STARBOARD)
    assert result.blank.below
    assert any("belly" in n.text for n in result.notes if n.code == "blank-left-out")


def test_one_side_may_be_named() -> None:
    assert set(worked(LAMINATION | {"side": "port"}).blank.knees) == {Side.PORT}


def test_tables_are_read_with_the_job_and_their_paths_from_its_folder(tmp_path: Path) -> None:
    bends = (TrialBend(strips=6, ideal=1 / 36, form_bend_deg=92.0, bend_deg=88.0),)
    (tmp_path / "trials.toml").write_text(trials_text(bends), encoding="utf-8")
    job = tmp_path / "job.toml"
    lines = [
        "[port]",
        'photos = ["p.jpg"]',
        "[lamination]",
        'stack = "18 mm"',
        "strips = 9",
        'wood = "oak"',
        'width = "18 mm"',
        'trials = "trials.toml"',
        "[board]",
        'size = "24 x 8 in"',
    ]
    job.write_text("\n".join(lines), encoding="utf-8")
    order = read_order(job, {})
    assert order.blank.lamination is not None
    assert order.blank.lamination.factor.bends == 1
    assert order.blank.board is not None
    assert order.blank.board.size_mm == pytest.approx((609.6, 203.2))


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"lamination": {"strips": 9, "wood": "oak", "width": 18}}, "how thick the stack is"),
        ({"lamination": LAMINATION | {"wood": "sapelle"}}, "sapele"),
        ({"lamination": LAMINATION | {"strips": 1}}, "springs back straight"),
        ({"lamination": LAMINATION | {"hole": 120}}, "cannot be drawn"),
        ({"board": {"size": "600"}}, "no length and width"),
        ({"board": {"size": "600 x 200", "points": [[0, 0], [1, 0], [0, 1]]}}, "Keep one|by size"),
        ({"board": {"points": [[0, 0], [1, 0]]}}, "three or more"),
        ({"board": {"size": "600 x 200", "defects": ["3, 4"]}}, "not x, y and radius"),
        ({"board": {"sise": "600 x 200"}}, "size"),
        ({"board": {"points": [[0, 0], [9, 0], [0, 9]], "pair": True}}, "straight board"),
        ({"board": {"size": "600 x 200", "follow": "throat"}}, "none with a name"),
        ({"lamination": 3}, "table"),
    ],
)
def test_a_slip_is_told_before_a_photo_is_read(table: dict[str, Any], words: str) -> None:
    told = {"port": {"photos": ["p.jpg"]}, **table}
    with pytest.raises(UsageError, match=words):
        order_from(told, "The job file")


def test_a_missing_file_of_trials_is_told() -> None:
    told = {"port": {"photos": ["p.jpg"]}, "lamination": LAMINATION | {"trials": "none.toml"}}
    with pytest.raises(UnreadableInput, match=r"none\.toml"):
        order_from(told, "The job file")


def test_a_job_without_these_tables_imports_nothing_of_them() -> None:
    code = (
        "import sys; import spilemark.job, spilemark.report, spilemark.summary; "
        "print([m for m in sys.modules if m.startswith('spilemark.blank.')])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


STANDING = {
    "stock": "18 mm",
    "bevels": ["hull edge = 15 standing", "transom edge = 15 standing"],
    "saw": ["2 mm"],
}


def test_the_corner_block_holds_the_far_face_of_standing_bevels_and_what_the_saw_takes() -> None:
    result = worked(LAMINATION, shop=STANDING)
    for side in (Side.PORT, Side.STARBOARD):
        block = result.blank.knees[side].block
        assert block is not None
        cutting = Polygon(result.blank.parts[side].cutting.points_mm)
        behind = cutting.difference(Polygon(result.blank.knees[side].band_mm).buffer(0.5))
        net = Polygon(block.net_mm)
        corner = max(get_parts(behind), key=lambda p: p.intersection(net).area)
        # All of the cutting line behind the lamination lies within what is to be sawn.
        left = corner.difference(Polygon(block.cut_mm).buffer(1e-6))
        assert left.intersection(net.buffer(10.0)).area < 1.0
        finished = Polygon(result.blank.parts[side].finished.points_mm)
        assert net.difference(finished).area > 100.0


def test_a_lamination_as_the_blank_of_its_own_part_is_followed_by_the_throat() -> None:
    """With room for the saw round the part, which along the lamination's own face there is not."""
    result = worked(LAMINATION, shop={"saw": ["2 mm"]})
    lines = result.blank.parts[Side.PORT]
    name = throat_of(result)
    throat = lines.finished.points_mm[lines.finished.indices(lines.finished.edge(name))]
    ring, _ = less_beyond_throat(lines.cutting.points_mm, lines.finished, name)
    # Nothing is left beyond the throat, and 2 mm less all along it.
    beyond = Polygon(ring).difference(Polygon(lines.finished.points_mm))
    assert beyond.distance(LineString(throat).interpolate(0.5, normalized=True)) > 20.0
    cut_off = Polygon(lines.cutting.points_mm).area - Polygon(ring).area
    assert cut_off == pytest.approx(2.0 * LineString(throat).length, rel=0.1)
    # Wood that ends at the throat, and has 5 mm more than the cutting line elsewhere.
    roomy = Polygon(lines.cutting.points_mm).buffer(5.0, join_style="mitre")
    wood, inside = less_beyond_throat(np.asarray(roomy.exterior.coords)[:-1], lines.finished, name)
    order = replace(
        board_order({"points": wood.tolist(), "saw": 3.0}, "The command"),
        follow_mm=inside,
        follow_within_mm=0.5,
        throat=name,
    )
    laid = lay(lines.finished, order, lines.cutting.points_mm)
    assert laid.fits
    assert laid.placement is not None
    assert 3.0 <= laid.placement.margin_mm < 8.0
    assert laid.placement.spare_mm.min() > 2.9


def test_a_pair_of_two_measured_sides_is_told_once() -> None:
    wide = worked(LAMINATION | {"pair": True})
    told = dict(blank_words(wide.blank, replace(wide.facts, tolerance_mm=50.0)))
    assert "ONE side" in told["One form or two"][0]
    tight = dict(blank_words(wide.blank, replace(wide.facts, tolerance_mm=0.001)))
    assert "leave pair out" in tight["One form or two"][0]


def test_one_board_is_not_promised_twice() -> None:
    result = worked(board={"size": "900 x 600 mm"})
    told = dict(blank_words(result.blank, result.facts))
    assert any("alone" in line for line in told["Wood for starboard"])
    assert not any("alone" in line for line in told["Wood for port"])
