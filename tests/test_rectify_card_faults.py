"""Cards that are not as the others: raised, of another print, moved."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import surveys

from spilemark import lens as camera
from spilemark.records import Note
from spilemark.testing.bench import LaidCard
from spilemark.testing.worlds import World
from spilemark_stages.rectify.observations import PhotoObservation

FLAT = {"lift_mean_mm": 0.15, "lift_sd_mm": 0.05, "bow_mean_mm": 0.1, "bow_sd_mm": 0.05}


def world_of(seed: int, photos: int) -> World:
    return surveys.draw(seed, photos=photos, cards=(6, 6), tilt_deg=(6.0, 18.0), **FLAT)


def spoilt(
    world: World, laid: LaidCard, photos: tuple[int, ...], seed: int = 5
) -> list[PhotoObservation]:
    """What is observed when one card lies as ``laid`` in some photos."""
    rng = np.random.default_rng(seed)
    observed = surveys.observe(world)
    for k in photos:
        shot = world.shots[k]
        space = laid.to_world(laid.card.crossings_mm())
        places = camera.project(space, shot.lens, shot.rotation_rad, shot.translation_mm)
        places += rng.normal(0, 0.07, places.shape)
        cards = tuple(
            dataclasses.replace(c, points_px=places[c.which])
            if c.card.name == laid.card.name
            else c
            for c in observed[k].cards
        )
        observed[k] = dataclasses.replace(observed[k], cards=cards)
    return observed


def told(world: World, observed: list[PhotoObservation]) -> list[Note]:
    notes = surveys.surveyed(world, observed, world.job).notes
    return [n for n in notes if n.code.startswith("card-") or n.code == "poor-fit"]


@pytest.mark.parametrize("photos", [1, 3])
def test_flat_cards_of_one_print_are_let_be(photos: int) -> None:
    for seed in range(5):
        world = world_of(seed, photos)
        assert told(world, surveys.observe(world)) == []


@pytest.mark.parametrize(("photos", "lift"), [(3, 1.4), (1, 8.0), (3, 15.0)])
def test_a_card_that_stands_up_is_named(photos: int, lift: float) -> None:
    for seed in range(3):
        world = world_of(seed, photos)
        high = dataclasses.replace(world.cards[2], lift_mm=lift)
        notes = told(world, spoilt(world, high, tuple(range(photos))))
        assert [n.code for n in notes] == ["card-not-flat"]
        assert f"Card {high.card.name} has lifted" in notes[0].text
        assert notes[0].value == pytest.approx(lift, abs=1.0)


def test_a_card_of_another_print_is_named() -> None:
    world = world_of(7, 1)
    card = world.cards[1]
    small = dataclasses.replace(card, print_scale=tuple(0.99 * s for s in card.print_scale))
    notes = told(world, spoilt(world, small, (0,)))
    assert [n.code for n in notes] == ["card-of-another-print"]
    assert f"Card {card.card.name} is 1." in notes[0].text
    assert "% smaller" in notes[0].text
    assert notes[0].value == pytest.approx(-1.0, abs=0.15)


@pytest.mark.parametrize("percent", [-1.0, 0.6, 2.5])
def test_several_photos_tell_a_card_of_another_print_by_its_size(percent: float) -> None:
    """Not by how high it lies, which their parallax shows, nor by lenses that would change."""
    for seed in range(8):
        world = world_of(60 + seed, 3)
        card = world.cards[seed % 6]
        grown = tuple((1 + percent / 100) * s for s in card.print_scale)
        other = dataclasses.replace(card, print_scale=grown)
        seen = spoilt(world, other, (0, 1, 2))
        notes = surveys.surveyed(world, seen, dataclasses.replace(world.job, distances=())).notes
        warned = [n for n in notes if n.severity == "warn" and n.code != "nominal-scale"]
        assert [n.code for n in warned] == ["card-of-another-print"], (seed, warned)
        assert warned[0].value == pytest.approx(percent, abs=0.1)
        assert f"Card {card.card.name} is " in warned[0].text


@pytest.mark.parametrize("photos", [2, 3])
def test_a_card_moved_between_photos_is_named(photos: int) -> None:
    for seed in range(3):
        world = world_of(20 + seed, photos)
        card = world.cards[4]
        elsewhere = dataclasses.replace(card, centre_mm=card.centre_mm + [1.2, -0.9])
        notes = told(world, spoilt(world, elsewhere, (photos - 1,)))
        assert [n.code for n in notes] == ["card-moved"]
        assert f"Card {card.card.name} lies 1." in notes[0].text
        if photos == 3:
            assert "in 2.jpg than in the other photos" in notes[0].text


def test_a_faulty_card_does_not_spoil_the_outline() -> None:
    world = world_of(3, 1)
    high = dataclasses.replace(world.cards[2], lift_mm=12.0)
    observed = spoilt(world, high, (0,))
    survey = surveys.surveyed(world, observed, world.job)
    pixels = camera.plane_to_pixels(world.outline_mm, world.shots[0].plane(world.face_mm))
    found = camera.pixels_to_plane(pixels, survey.views[0].plane)
    off = np.linalg.norm(surveys.rigid_residual(found, world.outline_mm), axis=1)
    assert np.quantile(off, 0.95) < 0.3


@pytest.mark.parametrize("photos", [1, 3])
def test_misread_crossings_accuse_no_card(photos: int) -> None:
    for seed in range(4):
        world = surveys.draw(
            40 + seed, photos=photos, cards=(6, 6), tilt_deg=(6.0, 18.0), outliers=0.05, **FLAT
        )
        assert told(world, surveys.observe(world)) == []


def test_a_card_that_stands_up_is_named_though_some_crossings_are_misread() -> None:
    for seed in range(3):
        world = surveys.draw(
            50 + seed, photos=3, cards=(6, 6), tilt_deg=(6.0, 18.0), outliers=0.05, **FLAT
        )
        high = dataclasses.replace(world.cards[2], lift_mm=1.6)
        notes = told(world, spoilt(world, high, (0, 1, 2)))
        assert [n.code for n in notes] == ["card-not-flat"]
        assert f"Card {high.card.name} has lifted" in notes[0].text


def test_a_print_askew_is_told_and_no_card_is_accused() -> None:
    def prints(sd: float, seeds: range) -> list[World]:
        how = {"cards": (6, 6), "tilt_deg": (6.0, 18.0), "print_shear_sd": sd, **FLAT}
        return [surveys.draw(seed, **how) for seed in seeds]

    askew = [w for w in prints(0.006, range(5)) if abs(w.cards[0].shear) > 0.0035]
    assert askew
    for world in askew:
        found = surveys.surveyed(world, surveys.observe(world), world.job).notes
        notes = [n for n in found if n.code.startswith("card")]
        assert [n.code for n in notes] == ["cards-askew"]
        assert notes[0].value == pytest.approx(100 * abs(world.cards[0].shear), abs=0.06)
    for world in prints(0.001, range(3)):
        found = surveys.surveyed(world, surveys.observe(world), world.job).notes
        notes = [n for n in found if n.code.startswith("card")]
        assert notes == []
