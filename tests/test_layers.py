"""Layered drawings: groups, DXF layers, true size, and sheets of paper whose crosses meet."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET

import ezdxf
import numpy as np
import pikepdf
import pypdfium2
import pytest
from shapely import LinearRing

from spilemark.errors import UsageError, WouldOverwrite
from spilemark.ink import Stroke, Words
from spilemark.ink_files import pdf_bytes
from spilemark.layer_tiles import printed_sheets, tiled_sheets
from spilemark.layers import (
    Layer,
    LayeredDrawing,
    Lettering,
    Line,
    arrow,
    circle,
    content_of,
    thinned,
    write_drawing,
)
from spilemark.printers import PrinterProfile

SQUARE = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]])


def drawing(size: float = 1.0) -> LayeredDrawing:
    return LayeredDrawing(
        title="knee, form",
        layers=(
            Layer(
                name="form",
                legend="the form",
                lines=(Line(size * SQUARE, closed=True),),
                words=(Lettering(text="FORM", at_mm=(50.0, 50.0)),),
            ),
            Layer(
                name="clamp-holes",
                legend="holes",
                lines=(circle((50.0, 20.0), 30.0),),
                dash_mm=(5.0, 2.0),
            ),
            Layer(name="grain", legend="grain", lines=arrow(np.array([50.0, 80.0]), 30.0, 40.0)),
        ),
        notes=("Measure the check bars.",),
    )


def test_svg_has_a_group_for_each_layer_at_true_size():
    root = ET.fromstring(content_of(drawing(), ".svg"))
    space = {"s": "http://www.w3.org/2000/svg"}
    groups = {g.get("id"): g for g in root.findall("s:g", space)}
    assert set(groups) == {"form", "clamp-holes", "grain"}
    # One unit is a millimetre: CSS mm in width, the same number in viewBox.
    assert root.get("width") == f"{float(root.get('viewBox').split(',')[2]):.6g}mm"
    points = [
        [float(v) for v in re.split(r"[ ,]", p)]
        for p in groups["form"].find("s:polygon", space).get("points").split()
    ]
    assert np.ptp(points, axis=0) == pytest.approx([100.0, 100.0])


def test_dxf_has_a_layer_for_each_layer_in_millimetres():
    document = ezdxf.read(io.StringIO(content_of(drawing(), ".dxf").decode()))
    assert not document.audit().errors
    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (4, 1)
    on = {e.dxf.layer for e in document.modelspace()}
    assert on == {"FORM", "CLAMP_HOLES", "GRAIN", "CHECK_SQUARE_100MM"}
    form = document.modelspace().query('LWPOLYLINE[layer=="FORM"]').first
    assert np.ptp(np.array([p[:2] for p in form.get_points()]), axis=0) == pytest.approx([100, 100])
    assert content_of(drawing(), ".dxf") == content_of(drawing(), ".dxf")


def test_pdf_is_not_to_be_scaled():
    with pikepdf.open(io.BytesIO(content_of(drawing(), ".pdf"))) as pdf:
        # ISO 32000-1:2008, table 150.
        assert pdf.Root.ViewerPreferences.PrintScaling == "/None"


def test_files_are_not_replaced_unasked(tmp_path):
    path = tmp_path / "form.svg"
    write_drawing(path, drawing())
    with pytest.raises(WouldOverwrite):
        write_drawing(path, drawing())
    write_drawing(path, drawing(), force=True)
    with pytest.raises(UsageError, match=r"\.svg, \.pdf or \.dxf"):
        write_drawing(tmp_path / "form.png", drawing())


def test_crosses_of_neighbouring_sheets_lie_on_each_other():
    """Every cross is printed on two sheets, and both show the same piece of the drawing there."""
    sheets = tiled_sheets(drawing(size=4.0), "a4")
    assert len(sheets) >= 4
    pdf = pypdfium2.PdfDocument(pdf_bytes(sheets, "form"))
    places: dict[str, list[tuple[int, float, float]]] = {}
    for k, page in enumerate(pdf):
        # Every page is A4, on whichever edge it stands: ISO 216.
        assert sorted(page.get_size()) == pytest.approx([595.28, 841.89], abs=0.1)
        text = page.get_textpage()
        for name in set(re.findall(r"\b[A-Z][12]\b", text.get_text_range())):
            where = text.search(name).get_next()
            left, bottom, _, _ = text.get_charbox(where[0])
            places.setdefault(name, []).append((k, left, bottom))
    assert places
    assert all(len(found) == 2 for found in places.values())


def test_thinning_keeps_every_line_in_place():
    line = circle((0.0, 0.0), 400.0, steps=4000)
    thin = thinned(LayeredDrawing(title="", layers=(Layer(name="a", legend="", lines=(line,)),)))
    ring = thin.layers[0].lines[0]
    assert len(ring.points_mm) < 700
    assert ring.closed
    off = LinearRing(ring.points_mm).hausdorff_distance(LinearRing(line.points_mm))
    assert off <= 0.01 + 1e-9


def test_tiles_put_together_hold_the_whole_drawing():
    sheets = tiled_sheets(drawing(size=4.0), "letter")
    ink = 0
    for sheet in sheets:
        clipped = sheet.marks[0]
        window = np.array(clipped.window)
        assert np.ptp(window, axis=0)[0] == pytest.approx(sheet.width_mm - 20.0)
        assert window.max(axis=0)[1] == pytest.approx(sheet.height_mm - 10.0)
        # Legend, title and how to print stand above it.
        heads = [m.at[1] for m in sheet.marks if isinstance(m, Words) and m.size_mm < 3.0]
        assert 15.0 < max(heads) < window.min(axis=0)[1] < 50.0
        ink += len(clipped.marks)
    # Each sheet clips the same drawing: nothing is left to chance.
    assert ink == 3 * len(sheets)


def test_sheets_make_up_for_a_measured_printer():
    """What such a printer makes of a corrected sheet is the sheet as it should be."""
    printer = PrinterProfile(name="shop", paper="a4", across_mm=99.5, along_mm=100.4)
    plain = tiled_sheets(drawing(size=4.0), "a4")
    made_up = tiled_sheets(drawing(size=4.0), "a4", printer)
    for sheet, other in zip(plain, made_up, strict=True):
        lying = sheet.width_mm > sheet.height_mm
        shrinks = np.array([1.004, 0.995] if lying else [0.995, 1.004])
        middle = np.array([sheet.width_mm, sheet.height_mm]) / 2
        true, drawn = (
            np.array([m.points[0] for m in s.marks if isinstance(m, Stroke)])
            for s in (sheet, other)
        )
        printed = middle + (drawn - middle) * shrinks
        assert printed == pytest.approx(true, abs=1e-9)
        said = [m.text for m in other.marks if isinstance(m, Words)]
        assert any('printer "shop"' in text and "99.50 across" in text for text in said)
        assert any("Not corrected" in m.text for m in sheet.marks if isinstance(m, Words))


def test_the_map_shows_every_sheet_row_column_and_join():
    sheets = printed_sheets(drawing(size=4.0), "a4")
    tiles = tiled_sheets(drawing(size=4.0), "a4")
    assert len(sheets) == len(tiles) + 1
    told = [m.text for m in sheets[0].marks if isinstance(m, Words)]
    titles = [
        " ".join(m.text for m in s.marks if isinstance(m, Words) and m.bold) for s in sheets[1:]
    ]
    numbers = [text for text in told if text.isdecimal()]
    for number, title in enumerate(titles, start=1):
        assert str(number) in numbers
        assert f"sheet {number} of {len(tiles)}, row" in title
        row, column = re.search(r"row (\d+), column (\d+)", title).groups()
        assert {f"Row {row}", f"Column {column}"} <= {*told}
    crosses = {m.text for s in tiles for m in s.marks if isinstance(m, Words)}
    met = {text[0] for text in crosses if re.fullmatch(r"[A-Z][12]", text)}
    assert met
    assert met <= {*told}
    # Nothing runs off the paper; a map is not sawn by.
    points = np.array([p for m in sheets[0].marks if isinstance(m, Stroke) for p in m.points])
    assert points.min() > 9.0
    assert (points.max(axis=0) < [sheets[0].width_mm - 9.0, sheets[0].height_mm - 60.0]).all()
    assert any("NOT TRUE SIZE" in text for text in told)
    # One sheet needs no map.
    assert len(printed_sheets(drawing(size=0.5), "a4")) == 1
