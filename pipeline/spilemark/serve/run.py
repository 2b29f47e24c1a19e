"""Starting and stopping the server."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn

from spilemark.errors import UsageError
from spilemark.serve.app import laptop_app
from spilemark.serve.bench import Bench
from spilemark.serve.shelf import Shelf

HOME = "127.0.0.1"


def listen_on(address: str, port: int) -> socket.socket:
    """A socket that takes requests of one address.

    Raises
    ------
    UsageError
        Somebody else listens there.
    """
    listener = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((address, port))
    except OSError as error:
        listener.close()
        raise UsageError(
            f"Number {port} on {address} is taken: does the bench page run already?",
            "Look in the browser, or choose another number with --tcp-port.",
        ) from error
    listener.listen(100)
    return listener


def server_for(shelf: Shelf, listener: socket.socket) -> tuple[uvicorn.Server, Bench]:
    """A server of the page on a socket, not yet running."""
    port = listener.getsockname()[1]
    hosts = frozenset({f"{HOME}:{port}", f"localhost:{port}"})
    bench = Bench(shelf)
    return uvicorn.Server(settings(laptop_app(bench, lambda: hosts))), bench


def settings(app: object) -> uvicorn.Config:
    """How every server of ours is run."""
    return uvicorn.Config(
        app,  # type: ignore[arg-type]
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        limit_concurrency=200,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=2,
    )


def serve(root: Path, port: int, say: Callable[[str], None], *, browser: bool) -> None:
    """Run until ctrl-C.

    Raises
    ------
    UsageError, CannotWrite
        The number is taken, or the folder cannot be made.
    """
    shelf = Shelf(root)
    listener = listen_on(HOME, port)
    server, _ = server_for(shelf, listener)
    address = f"http://{HOME}:{listener.getsockname()[1]}/"
    say(f"The bench page is open at {address}")
    say(f"Jobs are folders in {root.absolute()}. Stop with ctrl-C.")
    if browser:
        import webbrowser

        webbrowser.open(address)
    server.run(sockets=[listener])
