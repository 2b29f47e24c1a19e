"""PDF: one page of true size, read by pikepdf and pypdfium2, which did not write it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import drawn_jobs
import numpy as np
import pikepdf
import pypdfium2
import pytest
import shapes as zoo

from spilemark.errors import CannotWrite
from spilemark.records import Stroke, Template
from spilemark.template import build_template
from spilemark_stages.write.pdf import in_face, pdf_bytes, write_template
from spilemark_stages.write.styles import Options

POINT_MM = 25.4 / 72.0
"""Default user space, ISO 32000-1:2008, 8.3.2.3."""


@pytest.fixture(scope="module")
def template() -> Template:
    traced = drawn_jobs.outline(zoo.knee(side="port", hole=True), noise_seed=5)
    pattern = drawn_jobs.laid(drawn_jobs.unseen(traced, 40, 90))
    facts = replace(drawn_jobs.FACTS, boat="Ängla")
    return build_template(pattern, facts, drawn_jobs.TAPED, {"program": "x"})


@pytest.fixture(scope="module")
def file(template: Template, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pdf")
    return write_template(template=template, folder=folder, options=Options())[0]


def paths(file: Path) -> list[np.ndarray]:
    """Points of every path on the page in mm from its bottom left, control points included."""
    found: list[list[list[float]]] = []
    with pikepdf.open(file) as pdf:
        for operands, operator in pikepdf.parse_content_stream(pdf.pages[0]):
            if str(operator) == "m":
                found.append([])
            if str(operator) in ("m", "l", "c"):
                numbers = [float(v) for v in operands]
                found[-1] += [numbers[k : k + 2] for k in range(0, len(numbers), 2)]
    return [np.array(points) * POINT_MM for points in found]


def test_the_page_is_as_large_as_the_drawing(template, file):
    with pikepdf.open(file) as pdf:
        assert len(pdf.pages) == 1
        box = [float(v) for v in pdf.pages[0].MediaBox]
        assert box[:2] == [0, 0]
        assert np.array(box[2:]) * POINT_MM == pytest.approx(
            [template.width_mm, template.height_mm], abs=1e-4
        )
        assert "/UserUnit" not in pdf.pages[0]
        assert "/Rotate" not in pdf.pages[0] or pdf.pages[0].Rotate == 0


def test_viewers_are_asked_not_to_scale(file):
    """ISO 32000-1:2008, table 150: PrintScaling None."""
    with pikepdf.open(file) as pdf:
        assert pdf.Root.ViewerPreferences.PrintScaling == pikepdf.Name("/None")


def test_every_point_is_where_it_was(template, file):
    """To a millionth of its distance from the corner of the page: numbers keep seven digits."""
    found = paths(file)
    assert len(found) == len(template.strokes)
    corner = np.array([template.left_mm, template.bottom_mm])
    for stroke, points in zip(template.strokes, found, strict=True):
        wanted = np.vstack([stroke.segments[0][:1], *(s[1:] for s in stroke.segments)]) - corner
        assert points == pytest.approx(wanted, rel=1e-6)


def test_check_bars_are_true_to_a_millionth(template, file):
    by_name = {s.name: p for s, p in zip(template.strokes, paths(file), strict=True)}
    for name, length in (("bar-100mm-across", 100.0), ("bar-4in-along", 101.6)):
        assert np.linalg.norm(np.diff(by_name[name], axis=0)) == pytest.approx(length, rel=1e-6)


def test_letters_come_with_the_file(file):
    with pikepdf.open(file) as pdf:
        fonts = pdf.pages[0].Resources.Font
        real = [f for f in fonts.values() if f.Subtype == "/TrueType"]
        assert len(real) >= 2
        for font in real:
            assert "/FontFile2" in font.FontDescriptor


def test_the_words_can_be_read_back(template, file):
    document = pypdfium2.PdfDocument(str(file))
    read = "".join(document[0].get_textpage().get_text_range().split())
    for label in template.labels:
        assert "".join(label.text.split()) in read
    document.close()


def test_letters_that_the_face_lacks_are_replaced():
    drawn = build_template(drawn_jobs.pattern(), drawn_jobs.FACTS, drawn_jobs.TAPED)
    assert pdf_bytes(drawn, Options())
    assert in_face("Ängla é", "Vera") == "Ängla é"
    assert in_face("\u1e02u \u2693", "Vera") == "Bu ?"


def test_equal_templates_give_equal_bytes(template, file):
    assert pdf_bytes(template, Options()) == file.read_bytes()
    assert file.name == "port.pdf"


def test_nobody_is_named_and_no_clock_is_read(file):
    with pikepdf.open(file) as pdf:
        info = {str(k): str(v) for k, v in pdf.docinfo.items()}
    assert info["/Title"] == "Ängla, quarter knee, PORT"
    assert info.get("/Author", "") == ""
    assert info["/CreationDate"].startswith("D:2000")


def test_a_square_of_100_mm_measures_100_mm_on_paper(template, tmp_path):
    """Rasterised at 600 dpi, pen 0.3 mm: middle to middle of opposite sides within 2 px (0.09 mm)."""
    corners = np.array([[10.0, 10.0], [110.0, 10.0], [110.0, 110.0], [10.0, 110.0]])
    sides = tuple(np.stack(p) for p in zip(corners, np.roll(corners, -1, 0), strict=True))
    square = Stroke(style="outline", segments=sides, closed=True)
    sheet = replace(
        template,
        left_mm=0.0, bottom_mm=0.0, width_mm=120.0, height_mm=120.0,
        strokes=(square,), labels=(),
    )  # fmt: skip
    path = tmp_path / "square.pdf"
    path.write_bytes(pdf_bytes(sheet, Options(edge_pen_mm=0.3)))
    document = pypdfium2.PdfDocument(str(path))
    picture = document[0].render(scale=600.0 / 72.0, grayscale=True).to_numpy().squeeze()
    document.close()
    dark = 255.0 - picture.astype(float)
    px_mm = 25.4 / 600.0
    for axis in (0, 1):
        profile = dark[1200:1600].sum(0) if axis == 0 else dark[:, 1200:1600].sum(1)
        middles = []
        for half in (slice(0, len(profile) // 2), slice(len(profile) // 2, None)):
            place = np.arange(len(profile))[half]
            middles.append((profile[half] * place).sum() / profile[half].sum())
        assert (middles[1] - middles[0]) * px_mm == pytest.approx(100.0, abs=2 * px_mm)


def test_a_disk_that_refuses_is_said(template, tmp_path):
    with pytest.raises(CannotWrite, match=r"port\.pdf cannot be written"):
        write_template(template=template, folder=tmp_path / "gone", options=Options())
