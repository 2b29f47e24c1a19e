"""A folder of jobs, in real processes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from spilemark import cli
from spilemark.commands.jobs import table
from spilemark.errors import UnreadableInput, UsageError
from spilemark.many import Job, JobEnd, exit_code_of, find_jobs, places, run_many
from spilemark.summary import below_words
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
    assert "nominal.toml (exit code 5):\n  No size: nothing measured" in said
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


def drawn_up(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("[port]\nphotos = []\n")


def test_each_job_gets_a_folder_of_its_own_name(tmp_path: Path) -> None:
    drawn_up(tmp_path, "knee/job.toml", "knee/aft.toml", "Hook.toml", "thwart-knee.toml")
    found, not_run = places(find_jobs(tmp_path), tmp_path, Path("out"))
    names = {job.named_from(tmp_path): str(where) for job, where in found.items()}
    assert names == {
        "knee/job.toml": "out/knee",
        "knee/aft.toml": "out/knee-aft",
        "Hook.toml": "out/Hook",
        "thwart-knee.toml": "out/thwart-knee",
    }
    assert not not_run


@pytest.mark.parametrize(
    ("first", "beside"),
    [("x-y.toml", "x/y.toml"), ("x/y.toml", "x-y.toml"), ("knee.toml", "knee/job.toml"),
     ("Hook.toml", "hook.toml")],
)  # fmt: skip
def test_another_file_never_moves_a_jobs_results(first: str, beside: str, tmp_path: Path) -> None:
    drawn_up(tmp_path, first, "other.toml")
    before, _ = places(find_jobs(tmp_path), tmp_path, Path("out"))
    drawn_up(tmp_path, beside)
    if len(list(tmp_path.rglob("*.toml"))) < 3:
        pytest.skip("this disk knows no capital letters")
    after, not_run = places(find_jobs(tmp_path), tmp_path, Path("out"))
    assert all(before[job] == where for job, where in after.items())
    assert {job.file.name for job in after} == {"other.toml"}
    assert {end.job.file for end in not_run} == {tmp_path / first, tmp_path / beside}
    assert all("same folder" in end.words and "Rename one" in end.words for end in not_run)


def test_a_misspelt_table_of_photos_is_listed_as_not_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "typo.toml").write_text('part = "a"\nprot.photos = ["d.png"]\n')
    (tmp_path / "part.toml").write_text('[[part]]\npart = "x"\nport.photos = ["d.png"]\n')
    (tmp_path / "no_photo.toml").write_text('thickness = "3 mm"\n')
    # What lies beside and is no job: a card set, a recipe, trial bends.
    (tmp_path / "cards.toml").write_text('name = "c"\n[[batten]]\ncards = ["A", "H"]\n')
    (tmp_path / "recipe.toml").write_text('[stages]\ntrace = "mine"\n')
    (tmp_path / "trials.toml").write_text('kind = "trial-bends"\n[[bend]]\nwood = "oak"\n')
    assert cli.main(["jobs", str(tmp_path), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().out
    rows = {row.split()[0]: row for row in said.splitlines()[1:4]}
    assert set(rows) == {"typo.toml", "part.toml", "no_photo.toml"}
    assert all("FAILED" in row and "not run: " in row for row in rows.values())
    assert 'unknown key "prot". Did you mean "port"?' in said
    assert "[[parts]], with an s" in said


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


def test_a_pattern_cut_off_by_the_frame_says_so(tmp_path: Path) -> None:
    import drawn_jobs

    cut = replace(drawn_jobs.outline(drawn_jobs.zoo.knee(side="port")), whole=False)
    found = below_words(drawn_jobs.result(port=cut, sides=("port",)))
    assert found == ("The port pattern runs out of the picture.",)
    end = JobEnd(
        job=Job(tmp_path / "a.toml"), out=tmp_path, exit_code=5, words=" ".join(found), seconds=1.0
    )
    row = table((end,), tmp_path)[1]
    assert "below" in row
    assert "runs out of the picture" in row


@pytest.mark.skipif(os.name == "nt", reason="no such signal")
def test_a_job_that_had_ended_when_another_killed_its_process_is_done(tmp_path: Path) -> None:
    # "slow" has put its results in their place when "deadly" dies and takes all processes along,
    # before anybody was told: tried again, it must not stumble over its own results.
    (tmp_path / "late_jobs.py").write_text(
        "import os, signal, time\nfrom spilemark import many, storage\n"
        "def run_one(job, out, *, force):\n"
        "    if job.file.stem == 'deadly':\n"
        "        while not storage.existing_results(out.parent / 'slow'):\n"
        "            time.sleep(0.02)\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    stands = storage.existing_results(out)\n"
        "    code = 6 if stands and not force else 0\n"
        "    out.mkdir(exist_ok=True)\n"
        "    (out / 'report.json').write_text('{}')\n"
        "    if job.file.stem == 'slow' and not stands:\n        time.sleep(60)\n"
        "    return many.JobEnd(job=job, out=out, exit_code=code, words='', seconds=0.0)\n"
    )
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "report.json").write_text("mine")
    code = (
        "import sys, json; sys.path.insert(0, '.')\nfrom pathlib import Path\n"
        "from spilemark import many\nimport late_jobs\nmany.run_one = late_jobs.run_one\n"
        "jobs = {many.Job(Path(n)): Path(n) for n in ('slow', 'deadly', 'mine')}\n"
        "if __name__ == '__main__':\n"
        "    ends = many.run_many(jobs, workers=2, force=False, ended=lambda _: None)\n"
        "    print(json.dumps([[e.job.file.name, e.exit_code] for e in ends]))\n"
    )
    (tmp_path / "go.py").write_text(code)
    done = subprocess.run(
        [sys.executable, "go.py"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    # What stood there before this run is kept.
    assert json.loads(done.stdout) == [["slow", 0], ["deadly", 70], ["mine", 6]]


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
