"""How far printed edges are seen from where their crossings put them, on drawn cards."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.special import ndtri

from spilemark.cards import Card
from spilemark.records import Floats
from spilemark_stages.rectify.printed_edges import edge_shift_px, edges_between

BLACK, WHITE = 0.03, 0.80
BLUR_PX = 0.9
CARD = Card(name="A", columns=8, rows=4, square_mm=15.0, marker_mm=11.0, first_id=0)
PX_MM = 4.0
FINE = 8
"""Drawn pixels a pixel."""


def card_ink(spread_mm: float) -> Floats:
    """Ink 0..1 of a card and a rim of 10 mm, ``FINE`` times as fine as the photo; OpenCV's drawing."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    board = cv2.aruco.CharucoBoard((8, 4), 15.0, 11.0, dictionary)
    scale = PX_MM * FINE
    size = (int(8 * 15 * scale), int(4 * 15 * scale))
    ink = 255 - np.pad(board.generateImage(size), int(10 * scale), constant_values=255)
    if spread_mm:
        reach = round(spread_mm * scale)
        ink = cv2.dilate(ink, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2))
    return ink.astype(np.float32) / 255


def photographed(ink: Floats, turn_deg: float, blur_px: float) -> tuple[Floats, Floats]:
    """Linear light of the card turned in the picture, and its crossings there, px."""
    height, width = ink.shape
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    reach = int(np.hypot(height, width))
    turn = np.array([[c, -s], [s, c]])
    shift = np.full(2, reach / 2) - turn @ [width / 2, height / 2]
    drawn = cv2.warpAffine(
        WHITE - (WHITE - BLACK) * ink, np.c_[turn, shift], (reach, reach), borderValue=WHITE
    )
    size = reach // FINE
    light = cv2.resize(
        drawn[: size * FINE, : size * FINE], (size, size), interpolation=cv2.INTER_AREA
    )
    # Edges of drawn pixels, not their centres, carry the crossings.
    fine = (CARD.crossings_mm() + 10.0) * PX_MM * FINE - 0.5
    at = fine @ turn.T + shift
    return cv2.GaussianBlur(light, (0, 0), blur_px), (at + 0.5) / FINE - 0.5


def coded(light: Floats, power: float = 2.4) -> Floats:
    """The sRGB curve (IEC 61966-2-1), or one like it with another power."""
    code = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / power) - 0.055)
    return np.round(255 * np.clip(code, 0, 1)).astype(np.uint8)


def shift_of(light: Floats, at: Floats, power: float = 2.4) -> float | None:
    return edge_shift_px(coded(light, power), CARD, np.arange(len(at)), at)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 123.0])
@pytest.mark.parametrize("blur_px", [0.7, 1.1])
def test_an_edge_in_true_light_stays_put(turn_deg: float, blur_px: float) -> None:
    assert shift_of(*photographed(card_ink(0.0), turn_deg, blur_px)) == pytest.approx(0.0, abs=0.03)


@pytest.mark.parametrize("turn_deg", [5.0, 200.0])
def test_spread_ink_is_seen_as_spread(turn_deg: float) -> None:
    found = shift_of(*photographed(card_ink(0.125), turn_deg, BLUR_PX))
    assert found == pytest.approx(0.125 * PX_MM, abs=0.04)


@pytest.mark.parametrize("power", [1.8, 3.0])
def test_another_curve_than_the_one_undone_shifts_edges_as_it_must(power: float) -> None:
    light, at = photographed(card_ink(0.0), 31.0, BLUR_PX)
    # From the definition: the level half-way between what is decoded of black and of white, encoded
    # by the other curve, lies on the blurred step (a Gaussian's integral) where that light is.
    decoded = [v ** (2.4 / power) for v in (BLACK, WHITE)]
    half = (sum(decoded) / 2) ** (power / 2.4)
    true = BLUR_PX * ndtri((half - BLACK) / (WHITE - BLACK))
    assert abs(true) > 0.1
    assert shift_of(light, at, power) == pytest.approx(true, abs=0.04)


def test_what_cannot_be_told_is_not() -> None:
    light, at = photographed(card_ink(0.0), 8.0, 3.5)
    assert shift_of(light, at) is None
    sharp, at = photographed(card_ink(0.0), 8.0, BLUR_PX)
    assert edge_shift_px(coded(sharp), CARD, np.arange(4), at[:4]) is None
    assert shift_of(np.full_like(sharp, 0.4), at) is None


def test_the_white_side_is_the_drawn_one() -> None:
    light, at = photographed(card_ink(0.0), 0.0, 0.5)
    start, stop, across = edges_between(CARD, np.arange(len(at)), at)
    # 3 rows of 6 edges, 2 rows of 7 between them.
    assert len(start) == 3 * 6 + 2 * 7
    for k in range(len(start)):
        middle = (start[k] + stop[k]) / 2
        x, y = np.round(middle + 4 * across[k]).astype(int)
        u, v = np.round(middle - 4 * across[k]).astype(int)
        assert light[y, x] > 0.7
        assert light[v, u] < 0.1
