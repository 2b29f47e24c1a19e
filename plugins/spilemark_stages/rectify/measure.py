"""From a photo to measured crossings: find cards, refine, look again with a better map."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.cards import CardSet
from spilemark.records import Bools, Floats, Pixels, StraightPhoto, TagSighting
from spilemark.tags import CENTRE_PER_CROSSING, TAGS
from spilemark_stages.rectify.crossings import Crossings, refine_crossings
from spilemark_stages.rectify.detect import FoundCard, apply_homography, find_boards
from spilemark_stages.rectify.glare import beside, veiled_squares
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation, spans_area
from spilemark_stages.rectify.printed_edges import edge_shift_px

_BASE_SIGMA_PX = 0.06
_USUAL_BLUR_PX = 1.0
_PASSES = 3
_FEWEST = 4
_SETTLED_PX = 0.5
"""From guesses this near, refining again finds the same places."""


def measure_photo(straight: StraightPhoto, card_set: CardSet, name: str) -> PhotoObservation:
    """Measure all crossings of all cards in one photo.

    ``name`` is the photo's unique name within the job.
    """
    photo = straight.photo
    found = find_boards(grey_of(photo.pixels), card_set)
    measured = (_measure_card(photo.pixels, card) for card in found.cards)
    return PhotoObservation(
        name=name,
        arm=straight.arm,
        lens_group=straight.lens_group,
        lens=straight.lens,
        width_px=photo.width_px,
        height_px=photo.height_px,
        cards=tuple(_with_edges(photo.pixels, seen) for seen in measured if seen is not None),
        is_scan=photo.is_scan,
        claimed_dpi=photo.claimed_dpi,
        tags=tuple(t for tag in found.tags if (t := _measure_tag(photo.pixels, tag)) is not None),
    )


def _with_edges(pixels: Pixels, seen: CardObservation) -> CardObservation:
    shift = edge_shift_px(pixels, seen.card, seen.which, seen.points_px)
    return replace(seen, edge_shift_px=shift)


def _measure_tag(pixels: Pixels, found: FoundCard) -> TagSighting | None:
    """Where a tag's axis lies, from the crossings of its board."""
    seen = _measure_card(pixels, found)
    if seen is None:
        return None
    board = found.card
    width, height = board.size_mm
    flat = board.crossings_mm()[seen.which]
    fitted, _ = cv2.findHomography(flat, seen.points_px)
    if fitted is None:
        return None
    axis = np.array([[width / 2, height / 2], [width / 2, 0.0]])
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    return TagSighting(
        name=board.name,
        says=next(tag.says for tag in TAGS if tag.name == board.name),
        axis_px=apply_homography(np.array(fitted, dtype=np.float64), axis),
        sigma_px=CENTRE_PER_CROSSING * float(np.sqrt((seen.sigma_px**2).mean())),
        outline_px=apply_homography(np.array(fitted, dtype=np.float64), corners),
    )


def grey_of(pixels: Pixels) -> NDArray[np.uint8]:
    """Coded grey image (H, W), 8 bit, of a photo; a view where it is one already."""
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    if eight.ndim == 2:
        return np.asarray(eight, np.uint8)
    return np.asarray(cv2.cvtColor(eight, cv2.COLOR_RGB2GRAY), np.uint8)


def _measure_card(pixels: Pixels, found: FoundCard) -> CardObservation | None:
    """Refine one card's crossings, each pass with a better map from board to photo."""
    card = found.card
    board = card.crossings_mm()
    gap = (card.square_mm - card.marker_mm) / 2 / card.square_mm
    to_photo = found.homography
    in_one_line = not spans_area(board)
    usable = _near(found)
    for _ in range(1 if in_one_line else _PASSES):
        guess = apply_homography(to_photo, board)
        seen = refine_crossings(pixels, guess, _steps(to_photo, board, card.square_mm), gap)
        usable = usable & seen.good
        if usable.sum() < _FEWEST:
            return None
        if in_one_line:
            agree = np.linalg.norm(seen.points_px - guess, axis=1) < _reach(seen, usable)
        else:
            # A card of which the frame shows one row: its crossings carry no map of it.
            if not spans_area(board[usable]):
                return None
            to_photo, agree = _map_through(board, seen, usable)
            if _strayed(to_photo, found):
                return None
            settled = np.linalg.norm(seen.points_px - guess, axis=1).max() < _SETTLED_PX
            if settled and (seen.good & agree).all():
                kept = seen.good
                break
        kept = seen.good & agree
        usable = np.ones(len(board), dtype=bool)
    veiled, toner = veiled_squares(pixels, card, to_photo)
    clear = kept & ~beside(veiled)
    if clear.sum() >= _FEWEST and (in_one_line or spans_area(board[clear])):
        kept = clear
    if kept.sum() < _FEWEST or not (in_one_line or spans_area(board[kept])):
        return None
    width, height = card.size_mm
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    return CardObservation(
        card=card,
        which=np.flatnonzero(kept),
        points_px=seen.points_px[kept],
        sigma_px=_sigma(seen, kept),
        hint_px=apply_homography(to_photo, corners),
        veiled=2.0 * float(veiled.mean()),
        toner=toner,
    )


def _strayed(to_photo: Floats, found: FoundCard) -> bool:
    """Whether a map no longer meets the coded squares that were read, by half a square."""
    there = apply_homography(found.homography, found.centres_mm)
    reach = _steps(found.homography, found.centres_mm, found.card.square_mm)
    half = 0.5 * np.linalg.norm(reach, axis=2).min()
    away = np.linalg.norm(apply_homography(to_photo, found.centres_mm) - there, axis=1)
    return bool(away.max() > half)


def _near(found: FoundCard) -> Bools:
    """Crossings beside a decoded square: those that a map from one or two squares surely reaches."""
    apart = found.card.crossings_mm()[:, None] - found.centres_mm[None]
    near = (np.linalg.norm(apart, axis=2) < 1.6 * found.card.square_mm).any(axis=1)
    return np.asarray(near)


def _steps(to_photo: Floats, board: Floats, square: float) -> Floats:
    """Pixel vectors (N, 2, 2) of one square to the right and one down."""
    half = square / 2
    right = apply_homography(to_photo, board + [half, 0]) - apply_homography(
        to_photo, board - [half, 0]
    )
    down = apply_homography(to_photo, board + [0, half]) - apply_homography(
        to_photo, board - [0, half]
    )
    return np.stack([right, down], axis=1)


def _map_through(board: Floats, seen: Crossings, usable: Bools) -> tuple[Floats, Bools]:
    """Homography through the usable crossings, and which crossings agree with it."""
    reach = _reach(seen, usable)
    fitted, _ = cv2.findHomography(board[usable], seen.points_px[usable], cv2.RANSAC, reach)
    if fitted is None:
        return np.eye(3), np.zeros(len(board), dtype=bool)
    homography: Floats = np.array(fitted, dtype=np.float64)
    miss = np.linalg.norm(apply_homography(homography, board) - seen.points_px, axis=1)
    return homography, np.asarray(miss < 1.5 * reach)


def _reach(seen: Crossings, usable: Bools) -> float:
    """How far a crossing may lie from a straight map of its card, px.

    A card is small: the lens bends it by a pixel or two at most, so anything
    farther off is not its crossing.
    """
    return max(2.5, 0.006 * float(np.ptp(seen.points_px[usable], axis=0).max()))


def _sigma(seen: Crossings, usable: Bools) -> Floats:
    """Expected random error (M,) px: grows with blur, and where contrast is poor."""
    blur = np.nan_to_num(seen.blur_px[usable], nan=_USUAL_BLUR_PX)
    typical = max(float(np.median(seen.contrast[usable])), 1e-6)
    faint = typical / np.maximum(seen.contrast[usable], 0.1 * typical)
    return np.asarray(
        _BASE_SIGMA_PX * np.maximum(1.0, blur / _USUAL_BLUR_PX) * np.maximum(1.0, faint)
    )
