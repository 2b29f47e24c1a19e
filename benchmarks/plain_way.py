"""The plain way, for comparison: four corners of one tag, a homography, a threshold.

What a first script does: find one coded square, take the homography of its four
corners as the map of the whole bench, split the picture by Otsu's threshold and
take the largest contour that holds no card.  No lens, no thickness, no print scale, no sub-pixel.
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
    tags = _tags(grey, card_set)
    contour = _largest_contour(grey, np.array([quad.mean(0) for quad, _ in tags]))
    if not tags or contour is None:
        return None
    middle = np.array([grey.shape[1], grey.shape[0]]) / 2
    quad, mm = min(tags, key=lambda tag: float(np.linalg.norm(tag[0].mean(0) - middle)))
    square = np.array([[0, 0], [mm, 0], [mm, -mm], [0, -mm]], dtype=np.float64)
    homography = cv2.findHomography(quad.astype(np.float64), square)[0]
    ring = cv2.perspectiveTransform(contour.astype(np.float64).reshape(-1, 1, 2), homography)
    ring = ring.reshape(-1, 2)
    return np.asarray(ring if signed_area(ring) > 0 else ring[::-1])


def _tags(grey: NDArray[np.uint8], card_set: CardSet) -> list[tuple[Floats, float]]:
    """Corners (4, 2) in pixels and side in mm of every tag of the set."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card_set.dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    side = {i: c.marker_mm for c in card_set.cards for i, _, _ in c.marker_squares()}
    names = [] if ids is None else np.ravel(ids).tolist()
    pairs = zip(corners, names, strict=True)
    return [(quad.reshape(4, 2), side[i]) for quad, i in pairs if i in side]


def _largest_contour(grey: NDArray[np.uint8], tags: Floats) -> NDArray[np.int32] | None:
    """Largest outline of either polarity that touches neither the frame nor a tag.

    A little blur, and the cards left out, as anybody would who tried this twice.
    """
    smooth = cv2.GaussianBlur(grey, (15, 15), 0)
    found = []
    for kind in (cv2.THRESH_BINARY, cv2.THRESH_BINARY_INV):
        _, mask = cv2.threshold(smooth, 0, 255, kind | cv2.THRESH_OTSU)
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        found += [c.reshape(-1, 2) for c in contours if len(c) > 500]
    limit = np.array([grey.shape[1], grey.shape[0]]) - 2
    free = [
        c
        for c in found
        if c.min() > 1 and (c < limit).all() and not any(_inside(c, tag) for tag in tags)
    ]
    return max(free, key=cv2.contourArea, default=None)


def _inside(contour: NDArray[np.int32], point: Floats) -> bool:
    return (
        cv2.pointPolygonTest(contour.reshape(-1, 1, 2), (point[0], point[1]), measureDist=False)
        >= 0
    )
