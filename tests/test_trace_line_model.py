"""The middle of a drawn line whose two sides are not alike."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import ndtr

from spilemark_stages.trace.line_model import SAMPLES, line_places


def bar(x, middle: float, width: float, blur: float, left: float, dark: float, right: float):
    """Light of a blurred bar between two grounds."""
    into, out = ndtr((x - middle + width / 2) / blur), ndtr((x - middle - width / 2) / blur)
    return left * (1 - into) + dark * (into - out) + right * out


@pytest.mark.parametrize("width", [1.5, 2.3, 3.7])
@pytest.mark.parametrize("ratio", [0.2, 0.5, 0.7])
def test_a_line_between_unlike_sides_is_found_where_it_is(width: float, ratio: float):
    """Steger 1998 (IEEE TPAMI 20(2), section 3.3; formula from memory, checked against the profile
    itself): the extremum of a bar of half-width w, of sides 0 and a, smoothed by s lies
    ``-(s^2 / 2w) ln(1 - a)`` beside its middle, towards the side that is more like it.
    """
    blur, left, dark, middle = 0.9, 0.8, 0.4, 0.3
    right = left + ratio * (dark - left)
    extremum = minimize_scalar(
        lambda x: bar(x, middle, width, blur, left, dark, right),
        bounds=(middle - 1, middle + width),
        method="bounded",
        options={"xatol": 1e-9},
    ).x
    bias = -(blur**2 / width) * np.log(1 - ratio)
    assert extremum - middle == pytest.approx(bias, abs=1e-4)
    found = line_places(
        bar(SAMPLES, middle, width, blur, left, dark, right)[None], np.array([True]), blur
    )
    # Widths are tried in steps: what is left is a small part of the bias, and of a pixel.
    assert abs(found.place_px[0] - middle) < max(0.03, 0.15 * bias)
    darkness = width * (0.5 * (left + right) - dark)
    assert found.width_px * found.depth[0] == pytest.approx(darkness, rel=0.1)


def test_noise_is_no_more_than_is_said():
    rng = np.random.default_rng(3)
    middles = rng.uniform(-0.8, 0.8, 300)
    clean = bar(SAMPLES, middles[:, None], 2.0, 0.9, 0.8, 0.55, 0.8)
    # The photo's noise is its pixels', read between them at half a px.
    pixels = rng.normal(0, 0.02, (300, 17))
    noise = np.stack([np.interp(SAMPLES, np.arange(-8.0, 9.0), row) for row in pixels])
    found = line_places(clean + noise, np.ones(300, dtype=bool), 0.9)
    miss = found.place_px - middles
    ratio = np.sqrt((miss**2).mean()) / np.sqrt((found.sigma_px**2).mean())
    assert 0.5 < ratio < 1.25
