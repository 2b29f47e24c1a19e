"""Coded squares read all at once, against OpenCV's own reader and its own pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from spilemark_stages.rectify.codes import read_codes

SIDE = 140


def picture(dictionary: str, ids: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Markers as OpenCV draws them, seen askew; and their corners, each from another one on."""
    book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    flat = np.full((260, 240 * len(ids)), 235, dtype=np.uint8)
    corners = []
    for k, number in enumerate(ids):
        x = 60 + 240 * k
        drawn = cv2.aruco.generateImageMarker(book, number, SIDE)
        flat[60 : 60 + SIDE, x : x + SIDE] = np.rot90(drawn, k)
        # The same turn of the corners, clockwise from the code's own top left.
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (SIDE - 1.0) + [x, 60]
        corners.append(np.roll(square, k, axis=0))
    width = flat.shape[1]
    tilt = np.array([[0.62, 0.05, 20], [0.03, 0.6, 30], [0.00006, 0.0001, 1]])
    seen = cv2.warpPerspective(flat, tilt, (int(0.62 * width) + 60, 240), borderValue=200)
    placed = cv2.perspectiveTransform(np.array(corners, dtype=np.float64), tilt)
    return cv2.GaussianBlur(np.asarray(seen), (0, 0), 1.0), placed


@pytest.mark.parametrize("dictionary", ["DICT_5X5_1000", "DICT_APRILTAG_36h11", "DICT_4X4_50"])
def test_ids_and_first_corners_in_every_turn(dictionary: str) -> None:
    ids = [3, 17, 42, 8]
    grey, corners = picture(dictionary, ids)
    # Handed over from any corner on, as a detector of quadrangles does.
    given = np.array(
        [np.roll(quad, k, axis=0) for k, quad in zip((1, 0, 3, 2), corners, strict=True)]
    )
    found = read_codes(grey, given, dictionary, frozenset(ids))
    assert [number for number, _ in found] == ids
    for (_, quad), expected in zip(found, corners, strict=True):
        assert np.allclose(quad, expected)


def test_as_opencv_reads_them() -> None:
    grey, _ = picture("DICT_5X5_1000", [3, 17, 42, 8])
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    quads, ids, _ = cv2.aruco.ArucoDetector(book).detectMarkers(grey)
    given = np.array(quads, dtype=np.float64).reshape(-1, 4, 2)
    found = read_codes(grey, given[:, [2, 3, 0, 1]], "DICT_5X5_1000", frozenset(range(1000)))
    assert [number for number, _ in found] == [int(k) for k in np.ravel(ids)]
    assert np.allclose([quad for _, quad in found], given)


def test_what_is_not_wanted_or_not_a_code_is_left() -> None:
    grey, corners = picture("DICT_5X5_1000", [3, 17])
    assert [k for k, _ in read_codes(grey, corners, "DICT_5X5_1000", frozenset({17}))] == [17]
    plain = np.full_like(grey, 128)
    assert read_codes(plain, corners, "DICT_5X5_1000", frozenset({3, 17})) == []
    assert read_codes(grey, np.zeros((0, 4, 2)), "DICT_5X5_1000", frozenset({3})) == []
