"""Which cards lie in the photo, and about where their crossings are.

The coded squares only say *which* card it is and roughly how it lies; their
black borders move with blur and tone curve and are never measured from.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.cards import Card, CardSet
from spilemark.frames import signed_area
from spilemark.records import Floats
from spilemark_stages.rectify.codes import read_codes, without_codes


@dataclass(frozen=True, slots=True)
class FoundCard:
    """A card and a first map from its board to the photo."""

    card: Card
    homography: Floats
    """(3, 3) board mm (y down) to stored px."""
    markers: int
    """How many coded squares agree with it."""
    centres_mm: Floats
    """(markers, 2) their centres on the board."""


_SMALLEST_MARKER_PX = 8.0
_HALF_FROM_PX = 3000
"""Photos at least this long are looked at in half size first."""
_CLEAR_SHARE = 0.6
_CLEAR_CARDS = 2
_FEWEST_SQUARES = 2
_ONE_WINDOW = (23, 23, 10)
_ALL_WINDOWS = (5, 21, 8)
"""Neighbourhoods (px: smallest, largest, step) against which dark is told from light."""


def find_cards(grey: NDArray[np.uint8], card_set: CardSet) -> tuple[FoundCard, ...]:
    """Find all cards of a set in a grey image (H, W), best seen first.

    Half the size and one neighbourhood are enough for most photos; only where
    that does not read the cards clearly is the full size searched thoroughly.
    """
    if max(grey.shape) >= _HALF_FROM_PX:
        half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        markers = _find_markers(np.asarray(half, np.uint8), card_set, _ONE_WINDOW)
        # Pixel centres: two small ones make (small + 0.5) * 2 - 0.5.
        full = {m: [quad * 2 + 0.5 for quad in quads] for m, quads in markers.items()}
        found = _place_all(full, card_set)
        shares = [f.markers / len(f.card.marker_squares()) for f in found]
        if len(found) >= _CLEAR_CARDS and float(np.median(shares)) >= _CLEAR_SHARE:
            return found
    return _place_all(_find_markers(grey, card_set, _ALL_WINDOWS), card_set)


def _place_all(markers: dict[int, list[Floats]], card_set: CardSet) -> tuple[FoundCard, ...]:
    placed = (_place(card, markers) for card in card_set.cards)
    return tuple(sorted((f for f in placed if f), key=lambda f: -f.markers))


def _find_markers(
    grey: NDArray[np.uint8], card_set: CardSet, windows: tuple[int, int, int]
) -> dict[int, list[Floats]]:
    """Coded squares by id: each a list of (4, 2) corners, px, clockwise from the top left."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    smallest, largest, step = windows
    parameters.adaptiveThreshWinSizeMin = smallest
    parameters.adaptiveThreshWinSizeMax = largest
    parameters.adaptiveThreshWinSizeStep = step
    # The default loses squares shorter than 30 px in a 12-megapixel photo.
    parameters.minMarkerPerimeterRate = 4 * _SMALLEST_MARKER_PX / max(grey.shape)
    detector = cv2.aruco.ArucoDetector(without_codes(card_set.dictionary), parameters)
    read, _, unread = detector.detectMarkers(grey)
    quads = np.array([*read, *unread], dtype=np.float64).reshape(-1, 4, 2)
    wanted = frozenset(m for card in card_set.cards for m, _, _ in card.marker_squares())
    found: dict[int, list[Floats]] = {}
    for marker, quad in read_codes(grey, quads, card_set.dictionary, wanted):
        found.setdefault(marker, []).append(quad)
    return found


def _place(card: Card, markers: dict[int, list[Floats]]) -> FoundCard | None:
    """Fit one card's board to the coded squares that carry its ids."""
    inset = (card.square_mm - card.marker_mm) / 2
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float64) * card.marker_mm
    board, pixels = [], []
    for marker, column, row in card.marker_squares():
        corner = np.array([column, row]) * card.square_mm + inset
        for quad in markers.get(marker, ()):
            board.append(square + corner)
            pixels.append(quad)
    if not board:
        return None
    side = float(np.median([np.linalg.norm(np.roll(q, -1, 0) - q, axis=1).mean() for q in pixels]))
    found, agree = cv2.findHomography(
        np.concatenate(board), np.concatenate(pixels), cv2.RANSAC, max(2.0, 0.15 * side)
    )
    if found is None:
        return None
    homography: Floats = np.array(found, dtype=np.float64)
    whole = agree.reshape(-1, 4).all(axis=1)
    # One square proves nothing: with all bits mended a stray texture reads as one now and then.
    if whole.sum() < _FEWEST_SQUARES or not _upright(homography, card):
        return None
    centres = np.array([corners.mean(axis=0) for corners in board])[whole]
    return FoundCard(card, homography, int(whole.sum()), centres)


def _upright(homography: Floats, card: Card) -> bool:
    """Whether the board is seen from its printed side, all of it in front of the camera."""
    width, height = card.size_mm
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    lifted = np.c_[corners, np.ones(4)] @ homography.T
    if (lifted[:, 2] * lifted[0, 2] <= 0).any():
        return False
    return signed_area(lifted[:, :2] / lifted[:, 2:]) > 0


def apply_homography(homography: Floats, points: Floats) -> Floats:
    """Map points (N, 2)."""
    lifted = np.c_[points, np.ones(len(points))] @ homography.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:])
