"""The routes of the shop sums: tried as they are typed, and kept in the job."""

from __future__ import annotations

import asyncio
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from spilemark.blank.species import WOODS
from spilemark.blank_job import TABLES, rooted
from spilemark.jobfile import rooted_shop
from spilemark.serve import sums
from spilemark.serve.lanes import SlowSum
from spilemark.serve.pages import ARM_WORDS, JobPages, about, error_page, page
from spilemark.serve.routes import told
from spilemark.serve.sums_tried import DRAWINGS, SECTIONS, unanswered

SIDES = ("port", "starboard", "single")


class SumsApi(JobPages):
    """The routes."""

    def routes(self) -> list[Route]:
        """Every route."""
        return [
            Route("/jobs/{job}/sums", told(self.show, error_page), methods=["GET"]),
            Route("/api/jobs/{job}/sums/try", told(self.attempt), methods=["POST"]),
            Route("/api/jobs/{job}/sums", told(self.keep), methods=["POST"]),
        ]

    async def show(self, request: Request) -> Response:
        """The forms."""
        entry, state = await self.job(request)
        sides: list[str] = []
        edges: list[str] = []
        if state["measured"]:
            patterns = (await run_in_threadpool(self._bench.report, entry))["patterns"]
            sides = [side for side in SIDES if side in patterns]
            edges = [edge["name"] for side in sides[:1] for edge in patterns[side]["edges"]]
        return page(
            "sums.html",
            **about(entry, state, "sums"),
            form=sums.form_of(entry.table),
            units=entry.table.get("units", "mm"),
            sides=sides,
            side_words=ARM_WORDS,
            edges=edges,
            woods=[wood.name for wood in WOODS],
        )

    async def attempt(self, request: Request) -> Response:
        """What the sums say of what stands in the forms, which is not kept."""
        entry = await self.entry(request)
        form = await self.form(request)
        side, what, draw = (form.pop(key, "") for key in ("side", "what", "draw"))
        tables: dict[str, Any] = sums.tables_with(entry.table, form)
        if "shop" in tables:
            tables["shop"] = rooted_shop(tables["shop"], entry.folder)
        for name in TABLES:
            if name in tables:
                tables[name] = rooted(tables[name], name, entry.folder)
        task = {
            "do": "sums",
            "tables": tables,
            "units": entry.table.get("units", "mm"),
            "results": str(entry.results),
            "side": side if side in SIDES else "port",
            "what": [name for name in SECTIONS if name in what and name in tables],
            "draw": draw if draw in DRAWINGS else DRAWINGS[0],
        }
        answer = self._bench.lanes.reckon(task)
        try:
            return JSONResponse(await asyncio.wrap_future(answer))
        except SlowSum as error:
            # Said where the answer would stand: what stood there is of other choices.
            return JSONResponse(unanswered(task["what"], str(error)))

    async def keep(self, request: Request) -> Response:
        """Keep the forms in the job file."""
        entry = await self.entry(request)
        form = await self.form(request)
        units = str(entry.table.get("units", "mm"))
        changed = await run_in_threadpool(
            self._bench.shelf.change, entry, lambda document: sums.lay_in(document, form, units)
        )
        self._bench.news.tell(entry.id)
        return JSONResponse(await run_in_threadpool(self._bench.state, changed))
