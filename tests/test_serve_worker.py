"""The worker: limits of time and memory, stopped at once, alive again."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from spilemark.serve.worker import WorkEnded, Worker, WorkerLost, WorkFailed, WorkStopped


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    made = Worker("tests", memory_bytes=4_000_000_000)
    yield made
    made.close()


def photo(tmp_path: Path, size: tuple[int, int] = (4000, 3000)) -> Path:
    path = tmp_path / "grey.png"
    Image.fromarray(np.full((size[1], size[0]), 90, np.uint8)).save(path, compress_level=1)
    return path


def check(path: Path) -> dict:
    pictures = str(path.parent / "p")
    return {"do": "check", "photo": str(path), "arm": "port", "table": {}, "pictures": pictures}


def test_a_photo_without_cards_is_refused_in_words(worker: Worker, tmp_path: Path) -> None:
    told: list[dict] = []
    done = worker.do(check(photo(tmp_path)), seconds=60, told=told.append)
    assert done["verdict"]["good"] == "no"
    assert "No scale card" in done["verdict"]["words"]
    assert told == [{"verdict": done["verdict"]}]
    assert (tmp_path / "p.thumb.jpg").is_file()


def test_what_takes_too_long_is_ended_and_the_next_is_done(worker: Worker, tmp_path: Path) -> None:
    path = photo(tmp_path)
    with pytest.raises(WorkerLost, match="longer than"):
        worker.do(check(path), seconds=0.0)
    assert worker.do(check(path), seconds=300)["verdict"]["good"] == "no"


def test_what_is_stopped_ends_at_once(worker: Worker, tmp_path: Path) -> None:
    path = photo(tmp_path, (9000, 9000))
    threading.Timer(0.3, worker.stop).start()
    with pytest.raises(WorkStopped):
        worker.do(check(path), seconds=300)


def test_a_killed_process_is_told_and_replaced(worker: Worker, tmp_path: Path) -> None:
    path = photo(tmp_path)
    worker.do(check(path), seconds=300)
    os.kill(worker._process.pid, signal.SIGKILL)
    with pytest.raises(WorkerLost, match="memory"):
        worker.do(check(path), seconds=300)
    assert worker.do(check(path), seconds=300)["verdict"]


def test_a_task_that_breaks_is_told_in_words(worker: Worker) -> None:
    with pytest.raises(WorkFailed, match="KeyError"):
        worker.do({"do": "nothing we know"}, seconds=300)


def test_memory_is_limited(tmp_path: Path) -> None:
    pytest.importorskip("resource", reason="this system has no limit of memory for a process")
    # 119 megapixels are within what is read, and take more than this process may have.
    path = photo(tmp_path, (11_000, 10_800))
    small = Worker("small", memory_bytes=900_000_000)
    try:
        words = said_of(small, path)
    finally:
        small.close()
    assert "memory" in words


def said_of(worker: Worker, path: Path) -> str:
    """The verdict, or why there is none."""
    try:
        return str(worker.do(check(path), seconds=300)["verdict"]["words"])
    except WorkEnded as error:
        return str(error)
