"""Patterns of which every picture shows a part only, drawn with exact truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from flat_benches import laid, misses, surveyed, within_doubt

from spilemark.errors import NoScale
from spilemark.records import CameraFacts, Floats, JobFacts, Outline, Photo, PlaneMap, Survey
from spilemark.testing.bench import look_at
from spilemark.testing.scenes import Look, draw_scene, scan_plane
from spilemark_stages.trace.cut_edge import Options, trace
from spilemark_stages.trace.joined import joined_ring

A4_PX = (2339, 1654)
"""A4 lying, 200 dots per inch."""
FACTS = JobFacts(printed_bar_mm=(100.0, 100.0), thickness_mm=0.5, thickness_sigma_mm=0.05)
SCAN_CARDS = {"A": (-190, -50, 3), "B": (-20, -65, -2), "C": (0, 125, 1), "D": (150, 118, -1)}


def plate() -> Floats:
    """Longer than A4, mm, anticlockwise: a hollow edge and two nearly square corners."""
    t = np.linspace(0, 1, 60)[:, None]
    p0, p1, p2 = np.array([-187.0, 70.0]), np.array([-77.0, 15.0]), np.array([147.0, -10.0])
    hollow = (1 - t) ** 2 * p0 + 2 * t * (1 - t) * p1 + t * t * p2
    return np.vstack([hollow, [[189.0, -12.0], [183.0, 77.0], [-185.0, 86.0]]])


def drawn(plane: PlaneMap, size: tuple[int, int], seed: int, cards: dict[str, tuple]) -> Photo:
    look = Look(bench=0.75, pattern=0.4, noise=1.0, blur_px=0.8, seed=seed)
    every = [laid(name, (x, y), turn) for name, (x, y, turn) in cards.items()]
    return draw_scene([plate()], plane, size, cards=every, look=look).photo


def scan(x: float, turn: float, seed: int, cards: dict[str, tuple] = SCAN_CARDS) -> Photo:
    plane = scan_plane(
        width_px=A4_PX[0],
        height_px=A4_PX[1],
        dpi=(199.4, 200.9),
        turn_rad=turn,
        middle_mm=(x, 38.0),
    )
    photo = drawn(plane, A4_PX, seed, cards)
    return replace(photo, path=Path(f"scan{seed}.png"), is_scan=True, claimed_dpi=(200.0, 200.0))


def traced(survey: Survey) -> Outline:
    (outline,) = trace(survey=survey, arm="single", job=FACTS, options=Options())
    return outline


@pytest.fixture(scope="module")
def halves() -> tuple[Photo, Photo]:
    return scan(-90.0, 0.010, 0), scan(85.0, -0.012, 1)


def codes(outline: Outline) -> set[str]:
    return {note.code for note in outline.notes}


def test_two_scans_make_one_whole_outline(halves: tuple[Photo, Photo]) -> None:
    outline = traced(surveyed(*halves, facts=FACTS))
    off = misses(outline, plate())
    assert outline.whole
    assert outline.ring.seen.all()
    assert {"joined"} <= codes(outline)
    assert "cut-by-frame" not in codes(outline)
    assert len(outline.views) == 2
    assert len(outline.corners) >= 4
    assert np.percentile(np.abs(off), 95) < 0.05
    assert np.abs(off).max() < 0.15
    assert within_doubt(outline, off) > 0.95


def test_one_half_alone_is_not_whole(halves: tuple[Photo, Photo]) -> None:
    outline = traced(surveyed(halves[0], facts=FACTS))
    assert not outline.whole
    assert "cut-by-frame" in codes(outline)


def test_halves_that_leave_a_gap_between_them_are_not_joined() -> None:
    """One card lies over both, the face shown by them does not meet."""
    cards = {"A": (-190, -50, 3), "B": (-2, -65, -2), "C": (0, 125, 1), "D": (200, -55, -1)}
    left, right = scan(-152.0, 0.0, 3, cards), scan(147.5, 0.0, 4, cards)
    outline = traced(surveyed(left, right, facts=FACTS))
    assert not outline.whole
    assert "cut-by-frame" in codes(outline)
    assert "joined" not in codes(outline)


def test_scans_without_a_card_in_common_are_refused_by_name() -> None:
    left = scan(-90.0, 0.0, 5, {"A": (-190, -50, 3), "B": (-100, 125, 0)})
    right = scan(85.0, 0.0, 6, {"C": (120, 120, 1), "D": (100, -60, -1)})
    with pytest.raises(NoScale, match=r"scan6\.png shows no card .* shows C, D"):
        surveyed(left, right, facts=FACTS)


def test_two_photos_of_the_ends_of_a_long_plate_are_joined() -> None:
    size = (1500, 1150)
    focal = 1300.0
    lens = np.array([focal, 1.0, 749.5, 574.5, 0.03, -0.05, 1e-4, -1e-4, 0.0])
    photos = []
    cards = {
        "A": (-150, -25, 5),
        "B": (0, -62, -2),
        "C": (-5, 128, 1),
        "D": (150, 122, -4),
        "E": (-150, 130, 2),
        "F": (130, -58, 3),
    }
    for k, (x, tilt, azimuth) in enumerate(((-75.0, 9.0, 40.0), (80.0, 11.0, 200.0))):
        rotation, translation = look_at(np.array([x, 35.0, 0.0]), 390.0, tilt, azimuth, 2.0)
        plane = PlaneMap(
            lens=lens,
            rotation_rad=rotation,
            translation_mm=translation,
            height_mm=0.5,
            gain=np.zeros((16, 0)),
        )
        photo = drawn(plane, size, 10 + k, cards)
        camera = CameraFacts(make="W", model="P", focal_mm=5.4, focal_35mm=31.0)
        photos.append(replace(photo, path=Path(f"end{k}.jpg"), camera=camera))
    outline = traced(surveyed(*photos, facts=FACTS))
    off = misses(outline, plate())
    assert "joined" in codes(outline)
    assert outline.whole
    assert np.percentile(np.abs(off), 95) < 0.25
    assert within_doubt(outline, off) > 0.95


def test_a_card_of_which_one_row_is_in_the_picture_is_not_misread() -> None:
    """Its crossings lie on one line and carry no map: they once gave a card two thousand px off."""
    cards = {**SCAN_CARDS, "B": (-20, -75, -2)}
    survey = surveyed(scan(-90.0, 0.010, 7, cards), facts=FACTS)
    assert {card.name for card in survey.views[0].cards} == {"A", "C"}


def test_parts_that_do_not_touch_make_no_ring(halves: tuple[Photo, Photo]) -> None:
    class Part:
        def __init__(self, ring: Floats) -> None:
            from spilemark_stages.trace.traced_ring import TracedRing

            count = len(ring)
            self.outer = TracedRing(ring, np.ones(count), np.ones(count, dtype=bool), ())

    square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    assert joined_ring([Part(square), Part(square + 200.0)]) is None  # type: ignore[list-item]


def test_parts_between_which_the_pattern_was_moved_are_told_and_kept(
    halves: tuple[Photo, Photo],
) -> None:
    """Joined, neither part may be left out; so it is said by how much they do not fit."""
    rise = 1.5
    moved = {name: (x, y + rise, turn) for name, (x, y, turn) in SCAN_CARDS.items()}
    plane = scan_plane(
        width_px=A4_PX[0],
        height_px=A4_PX[1],
        dpi=(199.4, 200.9),
        turn_rad=-0.012,
        middle_mm=(85.0, 38.0),
    )
    # The cards lie elsewhere on the pattern in the second picture, all by as much.
    other = replace(
        drawn(plane, A4_PX, 1, moved),
        path=Path("scan1.png"),
        is_scan=True,
        claimed_dpi=(200.0, 200.0),
    )
    outline = traced(surveyed(halves[0], other, facts=FACTS))
    (note,) = [n for n in outline.notes if n.code == "parts-moved"]
    assert note.value == pytest.approx(rise, abs=0.5)
    assert "do not join truly" in note.text
