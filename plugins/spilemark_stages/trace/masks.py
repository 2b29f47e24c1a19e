"""Masks of a reduced picture: discs, growth, largest parts, the nearest pixel that is seen."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Bools

Mask = NDArray[np.uint8]


def disc(radius_px: float) -> Mask:
    """A disc for ``cv2.erode`` and its like, of at least one pixel's radius."""
    size = 2 * max(1, round(radius_px)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)).astype(np.uint8)


def grown(mask: Mask, by_px: float) -> Mask:
    """A mask and all within ``by_px`` of it; for wide reaches far quicker than a disc."""
    away = cv2.distanceTransform(1 - mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return (away <= by_px).astype(np.uint8) if mask.any() else mask


def filled_to(mask: Mask, by_px: float) -> Mask:
    """A mask with gaps of up to twice ``by_px`` filled; nothing beyond the frame counts as open."""
    return 1 - grown(1 - grown(mask, by_px), by_px)


def largest_part(mask: Mask) -> Mask:
    """The largest connected part of a mask."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 3:
        return mask
    return np.asarray(labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()), dtype=np.uint8)


def widest(mask: Mask) -> float:
    """Diameter in px of the largest disc within a mask."""
    padded = cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    return 2 * float(cv2.distanceTransform(padded, cv2.DIST_L2, 3).max())


def nearest_seen(hidden: Bools) -> NDArray[np.int64]:
    """Flat index (h, w) of each pixel's nearest one that is not hidden; some are not."""
    _, zones = cv2.distanceTransformWithLabels(
        hidden.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    seen = np.flatnonzero(~hidden.ravel())
    lookup = np.zeros(int(zones.max()) + 1, dtype=np.int64)
    lookup[zones.ravel()[seen]] = seen
    return np.asarray(lookup[zones])
