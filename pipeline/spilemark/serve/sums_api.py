"""The routes of the shop sums: tried as they are typed, and kept in the job."""

from __future__ import annotations

import asyncio
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from spilemark.jobfile import rooted_shop
from spilemark.serve import sums
from spilemark.serve.pages import JobPages, about, error_page, page
from spilemark.serve.routes import told

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
            edges=edges,
        )

    async def attempt(self, request: Request) -> Response:
        """What the sums say of what stands in the forms, which is not kept."""
        entry = await self.entry(request)
        form = await self.form(request)
        side = form.pop("side", "")
        units = entry.table.get("units", "mm")
        shown = sums.form_of(entry.table)
        tables: dict[str, Any] = sums.tables_from(form, units)
        for name in tables:
            held = entry.table.get(name)
            others = held.items() if isinstance(held, dict) else ()
            # What the forms do not show counts too.
            tables[name] = {k: v for k, v in others if k not in shown[name]} | tables[name]
        if "shop" in tables:
            tables["shop"] = rooted_shop(tables["shop"], entry.folder)
        if not all(tables.get("hull", {}).get(key) for key in sums.FIELDS["hull"]):
            tables.pop("hull", None)
        task = {
            "do": "sums",
            "tables": {name: tables[name] for name in ("hull", "shop") if name in tables},
            "units": units,
            "results": str(entry.results),
            "side": side if side in SIDES else "port",
        }
        answer = self._bench.lanes.reckon(task)
        return JSONResponse(await asyncio.wrap_future(answer))

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
