"""White cards beside white patterns, and knots: what is no part of the edge, and no hole."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import cv2
import numpy as np
import pytest

from spilemark.records import Floats
from spilemark_stages.trace import traced_view
from spilemark_stages.trace.card_paper import paper_mask
from spilemark_stages.trace.masks import Mask
from spilemark_stages.trace.traced_ring import TracedRing

MM = 0.8
BOARD = np.array([(60.0, 60.0), (180.0, 60.0), (180.0, 120.0), (60.0, 120.0)]) + 30.0
PAPER = (138.0, 78.0)


def bench(
    *, turn_deg: float = 0.0, more: tuple[tuple[float, float, float, float], ...] = ()
) -> tuple[Mask, Floats]:
    """White paper about a chessboard, and other white things (x, y, w, h), mm; and the corners."""
    white: Mask = np.zeros((300, 420), dtype=np.uint8)
    middle = BOARD.mean(axis=0)
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    turn = np.array([[c, -s], [s, c]])

    def fill(x: float, y: float, w: float, h: float) -> None:
        ring = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
        ring = ((ring - middle) @ turn.T + middle) / MM
        cv2.fillConvexPoly(white, np.round(ring).astype(np.int32), 1)

    fill(middle[0] - PAPER[0] / 2, middle[1] - PAPER[1] / 2, *PAPER)
    for one in more:
        fill(*one)
    return white, ((BOARD - middle) @ turn.T + middle) / MM


@pytest.mark.parametrize("turn_deg", [0.0, 31.0])
@pytest.mark.parametrize(
    "more",
    [
        pytest.param((), id="alone"),
        # Its paper is 138 by 78 mm about (150, 120): a sheet that touches its lower side,
        pytest.param(((40.0, 159.0, 220.0, 60.0),), id="touches a long side"),
        # one that touches at an end, over part of that side,
        pytest.param(((219.0, 90.0, 90.0, 80.0),), id="touches an end"),
        # and one that comes near.
        pytest.param(((40.0, 161.0, 220.0, 60.0),), id="2 mm off"),
    ],
)
def test_paper_ends_where_it_was_cut_whatever_touches_it(
    turn_deg: float, more: tuple[tuple[float, float, float, float], ...]
) -> None:
    white, corners = bench(turn_deg=turn_deg, more=more)
    alone, _ = bench(turn_deg=turn_deg)
    mask = paper_mask(white, corners, MM)
    assert mask is not None
    wrong = (mask > 0) ^ (alone > 0)
    # Half a pixel or so all round.
    assert wrong.sum() < 1.2 * 2 * (PAPER[0] + PAPER[1]) / MM


def test_a_card_that_lies_on_a_white_face_has_no_rim() -> None:
    white, corners = bench(more=((20.0, 20.0, 280.0, 200.0),))
    assert paper_mask(white, corners, MM) is None


def test_nor_has_one_in_the_corner_of_a_white_face() -> None:
    """White ends beyond two sides, as it does at the corner of a pattern under a card."""
    white, corners = bench(more=((81.0, 81.0, 280.0, 200.0),))
    assert paper_mask(white, corners, MM) is None


def ring_about(*, axes: tuple[float, float], noise: float = 0.05) -> TracedRing:
    """A measured ellipse: what a hole, or a knot, may look like."""
    turn = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    off = np.random.default_rng(3).normal(0.0, noise, (90, 2))
    points = 0.5 * np.stack([axes[0] * np.cos(turn), axes[1] * np.sin(turn)], axis=1) + off
    return cast(TracedRing, SimpleNamespace(points_mm=points))


@pytest.mark.parametrize(
    ("axes", "knot"),
    [
        ((25.0, 25.0), False),
        ((8.0, 8.0), False),
        # Bored from a slant: nobody drills worse.
        ((10.0, 9.4), False),
        ((12.0, 9.0), True),
        ((20.0, 12.0), True),
        # Too large for a knot in the face of plywood.
        ((60.0, 20.0), False),
    ],
)
def test_small_things_that_are_not_round_are_no_holes(
    axes: tuple[float, float], knot: bool
) -> None:
    assert traced_view._like_a_knot(ring_about(axes=axes)) is knot
