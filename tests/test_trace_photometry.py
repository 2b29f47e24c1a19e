"""Linear light on demand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from spilemark.tone import to_linear
from spilemark_stages.trace.hue import chroma, hue_scale, step_middle
from spilemark_stages.trace.photometry import LinearPhoto, reduced, to_full, to_small


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("channels", [1, 3])
def test_samples_are_linear_light_between_pixels(kind, channels):
    rng = np.random.default_rng(1)
    shape = (200, 310) if channels == 1 else (200, 310, 3)
    pixels = rng.integers(0, np.iinfo(kind).max, shape).astype(kind)
    linear = to_linear(pixels).reshape(200, 310, channels)
    photo = LinearPhoto(pixels)
    # Whole and half pixels, tile borders (64) included.
    points = np.array([[[63.0, 63.0], [63.5, 64.0], [128.0, 127.5], [309.0, 199.0]]])
    got = photo.sample(points)
    want = [
        linear[63, 63],
        0.5 * (linear[64, 63] + linear[64, 64]),
        0.5 * (linear[127, 128] + linear[128, 128]),
        linear[199, 309],
    ]
    np.testing.assert_allclose(got[0], want, atol=1e-5)


def test_light_between_pixels_is_that_of_another_library():
    """Reference: ``scipy.ndimage.map_coordinates`` of order one; no steps of a 32nd of a pixel."""
    rng = np.random.default_rng(2)
    pixels = rng.integers(0, 256, (150, 230, 3)).astype(np.uint8)
    points = rng.uniform((-3.0, -3.0), (233.0, 153.0), (300, 17, 2))
    got = LinearPhoto(pixels).sample(points)
    for channel in range(3):
        light = to_linear(pixels[..., channel]).astype(np.float64)
        want = map_coordinates(light, [points[..., 1], points[..., 0]], order=1, mode="nearest")
        # A place in single precision is good to 3e-5 px, and light differs by up to 1 a px here.
        np.testing.assert_allclose(got[..., channel], want, atol=1e-4)


def test_places_that_are_no_numbers_are_read_at_the_rim():
    photo = LinearPhoto(np.full((40, 50), 200, np.uint8))
    got = photo.sample(np.array([[[np.nan, 3.0], [np.inf, -np.inf], [49.0, 39.0]]]))
    np.testing.assert_allclose(got, to_linear(np.array(200, np.uint8)), rtol=1e-6)


def test_small_and_full_pixels_agree_with_block_means():
    pixels = np.zeros((64, 96), np.uint8)
    pixels[32:36, 48:52] = 255
    small = reduced(pixels, 4)
    row, column = np.argwhere(small[..., 0] > 0.5)[0]
    middle = to_full(np.array([[column, row]]), 4)
    np.testing.assert_allclose(middle, [[49.5, 33.5]])
    np.testing.assert_allclose(to_small(middle, 4), [[column, row]])


def test_places_under_cards_and_beyond_the_frame_are_known():
    covered = np.zeros((25, 25), bool)
    covered[5, 10] = True
    photo = LinearPhoto(np.zeros((100, 100), np.uint8), covered, 4)
    hit = photo.covered(np.array([[41.5, 21.5], [60.0, 60.0]]))
    assert list(hit) == [True, False]
    assert list(photo.inside(np.array([[0.5, 50.0], [50.0, 50.0]]))) == [False, True]


def test_hue_passes_one_half_at_the_edge_in_any_light():
    s = np.arange(-8, 8.5, 0.5)
    face, bench = np.array([0.34, 0.22, 0.11]), np.array([0.30, 0.29, 0.27])
    cover = 1 / (1 + np.exp(-(s - 0.4) / 0.6))[:, None]
    lit = (1 - cover) * face + cover * bench
    shaded = (1 - cover) * face + cover * bench * np.linspace(0.6, 1.0, len(s))[:, None]
    means = np.stack([lit, shaded])
    scale = hue_scale(means, s <= -4, s >= 4)
    assert (scale.trust > 0.5).all()
    np.testing.assert_allclose(step_middle(scale.read(means), s), 0.4, atol=0.25)


def test_two_greys_have_no_hue_to_go_by():
    means = np.repeat(np.linspace(0.1, 0.8, 33)[None, :, None], 3, axis=2)
    s = np.arange(-8, 8.5, 0.5)
    assert hue_scale(means, s <= -4, s >= 4).trust.max() < 0.01
    np.testing.assert_allclose(chroma(means), 0.0, atol=1e-12)


def test_hue_of_two_sides_without_colour_is_not_believed_at_all():
    s = np.arange(-10.0, 11.0)
    light = np.where(s < 0, 0.45, 0.1)
    rounding = np.random.default_rng(1).normal(0, 1e-12, (5, len(s), 3))
    scale = hue_scale(light[None, :, None] + rounding, s <= -4, s >= 4)
    assert scale.trust.max() == 0.0
    assert hue_scale(np.full((1, len(s), 3), 0.3), s <= -4, s >= 4).trust[0] == 0.0
