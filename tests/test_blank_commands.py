"""``spilemark laminate`` and ``spilemark trial``, through the real command line."""

from __future__ import annotations

import json
import math

import ezdxf
import numpy as np
import pytest
from shapely import Polygon

from spilemark.blank.curves import arc
from spilemark.blank.knee import laminate_part
from spilemark.blank.orders import lamination_order
from spilemark.blank.sheets import block_sheet, layout_sheet
from spilemark.cli import main
from spilemark.errors import UsageError
from spilemark.shop.files import Part, write_outline
from spilemark.shop.outlines import ShopEdge, ShopOutline, make_outline

DRAWN = ["--corner", "98", "--radius", "160mm", "--stack", "18mm", "--width", "18mm"]
ASKED = {"stack": "18 mm", "strips": "2 mm", "wood": "white oak", "width": "18 mm"}


def quarter_knee() -> ShopOutline:
    """A corner of 100°, arms of 300 mm and ends of 50, its throat an arc between tangents."""
    turn = math.radians(80.0)
    throat = arc(150.0, turn, 120.0)
    s = np.arange(0.0, throat.length_mm + 0.25, 0.5)
    inner = throat.points_mm()[0] + np.array(
        [throat.at(min(x, throat.length_mm)) - throat.points_mm()[0] for x in s]
    )
    first, last = inner[0], inner[-1]
    down = np.array([0.0, -50.0])
    way = np.array([math.cos(turn), math.sin(turn)])
    out = 50.0 * np.array([way[1], -way[0]])
    # The corner: where both outer faces meet.
    reach = np.linalg.solve(np.column_stack([[1.0, 0.0], -way]), last + out - first - down)[0]
    corner = first + down + [reach, 0.0]
    ring = np.vstack([[first + down], [corner], [last + out], inner[::-1]])
    edges = [
        ShopEdge(name="transom edge", start=0, stop=1),
        ShopEdge(name="hull edge", start=1, stop=2),
        ShopEdge(name="hull arm end", start=2, stop=3),
        ShopEdge(name="throat curve", start=3, stop=len(ring) - 1),
        ShopEdge(name="transom arm end", start=len(ring) - 1, stop=0),
    ]
    return make_outline(ring, edges, corners={"outer": 1}, side="port", name="quarter knee port")


@pytest.fixture
def knee_file(tmp_path):
    return write_outline(tmp_path / "knee.json", Part(outline=quarter_knee(), boat="Dunlin"))


def test_a_knee_from_an_outline(knee_file, tmp_path, capsys):
    out = tmp_path / "laminated"
    asked = ["--stack", "18mm", "--strips", "2mm", "--wood", "oak", "--width", "18mm"]
    assert main(["laminate", str(knee_file), *asked, "--out", str(out)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    # Own derivation: 80° of bend, nine strips: 80·81/80.
    assert "81.00° for a knee of 80.00°" in said
    for caution in ("trial bend", "clamps", "Wood dust", "designer", "holds energy"):
        assert caution in said
    names = {path.name for path in out.iterdir()}
    for name in ("form", "lamination", "corner_block", "layout"):
        assert {f"{name}.svg", f"{name}.pdf", f"{name}.dxf"} <= names
    assert {"form_tiled.pdf", "corner_block_tiled.pdf"} <= names
    layers = {e.dxf.layer for e in ezdxf.readfile(out / "layout.dxf").modelspace()}
    assert {"KNEE", "LAMINATION", "CORNER_BLOCK", "FORM", "GRAIN", "CLAMP_HOLES"} <= layers
    assert main(["laminate", str(knee_file), *asked, "--out", str(out)]) == 6
    assert main(["laminate", str(knee_file), *asked, "--out", str(out), "--force"]) == 0


def test_a_drawn_knee_as_json(capsys):
    assert main(["laminate", *DRAWN, "--strips", "9", "--wood", "oak", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["form_bend_deg"] == pytest.approx(83.025, abs=1e-3)
    assert told["list"]["glue_lines"] == 8
    assert told["bends"][0]["source"].endswith("table 5-3b")


def test_units_in_and_out(capsys):
    inches = ["--corner", "98", "--radius", "6-5/16", "--stack", "3/4", "--width", "3/4"]
    strips = ["--strips", "3/32", "--wood", "oak", "--units", "in"]
    assert main(["laminate", *inches, *strips]) == 0
    said = capsys.readouterr().out
    assert '0.094"' in said
    # Grams and minutes a square metre are so on every label; no length is in mm.
    assert " mm" not in said
    assert "19.05" not in said


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--strips", "1", "--wood", "oak"], "springs back straight"),
        (["--strips", "6", "--wood", "sapelle"], 'Did you mean "sapele"'),
        (["--strips", "6"], "names no wood"),
        (["--wood", "oak"], "names no strips"),
        (["--strips", "6", "--wood", "oak", "--wood", "ash"], "2 woods for 6 strips"),
        (["--strips", "3mm,3mm", "--wood", "oak"], "strips that make 6 mm"),
        (["--strips", "6", "--wood", "oak", "--board", "2mm"], "gives no strip"),
    ],
)
def test_what_cannot_be_is_told(more, words, capsys):
    assert main(["laminate", *DRAWN, *more]) == 2
    assert words in capsys.readouterr().err


def test_tighter_than_every_limit_warns_with_numbers(capsys):
    told = ["--corner", "90", "--radius", "60mm", "--stack", "18mm", "--width", "18mm"]
    assert main(["laminate", *told, "--strips", "3", "--wood", "oak"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "tighter than every published rule" in said
    assert said.count("NOT KEPT") == 5
    assert "Strips of 0.9 mm would stay within" in said


def test_clamp_holes_that_were_left_out_are_told(capsys):
    told = ["--stack", "12mm", "--width", "18mm", "--strips", "8", "--wood", "oak"]
    small = ["--corner", "80", "--radius", "60mm"]
    assert main(["laminate", *small, *told]) == 0
    assert "Only 1 of 3 clamp holes have room" in " ".join(capsys.readouterr().out.split())
    assert main(["laminate", "--corner", "98", "--radius", "160mm", *told]) == 0
    assert "clamp holes" not in capsys.readouterr().out
    assert main(["laminate", "--corner", "25", "--radius", "60mm", *told]) == 0
    # Own derivation: 155·64/63 = 157.5°.
    assert "only 22.5° open" in " ".join(capsys.readouterr().out.split())


def test_a_kink_is_told(capsys):
    points = "; ".join(f"{x},0" for x in range(0, 120, 20))
    points += "; " + "; ".join(f"100,{y}" for y in range(20, 120, 20))
    asked = ["--stack", "12mm", "--strips", "6", "--wood", "oak", "--width", "18mm"]
    assert main(["laminate", "--points", points, *asked]) == 2
    assert "kink" in capsys.readouterr().err


def test_block_and_lamination_make_the_knee():
    from shapely import Polygon

    outline = quarter_knee()
    knee = laminate_part(outline, lamination_order(ASKED, "The command"))
    part = Polygon(outline.points_mm)
    whole = Polygon(knee.band_mm).union(Polygon(knee.block.net_mm))
    # Nothing of the knee is missing but what fairing the throat leaves.
    assert part.difference(whole.buffer(0.2)).area < 1.0
    assert Polygon(knee.block.net_mm).intersection(Polygon(knee.band_mm)).area < 1.0
    assert Polygon(knee.block.cut_mm).contains(Polygon(knee.block.net_mm).buffer(-0.2))
    assert block_sheet(knee, "knee").layer("grain").lines


def test_layers_of_the_layout_can_be_told_apart():
    knee = laminate_part(quarter_knee(), lamination_order(ASKED, "The command"))
    drawing = layout_sheet(knee, "knee", line_mm=np.array([[0.0, 0.0], [0.0, 400.0]]))
    names = [layer.name for layer in drawing.layers]
    assert len(names) == len(set(names))
    assert {"knee", "lamination", "corner-block", "form", "reference-line"} <= set(names)


def test_misspelt_key_of_the_table():
    with pytest.raises(UsageError, match="strips"):
        lamination_order(ASKED | {"strps": 9}, "The job file")


def test_trial_bends_one_after_the_other(tmp_path, capsys):
    path = tmp_path / "trials.toml"
    form = ["--strips", "6", "--on-form", "82.30", "--wanted", "80"]
    assert main(["trial", str(path), *form, "--off-form", "79.1", "--date", "2026-05-20"]) == 0
    first = " ".join(capsys.readouterr().out.split())
    assert "within the range" in first
    assert main(["trial", str(path), *form, "--corner-off-form", "100.9", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["factor"]["bends"] == 2
    assert told["next_form_bend_deg"] > 82.3
    assert main(["trial", str(path)]) == 0
    assert "79.10°" in capsys.readouterr().out
    asked = [*DRAWN, "--strips", "6", "--wood", "oak", "--trials", str(path), "--json"]
    assert main(["laminate", *asked]) == 0
    knee = json.loads(capsys.readouterr().out)
    assert knee["factor"]["bends"] == 2
    assert knee["form_bend_deg"] > 82.0 * 36 / 35


def test_a_released_blank_by_its_photo(knee_file, tmp_path, capsys):
    """The outline stands for what a photo of the released blank measured: a throat of 80°."""
    told = ["--strips", "9", "--on-form", "81", "--photo", str(knee_file), "--dry-run", "--json"]
    assert main(["trial", str(tmp_path / "none.toml"), *told]) == 0
    assert json.loads(capsys.readouterr().out)["bend_deg"] == pytest.approx(80.0, abs=0.05)
    assert not (tmp_path / "none.toml").exists()


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (["--strips", "6", "--on-form", "82"], "off the form is not told"),
        (["--on-form", "82", "--off-form", "80"], "How many strips"),
        (["--strips", "6", "--on-form", "82", "--off-form", "100"], "no springback"),
        (["--strips", "6", "--on-form", "82", "--corner-on-form", "98"], "one of the two"),
        (["--strips", "1", "--on-form", "82", "--off-form", "20"], "tells nothing"),
    ],
)
def test_a_trial_that_cannot_be(told, words, tmp_path, capsys):
    assert main(["trial", str(tmp_path / "t.toml"), *told]) == 2
    error = capsys.readouterr().err
    assert words in error or words in " ".join(error.split())


def shop_job(tmp_path, **shop):
    lines = ["[shop]", *(f"{key} = {json.dumps(value)}" for key, value in shop.items())]
    path = tmp_path / "job.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_board_and_laminate_take_the_bevels_and_allowances_of_the_job(knee_file, tmp_path, capsys):
    """What the help says: the tables [board] and [shop], [lamination] and [shop]."""
    job = shop_job(tmp_path, stock="18 mm", saw=["4 mm"], bevels=["hull edge = 15 standing"])
    asked = ["board", str(knee_file), "--size", "700 x 400 mm", "--grain-within", "20", "--json"]
    margins = []
    for more in ([], ["--job", str(job), "--flip"]):
        assert main([*asked, *more]) in (0, 5)
        placed = json.loads(capsys.readouterr().out)["placement"]
        margins.append(placed["margin_mm"])
        # A bevelled part is never turned over, whatever was asked.
        assert not placed["flipped"]
    assert margins[0] - margins[1] > 3.9
    blocks = []
    stack = ["--stack", "18mm", "--strips", "2mm", "--wood", "oak", "--width", "18mm", "--json"]
    for more in ([], ["--job", str(job)]):
        assert main(["laminate", str(knee_file), *stack, *more]) == 0
        blocks.append(json.loads(capsys.readouterr().out)["corner_block"])
    areas = [Polygon(block["cut_mm"]).area for block in blocks]
    assert areas[1] > areas[0] + 500.0


def test_every_strip_may_be_told_in_inches(capsys):
    told = [
        "laminate",
        *DRAWN[:4],
        "--strips",
        "1/8in,1/8in,1/4in",
        "--wood",
        "oak",
        "--width",
        "1in",
    ]
    assert main(told) == 0
    assert "2 of 3.2 mm and 1 of 6.3 mm" in capsys.readouterr().out
