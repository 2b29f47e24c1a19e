"""Starting and stopping the server."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn

from spilemark.serve.app import laptop_app
from spilemark.serve.bench import Bench
from spilemark.serve.door import Door
from spilemark.serve.phone import phone_app
from spilemark.serve.settings import listen_on, settings
from spilemark.serve.shelf import Shelf

HOME = "127.0.0.1"


def server_for(
    shelf: Shelf, listener: socket.socket, phone_address: str = ""
) -> tuple[uvicorn.Server, Bench]:
    """A server of the page on a socket, not yet running."""
    port = listener.getsockname()[1]
    hosts = frozenset({f"{HOME}:{port}", f"localhost:{port}"})
    bench = Bench(shelf)
    door = Door(lambda d: phone_app(bench, d), address=phone_address, port=(port + 1) % 65536)
    return uvicorn.Server(settings(laptop_app(bench, door, lambda: hosts))), bench


def serve(
    root: Path,
    port: int,
    say: Callable[[str], None],
    *,
    browser: bool = True,
    phone_address: str = "",
) -> None:
    """Run until ctrl-C.

    Raises
    ------
    UsageError, CannotWrite
        The number is taken, or the folder cannot be made.
    """
    shelf = Shelf(root)
    listener = listen_on(HOME, port)
    server, _ = server_for(shelf, listener, phone_address)
    address = f"http://{HOME}:{listener.getsockname()[1]}/"
    say(f"The bench page is open at {address}")
    say(f"Jobs are folders in {root.absolute()}. Stop with ctrl-C.")
    if browser:
        import webbrowser

        webbrowser.open(address)
    server.run(sockets=[listener])
