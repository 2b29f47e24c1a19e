"""Where an edge is likely in a profile: checked on profiles made from their definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from spilemark_stages.trace.edgemodel import (
    FINDING,
    MEASURING,
    best_path,
    grid,
    log_evidence,
    place_of,
    wall_kind,
)

WHERE = grid(8.0, 12.0, 0.5, 2.6, 0.2)
S = np.array(WHERE.samples)
BLUR = 0.9


def step(at: float, blur: float = BLUR) -> np.ndarray:
    return ndtr((S - at) / blur)


def place(
    profile: np.ndarray, wall: float = -1.0, *, shade: float = 1.0, light: float = 1.0
) -> tuple[float, float]:
    evidence = log_evidence(
        profile[None],
        np.array([wall]),
        WHERE,
        BLUR,
        MEASURING,
        arris=0.0,
        lights=np.array([light]),
        shade=np.array([shade]),
    )
    path = best_path(evidence, 0.2, 4.0, closed=False)
    mean, sigma = place_of(evidence, path, WHERE.shifts, 1.5)
    return float(mean[0]), float(sigma[0])


@pytest.mark.parametrize("at", [-1.3, -0.25, 0.0, 0.1, 0.9])
def test_a_blurred_step_is_found_where_it_is(at):
    mean, sigma = place(step(at))
    assert mean == pytest.approx(at, abs=0.03)
    assert 0.02 < sigma < 0.2


def test_twice_the_noise_is_no_shift_of_the_mean():
    rng = np.random.default_rng(3)
    found = [place(step(0.3) + rng.normal(0, 0.02, len(S)))[0] for _ in range(40)]
    assert np.mean(found) == pytest.approx(0.3, abs=0.05)


def test_a_wide_shadow_beside_the_edge_is_bench():
    # Face 0, shadow -0.6 for 6 px, then full light: the border at 6 px is twice as strong.
    profile = -0.6 * step(0.0) + 1.6 * step(6.0)
    mean, _ = place(profile, light=0.8)
    assert mean == pytest.approx(0.0, abs=0.2)


def test_a_dark_wall_is_told_from_the_face_by_its_width():
    # 4 px of wall, half as light as the face, then dark bench.
    profile = -0.5 * step(0.2) - 0.5 * step(4.2)
    mean, sigma = place(profile, wall=4.0)
    assert mean == pytest.approx(0.2, abs=0.2)
    assert sigma < 0.3


def test_a_wall_as_light_as_the_face_ends_at_its_foot():
    # Nothing shows at the top edge: its place is the foot's less the width.
    mean, _ = place(-step(4.0), wall=4.0, light=1.0)
    assert mean == pytest.approx(0.0, abs=0.4)


def test_a_thin_wall_leaves_a_doubt_as_wide_as_itself():
    _, thin = place(-step(0.0), wall=1.0)
    _, none = place(-step(0.0), wall=-1.0)
    assert thin > 2 * none


def test_a_wall_in_shade_is_expected_darker_than_one_in_the_light():
    # An edge whose wall cannot be told from the dark bench: in shade that is likely.
    shaded, _ = place(-step(0.0), wall=1.5, shade=0.2)
    lit, _ = place(-step(0.0), wall=1.5, shade=1.0)
    assert shaded > lit
    assert list(wall_kind(np.array([0.1, 0.6, 0.95]))) == [0, 1, 2]


def test_neighbours_settle_what_one_profile_leaves_open():
    shifts = np.array(WHERE.shifts)
    clear = -0.5 * ((shifts - 0.2) / 0.1) ** 2
    open_ = np.maximum(
        -0.5 * ((shifts + 2.0) / 0.1) ** 2, clear - 0.1
    )  # two peaks, the wrong higher
    path = best_path(np.stack([clear, open_, clear]), 0.2, 4.0, closed=True)
    assert (np.abs(shifts[path] - 0.2) < 0.11).all()


def test_finding_keeps_the_face_even():
    where = grid(14.0, 22.0, 1.0, 8.0, 0.5)
    s = np.array(where.samples)
    profile = ndtr(s + 3.0)
    evidence = log_evidence(profile[None], np.array([0.0]), where, 1.2, FINDING)
    assert where.shifts[int(evidence[0].argmax())] == pytest.approx(-3.0, abs=0.3)


def test_the_finer_places_are_the_library_splines() -> None:
    from scipy.interpolate import CubicSpline

    from spilemark_stages.trace.edgemodel import _finer
    from spilemark_stages.trace.stretches import WHERE

    values = np.random.default_rng(4).normal(size=(5, len(WHERE.shifts)))
    fine, between = _finer(WHERE.shifts)
    expected = CubicSpline(WHERE.shifts, values, axis=1)(fine)
    assert np.allclose(values @ between, expected, atol=1e-9)
