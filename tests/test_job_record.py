"""A job put away: what the record holds, that it is checked again, and what is refused."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from click.testing import CliRunner, Result
from shop_zoo import knee
from test_shop_fitted import report

from spilemark.commands.record import record
from spilemark.errors import SpilemarkError, UnreadableInput, UsageError, WouldOverwrite
from spilemark.ink import Words
from spilemark.job_record import Bench, check_record, gather, record_table, write_record
from spilemark.job_sheet import job_pages
from spilemark.shop.outlines import mirrored

PHOTO = b"not a photo, but the bytes of one"
BOW = 'boat = "Dunlin 14"\npart = "quarter knee"\n[port]\nphotos = ["port.jpg"]\n'


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A results folder, its job file and photo beside it."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "knee"
    folder.mkdir()
    table: dict[str, Any] = report(port=knee(), starboard=mirrored(knee()))
    table["job"] = {
        "boat": "Dunlin 14",
        "part": "quarter knee",
        "date": "2026-05-14",
        "units": "mm",
    }
    for pattern in table["patterns"].values():
        pattern["fixed_words"] = "±0.42 mm (95 %) for the pattern as it lay on the bench."
        pattern["scale"] = {"basis": "taped", "words": "taped A-H 742.5 mm"}
        pattern["seen_percent"] = 99.2
    table["comparison"] = {"datum": "centreline", "verdict": "the sides are the same."}
    table["shop"] = {
        "hull": {"words": ["The port corner is 3.2 mm further aft."]},
        "parts": {
            "port": {"words": ["hull edge: 2.0 mm for the saw."]},
            "starboard": {"words": ["hull edge: 2.0 mm for the saw."]},
        },
    }
    table["provenance"] = {
        "photos": [
            {"name": "port.jpg", "sha256": hashlib.sha256(PHOTO).hexdigest(), "arm": "port"}
        ],
        "versions": {"spilemark": "0.1.0"},
    }
    (folder / "report.json").write_text(json.dumps(table), encoding="utf-8")
    (folder / "port.svg").write_text("<svg/>", encoding="utf-8")
    (folder / "diary.txt").write_text("the builder's own", encoding="utf-8")
    Path("port.jpg").write_bytes(PHOTO)
    Path("job.toml").write_text(BOW, encoding="utf-8")
    return folder


def run(*words: str) -> Result:
    done = CliRunner().invoke(record, words, standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done


def test_a_record_holds_results_inputs_and_hashes(results: Path) -> None:
    run("knee", "--job", "job.toml", "--photos", "--moisture", "12", "--out", "kept")
    table = json.loads(Path("kept/record.json").read_text(encoding="utf-8"))
    held = {p.relative_to("kept").as_posix() for p in Path("kept").rglob("*") if p.is_file()}
    assert held == {
        "record.json", "job_sheet.pdf", "results/report.json", "results/port.svg",
        "inputs/job.toml", "inputs/port.jpg",
    }  # fmt: skip
    assert {row["name"] for row in table["files"]} == held - {"record.json"}
    photo = table["inputs"][0]
    assert (photo["name"], photo["what"], photo["kept"]) == (
        "port.jpg",
        "photo, port",
        "inputs/port.jpg",
    )
    assert photo["sha256"] == hashlib.sha256(PHOTO).hexdigest()
    assert table["sums"]["shop"]["hull"]["words"]
    assert table["bench"]["moisture_percent"] == 12.0
    assert Path("kept/inputs/port.jpg").read_bytes() == PHOTO


def test_photos_are_kept_by_hash_alone_unless_asked(results: Path) -> None:
    run("knee", "--out", "kept.zip")
    with zipfile.ZipFile("kept.zip") as archive:
        assert archive.testzip() is None
        assert "inputs/port.jpg" not in archive.namelist()
        assert json.loads(archive.read("record.json"))["inputs"][0]["kept"] is None


def test_equal_jobs_give_equal_bytes(results: Path) -> None:
    for name in ("one.zip", "two.zip"):
        run("knee", "--job", "job.toml", "--out", name)
    assert Path("one.zip").read_bytes() == Path("two.zip").read_bytes()


def test_the_check_names_what_was_changed_added_and_lost(results: Path) -> None:
    run("knee", "--job", "job.toml", "--out", "kept")
    assert "all 4 files are as they were written" in run("kept", "--check").stdout
    Path("kept/results/port.svg").write_text("<svg>moved</svg>", encoding="utf-8")
    Path("kept/inputs/job.toml").unlink()
    Path("kept/results/more.txt").write_text("", encoding="utf-8")
    with pytest.raises(UnreadableInput) as told:
        run("kept", "--check")
    for words in (
        "results/port.svg was changed",
        "inputs/job.toml is missing",
        "more.txt was added",
    ):
        assert words in str(told.value)


def test_the_check_reads_json_and_zips(results: Path) -> None:
    run("knee", "--out", "kept.zip")
    table = json.loads(run("kept.zip", "--check", "--json").stdout)
    assert table["job"]["boat"] == "Dunlin 14"
    assert check_record(Path("kept.zip")) == table


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 cut short", b"plain words"])
def test_what_is_no_record(results: Path, content: bytes) -> None:
    Path("odd.zip").write_bytes(content)
    with pytest.raises(UnreadableInput):
        run("odd.zip", "--check")
    with pytest.raises(UnreadableInput, match="no job record"):
        run("knee", "--check")
    with pytest.raises(UnreadableInput, match="cannot be read"):
        run("nowhere.zip", "--check")


def test_what_was_planed_off_and_the_bends_stand_in_it(results: Path) -> None:
    from spilemark.commands.fitted import fitted

    CliRunner().invoke(
        fitted, ["knee", "--side", "port", "--planed", "hull edge = 0:0, 60:1.2", "--date", "2026-05-20"],
        standalone_mode=False,
    )  # fmt: skip
    Path("trials.toml").write_text(
        'schema = 1\nkind = "trial-bends"\n[[bend]]\nstrips = 6\nideal = 0.02777778\nform_bend_deg = 92.57\n'
        'bend_deg = 88.9\nwood = "white oak"\n',
        encoding="utf-8",
    )
    made = gather(results, trials=Path("trials.toml"))
    table = record_table(made, b"")
    assert table["planed"][0]["off_mm"] == [0.0, 1.2]
    # (1 - 88.9/92.57) over 1/36.
    assert table["bends"][0]["times_the_law"] == pytest.approx(1.4272, abs=1e-4)
    assert {row["what"] for row in table["inputs"]} == {
        "photo, port", "what was planed off", "trial bends",
    }  # fmt: skip
    said = words_of(made)
    assert "1.2 mm at 60 mm" in said
    assert "1.43" in said


def words_of(made: Any) -> str:
    return " ".join(m.text for page in job_pages(made) for m in page.marks if isinstance(m, Words))


def test_the_sheet_tells_both_sides_and_is_a4(results: Path) -> None:
    made = gather(results, bench=Bench(glue="epoxy, batch 41", notes=("rain all day",)))
    said = words_of(made)
    for words in (
        "Dunlin 14, quarter knee, 2026-05-14", "PORT: ±0.42 mm", "the sides are the same",
        "reckoned: hull", "reckoned: port", "reckoned: starboard", "epoxy, batch 41", "rain all day",
        "Angle on the form / after release", "follow the designer", "wood's moisture",
    ):  # fmt: skip
        assert words in said, words
    assert said.count("hull edge: 2.0 mm for the saw.") == 2
    run("knee", "--out", "kept")
    page = pypdfium2.PdfDocument("kept/job_sheet.pdf")[0]
    # ISO 216 A4 in points: 595.276 by 841.890.
    assert page.get_size() == pytest.approx((595.276, 841.890), abs=0.01)


def test_much_to_say_runs_over_more_sheets_and_none_runs_off(results: Path) -> None:
    notes = tuple(f"note {k}: " + "the transom was not quite dry, " * 6 for k in range(40))
    pages = job_pages(gather(results, bench=Bench(notes=notes)))
    assert len(pages) > 2
    for page in pages:
        for mark in page.marks:
            if isinstance(mark, Words):
                assert 15.0 <= mark.at[0] <= 195.0
                assert 15.0 <= mark.at[1] <= 282.0


def test_a_photo_of_another_job_is_refused(results: Path) -> None:
    Path("port.jpg").write_bytes(b"edited since")
    with pytest.raises(UsageError, match="not a photo that this job measured"):
        run("knee", "--job", "job.toml")
    assert not Path("knee_record.zip").exists()


def test_nothing_is_replaced_unasked(results: Path) -> None:
    run("knee")
    assert Path("knee_record.zip").is_file()
    with pytest.raises(WouldOverwrite):
        run("knee")
    run("knee", "--force")
    Path("mine").mkdir()
    Path("mine/photo.jpg").write_bytes(PHOTO)
    with pytest.raises(WouldOverwrite, match="other things"):
        write_record(gather(results), Path("mine"), force=True)
    assert Path("mine/photo.jpg").read_bytes() == PHOTO


@pytest.mark.parametrize(
    "words",
    [
        ("nowhere",),
        ("knee", "--moisture", "120"),
        ("knee", "--photos"),
        ("knee", "--job", "none.toml"),
        ("knee", "--trials", "none.toml"),
    ],
)
def test_refusals_write_nothing(results: Path, words: tuple[str, ...]) -> None:
    with pytest.raises(SpilemarkError):
        run(*words)
    assert not [p for p in Path().iterdir() if "record" in p.name or p.name.startswith(".")]
