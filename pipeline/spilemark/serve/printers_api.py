"""What is printed before a job: scale cards, and a printer's test sheet with the profile that is kept of it."""

from __future__ import annotations

import datetime as dt
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from spilemark.errors import UsageError, WouldOverwrite
from spilemark.printer_measure import SheetReadings, measured_printer
from spilemark.printers import find_printer, read_printers, square_words, store_printer
from spilemark.serve.pages import error_page, page
from spilemark.serve.routes import BenchRoutes, told

_FIELDS = ("name", "paper", "across", "along", "one", "other", "measured", "insist", "replace")


class PrintersApi(BenchRoutes):
    """The routes."""

    def routes(self) -> list[Route]:
        """Every route."""
        return [
            Route("/printers", told(self.show, error_page), methods=["GET"]),
            Route("/api/cards.pdf", told(self.cards, error_page), methods=["GET"]),
            Route("/api/printers", told(self.keep), methods=["POST"]),
            Route("/api/printers/test-sheet.pdf", told(self.sheet, error_page), methods=["GET"]),
        ]

    async def show(self, request: Request) -> Response:
        """The printers that were measured, and how to measure one."""
        printers = await run_in_threadpool(read_printers)
        job_id = request.query_params.get("job", "")
        job = await run_in_threadpool(self._bench.shelf.find, job_id) if job_id else None
        return page("printers.html", printers=printers, job=job, square_words=square_words)

    async def sheet(self, request: Request) -> Response:
        """The test sheet, plain, or made up for a printer: then it must measure true."""
        asked = request.query_params
        content = await run_in_threadpool(
            _test_sheet, asked.get("paper", "a4"), asked.get("printer", "")
        )
        return _opened(content, "printer_test.pdf")

    async def cards(self, request: Request) -> Response:
        """The scale cards, and the tags for patterns."""
        paper = request.query_params.get("paper", "a4")
        return _opened(await run_in_threadpool(_cards, paper), "cards.pdf")

    async def keep(self, request: Request) -> Response:
        """Keep what a test sheet measured."""
        form = await self.form(request)
        if not set(form) <= set(_FIELDS) or not all(isinstance(v, str) for v in form.values()):
            raise UsageError("The form was not filled in on this page.", "Load the page again.")
        return JSONResponse(await run_in_threadpool(_kept, form), 201)


def _opened(content: bytes, name: str) -> Response:
    headers = {"content-disposition": f'inline; filename="{name}"'}
    return Response(content, media_type="application/pdf", headers=headers)


def _cards(paper: str) -> bytes:
    from spilemark.card_sheets import card_sheets
    from spilemark.ink_files import pdf_bytes

    return pdf_bytes(card_sheets(paper=paper), "Scale cards")


def _test_sheet(paper: str, printer: str) -> bytes:
    from spilemark.ink_files import pdf_bytes
    from spilemark.printer_sheet import trial_sheet

    profile = find_printer(printer) if printer else None
    paper = profile.paper if profile else paper
    return pdf_bytes([trial_sheet(paper, profile=profile)], "Printer test sheet")


def _kept(form: dict[str, Any]) -> dict[str, Any]:
    diagonals = [form.get(key, "").strip() for key in ("one", "other")]
    if bool(diagonals[0]) != bool(diagonals[1]):
        raise UsageError("One diagonal says nothing.", "Measure both, or leave both out.")
    for key in ("across", "along"):
        if not form.get(key, "").strip():
            raise UsageError(f"The length {key} is wanting.", "Measure both ways.")
    read = SheetReadings(
        paper=form.get("paper", ""),
        across=form["across"],
        along=form["along"],
        cross_to_cross=form.get("measured") == "crosses",
        diagonals=diagonals if diagonals[0] else (),
    )
    profile, words = measured_printer(
        form.get("name", ""),
        read,
        dt.date.today(),
        as_measured=form.get("insist") == "yes",
        insist='tick "It came out so twice"',
    )
    try:
        store_printer(profile, force=form.get("replace") == "yes")
    except WouldOverwrite as error:
        raise UsageError(error.what, 'Choose another name, or tick "Replace it".') from error
    return {"name": profile.name, "words": [*words]}
