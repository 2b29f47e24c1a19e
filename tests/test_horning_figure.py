"""The figure of a horned hull: the same triangle, its skew drawn larger by a factor that is told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from spilemark.horning_figure import gain_of, horning_figure
from spilemark.shop.horning import HullTapes, horn
from spilemark.shop.tapes import Reading


def hull_of(skew_deg: float, half: float = 620.0, long: float = 3600.0, sigma: float = 0.5):
    """Tapes of a hull that is built from coordinates: port corner aft by ``skew_deg``."""
    turn = math.radians(skew_deg)
    corner = half * np.array([math.cos(turn), math.sin(turn)])
    stem = np.array([0.0, long])
    return horn(
        HullTapes(
            port=Reading(float(np.hypot(*(stem + corner))), sigma),
            starboard=Reading(float(np.hypot(*(stem - corner))), sigma),
            breadth=Reading(2 * half, sigma),
        )
    )


@pytest.mark.parametrize("skew", [-3.0, -0.15, 0.3, 6.0])
def test_the_transom_is_turned_by_the_skew_times_what_is_told(skew: float) -> None:
    hull = hull_of(skew)
    figure = horning_figure(hull)
    gain = gain_of(hull)
    (line,) = figure.layer("transom").lines
    along = line.points_mm[1] - line.points_mm[0]
    drawn = math.degrees(math.atan2(along[1], along[0]))
    assert drawn == pytest.approx(gain * skew, abs=1e-6)
    assert abs(drawn) < 16.0
    assert math.hypot(*along) == pytest.approx(1240.0)
    # Port's corner is on the left, and aft where the skew is positive.
    assert line.points_mm[0][0] < 0.0
    assert (line.points_mm[0][1] < 0.0) == (skew > 0)
    assert gain == 1 or f"{gain} times larger" in figure.notes[0]


def test_the_doubt_lies_round_the_transom_and_a_square_hull_is_called_square() -> None:
    hull = hull_of(0.02)
    figure = horning_figure(hull)
    (band,) = figure.layer("doubt").lines
    port = band.points_mm[band.points_mm[:, 0] < 0.0]
    (transom,) = figure.layer("transom").lines
    assert port[:, 1].min() < transom.points_mm[0][1] < port[:, 1].max()
    assert hull.after is None
    assert any("square within" in words.text for words in figure.layer("transom").words)
    # The square transom lies within the doubt too.
    assert port[:, 1].min() < 0.0 < port[:, 1].max()


def test_the_words_are_those_of_the_sums() -> None:
    hull = hull_of(0.5)
    words = " ".join(w.text for layer in horning_figure(hull, "in").layers for w in layer.words)
    assert "port corner" in words
    assert '48 13/16"' in words
