"""The routes by which a page puts things right."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from spilemark.serve import edits
from spilemark.serve.entries import Entry
from spilemark.serve.routes import BenchRoutes, Handler, told

Edit = Callable[[Entry, dict[str, Any]], Entry]


class EditApi(BenchRoutes):
    """The routes."""

    def routes(self) -> list[Route]:
        """Every route."""
        shelf = self._bench.shelf
        by_name: dict[str, Edit] = {
            "add": lambda entry, form: edits.add_correction(shelf, entry, form),
            "undo": lambda entry, form: edits.undo(shelf, entry, str(form.get("arm"))),
            "redo": lambda entry, form: edits.redo(shelf, entry, str(form.get("arm"))),
            "clear": lambda entry, form: edits.back_to_traced(shelf, entry, str(form.get("arm"))),
            "mark": lambda entry, form: edits.set_mark(shelf, entry, form),
            "rename": lambda entry, form: edits.rename_edge(shelf, entry, form),
        }
        return [
            Route(f"/api/jobs/{{job}}/edits/{name}", told(self._done(edit)), methods=["POST"])
            for name, edit in by_name.items()
        ]

    def _done(self, edit: Edit) -> Handler:
        async def answer(request: Request) -> Response:
            entry = await self.entry(request)
            changed = await run_in_threadpool(edit, entry, await self.form(request))
            self._bench.news.tell(entry.id)
            return JSONResponse(await run_in_threadpool(edits.edits_told, changed))

        return answer
