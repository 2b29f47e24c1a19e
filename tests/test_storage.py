from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest

from spilemark import storage
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.storage import check_target, existing_results, results_folder


def put(scratch: Path, *names: str) -> None:
    for name in names:
        (scratch / name).write_text(f"new {name}")


def fail_half_way(target: Path, error: type) -> None:
    with results_folder(target, force=True) as scratch:
        put(scratch, "port.svg")
        raise error


def tree(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text() for p in folder.iterdir() if p.is_file()}


def test_all_results_arrive_in_a_new_folder_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "a" / "b" / "knee"
    with results_folder(target, force=False) as scratch:
        put(scratch, "port.svg", "report.json")
        assert not target.exists()
    assert tree(target) == {"port.svg": "new port.svg", "report.json": "new report.json"}
    assert [p.name for p in target.parent.iterdir()] == ["knee"]


def test_a_new_folder_has_the_usual_rights(tmp_path: Path) -> None:
    with results_folder(tmp_path / "knee", force=False) as scratch:
        put(scratch, "port.svg")
    (tmp_path / "usual").mkdir()
    assert (tmp_path / "knee").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_a_name_with_spaces_and_umlauts(tmp_path: Path) -> None:
    target = tmp_path / "Möwe 2 – Knie"
    with results_folder(target, force=False) as scratch:
        put(scratch, "port.svg")
    assert tree(target) == {"port.svg": "new port.svg"}


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_a_failed_job_leaves_nothing_behind(tmp_path: Path, error: type) -> None:
    target = tmp_path / "new" / "knee"
    with pytest.raises(error):
        fail_half_way(target, error)
    assert list(tmp_path.iterdir()) == []


def test_a_failed_job_leaves_a_standing_folder_as_it_was(tmp_path: Path) -> None:
    put(tmp_path, "port.svg", "job.toml")
    before = tree(tmp_path)
    with pytest.raises(RuntimeError):
        fail_half_way(tmp_path, RuntimeError)
    assert tree(tmp_path) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["job.toml", "port.svg"]


def test_results_are_not_replaced_unless_forced(tmp_path: Path) -> None:
    (tmp_path / "report.json").write_text("old")
    with pytest.raises(WouldOverwrite, match=r"report\.json") as caught:
        check_target(tmp_path, force=False)
    assert caught.value.exit_code == 6
    check_target(tmp_path, force=True)
    with results_folder(tmp_path, force=True) as scratch:
        put(scratch, "report.json")
    assert tree(tmp_path) == {"report.json": "new report.json"}


def test_a_strangers_file_is_not_replaced_either(tmp_path: Path) -> None:
    (tmp_path / "port.stl").write_text("old")
    with pytest.raises(WouldOverwrite), results_folder(tmp_path, force=False) as scratch:
        put(scratch, "port.stl", "port.svg")
    assert tree(tmp_path) == {"port.stl": "old"}


def test_forcing_takes_stale_results_away_and_nothing_else(tmp_path: Path) -> None:
    for name in ("starboard.svg", "difference.svg", "overlay_port_2.jpg", "job.toml", "port.jpg"):
        (tmp_path / name).write_text("old")
    with results_folder(tmp_path, force=True) as scratch:
        put(scratch, "port.svg")
    assert tree(tmp_path) == {"port.svg": "new port.svg", "job.toml": "old", "port.jpg": "old"}


def test_a_folder_with_photos_in_it_is_no_hindrance(tmp_path: Path) -> None:
    (tmp_path / "port.jpg").write_text("photo")
    check_target(tmp_path, force=False, inputs=[tmp_path / "port.jpg"])
    assert existing_results(tmp_path) == []


def test_an_input_that_would_be_replaced_stops_the_job(tmp_path: Path) -> None:
    photo = tmp_path / "overlay_port.jpg"
    photo.write_text("photo")
    with pytest.raises(UsageError, match="would be replaced"):
        check_target(tmp_path, force=True, inputs=[tmp_path / "." / "overlay_port.jpg"])
    assert photo.read_text() == "photo"


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "knee").write_text("a file")
    with pytest.raises(CannotWrite, match="in the way") as caught:
        check_target(tmp_path / "knee", force=True)
    assert caught.value.exit_code == 9


def test_a_path_through_a_file(tmp_path: Path) -> None:
    (tmp_path / "knee").write_text("a file")
    with pytest.raises(CannotWrite, match="not a folder"):
        check_target(tmp_path / "knee" / "deep" / "er", force=True)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "may not write"),
        (errno.EROFS, "read-only"),
        (errno.ENOSPC, "disk is full"),
        (errno.ENAMETOOLONG, "too long"),
    ],
)
def test_a_closed_or_full_disk_is_found_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def refuse(**_: object) -> str:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(storage.tempfile, "mkdtemp", refuse)
    with pytest.raises(CannotWrite, match=words):
        check_target(tmp_path / "new" / "knee", force=False)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="other rights there")
def test_a_folder_without_rights(tmp_path: Path) -> None:
    """In a process of its own, so that root, who may write anywhere, can step down first."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o555)
    code = textwrap.dedent(
        """
        import os, sys
        from pathlib import Path
        from spilemark.errors import CannotWrite
        from spilemark.storage import check_target
        closed = Path(sys.argv[1])
        os.chdir(closed)
        if os.geteuid() == 0:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
        try:
            check_target(Path("knee"), force=False)
        except CannotWrite as error:
            print(error)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(closed)], check=True, capture_output=True, text=True
    )
    assert "may not write" in done.stdout


def test_a_disk_that_is_nearly_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Little:
        free = 1_000_000

    monkeypatch.setattr(storage.shutil, "disk_usage", lambda _: Little)
    with pytest.raises(CannotWrite, match="1 MB left"):
        check_target(tmp_path / "knee", force=False)


def test_a_disk_that_fills_up_while_writing(tmp_path: Path) -> None:
    with (
        pytest.raises(CannotWrite, match="disk is full"),
        results_folder(tmp_path / "k", force=False),
    ):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def usual_interrupt() -> Iterator[None]:
    before = signal.getsignal(signal.SIGINT)
    yield
    assert signal.getsignal(signal.SIGINT) is before


@pytest.mark.usefixtures("usual_interrupt")
def test_an_interrupt_during_the_moving_waits_until_all_is_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "job.toml").write_text("old")
    replace = Path.replace

    def interrupted(self: Path, target: Path) -> Path:
        signal.raise_signal(signal.SIGINT)
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt), results_folder(tmp_path, force=False) as scratch:
        put(scratch, "port.svg", "report.json", "log.txt")
    assert sorted(tree(tmp_path)) == ["job.toml", "log.txt", "port.svg", "report.json"]
    assert len(list(tmp_path.iterdir())) == 4


@pytest.mark.skipif(os.name == "nt", reason="no SIGINT to another process there")
def test_ctrl_c_in_a_real_process_leaves_nothing(tmp_path: Path) -> None:
    code = textwrap.dedent(
        """
        import signal, sys, time
        from pathlib import Path
        from spilemark.storage import results_folder
        # A shell hands SIGINT on as ignored to what it starts in the background.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        with results_folder(Path(sys.argv[1]) / "new" / "knee", force=False) as scratch:
            (scratch / "port.svg").write_text("half")
            print("ready", flush=True)
            time.sleep(60)
        """
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    with process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"ready"
        assert list(tmp_path.rglob("port.svg"))
        process.send_signal(signal.SIGINT)
        process.wait(timeout=30)
    assert process.returncode != 0
    assert list(tmp_path.iterdir()) == []
