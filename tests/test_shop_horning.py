"""Horning: three tapes, what they tell and what they cannot."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spilemark.errors import UsageError
from spilemark.shop.horning import (
    Horning,
    HullTapes,
    arm_gap_mm,
    hidden_shift_mm,
    high_corner_mm,
    horn,
)
from spilemark.shop.horning_words import advice, against_patterns, blind_spots, horning_lines
from spilemark.shop.hull_turn import HullShare, hull_against_corners, hull_against_turn
from spilemark.shop.tapes import Reading, class_sigma_mm, greatest_error_mm


def tapes(
    port: float, starboard: float, breadth: float, sigma: float = 1.0, **more: object
) -> HullTapes:
    return HullTapes(
        port=Reading(port, sigma),
        starboard=Reading(starboard, sigma),
        breadth=Reading(breadth, sigma),
        **more,  # type: ignore[arg-type]
    )


def hull_corners(
    median: float, breadth: float, skew_deg: float, off: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Port and starboard corner, x to starboard and y forward, with the stem at (0, 0).

    ``skew_deg`` is against the centreline, positive port corner aft; ``median`` is the
    distance aft of the middle.
    """
    across = (
        breadth / 2 * np.array([math.cos(math.radians(skew_deg)), math.sin(math.radians(skew_deg))])
    )
    centre = np.array([off, -median])
    return centre - across, centre + across


def built(
    median: float, breadth: float, skew_deg: float, off: float = 0.0, **more: object
) -> HullTapes:
    port, starboard = hull_corners(median, breadth, skew_deg, off)
    return tapes(float(np.linalg.norm(port)), float(np.linalg.norm(starboard)), breadth, **more)  # type: ignore[arg-type]


# Derived (Apollonius, law of cosines), checked by hulls built from coordinates and by simulation.
@pytest.mark.parametrize(
    ("port", "starboard", "breadth", "median", "skew", "lead"),
    [
        (4049.9244, 4039.5684, 1200.0, 4000.0, 0.5000, 10.472),
        (4055.092, 4034.381, 1200.0, 4000.0, 1.0000, 20.943),
        (3646.513, 3637.024, 1100.0, 3600.0, 0.5000, 9.599),
    ],
)
def test_skew_from_three_tapes(
    port: float, starboard: float, breadth: float, median: float, skew: float, lead: float
) -> None:
    hull = horn(tapes(port, starboard, breadth))
    assert hull.median_mm == pytest.approx(median, abs=1e-3)
    assert hull.skew_deg == pytest.approx(skew, abs=1e-3)
    assert hull.lead_mm == pytest.approx(lead, abs=2e-3)
    assert hull.after == "port"


def test_skew_of_a_twelve_foot_hull() -> None:
    # Derived, checked as above: 148", 147 1/4" and 42" across.
    hull = horn(tapes(148 * 25.4, 147.25 * 25.4, 42 * 25.4, sigma=0.5))
    assert hull.median_mm / 25.4 == pytest.approx(146.124, abs=1e-3)
    assert hull.skew_deg == pytest.approx(1.0337, abs=1e-3)
    assert hull.lead_mm / 25.4 == pytest.approx(0.7577, abs=1e-3)


@given(st.floats(1500, 15000), st.floats(0.15, 0.8), st.floats(-10, 10), st.floats(-0.05, 0.05))
@settings(max_examples=60, deadline=None)
def test_a_hull_built_from_coordinates_is_found_again(
    median: float, share: float, skew: float, off: float
) -> None:
    middle = off * median
    told = built(median, share * median, skew, middle, middle=Reading(middle, 0.5))
    if abs(told.port.mm - told.starboard.mm) > told.breadth.mm * math.sin(math.radians(19)):
        return
    hull = horn(told)
    assert hull.centreline_skew_deg == pytest.approx(skew, abs=1e-6)
    assert hull.median_mm == pytest.approx(math.hypot(median, middle))
    square = built(median, share * median, 0.0)
    assert hull.square_port_mm == pytest.approx(square.port.mm)
    assert hull.square_starboard_mm == pytest.approx(square.starboard.mm)


def test_port_and_starboard_swap_sign_and_nothing_else() -> None:
    one, other = horn(tapes(4049.9, 4039.6, 1200)), horn(tapes(4039.6, 4049.9, 1200))
    assert (one.skew_deg, one.lead_mm) == pytest.approx((-other.skew_deg, -other.lead_mm))
    assert (one.after, other.after) == ("port", "starboard")
    assert one.lead_u95_mm == pytest.approx(other.lead_u95_mm)


def test_what_three_tapes_cannot_see() -> None:
    # Derived, checked with coordinates: skew 0.5 degrees, middle 34.907 mm to starboard.
    assert hidden_shift_mm(4000, 0.5) == pytest.approx(34.907, abs=1e-3)
    told = built(4000, 1200, 0.5, hidden_shift_mm(4000, 0.5))
    assert told.port.mm - told.starboard.mm == pytest.approx(0.0, abs=1e-3)
    assert told.port.mm == pytest.approx(4044.900, abs=1e-3)
    assert horn(told).after is None
    # With the middle given, the same hull is found out.
    seen = built(4000, 1200, 0.5, 34.9069, middle=Reading(34.9069, 1.0))
    assert horn(seen).centreline_skew_deg == pytest.approx(0.5, abs=1e-3)
    assert horn(seen).after == "port"
    # One corner 30 mm high changes its tape by 0.111 mm only.
    assert high_corner_mm(told.port.mm, 30.0) == pytest.approx(0.111, abs=1e-3)


@pytest.mark.parametrize("skew", [0.0, 0.5, -2.0])
@pytest.mark.parametrize("fixed", [False, True])
@pytest.mark.parametrize("units", ["mm", "in", "ft"])
def test_both_blind_spots_are_said_every_time(skew: float, fixed: bool, units: str) -> None:
    hull = horn(built(4000, 1200, skew))
    words = "\n".join(horning_lines(hull, units, fixed=fixed))  # type: ignore[arg-type]
    assert "also shifted" in words
    assert "twist" in words
    assert "winding sticks" in words
    assert len(blind_spots(hull)) == 2


def test_interval_by_simulation() -> None:
    # Derived, and a 200,000-draw simulation: +-1 mm each tape gives +-0.068 degrees (one sigma).
    told = built(4000, 1200, 0.5)
    hull = horn(told)
    assert hull.skew_u95_deg / 1.96 == pytest.approx(0.068, abs=0.002)
    draws = np.random.default_rng(5).normal(
        [told.port.mm, told.starboard.mm, told.breadth.mm], 1.0, (200_000, 3)
    )
    p, s, b = draws.T
    lead = (p**2 - s**2) / (2 * np.sqrt((p**2 + s**2) / 2 - b**2 / 4))
    skew = np.degrees(np.arcsin(lead / b))
    assert hull.skew_u95_deg / 1.96 == pytest.approx(skew.std(), rel=0.01)
    assert hull.lead_u95_mm / 1.96 == pytest.approx(lead.std(), rel=0.01)
    assert hull.lead_u95_mm / 1.96 == pytest.approx(1.43, abs=0.03)


def test_interval_of_a_wide_short_hull_by_simulation() -> None:
    # A pram, where breadth's own doubt counts, with a middle that was looked at.
    told = built(2000, 1300, 4.0, 30.0, sigma=3.0, middle=Reading(30.0, 4.0))
    hull = horn(told)
    rng = np.random.default_rng(6)
    p, s, b = rng.normal([told.port.mm, told.starboard.mm, told.breadth.mm], 3.0, (200_000, 3)).T
    m = np.sqrt((p**2 + s**2) / 2 - b**2 / 4)
    skew = np.arcsin((p**2 - s**2) / (2 * m * b)) + np.arcsin(rng.normal(30.0, 4.0, len(m)) / m)
    assert hull.centreline_skew_u95_deg / 1.96 == pytest.approx(np.degrees(skew).std(), rel=0.01)


def test_a_difference_under_three_millimetres_is_square_as_far_as_told() -> None:
    # Derived: one sigma of 1.4 mm of lead with tapes of +-1 mm.
    assert horn(tapes(4046.3, 4043.6, 1200)).after is None
    assert horn(tapes(4046.6, 4043.2, 1200)).after == "port"


def test_heights_are_taken_out_by_plan_lengths() -> None:
    # Derived: with the stem h above both corners dP^2 - dS^2 stays, the median shrinks.
    flat = built(4000, 1200, 0.5)
    slant = tapes(
        math.hypot(flat.port.mm, 400), math.hypot(flat.starboard.mm, 400), 1200,
        heights_mm=(500.0, 100.0, 100.0),
    )  # fmt: skip
    hull = horn(slant)
    assert hull.skew_deg == pytest.approx(0.5)
    assert hull.median_mm == pytest.approx(4000)
    assert hull.square_port_mm == pytest.approx(math.hypot(4044.75, 400), abs=0.01)
    assert "Seen from above" in " ".join(horning_lines(hull))
    assert horn(slant.__class__(port=slant.port, starboard=slant.starboard,
                                breadth=slant.breadth)).skew_deg < 0.5  # fmt: skip


def test_corners_at_unlike_heights() -> None:
    flat = built(4000, 1200, 0.5)
    told = tapes(
        math.hypot(flat.port.mm, 330), math.hypot(flat.starboard.mm, 300), math.hypot(1200, 30),
        heights_mm=(300.0, -30.0, 0.0),
    )  # fmt: skip
    assert horn(told).skew_deg == pytest.approx(0.5)
    assert "the port diagonal reads" in " ".join(advice(horn(told)))


def test_tape_classes() -> None:
    # Directive 2014/32/EU, annex X (MI-008), chapter I, table 1: a + b L + c, L in metres begun.
    assert greatest_error_mm(4049.9, "I") == pytest.approx(0.1 + 0.5 + 0.1)
    assert greatest_error_mm(4049.9, "II") == pytest.approx(0.3 + 1.0 + 0.2)
    assert greatest_error_mm(4049.9, "III") == pytest.approx(0.6 + 2.0 + 0.3)
    assert class_sigma_mm(4000.0) == pytest.approx(math.hypot(1.3 / math.sqrt(3), 0.5))


@pytest.mark.parametrize(
    ("given_tapes", "words"),
    [
        ((4049.9, 404.0, 1200), "starboard diagonal was typed in cm"),
        ((4049.9, 4.04, 1200), "starboard diagonal was typed in metres"),
        ((148 * 25.4, 147.25, 42 * 25.4), "starboard diagonal was typed in inches without a unit"),
        ((4049.9, 2500.0, 1200), "cannot close"),
        ((500.0, 400.0, 1200), "cannot close"),
        ((4049.9, 4039.6, 5.0), "cannot close"),
        ((1070.0, 1020.0, 42), "breadth was typed in cm or typed in inches without a unit"),
        ((4500, 4039.6, 1200), "out of square"),
        ((float("nan"), 4039.6, 1200), "no length"),
        ((4049.9, -4039.6, 1200), "no length"),
    ],
)
def test_impossible_tapes(given_tapes: tuple[float, float, float], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        horn(tapes(*given_tapes, sigma=0.1))


def test_impossible_heights_and_middle() -> None:
    with pytest.raises(UsageError, match="differ in height"):
        horn(tapes(4049.9, 4039.6, 1200, heights_mm=(5000.0, 0.0, 0.0)))
    with pytest.raises(UsageError, match="off the centreline"):
        horn(tapes(4049.9, 4039.6, 1200, middle=Reading(3000.0, 1.0)))
    with pytest.raises(UsageError, match="doubted"):
        horn(tapes(4049.9, 4039.6, 1200, sigma=2000.0))


def test_a_hull_as_short_as_a_hand_asks_for_the_unit() -> None:
    assert "148in" in " ".join(horning_lines(horn(tapes(148, 147.25, 42, sigma=0.1))))


# What a racked hull does to knees.  Derived, checked by turning points: 5.236 mm at 300 mm.
def test_knees_of_a_racked_hull() -> None:
    hull = horn(built(4000, 1200, 0.5))
    assert hull.knees_differ_deg == pytest.approx(1.0)
    assert arm_gap_mm(hull.knees_differ_deg, 300) == pytest.approx(5.236, abs=1e-3)
    # Registered on the bisector instead of one arm, half of it on each arm.
    assert arm_gap_mm(0.5 * hull.knees_differ_deg, 300) == pytest.approx(2.618, abs=1e-3)


def corner_angle(corner: np.ndarray, ahead: np.ndarray, inboard: np.ndarray) -> float:
    a, b = ahead - corner, inboard - corner
    return math.degrees(math.acos(float(a @ b) / float(np.linalg.norm(a) * np.linalg.norm(b))))


def direction(vector: np.ndarray) -> float:
    return math.degrees(math.atan2(vector[1], vector[0]))


def test_signs_of_what_a_racked_hull_does_to_patterns() -> None:
    skew = 0.8
    port, starboard = hull_corners(4000, 1200, skew)
    forward = np.array([0.0, 300.0])
    hull = horn(built(4000, 1200, skew))
    # Corner angles, sides parallel to the centreline: starboard less port.
    port_deg = corner_angle(port, port + forward, starboard)
    starboard_deg = corner_angle(starboard, starboard + forward, port)
    found = hull_against_corners(hull, starboard_deg - port_deg, 0.1)
    assert found.found_deg == pytest.approx(2 * skew)
    assert found.expected_deg == pytest.approx(2 * skew)
    assert found.share is HullShare.EXPLAINS
    # Transom edge of mirrored starboard against port's, both from corner inboard.
    mirrored = (port - starboard) * [-1.0, 1.0]
    turn = direction(mirrored) - direction(starboard - port)
    found = hull_against_turn(hull, turn, 0.1)
    assert found.expected_deg == pytest.approx(turn)
    assert found.share is HullShare.EXPLAINS
    # Lines squared off the transom: then it is the sides that turn, the other way.
    assert hull_against_turn(hull, -turn, 0.1, "transom").share is HullShare.EXPLAINS
    assert hull_against_turn(hull, -turn, 0.1).share is HullShare.DOES_NOT


@pytest.mark.parametrize(
    ("skew", "sigma", "turn", "turn_u95", "share"),
    [
        (0.5, 1.0, -1.0, 0.2, HullShare.EXPLAINS),
        (0.5, 1.0, -2.5, 0.2, HullShare.PARTLY),
        (0.5, 1.0, 1.0, 0.2, HullShare.DOES_NOT),
        (0.0, 1.0, -1.0, 0.2, HullShare.DOES_NOT),
        (0.0, 10.0, -1.0, 0.2, HullShare.CANNOT_TELL),
        (0.0, 1.0, 0.1, 0.2, HullShare.NOTHING_TO_EXPLAIN),
        (1.0, 1.0, 0.1, 0.2, HullShare.DOES_NOT),
    ],
)
def test_does_the_hull_explain_the_turn(
    skew: float, sigma: float, turn: float, turn_u95: float, share: HullShare
) -> None:
    found = hull_against_turn(horn(built(4000, 1200, skew, sigma=sigma)), turn, turn_u95)
    assert found.share is share
    assert found.left_u95_deg == pytest.approx(math.hypot(found.expected_u95_deg, turn_u95))
    words = against_patterns(found)
    assert "{" not in words
    assert ("explains it" in words) == (share is HullShare.EXPLAINS)


def test_what_to_move() -> None:
    words = " ".join(advice(horn(built(4000, 1200, 0.5))))
    assert "port corner forward" in words
    assert "by about 5.2 mm" in words
    # sqrt(4000^2 + 600^2): both tapes of a square hull with that middle.
    assert "both diagonals read 4044.7 mm" in words
    assert "Square first, then scribe." in words
    shifted = built(4000, 1200, 0.5, 20.0, middle=Reading(20.0, 1.0))
    assert "20.0 mm to port" in " ".join(advice(horn(shifted)))
    assert "Nothing to move" in advice(horn(built(4000, 1200, 0.0)))[0]


def test_a_hull_that_cannot_be_moved_gets_its_own_advice() -> None:
    words = " ".join(advice(horn(built(4000, 1200, -0.5)), fixed=True))
    assert "plumb it and block it" in words
    assert "starboard corner 10.5 mm aft" in words
    assert "its own pattern" in words
    assert "forward" not in words


def test_in_the_builders_units() -> None:
    hull: Horning = horn(tapes(148 * 25.4, 147.25 * 25.4, 42 * 25.4, sigma=0.5))
    assert '3/4" ±' in horning_lines(hull, "in")[0]
    assert "0-0-6 ±" in horning_lines(hull, "ft")[0]
