"""Which cards lie in the photo, and about where their crossings are.

The coded squares only say *which* card it is and roughly how it lies; their
black borders move with blur and tone curve and are never measured from.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.cards import Card, CardSet
from spilemark.frames import signed_area
from spilemark.records import Floats
from spilemark.tags import TAG_DICTIONARY, tags_free_of
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


_AROUND = 3.5
"""Squares from a coded square of a tag within which the whole tag lies, and some room."""
_MOST_PARTS = 12
"""A tag of which more squares than this are read in part is a misreading of some texture."""

Squares = dict[int, list[Floats]]
"""Coded squares by id: each a list of (4, 2) corners, photo px, clockwise from the top left."""


@dataclass(frozen=True, slots=True)
class FoundBoards:
    """All printed boards in a photo."""

    cards: tuple[FoundCard, ...]
    """Best seen first."""
    tags: tuple[FoundCard, ...]
    """A tag that was printed twice is found twice."""


def find_cards(grey: NDArray[np.uint8], card_set: CardSet) -> tuple[FoundCard, ...]:
    """Find all cards of a set in a grey image (H, W), best seen first."""
    return find_boards(grey, card_set).cards


def find_boards(grey: NDArray[np.uint8], card_set: CardSet) -> FoundBoards:
    """Find all cards of a set, and our tags, in a grey image (H, W).

    Half the size and one neighbourhood are enough for most photos; only where
    that does not read the cards clearly is the full size searched thoroughly,
    and where it reads a tag in part, the full size around that tag.
    """
    tags = [tag.board for tag in tags_free_of(card_set.dictionary, card_set.cards)]
    if max(grey.shape) >= _HALF_FROM_PX:
        half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        read = _read_all(np.asarray(half, np.uint8), card_set, tags, _ONE_WINDOW)
        # Pixel centres: two small ones make (small + 0.5) * 2 - 0.5.
        markers, squares = ({m: [2 * q + 0.5 for q in qs] for m, qs in r.items()} for r in read)
        cards = _place_all(card_set, markers)
        shares = [f.markers / len(f.card.marker_squares()) for f in cards]
        if len(shares) >= _CLEAR_CARDS and float(np.median(shares)) >= _CLEAR_SHARE:
            squares = _looked_at_again(grey, card_set, tags, squares)
            return FoundBoards(cards, _place_tags(tags, squares))
    markers, squares = _read_all(grey, card_set, tags, _ALL_WINDOWS)
    return FoundBoards(_place_all(card_set, markers), _place_tags(tags, squares))


def _place_all(card_set: CardSet, markers: Squares) -> tuple[FoundCard, ...]:
    placed = (_place(card, markers) for card in card_set.cards)
    return tuple(sorted((f for f in placed if f), key=lambda f: -f.markers))


def _place_tags(tags: Sequence[Card], markers: Squares) -> tuple[FoundCard, ...]:
    """Every print of every tag that lies in the photo."""
    found: list[FoundCard] = []
    for board in tags:
        left = markers
        while (one := _place(board, left)) is not None:
            found.append(one)
            there = apply_homography(one.homography, np.array([board.size_mm]) / 2)[0]
            left = _farther(left, there, _reach_px(one))
    return tuple(found)


def _farther(markers: Squares, place: Floats, reach: float) -> Squares:
    return {
        number: [q for q in quads if np.linalg.norm(q.mean(axis=0) - place) > reach]
        for number, quads in markers.items()
    }


def _reach_px(found: FoundCard) -> float:
    """Half the diagonal of a board in the photo, px."""
    width, height = found.card.size_mm
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    lain = apply_homography(found.homography, corners)
    return float(np.linalg.norm(lain - lain.mean(axis=0), axis=1).max())


def _looked_at_again(
    grey: NDArray[np.uint8], card_set: CardSet, tags: Sequence[Card], squares: Squares
) -> Squares:
    """The squares of the tags, those of tags read in part from the full picture around them."""
    every: Squares = {number: list(quads) for number, quads in squares.items()}
    for board in tags:
        ids = list(board.marker_ids)
        quads = [q for number in ids for q in squares.get(number, ())]
        placed = _place_tags([board], squares)
        if len(quads) == sum(f.markers for f in placed) == len(ids) * len(placed):
            continue
        if len(quads) > _MOST_PARTS:
            continue
        for number in ids:
            every[number] = []
        for quad in quads:
            side = float(np.linalg.norm(np.roll(quad, -1, 0) - quad, axis=1).max())
            reach = round(_AROUND * side * board.square_mm / board.marker_mm)
            x, y = (int(v) for v in np.maximum(np.round(quad.mean(axis=0)) - reach, 0))
            part = np.ascontiguousarray(grey[y : y + 2 * reach, x : x + 2 * reach])
            _, found = _read_all(part, card_set, [board], _ALL_WINDOWS)
            for number, again in found.items():
                new = [q + [x, y] for q in again]
                every[number] += [q for q in new if _is_new(q, every[number], side)]
    return every


def _is_new(quad: Floats, known: Sequence[Floats], side: float) -> bool:
    middle = quad.mean(axis=0)
    return all(np.linalg.norm(middle - other.mean(axis=0)) > side for other in known)


def _read_all(
    grey: NDArray[np.uint8],
    card_set: CardSet,
    tags: Sequence[Card],
    windows: tuple[int, int, int],
) -> tuple[Squares, Squares]:
    """Coded squares of the cards and of the tags."""
    quads = _find_quads(grey, card_set, windows)
    if card_set.dictionary == TAG_DICTIONARY:
        read = _read(grey, quads, card_set.dictionary, [*card_set.cards, *tags])
        return read, read
    return (
        _read(grey, quads, card_set.dictionary, card_set.cards),
        _read(grey, quads, TAG_DICTIONARY, tags),
    )


def _find_quads(
    grey: NDArray[np.uint8], card_set: CardSet, windows: tuple[int, int, int]
) -> Floats:
    """Whatever may be a coded square: corners (N, 4, 2), px, clockwise."""
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
    return np.array([*read, *unread], dtype=np.float64).reshape(-1, 4, 2)


def _read(
    grey: NDArray[np.uint8], quads: Floats, dictionary: str, boards: Iterable[Card]
) -> Squares:
    """Coded squares by id."""
    wanted = frozenset(m for board in boards for m, _, _ in board.marker_squares())
    found: Squares = {}
    for marker, quad in read_codes(grey, quads, dictionary, wanted):
        found.setdefault(marker, []).append(quad)
    return found


def _place(card: Card, markers: Squares) -> FoundCard | None:
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
