"""Masks grown and shrunk within their own box, against exact distances over the whole frame."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from spilemark_stages.trace.masks import grown, shrunk


def blots(seed: int) -> np.ndarray:
    """A few rectangles, one of them along the frame."""
    rng = np.random.default_rng(seed)
    mask = np.zeros((90, 130), np.uint8)
    for _ in range(4):
        y, x = rng.integers(0, 70), rng.integers(0, 100)
        mask[y : y + rng.integers(3, 30), x : x + rng.integers(3, 40)] = 1
    mask[: int(rng.integers(1, 20)), 40:60] = 1
    return mask


@pytest.mark.parametrize("by_px", [1.0, 4.5, 9.2, 60.0])
@pytest.mark.parametrize("seed", range(4))
def test_growing_and_shrinking_are_those_of_exact_distances(seed, by_px):
    """Reference: ``scipy.ndimage.distance_transform_edt``."""
    mask = blots(seed)
    np.testing.assert_array_equal(grown(mask, by_px), distance_transform_edt(1 - mask) <= by_px)
    np.testing.assert_array_equal(shrunk(mask, by_px), distance_transform_edt(mask) > by_px)


def test_nothing_and_everything_stay_what_they_are():
    nothing, everything = np.zeros((9, 12), np.uint8), np.ones((9, 12), np.uint8)
    assert not grown(nothing, 3.0).any()
    assert not shrunk(nothing, 3.0).any()
    assert grown(everything, 3.0).all()
    # Nothing beyond the frame counts as open.
    assert shrunk(everything, 3.0).all()
