"""What the page prints: papers in groups with their first page, for this paper and that printer."""

from __future__ import annotations

import io
import re
import tomllib
from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2
import pytest
import tomlkit
from bench_server import Page
from PIL import Image

from spilemark import cli
from spilemark.card_papers import PAPERS
from spilemark.printers import find_printer
from spilemark.serve.outputs import outputs_of
from spilemark.serve.sheet import form_of, lay_in, lay_paper, table_from

MM_PT = 25.4 / 72


@pytest.fixture(scope="module")
def job(page: Page) -> str:
    return page.port_alone()


def named(*names: str) -> dict[str, str]:
    return {name: f"id of {name}" for name in names}


def test_results_come_in_groups_and_none_is_lost() -> None:
    wood = ("form", "corner_block", "lamination", "layout", "board")
    names = [f"{kind}_port.{end}" for kind in wood for end in ("svg", "pdf", "dxf")]
    names += ["form_port_tiled.pdf", "port.svg", "port.pdf", "port.dxf", "port_tiled.pdf", "shop.pdf",
              "difference.svg", "report.html", "report.json", "log.txt", "points_port.csv"]  # fmt: skip
    files = named(*names)
    out = outputs_of(files)
    assert [paper.title for paper in out.prints] == ["Port", "Page for the saw"]
    assert out.prints[0].opens[0] == ("Sheets of paper", "id of port_tiled.pdf")
    assert [paper.mapped for paper in (*out.prints, *out.wood)] == [True, False, True, *4 * [False]]
    assert [paper.title for paper in out.wood] == [
        "Form, port",
        "Corner block, port",
        "Lamination, port",
        "Layout, port",
        "Board, port",
    ]
    assert out.drawings[0].title == "Port, template"
    assert out.drawings[0].files == (("SVG", "id of port.svg"), ("DXF", "id of port.dxf"))
    assert {name for name, _ in out.rest} == {"report.json", "log.txt", "points_port.csv"}
    shown = [file for paper in (*out.prints, *out.wood) for _, file in paper.opens]
    shown += [file for row in out.drawings for _, file in row.files]
    shown += [file for _, file in out.rest] + [out.report]
    assert sorted(shown) == sorted(files.values())


def test_papers_are_told_apart_by_their_first_page(page: Page, job: str) -> None:
    text = page.ask(f"/jobs/{job}/print").text
    # One main button a paper, and what is for other programs in a fold.
    assert text.count('class="button main"') == 2
    leaf = re.search(r'data-leaf="(\w+)" data-mapped', text)
    assert leaf
    where = f"/api/jobs/{job}/files/{leaf[1]}"
    pages = page.ask(f"{where}/leaf.json").json["pages"]
    path = page.shelf.find(job).results / "port_tiled.pdf"
    with pikepdf.open(path) as pdf:
        assert len(pdf.pages) == pages > 2
    answer = page.ask(f"{where}/leaf.png")
    assert answer.headers["content-type"] == "image/png"
    picture = np.asarray(Image.open(io.BytesIO(answer.body)).convert("L"))
    page_one = pypdfium2.PdfDocument(path)[0]
    scale = picture.shape[0] / page_one.get_height()
    assert picture.shape[1] == pytest.approx(scale * page_one.get_width(), abs=1.5)
    assert 0.005 < (picture < 128).mean() < 0.3


def test_the_sheets_are_made_for_the_paper_that_is_chosen(page: Page, job: str) -> None:
    entry = page.shelf.find(job)
    page.post(f"/api/jobs/{job}/paper", {"paper": "letter"})
    page.until(job, lambda s: s["status"] == "measured")
    assert tomllib.loads(entry.job.file.read_text())["paper"] == "letter"
    with pikepdf.open(entry.results / "port_tiled.pdf") as pdf:
        sizes = {tuple(sorted(round(float(v) * MM_PT, 1) for v in p.MediaBox[2:])) for p in pdf.pages}  # fmt: skip
    # ASME Y14.1: letter, 8.5 x 11 in.
    assert sizes == {(215.9, 279.4)}
    # Remembered: the next new job begins with it.
    assert 'value="letter" checked' in page.ask("/new").text
    # And a picture of before is not shown for a paper of now.
    leaf = re.search(r'data-leaf="(\w+)" data-mapped', page.ask(f"/jobs/{job}/print").text)
    assert leaf
    page.ask(f"/api/jobs/{job}/files/{leaf[1]}/leaf.json")
    picture = Image.open(io.BytesIO(page.ask(f"/api/jobs/{job}/files/{leaf[1]}/leaf.png").body))
    long, short = max(picture.size), min(picture.size)
    assert long / short == pytest.approx(279.4 / 215.9, rel=0.01)
    assert page.post(f"/api/jobs/{job}/paper", {"paper": "bread"}).status == 400
    page.post(f"/api/jobs/{job}/paper", {"paper": "a4"})
    page.until(job, lambda s: s["status"] == "measured")


def test_a_printer_is_measured_and_the_sheets_are_made_up_for_it(
    page: Page, job: str, tmp_path: Path
) -> None:
    read = {"name": "shop laser", "paper": "a4", "across": "99.5", "along": "100.4"}
    answer = page.post("/api/printers", read)
    assert answer.status == 201, answer.text
    assert "99.50 mm across" in answer.json["words"][0]
    # The very profile that the command line keeps.
    kept = find_printer("shop laser")
    other = tmp_path / "printers.toml"
    words = ["printer", "measure", "shop laser", "--across", "99.5", "--along", "100.4", "--file", str(other)]  # fmt: skip
    assert cli.main(words) == 0
    assert find_printer("shop laser", other) == kept
    # Its test sheet is made up for it, in the bytes of the command line.
    assert cli.main(["printer", "test-sheet", "--printer", "shop laser", "--out", str(tmp_path / "t.pdf")]) == 0  # fmt: skip
    sheet = page.ask("/api/printers/test-sheet.pdf?printer=shop%20laser")
    assert sheet.headers["content-type"] == "application/pdf"
    assert sheet.body == (tmp_path / "t.pdf").read_bytes()

    page.post(f"/api/jobs/{job}/paper", {"paper": "printer:shop laser"})
    page.until(job, lambda s: s["status"] == "measured")
    entry = page.shelf.find(job)
    assert entry.table["printer"] == "shop laser"
    assert "paper" not in entry.table
    text = pypdfium2.PdfDocument(entry.results / "port_tiled.pdf")[1].get_textpage().get_text_range()  # fmt: skip
    assert "shop laser" in text
    assert 'value="printer:shop laser" checked' in page.ask(f"/jobs/{job}/print").text
    assert 'value="printer:shop laser" checked' in page.ask("/new").text


@pytest.mark.parametrize(
    ("read", "words"),
    [
        ({"across": "96.2", "along": "96.2"}, "shrunk to fit"),
        ({"across": "101.6", "along": "101.6"}, "bar of 4 in"),
        ({"across": "9.98", "along": "10.02"}, "centimetres"),
        ({"across": "", "along": "100"}, "length across is wanting"),
        ({"across": "99.8", "along": "100", "one": "300"}, "One diagonal"),
        ({"across": "99.8", "along": "100", "name": "../../etc"}, "letters, digits"),
        ({"across": "99.8", "along": "100", "paper": "bread"}, "no paper"),
        ({"across": "99.8", "along": "100", "file": "/etc/passwd"}, "not filled in"),
    ],
)
def test_what_no_printer_does_is_not_kept(page: Page, read: dict, words: str) -> None:
    answer = page.post("/api/printers", {"name": "wrong", "paper": "a4"} | read)
    assert answer.status == 400
    assert words in answer.json["error"]["what"] + answer.json["error"]["todo"]
    assert "wrong" not in page.ask("/printers").text
    assert "--" not in answer.json["error"]["todo"]


def test_a_known_printer_is_replaced_only_if_it_is_said(page: Page) -> None:
    read = {"name": "twice", "paper": "letter", "across": "99.9", "along": "100.1"}
    assert page.post("/api/printers", read).status == 201
    again = page.post("/api/printers", read | {"across": "99.7"})
    assert again.status == 400
    assert 'tick "Replace it"' in again.json["error"]["todo"]
    assert page.post("/api/printers", read | {"across": "99.7", "replace": "yes"}).status == 201
    assert find_printer("twice").across_mm == 99.7


def test_a_sheet_cross_to_cross_tells_whether_it_is_square(page: Page) -> None:
    short, long = sorted(PAPERS["a4"].check_mm)
    one = (short**2 + long**2) ** 0.5
    read = {"name": "long", "paper": "a4", "measured": "crosses", "across": f"{short - 0.18}",
            "along": f"{long + 0.24}", "one": f"{one:.2f}", "other": f"{one:.2f}"}  # fmt: skip
    told = page.post("/api/printers", read).json["words"]
    assert find_printer("long").across_mm == pytest.approx(100 - 18 / short, abs=0.001)
    assert "good enough" in told[1]


@pytest.mark.parametrize("query", ["paper=bread", "printer=nobody", "printer=..%2F..%2Fpasswd"])
def test_a_test_sheet_of_nothing_is_refused_in_words(page: Page, query: str) -> None:
    answer = page.ask(f"/api/printers/test-sheet.pdf?{query}")
    assert answer.status == 400
    assert "<h1>" in answer.text


def test_a_printer_of_the_command_lines_job_stays_with_its_paper() -> None:
    text = (
        'boat = "Wren"\npaper = "a4"\nprinter = "shop"   # by the window\n\n[port]\nphotos = []\n'
    )
    document = tomlkit.parse(text)
    form = form_of(document.unwrap())
    assert form["paper"] == "printer:shop"
    lay_in(document, table_from(form))
    assert tomlkit.dumps(document) == text
    lay_paper(document, "a3")
    assert document.unwrap() == {"boat": "Wren", "paper": "a3", "port": {"photos": []}}


def test_the_cards_are_those_of_the_command_line(page: Page, tmp_path: Path) -> None:
    assert cli.main(["cards", "--paper", "letter", "--out", str(tmp_path / "cards.pdf")]) == 0
    answer = page.ask("/api/cards.pdf?paper=letter")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.body == (tmp_path / "cards.pdf").read_bytes()
    assert page.ask("/api/cards.pdf?paper=bread").status == 400
    assert "/api/cards.pdf?paper=a4" in page.ask("/help").text
