"""The same picture given twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from surveys import draw, observe

from spilemark_stages.rectify.observations import PhotoObservation
from spilemark_stages.rectify.repeats import repeat_notes


def photos(count: int = 2) -> list[PhotoObservation]:
    return observe(draw(5, photos=count))


def saved_again(photo: PhotoObservation, scale: float, noise_px: float = 0.1) -> PhotoObservation:
    """The same crossings in a smaller copy, read with fresh noise."""
    rng = np.random.default_rng(3)
    cards = tuple(
        replace(c, points_px=c.points_px * scale + rng.normal(0, noise_px, c.points_px.shape))
        for c in photo.cards
    )
    return replace(photo, name="port:again.jpg", cards=cards)


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_a_picture_saved_again_is_told(scale: float) -> None:
    first = photos(1)[0]
    (note,) = repeat_notes((first, saved_again(first, scale)))
    assert note.severity == "warn"
    assert note.photo == "again.jpg"
    assert "same picture" in note.text
    assert "0" in note.text  # the first photo's own name


def test_a_copy_on_its_side_is_told() -> None:
    first = photos(1)[0]
    cards = tuple(
        replace(c, points_px=c.points_px @ np.array([[0.0, 1.0], [-1.0, 0.0]])) for c in first.cards
    )
    assert repeat_notes((first, replace(first, name="port:side.jpg", cards=cards)))


def test_photos_from_two_places_are_not() -> None:
    assert repeat_notes(tuple(photos(3))) == []


def test_a_camera_on_a_stand_may_see_both_sides_alike() -> None:
    first = photos(1)[0]
    other = replace(saved_again(first, 1.0), arm="starboard", name="starboard:s.jpg")
    assert repeat_notes((first, other)) == []
