"""Whole jobs through the page's own requests, measured in worker processes."""

from __future__ import annotations

import http.client
import io
import json
import shutil
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from bench_server import SAMPLES, Page, running

from spilemark.serve.run import HOME


@pytest.fixture(scope="module")
def measured(page: Page) -> str:
    """The sample photos through the page, from nothing to results."""
    job = page.new_job(thickness="3.07", distances="A-H = 767.5 ± 0.2", centreline_offset="515")
    page.send(job, SAMPLES / "port.jpg", "port")
    page.send(job, SAMPLES / "starboard.jpg", "starboard")
    assert page.post(f"/api/jobs/{job}/measure").status == 202
    state = page.until(job, lambda s: s["status"] in ("measured", "failed"))
    assert state["status"] == "measured", state
    return job


def test_photos_are_judged_in_words(page: Page, measured: str) -> None:
    state = page.until(measured, lambda s: all(p["check"] for p in s["photos"]))
    for photo in state["photos"]:
        assert photo["check"]["good"] == "yes"
        assert photo["check"]["words"].startswith(
            "Sharp, eight cards seen (A, B, C, D, E, F, G, H)"
        )


def test_a_card_that_got_blurred_is_named(page: Page, measured: str, tmp_path: Path) -> None:
    """One card of a photo out of focus; the photo before it showed that card."""
    from PIL import Image, ImageFilter

    report = page.bench.report(page.shelf.find(measured))
    corners = np.array(
        next(c["corners_px"] for c in report["cards"][0]["cards"] if c["name"] == "C")
    )
    photo = Image.open(SAMPLES / "port.jpg")
    low, high = corners.min(axis=0).astype(int) - 60, corners.max(axis=0).astype(int) + 60
    box = (*low.tolist(), *high.tolist())
    photo.paste(photo.crop(box).filter(ImageFilter.GaussianBlur(6)), box)
    photo.save(tmp_path / "soft.jpg", quality=92, exif=photo.getexif())
    job = page.new_job()
    page.send(job, SAMPLES / "port.jpg")
    page.until(job, lambda s: s["photos"][0]["check"] is not None)
    page.send(job, tmp_path / "soft.jpg")
    state = page.until(job, lambda s: s["photos"][1]["check"] is not None)
    first, soft = (p["check"] for p in state["photos"])
    assert first["good"] == "yes"
    assert soft["good"] == "mind"
    assert "seven cards seen" in soft["words"]
    assert "Card C is not seen here" in soft["more"][0]


def test_a_pattern_without_its_line_is_told_before_it_is_moved(
    page: Page, measured: str, tmp_path: Path
) -> None:
    import cv2
    from PIL import Image

    drawing = page.ask(f"/api/jobs/{measured}/drawing").json
    port = next(p for p in drawing["photos"] if p["arm"] == "port")
    line = np.array(port["patterns"][0]["line"])
    upright = np.array(Image.open(SAMPLES / "port.jpg"))
    assert upright.shape[:2] == (port["height"], port["width"])
    mask = np.zeros(upright.shape[:2], np.uint8)
    start, stop = (tuple(int(v) for v in end) for end in (line[0], line[-1]))
    way = np.subtract(stop, start) / np.hypot(*np.subtract(stop, start))
    far = [tuple((end + s * 60 * way).astype(int).tolist()) for end, s in ((start, -1), (stop, 1))]
    cv2.line(mask, far[0], far[1], 255, 24)
    without = cv2.inpaint(upright, mask, 5, cv2.INPAINT_TELEA)
    path = tmp_path / "no_line.jpg"
    Image.fromarray(without).save(path, quality=92)
    job = page.new_job()
    page.send(job, path)
    page.send(job, SAMPLES / "port.jpg")
    state = page.until(job, lambda s: all(p["check"] for p in s["photos"]))
    bare, whole = (" ".join(p["check"]["more"]) for p in state["photos"])
    assert "No pencil line was seen" in bare
    assert "No pencil line was seen" not in whole


def test_a_scan_is_judged_as_a_scan(tmp_path: Path) -> None:
    from PIL import Image

    from spilemark.recipe import prepare, standard_recipe
    from spilemark.serve.lanes import said_of
    from spilemark.serve.photo_check import verdict_on
    from spilemark.serve.shelf import Shelf

    kitchen = prepare(standard_recipe())
    Image.new("L", (400, 300), 90).save(tmp_path / "port.jpg")
    told = {"": False, "scan = true\n": True, "port.scan = true\n": True,
            "scan = true\nport.scan = false\n": False}  # fmt: skip
    for words, is_scan in told.items():
        (tmp_path / "job.toml").write_text(words + 'port.photos = ["port.jpg"]\n')
        (entry,) = Shelf(tmp_path).entries()
        said = said_of(entry, "port")
        _, photo = verdict_on(tmp_path / "port.jpg", "port", said, kitchen)
        assert photo is not None
        assert photo.is_scan is is_scan, words


def test_the_results_are_those_of_the_command_line(
    page: Page, measured: str, tmp_path: Path
) -> None:
    from spilemark.cli import main

    entry = page.shelf.find(measured)
    assert main(["make", str(entry.job.file), "--out", str(tmp_path / "out")]) == 0
    for name in ("report.json", "port.svg", "starboard.dxf", "port_tiled.pdf"):
        assert (tmp_path / "out" / name).read_bytes() == (entry.results / name).read_bytes(), name


def test_the_traced_edge_is_where_a_detector_of_another_library_sees_it(
    page: Page, measured: str
) -> None:
    # scikit-image's own gradient, on the photo as a browser shows it, upright.
    from PIL import Image, ImageOps
    from skimage.filters import sobel

    drawing = page.ask(f"/api/jobs/{measured}/drawing").json
    for d, name in zip(drawing["photos"], ("port.jpg", "starboard.jpg"), strict=True):
        image = ImageOps.exif_transpose(Image.open(SAMPLES / name)).convert("L")
        assert (d["width"], d["height"]) == image.size
        strength = sobel(np.asarray(image, dtype=float))
        ring = np.rint(np.array(d["patterns"][0]["ring"])).astype(int)
        x, y = ring.T
        near = np.max([strength[y + j, x + k] for j in (-1, 0, 1) for k in (-1, 0, 1)], axis=0)
        assert np.median(near) > 10 * np.median(strength)
        away = np.max(
            [strength[y + j + 25, x + k + 25] for j in (-1, 0, 1) for k in (-1, 0, 1)], axis=0
        )
        assert np.median(near) > 3 * np.median(away)


def test_the_cards_are_drawn_on_their_white_and_black(page: Page, measured: str) -> None:
    from PIL import Image, ImageOps

    (first, _) = page.ask(f"/api/jobs/{measured}/drawing").json["photos"]
    image = np.asarray(
        ImageOps.exif_transpose(Image.open(SAMPLES / "port.jpg")).convert("L"), float
    )
    for card in first["cards"]:
        corners = np.array(card["corners_px"])
        middle = corners.mean(axis=0)
        inside = [
            middle + s * (corners[k] - middle) for k in range(4) for s in np.linspace(0.1, 0.9, 9)
        ]
        values = [image[int(y), int(x)] for x, y in inside]
        assert max(values) - min(values) > 60


def test_every_result_is_offered_and_comes_whole(page: Page, measured: str) -> None:
    import pypdfium2

    text = page.ask(f"/jobs/{measured}/print").text
    entry = page.shelf.find(measured)
    files = {path.name: file_id for file_id, path in entry.files().items()}
    for name in (
        "port_tiled.pdf",
        "starboard_tiled.pdf",
        "shop.pdf",
        "report.html",
        "port.dxf",
        "port.svg",
    ):
        assert files[name] in text, name
        got = page.ask(f"/api/jobs/{measured}/files/{files[name]}")
        assert got.body == (entry.results / name).read_bytes()
        assert name in got.headers["content-disposition"]
    sheets = page.ask(f"/api/jobs/{measured}/files/{files['port_tiled.pdf']}").body
    assert len(pypdfium2.PdfDocument(sheets)) > 1


def test_the_zip_holds_the_job_and_makes_it_again(
    page: Page, measured: str, tmp_path: Path
) -> None:
    got = page.ask(f"/api/jobs/{measured}/all.zip")
    with zipfile.ZipFile(io.BytesIO(got.body)) as pack:
        assert pack.testzip() is None
        names = set(pack.namelist())
        pack.extractall(tmp_path)
    assert {"job.toml", "port_1.jpg", "starboard_1.jpg", "results/report.json"} <= names
    assert (tmp_path / "port_1.jpg").read_bytes() == (SAMPLES / "port.jpg").read_bytes()


def test_pictures_are_upright_and_carry_nothing_of_the_camera(page: Page, measured: str) -> None:
    from PIL import Image, ImageOps

    state = page.until(measured, lambda s: all(p["thumb"] for p in s["photos"]))
    for photo in state["photos"]:
        for size in ("thumb", "look"):
            got = page.ask(f"/api/jobs/{measured}/photos/{photo['id']}/{size}.jpg")
            image = Image.open(io.BytesIO(got.body))
            assert not image.getexif()
            original = ImageOps.exif_transpose(Image.open(SAMPLES / f"{photo['arm']}.jpg"))
            assert image.width / image.height == pytest.approx(
                original.width / original.height, rel=0.01
            )


def test_changes_are_noticed(page: Page, tmp_path: Path) -> None:
    job = page.new_job()
    page.send(job, SAMPLES / "port.jpg")
    page.post(f"/api/jobs/{job}/measure")
    state = page.until(job, lambda s: s["work"] is None and s["end"] is not None)
    # No length was measured: files are written, and a warning stands there.
    assert state["end"]["exit_code"] == 5
    assert state["status"] == "measured"
    answer = page.post(f"/api/jobs/{job}/sheet", {"boat": "Curlew", "thickness": "3.1"})
    assert answer.json["status"] == "changed"


def test_a_job_can_be_stopped_and_leaves_nothing_half_done(page: Page) -> None:
    job = page.new_job()
    page.send(job, SAMPLES / "port.jpg")
    page.post(f"/api/jobs/{job}/measure")
    page.until(job, lambda s: s["status"] == "working" and s["work"]["step"] >= 1)
    page.post(f"/api/jobs/{job}/stop")
    state = page.until(job, lambda s: s["work"] is None)
    assert state["status"] in ("stopped", "measured")
    entry = page.shelf.find(job)
    assert not [*entry.folder.rglob(".spilemark-*")]
    page.post(f"/api/jobs/{job}/measure")
    assert page.until(job, lambda s: s["work"] is None)["status"] == "measured"


def test_what_cannot_be_measured_says_what_to_do(page: Page, tmp_path: Path) -> None:
    from PIL import Image

    plain = tmp_path / "plain.jpg"
    Image.new("RGB", (800, 600), (90, 90, 90)).save(plain)
    job = page.new_job()
    page.send(job, plain)
    page.post(f"/api/jobs/{job}/measure")
    state = page.until(job, lambda s: s["work"] is None and s["end"] is not None)
    assert state["status"] == "failed"
    assert "no scale card" in state["end"]["words"]


def test_the_list_tells_of_each_step_as_it_is_done(page: Page) -> None:
    job = page.new_job()
    page.send(job, SAMPLES / "port.jpg")
    line = http.client.HTTPConnection(HOME, page.port, timeout=60)
    line.request("GET", "/api/events", headers={"Host": f"{HOME}:{page.port}"})
    stream = line.getresponse()
    page.post(f"/api/jobs/{job}/measure")
    shares, steps = [], []
    until = time.monotonic() + 60
    while time.monotonic() < until:
        row = stream.readline().decode()
        if not row.startswith("data: "):
            continue
        state = json.loads(row[6:])
        if state["id"] != job:
            continue
        if state["work"]:
            shares.append(state["work"]["share"])
            steps.append(state["work"]["words"])
        if state["status"] == "measured":
            break
    line.close()
    assert shares == sorted(shares)
    assert any(words.startswith("tracing the port") for words in steps)
    assert 0.3 < max(shares) < 1.0


def test_every_step_that_a_job_of_two_sides_tells_moves_its_bar_on(tmp_path: Path) -> None:
    from spilemark.many import Job, run_one
    from spilemark.serve.steps import Progress

    table = {side: {"photos": [str(SAMPLES / f"{side}.jpg")]} for side in ("port", "starboard")}
    job = tmp_path / "job.toml"
    job.write_text("".join(f"[{side}]\nphotos = {a['photos']}\n" for side, a in table.items()))
    said: list[str] = []
    assert not run_one(Job(job), tmp_path / "out", force=False, progress=said.append).failed
    progress = Progress(table)
    assert [progress.told(words)[1:] for words in said] == [
        (number, len(said)) for number in range(1, len(said) + 1)
    ], said


def test_a_queue_is_taken_up_again_after_the_program_was_closed(tmp_path: Path) -> None:
    root = tmp_path / "shop"
    with running(root) as first:
        job = first.new_job()
        first.send(job, SAMPLES / "port.jpg")
        first.post(f"/api/jobs/{job}/measure")
    with running(root) as second:
        state = second.until(job, lambda s: s["work"] is None)
        assert state["status"] == "measured"


def test_jobs_of_the_command_line_are_measured_where_they_lie(page: Page) -> None:
    folder = page.shelf.root / "by_hand"
    shutil.copytree(SAMPLES, folder)
    entry = next(e for e in page.shelf.entries() if e.folder == folder)
    page.post(f"/api/jobs/{entry.id}/measure")
    state = page.until(entry.id, lambda s: s["work"] is None and s["end"] is not None)
    assert state["status"] == "measured"
    assert (folder / "results" / "form_port.pdf").is_file()
    assert "Form, port" in page.ask(f"/jobs/{entry.id}/print").text
