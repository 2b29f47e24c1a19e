"""Putting results in their place: all of them or none.

Everything is written into a scratch folder first, on the same disk, and moved
to its place when it is complete.  Photos are never opened for writing.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from spilemark.errors import CannotWrite, UsageError, WouldOverwrite

LEAST_FREE_BYTES = 50_000_000
"""Free disk below which no job is begun; the results of one take a few megabytes."""
_RESULT_NAMES = re.compile(
    r"(port|starboard|single)(\.svg|\.pdf|\.dxf|_tiled\.pdf)|shop\.pdf|report\.(html|json)|"
    r"overlay_(port|starboard|single|both)(_\d+)?\.jpg|difference\.svg|log\.txt|"
    r"(form|lamination|corner_block|layout|board)_(port|starboard|single)(\.svg|\.pdf|\.dxf|_tiled\.pdf)"
)
_SCRATCH_PREFIX = ".spilemark-"


def existing_results(folder: Path) -> list[Path]:
    """List results of an earlier run that stand in a folder."""
    if not folder.is_dir():
        return []
    return sorted(p for p in folder.iterdir() if _RESULT_NAMES.fullmatch(p.name))


def check_target(folder: Path, *, force: bool, inputs: Iterable[Path] = ()) -> None:
    """Refuse a results folder before any work is done.

    Parameters
    ----------
    folder : Path
        Where the results shall go; need not exist.
    force : bool
        Whether results of an earlier run may be replaced.
    inputs : iterable of Path
        Files that the job reads: they must not be in the way.

    Raises
    ------
    UsageError
        An input file bears the name of a result.
    WouldOverwrite
        Results stand there already.
    CannotWrite
        The folder cannot be made or written, or the disk is full.
    """
    if folder.exists() and not folder.is_dir():
        raise _cannot_write(folder, OSError(errno.EEXIST, ""))
    standing = existing_results(folder)
    _spare_inputs(standing, inputs, folder)
    if standing and not force:
        named = ", ".join(p.name for p in standing[:4]) + (", ..." if len(standing) > 4 else "")
        raise WouldOverwrite(
            f"{folder} already holds results ({named}).",
            "Choose another --out folder, or add --force to replace them.",
        )
    with _scratch(folder):
        pass
    free = shutil.disk_usage(_nearest_folder(folder)).free
    if free < LEAST_FREE_BYTES:
        raise CannotWrite(
            f"The disk of {folder} has {free / 1e6:.0f} MB left; "
            f"{LEAST_FREE_BYTES / 1e6:.0f} MB are wanted.",
            "Free some space, or choose an --out folder on another disk.",
        )


@contextmanager
def results_folder(folder: Path, *, force: bool) -> Iterator[Path]:
    """Give a scratch folder; move its files to ``folder`` when the block ends well.

    When the block fails or is interrupted, nothing is left behind, not even a
    folder that was made for the results.  With ``force``, results of an earlier
    run that were not made again are taken away: they would no longer belong
    to the rest.

    Raises
    ------
    WouldOverwrite
        A file of that name stands there and ``force`` is not set.
    CannotWrite
        Making, filling or moving failed.
    """
    with _scratch(folder) as scratch:
        try:
            yield scratch
        except OSError as error:
            raise _cannot_write(folder, error) from error
        try:
            _flush(scratch)
            with _interrupts_held():
                _move(scratch, folder, force=force)
        except OSError as error:
            raise _cannot_write(folder, error) from error


def store_files(contents: Mapping[Path, bytes]) -> None:
    """Write all files whole, or none: siblings first, then renames.

    A reader sees the old file or the new one, whatever happens meanwhile.

    Raises
    ------
    OSError
        As the system says it; no part of a file is left behind.
    """
    # Another thread or process may be writing the same file.
    mine = f"{os.urandom(4).hex()}.part"
    parts = {path: path.with_name(f".{path.name}.{mine}") for path in contents}
    try:
        for path, content in contents.items():
            with parts[path].open("wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for path, part in parts.items():
            part.replace(path)
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


@contextmanager
def _scratch(folder: Path) -> Iterator[Path]:
    """Make a scratch folder on the same disk as ``folder``, and take it away again.

    It lies inside the target where that exists (which may be a disk of its
    own), and beside it where it does not.
    """
    made: list[Path] = []
    try:
        home = folder if folder.is_dir() else folder.parent
        made = _make_folders(home)
        scratch = Path(tempfile.mkdtemp(prefix=_SCRATCH_PREFIX, dir=home))
    except OSError as error:
        _remove_empty(made)
        raise _cannot_write(folder, error) from error
    try:
        yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        _remove_empty(made)


def remove_scratch(home: Path) -> None:
    """Take away scratch folders that a process left in a folder when it was killed."""
    for scratch in home.glob(f"{_SCRATCH_PREFIX}*") if home.is_dir() else ():
        shutil.rmtree(scratch, ignore_errors=True)


def _make_folders(folder: Path) -> list[Path]:
    """Make a folder and its parents; return the ones that were new, outermost first."""
    new = []
    for path in (folder, *folder.parents):
        if path.exists():
            break
        new.append(path)
    folder.mkdir(parents=True, exist_ok=True)
    return new[::-1]


def _remove_empty(folders: list[Path]) -> None:
    for path in reversed(folders):
        with suppress(OSError):
            path.rmdir()


def _move(scratch: Path, folder: Path, *, force: bool) -> None:
    fresh = sorted(scratch.iterdir())
    if not folder.exists():
        scratch.chmod(0o777 & ~_umask())
        scratch.replace(folder)
        return
    blocked = [p.name for p in fresh if (folder / p.name).exists()]
    if blocked and not force:
        raise WouldOverwrite(
            f"{folder} already holds {', '.join(blocked)}.",
            "Choose another --out folder, or add --force to replace them.",
        )
    stale = {p.name for p in existing_results(folder)} - {p.name for p in fresh}
    for path in fresh:
        path.replace(folder / path.name)
    for name in stale:
        (folder / name).unlink()


def _flush(folder: Path) -> None:
    """Bring the files to the disk before they get their names."""
    for path in folder.iterdir():
        with path.open("rb+") as file:
            os.fsync(file.fileno())


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Let ctrl-C wait until the files are in place; it is raised right after."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: caught.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if caught:
        raise KeyboardInterrupt


def _spare_inputs(standing: list[Path], inputs: Iterable[Path], folder: Path) -> None:
    for given in inputs:
        if any(given.exists() and given.samefile(path) for path in standing):
            raise UsageError(
                f"{given} is read by this job and would be replaced by a result in {folder}.",
                "Choose another --out folder.",
            )


def _nearest_folder(folder: Path) -> Path:
    return next(p for p in (folder, *folder.absolute().parents) if p.is_dir())


def _cannot_write(folder: Path, error: OSError) -> CannotWrite:
    reasons = {
        errno.ENOSPC: "the disk is full",
        errno.EDQUOT: "the disk quota is used up",
        errno.EACCES: "you may not write there",
        errno.EPERM: "you may not write there",
        errno.EROFS: "that disk is read-only",
        errno.ENOTDIR: "part of that path is a file, not a folder",
        errno.EEXIST: "a file of that name is in the way",
        errno.ENAMETOOLONG: "the name is too long for that disk",
    }
    reason = reasons.get(error.errno or 0, error.strerror or str(error))
    return CannotWrite(
        f"The results cannot be written to {folder}: {reason}.",
        "Choose another --out folder, or free space there.",
    )
