"""What stands on the sheets of a laminated knee: warnings, marks, the range as said, words apart."""

from __future__ import annotations

import io
import itertools
import math
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from shapely import LinearRing, LineString, Polygon, box
from test_blank_commands import quarter_knee

from spilemark.blank.board import board_order, lay
from spilemark.blank.board_words import board_sheet
from spilemark.blank.curves import FairedCurve, arc
from spilemark.blank.files import knee_drawings
from spilemark.blank.knee import LaminatedKnee, laminate_curve, laminate_part
from spilemark.blank.marks import PartMarks, bevelled_edges, marks_of
from spilemark.blank.orders import lamination_order
from spilemark.blank.shapes import Pose
from spilemark.blank.sheets import block_sheet, form_sheet, layout_sheet
from spilemark.blank.springback import ShopFactor
from spilemark.blank.words import lamination_lines, range_words
from spilemark.ink import Clipped, Stroke, Words
from spilemark.ink_files import pdf_bytes, text_width_mm
from spilemark.layer_tiles import tiled_sheets
from spilemark.layers import Layer, LayeredDrawing, sheet_of, word_box
from spilemark.shop.files import Part
from spilemark.shop.outlines import mirrored
from spilemark.shop.stations import Stations

ASKED = {"stack": "18 mm", "strips": "2 mm", "wood": "white oak", "width": "18 mm"}
TOO_TIGHT = {"stack": "18 mm", "strips": 3}


def knee_of(**more: object) -> LaminatedKnee:
    return laminate_part(quarter_knee(), lamination_order(ASKED | more, "The command"))


def typed(corner: float, radius: float, **more: object) -> LaminatedKnee:
    throat = FairedCurve(curve=arc(radius, math.radians(180.0 - corner)), off_mm=0.0)
    return laminate_curve(throat, lamination_order(ASKED | more, "The command"))


def said(drawing: LayeredDrawing) -> list[str]:
    """All words of a drawing, in it and under it."""
    found = [w.text for layer in drawing.layers for w in layer.words]
    found += [layer.legend for layer in drawing.layers]
    return [*found, *drawing.warnings, *drawing.notes, *drawing.brief]


def bold_text(drawing: LayeredDrawing) -> str:
    return " ".join(m.text for m in sheet_of(drawing).marks if isinstance(m, Words) and m.bold)


def test_strips_that_would_break_are_told_in_bold_on_every_sheet_that_is_sawn_by():
    knee = typed(60.0, 40.0, **TOO_TIGHT)
    for drawing in (form_sheet(knee, "knee"), layout_sheet(knee, "knee")):
        assert "expect it to break dry" in bold_text(drawing)
    pdf = pypdfium2.PdfDocument(pdf_bytes(tiled_sheets(form_sheet(knee, "knee")), "form"))
    for page in pdf:
        assert "BREAK DRY" in page.get_textpage().get_text_range()
    # Strips that stay within every rule are not cried wolf over.
    safe = form_sheet(typed(98.0, 160.0, strips=18), "knee")
    assert "WARNING" not in " ".join(said(safe))


@pytest.mark.parametrize("form", ["male", "female"])
@pytest.mark.parametrize("strips", [4, 9])
def test_the_range_is_drawn_as_it_is_said(form, strips):
    knee = knee_of(form=form, strips=strips)
    layer = form_sheet(knee, "knee").layer("range")
    wanted = form_sheet(knee, "knee").layer("released").lines[0].points_mm
    curves = [line.points_mm for line in layer.lines if len(line.points_mm) > 2]
    ticks = [line.points_mm.mean(axis=0) for line in layer.lines if len(line.points_mm) == 2]
    held_mm, _ = knee.lamination.swing_mm
    held = 0 if held_mm == 0.0 else -1
    half = math.radians(0.5 * knee.lamination.form_bend_deg) * 9.0
    for curve, tick, told in zip(curves, ticks, knee.lamination.toe_range_mm(), strict=True):
        # The arm that is held lies on the wanted one.
        arm = curve[:3] if held == 0 else curve[-3:]
        assert LineString(wanted).distance(LineString(arm)) < 1e-6
        assert np.linalg.norm(curve[held] - wanted[held]) < 1e-6
        # The other toe lies as far off as is said: 60 mm of arm before the end.
        ring = wanted if held == -1 else wanted[::-1]
        toe = LineString(ring).interpolate(60.0)
        off = np.linalg.norm(tick - [toe.x, toe.y])
        # A face swings as much less or more than the mid-line as its heading changes.
        assert off == pytest.approx(told, abs=half * told / 200.0 + 0.05)
    texts = [w.text for w in layer.words]
    assert "arm held" in texts
    assert any(t.startswith("most: ") and t.endswith(" wide") for t in texts)
    assert any(t.startswith("least: ") and t.endswith(" tight") for t in texts)
    ends = {t: np.asarray(w.at_mm) for t, w in zip(texts, layer.words, strict=True)}
    most = next(v for t, v in ends.items() if t.startswith("most"))
    # One label at each end of the line.
    assert np.linalg.norm(ends["arm held"] - wanted[held]) < 40.0
    assert np.linalg.norm(most - curves[0][-1 - held]) < 40.0
    lines = " ".join(lamination_lines(knee))
    assert "with one arm held in its place" in lines


def test_what_95_of_100_stands_on_is_said():
    sheet = " ".join(said(form_sheet(knee_of(), "knee")))
    assert "by our judgement, set from two published shop results" in sheet
    own = range_words(ShopFactor(factor=1.2, factor_sigma=0.2, bends=3))
    assert "this shop's 3 bends" in own
    assert "our judgement" in own


def test_the_block_is_scribed_to_what_comes_off_the_form():
    knee = knee_of(strips=4)
    drawing = block_sheet(knee, "knee")
    told = f"{max(knee.lamination.toe_range_mm()):.1f} mm off its drawn place"
    assert told in bold_text(drawing)
    assert "RELEASED lamination before you saw" in bold_text(drawing)
    pdf = pypdfium2.PdfDocument(pdf_bytes(tiled_sheets(drawing), "block"))
    assert all("SCRIBE" in page.get_textpage().get_text_range() for page in pdf)
    outside = LineString(knee.lamination.outside().points_mm())
    against = drawing.layer("corner-block-scribe").lines
    assert sum(LineString(line.points_mm).length for line in against) > 300.0
    for line in against:
        assert LineString(line.points_mm).hausdorff_distance(outside) < outside.length
        assert max(outside.distance(LineString([p, p + 1e-9])) for p in line.points_mm) < 1e-6
        block = LinearRing(knee.block.cut_mm)
        assert block.distance(LineString(line.points_mm)) < 0.05


@pytest.mark.parametrize("stack", [18, 40, 45])
def test_the_grain_lies_in_the_block_however_small_it_is(stack):
    knee = knee_of(stack=f"{stack} mm", strips=2 * stack // 3)
    drawing = block_sheet(knee, "knee")
    net = Polygon(knee.block.net_mm)
    grain = drawing.layer("grain")
    assert all(net.contains(LineString(line.points_mm)) for line in grain.lines)
    check_apart(drawing)


def arrow_of(layer: Layer) -> np.ndarray:
    shaft = layer.lines[0].points_mm
    return np.asarray(shaft[1] - shaft[0])


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_side_face_and_forward_stand_on_what_is_sawn(side):
    outline = quarter_knee() if side == "port" else mirrored(quarter_knee())
    knee = laminate_part(outline, lamination_order(ASKED, "The command"))
    marks = marks_of(Part(outline=outline))
    drawings = knee_drawings(knee, "knee", marks=marks)
    bodies = {"form": knee.form.body_mm, "corner_block": knee.block.cut_mm}
    for name, ring in bodies.items():
        layer = next(x for x in drawings[name].layers if x.name.endswith("face-marks"))
        body = Polygon(ring)
        assert f"{side.upper()}, UP: this face" in [w.text for w in layer.words]
        assert "FWD" in [w.text for w in layer.words]
        # Forward is up the sheet: x to starboard, y forward.
        along = arrow_of(layer)
        assert along[1] > 10.0
        assert abs(along[0]) < 1e-9
        # The marks are on the wood, and so on what is cut out along the line.
        assert all(body.contains(LineString(line.points_mm)) for line in layer.lines)
        assert all(body.contains(Polygon(word_box(w))) for w in layer.words)


def test_forward_that_nobody_told_is_not_drawn():
    knee = knee_of()
    for marks, words in (
        (PartMarks(side="PORT", forward=False), "Which end is forward was not told"),
        (PartMarks(), "This shape was typed"),
    ):
        drawing = form_sheet(knee, "knee", marks=marks)
        assert not drawing.layer("form-face-marks").lines
        assert words in " ".join(drawing.notes)


def test_bevels_are_told_with_the_face_they_are_seen_from():
    bevels = (Stations("hull edge", (0.0, 300.0), (-10.0, -15.0)),)
    marks = PartMarks(side="PORT", forward=True, bevels=bevelled_edges(bevels))
    for drawing in (
        form_sheet(knee_of(), "knee", marks=marks),
        block_sheet(knee_of(), "k", marks=marks),
    ):
        notes = " ".join(drawing.notes)
        assert "as seen from its top face: hull edge 10.0° under to 15.0° under" in notes


@pytest.mark.parametrize(("flipped", "size"), [(False, (900, 600)), (True, (900, 600))])
def test_a_part_in_its_wood_carries_face_and_forward(flipped, size):
    part = Part(outline=quarter_knee())
    order = board_order({"size": f"{size[0]} x {size[1]} mm", "grain_part": 30.0}, "The command")
    laid = lay(part.outline, order)
    pose = replace(laid.placement.pose, flipped=flipped)
    turned = replace(
        laid, placement=replace(laid.placement, pose=pose, part_mm=pose.apply(laid.part_mm))
    )
    layer = board_sheet(turned, "knee", marks=marks_of(part)).layer("face-marks")
    # Where the part's own forward comes to point, by the placing of two of its points.
    forward = np.diff(pose.apply(np.array([[0.0, 0.0], [0.0, 1.0]])), axis=0)[0]
    along = arrow_of(layer) / np.linalg.norm(arrow_of(layer))
    assert along == pytest.approx(forward, abs=1e-6)
    up = "UP: the other face" if flipped else "PORT, UP: this face"
    assert up in [w.text for w in layer.words]
    ring = Polygon(turned.placement.part_mm)
    assert all(ring.contains(LineString(line.points_mm)) for line in layer.lines)


@pytest.mark.parametrize("turn_deg", [0.0, 45.0, 100.0])
def test_numbers_of_spare_wood_lie_within_the_part_and_apart(turn_deg):
    outline = quarter_knee()
    turned = Pose(math.radians(turn_deg), (0.0, 0.0)).apply(outline.points_mm)
    laid = lay(outline, board_order({"size": "900 x 600 mm"}, "The command"), turned)
    drawing = board_sheet(laid, "knee")
    numbers = drawing.layer("part").words
    assert len(numbers) >= 10
    part = Polygon(laid.placement.part_mm)
    assert all(part.contains(Polygon(word_box(w)).buffer(-0.3)) for w in numbers)
    check_apart(drawing)


def test_a_pair_on_one_board_is_marked_for_both_sides():
    part = Part(outline=quarter_knee())
    laid = lay(part.outline, board_order({"pair": True, "size": "1600 x 600 mm"}, "The command"))
    drawing = board_sheet(laid, "knee", marks=marks_of(part))
    own, other = drawing.layer("face-marks-1"), drawing.layer("face-marks-2")
    assert "PORT, UP: this face" in [w.text for w in own.words]
    assert "STARBOARD, UP: this face" in [w.text for w in other.words]
    # Starboard is drawn from port, and says so on the wood and under it.
    assert [w.text for w in drawing.layer("starboard").words] == ["PORT'S MIRROR IMAGE"]
    assert any("MIRROR IMAGE, not the other side's own pattern" in note for note in drawing.notes)
    for layer, pose in zip((own, other), laid.pair.poses, strict=True):
        forward = np.diff(pose.apply(np.array([[0.0, 0.0], [0.0, 1.0]])), axis=0)[0]
        along = arrow_of(layer) / np.linalg.norm(arrow_of(layer))
        assert along == pytest.approx(forward, abs=1e-6)
    check_apart(drawing, lines=False)


def test_film_and_thickness_of_the_form_are_told():
    # Own derivation: two of 18 mm, 2 mm of kerf between, 6 mm to plane: 44 mm.
    words = " ".join(said(form_sheet(knee_of(pair=True), "knee")))
    assert "at least 44.0 mm thick" in words
    assert "plastic film" in words
    assert "at least 24.0 mm thick" in " ".join(said(form_sheet(knee_of(), "knee")))


SHAPES = [(60.0, 40.0, 60, 3), (80.0, 60.0, 60, 8), (80.0, 60.0, 0, 8), (98.0, 160.0, 60, 9)]


@pytest.mark.parametrize("form", ["male", "female"])
@pytest.mark.parametrize(("corner", "radius", "arms", "strips"), SHAPES)
def test_words_on_a_form_lie_off_its_lines_and_off_each_other(corner, radius, arms, strips, form):
    knee = typed(corner, radius, arms=arms, strips=strips, form=form)
    check_apart(form_sheet(knee, "knee"))
    check_apart(layout_sheet(knee, "knee"), lines=False)


def test_the_forms_title_stands_off_the_block_that_a_female_form_lies_over():
    knee = knee_of(form="female")
    title = layout_sheet(knee, "knee").layer("form").words
    block = Polygon(knee.block.cut_mm)
    assert not any(block.intersects(Polygon(word_box(w))) for w in title)


@pytest.mark.parametrize("form", ["male", "female"])
@pytest.mark.parametrize("side", ["port", "starboard"])
def test_words_of_a_measured_knee_lie_apart(side, form):
    outline = quarter_knee() if side == "port" else mirrored(quarter_knee())
    knee = laminate_part(outline, lamination_order(ASKED | {"form": form}, "The command"))
    for name, drawing in knee_drawings(knee, "knee", marks=marks_of(Part(outline=outline))).items():
        check_apart(drawing, lines=name in ("form", "corner_block"))


def check_apart(drawing: LayeredDrawing, *, lines: bool = True) -> None:
    boxes = [(w.text, Polygon(word_box(w))) for layer in drawing.layers for w in layer.words]
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        assert a.intersection(b).area < 0.5, (one, other)
    if not lines:
        return
    for layer in drawing.layers:
        if layer.name in ("form", "clamp-holes", "corner-block", "corner-block-net"):
            for line in layer.lines:
                ring = LinearRing(line.points_mm)
                for text, words in boxes:
                    assert not words.buffer(-0.3).intersects(ring), (layer.name, text)


def test_sheets_in_inches_say_no_millimetres():
    outline = quarter_knee()
    asked = {"stack": "3/4 in", "strips": "3/32 in", "wood": "white oak", "width": "3/4 in"}
    for form in ("male", "female"):
        order = lamination_order(asked | {"form": form, "board": "4 in"}, "The command")
        knee = laminate_part(outline, order)
        for drawing in knee_drawings(knee, "knee", "in").values():
            for text in said(drawing):
                assert " mm" not in text, text
        assert not [line for line in lamination_lines(knee, "in") if " mm" in line]
        assert '3/4"' in " ".join(said(form_sheet(knee, "knee", "in")))


@pytest.mark.parametrize("paper", ["a4", "letter", "a3"])
def test_no_sheet_of_paper_is_empty_and_heads_keep_off_the_bar(paper):
    knee = knee_of(strips=4)
    long = "Pepperwort, port quarter knee of the second boat of her class, 2026-05-14"
    for drawing in (form_sheet(knee, long), block_sheet(knee, long)):
        lines = [line.points_mm for layer in drawing.layers for line in layer.lines]
        sheets = tiled_sheets(drawing, paper)
        for sheet in sheets:
            clipped = next(m for m in sheet.marks if isinstance(m, Clipped))
            window = box(*np.min(clipped.window, axis=0), *np.max(clipped.window, axis=0))
            inside = [
                s
                for group in clipped.marks
                for s in group.marks
                if isinstance(s, Stroke) and LineString(s.points).intersects(window)
            ]
            assert inside
            across = next(m for m in sheet.marks if isinstance(m, Stroke) and bar_like(m))
            top = float(np.min(clipped.window, axis=0)[1])
            heads = [m for m in sheet.marks if isinstance(m, Words) and m.at[1] < top - 0.5]
            assert any(m.text.startswith("the stack") or "scribe" in m.text for m in heads)
            for words in heads:
                beside = words.at[1] - 0.8 * words.size_mm < across.points[0][1] + 1.8
                room = across.points[0][0] if beside else sheet.width_mm - 9.0
                assert words.at[0] + text_width_mm(words) < room
        assert len(lines) > 3


def bar_like(stroke: Stroke) -> bool:
    (x0, y0), (x1, y1) = stroke.points[0], stroke.points[-1]
    return len(stroke.points) == 2 and abs(y1 - y0) < 1e-9 and abs(x1 - x0 - 50.0) < 1e-6


def test_a_corner_that_holds_nothing_costs_no_paper():
    """The block fills a corner of its own bounds only: the sheet across from it is not printed."""
    sheets = tiled_sheets(block_sheet(knee_of(), "knee"))
    assert len(sheets) == 3
    pdf = pypdfium2.PdfDocument(io.BytesIO(pdf_bytes(sheets, "block")))
    told = " ".join(pdf[0].get_textpage().get_text_range().split())
    assert "sheet 1 of 3, row 1, column" in told
