"""The routes by which a page puts things right."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from spilemark.corrections import check_correction
from spilemark.results import ARMS
from spilemark.serve import edit_marks, edits
from spilemark.serve.edit_marks import MARKS, numbers
from spilemark.serve.entries import Entry
from spilemark.serve.reread import carried
from spilemark.serve.routes import BenchRoutes, Handler, told

Edit = Callable[[Entry, dict[str, Any]], Entry]
TRIED_FIRST = ("follow", "corner", "no-corner")
"""What may turn out to be impossible, and is then not kept."""
_TRY_S = 60.0
"""A hundred runs to follow after one was taken back: half a second each."""


class EditApi(BenchRoutes):
    """The routes."""

    def routes(self) -> list[Route]:
        """Every route."""
        shelf = self._bench.shelf
        by_name: dict[str, Edit] = {
            "undo": lambda entry, form: edits.undo(shelf, entry, str(form.get("arm"))),
            "redo": lambda entry, form: edits.redo(shelf, entry, str(form.get("arm"))),
            "clear": lambda entry, form: edits.back_to_traced(shelf, entry, str(form.get("arm"))),
            "mark": lambda entry, form: edits.set_mark(shelf, entry, self._of_first(entry, form)),
            "rename": lambda entry, form: edits.rename_edge(shelf, entry, form),
        }
        path = "/api/jobs/{job}/edits/"
        return [
            Route(f"{path}add", told(self.add), methods=["POST"]),
            Route(f"{path}try", told(self.attempt), methods=["POST"]),
            *(
                Route(f"{path}{name}", told(self._done(edit)), methods=["POST"])
                for name, edit in by_name.items()
            ),
        ]

    def _done(self, edit: Edit) -> Handler:
        async def answer(request: Request) -> Response:
            entry = await self.entry(request)
            changed = await run_in_threadpool(edit, entry, await self.form(request))
            return await self._told(changed)

        return answer

    def _of_first(self, entry: Entry, form: dict[str, Any]) -> dict[str, Any]:
        """A mark in pixels of its arm's first photo, in whichever photo it was shown.

        Raises
        ------
        UsageError
            That photo was not measured, so that its pixels cannot be carried over.
        """
        photo_id, value = form.get("photo"), form.get("value")
        arm = edit_marks.under_of(form)
        of_arm = [photo for photo in entry.photos if photo.arm == arm]
        if not isinstance(photo_id, str) or value is None or form.get("key") not in MARKS:
            return form
        if not of_arm or photo_id == of_arm[0].id:
            return form
        shown, first = entry.photo(photo_id).path.name, of_arm[0].path.name
        given = numbers(value, MARKS[form["key"]])
        report = self._bench.report(entry)
        return form | {"value": carried(report, arm, (shown, first), given)}

    async def add(self, request: Request) -> Response:
        """Add to the edit list; what the photo does not bear out is told (``missed``) and not kept."""
        entry = await self.entry(request)
        form = await self.form(request)
        if form.get("do") in TRIED_FIRST:
            arm, row = edits.row_of(entry, form)
            listed = await run_in_threadpool(edits.corrections_of, entry)
            found = await self._tried(entry, {arm: [*listed.get(arm, []), row]})
            last = found["arms"][arm].get("said", [])[-1:]
            if last and last[0]["missed"]:
                held = await run_in_threadpool(edits.edits_told, entry)
                return JSONResponse({**held, "missed": " ".join(last[0]["words"])})
        shelf = self._bench.shelf
        return await self._told(await run_in_threadpool(edits.add_correction, shelf, entry, form))

    async def attempt(self, request: Request) -> Response:
        """The outlines as all edits together make them, before the job is measured again."""
        entry = await self.entry(request)
        await self.form(request)
        listed = await run_in_threadpool(edits.corrections_of, entry)
        found = await self._tried(entry, {arm: listed.get(arm, []) for arm in _arms(entry)})
        return JSONResponse(_by_id(found, entry))

    async def _tried(self, entry: Entry, rows: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
        report = entry.results / "report.json"
        await run_in_threadpool(self._bench.report, entry)  # says so where there is none
        for arm, listed in rows.items():
            for row in listed:
                check_correction(edits.correction_of(row), arm, "This job")
        task = {
            "do": "put right",
            "report": str(report),
            "edits": rows,
            "photos": {
                arm: {p.path.name: str(p.path) for p in entry.photos if p.arm == arm}
                for arm in rows
            },
            "scans": [arm for arm in rows if _is_scan(entry, arm)],
        }
        return await asyncio.wrap_future(self._bench.lanes.reckon(task, seconds=_TRY_S))

    async def _told(self, entry: Entry) -> Response:
        self._bench.news.tell(entry.id)
        return JSONResponse(await run_in_threadpool(edits.edits_told, entry))


def _arms(entry: Entry) -> list[str]:
    return [arm for arm in ARMS if any(photo.arm == arm for photo in entry.photos)]


def _is_scan(entry: Entry, arm: str) -> bool:
    own = entry.table.get(arm, {}).get("scan")
    return bool(entry.table.get("scan", False) if own is None else own)


def _by_id(found: dict[str, Any], entry: Entry) -> dict[str, Any]:
    """The same with photos by their ids."""
    ids = {(photo.arm, photo.path.name): photo.id for photo in entry.photos}
    for arm, told_of in found["arms"].items():
        for pattern in told_of.get("patterns", []):
            pattern["rings"] = {
                ids[arm, name]: ring
                for name, ring in pattern["rings"].items()
                if (arm, name) in ids
            }
    return found
