"""Tiled sheets, printed to pixels at 600 dpi by a reader that did not write them, and measured."""

from __future__ import annotations

import io
import itertools
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

from spilemark.errors import CannotWrite, UsageError
from spilemark.ink import Stroke, Words
from spilemark.ink_files import pdf_bytes, text_width_mm
from spilemark.printers import PrinterProfile, store_printer
from spilemark.recipe import equip, standard_recipe
from spilemark.records import Template
from spilemark.shop_job import shop_request, shop_sums
from spilemark.template import build_template, build_templates
from spilemark.template_shop import DASHES
from spilemark.tile_joins import check_lines, joins
from spilemark.tiling import Layout, Place, plan_layout
from spilemark.wording import CHECK_BARS, HULL, STRUCTURE
from spilemark_stages.write import tiled_pdf
from spilemark_stages.write.tiled_band import pages
from spilemark_stages.write.tiled_part import flat, part_of
from spilemark_stages.write.tiled_pdf import CLEARANCE_MM, Options, tiled_sheets, write_template

DPI = 600
PX_MM = 25.4 / DPI
# ISO 216:2007 and ASME Y14.1-2020, shorter edge first.
PAPER_MM = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
    "a3": (297.0, 420.0),
    "tabloid": (279.4, 431.8),
}
MARGIN_MM = 10.0
# Paper, turn: an oblique layout upright, and a straight one that lies on its side.
JOBS = (("a4", "any"), ("letter", "none"))


@cache
def template(kind: str = "knee") -> Template:
    sizes: dict = {"knee": {"hole": True}, "long": {"hull_mm": 620.0, "line_inboard_mm": 160.0}}[
        kind
    ]
    pattern = drawn_jobs.pattern(zoo.knee(side="port", **sizes), noise_seed=5)
    return build_template(pattern, drawn_jobs.FACTS, drawn_jobs.TAPED, {"program": "x"})


def kind_of(paper: str) -> str:
    return "long" if paper == "letter" else "knee"


@cache
def content(paper: str, turn: str) -> bytes:
    options = Options(paper=paper, turn=turn)
    return pdf_bytes(tiled_sheets(template(kind_of(paper)), options), "job")


@cache
def layout_of(paper: str, turn: str) -> Layout:
    part = part_of(template(kind_of(paper)))
    return plan_layout(
        part.outline_mm,
        windows=[page.window for page in pages(paper, MARGIN_MM, 10.0)],
        overlap_mm=10.0,
        clearance_mm=CLEARANCE_MM,
        lines_mm=part.lines_mm,
        turn=turn,
    )


class Print:
    """One page in dots of 600 an inch; places in mm from its top-left corner."""

    def __init__(self, content: bytes, number: int) -> None:
        document = pypdfium2.PdfDocument(content)
        page = document[number]
        self.text = " ".join(page.get_textpage().get_text_bounded().split())
        self.labels = list(_labels(page))
        size = np.array(page.get_size()) * 25.4 / 72
        self.ink = 255 - page.render(scale=DPI / 72, grayscale=True).to_numpy().squeeze()
        document.close()
        # The reader rounds the page up to whole dots and stretches it to fill them.
        self.scale = np.array(self.ink.shape[::-1]) / size

    def line(self, start: tuple[float, float], stop: tuple[float, float]) -> np.ndarray:
        """Ink (N,) along an upright or level line, a sample a dot."""
        x0, y0 = np.array(start) * self.scale
        x1, y1 = np.array(stop) * self.scale
        if abs(y1 - y0) < abs(x1 - x0):
            return self.ink[int(y0), int(x0) : int(x1)].astype(float)
        return self.ink[int(y0) : int(y1), int(x0)].astype(float)

    def at(self, points: np.ndarray) -> np.ndarray:
        """Ink (N,) of the dots at places (N, 2); none beyond the page."""
        x, y = np.floor(points * self.scale).astype(int).T
        inside = (x >= 0) & (y >= 0) & (x < self.ink.shape[1]) & (y < self.ink.shape[0])
        found = np.zeros(len(points))
        found[inside] = self.ink[y[inside], x[inside]]
        return found


def _labels(page: pypdfium2.PdfPage):
    """Each label of a bar: (words, x, y of the foot of its first letter, turned)."""
    words = page.get_textpage()
    text = words.get_text_range()
    height = page.get_height()
    for line in re.finditer(r"(?m)^(?:(?:100 mm|4 in) ?)+\r?$", text):
        for label in re.finditer("100 mm|4 in", line.group()):
            at = line.start() + label.start()
            first, last = words.get_charbox(at), words.get_charbox(at + len(label.group()) - 1)
            turned = abs(last[0] - first[0]) < abs(last[1] - first[1])
            foot = (first[2] if turned else first[0], height - first[1])
            yield label.group(), foot[0] * 25.4 / 72, foot[1] * 25.4 / 72, turned


@cache
def prints(paper: str, turn: str) -> tuple[Print, ...]:
    made = content(paper, turn)
    return tuple(Print(made, k) for k in range(1 + len(layout_of(paper, turn).places)))


def tiles(paper: str, turn: str) -> dict[Place, Print]:
    return dict(zip(layout_of(paper, turn).places, prints(paper, turn)[1:], strict=True))


def on_page(layout: Layout, place: Place, points: np.ndarray) -> np.ndarray:
    """Paper frame to mm from the page's top-left corner."""
    window = layout.window_box(place)
    p = np.asarray(points, dtype=float)
    return np.stack([MARGIN_MM + p[..., 0] - window.left, MARGIN_MM + window.top - p[..., 1]], -1)


def middles(ink: np.ndarray) -> np.ndarray:
    """Middles of the inked runs of a line, in dots from its start."""
    dark = np.flatnonzero(ink > 60)
    if not len(dark):
        return np.zeros(0)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return np.array([np.average(run + 0.5, weights=ink[run]) for run in runs])


def bar_lengths(print_: Print) -> dict[tuple[str, bool], float]:
    """(name, upright) to its length: the end strokes beside the label, middle to middle."""
    found = {}
    for name, x, y, turned in print_.labels:
        # The line is 1.2 mm beyond the foot of its label; 1 mm beyond that only end strokes are.
        if turned:
            ink = print_.line((x + 2.2, y - 62), (x + 2.2, y + 62))
            ends, scale = middles(ink), print_.scale[1]
            start = (y - 62) * scale
            here = y * scale
        else:
            ink = print_.line((max(x - 62, 0), y + 2.2), (x + 62, y + 2.2))
            ends, scale = middles(ink), print_.scale[0]
            start = max(x - 62, 0) * scale
            here = x * scale
        places = ends + int(start)
        before, after = places[places < here][-1], places[places > here][0]
        found[name, turned] = (after - before) / scale
    return found


@pytest.mark.parametrize(("paper", "turn"), JOBS)
def test_bars_measure_true_both_ways_on_every_sheet(paper, turn):
    """100 mm and 4 in (1 in is 25.4 mm, 1959), within 2 dots of 600 to the inch."""
    for print_ in prints(paper, turn):
        found = bar_lengths(print_)
        assert set(found) == {(name, way) for name in ("100 mm", "4 in") for way in (True, False)}
        for (name, _), length in found.items():
            assert length == pytest.approx(100.0 if name == "100 mm" else 101.6, abs=2 * PX_MM)


@pytest.mark.parametrize("paper", PAPER_MM)
def test_pages_are_the_paper_and_ask_not_to_be_scaled(paper):
    """Sizes: ISO 216, Y14.1; 1 pt = 1/72 in and PrintScaling: ISO 32000-1:2008, 8.3.2.3, t. 150."""
    made = pdf_bytes(tiled_sheets(template(), Options(paper=paper)), "job")
    with pikepdf.open(io.BytesIO(made)) as pdf:
        assert pdf.Root.ViewerPreferences.PrintScaling == "/None"
        sizes = {tuple(float(v) for v in page.MediaBox) for page in pdf.pages}
        ((left, bottom, *size),) = sizes
        assert (left, bottom) == (0, 0)
        assert sorted(size) == pytest.approx([mm * 72 / 25.4 for mm in PAPER_MM[paper]], abs=0.01)
        for page in pdf.pages:
            assert "/UserUnit" not in page
            used = [f for f in page.Resources.Font.values() if f.get("/FontDescriptor") is not None]
            assert used
            assert all("/FontFile2" in font.FontDescriptor for font in used)


def test_equal_templates_give_equal_bytes():
    options = Options(paper="a4", turn="any")
    assert pdf_bytes(tiled_sheets(template(), options), "job") == content("a4", "any")


def cross_at(print_: Print, near: np.ndarray) -> np.ndarray:
    """Middle of the cross near a place: each arm measured on both sides of the other."""
    x, y = near
    across = [middles(print_.line((x - 1.2, y + d), (x + 1.2, y + d))) for d in (-3.0, 3.0)]
    down = [middles(print_.line((x + d, y - 1.2), (x + d, y + 1.2))) for d in (-3.0, 3.0)]
    sx, sy = print_.scale
    xs = [int((x - 1.2) * sx) + m[np.argmin(np.abs(m - 1.2 * sx))] for m in across]
    ys = [int((y - 1.2) * sy) + m[np.argmin(np.abs(m - 1.2 * sy))] for m in down]
    return np.array([np.mean(xs) / sx, np.mean(ys) / sy])


@pytest.mark.parametrize(("paper", "turn"), JOBS)
def test_crosses_that_must_meet_meet_and_the_part_with_them(paper, turn):
    """Sheets laid cross on cross: the other cross and the outline fall together, to 2 dots."""
    layout, found = layout_of(paper, turn), tiles(paper, turn)
    curve = layout.turned(flat(template(kind_of(paper)).strokes[0].segments))
    steps = np.linspace(0, 1, 40)[:, None]
    outline = np.concatenate([a + steps * (b - a) for a, b in itertools.pairwise(curve)])
    assert joins(layout)
    shared = 0
    for join in joins(layout):
        places = {}
        for place in (join.under, join.over):
            expected = on_page(layout, place, np.array(join.crosses))
            places[place] = np.array([cross_at(found[place], at) for at in expected])
            # To 2 dots of where the layout says, on each sheet by itself.
            assert np.abs(places[place] - expected).max() < 2 * PX_MM
        one, other = places[join.under], places[join.over]
        laid = other - other[0] + one[0]
        assert np.abs(laid[1] - one[1]).max() < 2 * PX_MM
        both = layout.window_box(join.under).holds(outline, 0.3) & layout.window_box(
            join.over
        ).holds(outline, 0.3)
        first = np.array(join.crosses[0])
        for place, cross in ((join.under, one[0]), (join.over, other[0])):
            there = cross + (outline[both] - first) * [1, -1]
            assert near_ink(found[place], there).all()
        shared += int(both.sum())
    assert shared > 100


def near_ink(print_: Print, points: np.ndarray, dots: int = 2) -> np.ndarray:
    """Whether solid ink lies within so many dots of places (N, 2)."""
    reach = range(-dots, dots + 1)
    shifted = [print_.at(points + np.array([dx, dy]) * PX_MM) for dx in reach for dy in reach]
    return np.max(shifted, axis=0) > 200


@pytest.mark.parametrize(("paper", "turn"), JOBS)
def test_every_edge_point_is_inked_on_a_sheet_that_owns_it(paper, turn):
    layout, found = layout_of(paper, turn), tiles(paper, turn)
    for stroke in template(kind_of(paper)).strokes:
        if stroke.style not in ("outline", "hole"):
            continue
        there = layout.turned(flat(stroke.segments))
        shown = np.zeros(len(there), dtype=bool)
        for place, print_ in found.items():
            own = layout.core_box(place).holds(there, -1e-9)
            assert layout.window_box(place).holds(there[own], 2.4).all()
            shown[own] = near_ink(print_, on_page(layout, place, there[own]), dots=1)
        assert shown.all()


@pytest.mark.parametrize(("paper", "turn"), JOBS)
def test_check_lines_run_straight_over_all_joins(paper, turn):
    """Middle of the ink across the line, every 2 mm, on every sheet that it crosses: to 2 dots."""
    layout, found = layout_of(paper, turn), tiles(paper, turn)
    lines = check_lines(layout, joins(layout))
    over = {join.name: 0 for join in joins(layout)}
    for line in lines:
        start, stop = np.array(line.start), np.array(line.stop)
        along = (stop - start) / line.length_mm
        normal = np.array([-along[1], along[0]])
        runs = np.arange(4.0, line.length_mm - 4.0, 2.0)
        offsets = np.arange(-0.7, 0.7, PX_MM / 2)
        crossed = []
        for place, print_ in found.items():
            points = start + runs[:, None] * along
            points = points[layout.window_box(place).holds(points, 1.0)]
            if len(points) < 10:
                continue
            grid = points[:, None] + offsets[None, :, None] * normal
            ink = print_.at(on_page(layout, place, grid.reshape(-1, 2))).reshape(len(points), -1)
            ink = np.where(ink > 60, ink, 0)
            alone = (ink[:, :4].max(1) == 0) & (ink[:, -4:].max(1) == 0) & (ink.max(1) > 100)
            alone &= ink.sum(1) < 255 * 0.25 / (PX_MM / 2)
            assert alone.mean() > 0.5, (line.name, place)
            middle = (ink[alone] * offsets).sum(1) / ink[alone].sum(1)
            assert np.quantile(np.abs(middle), 0.95) < 2 * PX_MM
            assert abs(np.median(middle)) < PX_MM
            crossed.append(place)
        for join in joins(layout):
            over[join.name] += join.under in crossed and join.over in crossed
    assert all(over.values())


def test_a_job_in_inches_has_millimetres_at_the_check_bars_only():
    facts = replace(drawn_jobs.FACTS, units="in")
    pattern = drawn_jobs.pattern(zoo.knee(side="port"), noise_seed=5)
    taped = replace(drawn_jobs.TAPED, words='taped A-H 29.232"')
    drawn = build_template(pattern, facts, taped, {"program": "x"})
    for sheet in tiled_sheets(drawn, Options()):
        for mark in sheet.marks:
            if isinstance(mark, Words) and re.search(r"\d\s?mm", mark.text):
                assert mark.text == "100 mm"
    lines = [m.text for m in tiled_sheets(drawn, Options())[0].marks if isinstance(m, Words)]
    assert any(re.search(r'1: \d+( \d+/\d+)?"', text) for text in lines), lines


@pytest.mark.parametrize(("paper", "turn"), JOBS)
def test_every_sheet_says_where_it_belongs(paper, turn):
    layout = layout_of(paper, turn)
    forward = (
        "this edge forward" if layout.turn_rad == 0 else "this edge forward, as the arrow leans"
    )
    for place, print_ in tiles(paper, turn).items():
        for words in (
            f"Row {place.row}",
            f"Column {place.column}",
            f"of {len(layout.places)}",
            forward,
            "Curlew, quarter knee, PORT",
            "Seen from above",
            "2026-05-14",
            "(95 %) for the pattern as it lay on the bench. Not included: the scribing itself",
            "(often 1 to 2 mm), the hull, this paper.",
            "taped A-H 742.5 mm",
            "Not corrected for any printer",
            "check line",
        ):
            assert words in print_.text, words
        for join in joins(layout):
            if place in (join.under, join.over):
                other = join.over if place == join.under else join.under
                named = f"row {other.row}, column {other.column}"
                how = "goes under" if place == join.under else "lay over"
                assert f"{how} {named}" in print_.text


def test_sheets_say_what_a_shrunk_page_measures():
    """Derived: A4 into A4 and into Letter, each less edges of 4 mm: 202 / 210, 271.4 / 297."""
    for print_ in prints("a4", "any"):
        assert "96.19 or 91.38 for 100" in print_.text


def test_the_map_comes_first_and_tells_the_whole_job():
    layout = layout_of("a4", "any")
    text = prints("a4", "any")[0].text
    lengths = [f"{line.length_mm:.1f} mm" for line in check_lines(layout, joins(layout))]
    for words in (
        "PORT",
        "3 sheets, A4 upright",
        "Row 1",
        "Column 2",
        "FORWARD",
        "Print at 100 %",
        "every cross whole",
        "truer than taped paper",
        "If they are wrong, do not cut",
        *lengths,
    ):
        assert words in text, words


def words_of(sheet) -> list[Words]:
    return [mark for mark in sheet.marks if isinstance(mark, Words)]


@pytest.mark.parametrize("paper", PAPER_MM)
@pytest.mark.parametrize("scale", [drawn_jobs.TAPED, drawn_jobs.NOMINAL])
def test_words_beside_the_drawing_stay_on_the_paper_and_off_each_other(paper, scale):
    facts = replace(drawn_jobs.FACTS, boat="Ängla of Marstrand, hull seven of the 1934 series")
    drawn = replace(
        template("long"), facts=facts, scale=scale, title=f"{facts.boat}, {facts.part}, PORT",
        legend=allowed_template().legend,
    )  # fmt: skip
    for turn in ("any", "none"):
        for sheet in tiled_sheets(drawn, Options(paper=paper, turn=turn))[1:]:
            boxes = [extent(words) for words in words_of(sheet)]
            for k, (x0, y0, x1, y1) in enumerate(boxes):
                assert x0 > MARGIN_MM - 0.2
                assert y0 > MARGIN_MM - 0.2
                assert x1 < sheet.width_mm - MARGIN_MM + 0.2
                assert y1 < sheet.height_mm - MARGIN_MM + 0.6
                for other in boxes[:k]:
                    apart = x0 >= other[2] or other[0] >= x1 or y0 >= other[3] or other[1] >= y1
                    assert apart, words_of(sheet)[k]


def extent(words: Words) -> tuple[float, float, float, float]:
    x, y = words.at
    length, rise, drop = text_width_mm(words), 0.74 * words.size_mm, 0.2 * words.size_mm
    before = length * {"start": 0, "middle": 0.5, "end": 1}[words.anchor]
    if words.upwards:
        return x - rise, y - length + before, x + drop, y + before
    return x - before, y - rise, x - before + length, y + drop


@cache
def allowed_template() -> Template:
    """A large knee with bevels and allowances on it."""
    result = drawn_jobs.result(
        sides=("port",), port=zoo.knee(side="port", hull_mm=620.0, line_inboard_mm=160.0)
    )
    table = {
        "stock": "18 mm",
        "bevels": ["hull edge = 0:10 under, 400:18 standing", "transom edge = 12 under"],
        "scribe": ["hull edge = 6 mm outboard"],
        "glue": ["hull edge = 1.5 mm", "transom edge = 2 mm"],
        "saw": ["2 mm"],
        "relief": ["outer corner = 12 mm"],
    }
    request = shop_request({}, table, ["port"], "here")
    sums, _ = shop_sums(request, result.patterns, None, result.facts, result.survey.scale)
    (made,) = build_templates(replace(result, shop=sums))
    return made


@pytest.mark.parametrize("paper", PAPER_MM)
@pytest.mark.parametrize("turn", ["any", "none"])
def test_the_line_to_saw_to_is_named_on_every_sheet(paper, turn):
    drawn = allowed_template()
    made = pdf_bytes(tiled_sheets(drawn, Options(paper=paper, turn=turn)), "job")
    texts = [
        " ".join(p.get_textpage().get_text_bounded().split()) for p in pypdfium2.PdfDocument(made)
    ]
    assert len(texts) > 2
    for text in texts:
        assert "dash and two dots: CUTTING LINE" in text
        assert "solid: the pattern; dashes: FINISHED LINE; short dashes: far face" in text
    # The map has them as they are drawn, and what was allowed, and no caution gives way for it.
    for words in (*(told for _, told in drawn.legend), *drawn.allowed, CHECK_BARS, HULL, STRUCTURE):
        assert words in texts[0], words
    dashes = {m.dash_mm for m in tiled_sheets(drawn, Options(paper=paper, turn=turn))[0].marks
              if isinstance(m, Stroke)}  # fmt: skip
    assert set(DASHES.values()) <= dashes
    # A pattern alone has nothing to tell apart.
    assert template().legend == ()
    assert "CUTTING LINE" not in prints("a4", "any")[0].text


def test_no_size_is_claimed_where_none_was_measured():
    sheets = tiled_sheets(replace(template(), scale=drawn_jobs.NOMINAL), Options(paper="a4"))
    made = pdf_bytes(sheets, "job")
    for page in pypdfium2.PdfDocument(made):
        text = " ".join(page.get_textpage().get_text_bounded().split())
        assert "NO ABSOLUTE SIZE IS CLAIMED" in text
        assert "95 %" not in text


def test_a_small_part_takes_one_sheet_and_no_map():
    pattern = drawn_jobs.pattern(
        zoo.knee(side="port", hull_mm=150.0, line_inboard_mm=40.0, line_mm=None), noise_seed=5
    )
    small = build_template(pattern, drawn_jobs.FACTS, drawn_jobs.TAPED)
    only = tiled_sheets(small, Options(paper="a3"))
    assert len(only) == 1
    assert "glue" not in " ".join(words.text for words in words_of(only[0]))


def test_the_job_names_the_paper_and_the_recipe_may_overrule_it():
    facts = replace(drawn_jobs.FACTS, paper="letter")
    drawn = replace(template(), facts=facts)
    for options, paper in ((Options(), "letter"), (Options(paper="a3"), "a3")):
        sheet = tiled_sheets(drawn, options)[0]
        assert sorted((sheet.width_mm, sheet.height_mm)) == list(PAPER_MM[paper])


@pytest.mark.parametrize(("paper", "turn"), [("a4", "any"), ("letter", "none")])
def test_a_printer_is_made_up_for_in_each_direction_and_named(paper, turn, tmp_path):
    """A printer that makes 99.5 of 100 across and 100.4 along prints these bars true."""
    store = tmp_path / "printers.toml"
    profile = PrinterProfile(name="shop", paper=paper, across_mm=99.5, along_mm=100.4)
    store_printer(profile, store)
    options = Options(paper=paper, turn=turn, printer="shop", printers_file=str(store))
    made = pdf_bytes(tiled_sheets(template(kind_of(paper)), options), "job")
    for number in (0, 1):
        print_ = Print(made, number)
        lying = print_.ink.shape[1] > print_.ink.shape[0]
        assert lying == (paper == "letter")
        for (name, upright), length in bar_lengths(print_).items():
            along_the_long_edge = upright != lying
            printed = length * (1.004 if along_the_long_edge else 0.995)
            assert printed == pytest.approx(100.0 if name == "100 mm" else 101.6, abs=2 * PX_MM)
        assert 'printer "shop"' in print_.text
        assert "99.50 across, 100.40 along" in print_.text


def test_a_printer_measured_on_other_paper_is_refused(tmp_path):
    store = tmp_path / "printers.toml"
    store_printer(PrinterProfile(name="shop", paper="a4", across_mm=99.5, along_mm=100.4), store)
    options = Options(paper="letter", printer="shop", printers_file=str(store))
    with pytest.raises(UsageError, match="measured on a4"):
        tiled_sheets(template(), options)
    with pytest.raises(UsageError, match='No printer "shed"'):
        tiled_sheets(template(), replace(options, printer="shed"))


@pytest.mark.parametrize(
    "table",
    [
        {"overlap_mm": 5.0},
        {"margin_mm": 0.0},
        {"paper": "a5"},
        {"turn": "some"},
        {"edge_pen_mm": 9.0},
    ],
)
def test_impossible_options_are_refused(table):
    recipe = standard_recipe()
    stages = recipe.stages | {"write_template": ("tiled-pdf",)}
    wrong = replace(recipe, stages=stages, options={("write_template", "tiled-pdf"): table})
    from spilemark.plugins import load_plugins

    plugins = load_plugins(only=wrong.names)
    with pytest.raises(UsageError):
        equip(wrong, plugins)


def test_wider_overlap_and_margin_still_cover_the_part():
    options = Options(paper="a4", overlap_mm=25.0, margin_mm=15.0)
    assert len(tiled_sheets(template(), options)) >= len(
        tiled_sheets(template(), Options(paper="a4"))
    )


def test_a_part_without_the_page_s_own_block():
    """Templates of others need not tell their part apart: then all but the checks is the part."""
    part = part_of(template())
    assert all(label.at_mm[1] > template().block_top_mm for label in part.labels)
    bare = part_of(replace(template(), block_top_mm=None))
    assert len(bare.labels) == len(template().labels)
    assert {stroke.style for stroke, _ in bare.strokes} & {"check"} == set()


def test_chords_keep_to_the_curve():
    """A quarter circle by its usual cubic (0.5522847): points at 45 degrees within 0.03 % of r."""
    k, r = 0.5522847498, 200.0
    cubic = np.array([[r, 0.0], [r, k * r], [k * r, r], [0.0, r]])
    points = flat([cubic], tolerance_mm=0.004)
    reach = np.linalg.norm(points, axis=1)
    assert np.abs(reach / r - 1).max() < 3e-4
    sides = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert (r - np.sqrt(r**2 - (sides / 2) ** 2)).max() < 0.004
    assert math.dist(points[-1], (0.0, r)) < 1e-9


def test_it_is_written_under_its_name(tmp_path):
    (path,) = write_template(template=template(), folder=tmp_path, options=Options())
    assert path == tmp_path / "port_tiled.pdf"
    assert path.read_bytes().startswith(b"%PDF")
    with pytest.raises(CannotWrite, match="port_tiled"):
        write_template(template=template(), folder=tmp_path / "none", options=Options())
    assert tiled_pdf.declare_options() is Options
    assert Path(tiled_pdf.__file__).name == "tiled_pdf.py"


def test_the_printer_of_the_job_is_made_up_for(tmp_path, monkeypatch):
    monkeypatch.setenv("SPILEMARK_CONFIG", str(tmp_path))
    store_printer(PrinterProfile(name="shop", paper="a4", across_mm=99.0, along_mm=101.0))
    plain = template()
    told = replace(plain, facts=replace(plain.facts, printer="shop"))
    assert tiled_sheets(told, Options()) == tiled_sheets(plain, Options(printer="shop"))
    assert tiled_sheets(told, Options()) != tiled_sheets(plain, Options())
