"""The laptop's server, put together."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from spilemark.serve.api import Api
from spilemark.serve.bench import Bench
from spilemark.serve.door import Door
from spilemark.serve.door_api import DoorApi
from spilemark.serve.edit_api import EditApi
from spilemark.serve.guard import Guard
from spilemark.serve.outputs_api import OutputsApi
from spilemark.serve.pages import Pages, error_page, static_folder
from spilemark.serve.printers_api import PrintersApi
from spilemark.serve.routes import error_as_json
from spilemark.serve.sums_api import SumsApi


def laptop_app(bench: Bench, door: Door, hosts: Callable[[], frozenset[str]]) -> ASGIApp:
    """The pages and what their scripts ask, behind the guard.

    Parameters
    ----------
    bench : Bench
        Opened and closed with the server.
    door : Door
    hosts : callable
        The names under which it may be asked for.
    """

    @asynccontextmanager
    async def life(_app: Starlette) -> AsyncIterator[None]:
        bench.open()
        try:
            yield
        finally:
            door.shut()
            bench.close()

    app = Starlette(
        routes=[
            *Pages(bench).routes(),
            *Api(bench).routes(),
            *DoorApi(bench, door).routes(),
            *EditApi(bench).routes(),
            *SumsApi(bench).routes(),
            *OutputsApi(bench).routes(),
            *PrintersApi(bench).routes(),
            Mount("/static", _Static(directory=static_folder())),
        ],
        lifespan=life,
        exception_handlers={404: _not_there, 405: _not_there, 500: _broken},
    )
    return Guard(app, hosts)


class _Static(StaticFiles):
    """Kept by the browser, and asked after each time: a new version shows at once."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        answer = super().file_response(*args, **kwargs)
        answer.headers["cache-control"] = "no-cache"
        return answer


async def _not_there(request: Request, _error: Exception) -> Response:
    what, todo = "There is no such page.", "Go back to the list of jobs."
    return _say_for(request)(404, what, todo)


async def _broken(request: Request, _error: Exception) -> Response:
    what, todo = "Something broke inside spilemark.", "That is our mistake, not yours. Load again."
    return _say_for(request)(500, what, todo)


def _say_for(request: Request) -> Callable[[int, str, str], Response]:
    return error_as_json if request.url.path.startswith("/api/") else error_page
