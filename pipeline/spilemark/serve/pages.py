"""The pages, as HTML."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Any

import jinja2
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from spilemark.printers import PrinterProfile, read_printers
from spilemark.results import ARMS
from spilemark.serve.entries import Entry
from spilemark.serve.routes import BenchRoutes, Handler, told
from spilemark.serve.sheet import PRINTER, form_of
from spilemark.wording import THICK_MM

_CHOSEN = {"units": "mm", "paper": "a4", "cards_on": "bench"}
_REMEMBERED = ("units", "paper")
"""What a new job takes over from the one that was worked on last."""
PAPERS = (("a4", "A4"), ("letter", "Letter"), ("a3", "A3"), ("tabloid", "Tabloid"))
"""As they are offered."""
ARM_WORDS = {
    "port": "Port",
    "starboard": "Starboard",
    "single": "Part on the centreline",
    "both": "Both sides in one photo",
}


@cache
def _templates() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("spilemark.serve", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"papers": PAPERS, "printer_choices": printer_choices, "thick_mm": THICK_MM}
    return made


def printer_choices(printers: Iterable[PrinterProfile]) -> list[tuple[str, str]]:
    """Printers that were measured, as they are offered among papers."""
    return [
        (f"{PRINTER}{p.name}", f"{dict(PAPERS)[p.paper]} in {p.name}, drawn so that it prints true")
        for p in printers
    ]


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
        form, printers = await run_in_threadpool(self._new_form)
        return page("new.html", form=form, printers=printers)

    def _new_form(self) -> tuple[dict[str, str], tuple[PrinterProfile, ...]]:
        form, printers = _shown({}), read_printers()
        known = {key for key, _ in (*PAPERS, *printer_choices(printers))}
        last = next((e for e in self._bench.shelf.entries() if not e.problem), None)
        held = _shown(last.table) if last else form
        form |= {key: held[key] for key in _REMEMBERED if key != "paper" or held[key] in known}
        return form, printers

    async def photos(self, request: Request) -> Response:
        """A job's photos, and how far it is."""
        entry, state = await self.job(request)
        return page("photos.html", **about(entry, state, "photos"), arm_words=ARM_WORDS, arms=ARMS)

    async def sheet(self, request: Request) -> Response:
        """What was said of a job."""
        entry, state = await self.job(request)
        printers = await run_in_threadpool(read_printers)
        return page(
            "sheet.html",
            **about(entry, state, "sheet"),
            form=_shown(entry.table),
            printers=printers,
        )

    async def look(self, request: Request) -> Response:
        """The photo with what was found in it."""
        entry, state = await self.job(request)
        return page("look.html", **about(entry, state, "look"))

    async def compare(self, request: Request) -> Response:
        """Both sides over each other."""
        entry, state = await self.job(request)
        return page("compare.html", **about(entry, state, "compare"))

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
