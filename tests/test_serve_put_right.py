"""What was put right is tried in a worker before it is kept, drawn before it is measured, and replayed."""

from __future__ import annotations

import io
import json
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import shapely
from bench_server import KNEE, SAMPLES, Page
from PIL import Image

from spilemark.cli import main
from spilemark.errors import UsageError
from spilemark.frames import signed_area
from spilemark.serve.reread import carried, outline_of, views_of


def measured(page: Page, job: str) -> dict[str, Any]:
    page.measure(job)
    return page.bench.report(page.shelf.find(job))


@pytest.fixture(scope="module")
def once(page: Page) -> str:
    return page.port_alone(boat="Whimbrel")


@pytest.fixture
def job(page: Page, once: str, tmp_path: Path) -> str:
    """A measured job of the test's own."""
    return page.copy_of(once, tmp_path.name)


def drawing(page: Page, job: str) -> dict[str, Any]:
    return dict(page.ask(f"/api/jobs/{job}/drawing").json["photos"][0])


def add(page: Page, job: str, do: str, *points: list[float]) -> dict[str, Any]:
    photo = drawing(page, job)["photo"]
    form = {"arm": "port", "do": do, "photo": photo, "points": [list(p) for p in points]}
    answer = page.post(f"/api/jobs/{job}/edits/add", form)
    assert answer.status == 200, answer.text
    return dict(answer.json)


def tried(page: Page, job: str) -> dict[str, Any]:
    answer = page.post(f"/api/jobs/{job}/edits/try")
    assert answer.status == 200, answer.text
    return dict(answer.json["arms"]["port"])


def off(ring: Any, other: Any) -> np.ndarray:
    """Distances of one ring's points from another ring."""
    return shapely.distance(shapely.LinearRing(other), shapely.points(np.array(ring)))


def rows(page: Page, job: str) -> list[dict[str, Any]]:
    return list(page.shelf.find(job).table["port"].get("corrections", []))


def test_a_run_is_followed_at_once_and_measured_so_and_replayed_by_the_command_line(
    page: Page, job: str, tmp_path: Path
) -> None:
    before = page.bench.report(page.shelf.find(job))["patterns"]["port"]
    ring = drawing(page, job)["patterns"][0]["ring"]
    # Drawn by hand well beside the edge, as if it had been traced so.
    aside = [ring[250][0] + 30, ring[250][1] + 45]
    add(page, job, "redraw", ring[200], aside, ring[300])
    wrong = tried(page, job)
    (pattern,) = wrong["patterns"]
    assert off(pattern["ring_mm"], before["outline_mm"]).max() > 10
    assert wrong["said"][0]["words"][0].startswith("The edge was drawn anew")

    begun = time.perf_counter()
    told = add(page, job, "follow", ring[190], ring[310])
    assert time.perf_counter() - begun < 15  # half a second where nothing else runs
    assert "missed" not in told
    (_, said) = tried(page, job)["said"]
    assert "followed anew" in said["words"][0]
    assert not said["mind"]
    (pattern,) = tried(page, job)["patterns"]
    assert off(pattern["ring_mm"], before["outline_mm"]).max() < 0.15
    assert sum(pattern["by_hand"]) == pytest.approx(121, abs=4)
    assert all(pattern["seen"])
    assert [e["name"] for e in pattern["edges"]] == [e["name"] for e in before["edges"]]
    photo = drawing(page, job)["photo"]
    assert off(pattern["rings"][photo], ring).max() < 0.6  # px of a 12 MP photo

    # As it was drawn, so it is measured ...
    report = measured(page, job)
    after = report["patterns"]["port"]
    assert off(after["outline_mm"], pattern["ring_mm"]).max() < 0.05
    assert sum(after["by_hand"]) == sum(pattern["by_hand"])
    notes = [n["text"] for n in report["notes"] if n["code"] == "made-by-hand"]
    assert "followed anew" in notes[1]
    page_of = (page.shelf.find(job).results / "report.html").read_text(encoding="utf-8")
    assert "followed anew between places set by hand" in page_of
    assert "7 % made by hand" in page_of  # 121 of 1789 points
    # ... with the doubt of a measured edge, not of a hand.
    doubt = np.array(after["u95_fit_mm"])
    fresh = np.array(after["by_hand"])
    assert np.median(doubt[fresh]) < 1.5 * np.median(doubt[~fresh])
    # ... and replayed without the page.
    assert main(["make", str(page.shelf.find(job).job.file), "--out", str(tmp_path / "out")]) == 0
    again = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert again["patterns"]["port"]["outline_mm"] == after["outline_mm"]
    assert again["patterns"]["port"]["by_hand"] == after["by_hand"]


def test_what_is_taken_back_is_drawn_at_once_though_the_results_hold_it(
    page: Page, job: str
) -> None:
    before = page.bench.report(page.shelf.find(job))["patterns"]["port"]
    ring = drawing(page, job)["patterns"][0]["ring"]
    add(page, job, "move", ring[700], [ring[700][0] + 20, ring[700][1] - 30])
    moved = measured(page, job)["patterns"]["port"]
    assert off(moved["outline_mm"], before["outline_mm"]).max() > 5
    assert tried(page, job)["said"] == []
    page.post(f"/api/jobs/{job}/edits/undo", {"arm": "port"})
    (pattern,) = tried(page, job)["patterns"]
    assert off(pattern["ring_mm"], before["outline_mm"]).max() < 0.01
    assert not any(pattern["by_hand"])
    assert [c["name"] for c in pattern["corners"]] == list(before["corners_mm"])
    page.post(f"/api/jobs/{job}/edits/redo", {"arm": "port"})
    (pattern,) = tried(page, job)["patterns"]
    assert off(pattern["ring_mm"], moved["outline_mm"]).max() < 0.01


def test_corners_are_set_and_taken_and_names_follow(page: Page, job: str) -> None:
    d = drawing(page, job)
    ring, corners = d["patterns"][0]["ring"], d["patterns"][0]["corners"]
    names = [e["name"] for e in d["patterns"][0]["edges"]]
    assert "missed" not in add(page, job, "corner", ring[900])
    (pattern,) = tried(page, job)["patterns"]
    assert [c["at"] for c in pattern["corners"] if not c["name"]] == [900]
    assert "already" in add(page, job, "corner", ring[900])["missed"]
    assert len(rows(page, job)) == 1  # what cannot be is not kept
    assert "No corner" in add(page, job, "no-corner", ring[700])["missed"]
    report = measured(page, job)
    more = report["patterns"]["port"]
    assert len(more["corners_mm"]) == len(corners) + 1
    assert len({e["name"] for e in more["edges"]}) == len(names) + 1
    assert {e["from"] for e in more["edges"]} == {e["to"] for e in more["edges"]}
    assert "missed" not in add(page, job, "no-corner", ring[900])
    less = measured(page, job)["patterns"]["port"]
    assert [e["name"] for e in less["edges"]] == names
    texts = [n["text"] for n in page.bench.report(page.shelf.find(job))["notes"]]
    assert any("a corner was set" in t for t in texts)
    assert any("a corner was taken away" in t for t in texts)
    for _ in range(2):
        page.post(f"/api/jobs/{job}/edits/undo", {"arm": "port"})
    (pattern,) = tried(page, job)["patterns"]
    assert [c["name"] for c in pattern["corners"]] == [c["name"] for c in corners]


def test_where_the_photo_shows_no_edge_nothing_is_kept_and_a_way_out_is_told(
    page: Page, tmp_path: Path
) -> None:
    job = page.new_job(boat="Bittern", **KNEE)
    picture, box = hidden_edge()
    path = tmp_path / "hidden.jpg"
    path.write_bytes(picture)
    page.send(job, path, "port")
    measured(page, job)
    ring = np.array(drawing(page, job)["patterns"][0]["ring"])
    within = np.flatnonzero(
        (ring[:, 0] > box[0])
        & (ring[:, 0] < box[2])
        & (ring[:, 1] > box[1])
        & (ring[:, 1] < box[3])
    )
    first, last = ring[within[8]].tolist(), ring[within[-8]].tolist()
    told = add(page, job, "follow", first, last)
    assert "no edge can be told" in told["missed"].lower()
    assert rows(page, job) == []
    add(page, job, "redraw", first, last)
    assert [row["do"] for row in rows(page, job)] == ["redraw"]


def hidden_edge() -> tuple[bytes, tuple[int, int, int, int]]:
    """The sample with a stretch of its hull edge melted away; also where, px."""
    with Image.open(SAMPLES / "port.jpg") as photo:
        pixels, info = np.asarray(photo.convert("RGB")).astype(np.float32), photo.getexif()
    x, y = np.meshgrid(np.arange(pixels.shape[1]), np.arange(pixels.shape[0]))
    away = np.hypot(x - 1610, y - 1290)
    share = np.clip((330 - away) / 160, 0, 1)[..., None].astype(np.float32)
    small = cv2.resize(pixels, None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA)
    soft = cv2.resize(cv2.GaussianBlur(small, (0, 0), 40), pixels.shape[1::-1])
    noise = np.random.default_rng(1).normal(0, 3, pixels.shape).astype(np.float32)
    pixels = (1 - share) * pixels + share * (soft + noise)
    held = io.BytesIO()
    made = Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8))
    made.save(held, "JPEG", quality=92, exif=info.tobytes())
    return held.getvalue(), (1400, 1130, 1800, 1450)


def test_a_report_read_back_lies_as_it_was_measured(page: Page, job: str) -> None:
    report = page.bench.report(page.shelf.find(job))
    views = views_of(report, "port")
    outline = outline_of(report["patterns"]["port"], views)
    assert signed_area(outline.ring.points_mm) > 0
    # Flipped, as a pattern photographed face down, it is the same on the bench.
    pattern = dict(report["patterns"]["port"])
    boat = np.array(pattern["outline_mm"])
    n = len(boat)
    laid = dict(pattern["laid"])
    turned = {
        **pattern,
        "outline_mm": (boat[::-1] * [-1.0, 1.0]).tolist(),
        "laid": {**laid, "flipped": True, **mirrored_laying(laid)},
        "edges": [
            {**e, "from": n - 1 - e["to"], "to": n - 1 - e["from"]} for e in pattern["edges"]
        ],
        "corners_mm": {k: [-x, y] for k, (x, y) in pattern["corners_mm"].items()},
    }
    other = outline_of(turned, views)
    assert signed_area(other.ring.points_mm) > 0
    assert off(other.ring.points_mm, outline.ring.points_mm).max() < 1e-3
    assert len(other.corners) == len(outline.corners)
    assert {e.start for e in other.edges} == {c.index for c in other.corners}
    lengths = {e.name: e.length_mm for e in outline.edges}
    assert {e.name: e.length_mm for e in other.edges} == lengths


def mirrored_laying(laid: dict[str, Any]) -> dict[str, Any]:
    """Turn and shift that go with a flip of x before them, for points that are mirrored after."""
    x, y = laid["shift_mm"]
    return {"turn_rad": -laid["turn_rad"], "shift_mm": [-x, y]}


def test_a_place_shown_in_another_photo_is_carried_to_the_first(page: Page, job: str) -> None:
    report = json.loads(json.dumps(page.bench.report(page.shelf.find(job))))
    (photo,), (cards,) = report["provenance"]["photos"], report["cards"]
    # A second one, from 40 mm farther to the side: projected once more by another library.
    aside = {**cards, "photo": "port_2.jpg"}
    aside["translation_mm"] = [cards["translation_mm"][0] + 40.0, *cards["translation_mm"][1:]]
    report["provenance"]["photos"].append({**photo, "name": "port_2.jpg"})
    report["cards"].append(aside)
    face = np.array([[12.0, 30.0, cards["face_height_mm"]], [-80.0, 5.0, cards["face_height_mm"]]])
    f, aspect, cx, cy, k1, k2, p1, p2, k3 = cards["lens"]
    matrix = np.array([[f, 0, cx], [0, f * aspect, cy], [0, 0, 1]])

    def shown(table: dict[str, Any]) -> list[float]:
        rotation, move = np.array(table["rotation_rad"]), np.array(table["translation_mm"])
        px, _ = cv2.projectPoints(face, rotation, move, matrix, np.array([k1, k2, p1, p2, k3]))
        return px.ravel().tolist()

    assert photo["orientation"] == 1
    found = carried(report, "port", ("port_2.jpg", "port_1.jpg"), shown(aside))
    assert found == pytest.approx(shown(cards), abs=0.05)
    with pytest.raises(UsageError, match="not measured"):
        carried(report, "port", ("port_3.jpg", "port_1.jpg"), [1, 2])


def test_line_and_names_are_taken_back_in_the_order_in_which_they_were_told(
    page: Page, job: str
) -> None:
    ring = drawing(page, job)["patterns"][0]["ring"]

    def ask(what: str, **form: Any) -> dict[str, Any]:
        answer = page.post(f"/api/jobs/{job}/edits/{what}", {"arm": "port", **form})
        assert answer.status == 200, answer.text
        return dict(answer.json)

    def table() -> dict[str, Any]:
        return page.shelf.find(job).table

    ask("mark", key="centreline", value=[1, 2, 300, 4])
    add(page, job, "guess", ring[10], ring[40])
    ask("rename", name="hull edge", to="plank")
    told = ask("mark", key="centreline", value=[5, 6, 300, 4])
    assert told["undoable"] == {"port": 4}
    ask("undo")
    assert table()["port"]["centreline"] == [1, 2, 300, 4]
    ask("undo")
    assert "edge_names" not in table()
    assert rows(page, job)
    ask("undo")
    assert not rows(page, job)
    told = ask("undo")
    assert "centreline" not in table()["port"]
    assert told["undoable"] == {}
    assert told["undone"]["port"] == 4
    for _ in range(4):
        told = ask("redo")
    assert table()["port"]["centreline"] == [5, 6, 300, 4]
    assert table()["edge_names"] == {"hull edge": "plank"}
    assert told["undone"]["port"] == 0
    assert page.post(f"/api/jobs/{job}/edits/redo", {"arm": "port"}).status == 400


@pytest.mark.parametrize(
    "form",
    [
        {"do": "follow", "points": [[1, 2]]},
        {"do": "follow", "points": [[1, 2]] * 21},
        {"do": "follow", "points": [[1, 2], ["x", 3]]},
        {"do": "corner", "points": []},
        {"do": "corner", "points": [[1, 2], [3, 4]]},
        {"do": "follow", "points": [[1, 2], [3, 4]], "photo": "../job.toml"},
        {"do": "follow", "points": [[1, 2], [3, 4]], "arm": "starboard"},
    ],
)
def test_what_is_no_edit_never_reaches_the_worker(page: Page, job: str, form: dict) -> None:
    photo = drawing(page, job)["photo"]
    before = page.shelf.find(job).job.file.read_bytes()
    answer = page.post(f"/api/jobs/{job}/edits/add", {"arm": "port", "photo": photo, **form})
    assert answer.status in (400, 404)
    assert page.shelf.find(job).job.file.read_bytes() == before


def test_a_job_that_was_not_measured_says_so(page: Page) -> None:
    job = page.new_job(boat="Plover")
    assert page.post(f"/api/jobs/{job}/edits/try").status == 400
