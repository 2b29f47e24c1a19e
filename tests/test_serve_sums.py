"""The shop sums on the page: the command line's words, and tables of the job file."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from bench_server import SAMPLES, Page

from spilemark import cli
from spilemark.errors import UsageError
from spilemark.serve import sums

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
    assert tables["shop"]["bevels"][0] == "hull edge = 0:10 under, 300:18 under"


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
    made = page.new_job(thickness="3.07", distances="A-H = 767.5 ± 0.2")
    page.send(made, SAMPLES / "port.jpg", "port")
    page.post(f"/api/jobs/{made}/measure")
    page.until(made, lambda s: s["status"] == "measured")
    return made


def test_the_page_says_what_the_command_line_says(
    page: Page, job: str, capsys: pytest.CaptureFixture[str]
) -> None:
    got = page.post(f"/api/jobs/{job}/sums/try", {"hull": HULL, "shop": SHOP, "side": "port"}).json
    assert got["wrong"] == {}
    results = str(page.shelf.find(job).results)
    bevels = SHOP["bevels"].split("; ")
    words = ["allow", results, "--side", "port", "--glue", SHOP["glue"], "--saw", "2",
             "--plane", SHOP["plane"], "--stock", "18", *(w for b in bevels for w in ("--bevel", b)), "--json"]  # fmt: skip
    capsys.readouterr()
    assert cli.main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert got["part"] == told["words"]
    for name, key in (("cutting", "cutting_mm"), ("finished", "finished_mm")):
        assert len(got["lines"][name]) == len(told[key])
        assert got["lines"][name][7] == pytest.approx(told[key][7], abs=0.006)
    assert cli.main(["horn", "--port-diagonal", "3667.0", "--starboard-diagonal", "3663.8",
                     "--breadth", "1240", "--json"]) == 0  # fmt: skip
    assert got["hull"] == json.loads(capsys.readouterr().out)["words"]


def test_a_job_file_of_the_command_line_may_hold_dates(page: Page, job: str) -> None:
    """A date of TOML is none of JSON's, in which tables go to the worker."""

    def with_date(document: Any) -> None:
        document["hull"] = {"date": dt.date(2026, 5, 12), **HULL}

    entry = page.shelf.find(job)
    page.shelf.change(entry, with_date)
    try:
        got = page.post(f"/api/jobs/{job}/sums/try", {"hull": HULL, "side": "port"})
    finally:
        page.shelf.change(entry, lambda document: document.pop("hull"))
    assert got.status == 200
    assert any("2026-05-12" in line for line in got.json["hull"])


def test_what_cannot_be_reckoned_is_said_by_its_form(page: Page, job: str) -> None:
    got = page.post(
        f"/api/jobs/{job}/sums/try",
        {"hull": {**HULL, "breadth": "wide"}, "shop": {"glue": "keel = 1"}, "side": "port"},
    ).json
    assert set(got["wrong"]) == {"hull", "shop"}
    assert "keel" in got["wrong"]["shop"]


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
    got = page.post(f"/api/jobs/{entry.id}/sums/try", {"shop": {"saw": "2"}, "side": "port"}).json
    # Found, and told that it is empty: not looked for in the folder where the program was started.
    assert "fitted.toml" in got["wrong"]["shop"]
    assert str(Path("with_record") / "fitted.toml") in got["wrong"]["shop"]
