"""Which jobs changed, told to every page that listens."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator


class News:
    """Passes on the ids of jobs that changed, from any thread; a slow listener loses none."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[_Listener] = set()
        self._closed = False

    def open(self) -> None:
        """Belong to the running event loop."""
        self._loop = asyncio.get_running_loop()

    def tell(self, job_id: str) -> None:
        """Say that a job changed; may be called from any thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._pass_on, job_id)

    def _pass_on(self, job_id: str) -> None:
        for listener in self._listeners:
            listener.add(job_id)

    def close(self) -> None:
        """Let every listener go."""
        self._closed = True
        self._pass_on("")

    async def listen(self, quiet_s: float) -> AsyncIterator[frozenset[str]]:
        """Sets of job ids, each as soon as there is one; an empty set after each quiet while."""
        listener = _Listener()
        self._listeners.add(listener)
        try:
            while not self._closed:
                yield await listener.next(quiet_s)
        finally:
            self._listeners.discard(listener)


class _Listener:
    def __init__(self) -> None:
        self._changed: set[str] = set()
        self._event = asyncio.Event()

    def add(self, job_id: str) -> None:
        self._changed.add(job_id)
        self._event.set()

    async def next(self, quiet_s: float) -> frozenset[str]:
        try:
            await asyncio.wait_for(self._event.wait(), quiet_s)
        except TimeoutError:
            return frozenset()
        found = frozenset(self._changed)
        self._changed.clear()
        self._event.clear()
        return found
