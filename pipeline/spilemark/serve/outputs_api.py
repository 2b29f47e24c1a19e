"""The page to print from: papers with their first page shown, and what they are made for."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from spilemark.errors import UsageError
from spilemark.printers import read_printers
from spilemark.serve.entries import Entry, NotThere, put_slip, read_slip
from spilemark.serve.outputs import outputs_of
from spilemark.serve.pages import JobPages, about, error_page, page
from spilemark.serve.routes import told
from spilemark.serve.sheet import form_of, lay_paper
from spilemark.units import INCH_MM


class OutputsApi(JobPages):
    """The routes."""

    def routes(self) -> list[Route]:
        """Every route."""
        file = "/api/jobs/{job}/files/{file}"
        return [
            Route("/jobs/{job}/print", told(self.show, error_page), methods=["GET"]),
            Route("/api/jobs/{job}/paper", told(self.paper), methods=["POST"]),
            Route(f"{file}/leaf.json", told(self.leaf), methods=["GET"]),
            Route(f"{file}/leaf.png", told(self.picture), methods=["GET"]),
        ]

    async def show(self, request: Request) -> Response:
        """Papers, drawings, report."""
        entry, state = await self.job(request)
        found = await run_in_threadpool(entry.files)
        printers = await run_in_threadpool(read_printers)
        return page(
            "print.html",
            **about(entry, state, "print"),
            out=outputs_of({path.name: file_id for file_id, path in found.items()}),
            any=bool(found),
            thick=await run_in_threadpool(self._too_thick, entry),
            printers=printers,
            paper=form_of(entry.table)["paper"] or "a4",
        )

    def _too_thick(self, entry: Entry) -> str:
        """A thickness that no pattern has, in both units; empty where there is none."""
        try:
            notes = self._bench.report(entry)["notes"]
        except UsageError:
            return ""
        mm = next((note["value"] for note in notes if note["code"] == "thick-stock"), None)
        return f"{mm:.4g} mm ({mm / INCH_MM:.3g} in)" if mm else ""

    async def paper(self, request: Request) -> Response:
        """Make the sheets for another paper or printer: kept in the job, and measured again."""
        entry = await self.entry(request)
        form = await self.form(request)
        told_paper = str(form.get("paper", ""))
        changed = await run_in_threadpool(
            self._bench.shelf.change, entry, lambda document: lay_paper(document, told_paper)
        )
        await run_in_threadpool(self._bench.lanes.ask, changed)
        return JSONResponse({}, 202)

    async def leaf(self, request: Request) -> Response:
        """How many pages a PDF among the results has; its first one is then there as a picture."""
        entry = await self.entry(request)
        _, pages = await self._leaf(entry, request.path_params["file"])
        return JSONResponse({"pages": pages})

    async def picture(self, request: Request) -> Response:
        """The first page of a PDF among the results."""
        entry = await self.entry(request)
        path, _ = await self._leaf(entry, request.path_params["file"])
        return FileResponse(path, media_type="image/png", headers={"cache-control": "no-cache"})

    async def _leaf(self, entry: Entry, file_id: str) -> tuple[Path, int]:
        path = (await run_in_threadpool(entry.files)).get(file_id)
        if path is None or path.suffix != ".pdf":
            raise NotThere("There is no such paper among the results.", "Measure the job again.")
        picture = entry.bench / f"{file_id}.leaf.png"
        slip = picture.with_suffix(".json")
        stamp = path.stat().st_mtime_ns
        kept = await run_in_threadpool(read_slip, slip)
        if kept is None or kept.get("stamp") != stamp or not picture.is_file():
            task: dict[str, Any] = {"do": "leaf", "file": str(path), "picture": str(picture)}
            answer = self._bench.lanes.reckon(task, urgent=False)
            kept = await asyncio.wrap_future(answer)
            kept["stamp"] = stamp
            await run_in_threadpool(put_slip, slip, kept)
        return picture, int(kept["pages"])
