"""Printed card sheets, opened again by readers that did not write them."""

from __future__ import annotations

import errno
import io
import math
import os
from functools import cache
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pikepdf
import pypdfium2
import pytest
import svgelements

from spilemark.card_face import SIDE_MARGIN_MM, TOP_MARGIN_MM, card_face, card_size_mm
from spilemark.card_papers import PAPERS, fit_to_page_mm, out_of_square_rad
from spilemark.card_sheets import BAND_MM, card_sheets, write_card_sheets
from spilemark.cards import shop_cards
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.ink import Sheet, Stroke, Words
from spilemark.ink_files import pdf_bytes, text_width_mm

MM_PER_INCH = 25.4
BARS_MM = (100.0, 4 * MM_PER_INCH)
ALL_PAPERS = tuple(PAPERS)
# ISO 216:2007: A4, A3.  ANSI/ASME Y14.1: A (8.5 x 11 in), B (11 x 17 in).  Large ones lie down.
PAPER_MM = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
    "a3": (420.0, 297.0),
    "tabloid": (431.8, 279.4),
}


@cache
def pdf(paper: str, count: int | None = None) -> bytes:
    return pdf_bytes(card_sheets(paper=paper, count=count, tags="none"), "Scale cards")


def raster(paper: str, count: int | None, page: int, dpi: float) -> tuple[np.ndarray, np.ndarray]:
    """Grey page, and its pixels a millimetre (x, y); pixel centres stand at k + 0.5.

    The reader rounds the page up to whole pixels and stretches it to fill them.
    """
    document = pypdfium2.PdfDocument(pdf(paper, count))
    picture = document[page].render(scale=dpi / 72, grayscale=True).to_numpy().squeeze()
    return picture, np.divide(picture.shape[::-1], PAPER_MM[paper])


def live_corner_mm(paper: str) -> tuple[float, float]:
    """Top-left corner of the live area, centred on the sheet: 254 mm high."""
    width, height = PAPER_MM[paper]
    return (width - (190 if paper in {"a4", "letter"} else 330)) / 2, (height - 254) / 2


def dark_middles(profile: np.ndarray) -> np.ndarray:
    """Centroids of the dark runs along a line of pixels, in pixels from its edge."""
    ink = (255.0 - profile) / 255
    dark = np.flatnonzero(ink > 0.05)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return np.array([np.average(run + 0.5, weights=ink[run]) for run in runs])


@pytest.mark.parametrize("paper", ALL_PAPERS)
def test_page_is_the_paper_and_asks_not_to_be_scaled(paper):
    """Sizes: ISO 216, Y14.1; 1 pt = 1/72 in and PrintScaling: ISO 32000-1:2008, 8.3.2.3, t. 150."""
    with pikepdf.open(io.BytesIO(pdf(paper))) as document:
        assert document.Root.ViewerPreferences.PrintScaling == "/None"
        for page in document.pages:
            left, bottom, right, top = (float(v) for v in page.MediaBox)
            size_pt = [side * 72 / MM_PER_INCH for side in PAPER_MM[paper]]
            assert (left, bottom) == (0, 0)
            assert [right, top] == pytest.approx(size_pt, abs=0.01)
            assert "/UserUnit" not in page
            assert page.get("/Rotate", 0) == 0


def test_a4_in_points():
    """595.276 x 841.890 pt: 210 and 297 mm at 72 points of 25.4 mm."""
    with pikepdf.open(io.BytesIO(pdf("a4"))) as document:
        assert [float(v) for v in document.pages[0].MediaBox[2:]] == pytest.approx(
            [595.276, 841.890], abs=0.001
        )


def test_fonts_are_inside_and_metadata_says_nothing_of_the_machine():
    with pikepdf.open(io.BytesIO(pdf("a4"))) as document:
        fonts = [f for page in document.pages for f in page.Resources.Font.values()]
        used = [f for f in fonts if f.get("/FontDescriptor") is not None]
        assert used
        assert all("/FontFile2" in font.FontDescriptor for font in used)
        assert str(document.docinfo["/Producer"]) == "spilemark"
        facts = " ".join(str(value) for value in document.docinfo.values())
        assert str(Path.home()) not in facts


def test_same_sheets_same_bytes():
    sheets = card_sheets(count=4)
    assert pdf_bytes(sheets, "Scale cards") == pdf_bytes(sheets, "Scale cards")


@pytest.mark.parametrize("paper", ALL_PAPERS)
def test_bars_measure_true_on_paper(paper):
    """100 mm and 4 in (101.6 mm) within 2 px at 600 dpi, across and along."""
    picture, (across, along) = raster(paper, 1, 0, 600)
    left, top = live_corner_mm(paper)
    width = card_size_mm(shop_cards().cards[0])[0] * PAPERS[paper].columns
    beside_the_line_mm = 1.2
    for y, length in zip((242.0, 249.5), BARS_MM, strict=True):
        row = picture[round((top + y + beside_the_line_mm) * along)]
        begin = round((left + 9.0) * across)
        ends = dark_middles(row[begin : begin + round(106 * across)])
        assert np.ptp(ends[[0, -1]]) / across == pytest.approx(length, abs=2 / across)
    for x, length in zip((9.0, 20.0), BARS_MM, strict=True):
        column = picture[:, round((left + width + x + beside_the_line_mm) * across)]
        begin = round((top + 130) * along)
        ends = dark_middles(column[begin : begin + round(108 * along)])
        assert np.ptp(ends[[0, -1]]) / along == pytest.approx(length, abs=2 / along)


@pytest.mark.parametrize(("paper", "diagonal"), [("a4", 300.0), ("tabloid", 400.0)])
def test_corner_crosses_have_the_stated_diagonals(paper, diagonal):
    """3-4-5 triangle: 180 x 240 and 320 x 240 mm."""
    picture, scale = raster(paper, 1, 0, 300)
    size = np.ceil(5 * scale).astype(int)
    left, top = live_corner_mm(paper)
    width = {"a4": 180, "tabloid": 320}[paper]
    found = []
    for x in (5, 5 + width):
        for y in (7, 247):
            x0, y0 = (np.array([left + x - 2.5, top + y - 2.5]) * scale).astype(int)
            patch = picture[y0 : y0 + size[1], x0 : x0 + size[0]]
            ((cx,), (cy,)) = dark_middles(patch[2]), dark_middles(patch[:, 2])
            found.append((x0 + cx, y0 + cy))
    found = np.array(found) / scale
    for one, other in ((0, 3), (1, 2)):
        assert np.hypot(*(found[one] - found[other])) == pytest.approx(diagonal, abs=0.1)
    assert f"{diagonal:.1f} mm, both ways" in {
        mark.text for mark in card_sheets(paper=paper)[0].marks if isinstance(mark, Words)
    }


@pytest.mark.parametrize("paper", ["a4", "tabloid"])
def test_every_printed_card_is_found_with_its_crossings_in_place(paper):
    """OpenCV's CharucoDetector is the outside reader; 0.05 mm."""
    codes = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, shop_cards().dictionary))
    left, top = live_corner_mm(paper)
    columns = PAPERS[paper].columns
    per_sheet = 3 * columns
    worst = []
    for k, card in enumerate(shop_cards().cards):
        if k % per_sheet == 0:
            sharp, scale = raster(paper, None, k // per_sheet, 150)
            picture = cv2.GaussianBlur(sharp, (0, 0), 0.7)
        row, column = divmod(k % per_sheet, columns)
        x, y = left + column * 144, top + 16 + row * 74
        x0, y0 = (np.array([x, y]) * scale).astype(int)
        x1, y1 = (np.array([x + 144, y + 74]) * scale).astype(int)
        patch = picture[y0:y1, x0:x1]
        board = cv2.aruco.CharucoBoard((8, 4), 15.0, 11.0, codes, np.array(card.marker_ids))
        corners, ids, _, markers = cv2.aruco.CharucoDetector(board).detectBoard(patch)
        assert sorted(np.ravel(markers)) == list(card.marker_ids)
        assert sorted(np.ravel(ids)) == list(range(21))
        found = (np.asarray(corners).reshape(-1, 2) + 0.5 + (x0, y0)) / scale
        true = card.crossings_mm()[np.ravel(ids)] + (x + SIDE_MARGIN_MM, y + TOP_MARGIN_MM)
        worst.append(np.abs(found - true).max())
    assert max(worst) < 0.05


def test_tape_cross_does_not_pull_its_crossing():
    """Ink within 2 mm of the middle crossing is the same turned by 180 degrees."""
    card = shop_cards().cards[3]
    width, height = card_size_mm(card)
    sheet = Sheet(title="", width_mm=width, height_mm=height, marks=card_face(card))
    per_mm = 40
    scale = per_mm * MM_PER_INCH / 72 * (1 - 1e-6)
    document = pypdfium2.PdfDocument(pdf_bytes([sheet], ""))
    picture = document[0].render(scale=scale, grayscale=True).to_numpy().squeeze().astype(int)
    assert picture.shape == (height * per_mm, width * per_mm)
    cx, cy, reach = round(width / 2 * per_mm), round(height / 2 * per_mm), 2 * per_mm
    patch = picture[cy - reach : cy + reach, cx - reach : cx + reach]
    assert np.abs(patch - patch[::-1, ::-1]).mean() < 1
    plain = np.kron(np.array([[0, 255], [255, 0]]), np.ones((reach, reach)))
    assert 0.005 < np.mean(np.abs(patch - plain) > 128) < 0.10  # a cross is there, and it is fine


def test_tape_cross_is_the_middle_of_the_cut_out_card():
    for card in shop_cards().cards:
        cross = np.add(card.tape_cross_mm, (SIDE_MARGIN_MM, TOP_MARGIN_MM))
        np.testing.assert_allclose(cross, np.divide(card_size_mm(card), 2))
        ticks = [
            mark.points
            for mark in card_face(card)
            if isinstance(mark, Stroke) and min(np.ptp(mark.points, axis=0)) == 0
        ]
        at_edge = {
            point
            for pair in ticks
            for point in pair
            if {0.0, 144.0} & {point[0]} or point[1] in {0, 74}
        }
        assert at_edge == {(72.0, 0.0), (72.0, 74.0), (0.0, 37.0), (144.0, 37.0)}


@pytest.mark.parametrize("paper", ALL_PAPERS)
def test_words_stay_within_the_live_area_and_off_each_other(paper):
    left, top = live_corner_mm(paper)
    right, bottom = PAPER_MM[paper][0] - left, top + 254
    for sheet in card_sheets(paper=paper):
        boxes = [extent(mark) for mark in sheet.marks if isinstance(mark, Words)]
        boxes += [
            (min(x), min(y), max(x), max(y))
            for mark in sheet.marks
            if isinstance(mark, Stroke) and mark.grey == 0 and len(mark.points) == 2
            for x, y in (zip(*mark.points, strict=True),)
        ]
        for x0, y0, x1, y1 in boxes:
            assert left - 0.2 <= x0 <= x1 <= right + 0.2
            assert top - 0.2 <= y0 <= y1 <= bottom + 0.2
        texts = [extent(mark) for mark in sheet.marks if isinstance(mark, Words)]
        for k, words in enumerate(texts):
            for other in boxes:
                if other is not boxes[k]:
                    assert not overlap(words, other), (words, other)


def extent(words: Words) -> tuple[float, float, float, float]:
    x, y = words.at
    length, rise, drop = text_width_mm(words), 0.76 * words.size_mm, 0.2 * words.size_mm
    before = length * {"start": 0, "middle": 0.5, "end": 1}[words.anchor]
    if words.upwards:
        return x - rise, y - length + before, x + drop, y + before
    return x - before, y - rise, x - before + length, y + drop


def overlap(one, other) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@pytest.mark.parametrize("ppi", [72.0, 90.0, 96.0])
def test_svg_is_true_size_at_any_ppi(tmp_path, ppi):
    """CSS Values 3: 1 in = 2.54 cm = 96 px; svgelements is the outside reader.

    It takes 1 mm for 0.0393701 in, which is 5.4e-7 too much: hence relative.
    """
    (path,) = write_card_sheets(tmp_path / "cards.svg", count=3, tags="none")
    per_mm = ppi / MM_PER_INCH
    drawing = svgelements.SVG.parse(str(path), ppi=ppi)
    assert (drawing.width / per_mm, drawing.height / per_mm) == pytest.approx((210, 297), rel=1e-6)
    lines = [e for e in drawing.elements() if isinstance(e, svgelements.Polyline)]
    lengths = [
        (abs(b.x - a.x) / per_mm, abs(b.y - a.y) / per_mm)
        for line in lines
        for points in ([svgelements.Point(p) * line.transform for p in line.points],)
        if len(points) == 2
        for a, b in pairwise(points)
    ]
    for length in BARS_MM:
        for wanted in ((length, 0.0), (0.0, length)):
            assert sum(pair == pytest.approx(wanted, rel=1e-6) for pair in lengths) == 1
    board = next(e for e in drawing.elements() if isinstance(e, svgelements.Path))
    x0, y0, x1, y1 = (board * board.transform if not board.apply else board).bbox()
    assert ((x1 - x0) / per_mm, (y1 - y0) / per_mm) == pytest.approx((120, 60), rel=1e-6)


def test_svg_states_millimetres_twice(tmp_path):
    (path,) = write_card_sheets(tmp_path / "cards.svg", count=1, paper="letter", tags="none")
    head = path.read_text(encoding="utf-8")[:400]
    assert 'width="215.9mm"' in head
    assert 'height="279.4mm"' in head
    assert 'viewBox="0,0,215.9,279.4"' in head


def test_many_svg_sheets_are_numbered(tmp_path):
    written = write_card_sheets(tmp_path / "cards.svg", count=8)
    assert [path.name for path in written] == [f"cards-{k}.svg" for k in (1, 2, 3, 4)]
    assert sorted(p.name for p in tmp_path.iterdir()) == [path.name for path in written]


@pytest.mark.parametrize(("paper", "sheets"), [("a4", 6), ("letter", 6), ("a3", 3), ("tabloid", 3)])
def test_every_sheet_says_what_a_builder_needs(paper, sheets):
    pages = card_sheets(paper=paper, tags="none")
    assert len(pages) == sheets
    document = pypdfium2.PdfDocument(pdf(paper))
    for number, page in enumerate(document, start=1):
        text = " ".join(page.get_textpage().get_text_bounded().split()).replace("\xa0", " ")
        for words in (
            f"sheet {number} of {sheets}",
            "Print at 100 %",
            "Tell the program both, across first.",
            "Steel rule",
            "100 mm across",
            "100 mm along",
            "4 in across",
            "4 in along",
            "batten",
            "batten A-B = 800.2",
            "both ways",
            f"{fit_to_page_mm(PAPERS[paper], PAPERS[paper]):.2f}",
        ):
            assert words in text


def test_fit_to_page_is_diagnosed():
    """Derived: A4 into A4 and into Letter, each less 4 mm edges: (210-8)/210, (279.4-8)/297."""
    a4, letter = PAPERS["a4"], PAPERS["letter"]
    assert fit_to_page_mm(a4, a4) == pytest.approx(96.19, abs=0.005)
    assert fit_to_page_mm(a4, letter) == pytest.approx(91.38, abs=0.005)


def test_diagonals_tell_an_oblique_print():
    """Derived: a 200 mm square sheared by 0.2 degrees has diagonals 0.987 mm apart."""
    angle = math.radians(0.2)
    one, other = (2 * 200 * math.cos(math.pi / 4 + sign * angle / 2) for sign in (-1, 1))
    assert one - other == pytest.approx(0.987, abs=0.002)
    assert math.degrees(out_of_square_rad((200, 200), one, other)) == pytest.approx(0.2, abs=1e-9)
    assert out_of_square_rad((180, 240), 300.0, 300.0) == 0


def test_nothing_is_overwritten_unasked(tmp_path):
    path = tmp_path / "cards.pdf"
    path.write_bytes(b"mine")
    with pytest.raises(WouldOverwrite, match=r"cards\.pdf"):
        write_card_sheets(path, count=1)
    assert path.read_bytes() == b"mine"
    assert write_card_sheets(path, count=1, force=True) == (path,)
    assert path.read_bytes().startswith(b"%PDF")


def test_one_sheet_in_the_way_stops_all(tmp_path):
    (tmp_path / "cards-2.svg").write_text("mine")
    with pytest.raises(WouldOverwrite, match=r"cards-2\.svg"):
        write_card_sheets(tmp_path / "cards.svg", count=8)
    assert [path.name for path in tmp_path.iterdir()] == ["cards-2.svg"]


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    calls = []

    def full(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CannotWrite, match="No space left"):
        write_card_sheets(tmp_path / "cards.svg", count=8)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(CannotWrite, match="folder"):
        write_card_sheets(tmp_path / "none" / "cards.pdf", count=1)


@pytest.mark.parametrize(
    ("name", "wrong", "word"),
    [
        ("cards.png", {}, ".pdf or .svg"),
        ("cards", {}, ".pdf or .svg"),
        ("cards.pdf", {"paper": "a5"}, "a4, letter, a3, tabloid"),
        ("cards.pdf", {"count": 0}, "1 to 18"),
        ("cards.pdf", {"count": 19}, "1 to 18"),
    ],
)
def test_what_cannot_be_printed_is_said(tmp_path, name, wrong, word):
    with pytest.raises(UsageError, match=word):
        write_card_sheets(tmp_path / name, **wrong)
    assert list(tmp_path.iterdir()) == []


def test_cards_stand_below_the_heading_band():
    """The layout that the raster tests assume."""
    assert BAND_MM == 16.0
    assert card_size_mm(shop_cards().cards[0]) == (144.0, 74.0)
