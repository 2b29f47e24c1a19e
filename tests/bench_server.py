"""The bench page on a free port, in a thread of the tests, and a client that can lie."""

from __future__ import annotations

import http.client
import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from spilemark.serve.bench import Bench
from spilemark.serve.run import HOME, server_for
from spilemark.serve.settings import listen_on
from spilemark.serve.shelf import Limits, Shelf

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images" / "quarter_knee"

KNEE = {"thickness": "3.07", "distances": "A-H = 767.5 ± 0.2"}
"""What is told of the sample's photos in the form of a job."""


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class Page:
    """A running server."""

    shelf: Shelf
    bench: Bench
    server: uvicorn.Server
    port: int

    @property
    def address(self) -> str:
        return f"http://{HOME}:{self.port}"

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: Any = None,
        headers: dict[str, str] | None = None,
        *,
        port: int | None = None,
        source: str = HOME,
    ) -> Answer:
        """Exactly these headers, beside a Host that may be given too; from an address of this machine."""
        port = port or self.port
        line = http.client.HTTPConnection(HOME, port, timeout=60, source_address=(source, 0))
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            sent = {"Host": f"{HOME}:{port}"} | (headers or {})
            if isinstance(body, bytes) and "Transfer-Encoding" not in sent:
                sent.setdefault("Content-Length", str(len(body)))
            for name, value in sent.items():
                line.putheader(name, value)
            line.endheaders(body, encode_chunked="Transfer-Encoding" in sent)
            got = line.getresponse()
            return Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read())
        finally:
            line.close()

    def ours(self) -> dict[str, str]:
        """What our own page sends with a change."""
        return {"Origin": self.address, "X-Spilemark": "bench"}

    def post(self, path: str, table: Any = None) -> Answer:
        body = table if isinstance(table, bytes) else json.dumps(table or {}).encode()
        return self.ask(path, "POST", body, self.ours())

    def new_job(self, **form: str) -> str:
        answer = self.post("/api/jobs", {"boat": "Curlew", "part": "quarter knee"} | form)
        assert answer.status == 201, answer.text
        return str(answer.json["id"])

    def send(self, job: str, photo: Path, arm: str = "port") -> dict[str, Any]:
        answer = self.post(f"/api/jobs/{job}/photos/{arm}", photo.read_bytes())
        assert answer.status == 201, answer.text
        return dict(answer.json)

    def state(self, job: str) -> dict[str, Any]:
        return dict(self.ask(f"/api/jobs/{job}").json)

    def until(
        self, job: str, fits: Callable[[dict[str, Any]], bool], seconds: float = 90
    ) -> dict[str, Any]:
        """Wait until a job's state is as wanted."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            state = self.state(job)
            if fits(state):
                return state
            time.sleep(0.05)
        raise AssertionError(f"never so: {state}")

    def measure(self, job: str) -> None:
        """Measure a job, and wait until it is."""
        self.post(f"/api/jobs/{job}/measure")
        self.until(job, lambda s: s["status"] == "measured")

    def port_alone(self, **form: str) -> str:
        """A job of the sample's port photo, measured."""
        made = self.new_job(**(KNEE | form))
        self.send(made, SAMPLES / "port.jpg", "port")
        self.measure(made)
        return made

    def copy_of(self, job: str, name: str) -> str:
        """Another job like it: a job is its folder."""
        here = self.shelf.find(job).folder
        shutil.copytree(here, here.with_name(name))
        return next(e.id for e in self.shelf.entries() if e.folder.name == name)


@contextmanager
def running(root: Path, limits: Limits | None = None, port: int = 0) -> Iterator[Page]:
    """A server of its own; its workers end with it."""
    shelf = Shelf(root, limits)
    listener = listen_on(HOME, port)
    server, bench = server_for(shelf, listener, phone_address=HOME)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
        assert thread.is_alive()
    try:
        yield Page(shelf, bench, server, listener.getsockname()[1])
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()
        assert not thread.is_alive()
