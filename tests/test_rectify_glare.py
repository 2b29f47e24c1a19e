"""Light that veils a photo, or is mirrored in a card, in drawn pictures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from spilemark.cards import shop_cards
from spilemark.lens import project
from spilemark.records import CameraFacts, Floats, JobFacts, Note, Photo
from spilemark.testing.bench import LaidCard
from spilemark.testing.scenes import Look, draw_scene, simple_plane
from spilemark.tone import to_linear
from spilemark_stages.rectify import card_survey
from spilemark_stages.undistort import exif_prior

SIZE, MM_PER_PX = (2016, 1512), 0.38
PLACES = ((-250.0, 170.0), (240.0, 180.0), (-245.0, -175.0), (250.0, -165.0))
PLANE = simple_plane(
    width_px=SIZE[0],
    height_px=SIZE[1],
    mm_per_px=MM_PER_PX,
    tilt_deg=8.0,
    azimuth_deg=-88.0,
    roll_deg=3.0,
)
CARDS = [
    LaidCard(
        card=card,
        centre_mm=np.array(place),
        turn_rad=0.4 * k,
        base_mm=0.0,
        lift_mm=0.1,
        bow_mm=0.1,
        print_scale=(1.0, 1.0),
        shear=0.0,
    )
    for k, (card, place) in enumerate(zip(shop_cards().cards, PLACES, strict=False))
]


@pytest.fixture(scope="module")
def light() -> Floats:
    """Linear light of a bench with four cards, 1 what fills the sensor."""
    look = Look(blur_px=0.9, noise=1.0, falloff=0.1, seed=3)
    return to_linear(draw_scene([], PLANE, SIZE, cards=CARDS, look=look).photo.pixels).astype(float)


def coded(light: Floats) -> NDArray[np.uint8]:
    """IEC 61966-2-1."""
    shown = np.clip(light, 0.0, 1.0)
    code = np.where(shown <= 0.0031308, 12.92 * shown, 1.055 * shown ** (1 / 2.4) - 0.055)
    return np.round(255 * code).astype(np.uint8)


def warned(light: Floats) -> list[Note]:
    photo = Photo(
        path=Path("drawn.jpg"),
        sha256="",
        pixels=coded(light),
        camera=CameraFacts(focal_35mm=0.76 * SIZE[0] * np.hypot(36, 24) / np.hypot(*SIZE)),
    )
    straight = exif_prior.undistort(photo, "single", JobFacts(), exif_prior.Options())
    job = JobFacts(thickness_mm=3.0, printed_bar_mm=(100.0, 100.0))
    survey = card_survey.rectify((straight,), shop_cards(), job, card_survey.Options())
    return [n for n in survey.notes if n.code in {"veiled", "card-mirrors"}]


def test_a_clear_photo_is_neither(light: Floats) -> None:
    assert warned(light) == []


@pytest.mark.parametrize(("share", "said"), [(0.05, False), (0.3, True)])
def test_a_veil_over_all_of_a_photo_is_told(light: Floats, share: float, said: bool) -> None:
    """Even light over all: black and white of a card then are (b + v) : (w + v), by definition."""
    white = float(np.quantile(light, 0.99))
    notes = warned((1 - share) * light + share * white)
    assert [n.code for n in notes] == (["veiled"] if said else [])
    if said:
        black = float(np.quantile(light, 0.001))
        expected = ((1 - share) * black + share * white) / white
        assert notes[0].value == pytest.approx(100 * expected, abs=5.0)
        assert "Wipe the lens" in notes[0].text


def test_a_lamp_mirrored_in_one_card_is_told_of_that_card(light: Floats) -> None:
    victim = CARDS[3]
    middle = np.array([victim.card.size_mm]) / 2
    at = project(victim.to_world(middle), PLANE.lens, PLANE.rotation_rad, PLANE.translation_mm)[0]
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    lamp = 0.9 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * (14.0 / MM_PER_PX) ** 2))
    lit = light + (lamp if light.ndim == 2 else lamp[..., None])
    notes = warned(lit)
    assert [n.code for n in notes] == ["card-mirrors"]
    assert f"card {victim.card.name} " in notes[0].text
