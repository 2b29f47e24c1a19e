"""Rigid maps: turn, shift, flip, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
import shapes as zoo
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import procrustes

from spilemark.frames import signed_area
from spilemark.records import Note, RigidMap
from spilemark.rigid import (
    IDENTITY,
    apply,
    best_fit,
    compose,
    inverse,
    move_notes,
    move_outline,
    turned_about,
)

lengths = st.floats(-2000.0, 2000.0)
maps = st.builds(
    RigidMap,
    turn_rad=st.floats(-7.0, 7.0),
    shift_mm=st.tuples(lengths, lengths),
    flipped=st.booleans(),
)
POINTS = np.array([[0.0, 0.0], [410.0, -3.0], [95.5, 300.25], [-600.0, 42.0]])


@given(maps)
def test_inverse_undoes(motion: RigidMap) -> None:
    assert apply(inverse(motion), apply(motion, POINTS)) == pytest.approx(POINTS, abs=1e-8)
    assert apply(motion, apply(inverse(motion), POINTS)) == pytest.approx(POINTS, abs=1e-8)


@given(maps, maps)
def test_compose_does_the_inner_one_first(outer: RigidMap, inner: RigidMap) -> None:
    one_by_one = apply(outer, apply(inner, POINTS))
    assert apply(compose(outer, inner), POINTS) == pytest.approx(one_by_one, abs=1e-7)


@given(maps)
def test_distances_stay(motion: RigidMap) -> None:
    moved = apply(motion, POINTS)
    for a, b in ((0, 1), (1, 2), (2, 3)):
        before = np.linalg.norm(POINTS[a] - POINTS[b])
        assert np.linalg.norm(moved[a] - moved[b]) == pytest.approx(before)


@given(maps.filter(lambda m: not m.flipped), st.integers(3, 30), st.integers(0, 1000))
def test_best_fit_finds_the_motion_back(motion: RigidMap, count: int, seed: int) -> None:
    points = np.random.default_rng(seed).uniform(-300, 300, (count, 2))
    found = best_fit(points, apply(motion, points))
    assert apply(found, points) == pytest.approx(apply(motion, points), abs=1e-7)


def test_best_fit_weighs() -> None:
    source, target = np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([[0.0, 0.0], [2.0, 0.0]])
    shift = best_fit(source, target, np.array([1.0, 3.0])).shift_mm
    assert shift == pytest.approx((0.75, 0.0))


def test_a_mirrored_doubled_shape_is_not_the_same_shape() -> None:
    # The documented example of scipy.spatial.procrustes: b is a mirrored, doubled and turned, and
    # the disparity is zero.  A template that was twice too large would pass.
    a = np.array([[1, 3], [1, 2], [1, 1], [2, 1]], float)
    b = np.array([[4, -2], [4, -4], [4, -6], [2, -6]], float)
    assert procrustes(a, b)[2] == pytest.approx(0.0, abs=1e-12)
    left = apply(best_fit(a, b), a) - b
    assert np.sqrt((left**2).sum(axis=1).mean()) > 0.5


def test_turned_about_keeps_the_pivot() -> None:
    pivot = np.array([120.0, -40.0])
    assert apply(turned_about(0.3, pivot), pivot[None])[0] == pytest.approx(pivot)


@given(maps)
def test_a_moved_outline_keeps_winding_corners_and_doubts(motion: RigidMap) -> None:
    outline = zoo.outline(zoo.knee(step_mm=8.0, hole=True, notch_mm=(240.0, 40.0, 24.0)))
    moved = move_outline(outline, motion)
    assert signed_area(moved.ring.points_mm) == pytest.approx(signed_area(outline.ring.points_mm))
    assert signed_area(moved.of_role("hole")[0].points_mm) < 0
    names = {c.index: c.angle_deg for c in outline.corners}
    for corner in moved.corners:
        place = moved.ring.points_mm[corner.index]
        k = int(np.argmin(np.linalg.norm(apply(motion, outline.ring.points_mm) - place, axis=1)))
        assert corner.angle_deg == names[k]
        assert moved.ring.sensitivity_mm[corner.index] == pytest.approx(
            outline.ring.sensitivity_mm[k]
        )
    for k, edge in enumerate(moved.edges):
        assert edge.start == moved.corners[k].index
        assert edge.stop == moved.corners[(k + 1) % len(moved.corners)].index


def test_notes_move_with_the_outline() -> None:
    placed = Note(code="a", severity="info", text="", at_mm=(1.0, 2.0))
    plain = Note(code="b", severity="info", text="")
    moved = move_notes((placed, plain), RigidMap(turn_rad=0.0, shift_mm=(5.0, 0.0), flipped=True))
    assert moved[0].at_mm == (4.0, 2.0)
    assert moved[1] is plain
    assert move_notes((placed,), IDENTITY)[0].at_mm == (1.0, 2.0)
