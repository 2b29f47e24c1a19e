"""What the page's scripts ask and change, as JSON."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from spilemark.errors import SpilemarkError
from spilemark.serve.bodies import save_body
from spilemark.serve.drawing import photo_drawings
from spilemark.serve.edits import edits_told
from spilemark.serve.entries import Entry, NotThere, ShelfPhoto
from spilemark.serve.page_words import plain_words
from spilemark.serve.routes import BenchRoutes, told
from spilemark.serve.sheet import lay_in, table_from

_HEARTBEAT_S = 5.0
"""A page that hears nothing for three of these says that the program does not answer."""
_TYPES = {
    ".pdf": "application/pdf",
    ".jpg": "image/jpeg",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".dxf": "image/vnd.dxf",
    ".html": "text/html; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
}
_OPENED = (".pdf", ".html")
"""Shown in the browser; all else is saved."""


class Api(BenchRoutes):
    """The routes of jobs, photos and results."""

    def routes(self) -> list[Route]:
        """Every route, below ``/api``."""
        job, photo = "/api/jobs/{job}", "/api/jobs/{job}/photos/{photo}"
        gets = {
            "/api/jobs": self.list_jobs,
            "/api/events": self.events,
            job: self.job,
            f"{job}/drawing": self.drawing,
            f"{job}/comparison": self.comparison,
            f"{job}/all.zip": self.bundle,
            f"{job}/files/{{file}}": self.file,
            f"{photo}/thumb.jpg": self.thumb,
            f"{photo}/look.jpg": self.look,
        }
        posts = {
            "/api/jobs": self.new_job,
            f"{job}/sheet": self.change_sheet,
            f"{job}/photos/{{arm}}": self.add_photo,
            f"{job}/measure": self.measure,
            f"{job}/stop": self.stop,
            f"{photo}/aside": self.set_aside,
            f"{job}/aside/{{photo}}/back": self.bring_back,
        }
        return [
            *(Route(path, told(h), methods=["GET"]) for path, h in gets.items()),
            *(Route(path, told(h), methods=["POST"]) for path, h in posts.items()),
        ]

    async def list_jobs(self, request: Request) -> Response:  # noqa: ARG002 - one shape for all
        """Every job's state."""
        return JSONResponse(await run_in_threadpool(self._bench.states))

    async def job(self, request: Request) -> Response:
        """One job's state."""
        entry = await self.entry(request)
        return JSONResponse(await run_in_threadpool(self._bench.state, entry))

    async def events(self, request: Request) -> Response:  # noqa: ARG002 - one shape for all
        """Each job's state as it changes, for as long as the page listens."""
        return StreamingResponse(
            self._stream(),
            media_type="text/event-stream",
            headers={"cache-control": "no-store", "x-accel-buffering": "no"},
        )

    async def _stream(self) -> AsyncIterator[str]:
        yield "retry: 1000\n\n"
        async for changed in self._bench.news.listen(_HEARTBEAT_S):
            if not changed:
                yield "event: here\ndata: 1\n\n"
            for job_id in changed - {""}:
                try:
                    entry = await run_in_threadpool(self._bench.shelf.find, job_id)
                    state = await run_in_threadpool(self._bench.state, entry)
                except SpilemarkError:
                    continue
                yield f"event: job\ndata: {json.dumps(state)}\n\n"
            # A worker tells many small steps: a page needs not more than ten a second.
            await asyncio.sleep(0.1)

    async def new_job(self, request: Request) -> Response:
        """Make a job of a form."""
        table = table_from(await self.form(request))
        entry = await run_in_threadpool(self._bench.shelf.create, table)
        self._bench.news.tell(entry.id)
        return JSONResponse({"id": entry.id}, 201)

    async def change_sheet(self, request: Request) -> Response:
        """Change what a job says at its top."""
        entry = await self.entry(request)
        table = table_from(await self.form(request))
        changed = await run_in_threadpool(
            self._bench.shelf.change, entry, lambda document: lay_in(document, table)
        )
        self._bench.news.tell(entry.id)
        return JSONResponse(await run_in_threadpool(self._bench.state, changed))

    async def add_photo(self, request: Request) -> Response:
        """Take in a photo: the body is the file."""
        entry = await self.entry(request)
        photo, _ = await self.take_in(request, entry, request.path_params["arm"], urgent=False)
        return JSONResponse({"id": photo.id, "name": photo.path.name}, 201)

    async def take_in(
        self, request: Request, entry: Entry, arm: str, *, urgent: bool
    ) -> tuple[ShelfPhoto, Any]:
        """Store a photo, and let it be judged; hands back the photo and its verdict to wait for."""
        shelf = self._bench.shelf
        with ExitStack() as held:
            # Whether there is room is asked of every file on the shelf: not on the server's own time.
            path = await run_in_threadpool(held.enter_context, shelf.incoming(entry))
            await save_body(request, path, shelf.limits.photo_bytes)
            photo = await run_in_threadpool(shelf.keep, entry, arm, path, _own_name(request))
        entry = await run_in_threadpool(shelf.find, entry.id)
        verdict = self._bench.lanes.check(entry, photo, urgent=urgent)
        self._bench.news.tell(entry.id)
        return photo, verdict

    async def set_aside(self, request: Request) -> Response:
        """Take a photo out of a job; its file is kept aside."""
        entry = await self.entry(request)
        photo = entry.photo(request.path_params["photo"])
        await run_in_threadpool(self._bench.shelf.set_aside, entry, photo)
        self._bench.news.tell(entry.id)
        return JSONResponse({"name": photo.path.name})

    async def bring_back(self, request: Request) -> Response:
        """Take a photo that was set aside into its job again."""
        entry = await self.entry(request)
        photo = await run_in_threadpool(
            self._bench.shelf.bring_back, entry, request.path_params["photo"]
        )
        self._bench.news.tell(entry.id)
        return JSONResponse({"id": photo.id, "name": photo.path.name})

    async def measure(self, request: Request) -> Response:
        """Let a job wait for its turn to be measured; ``leave_out`` names photos to set aside first."""
        entry = await self.entry(request)
        left = (await self.form(request)).get("leave_out", [])
        for photo_id in left if isinstance(left, list) else []:
            await run_in_threadpool(self._bench.shelf.set_aside, entry, entry.photo(str(photo_id)))
            entry = await run_in_threadpool(self._bench.shelf.find, entry.id)
        await run_in_threadpool(self._bench.lanes.ask, entry)
        return JSONResponse({}, 202)

    async def stop(self, request: Request) -> Response:
        """Stop a job that waits or is being measured."""
        entry = await self.entry(request)
        await run_in_threadpool(self._bench.lanes.stop, entry)
        return JSONResponse({})

    async def drawing(self, request: Request) -> Response:
        """What was found in each photo."""
        entry = await self.entry(request)

        def draw() -> dict[str, Any]:
            report = self._bench.report(entry)
            return {
                "units": report["job"]["units"],
                "photos": photo_drawings(report, entry),
                "worked_in": report["job"].get("corrections", {}),
                **edits_told(entry),
                "notes": [{**note, "text": plain_words(note["text"])} for note in report["notes"]],
            }

        return JSONResponse(await run_in_threadpool(draw))

    async def comparison(self, request: Request) -> Response:
        """Both sides and how they differ."""
        entry = await self.entry(request)
        report = await run_in_threadpool(self._bench.report, entry)
        keys = ("outline_mm", "seen", "corners_mm", "edges", "datum", "u95_fit_mm")
        return JSONResponse(
            {
                "comparison": report["comparison"],
                "halves": report.get("halves"),
                "job": report["job"],
                "patterns": {
                    side: {key: pattern[key] for key in keys}
                    for side, pattern in report["patterns"].items()
                },
            }
        )

    async def thumb(self, request: Request) -> Response:
        """A photo, small."""
        return await self._picture(request, "thumb")

    async def look(self, request: Request) -> Response:
        """A photo, to look at."""
        return await self._picture(request, "look")

    async def _picture(self, request: Request, size: str) -> Response:
        entry = await self.entry(request)
        photo = entry.photo(request.path_params["photo"])
        path = entry.bench / f"{photo.id}.{size}.jpg"
        if not path.is_file():
            verdict = self._bench.lanes.check(entry, photo, urgent=True)
            await asyncio.wrap_future(verdict)
            for _ in range(100):
                if path.is_file():
                    break
                await asyncio.sleep(0.1)
        if not path.is_file():
            raise NotThere("That photo cannot be shown.", "Is the file still there?")
        # The id is of the place, not of the content: asked again each time, sent only when new.
        return FileResponse(path, media_type="image/jpeg", headers={"cache-control": "no-cache"})

    async def file(self, request: Request) -> Response:
        """A result."""
        entry = await self.entry(request)
        files = await run_in_threadpool(entry.files)
        path = files.get(request.path_params["file"])
        if path is None:
            raise NotThere("There is no such file among the results.", "Measure the job again.")
        return result_file(path, f"{_plain_name(entry)}_{path.name}")

    async def bundle(self, request: Request) -> Response:
        """The whole job in one file: job file, photos, results."""
        from spilemark.serve.bundle import job_zip

        entry = await self.entry(request)
        name = f"{_plain_name(entry)}.zip"
        return StreamingResponse(
            job_zip(entry),
            media_type="application/zip",
            headers={"content-disposition": f'attachment; filename="{name}"'},
        )


def _own_name(request: Request) -> str:
    """The name that a file had where it came from, as a page tells it; to be shown, never opened."""
    told = unquote(request.headers.get("x-file-name", "")[:400])
    name = re.split(r"[/\\]", told)[-1]
    return "".join(c for c in name if c.isprintable())[:80].strip()


def result_file(path: Path, name: str) -> Response:
    """A result, opened where that is safe, and saved where it might run something."""
    headers = {"cache-control": "no-cache"}
    if path.suffix == ".html":
        # Made of what a person typed: its own policy holds, and it is of no origin.
        headers["content-security-policy"] = "sandbox; frame-ancestors 'none'"
    elif path.suffix == ".pdf":
        headers["content-security-policy"] = "frame-ancestors 'none'"
    return FileResponse(
        path,
        media_type=_TYPES.get(path.suffix, "application/octet-stream"),
        filename=name,
        content_disposition_type="inline" if path.suffix in _OPENED else "attachment",
        headers=headers,
    )


def _plain_name(entry: Entry) -> str:
    """A file name of what the job is called: letters, digits and dashes only."""
    return re.sub(r"[^A-Za-z0-9]+", "-", entry.title).strip("-")[:60] or "job"
