"""The difference figure: what it says, where it draws it, and that it needs no colour."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import drawn_jobs
import numpy as np
import pytest
import shapes as zoo
import svgwrite

from spilemark.difference_figure import figure, write_difference_figure
from spilemark.difference_panel import FULLER, LEANER, Panel, Place, enlargement, gap_words
from spilemark.errors import CannotWrite
from spilemark.frames import outward_normals
from spilemark.records import Note, SideComparison

BOX = Place(0.0, 0.0, 200.0, 200.0)


def compared(bump_mm: float | None = None, **more: object) -> SideComparison:
    bumps = {} if bump_mm is None else {"bump_mm": (200.0, bump_mm, 60.0)}
    job = drawn_jobs.result(starboard=zoo.knee(side="starboard", **bumps), **more)
    return job.comparison


@pytest.fixture(scope="module")
def fuller() -> SideComparison:
    return compared(4.0)


def best_fit(comparison: SideComparison):
    return next(a for a in comparison.alignments if a.datum == "best fit")


def panel(comparison: SideComparison, place: Place = BOX) -> tuple[Panel, list]:
    drawing = svgwrite.Drawing(debug=False)
    drawn = Panel(drawing, comparison.port.outline, best_fit(comparison), place, "mm")
    drawn.draw()
    return drawn, [e for e in drawing.elements if e.elementname in ("path", "text")]


def points(path) -> np.ndarray:
    numbers = re.findall(r"-?\d+\.\d+", path.tostring().split(' d="')[1].split('"')[0])
    return np.array(numbers, dtype=float).reshape(-1, 2)


def paths(elements: list, **style: object) -> list:
    return [
        e
        for e in elements
        if e.elementname == "path" and all(e.attribs.get(k) == v for k, v in style.items())
    ]


def said(text: str) -> str:
    root = ElementTree.fromstring(text.encode())
    return " ".join((e.text or "").replace("\u00a0", " ") for e in root.iter() if e.text)


def test_verdict_datum_forward_and_legend_are_there(fuller):
    text = said(figure(fuller, drawn_jobs.FACTS))
    assert fuller.verdict in text
    assert "Curlew, quarter knee: port against starboard" in text
    assert "On their pencil lines" in text
    assert "As they fit best" in text
    assert text.count("FWD") == 2
    for word in ("port's edge", "starboard's, mirrored", "DIFFERENT", "CANNOT TELL", "SAME"):
        assert word in text
    assert re.search(r"gaps and grey band \d+:1", text)


def test_without_pencil_lines_the_datum_is_another_and_is_named():
    bare = zoo.knee(side="port", line_mm=None), zoo.knee(side="starboard", line_mm=None)
    job = drawn_jobs.result(port=bare[0], starboard=bare[1])
    text = said(figure(job.comparison, drawn_jobs.FACTS))
    assert "pencil lines" not in text.split("port's edge")[0].replace(job.comparison.verdict, "")
    assert "As they fit best" in text


def test_colours_are_blue_and_orange_and_never_the_only_sign(fuller):
    text = figure(fuller, drawn_jobs.FACTS)
    colours = set(re.findall(r"#[0-9a-f]{6}", text))
    assert {FULLER, LEANER} <= colours
    for colour in colours - {FULLER, LEANER}:
        red, green, blue = (colour[k : k + 2] for k in (1, 3, 5))
        assert red == green == blue
    assert "<pattern" in text
    luma = [np.dot([int(c[k : k + 2], 16) for k in (1, 3, 5)], [0.299, 0.587, 0.114])
            for c in (FULLER, LEANER)]  # fmt: skip
    assert luma[0] - luma[1] > 60


def test_the_gap_is_drawn_enlarged_as_stated(fuller):
    drawn, elements = panel(fuller)
    gap = best_fit(fuller).gap_mm
    dashed = np.vstack([points(p) for p in paths(elements, **{"stroke-dasharray": "1.8 1"})])
    port = fuller.port.outline.ring.points_mm
    k = int(np.nanargmax(gap))
    normal = outward_normals(port)[k] * [1, -1]
    wanted = drawn.ring[k] + drawn.enlarged * gap[k] * normal
    assert np.linalg.norm(dashed - wanted, axis=1).min() < 0.01
    size = np.ptp(port, axis=0) * drawn.scale
    assert np.ptp(drawn.ring, axis=0) == pytest.approx(size)
    assert drawn.enlarged > 2 * drawn.scale


@pytest.mark.parametrize(("bump", "sign", "fill"), [(4.0, "+", "url"), (-4.0, "\u2212", LEANER)])
def test_a_difference_has_its_sign_by_side_hatch_and_number(bump, sign, fill):
    comparison = compared(bump)
    drawn, elements = panel(comparison)
    alignment = best_fit(comparison)
    k = int(np.nanargmax(np.abs(alignment.gap_mm)))
    areas = [p for p in elements if str(p.attribs.get("fill", "")).startswith(fill)]
    assert any(np.linalg.norm(points(p) - drawn.ring[k], axis=1).min() < 1.0 for p in areas)
    bold = [e for e in elements if e.elementname == "text" and e["font-weight"] == "bold"]
    assert [e.text[0] for e in bold] == [sign]
    assert float(bold[0].text[1:].split()[0]) == pytest.approx(4.0, abs=0.4)
    at = np.array([float(bold[0]["x"]), float(bold[0]["y"])])
    assert np.linalg.norm(at - drawn.ring[k]) < 30
    bars = paths(elements, **{"stroke-width": 1.5})
    solid = [p for p in bars if "stroke-dasharray" not in p.attribs]
    assert solid
    assert min(np.linalg.norm(points(p) - drawn.ring[k], axis=1).min() for p in solid) < 4.0


def test_equal_sides_have_no_bar_of_difference():
    _, elements = panel(compared())
    bars = paths(elements, **{"stroke-width": 1.5})
    assert all("stroke-dasharray" in p.attribs for p in bars)


def test_numbers_stand_clear_of_the_edge_and_on_the_sheet(fuller):
    drawn, elements = panel(fuller)
    texts = [e for e in elements if e.elementname == "text"]
    assert 1 <= len(texts) <= 7
    for text in texts:
        x, y = float(text["x"]), float(text["y"])
        assert BOX.left - 4 < x < BOX.left + BOX.width
        assert np.linalg.norm(drawn.ring - [x, y - 1.2], axis=1).min() > 1.5


def test_what_was_not_seen_has_no_gap():
    traced = drawn_jobs.unseen(drawn_jobs.outline(zoo.knee(side="starboard"), "starboard"), 0, 400)
    comparison = drawn_jobs.result(starboard=traced).comparison
    drawn, elements = panel(comparison)
    unknown = drawn.ring[~np.isfinite(best_fit(comparison).gap_mm)]
    assert len(unknown) > 100
    dashed = np.vstack([points(p) for p in paths(elements, **{"stroke-dasharray": "1.8 1"})])
    middle = unknown[len(unknown) // 2]
    assert np.linalg.norm(dashed - middle, axis=1).min() > 1.0


def test_enlargement_is_round_and_keeps_the_gap_on_the_sheet(fuller):
    alignment = best_fit(fuller)
    factor = enlargement(alignment, 0.25)
    assert factor in (1, 2, 3, 5, 10, 20, 30, 50, 100)
    assert factor * np.nanmax(np.abs(alignment.gap_mm)) <= 9.0
    apart = replace(alignment, gap_mm=np.full_like(alignment.gap_mm, 80.0))
    assert enlargement(apart, 0.25) == 0.25
    blind = replace(alignment, gap_mm=np.full_like(alignment.gap_mm, np.nan))
    assert enlargement(blind, 0.25) >= 1


def test_gaps_in_words():
    assert gap_words(2.24, 0.41, "mm") == "+2.2 ±0.4"
    assert gap_words(-0.26, 0.3, "mm") == "\u22120.3 ±0.3"
    assert gap_words(25.4 / 8, 25.4 / 64, "in") == '+0.125" ±0.016"'


def test_equal_comparisons_give_equal_bytes(fuller, tmp_path):
    path = write_difference_figure(fuller, drawn_jobs.FACTS, tmp_path)
    assert path.name == "difference.svg"
    first = path.read_bytes()
    assert write_difference_figure(fuller, drawn_jobs.FACTS, tmp_path).read_bytes() == first
    with pytest.raises(CannotWrite, match="cannot be written"):
        write_difference_figure(fuller, drawn_jobs.FACTS, tmp_path / "gone")


def test_numbers_keep_off_each_other(fuller):
    shape = drawn_jobs.result(starboard=zoo.knee(side="starboard", bump_mm=(60.0, 3.0, 300.0)))
    for comparison in (fuller, shape.comparison):
        text = figure(comparison, drawn_jobs.FACTS)
        words = re.findall(
            r'<text[^>]*text-anchor="middle"[^>]*x="([\d.]+)" y="([\d.]+)">[+−]', text
        )
        places = np.array(words, dtype=float)
        assert len(places) > 2
        for k, one in enumerate(places):
            apart = np.abs(places[:k] - one)
            # Ten letters of 3.5 mm are 22 mm wide; a line of them is 4.4 mm high.
            assert np.all((apart[:, 0] > 25) | (apart[:, 1] > 6))


def test_two_that_are_no_pair_are_shown_as_they_fit_best_only(fuller):
    note = Note(code="turned-apart", severity="warn", text="")
    text = said(figure(replace(fuller, notes=(note,)), drawn_jobs.FACTS))
    assert "As they fit best" in text
    assert "On their pencil lines: as they sit in the boat" not in text
