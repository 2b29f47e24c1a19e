"""The pages, as HTML."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import jinja2
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from spilemark.results import ARMS
from spilemark.serve.entries import Entry
from spilemark.serve.routes import BenchRoutes, Handler, told
from spilemark.serve.sheet import form_of

_CHOSEN = {"units": "mm", "paper": "a4", "cards_on": "bench"}
_WOOD = ("form_", "lamination_", "corner_block_", "layout_", "board_")
ARM_WORDS = {
    "port": "Port",
    "starboard": "Starboard",
    "single": "Part on the centreline",
    "both": "Both sides in one photo",
}


@cache
def _templates() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("spilemark.serve", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(name: str, status: int = 200, **given: Any) -> HTMLResponse:
    """One page; every word that is filled in is escaped."""
    return HTMLResponse(_templates().get_template(name).render(**given), status)


def static_folder() -> str:
    """Where scripts, style and pictures lie."""
    return str(files("spilemark.serve") / "static")


def error_page(status: int, what: str, todo: str) -> Response:
    """An error as a person reads it."""
    return page("error.html", status, what=what, todo=todo)


class JobPages(BenchRoutes):
    """Pages that show a job."""

    async def job(self, request: Request) -> tuple[Entry, dict[str, Any]]:
        """The job that an address names, and its state."""
        entry = await self.entry(request)
        return entry, await run_in_threadpool(self._bench.state, entry)


class Pages(JobPages):
    """The routes of the laptop's pages."""

    def routes(self) -> list[Route]:
        """Every page."""
        pages: dict[str, Handler] = {
            "/": self.jobs,
            "/new": self.new,
            "/help": self.help,
            "/help/card": self.card,
            "/jobs/{job}": self.photos,
            "/jobs/{job}/sheet": self.sheet,
            "/jobs/{job}/look": self.look,
            "/jobs/{job}/compare": self.compare,
            "/jobs/{job}/print": self.outputs,
        }
        return [
            Route(path, told(handler, error_page), methods=["GET"])
            for path, handler in pages.items()
        ]

    async def jobs(self, request: Request) -> Response:  # noqa: ARG002 - one shape for all
        """The list of jobs."""
        jobs = await run_in_threadpool(self._bench.states)
        return page("jobs.html", jobs=jobs, home=str(self._bench.shelf.root))

    async def new(self, request: Request) -> Response:  # noqa: ARG002
        """The form of a new job."""
        return page("new.html", form=_shown({}))

    async def photos(self, request: Request) -> Response:
        """A job's photos, and how far it is."""
        entry, state = await self.job(request)
        return page("photos.html", **about(entry, state, "photos"), arm_words=ARM_WORDS, arms=ARMS)

    async def sheet(self, request: Request) -> Response:
        """What was said of a job."""
        entry, state = await self.job(request)
        return page("sheet.html", **about(entry, state, "sheet"), form=_shown(entry.table))

    async def look(self, request: Request) -> Response:
        """The photo with what was found in it."""
        entry, state = await self.job(request)
        return page("look.html", **about(entry, state, "look"))

    async def compare(self, request: Request) -> Response:
        """Both sides over each other."""
        entry, state = await self.job(request)
        return page("compare.html", **about(entry, state, "compare"))

    async def outputs(self, request: Request) -> Response:
        """Sheets and files."""
        entry, state = await self.job(request)
        found = await run_in_threadpool(entry.files)
        named = {path.name: file_id for file_id, path in found.items()}
        wood = sorted(name for name in named if name.startswith(_WOOD))
        return page("print.html", **about(entry, state, "print"), files=named, wood=wood)

    async def help(self, request: Request) -> Response:  # noqa: ARG002
        """How it goes."""
        return page("help.html")

    async def card(self, request: Request) -> Response:  # noqa: ARG002
        """One page to hang up: how to photograph a pattern."""
        return page("card.html")


def _shown(table: dict[str, Any]) -> dict[str, str]:
    """A job's form, with what holds where a choice was not made."""
    form = form_of(table)
    return form | {key: form[key] or choice for key, choice in _CHOSEN.items()}


def about(entry: Entry, state: dict[str, Any], here: str) -> dict[str, Any]:
    """What every page of a job is filled with; ``here`` is its step."""
    return {"job": state, "here": here, "folder": str(entry.folder)}
