"""Blur and glare in drawn pictures of cards, through the real survey."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from spilemark.cards import shop_cards
from spilemark.errors import SpilemarkError
from spilemark.lens import project
from spilemark.records import CameraFacts, Floats, JobFacts, Note, Photo, PlaneMap
from spilemark.testing.bench import LaidCard
from spilemark.testing.scenes import Look, draw_scene, simple_plane
from spilemark.tone import to_linear
from spilemark_stages.rectify import card_survey
from spilemark_stages.undistort import exif_prior

SIZE = (2016, 1512)
MM_PER_PX = 0.38
PLACES = ((-250.0, 170.0), (240.0, 180.0), (-245.0, -175.0), (250.0, -165.0), (10.0, 200.0))
MIRRORS, BLURRED = {"card-mirrors", "card-disagrees"}, {"blurred"}
GLARE_MM = (12.0, 30.0)
GLARE = (0.6, 3.0)
"""Light mirrored at its brightest, of which 1 is what fills the sensor."""


def rows(trials: int, seed: int) -> list[list[object]]:
    """One line of the table for each fault."""
    glare, blur, clean = [], [], []
    for k in range(trials):
        rng = np.random.default_rng([seed, 77, k])
        plane, cards, look = _bench(rng)
        pixels = _drawn(plane, cards, look)
        before = _notes(pixels)
        clean.append({n.code for n in before})
        # A card outside of the frame cannot mirror anything.
        seen = [card for card in cards if card.card.name in _read(before)]
        victim = seen[int(rng.integers(len(seen)))]
        glare.append(_names(_notes(_mirrored(pixels, victim, plane, rng)), victim))
        soft = dataclasses.replace(look, blur_px=float(rng.uniform(2.1, 4.5)))
        codes = {n.code for n in _notes(_drawn(plane, cards, soft))}
        blur.append(bool(codes & (BLURRED | {"refused"})))
    nan = float("nan")
    return [
        ["glare on a card (picture)", 1, trials, _share(g for g, _ in glare)]
        + [_share(n for _, n in glare), _share(bool(c & MIRRORS) for c in clean), nan, nan],
        ["blur of 2.1 to 4.5 px (picture)", 1, trials, _share(blur), nan]
        + [_share(bool(c & BLURRED) for c in clean), nan, nan],
    ]


def _share(flags: object) -> float:
    return 100 * float(np.mean(list(flags)))  # type: ignore[call-overload]


def _bench(rng: np.random.Generator) -> tuple[PlaneMap, list[LaidCard], Look]:
    plane = simple_plane(
        width_px=SIZE[0],
        height_px=SIZE[1],
        mm_per_px=MM_PER_PX,
        tilt_deg=float(rng.uniform(2, 20)),
        azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(-8, 8)),
    )
    cards = [
        LaidCard(
            card=card,
            centre_mm=np.array(place) + rng.uniform(-8, 8, 2),
            turn_rad=float(rng.uniform(0, 2 * np.pi)),
            base_mm=0.0,
            lift_mm=float(rng.uniform(0.05, 0.25)),
            bow_mm=float(rng.uniform(0.0, 0.3)),
            print_scale=(1.0, 1.0),
            shear=0.0,
        )
        for card, place in zip(shop_cards().cards, PLACES, strict=False)
    ]
    look = Look(
        blur_px=float(rng.uniform(0.6, 1.2)),
        noise=float(rng.uniform(0.8, 2.5)),
        falloff=float(rng.uniform(0.0, 0.4)),
        seed=int(rng.integers(1 << 30)),
    )
    return plane, cards, look


def _drawn(plane: PlaneMap, cards: list[LaidCard], look: Look) -> np.ndarray:
    return np.asarray(draw_scene([], plane, SIZE, cards=cards, look=look).photo.pixels)


def _mirrored(
    pixels: np.ndarray, victim: LaidCard, plane: PlaneMap, rng: np.random.Generator
) -> np.ndarray:
    """The picture with a lamp mirrored somewhere in a card."""
    width, height = victim.card.size_mm
    at = np.array([[rng.uniform(0.1, 0.9) * width, rng.uniform(0.1, 0.9) * height]])
    centre = project(victim.to_world(at), plane.lens, plane.rotation_rad, plane.translation_mm)[0]
    wide = rng.uniform(*GLARE_MM) / MM_PER_PX
    y, x = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    away = ((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / (2 * wide**2)
    light = to_linear(pixels).astype(np.float64) + rng.uniform(*GLARE) * np.exp(-away)
    return _coded(light)


def _coded(light: Floats) -> np.ndarray:
    """SRGB (IEC 61966-2-1) of linear light, clipped as a sensor clips."""
    shown = np.clip(light, 0.0, 1.0)
    code = np.where(shown <= 0.0031308, 12.92 * shown, 1.055 * shown ** (1 / 2.4) - 0.055)
    return np.round(255 * code).astype(np.uint8)


def _notes(pixels: np.ndarray) -> tuple[Note, ...]:
    photo = Photo(
        path=Path("drawn.jpg"),
        sha256="",
        pixels=pixels,
        camera=CameraFacts(focal_35mm=0.76 * SIZE[0] * np.hypot(36, 24) / np.hypot(*SIZE)),
    )
    straight = exif_prior.undistort(photo, "single", JobFacts(), exif_prior.Options())
    job = JobFacts(thickness_mm=3.0, printed_bar_mm=(100.0, 100.0))
    try:
        survey = card_survey.rectify((straight,), shop_cards(), job, card_survey.Options())
    except SpilemarkError as error:
        return (Note(code="refused", severity="warn", text=error.what),)
    read = {c.name for c in survey.views[0].cards}
    missing = Note(code="unread", severity="info", text=" ".join(sorted(read)))
    return (*survey.notes, missing)


def _read(notes: tuple[Note, ...]) -> set[str]:
    """Names of the cards that were read; none of a photo that was refused."""
    return {name for n in notes if n.code == "unread" for name in n.text.split()}


def _names(notes: tuple[Note, ...], victim: LaidCard) -> tuple[bool, bool]:
    """Whether glare was noticed, or the card not read at all; and whether that card was named."""
    name = victim.card.name
    named = any(n.code in MIRRORS and f"ard {name} " in n.text for n in notes)
    unread = name not in _read(notes)
    return named or unread, named
