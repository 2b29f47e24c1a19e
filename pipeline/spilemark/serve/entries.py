"""One job as it lies on disk: its photos and results by their ids, and slips that can be thrown away.

Whoever asks for a job, photo or result names it by an id made from its place; a
path is never taken from outside.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spilemark.errors import UsageError
from spilemark.many import Job
from spilemark.results import ARMS
from spilemark.storage import existing_results, store_files

BENCH = ".bench"
"""What can be made again or thrown away: previews, verdicts, what waits."""


class NotThere(UsageError):
    """Nothing on the shelf has this id."""


@dataclass(frozen=True, slots=True)
class ShelfPhoto:
    """A photo of a job."""

    id: str
    arm: str
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One job on the shelf."""

    id: str
    job: Job
    results_base: Path
    """What ``--out`` would be."""
    results: Path
    """Where this part's results stand, or will stand."""
    table: dict[str, Any]
    problem: str = ""
    """Why the job file cannot be read."""
    several: bool = False
    """Whether it is one part of a job file of several, which the page does not change."""

    @property
    def folder(self) -> Path:
        """Where its photos are put."""
        return self.job.file.parent

    @property
    def bench(self) -> Path:
        """Where what can be thrown away is kept."""
        return self.folder / BENCH / self.id

    @property
    def title(self) -> str:
        """Boat and part, or the folder's name."""
        words = [str(self.table.get(key, "")).strip() for key in ("boat", "part")]
        return ", ".join(w for w in words if w) or self.folder.name

    @property
    def photos(self) -> tuple[ShelfPhoto, ...]:
        """Its photos in working order, whether or not they are there."""
        found: list[ShelfPhoto] = []
        for arm in ARMS:
            table = self.table.get(arm)
            names = table.get("photos", []) if isinstance(table, dict) else []
            found += [
                ShelfPhoto(id_of(f"{arm}/{name}"), arm, self.folder / name)
                for name in (names if isinstance(names, list) else [])
                if isinstance(name, str)
            ]
        return tuple(found)

    def photo(self, photo_id: str) -> ShelfPhoto:
        """One photo by its id."""
        for photo in self.photos:
            if photo.id == photo_id:
                return photo
        raise NotThere("This job has no such photo.", "Go back to the job.")

    def files(self) -> dict[str, Path]:
        """Results that stand there, by id."""
        return {id_of(path.name): path for path in existing_results(self.results)}


OWN_NAMES = "names.json"
"""Slip: what the files of photos were called where they came from."""


def own_names(entry: Entry) -> dict[str, str]:
    """By a photo's name in the job: what its file was called."""
    return {k: v for k, v in (read_slip(entry.bench / OWN_NAMES) or {}).items() if v != k}


def id_of(text: str) -> str:
    """The id of a place."""
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def put_slip(path: Path, table: dict[str, Any]) -> None:
    """Write a small file of our own, in a folder that may have to be made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    store_files({path: json.dumps(table).encode()})


def read_slip(path: Path) -> dict[str, Any] | None:
    """Read one; None where it is not there, or half written by somebody else."""
    with contextlib.suppress(OSError, ValueError):
        table = json.loads(path.read_text(encoding="utf-8"))
        return table if isinstance(table, dict) else None
    return None
