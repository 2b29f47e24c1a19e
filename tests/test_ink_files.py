"""Ink as PDF and SVG: windows, turned words, closed lines."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import numpy as np
import pypdfium2
import pytest

from spilemark.ink import Area, Clipped, Sheet, Stroke, Words, bar, box, cross, moved, placed
from spilemark.ink_files import pdf_bytes, svg_text, text_width_mm, wrapped

NAMESPACE = "{http://www.w3.org/2000/svg}"
PER_MM = 8.0


def ink(*marks) -> np.ndarray:
    """Ink of a sheet of 60 x 40 mm, 8 dots a mm, [y, x] from the top-left corner."""
    made = pdf_bytes([Sheet(title="", width_mm=60, height_mm=40, marks=marks)], "")
    page = pypdfium2.PdfDocument(made)[0]
    return 255 - page.render(scale=PER_MM * 25.4 / 72, grayscale=True).to_numpy().squeeze()


def svg(*marks) -> ElementTree.Element:
    return ElementTree.fromstring(
        svg_text(Sheet(title="t", width_mm=60, height_mm=40, marks=marks)).encode()
    )


def inked_box(dots: np.ndarray) -> list[float]:
    """Left, top, right, bottom of what is inked, mm."""
    y, x = np.nonzero(dots > 128)
    return [x.min() / PER_MM, y.min() / PER_MM, (x.max() + 1) / PER_MM, (y.max() + 1) / PER_MM]


def test_nothing_shows_outside_a_window():
    black = Area(loops=(box(0, 0, 60, 40),))
    window = Clipped(window=box(10, 5, 20, 30), marks=(black,))
    assert inked_box(ink(window)) == pytest.approx([10, 5, 30, 35], abs=0.2)
    assert inked_box(ink(*moved([window], 3, -2))) == pytest.approx([13, 3, 33, 33], abs=0.2)


def test_a_window_ends_with_its_own_marks():
    hidden = Clipped(window=box(0, 0, 5, 5), marks=(Area(loops=(box(20, 20, 5, 5),)),))
    after = Area(loops=(box(40, 30, 10, 5),))
    assert inked_box(ink(hidden, after)) == pytest.approx([40, 30, 50, 35], abs=0.2)


def test_each_window_of_an_svg_has_a_name_of_its_own():
    word = Words(text="x", at=(1, 1), size_mm=3)
    windows = [Clipped(window=box(k, k, 5, 5), marks=(word,)) for k in (1, 2)]
    root = svg(*windows)
    clips = {e.get("id"): e for e in root.iter(f"{NAMESPACE}clipPath")}
    assert len(clips) == 2
    groups = [e for e in root.iter(f"{NAMESPACE}g") if e.get("clip-path")]
    assert [g.get("clip-path") for g in groups] == [f"url(#{name})" for name in clips]
    polygon = next(iter(clips.values()))[0]
    assert polygon.get("points").split() == ["1,1", "6,1", "6,6", "1,6"]


@pytest.mark.parametrize(
    ("turn", "upwards"), [(0.0, False), (30.0, False), (0.0, True), (-20.0, True)]
)
def test_words_turn_anticlockwise_as_one_looks_at_the_sheet(turn, upwards):
    """A dash of known length points where it should, in both formats."""
    words = Words(text="—————", at=(25, 30), size_mm=4, turn_deg=turn, upwards=upwards)
    y, x = np.nonzero(ink(words) > 128)
    angle = math.radians(turn + 90 * upwards)
    middle = np.array([x.mean(), y.mean()]) / PER_MM
    along = np.array([math.cos(angle), -math.sin(angle)])
    # Half the words along, and the height of a dash above the base line off to the left.
    off = middle - (25, 30) - along * text_width_mm(words) / 2
    assert abs(off @ along) < 0.5
    assert 0 < off @ [-math.sin(angle), -math.cos(angle)] < 2.5
    (text,) = svg(words).iter(f"{NAMESPACE}text")
    degrees = -(turn + 90 * upwards)
    assert text.get("transform") == (f"rotate({degrees:g} 25 30)" if degrees else None)


def test_a_closed_line_joins_its_ends():
    corners = box(10, 10, 20, 15)
    line = Stroke(points=corners, width_mm=1.0)
    left_side = np.s_[int(17 * PER_MM), int(10 * PER_MM)]
    assert ink(line)[left_side] == 0
    closed = Stroke(points=corners, width_mm=1.0, closed=True)
    assert ink(closed)[left_side] == 255
    assert len(list(svg(closed).iter(f"{NAMESPACE}polygon"))) == 1
    assert len(list(svg(line).iter(f"{NAMESPACE}polyline"))) == 1


def test_bars_run_between_the_middles_of_their_end_strokes():
    line, first, last = bar((5, 10), 40.0, along=False)
    assert line.points == ((5, 10), (45, 10))
    assert (first.points[0][0], last.points[0][0]) == (5, 45)
    line, first, last = bar((5, 10), 20.0, along=True)
    assert line.points == ((5, 10), (5, 30))
    assert (first.points[0][1], last.points[0][1]) == (10, 30)


def test_placing_moves_points_and_keeps_pens():
    marks = (*cross((10, 10), 2.0, width_mm=0.3), Words(text="a", at=(1, 2), size_mm=3))
    there = placed(marks, lambda p: (2 * p[0], 3 * p[1]))
    assert there[0].points == ((16, 30), (24, 30))
    assert there[0].width_mm == 0.3
    assert there[2].at == (2, 6)
    assert there[2].size_mm == 3


def test_lines_break_at_spaces_only_and_fit():
    text = "Measure the check bars in both\u00a0directions before cutting."
    lines = wrapped(text, 40.0, 3.0)
    assert " ".join(lines) == text
    assert all(text_width_mm(Words(text=line, at=(0, 0), size_mm=3.0)) <= 40 for line in lines)
    assert any("both\u00a0directions" in line for line in lines)
    assert wrapped("unbreakably", 1.0, 3.0) == ["unbreakably"]
