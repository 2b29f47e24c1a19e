"""The judge is judged: on shapes whose error is known by construction or by another library."""

import numpy as np
import pytest
import shapely

from spilemark.testing import shapes
from spilemark.testing.metrics import (
    Contour,
    Measured,
    Motion,
    bootstrap,
    fit_rigid,
    score_datum,
    score_fit,
)

KNEE = shapes.quarter_knee()
HOLE = shapes.disc((30.0, 40.0), 12.0)
ELSEWHERE = Motion(2.3, (410.0, -95.0))


def test_nearest_distance_is_shapelys_and_positive_outside():
    rng = np.random.default_rng(1)
    points = KNEE[rng.integers(0, len(KNEE), 400)] + rng.normal(0, 3, (400, 2))
    signed, foot, _ = Contour([KNEE, HOLE]).nearest(points)
    wood = shapely.Polygon(KNEE, [HOLE])
    dots = shapely.points(points)
    assert np.abs(signed) == pytest.approx(shapely.distance(dots, wood.boundary), abs=1e-3)
    assert np.array_equal(signed < 0, shapely.contains(wood, dots))
    assert np.linalg.norm(points - foot, axis=1) == pytest.approx(np.abs(signed))


@pytest.mark.parametrize("turn", [0.0, 1.0, 3.1, -2.0])
def test_a_rigid_motion_is_no_error(turn):
    moved = Motion(turn, (300.0, 120.0))
    score = score_fit(Measured(rings=(moved(KNEE), moved(HOLE))), [KNEE, HOLE])
    assert score.worst_mm < 1e-6
    assert score.seen_percent == 100


def test_scale_and_mirror_are_not_fitted_away():
    large = score_fit(Measured(rings=(ELSEWHERE(KNEE * 1.005),)), [KNEE])
    assert large.p95_mm > 0.5
    assert large.mean_signed_mm > 0.2
    assert score_fit(Measured(rings=(shapes.mirror(KNEE),)), [KNEE]).p95_mm > 10


def test_an_outline_grown_by_a_known_offset():
    grown = np.asarray(shapely.Polygon(KNEE).buffer(0.3, quad_segs=32).exterior.coords)[:-1]
    score = score_fit(Measured(rings=(ELSEWHERE(grown[::-1]),)), [KNEE])
    assert score.p50_mm == pytest.approx(0.3, abs=0.01)
    assert score.mean_signed_mm == pytest.approx(0.3, abs=0.01)


def test_worst_distance_is_the_hausdorff_distance_when_nothing_is_fitted():
    bent = shapes.bulge(KNEE, at_mm=(60.0, 250.0), height_mm=1.7, width_mm=60.0)
    motion = fit_rigid([bent], [KNEE])
    score = score_fit(Measured(rings=(bent,)), [KNEE])
    other = shapely.LinearRing(motion(bent)).hausdorff_distance(shapely.LinearRing(KNEE))
    assert score.worst_mm == pytest.approx(other, abs=0.02)


def test_the_datum_frame_allows_a_slide_along_the_line_only():
    slid = score_datum(Measured(rings=(KNEE + [0.0, 7.0],)), [KNEE])
    assert slid.worst_mm < 1e-6
    aside = score_datum(Measured(rings=(KNEE + [0.4, 7.0],)), [KNEE])
    assert 0.3 < aside.p95_mm < 0.5


def test_unseen_length_beyond_the_allowance_is_error():
    seen = np.ones(len(KNEE), dtype=bool)
    seen[: len(KNEE) // 10] = False
    score = score_fit(Measured(rings=(KNEE,), seen=(seen,)), [KNEE])
    assert score.seen_percent == pytest.approx(90, abs=1)
    assert np.isinf(score.p95_mm)
    assert np.isfinite(score.p50_mm)
    allowed = score_fit(Measured(rings=(KNEE,), seen=(seen,)), [KNEE], unseen_allowed=0.12)
    assert allowed.p95_mm < 1e-6


def test_coverage_counts_points_within_their_claim():
    rng = np.random.default_rng(4)
    way = np.roll(KNEE, -1, 0) - np.roll(KNEE, 1, 0)
    way /= np.linalg.norm(way, axis=1)[:, None]
    # Smooth enough that resampling between points does not thin the error out.
    error = np.repeat(rng.normal(0, 0.1, len(KNEE) // 40 + 1), 40)[: len(KNEE)]
    rough = KNEE + error[:, None] * np.stack([way[:, 1], -way[:, 0]], axis=-1)
    claim = np.full(len(KNEE), 0.196)
    score = score_fit(Measured(rings=(rough,), u95_mm=(claim,)), [KNEE])
    assert score.coverage_percent == pytest.approx(95, abs=6)
    assert score.u95_median_mm == pytest.approx(0.196)
    doubtless = score_fit(Measured(rings=(rough,), u95_mm=(claim / 20,)), [KNEE])
    assert doubtless.coverage_percent < 30


def test_bootstrap_interval_of_a_mean_is_the_normal_one():
    values = np.random.default_rng(2).normal(10, 2, 400)
    low, high = bootstrap(values.tolist(), lambda v: float(v.mean()))
    # Standard error of a mean: sd / sqrt(n).
    assert high - low == pytest.approx(2 * 1.96 * values.std() / 20, rel=0.1)
    assert low < values.mean() < high
