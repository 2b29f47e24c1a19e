"""Why no card was found, told from the photo itself."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.cards import CardSet
from spilemark.errors import NoScale
from spilemark.records import StraightPhoto
from spilemark_stages.rectify.measure import grey_of

_DARK, _BRIGHT = 30, 245
_SMALL_PX = 900
_SOFT_SHARE = 0.048
"""Largest second derivative over contrast of a step blurred by 2 px: 1 / (sqrt(2 pi e) (2^2 + 1))
with the one pixel of smoothing that it is looked at with."""
_WAYS = (
    ((0, 0, 0), (1, -2, 1), (0, 0, 0)),
    ((0, 1, 0), (0, -2, 0), (0, 1, 0)),
    ((0.5, 0, 0), (0, -1, 0), (0, 0, 0.5)),
    ((0, 0, 0.5), (0, -1, 0), (0.5, 0, 0)),
)
"""Second derivatives across, along and on both diagonals."""


def no_card_error(straight: StraightPhoto, card_set: CardSet) -> NoScale:
    """An error that says what to do about the likeliest reason."""
    photo = straight.photo
    grey = grey_of(photo.pixels)
    what = f'No scale card of the set "{card_set.name}" was found in {photo.path.name}.'
    level = float(np.median(grey[::8, ::8]))
    if max(grey.shape) < _SMALL_PX:
        todo = (
            f"The picture is only {photo.width_px} x {photo.height_px} pixels: send the original."
        )
    elif level < _DARK:
        todo = "The photo is very dark: more light, or the flash turned to the ceiling."
    elif level > _BRIGHT:
        todo = "The photo is washed out: less light, or step out of the sun."
    elif _softness(grey) < _SOFT_SHARE:
        todo = "The photo is blurred: rest the elbows, tap the pattern to focus, and take it again."
    else:
        todo = (
            "Lay at least one printed card, four or more are better, flat and uncovered beside the"
            " pattern. If your cards come from elsewhere, name their file with --cards."
        )
    return NoScale(what, todo)


def _softness(grey: NDArray[np.uint8]) -> float:
    """Sharpest detail over contrast in the direction where it is softest: a moved phone blurs one way."""
    small = cv2.GaussianBlur(grey, (0, 0), 1.0)
    contrast = float(np.percentile(grey[::8, ::8], 99) - np.percentile(grey[::8, ::8], 1))
    details = [
        float(np.percentile(np.abs(cv2.filter2D(small, cv2.CV_32F, np.array(way)))[::2, ::2], 99.9))
        for way in _WAYS
    ]
    return min(details) / max(contrast, 1.0)
