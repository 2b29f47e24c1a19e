"""What waits for a worker: jobs in one lane, photos to check in another that never waits for them."""

from __future__ import annotations

import heapq
import itertools
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from spilemark.errors import EXIT_INTERRUPTED, EXIT_OUR_BUG, SpilemarkError, UsageError
from spilemark.serve.entries import Entry, ShelfPhoto, put_slip, read_slip
from spilemark.serve.news import News
from spilemark.serve.shelf import Shelf
from spilemark.serve.steps import Progress
from spilemark.serve.worker import WorkEnded, Worker, WorkSlow, WorkStopped
from spilemark.storage import remove_scratch

_ASKED, _END = "asked", "end.json"
_CHECK_S, _CHECK_BYTES = 45.0, 4_000_000_000
_SUM_S = 20.0
_MEASURE_S, _PER_PHOTO_S, _MEASURE_BYTES = 120.0, 60.0, 8_000_000_000
_STOPPED = "Stopped by you; what was measured before is as it was."
_CHECK_FIELDS = ("thickness", "cards", "cards_on", "printed_bar", "battens", "scan", "lens",
                 "edge", "units")  # fmt: skip
_CHECK_OF_ARM = ("scan", "edge", "thickness")


class SlowSum(UsageError):
    """A sum was ended by its limit of time."""

    def __init__(self, seconds: float) -> None:
        super().__init__(
            f"This was not done within {seconds:.0f} seconds and was ended: there is no answer.",
            "Is the computer busy with something else? Let that end, then change a field to have it "
            "tried again.",
        )


@dataclass(slots=True)
class Work:
    """A job that waits or is being worked."""

    job_id: str
    status: str = "waiting"
    words: str = ""
    share: float = 0.0
    step: int = 0
    steps: int = 0


class Lanes:
    """Hands jobs and photos to their workers, one at a time each.

    What waits is marked in the job's own folder, so that it waits again after
    the laptop was switched off.
    """

    def __init__(self, shelf: Shelf, news: News) -> None:
        self._shelf, self._news = shelf, news
        self._measurer = Worker("measure", memory_bytes=_MEASURE_BYTES, niceness=5)
        self._checker = Worker("check", memory_bytes=_CHECK_BYTES)
        self._changed = threading.Condition()
        self._waiting: list[Work] = []
        self._now: Work | None = None
        self._checks: list[tuple[int, int, Callable[[], None]]] = []
        self._number = itertools.count()
        self._closed = False
        self._threads = [
            threading.Thread(target=self._measure_all, daemon=True),
            threading.Thread(target=self._check_all, daemon=True),
        ]

    def open(self) -> None:
        """Start the workers, and take up what waited when the program ended."""
        self._checker.start()
        self._measurer.start()
        for entry in self._shelf.entries():
            if (entry.bench / _ASKED).exists():
                self._waiting.append(Work(entry.id))
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """End the workers; what waits stays marked."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._measurer.close()
        self._checker.close()

    def ask(self, entry: Entry) -> None:
        """Let a job wait to be measured; one that waits already stays where it is."""
        put_slip(entry.bench / _ASKED, {})
        (entry.bench / _END).unlink(missing_ok=True)
        with self._changed:
            if all(work.job_id != entry.id for work in self._waiting):
                self._waiting.append(Work(entry.id))
            self._changed.notify_all()
        self._news.tell(entry.id)

    def stop(self, entry: Entry) -> None:
        """Take a job out of the lane, or end its work; its earlier results stay."""
        (entry.bench / _ASKED).unlink(missing_ok=True)
        with self._changed:
            self._waiting = [work for work in self._waiting if work.job_id != entry.id]
            if self._now is not None and self._now.job_id == entry.id:
                self._measurer.stop()
        self._news.tell(entry.id)

    def work_of(self, job_id: str) -> dict[str, Any] | None:
        """How far a job is; None where it neither waits nor is worked."""
        with self._changed:
            if self._now is not None and self._now.job_id == job_id:
                work, before = self._now, 0
            else:
                rows = [k for k, work in enumerate(self._waiting) if work.job_id == job_id]
                if not rows:
                    return None
                work, before = self._waiting[rows[0]], rows[0] + (self._now is not None)
            return {
                "status": work.status,
                "words": work.words,
                "share": round(work.share, 3),
                "step": work.step,
                "steps": work.steps,
                "before": before,
            }

    def check(
        self, entry: Entry, photo: ShelfPhoto, *, urgent: bool = False
    ) -> Future[dict[str, Any]]:
        """Let a photo be judged; an urgent one (somebody stands there with a phone) comes first."""
        answer: Future[dict[str, Any]] = Future()
        self._push(0 if urgent else 1, lambda: self._check(entry, photo, answer))
        return answer

    def reckon(
        self, task: dict[str, Any], *, urgent: bool = True, seconds: float = _SUM_S
    ) -> Future[dict[str, Any]]:
        """Let a small sum be done, an urgent one before the photos that wait: somebody is typing."""
        answer: Future[dict[str, Any]] = Future()

        def work() -> None:
            try:
                answer.set_result(self._checker.do(task, seconds=seconds))
            except WorkSlow:
                # No photo is to blame for a sum.
                answer.set_exception(SlowSum(seconds))
            except WorkEnded as error:
                answer.set_exception(UsageError(error.what, error.todo))
            except Exception as error:
                answer.set_exception(error)

        self._push(0 if urgent else 1, work)
        return answer

    def _push(self, rank: int, work: Callable[[], None]) -> None:
        with self._changed:
            heapq.heappush(self._checks, (rank, next(self._number), work))
            self._changed.notify_all()

    def _measure_all(self) -> None:
        while True:
            with self._changed:
                while not self._waiting and not self._closed:
                    self._changed.wait()
                if self._closed:
                    return
                self._now = self._waiting.pop(0)
            job_id = self._now.job_id
            try:
                self._measure(self._now)
            except Exception as error:  # the lane must go on
                print(f"spilemark serve: {error!r}")  # noqa: T201
            finally:
                with self._changed:
                    self._now = None
                self._news.tell(job_id)

    def _measure(self, work: Work) -> None:
        try:
            entry = self._shelf.find(work.job_id)
        except SpilemarkError:
            return
        progress = Progress(entry.table)
        work.status = "working"
        self._news.tell(entry.id)

        def told(message: dict[str, Any]) -> None:
            work.words = str(message.get("step", ""))
            work.share, work.step, work.steps = progress.told(work.words)
            self._news.tell(entry.id)

        task = {
            "do": "measure",
            "file": str(entry.job.file),
            "part": entry.job.part,
            "out": str(entry.results_base),
        }
        try:
            end = self._measurer.do(
                task, seconds=_MEASURE_S + _PER_PHOTO_S * len(entry.photos), told=told
            )
        except WorkEnded as error:
            for home in (entry.results, entry.results.parent):
                remove_scratch(home)
            if self._closed:
                # It stays marked, and waits again when the program is opened.
                return
            end = {"exit_code": EXIT_OUR_BUG, "failed": True, "words": str(error), "seconds": 0.0}
            if isinstance(error, WorkStopped):
                end |= {"exit_code": EXIT_INTERRUPTED, "stopped": True, "words": _STOPPED}
        put_slip(entry.bench / _END, end)
        with self._changed:
            again = any(w.job_id == entry.id for w in self._waiting)
        if not again:
            (entry.bench / _ASKED).unlink(missing_ok=True)

    def _check_all(self) -> None:
        while True:
            with self._changed:
                while not self._checks and not self._closed:
                    self._changed.wait()
                if self._closed:
                    return
                _, _, work = heapq.heappop(self._checks)
            work()

    def _check(self, entry: Entry, photo: ShelfPhoto, answer: Future[dict[str, Any]]) -> None:
        stem = entry.bench / photo.id

        def told(message: dict[str, Any]) -> None:
            put_slip(stem.with_suffix(".check.json"), message["verdict"])
            if not answer.done():
                answer.set_result(message["verdict"])
            self._news.tell(entry.id)

        task = {
            "do": "check",
            "photo": str(photo.path),
            "arm": photo.arm,
            "table": said_of(entry, photo.arm),
            "known": known_cards(entry, photo),
            "pictures": str(stem),
        }
        try:
            self._checker.do(task, seconds=_CHECK_S, told=told)
        except WorkEnded as error:
            if not answer.done():
                verdict = {"good": "no", "words": error.what, "more": [error.todo], "cards": []}
                if not isinstance(error, WorkStopped):
                    told({"verdict": verdict})
                else:
                    answer.set_result(verdict)
        except Exception as error:
            if not answer.done():
                answer.set_exception(error)
        self._news.tell(entry.id)


def end_of(entry: Entry) -> dict[str, Any] | None:
    """How the last measuring of a job ended; None where it never did."""
    return read_slip(entry.bench / _END)


def check_of(entry: Entry, photo: ShelfPhoto) -> dict[str, Any] | None:
    """What was said of a photo."""
    return read_slip((entry.bench / photo.id).with_suffix(".check.json"))


def known_cards(entry: Entry, photo: ShelfPhoto) -> list[str]:
    """Cards that the other photos of the same pattern show, where those are good."""
    others = (p for p in entry.photos if p.arm == photo.arm and p.id != photo.id)
    checks = [check for p in others if (check := check_of(entry, p)) is not None]
    return sorted({str(card) for check in checks for card in check.get("cards", ())})


def said_of(entry: Entry, arm: str) -> dict[str, Any]:
    """What a job file says that counts for one photo of an arm, in its own words."""
    said = {key: entry.table[key] for key in _CHECK_FIELDS if key in entry.table}
    if isinstance(said.get("cards"), str):
        said["cards"] = str(entry.folder / said["cards"])
    of_arm = entry.table.get(arm)
    if isinstance(of_arm, dict):
        said[arm] = {key: of_arm[key] for key in _CHECK_OF_ARM if key in of_arm}
    return said
