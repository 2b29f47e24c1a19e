"""The jobs on disk: found, made, given photos.  The folder is all that there is.

A job is a job file as the command line reads it, in the shop's folder or in a
folder of its own there.  Every change is written beside the old file and put in
its place in one step.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from spilemark.errors import CannotWrite, SpilemarkError, UnreadableInput, UsageError
from spilemark.jobfile import order_from
from spilemark.jobparts import JobPart, parts_of
from spilemark.many import Job, find_jobs
from spilemark.results import ARMS
from spilemark.serve.entries import (
    OWN_NAMES,
    Entry,
    NotThere,
    ShelfPhoto,
    id_of,
    own_names,
    put_slip,
)
from spilemark.storage import store_files

JOB_FILE = "job.toml"
RESULTS = "results"
ASIDE = "set_aside"
_SETTLED_NS = 100_000_000
"""A file written later than this may be written again within one tick of the disk's clock."""
_NAME = re.compile(rf"(?P<arm>{'|'.join(ARMS)})_\d+\.[a-z]{{3,4}}")
_KINDS: tuple[tuple[str, Callable[[bytes], bool]], ...] = (
    ("jpg", lambda b: b.startswith(b"\xff\xd8\xff")),
    ("png", lambda b: b.startswith(b"\x89PNG\r\n\x1a\n")),
    ("tif", lambda b: b[:4] in (b"II*\0", b"MM\0*")),
    ("webp", lambda b: b[:4] == b"RIFF" and b[8:12] == b"WEBP"),
    ("heic", lambda b: b[4:8] == b"ftyp"),
)


class TooMuch(CannotWrite):
    """A file, a job or the whole shelf would grow beyond its limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How much the page takes in."""

    photo_bytes: int = 120_000_000
    form_bytes: int = 256_000
    shelf_bytes: int = 40_000_000_000
    free_bytes: int = 300_000_000
    """Left free on the disk."""
    photos: int = 60
    """Of one job."""


class Shelf:
    """All jobs of one folder; safe to ask from several threads.

    Parameters
    ----------
    root : Path
        The shop's folder; made if it is not there.
    limits : Limits
    """

    def __init__(self, root: Path, limits: Limits | None = None) -> None:
        self.root = root
        self.limits = limits or Limits()
        self._lock = threading.RLock()
        self._jobs: dict[str, Job] = {}
        self._read: dict[Path, tuple[tuple[int, int, int], tuple[JobPart, ...]]] = {}
        try:
            root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CannotWrite(
                f"The folder for the jobs, {root}, cannot be made: {error.strerror}.",
                "Name another with --jobs.",
            ) from error

    def entries(self) -> tuple[Entry, ...]:
        """Every job, the one touched last first."""
        with self._lock:
            try:
                jobs = find_jobs(self.root)
            except UsageError:
                return ()
            found = [self._entry(job) for job in jobs]
        return tuple(sorted(found, key=lambda e: (-_touched(e), e.job)))

    def find(self, job_id: str) -> Entry:
        """One job by its id; a job that was asked for before is looked for where it was."""
        with self._lock:
            job = self._jobs.get(job_id)
            if job is not None and job.file.is_file():
                entry = self._entry(job)
                if entry.id == job_id:
                    return entry
        for entry in self.entries():
            if entry.id == job_id:
                return entry
        raise NotThere("There is no such job on this bench.", "Go back to the list of jobs.")

    def create(self, table: dict[str, Any]) -> Entry:
        """Make a job from what a form says, in the words of a job file."""
        order_from(table, "This job")
        self._check_room(0)
        name = _slug(f"{table.get('boat', '')} {table.get('part', '')}")
        with self._lock, _as_cannot_write(self.root):
            folder, count = self.root / name, 2
            while folder.exists():
                folder, count = self.root / f"{name}_{count}", count + 1
            folder.mkdir()
            document = tomlkit.document()
            for key, value in table.items():
                document[key] = value
            # Makes it a job before the first photo comes.
            document["port"] = document.get("port", {"photos": []})
            store_files({folder / JOB_FILE: tomlkit.dumps(document).encode()})
            return self._entry(Job(folder / JOB_FILE))

    def change(self, entry: Entry, edit: Callable[[tomlkit.TOMLDocument], None]) -> Entry:
        """Change a job file, keeping the person's comments; refused where it would not be a job.

        Raises
        ------
        UsageError
            What would stand there is impossible; the file stays as it was.
        """
        if entry.several:
            raise UsageError(
                f"{entry.job.file.name} holds several parts; the page measures them, but does not"
                " change such a file.",
                "Change it in a text editor.",
            )
        with self._lock, _as_cannot_write(entry.folder):
            path = entry.job.file
            try:
                document = tomlkit.parse(path.read_text(encoding="utf-8-sig"))
            except (ValueError, OSError) as error:
                raise UnreadableInput(
                    f"{path.name} cannot be read.", "Look at it in an editor."
                ) from error
            edit(document)
            order_from(document.unwrap(), "This job")
            store_files({path: tomlkit.dumps(document).encode()})
            return self._entry(entry.job)

    @contextmanager
    def incoming(self, entry: Entry) -> Iterator[Path]:
        """A place for a photo that is on its way; taken away again if it does not become one."""
        if len(entry.photos) >= self.limits.photos:
            raise TooMuch(
                f"This job has {len(entry.photos)} photos; more are not taken.",
                "Take some away first.",
            )
        self._check_room(self.limits.photo_bytes)
        with _as_cannot_write(entry.folder):
            entry.bench.mkdir(parents=True, exist_ok=True)
            path = entry.bench / f"incoming-{os.urandom(8).hex()}"
            try:
                yield path
            finally:
                path.unlink(missing_ok=True)

    def keep(self, entry: Entry, arm: str, incoming: Path, own_name: str = "") -> ShelfPhoto:
        """Make what came in a photo of the job, under a name of our own; its own is remembered.

        Raises
        ------
        UnreadableInput
            By its first bytes it is no photo.
        UsageError
            The job cannot have a photo there.
        """
        if arm not in ARMS:
            raise UsageError("A photo is of port, starboard, both, or a single part.", "")
        with incoming.open("rb+") as file:
            head = file.read(16)
            suffix = next((kind for kind, fits in _KINDS if fits(head)), None)
            if suffix is None:
                raise UnreadableInput(
                    "That file is not a photo.", "JPEG, PNG, TIFF, WebP and HEIC are read."
                )
            os.fsync(file.fileno())
        with self._lock, _as_cannot_write(entry.folder):
            number = 1
            while any(entry.folder.glob(f"{arm}_{number}.*")) or any(
                (entry.folder / ASIDE).glob(f"{arm}_{number}.*")
            ):
                number += 1
            place = entry.folder / f"{arm}_{number}.{suffix}"
            incoming.replace(place)
            try:
                changed = self.change(entry, lambda d: _add_photo(d, arm, place.name))
            except SpilemarkError:
                place.unlink()
                raise
            if own_name:
                put_slip(entry.bench / OWN_NAMES, own_names(entry) | {place.name: own_name})
        return next(p for p in changed.photos if p.path.name == place.name)

    def set_aside(self, entry: Entry, photo: ShelfPhoto) -> None:
        """Take a photo out of the job; the file is kept in a folder beside it."""

        def out(document: tomlkit.TOMLDocument) -> None:
            table: Any = document[photo.arm]
            kept = [n for n in table["photos"] if entry.folder / n != photo.path]
            edits = table.pop("corrections", None)
            rest = [dict(row) for row in edits or () if row.get("photo") != photo.path.name]
            if entry.folder / table["photos"][0] == photo.path:
                # What was told of the pixels of an arm's first photo goes with it.
                for key in ("centreline", "forward"):
                    table.pop(key, None)
            table["photos"] = kept
            if rest:
                table["corrections"] = rest

        with self._lock, _as_cannot_write(entry.folder):
            self.change(entry, out)
            if photo.path.parent == entry.folder and photo.path.is_file():
                aside = entry.folder / ASIDE
                aside.mkdir(exist_ok=True)
                photo.path.replace(aside / photo.path.name)

    def bring_back(self, entry: Entry, aside_id: str) -> ShelfPhoto:
        """Take a photo that was set aside into the job again, as one of the same side.

        Raises
        ------
        NotThere
            None that was set aside has this id.
        UsageError
            The job's other photos leave no place for it.
        """
        held = {id_of(f"{ASIDE}/{path.name}"): (arm, path) for arm, path in aside_of(entry)}
        if aside_id not in held:
            raise NotThere("No photo that was set aside is that one.", "Load the page again.")
        arm, path = held[aside_id]
        place = entry.folder / path.name
        with self._lock, _as_cannot_write(entry.folder):
            if place.exists():
                raise CannotWrite(
                    f"There is a {path.name} in the job already.", "Rename one of the two."
                )
            changed = self.change(entry, lambda d: _add_photo(d, arm, place.name))
            path.replace(place)
        return next(p for p in changed.photos if p.path.name == place.name)

    def mend(self) -> None:
        """After a crash: photos that came in but were not written down are, half ones go."""
        for entry in self.entries():
            if entry.problem or entry.several or entry.job.file.name != JOB_FILE:
                continue
            for stray in entry.bench.glob("incoming-*") if entry.bench.is_dir() else ():
                stray.unlink(missing_ok=True)
            listed = {photo.path.name for photo in entry.photos}
            for path in sorted(entry.folder.iterdir()):
                named = _NAME.fullmatch(path.name)
                if named and path.name not in listed and path.is_file():
                    arm = named["arm"]
                    try:
                        self.change(entry, lambda d, a=arm, n=path.name: _add_photo(d, a, n))  # type: ignore[misc]
                    except SpilemarkError:
                        continue

    def _entry(self, job: Job) -> Entry:
        entry_id = id_of(f"{job.file.relative_to(self.root).as_posix()}//{job.part}")
        problem, table, several, inner = "", dict[str, Any](), bool(job.part), ""
        try:
            parts = self._parts(job.file)
            part = next((p for p in parts if p.name == job.part), parts[0])
            table, inner = part.table, part.folder
            several = len(parts) > 1
        except SpilemarkError as error:
            problem = str(error)
        self._jobs[entry_id] = job
        out = table.get("out")
        stem = job.file.stem
        own = RESULTS if job.file.name == JOB_FILE else f"{stem}_{RESULTS}"
        base = job.file.parent / (out if isinstance(out, str) and out else own)
        if not base.resolve().is_relative_to(self.root.resolve()):
            # A job file that came from elsewhere must not choose what is written over.
            base = job.file.parent / own
        return Entry(
            id=entry_id,
            job=job,
            results_base=base,
            results=base / inner if inner else base,
            table=table,
            problem=problem,
            several=several,
        )

    def _parts(self, path: Path) -> tuple[JobPart, ...]:
        """The parts of a job file, read again only when it was written again."""
        try:
            stat = path.stat()
        except OSError:
            return parts_of(path)
        stamp = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
        with self._lock:
            kept = self._read.get(path)
            if kept is not None and kept[0] == stamp:
                return kept[1]
            parts = parts_of(path)
            if time.time_ns() - stat.st_mtime_ns > _SETTLED_NS:
                self._read[path] = (stamp, parts)
            return parts

    def _check_room(self, more: int) -> None:
        if shutil.disk_usage(self.root).free - more < self.limits.free_bytes:
            raise TooMuch("The disk is nearly full.", "Free some space, then try again.")
        used = sum(p.stat().st_size for p in self.root.rglob("*") if p.is_file())
        if used + more > self.limits.shelf_bytes:
            raise TooMuch(
                f"The jobs in {self.root.name} take {used / 1e9:.1f} GB, which is all they may.",
                "Move old jobs to another folder.",
            )


def _add_photo(document: tomlkit.TOMLDocument, arm: str, name: str) -> None:
    table: Any = document.setdefault(arm, {})
    table["photos"] = [*table.get("photos", []), name]


def aside_of(entry: Entry) -> tuple[tuple[str, Path], ...]:
    """Photos that were set aside, with the arm that each was of."""
    if entry.several:
        return ()
    with contextlib.suppress(OSError):
        found = [(_NAME.fullmatch(p.name), p) for p in sorted((entry.folder / ASIDE).iterdir())]
        return tuple((named["arm"], p) for named, p in found if named and p.is_file())
    return ()


def _touched(entry: Entry) -> float:
    try:
        return entry.job.file.stat().st_mtime
    except OSError:
        return 0.0


def _slug(text: str) -> str:
    """A name of a folder that every file system takes."""
    plain = re.sub(r"[^\w-]+", "_", text.strip().lower()).strip("_")[:60]
    return plain or "job"


@contextmanager
def _as_cannot_write(place: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise CannotWrite(
            f"{place.name} cannot be written: {error.strerror}.",
            "Is the disk full, or the folder someone else's?",
        ) from error
