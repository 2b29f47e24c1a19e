"""Many jobs at once, each in a process of its own pool: one bad job never stops the rest."""

from __future__ import annotations

import os
import signal
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from time import perf_counter

from spilemark.errors import (
    EXIT_BELOW_LIMIT,
    EXIT_DONE,
    EXIT_OUR_BUG,
    EXIT_SOME_JOBS_FAILED,
    SpilemarkError,
    UnreadableInput,
    UsageError,
)
from spilemark.jobparts import PARTS, part_called, parts_of
from spilemark.storage import existing_results

_TRIES = 2
"""A job whose process was killed (too little memory, mostly) is tried once more, alone."""


@dataclass(frozen=True, slots=True, order=True)
class Job:
    """One part of one job file."""

    file: Path
    part: str = ""
    """Empty where the file is of one part."""

    def named_from(self, folder: Path) -> str:
        """Its file as seen from a folder, and its part."""
        name = str(self.file.relative_to(folder))
        return f"{name}: {self.part}" if self.part else name


@dataclass(frozen=True, slots=True, kw_only=True)
class JobEnd:
    """How one job ended."""

    job: Job
    out: Path
    """Where its results stand, or would have stood."""
    exit_code: int
    words: str
    """The verdict, or what went wrong and what to do."""
    seconds: float

    @property
    def failed(self) -> bool:
        """Whether it left no results."""
        return self.exit_code not in (EXIT_DONE, EXIT_BELOW_LIMIT)


def find_jobs(folder: Path) -> tuple[Job, ...]:
    """Jobs in the files of a folder and of its own folders, by name.

    Raises
    ------
    UnreadableInput
        There is no such folder.
    UsageError
        It holds no job file.
    """
    if not folder.is_dir():
        raise UnreadableInput(f"There is no folder {folder}.", "Name the folder of job files.")
    every = [*folder.glob("*.toml"), *folder.glob("*/*.toml")]
    files = sorted(path for path in every if _is_job(path))
    jobs = tuple(job for path in files for job in jobs_in(path))
    if not jobs:
        raise UsageError(
            f"No job file stands in {folder}.",
            "A job file ends in .toml and has a table of photos, such as [port].",
        )
    return jobs


def jobs_in(path: Path) -> tuple[Job, ...]:
    """A job for each part of a file; a file that cannot be read is told when its turn comes."""
    try:
        return tuple(Job(path, part.name) for part in parts_of(path))
    except SpilemarkError:
        return (Job(path),)


def _is_job(path: Path) -> bool:
    """Whether it is meant as one; a card set or a recipe may lie beside.

    A damaged file, and one whose tables of photos are misspelt, are told when their turn comes.
    """
    import tomllib

    from spilemark.results import ARMS

    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError):
        return True
    return any(key in table for key in (*ARMS, PARTS, *_ONLY_IN_JOBS)) or _has_photos(table)


_ONLY_IN_JOBS = ("thickness", "distances", "printed_bar", "centreline_offset", "cards_on")


def _has_photos(value: object) -> bool:
    """Whether a table within it holds photos, whatever that is called."""
    if isinstance(value, dict):
        return "photos" in value or any(_has_photos(inner) for inner in value.values())
    return isinstance(value, list) and any(_has_photos(inner) for inner in value)


def places(
    jobs: Sequence[Job], folder: Path, out: Path
) -> tuple[dict[Job, Path], tuple[JobEnd, ...]]:
    """A folder of results for each job, named as its file's place; parts of one file share it.

    A file's folder depends on its own name alone, so another file beside it never moves or
    overwrites its results. Files that would share one are not run.

    Returns
    -------
    places : dict
        Of the jobs that can be run.
    ends : tuple of JobEnd
        Of those that cannot.
    """
    files: dict[str, list[Path]] = {}
    for file in dict.fromkeys(job.file for job in jobs):
        files.setdefault(_place_of(file.relative_to(folder)).casefold(), []).append(file)
    found: dict[Job, Path] = {}
    ends = []
    for job in jobs:
        name = _place_of(job.file.relative_to(folder))
        others = [f for f in files[name.casefold()] if f != job.file]
        if not others:
            found[job] = out / name
            continue
        named = " and ".join(str(f.relative_to(folder)) for f in others)
        ends.append(
            JobEnd(
                job=job,
                out=out / name,
                exit_code=UsageError.exit_code,
                words=f'{named} would have its results in the same folder, "{name}". Rename one.',
                seconds=0.0,
            )
        )
    return found, tuple(ends)


def _place_of(inner: Path) -> str:
    """Name of a job file's folder of results, by its path within the folder of jobs."""
    inner = inner.with_suffix("")
    if inner.name == "job" and len(inner.parts) > 1:
        return inner.parent.name
    return "-".join(inner.parts)


def run_many(
    jobs: dict[Job, Path], *, workers: int, force: bool, ended: Callable[[JobEnd], None]
) -> tuple[JobEnd, ...]:
    """Run jobs in parallel.

    Parameters
    ----------
    jobs : dict
        To the folder of results; a part of several gets a folder of its own within.
    workers : int
    force : bool
    ended : callable
        Told of each job as it ends, in whatever order.

    Returns
    -------
    tuple of JobEnd
        In the order of ``jobs``.
    """
    found: dict[Job, JobEnd] = {}
    tries = dict.fromkeys(jobs, 0)
    # What stands there after a process died was put there by this run, and may be replaced.
    ours = {job: force or not existing_results(_target(job, out)) for job, out in jobs.items()}
    left = list(jobs)
    while left:
        alone = any(tries[job] for job in left)
        forced = {job: ours[job] if tries[job] else force for job in left}
        broken = _one_pool(left, jobs, 1 if alone else workers, forced, found, ended)
        left = [job for job in left if job not in found]
        if not broken:
            break
        for job in left[:1] if alone else left:
            tries[job] += 1
            if tries[job] >= _TRIES:
                end = _killed(job, jobs[job])
                found[job] = end
                ended(end)
        left = [job for job in left if job not in found]
    return tuple(found[job] for job in jobs)


def _target(job: Job, out: Path) -> Path:
    """Where a job's results stand: a part of several has a folder of its own."""
    if not job.part:
        return out
    try:
        return out / part_called(job.file, job.part).folder
    except SpilemarkError:
        return out


def _one_pool(
    left: list[Job],
    jobs: dict[Job, Path],
    workers: int,
    force: dict[Job, bool],
    found: dict[Job, JobEnd],
    ended: Callable[[JobEnd], None],
) -> bool:
    """Run what is left until all is done or a process dies; whether one died."""
    with (
        _small_processes(),
        ProcessPoolExecutor(
            min(workers, len(left)), mp_context=get_context("spawn"), initializer=_leave_ctrl_c
        ) as pool,
    ):
        waiting: dict[Future[JobEnd], Job] = {
            pool.submit(run_one, job, jobs[job], force=force[job]): job for job in left
        }
        try:
            for future in as_completed(waiting):
                end = future.result()
                found[end.job] = end
                ended(end)
        except BrokenProcessPool:
            # Others that had ended by then are done, though their turn to be told had not come.
            for future, job in waiting.items():
                if job not in found and future.done() and future.exception() is None:
                    found[job] = future.result()
                    ended(found[job])
            return True
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return False


@contextmanager
def _small_processes() -> Iterator[None]:
    """One thread each: as many processes as cores do not wait for each other's threads."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _leave_ctrl_c() -> None:
    """The one who started them stops them; a worker dies with its results' scratch folder cleared."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def _silent(_words: str) -> None:
    """Say nothing of the progress."""


def run_one(
    job: Job,
    out: Path,
    *,
    force: bool,
    progress: Callable[[str], None] = _silent,
) -> JobEnd:
    """Run one job in this process; every error becomes an end, ``progress`` is told each step."""
    begun = perf_counter()
    try:
        code, words = _carried_out(job, out, force=force, progress=progress)
    except SpilemarkError as error:
        code, words = error.exit_code, f"{error.what} {error.todo}".strip()
    except KeyboardInterrupt:
        raise
    except Exception as error:
        code = EXIT_OUR_BUG
        where = traceback.extract_tb(error.__traceback__)[-1]
        words = (
            f"Something broke inside spilemark: {type(error).__name__}: {error} "
            f"({Path(where.filename).name}, line {where.lineno}). That is our mistake, not yours: "
            "please send us these words and the photos."
        )
    return JobEnd(job=job, out=out, exit_code=code, words=words, seconds=perf_counter() - begun)


def _carried_out(
    job: Job, out: Path, *, force: bool, progress: Callable[[str], None]
) -> tuple[int, str]:
    from spilemark.job import carry_out, plan_job
    from spilemark.jobfile import read_order
    from spilemark.summary import below_words

    plan = plan_job(read_order(job.file, {"out": str(out)}, job.part), force=force)
    result, _ = carry_out(plan, progress)
    below = below_words(result)
    if result.comparison is not None:
        words = result.comparison.verdict
    else:
        names = " and ".join(map(str, result.patterns))
        words = f"One pattern was measured ({names}), and its template made."
        if names in ("port", "starboard"):
            words += " To compare it, photograph the other side too."
    return EXIT_BELOW_LIMIT if below else EXIT_DONE, " ".join((*below, words))


def _killed(job: Job, out: Path) -> JobEnd:
    return JobEnd(
        job=job,
        out=out,
        exit_code=EXIT_OUR_BUG,
        words="Its process was ended from outside, twice: most likely the memory did not suffice. "
        "Run this job alone, or close other programs.",
        seconds=0.0,
    )


def exit_code_of(ends: Sequence[JobEnd]) -> int:
    """0 where all went well, 1 where some failed, 5 where all were done but some below the limit."""
    if any(end.failed for end in ends):
        return EXIT_SOME_JOBS_FAILED
    return max((end.exit_code for end in ends), default=EXIT_DONE)
