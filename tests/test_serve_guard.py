"""The bench page attacked: from other pages, other names, with other methods, and too much."""

from __future__ import annotations

import socket
import zlib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from bench_server import Page, running

from spilemark.serve.shelf import Limits

LIMITS = Limits(photo_bytes=3_000_000, form_bytes=10_000, photos=3)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    with running(tmp_path_factory.mktemp("shop"), LIMITS) as found:
        yield found


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:80", "localhost.evil.example:{port}", "", "[::1]:{port}"]
)  # fmt: skip
def test_a_strange_host_name_is_refused(page: Page, host: str) -> None:
    # A name that was pointed here after its page was loaded (DNS rebinding) keeps its own name.
    answer = page.ask("/", headers={"Host": host.format(port=page.port)})
    assert answer.status == 421
    assert "Curlew" not in answer.text


def test_our_own_names_are_known(page: Page) -> None:
    for host in (f"127.0.0.1:{page.port}", f"localhost:{page.port}", f"LOCALHOST:{page.port}"):
        assert page.ask("/", headers={"Host": host}).status == 200


def test_two_host_names_are_refused(page: Page) -> None:
    with socket.create_connection(("127.0.0.1", page.port), 10) as line:
        ours = f"127.0.0.1:{page.port}"
        line.sendall(f"GET / HTTP/1.1\r\nHost: {ours}\r\nHost: evil.example\r\n\r\n".encode())
        first = line.recv(1000)
    assert first.split()[1] in (b"400", b"421")


@pytest.mark.parametrize(
    ("origin", "header"),
    [
        (None, "bench"),
        ("null", "bench"),
        ("http://evil.example", "bench"),
        ("https://127.0.0.1:{port}", "bench"),
        ("http://127.0.0.1", "bench"),
        ("http://127.0.0.1:1", "bench"),
        ("http://localhost:{port}", "bench"),
        ("http://127.0.0.1:{port}", None),
        ("http://127.0.0.1:{port}", "bank"),
    ],
)
def test_a_change_needs_our_origin_and_our_header(
    page: Page, origin: str | None, header: str | None
) -> None:
    headers = {}
    if origin is not None:
        headers["Origin"] = origin.format(port=page.port)
    if header is not None:
        headers["X-Spilemark"] = header
    before = len(page.shelf.entries())
    assert page.ask("/api/jobs", "POST", b'{"boat": "x"}', headers).status == 403
    assert len(page.shelf.entries()) == before
    assert page.ask("/api/jobs", "POST", b'{"boat": "x"}', page.ours()).status == 201


def test_a_change_asked_by_another_site_is_refused_by_what_the_browser_says(page: Page) -> None:
    answer = page.ask("/api/jobs", "POST", b"{}", page.ours() | {"Sec-Fetch-Site": "same-site"})
    assert answer.status == 403


def test_another_site_may_link_here_but_not_look_in(page: Page) -> None:
    cross = {"Sec-Fetch-Site": "cross-site"}
    assert page.ask("/", headers=cross | {"Sec-Fetch-Mode": "navigate"}).status == 200
    assert page.ask("/api/jobs", headers=cross | {"Sec-Fetch-Mode": "cors"}).status == 403
    assert page.ask("/static/mark.svg", headers=cross | {"Sec-Fetch-Mode": "no-cors"}).status == 403


@pytest.mark.parametrize(
    "method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "PROPFIND"]
)
def test_other_methods_do_nothing(page: Page, method: str) -> None:
    assert page.ask("/api/jobs", method, headers=page.ours()).status in (400, 405)


@pytest.mark.parametrize(
    "path",
    [
        "/api/jobs/..%2f..%2fetc",
        "/api/jobs/%2e%2e/files/secret.txt",
        "/api/jobs/{job}/files/..%2f..%2fsecret.txt",
        "/api/jobs/{job}/files/job.toml",
        "/api/jobs/{job}/photos/..%2fjob.toml/look.jpg",
        "/static/../../secret.txt",
        "/static/..%2f..%2f..%2fsecret.txt",
        "/static/%2e%2e/%2e%2e/bench.py",
        "/static//etc/passwd",
        "/static/bench.css%00.txt",
    ],
)
def test_no_path_leads_out(page: Page, path: str) -> None:
    (page.shelf.root / "secret.txt").write_text("SECRET")
    job = page.new_job()
    answer = page.ask(path.format(job=job))
    assert answer.status in (400, 404)
    assert b"SECRET" not in answer.body
    assert b"root:" not in answer.body


def test_a_too_long_address_is_refused(page: Page) -> None:
    assert page.ask("/" + "a" * 5000).status == 414


def test_a_photo_beyond_the_limit_is_refused_whatever_it_says_of_its_length(page: Page) -> None:
    job = page.new_job()
    path = f"/api/jobs/{job}/photos/port"
    jpeg = b"\xff\xd8\xff" + bytes(LIMITS.photo_bytes)
    said = page.ask(path, "POST", b"", page.ours() | {"Content-Length": "99999999999"})
    assert said.status == 413
    chunked = page.ask(path, "POST", jpeg, page.ours() | {"Transfer-Encoding": "chunked"})
    assert chunked.status == 413
    entry = page.shelf.find(job)
    assert not entry.photos
    assert [p.name for p in entry.folder.rglob("*") if p.is_file()] == ["job.toml"]


def test_a_form_beyond_the_limit_is_refused(page: Page) -> None:
    answer = page.post("/api/jobs", {"boat": "x" * 2 * LIMITS.form_bytes})
    assert answer.status == 413


@pytest.mark.parametrize(
    "body", [b"[1]", b"{", b"\xff", b'{"boat": 3}', b'{"out": "/etc"}', b'"x"', b"[" * 9000]
)
def test_a_form_that_is_none_is_refused_in_words(page: Page, body: bytes) -> None:
    answer = page.post("/api/jobs", body)
    assert answer.status == 400
    assert answer.json["error"]["todo"]


def test_a_job_takes_only_so_many_photos(page: Page) -> None:
    job = page.new_job()
    for number in range(LIMITS.photos):
        page.post(f"/api/jobs/{job}/photos/port", b"\xff\xd8\xff" + bytes([number]))
    answer = page.post(f"/api/jobs/{job}/photos/port", b"\xff\xd8\xff more")
    assert answer.status == 413
    assert "photos" in answer.json["error"]["what"]


def test_the_shelf_and_the_disk_have_a_quota(tmp_path: Path) -> None:
    from spilemark.serve.shelf import Shelf, TooMuch

    shelf = Shelf(tmp_path, Limits(shelf_bytes=1000, photo_bytes=600))
    entry = shelf.create({"boat": "Curlew"})
    with shelf.incoming(entry) as path:
        path.write_bytes(b"\xff\xd8\xff" + bytes(500))
        shelf.keep(entry, "port", path)
    with pytest.raises(TooMuch, match="all they may"), shelf.incoming(shelf.find(entry.id)):
        pass
    with pytest.raises(TooMuch, match="nearly full"):
        Shelf(tmp_path, Limits(free_bytes=10**18)).create({"boat": "Curlew"})


@pytest.mark.parametrize(
    "content",
    [
        b"GIF89a....",
        b"<svg onload=alert(1)>",
        b"%PDF-1.7",
        b"#!/bin/sh\n",
        b"MZ\x90",
        b"PK\x03\x04",
    ],
)
def test_what_is_no_photo_is_refused_by_its_first_bytes(page: Page, content: bytes) -> None:
    job = page.new_job()
    answer = page.post(f"/api/jobs/{job}/photos/port", content)
    assert answer.status == 400
    assert "not a photo" in answer.json["error"]["what"]
    assert not page.shelf.find(job).photos


def png_claiming(width: int, height: int) -> bytes:
    """A PNG (ISO/IEC 15948, 11.2) whose few bytes unpack to nothing, of a size that it claims."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data).to_bytes(4, "big")
        return len(data).to_bytes(4, "big") + kind + data + check

    head = width.to_bytes(4, "big") + height.to_bytes(4, "big") + b"\x08\x02\x00\x00\x00"
    packed = zlib.compress(bytes(100_000))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(50_000, 50_000), (12_000, 9_000), (0x7FFFFFFF, 1)])
def test_a_bomb_is_refused_in_the_worker_and_the_page_goes_on(
    page: Page, size: tuple[int, int]
) -> None:
    job = page.new_job()
    answer = page.post(f"/api/jobs/{job}/photos/port", png_claiming(*size))
    assert answer.status == 201
    state = page.until(job, lambda s: s["photos"][0]["check"] is not None)
    assert state["photos"][0]["check"]["good"] == "no"
    assert page.ask("/").status == 200


def test_names_are_shown_as_they_are_and_run_nowhere(page: Page) -> None:
    evil = "<img src=x onerror=alert(1)>\"'{{7*7}}"
    job = page.new_job(boat=evil, part='x"\nout = "/tmp/evil"\n[hull]')
    steps = ("", "/sheet", "/look", "/compare", "/sums", "/print")
    for path in ("/", f"/printers?job={job}", *(f"/jobs/{job}{step}" for step in steps)):
        text = page.ask(path).text
        assert "<img src=x" not in text
        assert "&lt;img src=x onerror" in text
        assert "7*7" in text
    entry = page.shelf.find(job)
    assert entry.table["boat"] == evil
    assert "out" not in entry.table
    assert entry.folder.parent == page.shelf.root


def inline_things(text: str) -> list[str]:
    """What in a page would run or be fetched from elsewhere."""
    found: list[str] = []

    class Look(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            names = dict(attrs)
            if tag in ("style", "iframe", "object", "embed", "base") or (
                tag == "script" and not names.get("src")
            ):
                found.append(tag)
            found.extend(n for n in names if n == "style" or n.startswith("on"))
            found.extend(
                f"{tag} {name}"
                for name in ("src", "href", "action")
                if not (names.get(name) or "/").startswith(("/", "#"))
            )

    Look().feed(text)
    return found


def test_every_answer_allows_a_browser_nothing_but_our_own_files(page: Page) -> None:
    job = page.new_job()
    places = ["/", "/new", "/help", "/help/card", "/static/bench.css", "/nowhere", "/api/jobs",
              f"/jobs/{job}", f"/jobs/{job}/sheet", f"/jobs/{job}/look", f"/jobs/{job}/compare",
              f"/jobs/{job}/print", f"/jobs/{job}/sums", "/printers", "/printers?job=nobody",
              "/api/printers/test-sheet.pdf"]  # fmt: skip
    for path in places:
        answer = page.ask(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy, path
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert "server" not in answer.headers
        if answer.headers["content-type"].startswith("text/html"):
            assert inline_things(answer.text) == []


def test_results_that_could_run_something_are_of_no_origin_or_saved(page: Page) -> None:
    job = page.new_job()
    entry = page.shelf.find(job)
    entry.results.mkdir()
    for name in ("report.html", "port.svg", "port.pdf", "report.json"):
        (entry.results / name).write_text("<script>alert(1)</script>")
    (entry.results / "private.txt").write_text("SECRET")
    got = {}
    for file_id, path in page.shelf.find(job).files().items():
        got[path.name] = page.ask(f"/api/jobs/{job}/files/{file_id}").headers
    assert set(got) == {"report.html", "port.svg", "port.pdf", "report.json"}
    assert got["report.html"]["content-security-policy"].startswith("sandbox;")
    assert "attachment" in got["port.svg"]["content-disposition"]
    assert got["port.pdf"]["content-type"] == "application/pdf"
    assert "inline" in got["port.pdf"]["content-disposition"]


def test_a_paper_is_drawn_in_the_worker_whatever_it_holds(page: Page) -> None:
    """A PDF in a job that came from elsewhere may be damaged, or no PDF, or no paper at all."""
    job = page.new_job()
    entry = page.shelf.find(job)
    entry.results.mkdir()
    (entry.results / "port.pdf").write_bytes(b"%PDF-1.7\n" + bytes(5000))
    (entry.results / "shop.pdf").write_text("<script>alert(1)</script>")
    (entry.results / "report.json").write_text("{}")
    for file_id, path in page.shelf.find(job).files().items():
        answer = page.ask(f"/api/jobs/{job}/files/{file_id}/leaf.json")
        assert answer.status == (404 if path.suffix == ".json" else 400), path.name
        assert answer.json["error"]["what"]
    assert page.ask(f"/api/jobs/{job}/files/nothing/leaf.png").status == 404
    assert page.ask("/").status == 200
    # A fresh paper is drawn after that by the same worker.
    assert page.ask(f"/jobs/{job}/print").status == 200


def test_the_sums_take_no_path_from_a_page(page: Page) -> None:
    """Files are named in a job file by its owner, never by a form."""
    job = page.new_job()
    for table, key in (
        ("shop", "fitted"),
        ("lamination", "trials"),
        ("board", "blank"),
        ("board", "points"),
    ):
        form = {table: {key: "/etc/passwd"}, "what": [table]}
        assert page.post(f"/api/jobs/{job}/sums/try", form).status == 400
        assert page.post(f"/api/jobs/{job}/sums", {table: {key: "/etc/passwd"}}).status == 400


def test_a_job_file_from_elsewhere_does_not_choose_what_is_written_over(page: Page) -> None:
    folder = page.shelf.root / "from_a_stick"
    folder.mkdir()
    (folder / "job.toml").write_text(
        'boat = "X"\nout = "../../../etc"\n[port]\nphotos = ["a.jpg"]\n'
    )
    entry = next(e for e in page.shelf.entries() if e.folder == folder)
    assert entry.results == folder / "results"


def test_it_listens_to_this_computer_only(page: Page) -> None:
    (listener,) = page.server.servers[0].sockets
    assert listener.getsockname()[0] == "127.0.0.1"
