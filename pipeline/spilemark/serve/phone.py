"""What a phone sees that was let in: a button for a photo, and what is said of it."""

from __future__ import annotations

import asyncio
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from spilemark.serve.api import Api
from spilemark.serve.bench import Bench
from spilemark.serve.bodies import read_form
from spilemark.serve.door import Door, Guest, NotLetIn
from spilemark.serve.entries import Entry
from spilemark.serve.guard import Guard
from spilemark.serve.pages import ARM_WORDS, page, static_folder
from spilemark.serve.routes import told

COOKIE = "bench_guest"
_FORM_BYTES = 1000


class Phone:
    """The routes of a phone; nothing but one job's photos can be reached by them.

    Parameters
    ----------
    bench : Bench
    door : Door
    """

    def __init__(self, bench: Bench, door: Door) -> None:
        self._bench, self._door = bench, door
        self._api = Api(bench)

    def routes(self) -> list[Route]:
        """Every route."""
        return [
            Route("/", told(self.work), methods=["GET"]),
            Route("/in/{code}", told(self.knock), methods=["GET"]),
            Route("/in", told(self.come_in), methods=["POST"]),
            Route("/state", told(self.state), methods=["GET"]),
            Route("/photos/{arm}", told(self.photo), methods=["POST"]),
            Route("/photos/{photo}/aside", told(self.set_aside), methods=["POST"]),
        ]

    async def knock(self, request: Request) -> Response:
        """What the code leads to: one button.  Looking at it uses no code; some scanners look first."""
        return page("phone_in.html", code=request.path_params["code"])

    async def come_in(self, request: Request) -> Response:
        """Let a phone in, once."""
        form = await read_form(request, _FORM_BYTES)
        token = self._door.admit(str(form.get("code", "")), _address(request))
        answer = JSONResponse({})
        answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", path="/")
        return answer

    async def work(self, request: Request) -> Response:
        """The page with the button."""
        guest = self._guest(request)
        if guest is None:
            return page(
                "phone_out.html", 403, what="The door is shut.",
                todo='On the laptop, open the job and press "Let a phone in" on its page Photos, then scan'
                " the new code with the phone's camera.",
            )  # fmt: skip
        entry = await self._entry(guest)
        state = await run_in_threadpool(self._bench.state, entry)
        return page("phone.html", job=_little(state), arm_words=ARM_WORDS)

    async def state(self, request: Request) -> Response:
        """How many photos there are, and which may come next."""
        entry = await self._entry(self._let_in(request))
        return JSONResponse(_little(await run_in_threadpool(self._bench.state, entry)))

    async def photo(self, request: Request) -> Response:
        """Take in a photo, and answer when it was judged."""
        entry = await self._entry(self._let_in(request))
        photo, verdict = await self._api.take_in(
            request, entry, request.path_params["arm"], urgent=True
        )
        said = await asyncio.wrap_future(verdict)
        return JSONResponse({"name": photo.path.name, "verdict": said}, 201)

    async def set_aside(self, request: Request) -> Response:
        """Take a photo that will not do out of the job; the laptop can bring it back."""
        entry = await self._entry(self._let_in(request))
        photo = entry.photo(request.path_params["photo"])
        await run_in_threadpool(self._bench.shelf.set_aside, entry, photo)
        self._bench.news.tell(entry.id)
        return JSONResponse({"name": photo.path.name})

    def _guest(self, request: Request) -> Guest | None:
        return self._door.guest(request.cookies.get(COOKIE, ""), _address(request))

    def _let_in(self, request: Request) -> Guest:
        guest = self._guest(request)
        if guest is None:
            raise NotLetIn(
                "The door is shut.",
                'On the laptop, press "Let a phone in" on the page Photos, and scan the new code.',
            )
        return guest

    async def _entry(self, guest: Guest) -> Entry:
        return await run_in_threadpool(self._bench.shelf.find, guest.job_id)


def phone_app(bench: Bench, door: Door) -> ASGIApp:
    """The phone's server, behind the guard."""
    routes = [
        *Phone(bench, door).routes(),
        Mount("/static", StaticFiles(directory=static_folder())),
    ]
    return Guard(Starlette(routes=routes), lambda: door.hosts)


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _little(state: dict[str, Any]) -> dict[str, Any]:
    """What a phone is told of its job."""
    counts = {arm: {"photos": 0, "bad": 0} for arm in ARM_WORDS}
    for photo in state["photos"]:
        counts[photo["arm"]]["photos"] += 1
        counts[photo["arm"]]["bad"] += (photo["check"] or {}).get("good") == "no"
    keys = ("id", "arm", "name", "own_name", "check")
    return {
        "id": state["id"],
        "title": state["title"],
        "arms_open": state["arms_open"],
        "counts": counts,
        "photos": [{key: photo[key] for key in keys} for photo in state["photos"]],
    }
