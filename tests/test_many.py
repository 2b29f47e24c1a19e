"""A folder of jobs, in real processes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from spilemark import cli
from spilemark.errors import UnreadableInput, UsageError
from spilemark.many import Job, JobEnd, exit_code_of, find_jobs, places, run_many
from spilemark.testing.conformance import draw_bench


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four jobs: a good one, one of a damaged photo, one misspelt, one without a size."""
    folder = tmp_path_factory.mktemp("orders")
    facts = draw_bench(folder).facts
    line = list(facts.centreline_px["starboard"])
    one = f'[starboard]\nphotos = ["drawn_starboard.png"]\ncentreline = {line}\nface = "up"\n'
    (folder / "good.toml").write_text('thickness = "0.5 mm"\nprinted_bar = "100 x 100"\n' + one)
    (folder / "nominal.toml").write_text('thickness = "0.5 mm"\n' + one)
    (folder / "damaged.jpg").write_bytes(b"\xff\xd8\xff\xe0 no photo")
    (folder / "damaged.toml").write_text('[port]\nphotos = ["damaged.jpg"]\n')
    (folder / "misspelt.toml").write_text("thicknes = 3\n" + one)
    # Lies beside, and is none.
    (folder / "cards.toml").write_text('[set]\nname = "other cards"\n')
    return folder


def test_one_bad_job_stops_no_other(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    code = cli.main(["jobs", str(shop), "--out", str(out), "--workers", "2"])
    said = capsys.readouterr().out
    assert code == 1
    assert "2 of 4 jobs done, 2 failed." in said
    assert "misspelt.toml (exit code 2):" in said
    assert '"thickness"' in said  # the nearest right key
    assert "damaged.toml (exit code 3):" in said
    rows = {row.split()[0]: row.split()[1] for row in said.splitlines()[1:5]}
    assert rows == {
        "damaged.toml": "FAILED", "good.toml": "done", "misspelt.toml": "FAILED", "nominal.toml": "below",
    }  # fmt: skip
    assert sorted(p.name for p in out.iterdir()) == ["good", "nominal"]
    report = json.loads((out / "good" / "report.json").read_text())
    assert set(report["patterns"]) == {"starboard"}


def test_results_that_stand_there_are_told_of_and_kept(shop: Path, tmp_path: Path) -> None:
    out = tmp_path / "out" / "good"
    out.mkdir(parents=True)
    (out / "starboard.svg").write_text("mine")
    (end,) = run_many({Job(shop / "good.toml"): out}, workers=1, force=False, ended=lambda _: None)
    assert end.exit_code == 6
    assert (out / "starboard.svg").read_text() == "mine"


def test_each_job_gets_a_folder_of_its_own_name(tmp_path: Path) -> None:
    for name in ("knee.toml", "knee/job.toml", "knee/aft.toml", "Hook.toml", "hook.toml"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("[port]\nphotos = []\n")
    found = places(find_jobs(tmp_path), tmp_path, Path("out"))
    assert len(set(found.values())) == len(found)
    assert found[Job(tmp_path / "knee" / "aft.toml")] == Path("out/knee-aft")
    assert {p.name.casefold() for p in found.values()} >= {"knee", "knee-2", "knee-aft", "hook"}


def test_folders_that_hold_no_job(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="No job file stands in"):
        find_jobs(tmp_path)
    with pytest.raises(UnreadableInput, match="There is no folder"):
        find_jobs(tmp_path / "nowhere")


def test_exit_codes_of_many() -> None:
    def ends(*codes: int) -> list[JobEnd]:
        return [
            JobEnd(job=Job(Path("a")), out=Path("b"), exit_code=c, words="", seconds=0)
            for c in codes
        ]

    assert exit_code_of(ends(0, 0)) == 0
    assert exit_code_of(ends(0, 5)) == 5
    assert exit_code_of(ends(5, 3, 0)) == 1


@pytest.mark.skipif(os.name == "nt", reason="no such signal")
def test_a_process_that_is_killed_takes_only_its_job_with_it(tmp_path: Path) -> None:
    # A module of its own, so that spawned workers find the deadly job too.
    (tmp_path / "deadly_jobs.py").write_text(
        "import os, signal\nfrom spilemark import many\n"
        "def run_one(job, out, *, force):\n"
        "    if job.file.stem == 'deadly':\n        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return many.JobEnd(job=job, out=out, exit_code=0, words='fine', seconds=0.0)\n"
    )
    code = (
        "import sys, json; sys.path.insert(0, '.')\nfrom pathlib import Path\n"
        "from spilemark import many\nimport deadly_jobs\nmany.run_one = deadly_jobs.run_one\n"
        "jobs = {many.Job(Path(n)): Path(n) for n in ('one', 'deadly', 'two', 'three')}\n"
        "if __name__ == '__main__':\n"
        "    ends = many.run_many(jobs, workers=2, force=False, ended=lambda _: None)\n"
        "    print(json.dumps([[e.job.file.name, e.exit_code] for e in ends]))\n"
    )
    (tmp_path / "go.py").write_text(code)
    done = subprocess.run(
        [sys.executable, "go.py"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [["one", 0], ["deadly", 70], ["two", 0], ["three", 0]]


@pytest.mark.skipif(os.name == "nt", reason="no such signal")
def test_ctrl_c_leaves_what_is_done_and_nothing_half_written(shop: Path, tmp_path: Path) -> None:
    many_jobs = tmp_path / "many"
    many_jobs.mkdir()
    text = (shop / "good.toml").read_text().replace('"drawn_', f'"{shop}/drawn_')
    for k in range(8):
        (many_jobs / f"job{k}.toml").write_text(text)
    out = tmp_path / "out"
    # Where tests run in the background, SIGINT is ignored from the start.
    listen = "import signal, runpy; signal.signal(signal.SIGINT, signal.default_int_handler); "
    listen += "runpy.run_module('spilemark', run_name='__main__')"
    process = subprocess.Popen(
        [sys.executable, "-c", listen, "jobs", str(many_jobs), "--out", str(out), "--workers", "1"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    for _ in range(600):
        if out.exists() and any((p / "report.json").exists() for p in out.iterdir()):
            break
        time.sleep(0.1)
    os.killpg(process.pid, signal.SIGINT)
    process.communicate(timeout=60)
    assert process.returncode == 130
    standing = list(out.iterdir())
    assert 1 <= len(standing) < 8
    assert all((p / "report.json").exists() and (p / "log.txt").exists() for p in standing)
