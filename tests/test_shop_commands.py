"""The shop commands: what they say, write and refuse."""

from __future__ import annotations

import json
import math
import re
import shlex
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from click.testing import CliRunner, Result
from shop_zoo import knee
from svgelements import SVG, Polyline
from test_shop_fitted import report

from spilemark import wording
from spilemark.commands import Examples
from spilemark.errors import (
    EXIT_BELOW_LIMIT,
    EXIT_DONE,
    CannotWrite,
    SpilemarkError,
    UnreadableInput,
    UsageError,
    WouldOverwrite,
)
from spilemark.shop.outlines import mirrored
from spilemark.shop_commands import SHOP_COMMANDS

BY_NAME = {command.name: command for command in SHOP_COMMANDS}
HEAVY = ("numpy", "cv2", "shapely", "scipy", "skimage", "PIL", "reportlab", "svgwrite", "pluggy",
         "msgspec", "spilemark_stages")  # fmt: skip
TAPES = "--port-diagonal 4049.9mm --starboard-diagonal 4039.6mm --breadth 1200mm"


def run(line: str) -> Result:
    name, *words = shlex.split(line)
    done = CliRunner().invoke(BY_NAME[name], words, standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done


def words(done: Result) -> str:
    """Everything on stdout, with line breaks and bullets taken out."""
    return re.sub(r"\s+", " ", done.stdout)


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in which knee/report.json holds both sides, 1.1 degrees unlike at the corner."""
    monkeypatch.chdir(tmp_path)
    Path("knee").mkdir()
    turned = knee()
    a = math.radians(-1.0)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    turned = replace(turned, points_mm=turned.points_mm @ turn.T)
    table: dict[str, Any] = report(port=knee(), starboard=mirrored(turned))
    for pattern in table["patterns"].values():
        pattern["scale"] = {"basis": "taped"}
        pattern["fixed_words"] = "±0.42 mm (95 %) for the pattern as it lay on the bench."
    table["comparison"] = {
        "corners": [
            {"name": "outer", "port_deg": 92.1, "starboard_deg": 93.2, "difference_u95_deg": 0.2},
            {
                "name": "hull arm",
                "port_deg": 90.0,
                "starboard_deg": 90.0,
                "difference_u95_deg": None,
            },
        ],
        "datum": "centreline",
        # Of the whole outlines, which is another thing than that of their transom edges.
        "rigid": {"turn_deg": -0.4, "turn_u95_deg": 0.2},
    }
    Path("knee/report.json").write_text(json.dumps(table))
    return tmp_path


def test_importing_the_commands_imports_nothing_heavy() -> None:
    code = (
        "import sys; import spilemark.shop_commands; "
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("command", SHOP_COMMANDS, ids=lambda c: c.name)
def test_three_examples_that_the_parser_takes(command: click.Command) -> None:
    assert isinstance(command, Examples)
    assert len(command.examples) >= 3
    for example in command.examples:
        program, name, *arguments = shlex.split(example)
        assert (program, name) == ("spilemark", command.name)
        command.make_context(name, arguments)


@pytest.mark.parametrize("command", SHOP_COMMANDS, ids=lambda c: c.name)
def test_units_and_defaults_stand_in_the_help(command: click.Command) -> None:
    text = re.sub(r"\s+", " ", CliRunner().invoke(command, ["--help"]).stdout)
    assert "Examples:" in text
    assert " mm" in text


def test_horn(shop: Path) -> None:
    said = words(run(f"horn {TAPES}"))
    assert "The port corner is 10.4 mm ±" in said
    assert "also shifted" in said
    assert "winding sticks" in said
    assert wording.HULL in said.replace(" - ", " ")
    table = json.loads(run(f"horn {TAPES} --json").stdout)
    assert table["skew_deg"] == pytest.approx(0.4971, abs=1e-3)
    assert table["schema"] == 1
    assert table["after"] == "port"


def test_horn_beside_a_comparison(shop: Path) -> None:
    said = words(run(f"horn {TAPES} --comparison knee"))
    assert "differ in angle at the outer corner by 1.10°" in said
    assert "turn of the transom edge against the pencil lines by −1.00° ± 0.28°" in said
    assert said.count("The hull explains it") == 2
    # Squared off the transom, the lines turned with it: the corner alone tells.
    said = words(run(f"horn {TAPES} --comparison knee --line-from transom"))
    assert said.count("The hull explains it") == 1
    assert "against the pencil lines" not in said
    fixed = words(run(f"horn {TAPES} --comparison knee/report.json --fixed"))
    assert "each side needs its own part" in fixed
    assert "square the hull and scribe again" not in fixed
    told = json.loads(run(f"horn {TAPES} --turn 3.0±0.2 --json").stdout)["patterns"]
    assert told[0]["hull"] == "does not"
    assert told[0]["found_u95_deg"] == 0.2


def test_horn_keeps_a_record_that_it_can_read(shop: Path) -> None:
    line = f"horn {TAPES} --heights 300,0,0 --middle '5mm starboard' --fixed --date 2026-05-14"
    first = json.loads(run(f"{line} --support trestles --out hull.toml --json").stdout)
    table = tomllib.loads(Path("hull.toml").read_text())
    assert table["hull"]["support"] == "trestles"
    again = json.loads(run("horn hull.toml --json").stdout)
    assert again == first
    assert again["date"] == "2026-05-14"
    with pytest.raises(WouldOverwrite):
        run(f"{line} --out hull.toml")


def test_horn_in_feet_and_inches(shop: Path) -> None:
    line = "horn --port-diagonal 12-4-0 --starboard-diagonal 12-3-2 --breadth 42in"
    assert "0-0-6" in run(f"{line} --units ft").stdout
    assert '3/4"' in run(f"{line} --units in").stdout


@pytest.mark.parametrize(
    ("line", "error", "about"),
    [
        ("horn --port-diagonal 4m", UsageError, "starboard diagonal"),
        (f"horn {TAPES} --middle 5mm", UsageError, "to which side"),
        (f"horn {TAPES} --turn steep", UsageError, "not an angle"),
        (f"horn {TAPES} --date May", UsageError, "not a date"),
        (f"horn {TAPES} --comparison nowhere.json", UnreadableInput, "cannot be read"),
        ("horn nowhere.toml", UnreadableInput, "cannot be read"),
        ("bevel knee --side port --stock 18", UsageError, "No bevel"),
        ("bevel knee --stock 18 --flare 3", UsageError, "holds 2 patterns"),
        ("bevel knee --side port --flare 3", UsageError, "thickness of the part"),
        ("bevel --stock 18 --flare 3 --out a.svg", UsageError, "without a pattern"),
        ("bevel --stock 18 --bevel 'a = 61 under'", UsageError, "past 60"),
        ("bevel knee --side port --stock 18 --flare 3 --out a.png", UsageError, "a.png"),
        ("bevel knee --side port --stock 18 --flare 3 --out no/a.svg", CannotWrite, "a.svg"),
        ("allow knee --side port --bush 30mm", UsageError, "needs its cutter"),
        ("allow knee --side port --bush 10mm --cutter 30mm", UsageError, "does not run in"),
        ("allow knee --side port --saw 'keel = 2'", UsageError, "No edge"),
        ("allow knee --side port --glue 150", UsageError, "near"),
        ("fitted knee --side port --planed 'hull edge = 0:1, 900:2'", UsageError, "past the end"),
        ("fitted knee --side port --planed 'hull edge = 87,3'", UsageError, "more than fitting"),
    ],
)
def test_refused(shop: Path, line: str, error: type[SpilemarkError], about: str) -> None:
    with pytest.raises(error, match=re.escape(about)):
        run(line)
    assert not Path("knee/fitted.toml").exists()


def test_bevel_sums_without_a_pattern(shop: Path) -> None:
    said = words(run("bevel --stock 22mm --bevel 'sheer = 0:10 under, 300:18 under'"))
    assert "sheer at 0 mm: 10.0° under, the far face lies 3.88 mm inside." in said
    assert "sheer at 300 mm: 18.0° under, the far face lies 7.15 mm inside." in said
    said = words(run("bevel --stock 18mm --flare 15 --rake 12 --plan 8 --tilt 5"))
    assert "98.9°" in said
    assert "hull edge 10.0° under" in said
    table = json.loads(run("bevel --stock 18mm --flare 15 --json").stdout)
    assert table["bevels"][0]["offset_mm"] == pytest.approx(-4.823, abs=1e-3)


def test_bevel_card_of_a_pattern(shop: Path) -> None:
    line = "bevel knee --side port --stock 18mm --bevel 'hull edge = 0:10 under, 300:18 standing'"
    said = words(run(f"{line} --units mm"))
    assert "sliding bevel" in said
    assert "turn the stock over" in said
    assert "0.42 mm" in said
    table = json.loads(run(f"{line} --json").stdout)
    assert [row["kind"] for row in table["card"]] == ["under", "standing"]
    assert len(table["second_face_mm"]) > 100


def strokes(path: Path) -> list[Polyline]:
    """Lines of an SVG in mm, as svgelements reads them; its millimetre is 5.4e-7 too long."""
    return [e for e in SVG.parse(str(path), ppi=25.4).elements() if isinstance(e, Polyline)]


def test_the_sheet_is_true_to_size(shop: Path) -> None:
    run("bevel knee --side port --stock 18mm --bevel 'transom edge = 12 under' --out b.svg")
    bars = [s for s in strokes(Path("b.svg")) if abs(s.length() - 100.0) < 1e-3]
    boxes = [bar.bbox() for bar in bars]
    across = [b for b in boxes if abs(b[2] - b[0] - 100.0) < 1e-3]
    along = [b for b in boxes if abs(b[3] - b[1] - 100.0) < 1e-3]
    assert across
    assert along
    run("allow knee --side port --saw 3mm --out c.svg")
    text = Path("c.svg").read_text()
    assert wording.CHECK_BARS.split(".")[0] in text
    assert "CUTTING LINE" in text
    rings = re.findall(r'<polygon[^>]*points="([^"]+)"', text)
    wide = [
        max(xs) - min(xs)
        for xs in ([float(p.split(",")[0]) for p in ring.split()] for ring in rings)
    ]
    # The finished line is as wide as the pattern, the cutting line 3 mm more on both sides.
    pattern = float(knee().points_mm[:, 0].max() - knee().points_mm[:, 0].min())
    assert wide[0] == pytest.approx(pattern, abs=1e-3)
    assert wide[1] == pytest.approx(pattern + 6.0, abs=0.02)


def test_allow_with_everything(shop: Path) -> None:
    line = (
        "allow knee --side port --scribe 'hull edge = 8mm outboard' --glue 'hull edge = 2mm'"
        " --saw 2mm --plane 'hull edge = 1mm' --relief 'outer corner = 12mm' --stock 18mm"
        " --bevel 'hull edge = 12 standing' --bush 30mm --cutter 10mm --units mm --out all.pdf"
    )
    said = words(run(line))
    assert "scribe gap of 8.0 mm undone in one direction, to port" in said
    assert "2.0 mm free for glue, 2.0 mm for the saw, 1.0 mm to plane off" in said
    assert "fillet of 12.0 mm" in said
    assert "template is 10.0 mm smaller" in said
    assert wording.STRUCTURE in said.replace(" - ", " ")
    assert Path("all.pdf").read_bytes().startswith(b"%PDF")
    table = json.loads(run(line.replace("all.pdf", "more.pdf") + " --json").stdout)
    assert {"finished_mm", "second_face_mm", "cutting_mm", "router_template_mm"} <= table.keys()


def test_a_job_file_tells_and_the_command_wins(shop: Path) -> None:
    Path("job.toml").write_text(
        '[shop]\nstock = "18 mm"\nsaw = ["2 mm"]\nbevels = ["hull edge = 10 under"]\n'
        '[shop.port]\nsaw = ["3 mm"]\n'
    )
    assert "3.0 mm for the saw" in run("allow knee --side port --job job.toml --units mm").stdout
    assert (
        "2.0 mm for the saw" in run("allow knee --side starboard --job job.toml --units mm").stdout
    )
    assert (
        "4.0 mm for the saw"
        in run("allow knee --side port --job job.toml --saw 4mm --units mm").stdout
    )
    said = run("bevel knee --side port --job job.toml --stock 20mm --json").stdout
    assert "saw" not in said.split('"words"')[0]
    assert json.loads(said)["stock_mm"] == 20.0


def test_a_nominal_scale_is_said_again(shop: Path) -> None:
    table = json.loads(Path("knee/report.json").read_text())
    table["patterns"]["port"]["scale"] = {"basis": "nominal"}
    Path("knee/report.json").write_text(json.dumps(table))
    done = run("allow knee --side port --saw 2mm")
    assert "NO ABSOLUTE SIZE" in done.stdout
    assert done.return_value == EXIT_BELOW_LIMIT
    assert run("allow knee --side starboard --saw 2mm").return_value == EXIT_DONE


def test_fitted_and_the_next_pattern(shop: Path) -> None:
    assert "Nothing is recorded" in run("fitted knee --side port").stdout
    run("fitted knee --side port --planed 'hull edge = 0:0, 60:1.2, 120:0' --note proud --units mm")
    said = run(
        "fitted knee --side port --planed 'transom edge = -0.5' --date 2026-05-14 --units mm"
    )
    assert "1.2 mm at 60 mm" in said.stdout
    assert "-0.5 mm all along (2026-05-14)" in said.stdout
    assert len(tomllib.loads(Path("knee/fitted.toml").read_text())["planed"]) == 2
    table = json.loads(run("fitted knee --side port --next next.json --json").stdout)
    lowest = min(y for _, y in table["next_mm"])
    assert lowest == pytest.approx(-0.5, abs=1e-3)
    with pytest.raises(WouldOverwrite):
        run("fitted knee --side port --next next.json")
    assert "hull edge" in run("bevel next.json --stock 18 --bevel 'hull edge = 3 under'").stdout
    assert "Nothing is recorded" in run("fitted knee --side starboard").stdout


def test_fitted_adds_to_what_the_job_started_less(shop: Path) -> None:
    table = json.loads(Path("knee/report.json").read_text())
    row = {"edge": "hull edge", "at_mm": [0.0], "off_mm": [1.2], "date": "", "note": "last boat"}
    table["shop"] = {"parts": {"port": {"planed": [row]}}}
    Path("knee/report.json").write_text(json.dumps(table))
    run("fitted knee --side port --planed 'hull edge = 0.3' --units mm")
    run("fitted knee --side port --planed 'transom edge = 0.5' --units mm")
    kept = tomllib.loads(Path("knee/fitted.toml").read_text())["planed"]
    # By hand: 1.2 that this job's finished line had lost, once, and what was planed off it.
    assert [(p["edge"], p["off_mm"]) for p in kept] == [
        ("hull edge", [1.2]), ("hull edge", [0.3]), ("transom edge", [0.5])
    ]  # fmt: skip


@pytest.mark.parametrize("units", ["in", "ft"])
def test_small_amounts_are_inches_and_never_nothing(shop: Path, units: str) -> None:
    said = words(run(f"bevel --stock 3/4in --bevel 'a = 1/4 on 14 under' --units {units}"))
    # 0.75 in x 0.25/14 = 0.0134 in.
    assert 'the far face lies less than 1/32" (0.013") inside' in said
    said = words(
        run(f"allow knee --side port --saw 2mm --glue 'hull edge = 1.5mm' --units {units}")
    )
    assert '1/16" free for glue, 3/32" for the saw' in said
    said = words(run(f"bevel --stock 3/4in --bevel 'a = 12 standing' --units {units}"))
    assert '5/32" outside' in said


def test_a_skew_that_no_hull_has_asks_for_the_tapes(shop: Path) -> None:
    # One diagonal read in inches: it closes, and is 15 degrees out of square.
    told = "horn --port-diagonal 4049.9mm --starboard-diagonal 147in --breadth 1200mm"
    assert "read in one unit" in words(run(told))
    assert "read in one unit" not in words(run(f"horn {TAPES}"))


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize(
    "line",
    ["bevel --stock 18mm --bevel 'hull edge = 10 under' --pattern-on bottom", "allow --saw 2mm"],
)
def test_sheets_say_side_face_and_forward(shop: Path, side: str, line: str) -> None:
    name, _, options = line.partition(" ")
    run(f"{name} knee --side {side} {options} --out sheet.svg")
    text = Path("sheet.svg").read_text(encoding="utf-8")
    assert f">{side.upper()}<" in text
    assert ">FWD<" in text
    assert f"lay on the part's {'bottom' if name == 'bevel' else 'top'} face" in text.replace(
        "&#x27;", "'"
    )
    table = json.loads(Path("knee/report.json").read_text())
    for pattern in table["patterns"].values():
        pattern["forward_known"] = False
    Path("knee/report.json").write_text(json.dumps(table))
    run(f"{name} knee --side {side} {options} --out sheet.svg --force")
    text = Path("sheet.svg").read_text(encoding="utf-8")
    assert ">FWD<" not in text
    assert "Which end is forward was not told" in text
