from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Any

import pytest

from spilemark.errors import UnreadableInput, UsageError
from spilemark.jobfile import JobOrder, order_from, read_order
from spilemark.jobvalues import tape_sigma_mm
from spilemark.printers import PrinterProfile, store_printer
from spilemark.records import EdgeRule

WHOLE = """
boat = "Dunlin 14"
part = "quarter knee"
date = 2026-05-14
out = "knee"
units = "in"
paper = "letter"
thickness = "3.1 mm ± 0.05"
cards = "mycards.toml"
cards_on = "pattern"
printed_bar = [99.6, 99.8]
distances = ["A-H = 742.5 mm ± 0.2", "B – C = 29 1/4in"]
centreline_offset = "410 mm"
tolerance = 2
line_doubt = "0.2 mm"
recipe = "recipe.toml"
edge = "cut"

[port]
photos = ["port.jpg", "port 2.jpg"]
centreline = [410, 2210, 3550, 2190]
forward = [2000, 300.5]
face = "up"

[starboard]
photos = ["stbd.jpg"]
face = "down"
edge = "scribed"
line_from_edge = "Square  to transom edge"

[edge_names]
"edge 1" = "hull edge"
"""


def job(folder: Path, text: str) -> Path:
    path = folder / "job.toml"
    path.write_text(text, encoding="utf-8")
    return path


def ordered(**table: Any) -> JobOrder:
    return order_from({"port": {"photos": ["p.jpg"]}} | table, "The job file job.toml")


def told(**table: Any) -> str:
    with pytest.raises(UsageError) as caught:
        ordered(**table)
    return str(caught.value)


def test_a_whole_job_file(tmp_path: Path) -> None:
    order = read_order(job(tmp_path, WHOLE), {})
    facts = order.facts
    assert (facts.boat, facts.part, facts.date) == (
        "Dunlin 14",
        "quarter knee",
        dt.date(2026, 5, 14),
    )
    assert (facts.units, facts.paper, facts.cards_on) == ("in", "letter", "pattern")
    assert (facts.thickness_mm, facts.thickness_sigma_mm) == (3.1, 0.05)
    assert facts.printed_bar_mm == (99.6, 99.8)
    assert facts.distances[0] == ("A", "H", 742.5, 0.2)
    assert facts.distances[1][:2] == ("B", "C")
    assert facts.distances[1][2] == pytest.approx(742.95)
    assert (facts.centreline_offset_mm, facts.tolerance_mm, facts.line_doubt_mm) == (410, 2, 0.2)
    assert facts.centreline_px == {"port": (410, 2210, 3550, 2190)}
    assert facts.forward_px == {"port": (2000, 300.5)}
    assert facts.face == {"port": "up", "starboard": "down"}
    assert facts.line_from_edge == {"starboard": EdgeRule(True, "transom edge")}
    assert facts.edge["port"] == "cut"
    assert facts.edge["starboard"] == "scribed"
    assert facts.edge_names == {"edge 1": "hull edge"}
    assert order.photos == {
        "port": (tmp_path / "port.jpg", tmp_path / "port 2.jpg"),
        "starboard": (tmp_path / "stbd.jpg",),
    }
    assert (order.cards, order.recipe) == (tmp_path / "mycards.toml", tmp_path / "recipe.toml")
    assert order.out == tmp_path / "knee"


def test_the_command_line_wins_and_its_paths_are_its_own(tmp_path: Path) -> None:
    said = {"out": "here", "thickness": "6mm", "port": {"photos": ["new.jpg"]}}
    order = read_order(job(tmp_path, WHOLE), said)
    assert order.out == Path("here")
    assert order.photos["port"] == (Path("new.jpg"),)
    assert order.facts.forward_px == {}  # it was told in pixels of another photo
    assert (order.facts.thickness_mm, order.facts.thickness_sigma_mm) == (6.0, 0.1)


SIDED = """
thickness = "3 mm"
[port]
photos = ["p.jpg"]
thickness = "6.18 mm ± 0.05"
[starboard]
photos = ["s.jpg"]
"""


def test_a_side_may_have_a_thickness_of_its_own(tmp_path: Path) -> None:
    facts = read_order(job(tmp_path, SIDED), {}).facts
    assert facts.thickness_for("port") == (6.18, 0.05)
    assert facts.thickness_for("starboard") == (3.0, 0.1)
    # Said anew of all patterns on the command line, it is so of all.
    facts = read_order(job(tmp_path, SIDED), {"thickness": "5mm"}).facts
    assert facts.thickness_for("port") == facts.thickness_for("starboard") == (5.0, 0.1)
    facts = read_order(job(tmp_path, SIDED), {"starboard": {"thickness": "6.03"}}).facts
    assert facts.thickness_for("port") == (6.18, 0.05)
    assert facts.thickness_for("starboard") == (6.03, 0.1)


def test_patterns_in_one_photo_have_one_thickness() -> None:
    table = {"both": {"photos": ["b.jpg"]}, "port": {"thickness": "6"}}
    with pytest.raises(UsageError, match="both patterns lie in the same photo"):
        order_from(table, "The job")


def test_what_is_not_said_has_the_documented_default() -> None:
    facts = ordered().facts
    assert (facts.thickness_mm, facts.printed_bar_mm, facts.distances) == (None, None, ())
    assert (facts.tolerance_mm, facts.line_doubt_mm) == (1.5, 0.15)
    assert (facts.units, facts.paper, facts.cards_on) == ("mm", "a4", "bench")


def test_a_batten_is_read_with_a_steel_rule() -> None:
    table = {"port": {"photos": ["p.jpg"]}, "battens": ["A-B = 800.2 mm", "C-D = 700±0.3"]}
    battens = order_from(table, "The job").battens
    assert [b.cards for b in battens] == [("A", "B"), ("C", "D")]
    # A steel rule's reading, as in the card-set file of the README: common practice.
    assert [b.sigma_mm for b in battens] == [0.1, 0.3]


def test_a_misspelt_key_is_named_with_the_nearest_right_one(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r'unknown key "thikness"\. Did you mean "thickness"'):
        read_order(job(tmp_path, 'thikness = "3mm"'), {})


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"port": {"photo": ["p.jpg"]}}, 'unknown key "photo". Did you mean "photos"'),
        ({"thickness": "three"}, 'thickness: "three" is not a length'),
        ({"thickness": "310mm"}, "not between 0.1 and 150 mm"),
        ({"thickness": math.nan}, "not between"),
        ({"thickness": True}, "thickness"),
        ({"tolerance": "0mm"}, "not between"),
        ({"line_doubt": "3mm±9"}, "doubted by more"),
        ({"units": "cubits"}, "units"),
        ({"paper": "b4"}, "paper"),
        ({"date": "yesterday"}, "date"),
        ({"boat": 7}, "text"),
        ({"distances": ["A-A=700mm"]}, "names the card A twice"),
        ({"battens": ["A-A=700mm"]}, 'the batten "A-A=700mm" names the card A twice'),
        ({"battens": ["A-B=7mm"]}, "batten A-B"),
        ({"distances": ["AH=700mm"]}, "not two cards and a length"),
        ({"distances": ["A-H="]}, "not two cards and a length"),
        ({"distances": ["A-H=7mm"]}, "not between 20"),
        ({"distances": "A-H=700mm"}, "a list"),
        ({"printed_bar": 101.6 * 2}, "steel rule"),
        ({"printed_bar": [99, 99, 99]}, "steel rule"),
        ({"port": {"photos": ["p.jpg"], "centreline": [1, 2, 3]}}, "not 4 numbers"),
        ({"port": {"photos": ["p.jpg"], "centreline": [1, 2, 1, 2]}}, "lie on each other"),
        ({"port": {"photos": ["p.jpg"], "forward": [1, math.inf]}}, "not 2 numbers"),
        ({"port": {"photos": ["p.jpg"], "face": "sideways"}}, "sideways"),
        ({"edge": "drawn"}, "drawn"),
        ({"port": {"photos": ["p.jpg"], "line_from_edge": "hull edge"}}, "along hull edge"),
        ({"port": ["p.jpg"]}, "port is a table"),
        ({"edge_names": {"a": 1}}, "texts only"),
        ({"both": {"photos": ["b.jpg"]}}, "Take one of the two ways"),
        ({"single": {"photos": ["b.jpg"]}}, "a job of its own"),
        ({"starboard": {"face": "up"}}, "no photo of it"),
    ],
)
def test_impossible_values_are_told_in_words(table: dict[str, Any], words: str) -> None:
    assert words in told(**table)


@pytest.mark.parametrize(
    ("said", "bars"),
    [
        (99.6, (99.6, 99.6)),
        ([99.6, 99.8], (99.6, 99.8)),
        ("99.6", (99.6, 99.6)),
        ("99,6", (99.6, 99.6)),
        ("99.6,99.8", (99.6, 99.8)),
        ("99,6,99,8", (99.6, 99.8)),
        ("99,6 x 99,8", (99.6, 99.8)),
        ("100,100", (100.0, 100.0)),
        # The other bar is 4 in long: 3 63/64 in on it is 99.609 on the 100 mm one.
        ('3 63/64"', (99.609375, 99.609375)),
    ],
)
def test_measured_bars(said: Any, bars: tuple[float, float]) -> None:
    assert ordered(printed_bar=said).facts.printed_bar_mm == pytest.approx(bars)


def test_bars_that_can_be_read_two_ways_are_asked_about() -> None:
    assert "one bar of 99.98 or two bars" in told(printed_bar="99,98")


def test_a_tape_is_doubted_by_its_class() -> None:
    # Directive 2014/32/EU, annex X (MI-008), class II: +-0.5 mm up to 1 m, +-0.7 up to 2 m.
    assert tape_sigma_mm(742.5) == pytest.approx(0.5 / math.sqrt(3))
    assert tape_sigma_mm(1742.5) == pytest.approx(0.7 / math.sqrt(3))
    assert ordered(distances=["A-H=742.5"]).facts.distances[0][3] == pytest.approx(0.2887, abs=1e-4)


def test_both_patterns_in_one_photo_may_be_told_apart_by_side() -> None:
    order = order_from(
        {
            "both": {"photos": ["b.jpg"], "forward": [5, 6], "face": "down"},
            "port": {"centreline": [0, 0, 50, 0]},
        },
        "The job",
    )
    assert order.photos == {"both": (Path("b.jpg"),)}
    assert order.facts.forward_px == {"both": (5, 6)}
    assert order.facts.centreline_px == {"port": (0, 0, 50, 0)}
    assert order.facts.face == {"port": "down", "starboard": "down"}


def test_files_that_are_no_job(tmp_path: Path) -> None:
    with pytest.raises(UnreadableInput, match="No such file"):
        read_order(tmp_path / "none.toml", {})
    with pytest.raises(UnreadableInput, match="line 1"):
        read_order(job(tmp_path, "thickness = 3.1 mm"), {})
    (tmp_path / "job.toml").write_bytes(b"\xff\xd8\xff\xe0 a photo")
    with pytest.raises(UnreadableInput, match="not plain text"):
        read_order(tmp_path / "job.toml", {})


def test_a_job_file_saved_by_an_editor_with_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text('boat = "Möwe"', encoding="utf-8-sig")
    assert read_order(path, {}).facts.boat == "Möwe"


def test_a_named_printer_brings_its_paper(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SPILEMARK_CONFIG", str(tmp_path))
    store_printer(
        PrinterProfile(name="shop", paper="letter", across_mm=99.8, along_mm=100.2, measured=None)
    )
    facts = order_from({"printer": "shop"}, "here").facts
    assert (facts.printer, facts.paper) == ("shop", "letter")
    assert order_from({"printer": "shop", "paper": "letter"}, "here").facts.paper == "letter"
    assert order_from({}, "here").facts.paper == "a4"
    with pytest.raises(UsageError, match="measured on letter, not on a4"):
        order_from({"printer": "shop", "paper": "a4"}, "here")
    with pytest.raises(UsageError, match=r'No printer "shpo" was measured\. Did you mean "shop"'):
        order_from({"printer": "shpo"}, "here")


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"printed_bar": "99,98,97"}, "is not two numbers"),
        ({"printed_bar": [99.0, 98.0, 97.0]}, "is not two numbers"),
        ({"distances": ["A-A=700"]}, "names the card A twice"),
        ({"distances": ["A-A"]}, "names the card A twice"),
        ({"tolerance": "-1"}, "tolerance = -1 is below zero"),
        ({"centreline_offset": "−3 mm"}, "below zero"),
    ],
)
def test_a_slip_is_told_in_plain_words(table: dict[str, Any], words: str) -> None:
    assert words in told(**table)
    assert "feet-inches" not in told(**table)
