"""The door, as the laptop's page opens and shuts it."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from spilemark.serve.bench import Bench
from spilemark.serve.door import Door
from spilemark.serve.routes import BenchRoutes, told


class DoorApi(BenchRoutes):
    """The routes.

    Parameters
    ----------
    bench : Bench
    door : Door
    """

    def __init__(self, bench: Bench, door: Door) -> None:
        super().__init__(bench)
        self._door = door

    def routes(self) -> list[Route]:
        """Every route."""
        return [
            Route("/api/door", told(self.look), methods=["GET"]),
            Route("/api/door/code.svg", told(self.code), methods=["GET"]),
            Route("/api/door/shut", told(self.shut), methods=["POST"]),
            Route("/api/jobs/{job}/door", told(self.open), methods=["POST"]),
        ]

    async def look(self, request: Request) -> Response:  # noqa: ARG002 - one shape for all
        """Whether it is open, and for how long."""
        return JSONResponse(self._door.told())

    async def code(self, request: Request) -> Response:  # noqa: ARG002
        """The code to scan."""
        return Response(self._door.picture(), media_type="image/svg+xml")

    async def open(self, request: Request) -> Response:
        """Open it for one job."""
        entry = await self.entry(request)
        await self._door.open(entry.id)
        return JSONResponse(self._door.told(), 201)

    async def shut(self, request: Request) -> Response:  # noqa: ARG002
        """Shut it."""
        self._door.shut()
        return JSONResponse(self._door.told())
