"""Grain is not blamed on the cards, and bent cards are not excused as grain."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import surveys

from spilemark.records import Floats, Note
from spilemark_stages.rectify.observations import CardObservation

WORLD = surveys.draw(41, cards=(6, 6), photos=2, print_scale_sd=0.0)


def told(spoil: Callable[[CardObservation], Floats]) -> list[Note]:
    """Notes of a survey whose crossings are moved by so many px."""
    seen = [
        replace(
            photo,
            cards=tuple(replace(c, points_px=c.points_px + spoil(c)) for c in photo.cards),
        )
        for photo in surveys.observe(WORLD)
    ]
    notes = surveys.surveyed(WORLD, seen, WORLD.job).notes
    return [note for note in notes if note.code in {"grainy", "poor-fit"}]


def grain(sigma_px: float) -> Callable[[CardObservation], Floats]:
    rng = np.random.default_rng(7)
    return lambda card: rng.normal(0, sigma_px, card.points_px.shape)


def waves(height_px: float) -> Callable[[CardObservation], Floats]:
    """Every card wavy along its length, each otherwise: no lens and no plane explains it."""
    rng = np.random.default_rng(7)

    def spoil(card: CardObservation) -> Floats:
        along = (card.points_px - card.points_px.mean(axis=0)) / np.ptp(card.points_px, axis=0)
        a, b = rng.normal(0, height_px, (2, 2))
        return np.outer(4 * along[:, 0] ** 2, a) + np.outer(4 * along[:, 1] ** 2, b)

    return spoil


def test_cards_read_as_well_as_expected_are_told_nothing() -> None:
    assert told(grain(0.05)) == []


def test_noise_of_the_picture_is_called_grain() -> None:
    (note,) = told(grain(0.35))
    assert note.code == "grainy"
    assert "The photos are grainy" in note.text
    assert "0.3" in note.text
    assert "more light" in note.text
    assert "Glue" not in note.text


def test_cards_that_are_not_flat_are_not_excused_as_grain() -> None:
    (note,) = told(waves(2.0))
    assert note.code == "poor-fit"
    assert "Glue the cards to flat stock" in note.text


@pytest.mark.parametrize("sigma_px", [0.3, 0.45])
def test_the_scatter_is_said_as_it_is(sigma_px: float) -> None:
    (note,) = told(grain(sigma_px))
    said = float(note.text.partition("scatter by ")[2].split()[0])
    assert said == pytest.approx(sigma_px, rel=0.15)
