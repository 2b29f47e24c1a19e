"""SVG: true size by a reader that did not write it, and nothing lost on the way."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import drawn_jobs
import numpy as np
import pytest
import resvg_py
import shapes as zoo
from PIL import Image
from svgelements import SVG
from svgelements import Path as Drawn

from spilemark.errors import CannotWrite
from spilemark.records import Template
from spilemark.template import build_template
from spilemark_stages.write.styles import Options
from spilemark_stages.write.svg import svg_text, write_template

NAMESPACE = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def template() -> Template:
    traced = drawn_jobs.outline(zoo.knee(side="port", hole=True), noise_seed=5)
    pattern = drawn_jobs.laid(drawn_jobs.unseen(traced, 40, 90))
    facts = replace(drawn_jobs.FACTS, boat='Ängla <&"> \u2693')
    return build_template(pattern, facts, drawn_jobs.TAPED, {"program": "x", "photo a&b.jpg": "0f"})


@pytest.fixture(scope="module")
def text(template: Template) -> str:
    return svg_text(template, Options())


def read(text: str, tmp_path: Path, ppi: float) -> SVG:
    path = tmp_path / "x.svg"
    path.write_text(text, encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return SVG.parse(str(path), ppi=ppi)


def group(svg: SVG, name: str) -> list[Drawn]:
    (found,) = [e for e in svg.elements() if getattr(e, "id", None) == name]
    return [found] if isinstance(found, Drawn) else [e for e in found if isinstance(e, Drawn)]


def named(svg: SVG, name: str) -> Drawn:
    (found,) = [
        e for e in svg.elements() if isinstance(e, Drawn) and e.values.get("data-name") == name
    ]
    return found


@pytest.mark.parametrize("ppi", [72.0, 90.0, 96.0, 300.0])
def test_lengths_are_true_at_any_resolution(template, text, tmp_path, ppi):
    """CSS Values and Units 4, 6.2: 1 in = 25.4 mm = 96 px; so mm are mm whatever the reader's ppi.

    The reader takes a millimetre for 0.0393701 in, which is 5e-7 too much.
    """
    svg = read(text, tmp_path, ppi)
    mm = 25.4 / ppi
    for name, length in (("bar-100mm-across", 100.0), ("bar-4in-across", 101.6)):
        left, _, right, _ = named(svg, name).bbox()
        assert (right - left) * mm == pytest.approx(length, abs=1e-6 * length)
    for name, length in (("bar-100mm-along", 100.0), ("bar-4in-along", 101.6)):
        _, top, _, bottom = named(svg, name).bbox()
        assert (bottom - top) * mm == pytest.approx(length, abs=1e-6 * length)
    assert float(svg.width) * mm == pytest.approx(template.width_mm, rel=1e-6)
    assert float(svg.height) * mm == pytest.approx(template.height_mm, rel=1e-6)


def test_every_control_point_of_the_edge_is_where_it_was(template, text, tmp_path):
    svg = read(text, tmp_path, 96.0)
    (edge,) = group(svg, "outline")
    found = [
        (getattr(segment, name).x, getattr(segment, name).y)
        for segment in edge
        for name in ("control1", "control2", "end")
        if getattr(segment, name, None) is not None
    ]
    (stroke,) = [s for s in template.strokes if s.style == "outline"]
    wanted = [stroke.segments[0][0]]
    for control in stroke.segments:
        wanted += list(control[1:])
    top = template.bottom_mm + template.height_mm
    wanted = np.array(wanted) * [1, -1] + [-template.left_mm, top]
    got = np.array(found) * 25.4 / 96.0
    assert got[: len(wanted)] == pytest.approx(wanted, rel=1e-6)
    assert edge.segments()[-1].__class__.__name__ == "Close"


def test_a_second_renderer_draws_the_bars_true(template, text):
    """resvg, which shares no code with the reader above: bars to a dot, both ways."""
    dpi = 300
    image = Image.open(
        io.BytesIO(resvg_py.svg_to_bytes(svg_string=text, dpi=dpi, background="white"))
    )
    ink = 255 - np.asarray(image.convert("L"), dtype=float)
    scale = np.array(image.size) / [template.width_mm, template.height_mm]
    assert scale == pytest.approx(dpi / 25.4, rel=2e-3)
    top = template.bottom_mm + template.height_mm
    for name, length, across, beside_mm in (
        # The square's sides end the bars of 100 mm, strokes of their own those of 4 in.
        ("bar-100mm-across", 100.0, True, -5.0),
        ("bar-100mm-along", 100.0, False, 5.0),
        ("bar-4in-across", 101.6, True, 1.3),
        ("bar-4in-along", 101.6, False, 1.3),
    ):
        (stroke,) = [s for s in template.strokes if s.name == name]
        ends = np.concatenate(stroke.segments)[[0, -1]] * [1, -1] + [-template.left_mm, top]
        ends = ends[np.argsort(ends.sum(axis=1))] * scale
        ticks = [tick(ink, end, beside_mm, dpi / 25.4, across=across) for end in ends]
        assert ticks[1] - ticks[0] == pytest.approx(length * dpi / 25.4, abs=1.0), name


def tick(
    ink: np.ndarray, end: np.ndarray, beside_mm: float, per_mm: float, *, across: bool
) -> float:
    """Middle of the stroke that ends a bar, looked for beside the bar itself, in dots."""
    plane = ink if across else ink.T
    along, off = end if across else end[::-1]
    low = int(along - 1.5 * per_mm)
    piece = plane[int(off + beside_mm * per_mm)][low : int(along + 1.5 * per_mm)]
    assert piece.max() > 100, "the bar has no end stroke"
    return low + float(np.average(np.arange(len(piece)) + 0.5, weights=piece))


TRAPS = {
    # What readers make of a file without millimetres, all seen in the wild: px of 1/90 in taken
    # for 1/96 in and so on.  Each is a tampered copy of our file; the last column is the factor
    # by which it comes out wrong, so that the true file's factor of 1 means something.
    "90 for 96": (lambda s: as_px(s, 90.0), 96.0, 90.0 / 96.0),
    "72 for 96": (lambda s: as_px(s, 72.0), 96.0, 72.0 / 96.0),
    "points for pixels": (lambda s: as_px(s, 96.0), 72.0, 96.0 / 72.0),
    "millimetres for pixels": (lambda s: as_px(s, 25.4), 25.4 * 25.4 / 96.0, 96.0 / 25.4),
}


def as_px(text: str, ppi: float) -> str:
    """The file with its size in px of 1/ppi inch."""

    def px(match: re.Match[str]) -> str:
        return f'{match[1]}="{float(match[2]) * ppi / 25.4:.9f}"'

    return re.sub(r'\b(width|height)="([\d.]+)mm"', px, text, count=2)


@pytest.mark.parametrize("name", TRAPS)
def test_the_same_reader_sees_the_known_traps(name, text, tmp_path):
    """50 mm as 46.875, 180 as 135, x 1.3333, x 3.7795: public reports of other programs' files."""
    tamper, ppi, factor = TRAPS[name]
    svg = read(tamper(text), tmp_path, ppi)
    left, _, right, _ = named(svg, "bar-100mm-across").bbox()
    assert (right - left) * 25.4 / ppi == pytest.approx(100.0 * factor, rel=1e-6)


def test_every_part_has_its_name(template, text, tmp_path):
    svg = read(text, tmp_path, 96.0)
    for name, style in (
        ("outline", "outline"),
        ("holes", "hole"),
        ("guessed", "guessed"),
        ("centreline", "centreline"),
        ("checks", "check"),
    ):
        assert len(group(svg, name)) == sum(s.style == style for s in template.strokes), name
    ids = {e.get("id") for e in ElementTree.fromstring(text.encode()).iter()}
    assert {"outline", "holes", "centreline", "marks", "checks", "labels"} <= ids


def test_words_and_provenance_survive_as_they_were_typed(template, text):
    root = ElementTree.fromstring(text.encode())
    texts = [e.text for e in root.iter(f"{NAMESPACE}text")]
    assert texts == [label.text for label in template.labels]
    assert any('Ängla <&"> \u2693' in t for t in texts)
    assert root.find(f"{NAMESPACE}title").text == template.title
    assert "photo a&b.jpg: 0f" in root.find(f"{NAMESPACE}desc").text


def test_width_height_and_viewbox_say_the_same(template, text):
    root = ElementTree.fromstring(text.encode())
    width, height = root.get("width"), root.get("height")
    assert width.endswith("mm")
    assert root.get("viewBox").split() == ["0", "0", width[:-2], height[:-2]]
    assert float(width[:-2]) == pytest.approx(template.width_mm, abs=1e-6)


def test_it_is_a_drawing_and_nothing_else(text):
    assert not re.search(r"<script|<image|<foreignObject|\bon\w+=|href=", text)


def test_equal_templates_give_equal_bytes(template, text, tmp_path):
    (path,) = write_template(template=template, folder=tmp_path, options=Options())
    assert path == tmp_path / "port.svg"
    assert path.read_bytes().decode("utf-8").endswith(text + "\n")
    again = write_template(template=template, folder=tmp_path, options=Options())[0]
    assert again.read_bytes() == path.read_bytes()
    assert b"\r" not in path.read_bytes()


def test_a_disk_that_refuses_is_said(template, tmp_path):
    with pytest.raises(CannotWrite, match=r"port\.svg cannot be written"):
        write_template(template=template, folder=tmp_path / "gone", options=Options())


def test_the_edge_is_as_thick_as_was_chosen(template):
    root = ElementTree.fromstring(svg_text(template, Options(edge_pen_mm=0.15)).encode())
    groups = {g.get("id"): g for g in root.iter(f"{NAMESPACE}g")}
    assert groups["outline"].get("stroke-width") == groups["holes"].get("stroke-width") == "0.15"
    assert float(groups["guessed"].get("stroke-width")) > 0.15
    with pytest.raises(ValueError, match="edge_pen_mm"):
        Options(edge_pen_mm=0.0)
