"""The bench: shelf, lanes, news and door of one server, and what a page is told of a job."""

from __future__ import annotations

import contextlib
import json
import threading
from pathlib import Path
from typing import Any

from spilemark.errors import UsageError
from spilemark.serve.entries import Entry, id_of, own_names
from spilemark.serve.found import found_in
from spilemark.serve.lanes import Lanes, check_of, end_of
from spilemark.serve.news import News
from spilemark.serve.sheet import arms_open
from spilemark.serve.shelf import ASIDE, Shelf, aside_of


class Bench:
    """Everything that the routes ask.

    Parameters
    ----------
    shelf : Shelf
    """

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.news = News()
        self.lanes = Lanes(shelf, self.news)
        self._reports: dict[Path, tuple[int, dict[str, Any]]] = {}
        self._lock = threading.Lock()

    def open(self) -> None:
        """Begin; called within the running event loop."""
        self.news.open()
        self.shelf.mend()
        self.lanes.open()

    def close(self) -> None:
        """End workers and let listeners go."""
        self.news.close()
        self.lanes.close()

    def report(self, entry: Entry) -> dict[str, Any]:
        """A job's ``report.json``.

        Raises
        ------
        UsageError
            There is none, or not one of ours.
        """
        path = entry.results / "report.json"
        try:
            stamp = path.stat().st_mtime_ns
            with self._lock:
                kept = self._reports.get(path)
                if kept is None or kept[0] != stamp:
                    table = json.loads(path.read_text(encoding="utf-8"))
                    kept = (stamp, table)
                    self._reports = {**dict([*self._reports.items()][-7:]), path: kept}
            report = kept[1]
            if report["schema"] != 1:
                raise KeyError("schema")
            return report
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise UsageError("This job is not measured yet.", "Measure it first.") from error

    def states(self) -> list[dict[str, Any]]:
        """Every job's state."""
        return [self.state(entry, closely=False) for entry in self.shelf.entries()]

    def _found(self, entry: Entry) -> dict[tuple[str, str], dict[str, Any]]:
        """What the last measurement said of each photo; nothing where there was none."""
        with contextlib.suppress(UsageError, KeyError, TypeError, ValueError):
            return found_in(self.report(entry))
        return {}

    def state(self, entry: Entry, *, closely: bool = True) -> dict[str, Any]:
        """What a page shows of a job, as plain data; ``closely``: with what the report found."""
        work = self.lanes.work_of(entry.id)
        end = end_of(entry)
        measured = (entry.results / "report.json").is_file()
        stale = measured and _stale(entry)
        found = self._found(entry) if measured and closely else {}
        names = own_names(entry)
        photos = [
            {
                "id": photo.id,
                "arm": photo.arm,
                "name": photo.path.name,
                "there": photo.path.is_file(),
                "thumb": (entry.bench / f"{photo.id}.thumb.jpg").is_file(),
                "check": check_of(entry, photo),
                "own_name": names.get(photo.path.name, ""),
                "found": found.get((photo.arm, photo.path.name)),
            }
            for photo in entry.photos
        ]
        aside = [
            {
                "id": id_of(f"{ASIDE}/{path.name}"),
                "arm": arm,
                "name": path.name,
                "own_name": names.get(path.name, ""),
            }
            for arm, path in aside_of(entry)
        ]
        return {
            "id": entry.id,
            "title": entry.title,
            "problem": entry.problem,
            "several": entry.several,
            "photos": photos,
            "aside": aside,
            "arms_open": arms_open(entry.table),
            "work": work,
            "end": end,
            "measured": measured,
            "stale": stale,
            "status": _status(entry, work, end, measured=measured, stale=stale),
        }


def _stale(entry: Entry) -> bool:
    """Whether job file or photos changed after the results were written."""
    try:
        written = (entry.results / "report.json").stat().st_mtime
        inputs = [entry.job.file, *(p.path for p in entry.photos if p.path.exists())]
        return any(path.stat().st_mtime > written for path in inputs)
    except OSError:
        return False


def _status(
    entry: Entry,
    work: dict[str, Any] | None,
    end: dict[str, Any] | None,
    *,
    measured: bool,
    stale: bool,
) -> str:
    """One of: problem, waiting, working, failed, changed, measured, ready, empty."""
    if entry.problem:
        return "problem"
    if work is not None:
        return str(work["status"])
    if end is not None and end.get("failed"):
        return "stopped" if end.get("stopped") else "failed"
    if measured:
        return "changed" if stale else "measured"
    return "ready" if entry.photos else "empty"
