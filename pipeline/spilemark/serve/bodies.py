"""What comes in: never more than its limit, whatever a request says of its own length."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from spilemark.errors import UsageError
from spilemark.serve.shelf import TooMuch

_CHUNK = 1_000_000


async def read_form(request: Request, limit: int) -> dict[str, Any]:
    """The JSON object that a page sent.

    Raises
    ------
    TooMuch
        It is longer than ``limit`` bytes.
    UsageError
        It is not a JSON object.
    """
    _check_claim(request, limit)
    held = bytearray()
    async for chunk in request.stream():
        held += chunk
        if len(held) > limit:
            raise TooMuch("That is more than a form can hold.", "Shorten it.")
    try:
        table = json.loads(held or b"{}")
    except (ValueError, RecursionError) as error:
        raise UsageError("The page sent something unreadable.", "Load it again.") from error
    if not isinstance(table, dict):
        raise UsageError("The page sent something unreadable.", "Load it again.")
    return table


async def save_body(request: Request, path: Path, limit: int) -> int:
    """Write what comes in to a file, piece by piece; hand back its length, bytes.

    Raises
    ------
    TooMuch
        It is longer than ``limit`` bytes; the file is not whole.
    UsageError
        Nothing came, or less than was announced.
    """
    claimed = _check_claim(request, limit)
    length = 0
    with path.open("wb") as file:
        held = bytearray()
        async for chunk in request.stream():
            length += len(chunk)
            if length > limit:
                raise _too_large(limit)
            held += chunk
            if len(held) > _CHUNK:
                await run_in_threadpool(file.write, bytes(held))
                held.clear()
        await run_in_threadpool(file.write, bytes(held))
    if length == 0 or (claimed is not None and length != claimed):
        raise UsageError("The photo did not arrive whole.", "Send it once more.")
    return length


def _check_claim(request: Request, limit: int) -> int | None:
    claimed = request.headers.get("content-length", "")
    if not claimed.isdecimal():
        return None
    if int(claimed) > limit:
        raise _too_large(limit)
    return int(claimed)


def _too_large(limit: int) -> TooMuch:
    return TooMuch(f"That file is larger than {limit / 1e6:.0f} MB.", "Send the photo as a JPEG.")
