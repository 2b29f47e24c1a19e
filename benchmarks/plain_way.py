"""The plain way, for comparison: four corners of one tag, a homography, a threshold.

What a first script does: find one coded square, take the homography of its four
corners as the map of the whole bench, split the picture by Otsu's threshold and
take the largest contour.  No lens, no thickness, no print scale, no sub-pixel.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.cards import CardSet
from spilemark.frames import signed_area
from spilemark.records import Floats


def measure(grey: NDArray[np.uint8], card_set: CardSet) -> Floats | None:
    """Outline (N, 2) in mm, anticlockwise, or None where the plain way finds none."""
    homography = _one_tag(grey, card_set)
    contour = _largest_contour(grey)
    if homography is None or contour is None:
        return None
    mm = cv2.perspectiveTransform(contour.astype(np.float64).reshape(-1, 1, 2), homography)
    ring = mm.reshape(-1, 2)
    return np.asarray(ring if signed_area(ring) > 0 else ring[::-1])


def _one_tag(grey: NDArray[np.uint8], card_set: CardSet) -> Floats | None:
    """Homography of the tag nearest to the middle, pixels to mm (y up)."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card_set.dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    side = {i: c.marker_mm for c in card_set.cards for i, _, _ in c.marker_squares()}
    middle = np.array([grey.shape[1], grey.shape[0]]) / 2
    known = [
        (float(np.linalg.norm(quad.reshape(4, 2).mean(0) - middle)), quad.reshape(4, 2), side[i])
        for quad, i in zip(corners, [] if ids is None else np.ravel(ids).tolist(), strict=True)
        if i in side
    ]
    if not known:
        return None
    _, quad, mm = min(known, key=lambda k: k[0])
    square = np.array([[0, 0], [mm, 0], [mm, -mm], [0, -mm]], dtype=np.float64)
    return np.asarray(cv2.findHomography(quad.astype(np.float64), square)[0])


def _largest_contour(grey: NDArray[np.uint8]) -> NDArray[np.int32] | None:
    """Largest outline that does not touch the frame, of either polarity."""
    found = []
    for kind in (cv2.THRESH_BINARY, cv2.THRESH_BINARY_INV):
        _, mask = cv2.threshold(grey, 0, 255, kind | cv2.THRESH_OTSU)
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        found += [c.reshape(-1, 2) for c in contours if len(c) > 500]
    limit = np.array([grey.shape[1], grey.shape[0]]) - 2
    inside = [c for c in found if c.min() > 1 and (c < limit).all()]
    return max(inside, key=lambda c: abs(signed_area(c.astype(np.float64))), default=None)
