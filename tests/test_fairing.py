"""A measured edge made fair: nearer to the truth than its points, few curves, no notch lost."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapes as zoo
from scipy.signal import savgol_filter

from spilemark.curves import segments_to_polyline
from spilemark.fairing import REACHES_MM, faired
from spilemark.frames import outward_normals
from spilemark.records import Floats
from spilemark.template import drawn_ring, fair_ring
from spilemark.testing import shapes


def noisy(ring: Floats, sigma: float, seed: int = 1) -> Floats:
    """Noise across the edge that neighbours share in part, as a tracer's does; corners exact."""
    rng = np.random.default_rng(seed)
    wave = np.convolve(rng.normal(0.0, 1.0, len(ring) + 3), np.full(4, 0.5), "valid")
    points = ring + outward_normals(ring) * (sigma * wave)[:, None]
    corners = [c.index for c in zoo.corners_of(ring)]
    points[corners] = ring[corners]
    return points


def truths() -> dict[str, Floats]:
    knee = shapes.quarter_knee()
    return {
        "knee": zoo.even(knee, 0.7),
        "breasthook": zoo.even(shapes.breasthook(), 0.7),
        "bulge": zoo.even(
            shapes.bulge(knee, at_mm=(70.0, 215.0), height_mm=1.0, width_mm=40.0), 0.7
        ),
    }


def apart(truth: Floats, points: Floats) -> Floats:
    return np.asarray(shapely.distance(shapely.LinearRing(truth), shapely.points(points)))


@pytest.mark.parametrize("shape", ["knee", "breasthook", "bulge"])
@pytest.mark.parametrize("sigma", [0.02, 0.05])
def test_a_fair_edge_is_nearer_to_the_truth_in_few_cubics(shape: str, sigma: float) -> None:
    """At most one cubic per 80 mm of smooth edge."""
    truth = truths()[shape]
    raw = noisy(truth, sigma)
    drawn = drawn_ring(zoo.measured(raw, zoo.corners_of(truth), sigma, truth))
    dense = segments_to_polyline(drawn.segments, spacing_mm=0.3)
    assert np.quantile(apart(truth, dense), 0.95) < np.quantile(apart(truth, raw), 0.95)
    assert apart(truth, dense).max() < 0.12
    cubics = [s for s in drawn.segments if len(s) == 4]
    length = sum(float(np.linalg.norm(np.diff(s, axis=0), axis=1).sum()) for s in cubics)
    assert length / len(cubics) > 80.0
    # What is said of the largest distance holds for every point.
    assert drawn.deviation_mm >= apart(raw, dense).max() - 1e-9
    assert shapely.distance(shapely.LineString(dense), shapely.points(raw)).max() <= (
        drawn.deviation_mm + 1e-3
    )


@pytest.mark.parametrize(("wide", "deep"), [(3.0, 0.6), (8.0, 0.5), (20.0, 0.4), (2.0, 1.5)])
def test_no_notch_is_smoothed_away(wide: float, deep: float) -> None:
    """A notch whose corners nobody marked, cut into the hull edge."""
    knee = shapes.quarter_knee()
    at = knee[np.argmin(np.abs(knee[:, 1] - 200.0) + (knee[:, 0] < 60.0) * 1e3)]
    truth = zoo.even(zoo.notch(knee, at, wide, deep), 0.35)
    plain = zoo.corners_of(zoo.even(knee, 0.35))
    marked = [int(np.argmin(np.linalg.norm(truth - zoo.even(knee, 0.35)[c.index], axis=1)))
              for c in plain]  # fmt: skip
    raw = noisy(truth, 0.03)
    moved = faired(raw, np.full(len(raw), 0.03), marked, closed=True)
    near = np.linalg.norm(truth - at, axis=1) < 2.0 * wide
    assert apart(truth, moved)[near].max() < 0.5 * deep
    whole = shapely.LinearRing(zoo.even(knee, 0.35))
    left = shapely.distance(whole, shapely.points(moved[near])).max()
    assert left > 0.75 * deep


def test_no_wiggle_that_the_points_do_not_demand() -> None:
    """A convex arc of 1.5 m radius stays convex, though its points wander by 0.05 mm."""
    angle = np.linspace(-0.15, 0.15, 600)
    truth = 1500.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    rng = np.random.default_rng(4)
    raw = truth * (1.0 + 0.05 / 1500.0 * rng.normal(0.0, 1.0, 600))[:, None]
    fair = faired(raw, np.full(600, 0.05), [0, 599], closed=False)

    def hollows(points: Floats) -> int:
        turn = np.diff(np.unwrap(np.arctan2(*np.diff(points[::20], axis=0).T[::-1])))
        return int((turn < 0).sum())

    assert hollows(raw) > 3
    assert hollows(fair) == 0


def test_a_plain_curve_is_left_where_it_is() -> None:
    """Outside: scipy's own filter leaves a parabola alone, and so does this."""
    x = np.arange(0.0, 200.0, 0.5)
    curve = np.column_stack([x, 1e-3 * x**2])
    left = faired(curve, np.full(len(x), 0.01), [0, len(x) - 1], closed=False)
    away = shapely.distance(shapely.LineString(curve), shapely.points(left))
    # A parabola of x is none of the length along it: within the limit that the scatter sets.
    assert away.max() < 0.02
    half = round(REACHES_MM[0] / 0.5)
    smooth = savgol_filter(curve, 2 * half + 1, 2, axis=0)
    assert np.abs(smooth - curve).max() < 1e-9


def test_corners_and_what_a_hand_drew_stay() -> None:
    from dataclasses import replace

    truth = truths()["knee"]
    outline = zoo.measured(noisy(truth, 0.05), zoo.corners_of(truth), 0.05, truth)
    by_hand = np.zeros(len(truth), dtype=bool)
    by_hand[100:160] = True
    outline = replace(outline, polylines=(replace(outline.ring, by_hand=by_hand),))
    moved = fair_ring(outline)
    kept = [*range(100, 160), *(c.index for c in outline.corners)]
    assert (moved[kept] == outline.ring.points_mm[kept]).all()
    assert np.abs(moved - outline.ring.points_mm).max() > 0.05


def test_a_seamless_ring_is_fair_all_round() -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 800, endpoint=False)
    truth = 60.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    rng = np.random.default_rng(2)
    raw = truth * (1.0 + 0.05 / 60.0 * rng.normal(0.0, 1.0, 800))[:, None]
    moved = faired(raw, np.full(800, 0.05), [], closed=True)
    off = np.abs(np.linalg.norm(moved, axis=1) - 60.0)
    assert off.max() < 0.06
    assert off.std() < 0.5 * np.abs(np.linalg.norm(raw, axis=1) - 60.0).std()
