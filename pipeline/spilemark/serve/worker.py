"""A process of its own, with limits of time and memory, that does one task after another.

Whatever a photo does to a decoder, it does it there.  What comes back is JSON,
never a pickle: a process that was taken over can say only words.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import signal
import threading
import time
from collections.abc import Callable
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection, wait
from typing import Any

from spilemark.errors import SpilemarkError
from spilemark.serve.page_words import plain_words

_TICK_S = 0.1
_LARGEST_MESSAGE = 4_000_000
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")


class WorkEnded(Exception):
    """A task came to no good end; its words say why and what to do."""

    def __init__(self, what: str, todo: str = "") -> None:
        self.what, self.todo = what, todo
        super().__init__(f"{what} {todo}".strip())


class WorkStopped(WorkEnded):
    """The person stopped it."""


def _as_text(value: object) -> str:
    """What TOML has and JSON has not: dates, which job tables take in their ISO form as well."""
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} cannot be sent to a worker")


class WorkerLost(WorkEnded):
    """The process took too long, or died."""


class WorkSlow(WorkerLost):
    """It took too long."""


class WorkFailed(WorkEnded):
    """The task itself failed, in words."""


class Worker:
    """One process; started again whenever it was ended.

    Parameters
    ----------
    name : str
    memory_bytes : int
        Address space that it may take; not limited where the system has no such limit.
    niceness : int
        How much it gives way to others, 0 to 19.
    """

    def __init__(self, name: str, *, memory_bytes: int, niceness: int = 0) -> None:
        self._name, self._memory, self._nice = name, memory_bytes, niceness
        self._context = get_context("spawn")
        self._process: Any = None
        self._pipe: Connection | None = None
        self._stop = threading.Event()
        self._closed = False
        self._lock = threading.Lock()

    def start(self) -> None:
        """Start the process, so that it is warm when the first task comes."""
        with self._lock:
            self._start()

    def _start(self) -> None:
        if self._closed or (self._process is not None and self._process.is_alive()):
            return
        for name in _THREADS:
            os.environ.setdefault(name, "1")
        ours, theirs = self._context.Pipe()
        self._process = self._context.Process(
            target=_serve, args=(theirs, self._memory, self._nice), name=self._name, daemon=True
        )
        self._process.start()
        theirs.close()
        self._pipe = ours

    def do(
        self,
        task: dict[str, Any],
        *,
        seconds: float,
        told: Callable[[dict[str, Any]], None] = lambda _: None,
    ) -> dict[str, Any]:
        """Do a task and wait for its end.

        Raises
        ------
        WorkStopped
            :meth:`stop` was called.
        WorkerLost
            It took longer than ``seconds``, or its process died.
        """
        with self._lock:
            self._stop.clear()
            self._start()
            if self._pipe is None:
                raise WorkStopped("The program is being closed.", "")
            try:
                return self._wait(self._pipe, task, seconds, told)
            except (EOFError, OSError) as error:
                self._end()
                self._start()
                raise WorkerLost(
                    "The process that worked on it ended: most likely the memory did not suffice.",
                    "Close other programs, or take the photo with fewer megapixels.",
                ) from error
            except (WorkStopped, WorkerLost):
                self._end()
                self._start()
                raise

    def _wait(
        self,
        pipe: Connection,
        task: dict[str, Any],
        seconds: float,
        told: Callable[[dict[str, Any]], None],
    ) -> dict[str, Any]:
        pipe.send_bytes(json.dumps(task, default=_as_text).encode())
        until = time.monotonic() + seconds
        while True:
            if self._stop.is_set():
                raise WorkStopped("Stopped by you.", "")
            if time.monotonic() > until:
                raise WorkSlow(
                    f"It took longer than {seconds:.0f} seconds and was ended.",
                    "Is the photo damaged, or very large? Take it again with the usual setting.",
                )
            if not pipe.poll(_TICK_S):
                continue
            message = json.loads(pipe.recv_bytes(_LARGEST_MESSAGE))
            if "told" in message:
                told(message["told"])
            elif "failed" in message:
                raise WorkFailed(message["failed"]["what"], message["failed"]["todo"])
            else:
                done: dict[str, Any] = message["done"]
                return done

    def stop(self) -> None:
        """End what is being done; :meth:`do` raises in its own thread."""
        self._stop.set()

    def close(self) -> None:
        """End the process for good."""
        self._closed = True
        self._stop.set()
        self._end()

    def _end(self) -> None:
        if self._process is not None and self._process.is_alive():
            self._process.kill()
            self._process.join(5)
        if self._pipe is not None:
            self._pipe.close()
        self._process, self._pipe = None, None


def _serve(pipe: Connection, memory_bytes: int, niceness: int) -> None:
    """Do tasks until the pipe closes; runs in the process."""
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_die_with_parent, daemon=True).start()
    from spilemark.serve.tasks import TASKS, warm

    warm()
    _limit(memory_bytes, niceness)
    while True:
        try:
            task = json.loads(pipe.recv_bytes())
        except (EOFError, OSError):
            return

        def told(words: dict[str, Any]) -> None:
            pipe.send_bytes(json.dumps({"told": words}).encode())

        try:
            answer = {"done": TASKS[task["do"]](task, told)}
        except SpilemarkError as error:
            answer = {"failed": {"what": plain_words(error.what), "todo": plain_words(error.todo)}}
        except MemoryError:
            answer = {"failed": {"what": "There was not enough memory for it.",
                                 "todo": "Close other programs, or use a smaller photo."}}  # fmt: skip
        except Exception as error:
            answer = {"failed": {"what": f"Something broke: {type(error).__name__}: {error}.",
                                 "todo": "That is our mistake, not yours."}}  # fmt: skip
        pipe.send_bytes(json.dumps(answer).encode())


def _limit(memory_bytes: int, niceness: int) -> None:
    """Limit memory and give way; a system without these limits has the limit of time only."""
    try:
        import resource
    except ImportError:
        return
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with contextlib.suppress(OSError):
        os.nice(niceness)


def _die_with_parent() -> None:
    """A worker whose server was killed must not write on behind its back."""
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
