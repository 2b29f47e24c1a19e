"""The phone's door: shut but for one phone that holds a code, for a while; each way in tried."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_server import SAMPLES, Answer, Page

from spilemark.serve.door import CODE_S, OPEN_S, Door
from spilemark.serve.run import HOME


@pytest.fixture
def job(page: Page) -> Iterator[str]:
    yield page.new_job()
    page.post("/api/door/shut")
    until = time.monotonic() + 10
    while page.ask("/api/door").json["open"] and time.monotonic() < until:
        time.sleep(0.05)


class Caller:
    """A phone, or whoever says so."""

    def __init__(self, page: Page, link: str, source: str = HOME) -> None:
        self.page, self.source = page, source
        host, _, self.code = link.removeprefix("http://").partition("/in/")
        self.port = int(host.rpartition(":")[2])
        self.cookie = ""

    def ask(self, path: str, method: str = "GET", body: Any = None, **headers: str) -> Answer:
        given = dict(headers)
        if self.cookie:
            given["Cookie"] = self.cookie
        if method == "POST":
            given = {"Origin": f"http://{HOME}:{self.port}", "X-Spilemark": "bench"} | given
        return self.page.ask(path, method, body, given, port=self.port, source=self.source)

    def come_in(self, code: str | None = None) -> Answer:
        body = json.dumps({"code": self.code if code is None else code}).encode()
        answer = self.ask("/in", "POST", body)
        if answer.status == 200:
            self.cookie = answer.headers["set-cookie"].split(";")[0]
        return answer


def let_in(page: Page, job: str, source: str = HOME) -> Caller:
    answer = page.post(f"/api/jobs/{job}/door")
    assert answer.status == 201, answer.text
    return Caller(page, answer.json["link"], source)


def test_nothing_listens_for_phones_until_the_door_is_opened(page: Page, job: str) -> None:
    caller = let_in(page, job)
    assert caller.ask(f"/in/{caller.code}").status == 200
    page.post("/api/door/shut")
    time.sleep(0.5)
    with pytest.raises(ConnectionRefusedError), socket.create_connection((HOME, caller.port), 2):
        pass
    assert not page.ask("/api/door").json["open"]


def test_a_code_works_once(page: Page, job: str) -> None:
    first = let_in(page, job)
    assert first.ask(f"/in/{first.code}").status == 200  # looking uses nothing up
    answer = first.come_in()
    assert answer.status == 200
    assert "httponly" in answer.headers["set-cookie"].lower()
    assert "samesite=strict" in answer.headers["set-cookie"].lower()
    assert first.ask("/").status == 200
    second = Caller(page, f"http://{HOME}:{first.port}/in/{first.code}")
    assert second.come_in().status == 403
    assert second.ask("/").status == 403


@pytest.mark.parametrize("code", ["", "x", "../../", "None", "é" * 30])
def test_a_wrong_code_lets_nobody_in(page: Page, job: str, code: str) -> None:
    caller = let_in(page, job)
    assert caller.come_in(code).status == 403
    assert caller.come_in().status == 200


def test_guessing_shuts_the_door(page: Page, job: str) -> None:
    caller = let_in(page, job)
    for number in range(20):
        assert caller.come_in(f"guess {number}").status == 403
    assert not page.ask("/api/door").json["open"]


def test_a_cookie_is_good_from_its_own_address_only(page: Page, job: str) -> None:
    phone = let_in(page, job)
    phone.come_in()
    thief = Caller(page, f"http://{HOME}:{phone.port}/in/x", source="127.0.0.2")
    thief.cookie = phone.cookie
    assert thief.ask("/state").status == 403
    assert phone.ask("/state").status == 200


def test_who_is_not_let_in_sends_nothing(page: Page, job: str) -> None:
    caller = let_in(page, job)
    for cookie in ("", "bench_guest=", "bench_guest=x", "bench_guest=None"):
        caller.cookie = cookie
        answer = caller.ask("/photos/port", "POST", b"\xff\xd8\xff" + bytes(100_000))
        assert answer.status == 403
    assert not page.shelf.find(job).photos


def test_a_phone_reaches_its_job_and_nothing_else(page: Page, job: str) -> None:
    other = page.new_job(boat="Secret boat")
    phone = let_in(page, job)
    phone.come_in()
    for path in ("/api/jobs", f"/api/jobs/{other}", f"/jobs/{other}", "/new", "/api/events",
                 "/api/door", "/api/door/code.svg", f"/api/jobs/{job}/all.zip"):  # fmt: skip
        assert phone.ask(path).status == 404, path
    assert phone.ask(f"/api/jobs/{job}/measure", "POST", b"{}").status in (404, 405)
    assert "Secret boat" not in phone.ask("/").text
    assert phone.ask("/photos/nowhere", "POST", b"\xff\xd8\xff").status == 400


def test_the_phones_server_has_the_same_guard(page: Page, job: str) -> None:
    phone = let_in(page, job)
    phone.come_in()
    assert phone.ask("/", Host="evil.example").status == 421
    assert phone.ask("/", Host=f"{HOME}:{page.port}").status == 421
    photo = b"\xff\xd8\xff"
    assert phone.ask("/photos/port", "POST", photo, Origin="http://evil.example").status == 403
    assert phone.ask("/photos/port", "POST", photo, Origin=page.address).status == 403
    assert phone.ask("/photos/port", "POST", photo, **{"X-Spilemark": "no"}).status == 403
    # The laptop's server is not known by the phone's name either.
    assert page.ask("/", headers={"Host": f"{HOME}:{phone.port}"}).status == 421


def test_a_photo_comes_in_and_words_come_back(page: Page, job: str) -> None:
    phone = let_in(page, job)
    phone.come_in()
    answer = phone.ask("/photos/port", "POST", (SAMPLES / "port.jpg").read_bytes())
    assert answer.status == 201, answer.text
    assert answer.json["verdict"]["good"] == "yes"
    assert answer.json["verdict"]["words"].startswith("Sharp, eight cards seen")
    assert phone.ask("/state").json["counts"]["port"] == {"photos": 1, "bad": 0}
    assert (page.shelf.find(job).folder / "port_1.jpg").read_bytes() == (
        SAMPLES / "port.jpg"
    ).read_bytes()


def test_a_phone_takes_a_photo_of_its_job_out_and_none_of_another(page: Page, job: str) -> None:
    other = page.new_job(boat="Secret boat")
    for made in (job, other):
        answer = page.ask(
            f"/api/jobs/{made}/photos/port", "POST", b"\xff\xd8\xff" + bytes(1000),
            page.ours() | {"X-File-Name": "C%3A%5CDCIM%5CIMG_1%0A.jpg"},
        )  # fmt: skip
        assert answer.status == 201
    phone = let_in(page, job)
    phone.come_in()
    page.until(job, lambda s: s["photos"][0]["check"] is not None)
    told = phone.ask("/state").json
    assert told["counts"]["port"] == {"photos": 1, "bad": 1}
    # A name from elsewhere is shown without its folders and without what is no letter.
    assert told["photos"][0]["own_name"] == "IMG_1.jpg"
    for strange in ("../../x", "0" * 12, page.state(other)["id"]):
        assert phone.ask(f"/photos/{strange}/aside", "POST", b"{}").status in (404, 405)
    stranger = Caller(page, f"http://{HOME}:{phone.port}/in/x")
    photo = told["photos"][0]["id"]
    assert stranger.ask(f"/photos/{photo}/aside", "POST", b"{}").status == 403
    assert phone.ask(f"/photos/{photo}/aside", "POST", b"{}").status == 200
    assert phone.ask("/state").json["photos"] == []
    assert len(page.state(other)["photos"]) == 1
    assert page.state(job)["aside"][0]["own_name"] == "IMG_1.jpg"


def test_the_next_door_is_at_the_same_place(page: Page, job: str) -> None:
    first = let_in(page, job)
    page.post("/api/door/shut")
    time.sleep(1.0)
    assert let_in(page, job).port == first.port


def test_a_phone_comes_before_the_queue(page: Page, job: str, tmp_path: Path) -> None:
    crowd = page.new_job(boat="Crowd")
    page.send(crowd, SAMPLES / "port.jpg")
    page.post(f"/api/jobs/{crowd}/measure")
    many = page.new_job(boat="Many")
    content = (SAMPLES / "starboard.jpg").read_bytes()
    for number in range(6):
        page.post(f"/api/jobs/{many}/photos/starboard", content + bytes([number]))
    phone = let_in(page, job)
    phone.come_in()
    answer = phone.ask("/photos/port", "POST", (SAMPLES / "port.jpg").read_bytes())
    assert answer.json["verdict"]["good"] == "yes"
    waiting = [p for p in page.state(many)["photos"] if p["check"] is None]
    assert len(waiting) >= 3


class Clock:
    """Time that passes when told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def run_with_clock(work: Any) -> None:
    import asyncio

    async def answer(_scope: Any, _receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"x"})

    async def run() -> None:
        clock = Clock()
        door = Door(lambda _: answer, address=HOME, clock=clock)
        await door.open("job")
        try:
            await work(door, clock, asyncio)
        finally:
            door.shut()
            await asyncio.gather(*door._tasks)

    asyncio.run(run())


def code_of(door: Door) -> str:
    return str(door.told()["link"]).partition("/in/")[2]


def test_a_codes_time_runs_out(tmp_path: Path) -> None:
    async def work(door: Door, clock: Clock, _: Any) -> None:
        code = code_of(door)
        clock.now += CODE_S + 1
        assert door.told()["link"] == ""
        with pytest.raises(Exception, match="time is over"):
            door.admit(code, HOME)

    run_with_clock(work)


def test_the_door_shuts_by_itself_and_phones_are_out(tmp_path: Path) -> None:
    async def work(door: Door, clock: Clock, asyncio: Any) -> None:
        token = door.admit(code_of(door), HOME)
        assert door.guest(token, HOME) is not None
        clock.now += OPEN_S - 1
        await asyncio.sleep(0.5)
        assert door.guest(token, HOME) is not None
        clock.now += 2
        await asyncio.sleep(0.5)
        assert door.guest(token, HOME) is None
        assert not door.told()["open"]
        assert door.hosts == frozenset()

    run_with_clock(work)


def test_a_new_code_makes_the_old_one_void(tmp_path: Path) -> None:
    async def work(door: Door, _clock: Clock, _: Any) -> None:
        old = code_of(door)
        await door.open("another")
        with pytest.raises(Exception, match="was used"):
            door.admit(old, HOME)
        token = door.admit(code_of(door), HOME)
        guest = door.guest(token, HOME)
        assert guest is not None
        assert guest.job_id == "another"

    run_with_clock(work)


def test_the_picture_is_read_by_a_reader_that_did_not_draw_it(tmp_path: Path) -> None:
    import io

    import cv2
    import numpy as np
    import resvg_py
    from PIL import Image

    async def work(door: Door, _clock: Clock, _: Any) -> None:
        svg = door.picture().decode()
        raster = Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=svg)))).convert("L")
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(np.asarray(raster))
        assert text == door.told()["link"]

    run_with_clock(work)
