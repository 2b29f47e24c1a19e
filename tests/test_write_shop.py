"""The page for the saw, opened again by a reader that did not write it."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import drawn_jobs
import numpy as np
import pikepdf
import pypdfium2
import pytest
import shapes as zoo
from shapely import LinearRing, LineString, Point

from spilemark.blank.board import board_order, lay
from spilemark.blank_job import BlankRequest, blank_sums, part_lines
from spilemark.errors import CannotWrite
from spilemark.grain import grain_of
from spilemark.ink import Sheet, Stroke, Words
from spilemark.ink_files import text_width_mm
from spilemark.records import Side
from spilemark.results import JobResult
from spilemark.shop.outlines import ShopEdge
from spilemark.shop_job import part_of, shop_request, shop_sums
from spilemark.template import build_template
from spilemark.walks import walks
from spilemark.wording import GLUE, TRUER
from spilemark_stages.write import shop
from spilemark_stages.write.report_content import content_of
from spilemark_stages.write.shop_page import MARGIN_MM, shop_page
from spilemark_stages.write.shop_rows import (
    UNLIKE,
    edge_tables,
    stretches_of,
    take_off_words,
    thirty_seconds,
)
from spilemark_stages.write.tiled_pdf import sheet_words

# ISO 216:2007, table 1; ASME Y14.1-2020.
SIZES_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
BUMP = (200.0, 4.0, 60.0)
INCHES = replace(drawn_jobs.FACTS, units="in", paper="letter")


@cache
def job(kind: str = "pair") -> JobResult:
    bumped = zoo.knee(side="starboard", bump_mm=BUMP)
    hollow = zoo.knee(side="starboard", bump_mm=(200.0, -3.0, 60.0))
    return {
        "pair": lambda: drawn_jobs.result(starboard=bumped),
        "inches": lambda: drawn_jobs.result(starboard=bumped, facts=INCHES),
        "hollow": lambda: drawn_jobs.result(starboard=hollow),
        "alike": drawn_jobs.result,
        "port": lambda: drawn_jobs.result(sides=("port",)),
        "starboard": lambda: drawn_jobs.result(sides=("starboard",)),
        "single": lambda: drawn_jobs.result(sides=("single",)),
        "nominal": lambda: drawn_jobs.result(starboard=bumped, scale=drawn_jobs.NOMINAL),
        "large": lambda: drawn_jobs.result(
            port=zoo.knee(side="port", hull_mm=1900.0, transom_mm=1500.0, step_mm=4.0),
            starboard=zoo.knee(side="starboard", hull_mm=1903.0, transom_mm=1500.0, step_mm=4.0),
        ),
        "notched": lambda: drawn_jobs.result(
            port=zoo.knee(side="port", notch_mm=(300.0, 20.0, 10.0)),
            starboard=zoo.knee(side="starboard", notch_mm=(300.0, 20.0, 10.0), bump_mm=BUMP),
        ),
        "long names": lambda: drawn_jobs.result(
            facts=replace(
                drawn_jobs.FACTS,
                boat="Ålesund <&> " * 12,
                part="forward knee of the after thwart, port and starboard " * 4,
                tolerance_mm=0.5,
            )
        ),
        "allowed": lambda: asked(
            drawn_jobs.result(starboard=bumped),
            **ALLOWED,
            stock="18 mm",
            bevels=["hull edge = 0:10 under, 250:14 standing"],
            starboard={"plane": ["hull edge = 3 mm"], "bevels": ["transom edge = 3 under"]},
        ),
        "much allowed": lambda: asked(
            drawn_jobs.result(starboard=bumped, facts=INCHES),
            hull={
                "port_diagonal": 4049.9,
                "starboard_diagonal": 4039.6,
                "breadth": 1200.0,
                "fixed": True,
            },
            **ALLOWED,
            stock="3/4in",
            bevels=["hull edge = 0:10 under, 250:14 standing", "transom edge = 12 under"],
            relief=["outer corner = 12 mm"],
            starboard={"plane": ["hull edge = 3 mm", "throat curve = 2 mm"], "glue": ["4 mm"]},
        ),
    }[kind]()


LETTER = ("inches", "much allowed")
KINDS = ("pair", "inches", "hollow", "alike", "port", "starboard", "single", "nominal", "large",
         "notched", "long names", "allowed", "much allowed")  # fmt: skip


def written(kind: str, folder: Path) -> bytes:
    (path,) = shop.write_job(result=job(kind), folder=folder, options=shop.Options())
    assert path.name == "shop.pdf"
    return path.read_bytes()


def text_of(content: bytes) -> str:
    document = pypdfium2.PdfDocument(content)
    text = document[0].get_textpage().get_text_bounded()
    document.close()
    return " ".join(text.split())


def words_of(kind: str) -> list[Words]:
    sheet = shop_page(job(kind), "letter" if kind in LETTER else "a4")
    return [mark for mark in sheet.marks if isinstance(mark, Words)]


@pytest.mark.parametrize("kind", KINDS)
def test_one_page_of_the_right_size_that_is_not_to_be_scaled(kind, tmp_path):
    """1 pt = 1/72 in: ISO 32000-1:2008, 8.3.2.3; PrintScaling None: table 150."""
    with pikepdf.open(io.BytesIO(written(kind, tmp_path))) as pdf:
        assert len(pdf.pages) == 1
        paper = SIZES_MM["letter" if kind in LETTER else "a4"]
        got = [float(v) for v in pdf.pages[0].MediaBox]
        assert got == pytest.approx([0, 0, *(mm * 72 / 25.4 for mm in paper)], abs=0.01)
        assert pdf.Root.ViewerPreferences.PrintScaling == "/None"
        assert "/UserUnit" not in pdf.pages[0]


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_stands_in_the_margin_and_nothing_is_coloured(kind, tmp_path):
    document = pypdfium2.PdfDocument(written(kind, tmp_path))
    pixels = document[0].render(scale=100 / 72).to_numpy().astype(int)
    document.close()
    assert (pixels.max(axis=2) - pixels.min(axis=2)).max() <= 3
    blank = int((MARGIN_MM - 2.5) * 100 / 25.4)
    edge = np.ones(pixels.shape[:2], dtype=bool)
    edge[blank:-blank, blank:-blank] = False
    assert (pixels[edge] > 250).all()


@pytest.mark.parametrize("kind", KINDS)
def test_words_are_large_enough_and_do_not_lie_on_each_other(kind):
    words = words_of(kind)
    # 7 point is the least of printed small print; 10 point for what is read with the saw
    # running: common practice, no source.
    assert min(w.size_mm for w in words) * 72 / 25.4 >= 7.0
    figures = [
        w for w in words if re.fullmatch(r"\d+(\.\d)?|\d*[ /\d]*\"", w.text) and w.size_mm > 3.0
    ]
    assert figures
    assert min(w.size_mm for w in figures) * 72 / 25.4 >= 10.0
    boxes = [box_of(w) for w in words]
    for k, a in enumerate(boxes):
        for other, b in zip(words[k + 1 :], boxes[k + 1 :], strict=True):
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, (words[k].text, other.text)


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_ends_above_the_foot(kind):
    sheet = shop_page(job(kind), "letter" if kind in LETTER else "a4")
    rules = [
        m for m in sheet.marks
        if isinstance(m, Stroke) and not m.closed and len(m.points) == 2
        and m.points[0][1] == m.points[1][1]
        and m.points[1][0] - m.points[0][0] > sheet.width_mm - 2 * MARGIN_MM - 0.1
    ]  # fmt: skip
    foot = max(m.points[0][1] for m in rules)
    rows = [
        m.points[0][1] for m in sheet.marks
        if isinstance(m, Stroke) and m.width_mm == 0.1 and len(m.points) == 2
    ]  # fmt: skip
    assert max(rows) < foot - 0.5


def box_of(words: Words) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of small letters, a hair less, so that touching lines pass."""
    width = text_width_mm(words)
    left = words.at[0] - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor]
    y, size = words.at[1], words.size_mm
    return left + 0.05, y - 0.7 * size, left + width - 0.05, y


def test_it_says_what_has_to_be_known(tmp_path):
    text = text_of(written("pair", tmp_path))
    for words in (
        "Quarter knee", "Curlew, 2026-05-14", "PORT + STARBOARD", "NOT TRUE SIZE", "FWD", "UP: this face",
        "GRAIN", "bevel", "Tolerance 1.5 mm", "taped A-H 742.5 mm", "WOOD CANNOT BE PUT BACK",
        "Not included: the scribing itself (often 1 to 2 mm), the hull, this paper.",
        "One part does not serve both sides", "does not size a structural part", "Wood dust", TRUER,
    ):  # fmt: skip
        assert words in text, words


def test_the_scale_that_is_stated_is_the_scale_that_was_drawn():
    sheet = shop_page(job("port"), "a4")
    (stated,) = [
        re.search(r"Drawn 1:([\d.]+),", w.text) for w in sheet.marks
        if isinstance(w, Words) and "Drawn 1:" in w.text
    ]  # fmt: skip
    ring = job("port").patterns[Side.PORT].outline.ring.points_mm
    drawn = next(np.array(m.points) for m in sheet.marks if isinstance(m, Stroke) and m.closed)
    assert np.ptp(ring, axis=0) == pytest.approx(np.ptp(drawn, axis=0) * float(stated[1]), rel=5e-3)


def test_take_off_is_the_bump_where_it_was_planted():
    found = stretches_of(job().comparison)
    assert [s.letter for s in found] == ["A"]
    assert found[0].cut.side is Side.PORT
    assert found[0].fuller is Side.STARBOARD
    tables = edge_tables(job(), job().comparison.port, found, 40, "mm")
    hull = next(t for t in tables if t.name == "hull edge")
    (worst,) = [row for row in hull.rows if row.letter]
    assert worst.s_mm == pytest.approx(BUMP[0], abs=5.0)
    off, inches = take_off_words(worst, Side.PORT)
    assert float(off) == pytest.approx(BUMP[1], abs=0.25)
    assert inches == thirty_seconds(worst.gap_mm)
    assert take_off_words(worst, Side.STARBOARD) == ("–", "")


def test_a_hollow_on_starboard_takes_wood_off_starboard():
    found = stretches_of(job("hollow").comparison)
    assert [s.cut.side for s in found] == [Side.STARBOARD]
    text = " ".join(w.text for w in words_of("hollow"))
    assert "Sawn to starboard's pattern, port's part comes out" in text


def test_stations_are_measured_along_the_edge_from_its_corner():
    pattern = job("port").patterns[Side.PORT]
    tables = edge_tables(job("port"), pattern, (), 40, "mm")
    assert tables[0].name == "hull edge"
    assert tables[0].begins == "outer"
    ring = pattern.outline.ring.points_mm
    corner = ring[pattern.outline.corners[pattern.origin_corner].index]
    for row in tables[0].rows:
        assert LinearRing(ring).distance(Point(row.at_mm)) < 1e-6
        # The knee's hull edge is nearly straight: its chord is its length.
        assert math.dist(row.at_mm, corner) == pytest.approx(row.s_mm, abs=2.0)


@pytest.mark.parametrize("room", [8, 12, 20, 34, 60])
def test_the_table_fits_its_room(room):
    for kind in ("pair", "notched", "large", "single"):
        pattern = next(iter(job(kind).patterns.values()))
        found = stretches_of(job(kind).comparison)
        tables = edge_tables(job(kind), pattern, found, room, "mm")
        most = room + 5 * len(found)
        assert sum(1 + len(t.rows) for t in tables) <= most
        assert all(t.rows for t in tables)


def test_what_was_not_seen_is_not_called_the_same():
    traced = drawn_jobs.unseen(drawn_jobs.outline(zoo.knee(side="port")), 0, 80)
    result = drawn_jobs.result(port=traced)
    tables = edge_tables(result, result.comparison.port, (), 60, "mm")
    rows = [row for table in tables for row in table.rows]
    assert any(take_off_words(row, Side.PORT)[0] == "not seen" for row in rows)


@pytest.mark.parametrize(
    ("mm", "words"),
    [
        # Nearest thirty-second (0.79375 mm) by hand.
        (0.0, '0"'), (0.3, '< 1/32"'), (0.6, '1/32"'), (0.9, '1/32"'), (1.1, '1/32"'), (1.6, '1/16"'), (2.2, '3/32"'),
        (3.175, '1/8"'), (4.0, '5/32"'), (12.7, '1/2"'), (25.4, '1"'), (27.0, '1 1/16"'),
    ],
)  # fmt: skip
def test_what_comes_off_is_told_to_a_thirty_second(mm, words):
    assert thirty_seconds(mm) == words


def asked(plain: JobResult, hull: dict[str, object] | None = None, **table: object) -> JobResult:
    """A job with what its tables [hull] and [shop] ask for."""
    request = shop_request(hull or {}, table, [str(s) for s in plain.patterns], "here")
    sums, notes = shop_sums(
        request, plain.patterns, plain.comparison, plain.facts, plain.survey.scale
    )
    return replace(plain, shop=sums, notes=(*plain.notes, *notes))


def test_bevels_that_were_given_stand_in_the_boxes(tmp_path):
    found = asked(job("port"), stock="18 mm", bevels=["hull edge = 0:10 under, 400:18 under"])
    # Half way along a fair line from 10 to 18 degrees.
    assert re.search(r"14\.[01]° under", text_of(pdf_of(found, tmp_path)))


def test_a_bevel_that_is_another_on_each_side_stands_on_the_templates_only(tmp_path):
    alike = {"stock": "18 mm", "bevels": ["hull edge = 12 under"]}
    text = text_of(pdf_of(asked(job(), **alike), tmp_path))
    assert "12.0° under" in text
    assert UNLIKE not in text
    text = text_of(
        pdf_of(asked(job(), **alike, starboard={"bevels": ["hull edge = 9 standing"]}), tmp_path)
    )
    assert UNLIKE in text
    assert "12.0° under" not in text
    assert "9.0° standing" not in text


def test_bevels_along_the_throat_count_from_the_same_end_as_the_table():
    # Starboard's ring runs the other way round; the bevel at one place must be one bevel.
    told = {"stock": "18 mm", "bevels": ["throat curve = 0:2 under, 400:20 under"]}
    found = asked(job("alike"), **told)
    tables = edge_tables(found, found.comparison.port, (), 60, "mm")
    rows = next(t for t in tables if t.name == "throat curve").rows
    degrees = [float(row.bevel.split("°")[0]) for row in rows]
    assert UNLIKE not in {row.bevel for row in rows}
    assert degrees == sorted(degrees)
    assert degrees[0] < 8.0 < degrees[-1]


ALLOWED = {
    "scribe": ["hull edge = 6 mm outboard"],
    "glue": ["hull edge = 1.5 mm"],
    "saw": ["2 mm"],
}


def test_what_was_allowed_stands_once_where_it_is_the_same_on_both_sides(tmp_path):
    text = text_of(pdf_of(asked(job(), **ALLOWED), tmp_path))
    for words in (
        "CUTTING LINES on the templates.",
        "scribe gap of 6.0 mm undone in one direction, outboard",
        "hull edge: 1.5 mm free for glue, 2.0 mm for the saw.",
        # The blank is not sawn to the patterns' lines that the page shows.
        "Saw each side to the CUTTING LINE of its template",
        GLUE,
    ):
        assert text.count(words) == 1, words
    assert "to the outer of the two lines" not in text
    assert "PORT: " not in text
    plain = text_of(written("pair", tmp_path))
    assert "to the outer of the two lines" in plain
    assert GLUE not in plain


def test_what_differs_between_the_sides_is_said_of_each(tmp_path):
    found = asked(job(), **ALLOWED, starboard={"plane": ["hull edge = 3 mm"]})
    text = text_of(pdf_of(found, tmp_path))
    assert "CUTTING LINES on the templates. hull edge: scribe gap" in text
    assert text.count("scribe gap") == 1
    assert "PORT: hull edge: 1.5 mm free for glue, 2.0 mm for the saw." in text
    assert (
        "STARBOARD: hull edge: 1.5 mm free for glue, 2.0 mm for the saw, 3.0 mm to plane off."
        in text
    )


@pytest.mark.parametrize("fixed", [False, True])
def test_the_hull_stands_there_with_what_its_tapes_do_not_see(fixed, tmp_path):
    hull = {"port_diagonal": 4049.9, "starboard_diagonal": 4039.6, "breadth": 1200.0}
    text = text_of(pdf_of(asked(job(), hull | {"fixed": fixed}), tmp_path))
    assert "HULL: The port corner is 10.4 mm" in text
    for words in ("also shifted", "twist", "winding sticks"):
        assert words in text
    assert ("Do not mirror one on the other" in text) is fixed


def test_a_side_without_a_cutting_line_is_named(tmp_path):
    found = asked(job(), **ALLOWED, starboard={"saw": ["keel = 2 mm"]})
    assert found.shop.left_out == (Side.STARBOARD,)
    text = text_of(pdf_of(found, tmp_path))
    assert "NO CUTTING LINE for STARBOARD" in text
    assert "PORT: hull edge: scribe gap" in text


def pdf_of(result: JobResult, folder: Path) -> bytes:
    (path,) = shop.write_job(result=result, folder=folder, options=shop.Options())
    return path.read_bytes()


def test_the_grain_of_a_knee_runs_from_toe_to_toe_as_its_board_has_it(tmp_path):
    # Sides of 295 and 355 mm at 93 degrees, toes 44 mm wide; the throat's ends by construction:
    # each arm's end is square to its edge, 44 mm in from the outer corner of the toe.
    sizes = {
        "hull_mm": 295.0,
        "transom_mm": 355.0,
        "angle_deg": 93.0,
        "end_mm": 44.0,
        "sag_mm": 0.0,
    }
    drawn = zoo.knee(side="port", **sizes)
    found = drawn_jobs.result(port=drawn, sides=("port",))
    pattern = found.patterns[Side.PORT]
    lean = math.radians(93.0)
    along_hull, along_transom = np.array([math.cos(lean), math.sin(lean)]), np.array([1.0, 0.0])
    toes = [
        295.0 * along_hull + 44.0 * np.array([along_hull[1], -along_hull[0]]),
        355.0 * along_transom + 44.0 * np.array([0.0, 1.0]),
    ]
    expected = math.degrees(math.atan2(*(toes[0] - toes[1])[::-1])) % 180.0
    drawn_way = _arrow_degrees(shop_page(found, "a4"))
    assert drawn_way == pytest.approx(expected, abs=0.6)
    board = lay(
        part_of(pattern, found.facts, found.survey.scale).outline, board_order({}, "[board]")
    )
    assert board.grain.degrees % 180.0 == pytest.approx(drawn_way, abs=0.1)
    assert board.grain.basis == "toe to toe"
    assert "toe to toe" in text_of(pdf_of(found, tmp_path))


def test_the_grain_that_a_job_told_is_drawn(tmp_path):
    found = drawn_jobs.result(sides=("port",))
    lines, _ = part_lines(found.patterns, found.shop, found.facts, found.survey.scale)
    request = BlankRequest(board=board_order({"grain_part": 30}, "[board]"))
    told = replace(found, blank=blank_sums(request, lines)[0])
    assert _arrow_degrees(shop_page(told, "a4")) == pytest.approx(30.0, abs=1e-6)
    assert "as you told it" in text_of(pdf_of(told, tmp_path))


def test_the_grain_of_a_part_without_a_throat_is_said_to_be_the_long_way():
    ring = np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 50.0], [0.0, 50.0]])
    turn = np.radians(30)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    found = grain_of(ring @ matrix.T, ())
    assert (found.basis, found.degrees) == ("long way", pytest.approx(30.0, abs=1e-6))


def test_a_throat_in_pieces_has_its_toes_at_its_outer_ends():
    ring = np.array([[0, 0], [400, 0], [400, 60], [250, 90], [90, 260], [60, 400], [0, 400]], float)
    names = ("hull edge", "hull arm end", "throat curve 2", "throat curve", "throat curve 3",
             "transom arm end", "transom edge")  # fmt: skip
    edges = [ShopEdge(name=n, start=k, stop=(k + 1) % 7) for k, n in enumerate(names)]
    for shift in (0, 3, 5):  # wherever the ring begins
        way = grain_of(ring, edges[shift:] + edges[:shift])
        assert way.degrees % 180 == pytest.approx(135.0)


def _arrow_degrees(sheet: Sheet) -> float:
    """Way of the longest of the three parallel strokes over the word GRAIN, y up."""
    word = next(m for m in sheet.marks if isinstance(m, Words) and m.text == "GRAIN")
    near = [
        np.array(m.points)
        for m in sheet.marks
        if isinstance(m, Stroke)
        and len(m.points) == 2
        and np.linalg.norm(np.mean(m.points, axis=0) - np.array(word.at) + [0, 16.0]) < 1.0
    ]
    across, down = max((p[1] - p[0] for p in near), key=np.linalg.norm)
    return math.degrees(math.atan2(-down, across)) % 180.0


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({}, "Thickness of the pattern: 3.1 mm, as told."),
        ({"thickness_mm": 31.0}, "31 mm, as told. Pattern stock that thick?"),
        ({"thickness_mm": None}, "Thickness of the pattern: NOT TOLD, 3 mm taken."),
        ({"thickness_mm": 3.175, "units": "in"}, 'pattern: 0.125", as told.'),
        ({"cards_on": "pattern"}, "its thickness does not count"),
        (
            {"thickness_of_arm": {"port": (6.18, 0.1), "starboard": (6.03, 0.1)}},
            "6.18 mm, as told.",
        ),
    ],
)
def test_the_thickness_stands_beside_the_scale_on_every_page(told: dict, words: str, tmp_path):
    facts = replace(drawn_jobs.FACTS, **told)
    found = drawn_jobs.result(sides=("port",), facts=facts)
    assert words in text_of(pdf_of(found, tmp_path))
    assert words in content_of(found).scale
    drawn = build_template(found.patterns[Side.PORT], facts, found.survey.scale, {})
    block = " ".join(label.text.replace("\u00a0", " ") for label in drawn.labels)
    assert words in block
    assert words in " ".join(sheet_words(drawn, None).lines)


@pytest.mark.parametrize(("boat", "title"), [("Curlew", "Curlew"), ("", "Pattern")])
def test_a_part_without_a_name_is_said_to_have_none(boat: str, title: str):
    facts = replace(drawn_jobs.FACTS, part="", boat=boat)
    sheet = shop_page(drawn_jobs.result(sides=("port",), facts=facts), "a4")
    texts = [mark.text for mark in sheet.marks if isinstance(mark, Words)]
    assert texts[0] == title
    assert "Part" not in texts
    assert any("part not named (--part)" in text for text in texts)


def test_nominal_scale_is_said_first(tmp_path):
    assert "NO ABSOLUTE SIZE IS CLAIMED" in text_of(written("nominal", tmp_path))


@pytest.mark.parametrize(("paper", "page"), [("a3", "a4"), ("tabloid", "letter")])
def test_a_page_for_the_hand_whatever_the_sheets_are(paper, page, tmp_path):
    result = drawn_jobs.result(sides=("port",), facts=replace(drawn_jobs.FACTS, paper=paper))
    with pikepdf.open(io.BytesIO(pdf_of(result, tmp_path))) as pdf:
        width = float(pdf.pages[0].MediaBox[2])
        assert width == pytest.approx(SIZES_MM[page][0] * 72 / 25.4, abs=0.01)


def test_equal_jobs_give_equal_bytes(tmp_path):
    assert written("pair", tmp_path) == written("pair", tmp_path)


def test_a_folder_that_cannot_be_written(tmp_path):
    with pytest.raises(CannotWrite):
        shop.write_job(result=job(), folder=tmp_path / "none", options=shop.Options())


def test_forward_is_not_drawn_where_nobody_told_it(tmp_path):
    plain = job("port")
    pattern = replace(plain.patterns[Side.PORT], forward_known=False)
    text = text_of(pdf_of(replace(plain, patterns={Side.PORT: pattern}), tmp_path))
    assert "FWD was not told: mark it yourself" in text


def test_part_of_a_pattern_claims_no_figure(tmp_path):
    plain = job("port")
    pattern = plain.patterns[Side.PORT]
    part = replace(pattern, outline=replace(pattern.outline, whole=False))
    text = text_of(pdf_of(replace(plain, patterns={Side.PORT: part}), tmp_path))
    assert "NOT THE WHOLE PATTERN" in text
    assert "±" not in text.partition("Scale:")[0]


def test_stations_stand_where_they_say_and_not_at_the_next_measured_point():
    """Held against shapely's own walk along the ring; measured points stand a millimetre apart."""
    pattern = job("port").patterns[Side.PORT]
    ring = pattern.outline.ring.points_mm
    for walk in walks(pattern):
        table = next(
            t for t in edge_tables(job("port"), pattern, (), 60, "in") if t.name == walk.edge.name
        )
        line = LineString(ring[walk.points])
        for row in table.rows:
            # The walk may end a point before its corner, which counts with the next edge.
            if row.s_mm < line.length:
                assert line.interpolate(row.s_mm - walk.s_mm[0]).distance(Point(row.at_mm)) < 1e-6
