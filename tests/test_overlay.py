"""Overlays: lines where the photo shows them, whatever way the camera was held."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import drawn_jobs
import numpy as np
import pytest
import shapes as zoo
from PIL import Image
from shapely import Point, Polygon, box

from spilemark import frames
from spilemark.errors import CannotWrite
from spilemark.lens import plane_to_pixels
from spilemark.overlay import _fit_word, _keys, overlay, write_overlays
from spilemark.overlay_canvas import BLUE, DARK, ORANGE, WHITE, YELLOW, Canvas, picture_of
from spilemark.overlay_plates import Plates
from spilemark.records import Note, Photo, View
from spilemark.results import JobResult
from spilemark.rigid import apply, inverse


def photo(pixels: np.ndarray, orientation: int = 1) -> Photo:
    return Photo(path=Path("p.jpg"), sha256="", pixels=pixels, orientation=orientation)


def place(points_mm: np.ndarray, view: View, height_mm: float | None = None) -> np.ndarray:
    """Where plane millimetres lie in the overlay, computed apart from it."""
    taken = view.straight.photo
    stored = plane_to_pixels(points_mm, view.plane, height_mm)
    turned = frames.stored_to_upright(stored, 4032, 3024, taken.orientation)
    return (turned + 0.5) / 2 - 0.5


def share(picture: Image.Image, points: np.ndarray, colour: tuple, reach: int = 2) -> float:
    """Share of places that have nearly this colour within so many pixels."""
    pixels = np.asarray(picture).astype(int)
    found = 0
    for x, y in np.round(points).astype(int):
        near = pixels[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
        found += bool((np.abs(near - colour).max(axis=2) < 8).any()) if near.size else False
    return found / len(points)


def result(**more: object) -> JobResult:
    return drawn_jobs.result(sides=("port",), port=zoo.knee(side="port", hole=True), **more)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_edge_is_drawn_on_the_edge(orientation):
    job = result(orientation=orientation)
    view = job.survey.views[0]
    picture = overlay(view, "port", job)
    outline = job.outlines["port"][0]
    ring = place(outline.ring.points_mm, view)
    inside = (ring >= 5).all(1) & (ring < np.array(picture.size) - 5).all(1)
    assert inside.mean() > 0.9
    assert share(picture, ring[inside][::7], YELLOW) > 0.9
    assert share(picture, place(outline.of_role("hole")[0].points_mm, view), YELLOW) > 0.95
    line = place(outline.of_role("centreline")[0].points_mm, view)
    assert share(picture, line, ORANGE) > 0.6
    wide, high = (1512, 2016) if orientation >= 5 else (2016, 1512)
    assert picture.size[0] == wide
    assert picture.size[1] > high


def test_cards_are_framed_and_named():
    job = result()
    view = job.survey.views[0]
    picture = overlay(view, "port", job)
    for card in view.cards:
        sides = np.linspace(card.outline_mm, np.roll(card.outline_mm, -1, 0), 20).reshape(-1, 2)
        assert share(picture, place(sides, view, 0.0), BLUE) > 0.9
    # Names stand beside the cards: a cross can be seen. The wood's own edge runs over the other one.
    (clear,) = [card for card in view.cards if card.name == "H"]
    assert share(picture, place(clear.cross_mm[None], view, 0.0), DARK, reach=12) == 0.0
    assert (
        share(picture, place(clear.outline_mm[2:].mean(axis=0)[None], view, 0.0), BLUE, 90) == 1.0
    )


def test_what_was_not_seen_is_dashed_in_white():
    traced = drawn_jobs.unseen(drawn_jobs.outline(zoo.knee(side="port")), 300, 600)
    job = drawn_jobs.result(sides=("port",), port=traced)
    view = job.survey.views[0]
    picture = overlay(view, "port", job)
    bridged = place(traced.ring.points_mm[310:590], view)
    white = share(picture, bridged, WHITE)
    assert 0.3 < white < 0.85
    assert share(picture, bridged, YELLOW) < 0.2


def test_notes_are_numbered_at_their_place_and_listed():
    told = Note(code="glare", severity="warn", text="A reflection here.", photo="port.jpg",
                at_px=(600.0, 2700.0))  # fmt: skip
    bare, noted = result(), result(notes=(told,))
    pictures = [overlay(j.survey.views[0], "port", j) for j in (bare, noted)]
    assert pictures[1].size[1] > pictures[0].size[1]
    # A ring about the place, which itself stays open to the eye.
    turn = np.linspace(0, 2 * np.pi, 16)
    at = np.array([300.0, 1350.0])
    ring = at + 6.0 * round(2016 / 800) * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    assert share(pictures[1], ring, ORANGE) == 1.0
    assert share(pictures[0], ring, ORANGE) == 0.0
    assert share(pictures[1], at[None], ORANGE) == 0.0


def test_differences_within_the_tolerance_are_not_marked():
    job = drawn_jobs.result(starboard=zoo.knee(side="starboard", bump_mm=(200.0, 1.0, 60.0)))
    note = next(n for n in job.comparison.notes if n.code == "difference-seen")
    assert note.severity == "info"
    bare = replace(job, comparison=replace(job.comparison, notes=()))
    shown, plain = (overlay(j.survey.views[0], "port", j) for j in (job, bare))
    assert shown.size == plain.size


def test_plates_lie_on_nothing_and_on_no_other_plate():
    job = result()
    canvas = Canvas(job.survey.views[0], 0)
    written = []
    canvas.words = lambda at, text, colour: written.append(canvas.plate(at, text))
    block = np.array([[900.0, 700.0], [1300.0, 700.0], [1300.0, 900.0], [900.0, 900.0]])
    plates = Plates(canvas, [block])
    spot = (np.array([1000.0, 650.0]), np.array([0.0, 1.0]))
    for text in ("notch near side", "notch floor", "notch far side"):
        plates.name(text, [spot], YELLOW)
        plates.around("7", spot[0], ORANGE)
    boxes = [box(*b) for b in written]
    assert len(boxes) == 6
    for k, one in enumerate(boxes):
        assert not one.intersects(Polygon(block))
        assert not one.intersects(Point(spot[0]))
        assert not any(one.intersects(other) for other in boxes[:k])


def test_how_well_a_card_fits_is_said_in_a_word():
    card = result().survey.views[0].cards[0]
    still = np.ones(len(card.residuals_px), dtype=bool)
    for misfit, word in ((0.07, "good"), (0.4, "fair"), (2.0, "poor")):
        off = np.full((len(still), 2), misfit / np.sqrt(2))
        assert _fit_word(replace(card, residuals_px=off, kept=still)) == word
    assert _fit_word(replace(card, kept=~still)) == "not used"


def test_without_forward_there_is_no_arrow():
    job = result()
    told, untold = (
        replace(job, patterns={k: replace(p, forward_known=known) for k, p in job.patterns.items()})
        for known in (True, False)
    )
    white = [
        int((np.asarray(overlay(j.survey.views[0], "port", j))[:1512] == 255).all(axis=2).sum())
        for j in (told, untold)
    ]
    assert white[0] > white[1] + 500


def test_a_difference_is_shown_on_both_photos():
    bumped = zoo.knee(side="starboard", bump_mm=(200.0, 4.0, 60.0))
    job = drawn_jobs.result(starboard=bumped)
    note = next(n for n in job.comparison.notes if n.code == "difference-seen")
    for view, pattern in zip(job.survey.views, job.patterns.values(), strict=True):
        picture = overlay(view, view.straight.arm, job)
        ring = pattern.outline.ring.points_mm
        at = np.array(note.at_mm) * ([1, 1] if pattern.side == "port" else [-1, 1])
        nearest = int(np.argmin(np.linalg.norm(ring - at, axis=1)))
        traced = job.outlines[view.straight.arm][0].ring.points_mm
        assert share(picture, place(traced[nearest : nearest + 1], view), ORANGE, reach=12) == 1.0


def test_the_arrow_on_the_wood_points_forward():
    job = result()
    view = job.survey.views[0]
    bare = replace(job, patterns={})
    drawn, plain = (np.asarray(overlay(view, "port", j)).astype(int) for j in (job, bare))
    white = (np.abs(drawn - plain).max(axis=2) > 0) & (drawn == 255).all(axis=2)
    pixels = np.argwhere(white[:1512])[:, ::-1].astype(float)
    pattern = job.patterns["port"]
    ahead = apply(inverse(pattern.map), np.array([[0.0, 0.0], [0.0, 100.0]]))
    foot, tip = place(ahead, view)
    along = (tip - foot) / np.linalg.norm(tip - foot)
    across = np.array([-along[1], along[0]])
    run, off = (pixels - foot) @ along, (pixels - foot) @ across
    upper = run > np.median(run)
    quarter = run > np.quantile(run, 0.75)
    # The head is wider than the shaft, and ends in a point.
    assert np.ptp(off[upper]) > 8
    assert np.ptp(off[run > run.max() - 3]) < 0.5 * np.ptp(off[quarter])


@pytest.mark.parametrize(
    ("pixels", "colour"),
    [
        (np.full((300, 400), 90, np.uint8), (90, 90, 90)),
        (np.full((300, 400), 90 * 257, np.uint16), (90, 90, 90)),
        (np.full((300, 400, 3), (10, 90, 200), np.uint8), (10, 90, 200)),
        (np.full((300, 400, 3), (2570, 23130, 51400), np.uint16), (10, 90, 200)),
    ],
)
def test_any_kind_of_pixels_can_be_looked_at(pixels, colour):
    picture = picture_of(photo(pixels, orientation=6))
    assert picture.size == (300, 400)
    assert picture.getpixel((0, 0)) == colour


@pytest.mark.parametrize(("long", "shown"), [(300, 300), (2200, 2200), (4032, 2016), (3900, 2000)])
def test_a_picture_is_about_two_thousand_pixels_long(long, shown):
    picture = picture_of(photo(np.zeros((long // 3, long, 3), np.uint8)))
    assert max(picture.size) == shown
    assert picture.width / picture.height == pytest.approx(3.0, rel=0.01)


def test_the_first_photo_of_an_arm_has_the_plain_name(tmp_path):
    job = drawn_jobs.result()
    port, starboard = job.survey.views
    doubled = replace(
        job,
        photos={"port": (port.straight, port.straight), "starboard": (starboard.straight,)},
        survey=replace(job.survey, views=(port, port, starboard)),
    )
    files = write_overlays(doubled, tmp_path)
    names = ["overlay_port.jpg", "overlay_port_2.jpg", "overlay_starboard.jpg"]
    assert [f.name for f in files] == names
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].read_bytes() != files[2].read_bytes()
    with Image.open(files[0]) as picture:
        assert picture.format == "JPEG"
        assert not picture.getexif()
    with pytest.raises(CannotWrite, match="cannot be written"):
        write_overlays(job, tmp_path / "gone")


def test_words_stay_in_the_photo():
    canvas = Canvas(result().survey.views[0], 0)
    before = np.asarray(canvas.image).copy()
    canvas.words(np.array([-500.0, 9000.0]), "far out")
    after = np.asarray(canvas.image)
    assert after.shape == before.shape
    assert (after != before).any()


def test_the_legend_explains_what_is_drawn_and_nothing_else():
    job = result()
    view = job.survey.views[0]
    keys = [text for _, _, text in _keys(view, job.outlines["port"], numbered=False)]
    assert keys == [
        "edge as measured; dots: corners",
        "pencil line",
        "scale card and how well it fits",
    ]
    traced = drawn_jobs.unseen(drawn_jobs.outline(zoo.knee(side="port")), 300, 600)
    mark = replace(traced.of_role("centreline")[0], role="mark")
    marked = replace(traced, polylines=(*traced.polylines, mark))
    keys = [text for _, _, text in _keys(view, (marked,), numbered=True)]
    assert "not seen, bridged" in keys
    assert "other lines on the face" in keys
    assert "rings with numbers: see below" in keys
