"""``spilemark board`` through the real command line, and a knee on its own lamination."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from shapely import Polygon
from test_blank_commands import ASKED, quarter_knee

from spilemark.blank.board import board_order, lay
from spilemark.blank.board_words import board_lines, board_sheet
from spilemark.blank.fit import Blank, Guide, place_part
from spilemark.blank.knee import laminate_part
from spilemark.blank.orders import lamination_order
from spilemark.cli import main
from spilemark.shop.files import Part, write_outline
from spilemark.shop.outlines import ShopEdge, ShopOutline, make_outline


@pytest.fixture
def knee_file(tmp_path):
    return write_outline(tmp_path / "knee.json", Part(outline=quarter_knee(), boat="Dunlin"))


def test_a_board_that_does(knee_file, tmp_path, capsys):
    out = tmp_path / "board.pdf"
    asked = ["--size", "700 x 350 mm", "--grain-within", "20", "--out", str(out)]
    assert main(["board", str(knee_file), *asked]) == 0
    said = capsys.readouterr().out
    assert "IT FITS" in said
    assert "grain" in said
    assert out.read_bytes().startswith(b"%PDF")
    assert main(["board", str(knee_file), *asked]) == 6


def test_a_board_that_does_not_tells_how_much_and_what_to_buy(knee_file, capsys):
    assert main(["board", str(knee_file), "--size", "300 x 150 mm", "--json"]) == 5
    told = json.loads(capsys.readouterr().out)
    assert told["fits"] is False
    assert told["placement"]["short"]
    long, wide = told["narrowest_board_mm"]
    ring = Polygon(quarter_knee().points_mm).buffer(3.0)
    # shapely's rectangle of least area is no narrower than the narrowest strip.
    box = np.array(ring.minimum_rotated_rectangle.exterior.coords)
    sides = sorted(np.linalg.norm(np.diff(box[:3], axis=0), axis=1))
    assert wide <= sides[0] + 0.1
    assert long * wide >= ring.area
    # What is told to buy does.
    assert main(["board", str(knee_file), "--size", f"{long + 0.1} x {wide + 0.1}"]) == 0


def test_without_wood_the_boards_are_told(knee_file, capsys):
    assert main(["board", str(knee_file), "--units", "in"]) == 0
    said = capsys.readouterr().out
    assert "Smallest board" in said
    assert '"' in said
    assert main(["board", str(knee_file), "--out", "x.pdf"]) == 2
    assert "no wood to draw" in capsys.readouterr().err


def test_a_knot_is_kept_clear_of(knee_file, capsys):
    asked = ["board", str(knee_file), "--size", "900 x 420 mm", "--json"]
    assert main([*asked, "--defect", "450,210,40"]) == 0
    told = json.loads(capsys.readouterr().out)
    part = Polygon(told["placement"]["part_mm"])
    from shapely import Point

    assert part.distance(Point(450, 210)) >= 40.0 + 3.0 - 0.1


def test_a_pair_on_one_board(knee_file, capsys):
    assert main(["board", str(knee_file), "--pair", "--size", "1300 x 400 mm", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    one, other = (Polygon(ring) for ring in told["pair"]["rings_mm"])
    assert one.distance(other) >= 3.0 - 0.02
    assert one.area == pytest.approx(other.area, rel=1e-5)
    assert main(["board", str(knee_file), "--pair", "--size", "300 x 250 mm"]) == 5


def test_wood_by_points_and_by_photo(knee_file, tmp_path, capsys):
    assert main(["board", str(knee_file), "--points", "0,0; 800,0; 760,420; 0,430"]) == 0
    ring = np.array([[0.0, 0.0], [800.0, 0.0], [760.0, 420.0], [0.0, 430.0]])
    edges = [ShopEdge(name=f"edge {k + 1}", start=k, stop=(k + 1) % 4) for k in range(4)]
    wood = write_outline(tmp_path / "wood.json", Part(outline=make_outline(ring, edges)))
    capsys.readouterr()
    assert main(["board", str(knee_file), "--blank", str(wood), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["fits"] is True


def test_the_words_and_the_sheet_say_where_it_is_short():
    laid = lay(quarter_knee(), board_order({"size": "380 x 200"}, "The command"))
    lines = board_lines(laid)
    assert "DOES NOT FIT" in lines[0]
    assert any(line.startswith("Short by up to") for line in lines)
    sheet = board_sheet(laid, "knee")
    assert sheet is not None
    assert sheet.layer("short").lines


def lamination_with_block() -> tuple[ShopOutline, np.ndarray, np.ndarray]:
    """A knee, its glued blank (lamination and corner block), and the lamination's inside."""
    outline = quarter_knee()
    knee = laminate_part(outline, lamination_order(ASKED, "The command"))
    whole = Polygon(knee.band_mm).buffer(0.01).union(Polygon(knee.block.cut_mm).buffer(0.01))
    ring = np.array(whole.simplify(0.05).exterior.coords)[:-1]
    return outline, ring, knee.lamination.inside().points_mm()


def test_a_knee_lies_on_its_own_lamination():
    """The glued blank, turned and moved as it lay under the camera: the throat finds its line."""
    outline, ring, inside = lamination_with_block()
    turn = math.radians(37.0)
    rotate = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    ring, inside = ring @ rotate + [90.0, -40.0], inside @ rotate + [90.0, -40.0]
    throat = outline.points_mm[outline.indices(outline.edge("throat curve"))]
    found = place_part(
        outline.points_mm,
        Blank(outline_mm=ring),
        saw_mm=3.0,
        guides=(Guide(points_mm=throat, line_mm=inside, tolerance_mm=0.5),),
    )
    assert found.off_guide_mm <= 1e-3
    assert found.turn_deg == pytest.approx(37.0, abs=0.5)
    # The block was cut 4 mm over, less what the throat's tolerance lets it slide.
    assert 3.0 <= found.margin_mm <= 4.6
