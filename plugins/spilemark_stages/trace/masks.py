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
    if not mask.any():
        return mask
    box = _box(mask, int(by_px) + 2)
    away = cv2.distanceTransform(1 - mask[box], cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    out = np.zeros_like(mask)
    out[box] = away <= by_px
    return out


def shrunk(mask: Mask, by_px: float) -> Mask:
    """A mask less all within ``by_px`` of what is not in it; nothing beyond the frame counts as such."""
    if not mask.any() or mask.all():
        return mask
    box = _box(mask, 1)
    depth = cv2.distanceTransform(mask[box], cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    out = np.zeros_like(mask)
    out[box] = depth > by_px
    return out


def _box(mask: Mask, margin_px: int) -> tuple[slice, slice]:
    """Rows and columns of a mask, with a margin."""
    x, y, width, height = cv2.boundingRect(mask)
    return (
        slice(max(0, y - margin_px), y + height + margin_px),
        slice(max(0, x - margin_px), x + width + margin_px),
    )


def filled_to(mask: Mask, by_px: float) -> Mask:
    """A mask with gaps of up to twice ``by_px`` filled; nothing beyond the frame counts as open."""
    return shrunk(grown(mask, by_px), by_px)


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
