"""What all routes share: the bench, the job that an address names, and errors in words."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from spilemark.errors import SpilemarkError
from spilemark.serve.bench import Bench
from spilemark.serve.bodies import read_form
from spilemark.serve.door import NotLetIn
from spilemark.serve.entries import Entry, NotThere
from spilemark.serve.form_errors import FormWrong
from spilemark.serve.page_words import plain_words
from spilemark.serve.shelf import TooMuch

Handler = Callable[[Request], Awaitable[Response]]


def error_as_json(status: int, what: str, todo: str) -> Response:
    """An error as the page's scripts read it."""
    return JSONResponse({"error": {"what": what, "todo": todo}}, status)


def told(handler: Handler, say: Callable[[int, str, str], Response] = error_as_json) -> Handler:
    """Let an error leave in words, with its status; ``say`` makes the answer."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except FormWrong as error:
            fields = [{"field": f.field, "words": f.words} for f in error.fields]
            table = {"what": error.what, "todo": error.todo, "fields": fields}
            return JSONResponse({"error": table}, 400)
        except SpilemarkError as error:
            return say(_status_of(error), plain_words(error.what), plain_words(error.todo))
        except ClientDisconnect:
            return Response(status_code=400)

    return answer


def _status_of(error: SpilemarkError) -> int:
    if isinstance(error, NotThere):
        return 404
    if isinstance(error, NotLetIn):
        return 403
    return 413 if isinstance(error, TooMuch) else 400


class BenchRoutes:
    """Routes that ask the bench, in a thread each, so that none holds up another.

    Parameters
    ----------
    bench : Bench
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    async def entry(self, request: Request) -> Entry:
        """The job that an address names."""
        return await run_in_threadpool(self._bench.shelf.find, request.path_params["job"])

    async def form(self, request: Request) -> dict[str, Any]:
        """The form that a page sent."""
        return await read_form(request, self._bench.shelf.limits.form_bytes)
