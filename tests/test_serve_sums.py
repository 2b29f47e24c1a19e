"""The shop sums on the page: the command line's words, and tables of the job file."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import shutil
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import tomlkit
from bench_server import SAMPLES, Page

from spilemark import cli
from spilemark.errors import UsageError
from spilemark.serve import sums
from spilemark.serve.lanes import SlowSum

HULL = {"port_diagonal": "3667.0", "starboard_diagonal": "3663.8", "breadth": "1240"}
SHOP = {"stock": "18", "bevels": "hull edge = 0:10 under, 300:18 under; transom edge = 12 under",
        "glue": "hull edge = 1.5", "saw": "2", "plane": "hull edge = 1"}  # fmt: skip


def test_forms_are_tables_of_a_job_file() -> None:
    tables = sums.tables_from(
        {"hull": HULL, "shop": SHOP, "board": {"size": "760 x 340 mm", "grain_within": "20"},
         "lamination": {"stack": "18 mm", "strips": "6", "wood": "white oak"}},
        "mm",
    )  # fmt: skip
    assert tables["hull"]["port_diagonal"] == "3667.0"
    assert tables["shop"]["bevels"] == [
        "hull edge = 0:10 under, 300:18 under",
        "transom edge = 12 under",
    ]
    assert tables["shop"]["saw"] == ["2"]
    assert tables["board"]["grain_within"] == 20.0
    assert tables["lamination"]["strips"] == 6


def test_bare_numbers_are_inches_where_the_job_is_in_inches() -> None:
    tables = sums.tables_from({"shop": {**SHOP, "glue": "hull edge = 1/16; 2 mm"}}, "in")
    assert tables["shop"]["stock"] == "18 in"
    assert tables["shop"]["glue"] == ["hull edge = 1/16 in", "2 mm"]
    assert tables["shop"]["bevels"] == [
        "hull edge = 0 in:10 under, 300 in:18 under",
        "transom edge = 12 under",
    ]


@pytest.mark.parametrize(
    ("table", "key", "typed", "kept"),
    [
        ("shop", "scribe", "hull edge = 1/4 outboard", "hull edge = 1/4 in outboard"),
        ("shop", "scribe", "hull edge = 1/4 at 120", "hull edge = 1/4 in at 120"),
        ("shop", "scribe", "hull edge = 6 mm square", "hull edge = 6 mm square"),
        ("shop", "relief", "outer corner = 1/2 round", "outer corner = 1/2 in round"),
        ("shop", "relief", "outer corner = 1/2", "outer corner = 1/2 in"),
        ("board", "size", "30 x 13 1/2", "30 in x 13 1/2 in"),
        ("board", "size", "760 x 340 mm", "760 x 340 mm"),
        ("lamination", "strips", "1/8", "1/8 in"),
        ("lamination", "strips", "9", 9),
        ("lamination", "wood", "iroko: 1.38, 12400", "iroko: 1.38, 12400"),
    ],
)
def test_a_bare_length_within_words_is_in_inches_too(
    table: str, key: str, typed: str, kept: str | int
) -> None:
    """Bare numbers of a job file are mm: a quarter inch must not become a quarter millimetre."""
    got = sums.tables_from({table: {key: typed}}, "in")[table][key]
    assert (got[0] if isinstance(got, list) else got) == kept


def test_a_bare_number_of_a_job_in_inches_is_shown_as_the_millimetres_that_it_is() -> None:
    held = {"units": "in", "shop": {"stock": 18, "saw": ["2", "1/16 in"]}, "lamination": {"strips": 9}}  # fmt: skip
    form = sums.form_of(held)
    assert form["shop"]["stock"] == "18 mm"
    assert form["shop"]["saw"] == "2 mm; 1/16 in"
    assert form["lamination"]["strips"] == "9"
    assert sums.tables_with(held, {"shop": form["shop"]})["shop"] == held["shop"]


def test_a_field_with_nothing_but_a_semicolon_is_empty() -> None:
    form = {"shop": {"stock": ";", "saw": " ; ;", "glue": "hull edge = 1;"}}
    assert sums.tables_from(form, "mm") == {"shop": {"glue": ["hull edge = 1"]}}


@pytest.mark.parametrize("form", [{"port": {}}, {"shop": {"fitted": "/etc/passwd"}}, {"shop": []},
                                  {"board": {"grain_within": "north"}}, {"shop": {"saw": 3}}])  # fmt: skip
def test_what_is_no_form_is_refused(form: dict) -> None:
    with pytest.raises(UsageError):
        sums.tables_from(form, "mm")


def test_what_the_forms_do_not_show_stays_and_what_is_unchanged_too() -> None:
    text = (SAMPLES / "job.toml").read_text(encoding="utf-8")
    document = tomlkit.parse(text)
    form = sums.form_of(document.unwrap())
    sums.lay_in(document, form, "mm")
    assert tomlkit.dumps(document) == text
    form["shop"]["saw"] = "3"
    form["board"] = {"size": "", "grain_within": ""}
    sums.lay_in(document, form, "mm")
    after = document.unwrap()
    assert after["shop"]["saw"] == ["3"]
    assert after["hull"]["support"] == "keel down on two trestles, levelled"
    assert after["lamination"]["pair"] is True
    assert "board" not in after


@pytest.fixture(scope="module")
def job(page: Page) -> str:
    return page.port_alone()


def test_the_page_says_what_the_command_line_says(
    page: Page, job: str, capsys: pytest.CaptureFixture[str]
) -> None:
    got = tried(page, job, hull=HULL, shop=SHOP)
    assert got["shop"]["wrong"] == got["hull"]["wrong"] == ""
    results = str(page.shelf.find(job).results)
    bevels = SHOP["bevels"].split("; ")
    words = ["allow", results, "--side", "port", "--glue", SHOP["glue"], "--saw", "2",
             "--plane", SHOP["plane"], "--stock", "18", *(w for b in bevels for w in ("--bevel", b)), "--json"]  # fmt: skip
    capsys.readouterr()
    assert cli.main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert got["shop"]["words"] == told["words"]
    for name, key in (("cutting", "cutting_mm"), ("finished", "finished_mm")):
        (ring,) = lines_of(got["shop"], name)
        assert len(ring) == len(told[key])
        assert ring[7] == pytest.approx(told[key][7], abs=0.006)
    assert cli.main(["horn", "--port-diagonal", "3667.0", "--starboard-diagonal", "3663.8",
                     "--breadth", "1240", "--json"]) == 0  # fmt: skip
    assert got["hull"]["words"] == json.loads(capsys.readouterr().out)["words"]
    words = ["bevel", results, "--side", "port", "--stock", "18", *(w for b in bevels for w in ("--bevel", b)), "--json"]  # fmt: skip
    assert cli.main(words) == 0
    card = json.loads(capsys.readouterr().out)["card"]
    assert len(got["shop"]["card"]) == 1 + len(card)
    assert [row[0] for row in got["shop"]["card"][1:]] == [row["edge"] for row in card]


WOOD = {"stack": "18", "strips": "3 mm", "wood": "white oak", "width": "18", "form": "male"}


def test_the_wood_is_drawn_as_the_command_line_draws_it(
    page: Page, job: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    got = tried(page, job, lamination=WOOD, board={"size": "760 x 340", "grain_within": "20"})
    results = str(page.shelf.find(job).results)
    capsys.readouterr()
    words = ["laminate", results, "--side", "port", "--stack", "18mm", "--strips", "3mm", "--wood", "white oak",
             "--width", "18mm", "--out", str(tmp_path), "--json"]  # fmt: skip
    assert cli.main(words) == 0
    assert got["lamination"]["words"] == json.loads(capsys.readouterr().out)["words"]
    board = ["board", results, "--side", "port", "--size", "760 x 340 mm", "--grain-within", "20",
             "--out", str(tmp_path / "board.dxf"), "--json"]  # fmt: skip
    assert cli.main(board) == 0
    assert got["board"]["words"] == json.loads(capsys.readouterr().out)["words"]
    # The written drawings, as another reader sees them.
    for file, section, name in (
        ("form", "lamination", "form"),
        ("form", "lamination", "released"),
        ("corner_block", "block", "corner-block"),
        ("board", "board", "part"),
    ):
        layer = name.upper().replace("-", "_")
        drawing = ezdxf.readfile(tmp_path / f"{file}.dxf").modelspace()
        written = [
            [(x, y) for x, y, *_ in line.get_points()]
            for line in drawing.query(f'LWPOLYLINE[layer=="{layer}"]')
        ]
        assert written
        for ours, theirs in zip(lines_of(got[section], name), written, strict=True):
            assert np.allclose(ours, theirs, atol=0.006)


def test_what_comes_off_the_form_is_less_bent_than_the_form(page: Page, job: str) -> None:
    """n equal strips lose 1/n² of their bend (Wood Handbook's law of free strips): 6 of them 2.8 %."""
    layers = tried(page, job, lamination=WOOD)["lamination"]
    turned = [bend_deg(lines_of(layers, name)[0]) for name in ("stack-on-form", "released")]
    assert turned[0] / turned[1] == pytest.approx(1 / (1 - 1 / 36), abs=0.002)


def bend_deg(points: list[list[float]]) -> float:
    """Turn from the first to the last stretch of a line."""
    ends = [np.subtract(points[1], points[0]), np.subtract(points[-1], points[-2])]
    ways = [math.atan2(way[1], way[0]) for way in ends]
    return abs(math.degrees((ways[1] - ways[0] + math.pi) % (2 * math.pi) - math.pi))


def test_without_a_board_it_is_told_what_to_buy(page: Page, job: str) -> None:
    got = tried(page, job, board={"size": "", "grain_within": "20"})["board"]
    assert got["drawing"] is None
    assert got["words"][0].startswith("Smallest board for one part")


def test_a_sum_that_ends_by_its_limit_says_so_itself(
    page: Page, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended = Future[dict[str, Any]]()
    ended.set_exception(SlowSum(20.0))
    monkeypatch.setattr(page.bench.lanes, "reckon", lambda task: ended)
    got = tried(page, job, board={"size": "760 x 340"}, lamination=WOOD)
    for section in ("board", "lamination"):
        assert "not done within 20 seconds" in got[section]["wrong"]
        assert got[section]["drawing"] is None
    assert got["block"] == {"words": [], "dangers": [], "wrong": "", "drawing": None}
    assert "photo" not in json.dumps(got).lower()


def test_the_limit_of_a_sum_is_not_the_photo_s(page: Page) -> None:
    with pytest.raises(SlowSum, match="there is no answer"):
        page.bench.lanes.reckon({"do": "sums", "what": []}, seconds=-1.0).result(60)


def test_dangers_are_told_apart(page: Page, job: str) -> None:
    got = tried(
        page, job, lamination={**WOOD, "strips": "6 mm"}, board={"size": "760 x 340", "pair": "yes"}
    )
    assert any("WARNING" in line for line in got["lamination"]["dangers"])
    assert [line.split(":")[0].split(",")[0] for line in got["board"]["dangers"]] == [
        "GRAIN WAS NOT MINDED", "THE SECOND IS THE FIRST ONE'S MIRROR IMAGE",
    ]  # fmt: skip
    for section in ("lamination", "board"):
        assert set(got[section]["dangers"]) < set(got[section]["words"])
    minded = tried(page, job, lamination=WOOD, board={"size": "760 x 340", "grain_within": "20"})
    assert minded["board"]["dangers"] == []


def tried(page: Page, job: str, **forms: Any) -> dict[str, Any]:
    answer = page.post(
        f"/api/jobs/{job}/sums/try", {**forms, "side": "port", "what": [*forms], "draw": "form"}
    )
    assert answer.status == 200, answer.text
    told: dict[str, Any] = answer.json
    return told


def lines_of(section: dict[str, Any], name: str) -> list[list[list[float]]]:
    """The lines of one name, y forward again."""
    group = next(g for g in section["drawing"]["groups"] if g["name"] == name)
    return [
        [[float(x), -float(y)] for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", line["d"])]
        for line in group["lines"]
    ]


def test_a_job_file_of_the_command_line_may_hold_dates(page: Page, job: str) -> None:
    """A date of TOML is none of JSON's, in which tables go to the worker."""

    def with_date(document: Any) -> None:
        document["hull"] = {"date": dt.date(2026, 5, 12), **HULL}

    entry = page.shelf.find(job)
    page.shelf.change(entry, with_date)
    try:
        got = tried(page, job, hull=HULL)
    finally:
        page.shelf.change(entry, lambda document: document.pop("hull"))
    assert any("2026-05-12" in line for line in got["hull"]["words"])


def test_what_cannot_be_reckoned_is_said_by_its_form(page: Page, job: str) -> None:
    wrong = {**WOOD, "wood": "balsa of the moon"}
    got = tried(page, job, hull={**HULL, "breadth": "wide"}, shop={"glue": "keel = 1"})
    assert "keel" in got["shop"]["wrong"]
    assert "wide" in got["hull"]["wrong"]
    got = tried(page, job, lamination=wrong)
    assert "balsa of the moon" in got["lamination"]["wrong"]
    assert got["block"]["drawing"] is None
    assert "cannot be" in tried(page, job, board={"size": "0 x 3"})["board"]["wrong"]


def test_sums_that_are_kept_stand_on_the_templates(page: Page, job: str) -> None:
    entry = page.shelf.find(job)
    answer = page.post(f"/api/jobs/{job}/sums", {"hull": HULL, "shop": SHOP})
    assert answer.status == 200, answer.text
    page.post(f"/api/jobs/{job}/measure")
    page.until(job, lambda s: s["work"] is None and s["end"] is not None)
    report = page.bench.report(page.shelf.find(job))
    assert report["shop"]["parts"]["port"]["cutting_mm"]
    assert report["shop"]["hull"]["words"]
    page.post(f"/api/jobs/{job}/sums", {"hull": dict.fromkeys(HULL, "")})
    assert "hull" not in page.shelf.find(entry.id).table


def test_a_wrong_sum_is_not_kept(page: Page, job: str) -> None:
    before = page.shelf.find(job).job.file.read_bytes()
    answer = page.post(f"/api/jobs/{job}/sums", {"hull": {**HULL, "breadth": "wide"}})
    assert answer.status == 400
    assert page.shelf.find(job).job.file.read_bytes() == before


def test_a_record_of_fitting_beside_the_job_is_found(page: Page, job: str) -> None:
    folder = page.shelf.root / "with_record"
    shutil.copytree(SAMPLES, folder)
    (folder / "fitted.toml").write_text("")
    path = folder / "job.toml"
    path.write_text(path.read_text().replace("[shop]\n", '[shop]\nfitted = "fitted.toml"\n'))
    entry = next(e for e in page.shelf.entries() if e.folder == folder)
    shutil.copytree(page.shelf.find(job).results, entry.results)
    got = tried(page, entry.id, shop={"saw": "2"})
    # Found, and told that it is empty: not looked for in the folder where the program was started.
    assert "fitted.toml" in got["shop"]["wrong"]
    assert str(Path("with_record") / "fitted.toml") in got["shop"]["wrong"]
