"""How every server of ours listens and is run."""

from __future__ import annotations

import socket
from typing import Any

import uvicorn

from spilemark.errors import UsageError


def listen_on(address: str, port: int) -> socket.socket:
    """A socket that takes requests of one address.

    Raises
    ------
    UsageError
        Somebody else listens there, or the address is not this computer's.
    """
    listener = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((address, port))
    except OSError as error:
        listener.close()
        raise UsageError(
            f"Nothing can listen at {address}, number {port}: {error.strerror}.",
            "Does the bench page run already? Else choose another number with --tcp-port.",
        ) from error
    listener.listen(100)
    return listener


def settings(app: Any, **more: Any) -> uvicorn.Config:
    """No log of requests, no word of what serves them, and no waiting for slow ones at the end."""
    return uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        limit_concurrency=200,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=2,
        **more,
    )
