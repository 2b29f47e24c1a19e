"""Lets a phone in: for one address, by a code that works once, for a while.

Nothing of the page listens to the network until somebody at the laptop opens
the door.  Then a second, smaller server listens on the laptop's own address in
that network: it takes photos for one job and knows nothing else.  Whoever comes
first with the code is let in, and only from the address that it came from.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import hmac
import secrets
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import uvicorn

from spilemark.errors import UsageError
from spilemark.serve.settings import listen_on, settings

OPEN_S, CODE_S = 20 * 60.0, 3 * 60.0
_MOST_TRIES = 20
_MOST_GUESTS = 8


class NotLetIn(UsageError):
    """A phone that is not, or no longer, let in."""


@dataclass(frozen=True, slots=True)
class Guest:
    """A phone that was let in."""

    address: str
    job_id: str


@dataclass(slots=True)
class _Code:
    digest: bytes
    job_id: str
    until: float


@dataclass(slots=True)
class _State:
    """An open door."""

    server: uvicorn.Server
    host: str
    until: float
    code: _Code | None = None
    words: str = ""
    """The address that the code's picture holds."""
    guests: dict[bytes, Guest] = field(default_factory=dict)
    tries: int = 0


class Door:
    """The door of one bench.

    Parameters
    ----------
    app : callable
        Makes the phone's app; called with this door.
    address : str
        Where the laptop is found in its network; empty: as it turns out.
    port : int
        0 takes any.
    clock : callable
        Seconds; for tests.
    """

    def __init__(
        self,
        app: Callable[[Door], object],
        *,
        address: str = "",
        port: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app, self._address, self._port, self._clock = app, address, port, clock
        self._state: _State | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def hosts(self) -> frozenset[str]:
        """The name under which a phone may ask now."""
        return frozenset({self._state.host}) if self._state else frozenset()

    async def open(self, job_id: str) -> None:
        """Open it, or let one more phone into an open one: a new code, the old one is void.

        Raises
        ------
        UsageError
            This computer is in no network, or too many phones are in.
        """
        if self._state is None:
            await self._listen()
        state = self._state
        assert state is not None
        if len(state.guests) >= _MOST_GUESTS:
            raise UsageError("Eight phones are in already.", "Shut the door first.")
        code = secrets.token_urlsafe(12)
        state.until = self._clock() + OPEN_S
        state.code = _Code(_digest(code), job_id, self._clock() + CODE_S)
        state.words = f"http://{state.host}/in/{code}"

    async def _listen(self) -> None:
        address = self._address or own_address()
        try:
            listener = listen_on(address, self._port)
        except UsageError:
            listener = listen_on(address, 0)
        # A phone's page stays open when the door is shut: it finds the next one at the same place.
        self._port = int(listener.getsockname()[1])
        server = _Quiet(settings(self._app(self), lifespan="off"))
        name = f"[{address}]" if ":" in address else address
        host = f"{name}:{listener.getsockname()[1]}"
        self._state = _State(server=server, host=host, until=self._clock() + OPEN_S)
        for work in (self._serve(server, listener), self._watch(self._state)):
            task = asyncio.create_task(work)
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        while not server.started:
            await asyncio.sleep(0.01)

    async def _serve(self, server: uvicorn.Server, listener: socket.socket) -> None:
        try:
            await server.serve(sockets=[listener])
        finally:
            listener.close()

    async def _watch(self, state: _State) -> None:
        """Shut it when its time is over."""
        while self._state is state and self._clock() < state.until:
            await asyncio.sleep(0.2)
        if self._state is state:
            self.shut()

    def shut(self) -> None:
        """Shut it; phones that are in are out, and nothing listens to the network."""
        state, self._state = self._state, None
        if state is not None:
            state.server.should_exit = True

    def admit(self, code: str, address: str) -> str:
        """Let in whoever holds the code, once; hands back what its browser is known by.

        Raises
        ------
        NotLetIn
            The code is wrong, was used, or its time is over.
        """
        state = self._state
        known = state.code if state is not None else None
        right = known is not None and hmac.compare_digest(known.digest, _digest(code))
        if state is None or known is None or not right or self._clock() > known.until:
            if state is not None:
                state.tries += 1
                if state.tries >= _MOST_TRIES:
                    self.shut()
            raise NotLetIn(
                "This code was used, or its time is over.",
                "Press \"Let a phone in\" at the computer once more, and scan the new one.",
            )  # fmt: skip
        token = secrets.token_urlsafe(24)
        state.code, state.words = None, ""
        state.guests[_digest(token)] = Guest(address, known.job_id)
        return token

    def guest(self, token: str, address: str) -> Guest | None:
        """Who a browser is; None where it was not let in, or comes from another address."""
        guest = self._state.guests.get(_digest(token)) if self._state else None
        return guest if guest is not None and guest.address == address else None

    def told(self) -> dict[str, object]:
        """What the laptop's page shows of it."""
        state, now = self._state, self._clock()
        if state is None:
            return {"open": False, "guests": 0, "seconds": 0, "link": "", "code_seconds": 0}
        code = state.code if state.code and now < state.code.until else None
        return {
            "open": True,
            "guests": len(state.guests),
            "seconds": max(0, round(state.until - now)),
            "link": state.words if code else "",
            "code_seconds": round(code.until - now) if code else 0,
        }

    def picture(self) -> bytes:
        """The link as a QR code (ISO/IEC 18004), SVG.

        Raises
        ------
        UsageError
            There is no code to show.
        """
        import io

        import segno

        link = self.told()["link"]
        if not link:
            raise UsageError("There is no code now.", "Let a phone in first.")
        held = io.BytesIO()
        segno.make(str(link), error="m", micro=False).save(
            held, kind="svg", scale=8, border=4, dark="#000", light="#fff"
        )
        return held.getvalue()


class _Quiet(uvicorn.Server):
    """Leaves ctrl-C to the laptop's own server."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()


def own_address() -> str:
    """Where this computer is found in its network.

    Raises
    ------
    UsageError
        It is in none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # A documentation address (RFC 5737): nothing is sent, only the way there is looked up.
            probe.connect(("192.0.2.1", 9))
            address = str(probe.getsockname()[0])
        except OSError:
            address = ""
    if not address or address.startswith(("127.", "0.")):
        raise UsageError(
            "This computer is in no network, so no phone can reach it.",
            "Join the wireless network that the phone is in; or have the bench page started with this computer's "
            "address (--phone-address).",
        )
    return address
