"""DXF, opened again by ezdxf: units, layers, shapes; nothing moved on the way."""

from __future__ import annotations

import io
import math
import subprocess
import sys
from dataclasses import replace

import drawn_jobs
import ezdxf
import ezdxf.path
import numpy as np
import pytest
import shapely
import shapes as zoo
from ezdxf import bbox
from ezdxf.entities import LWPolyline
from ezdxf.lldxf.encoding import decode_dxf_unicode
from hypothesis import given, settings
from hypothesis import strategies as st

from spilemark.errors import CannotWrite, UsageError
from spilemark.records import Stroke, Template
from spilemark.template import build_template
from spilemark_stages.write.dxf import Options, declare_options, dxf_bytes, write_template
from spilemark_stages.write.dxf_curves import Chain, Circle, shape_of
from spilemark_stages.write.tiled_part import flat

TOLERANCE_MM = 0.02
QUARTER = 0.5522847498
"""Handle of the usual cubic for a quarter circle; it stays within 0.027 % of the radius."""


@pytest.fixture(scope="module")
def template() -> Template:
    traced = drawn_jobs.outline(zoo.knee(side="port", hole=True), noise_seed=5)
    pattern = drawn_jobs.laid(drawn_jobs.unseen(traced, 40, 90))
    facts = replace(drawn_jobs.FACTS, boat="Ängla \u2693")
    return build_template(pattern, facts, drawn_jobs.TAPED, {"program": "x", "photo a.jpg": "0f"})


@pytest.fixture(scope="module")
def drawing(template: Template):
    return read(dxf_bytes(template, Options()))


def read(content: bytes):
    return ezdxf.read(io.StringIO(content.decode("cp1252")))


def on_layer(drawing, name: str) -> list:
    return [e for e in drawing.modelspace() if e.dxf.layer == name]


def points_of(entity, within_mm: float = 1e-4) -> np.ndarray:
    """Points (N, 2) along an entity, by ezdxf's own reckoning of arcs and bulges."""
    path = ezdxf.path.make_path(entity)
    return np.array([(p.x, p.y) for p in path.flattening(within_mm)])


def apart(one: np.ndarray, other: np.ndarray) -> float:
    """Largest distance between two lines, both ways; ``one`` and ``other`` are dense."""
    a, b = shapely.LineString(one), shapely.LineString(other)
    return max(
        shapely.distance(shapely.points(one), b).max(),
        shapely.distance(shapely.points(other), a).max(),
    )


def test_units_are_millimetres_and_the_audit_finds_nothing(drawing):
    """$INSUNITS 4 = millimetres (Autodesk DXF reference, HEADER); $MEASUREMENT 1 = metric; R2000 = AC1015."""
    assert drawing.dxfversion == "AC1015"
    assert drawing.header["$INSUNITS"] == 4
    assert drawing.header["$MEASUREMENT"] == 1
    audit = drawing.audit()
    assert audit.errors == []
    assert audit.fixes == []


def test_every_kind_has_a_layer_of_its_own(drawing):
    used = {e.dxf.layer for e in drawing.modelspace()}
    assert used >= {
        "OUTLINE", "HOLES", "GUESSED", "CENTRELINE", "CHECKS", "ARROWS",
        "WORDS", "PAGE_WORDS", "CHECK_SQUARE_100MM",
    }  # fmt: skip
    assert "0" not in used
    assert all(name in drawing.layers for name in used)
    (edge,) = on_layer(drawing, "OUTLINE")
    assert edge.dxftype() == "LWPOLYLINE"
    assert edge.closed
    (line,) = on_layer(drawing, "CENTRELINE")
    assert line.dxftype() == "LINE"
    (hole,) = on_layer(drawing, "HOLES")
    assert hole.dxftype() == "CIRCLE"
    assert hole.dxf.radius == pytest.approx(9.0, abs=0.05)  # as drawn in the zoo


@pytest.mark.parametrize("tolerance", [0.005, 0.02, 0.2])
def test_the_outline_keeps_within_the_tolerance_both_ways(template, tolerance):
    again = read(dxf_bytes(template, Options(tolerance_mm=tolerance)))
    (edge,) = on_layer(again, "OUTLINE")
    ring = template.strokes[0]
    drawn = shapely.segmentize(shapely.LineString(flat(ring.segments, 1e-5)), 0.5)
    assert apart(np.array(drawn.coords), points_of(edge)) <= tolerance + 1e-4
    assert len(edge) < 4 * len(ring.segments) * math.sqrt(0.02 / tolerance) + 40


def test_extents_are_as_drawn(template):
    """A shape of straight sides: no tolerance enters."""
    corners = np.array([[-40.123456789, 3.0], [400.0, 0.000001], [399.5, 287.654321], [0.0, 300.0]])
    sides = tuple(np.stack(p) for p in zip(corners, np.roll(corners, -1, 0), strict=True))
    ring = Stroke(style="outline", segments=sides, closed=True)
    drawing = read(dxf_bytes(replace(template, strokes=(ring,), labels=()), Options()))
    box = bbox.extents(on_layer(drawing, "OUTLINE"))
    low, high = corners.min(axis=0), corners.max(axis=0)
    assert (box.extmin.x, box.extmin.y) == pytest.approx(tuple(low), abs=1e-6)
    assert (box.extmax.x, box.extmax.y) == pytest.approx(tuple(high), abs=1e-6)
    (edge,) = on_layer(drawing, "OUTLINE")
    assert np.array(edge.get_points("xy")) == pytest.approx(corners, abs=1e-6)
    assert all(bulge == 0 for (bulge,) in edge.get_points("b"))


def test_a_labelled_square_of_100_mm_stands_clear_of_the_rest(drawing, template):
    entities = on_layer(drawing, "CHECK_SQUARE_100MM")
    (square,) = [e for e in entities if e.dxftype() == "LWPOLYLINE"]
    corners = np.array(square.get_points("xy"))
    sides = np.linalg.norm(np.roll(corners, -1, 0) - corners, axis=1)
    assert square.closed
    assert sides == pytest.approx([100.0] * 4, abs=1e-9)
    assert np.ptp(corners, axis=0) == pytest.approx([100.0, 100.0], abs=1e-9)
    assert corners[:, 0].max() < template.left_mm
    assert any("100 mm" in e.dxf.text for e in entities if e.dxftype() == "TEXT")


def test_words_stand_where_they_stood_and_read_back(drawing, template):
    texts = [e for e in drawing.modelspace() if e.dxftype() == "TEXT"]
    # What the code page lacks is written as \\U+2693 (Autodesk DXF reference, on strings).
    by_text = {decode_dxf_unicode(e.dxf.text): e for e in texts}
    for label in template.labels:
        entity = by_text[label.text]
        aligned = entity.dxf.halign != 0
        at = entity.dxf.align_point if aligned else entity.dxf.insert
        assert (at.x, at.y) in [
            pytest.approx(other.at_mm, abs=1e-6)
            for other in template.labels
            if other.text == label.text
        ]
        block = label.at_mm[1] <= template.block_top_mm
        named = {e.dxf.layer for e in texts if decode_dxf_unicode(e.dxf.text) == label.text}
        assert ("PAGE_WORDS" if block else "WORDS") in named
    assert any("±" in text for text in by_text)
    assert any("Ängla \u2693" in text for text in by_text)
    assert by_text["PORT"].dxf.height > 0


def test_equal_templates_give_equal_bytes(template):
    before = ezdxf.options.write_fixed_meta_data_for_testing
    assert dxf_bytes(template, Options()) == dxf_bytes(template, Options())
    assert ezdxf.options.write_fixed_meta_data_for_testing == before


def quarter_circle(radius: float, turn_rad: float, *, clockwise: bool = False) -> np.ndarray:
    k = QUARTER
    unit = np.array([[1.0, 0.0], [1.0, k], [k, 1.0], [0.0, 1.0]]) * [1, -1 if clockwise else 1]
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return radius * unit @ np.array([[cos, sin], [-sin, cos]])


def test_a_ring_that_is_a_circle_becomes_one():
    quarters = tuple(quarter_circle(20.0, k * math.pi / 2) + [300.0, -50.0] for k in range(4))
    shape = shape_of(Stroke(style="hole", segments=quarters, closed=True), TOLERANCE_MM)
    assert isinstance(shape, Circle)
    assert shape.centre == pytest.approx((300.0, -50.0), abs=1e-3)
    assert shape.radius_mm == pytest.approx(20.0, abs=0.01)
    assert shape.from_rad is None


@pytest.mark.parametrize("clockwise", [False, True])
def test_an_open_arc_becomes_an_arc_over_the_same_way(template, clockwise):
    curve = quarter_circle(60.0, 0.4, clockwise=clockwise)
    stroke = Stroke(style="mark", segments=(curve,), closed=False)
    shape = shape_of(stroke, TOLERANCE_MM)
    assert isinstance(shape, Circle)
    assert shape.to_rad - shape.from_rad == pytest.approx(math.pi / 2, abs=1e-3)
    drawing = read(dxf_bytes(replace(template, strokes=(stroke,), labels=()), Options()))
    (arc,) = on_layer(drawing, "MARKS")
    assert arc.dxftype() == "ARC"
    assert apart(flat([curve], 1e-5), points_of(arc)) < TOLERANCE_MM


@pytest.mark.parametrize("clockwise", [False, True])
def test_bulges_bend_the_right_way(template, clockwise):
    """An arc with a straight tail: not one arc, so a polyline; its reader must see the same line."""
    curve = quarter_circle(80.0, 1.0, clockwise=clockwise)
    tail = np.array([curve[3], curve[3] + (curve[3] - curve[2])])
    stroke = Stroke(style="mark", segments=(curve, tail), closed=False)
    drawing = read(dxf_bytes(replace(template, strokes=(stroke,), labels=()), Options()))
    (line,) = on_layer(drawing, "MARKS")
    assert line.dxftype() == "LWPOLYLINE"
    bulges = [b for (b,) in line.get_points("b")]
    assert bulges[-1] == 0
    # Autodesk DXF reference, LWPOLYLINE group 42: negative if the arc goes clockwise.
    assert all((b < 0) == clockwise for b in bulges[:-2])
    assert len(bulges) <= 4
    assert apart(flat([curve, tail], 1e-5), points_of(line)) < TOLERANCE_MM


def test_a_line_is_no_arc_however_large_its_circle():
    nearly = np.array([[0.0, 0.0], [100.0, 0.004], [200.0, 0.004], [300.0, 0.0]])
    shape = shape_of(Stroke(style="mark", segments=(nearly,), closed=False), TOLERANCE_MM)
    assert shape == Chain(vertices=((0.0, 0.0, 0.0), (300.0, 0.0, 0.0)), closed=False)


finite = st.floats(-300.0, 300.0)
point = st.tuples(finite, finite)


@settings(deadline=None, max_examples=100)
@given(st.lists(point, min_size=4, max_size=4))
def test_any_curve_keeps_within_the_tolerance(points):
    curve = np.array(points)
    if np.linalg.norm(np.diff(curve, axis=0), axis=1).min() < 0.5:
        return
    straight = np.array([curve[3], curve[3] + [40.0, 7.0]])
    shape = shape_of(Stroke(style="mark", segments=(curve, straight), closed=False), TOLERANCE_MM)
    assert isinstance(shape, Chain)
    drawn = flat([curve, straight], 1e-3)
    line = LWPolyline.new()
    line.set_points(shape.vertices, format="xyb")
    assert apart(drawn, points_of(line, 1e-3)) < TOLERANCE_MM + 2e-3


def test_a_closed_chain_does_not_repeat_its_first_point(template):
    shape = shape_of(template.strokes[0], TOLERANCE_MM)
    assert isinstance(shape, Chain)
    assert shape.closed
    gap = math.dist(shape.vertices[0][:2], shape.vertices[-1][:2])
    assert gap > 1e-3


@pytest.mark.parametrize("tolerance", [0.0, -1.0, 1.0, math.nan])
def test_impossible_tolerances_are_refused(tolerance):
    from spilemark.options import build_options

    with pytest.raises(UsageError, match="tolerance_mm"):
        build_options(declare_options(), {"tolerance_mm": tolerance}, "The recipe")


def test_it_is_written_under_its_name(template, tmp_path):
    (path,) = write_template(template=template, folder=tmp_path, options=Options())
    assert path == tmp_path / "port.dxf"
    assert ezdxf.readfile(path).audit().errors == []
    with pytest.raises(CannotWrite, match=r"port\.dxf"):
        write_template(template=template, folder=tmp_path / "none", options=Options())


def test_loading_the_plug_in_does_not_load_ezdxf():
    code = "import sys, spilemark_stages.write.dxf; print('ezdxf' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
