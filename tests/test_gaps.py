"""Gaps and distances between outlines, against shapely, scipy and scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
import shapes as zoo
from scipy.spatial.distance import directed_hausdorff as scipy_directed
from shapely import LinearRing, LineString, Point, Polygon, hausdorff_distance
from skimage.metrics import hausdorff_distance as skimage_hausdorff

from spilemark.gaps import Ring, directed_hausdorff, edge_normals
from spilemark.records import Floats
from spilemark.testing import shapes


def met(a: Floats, b: Floats) -> tuple[Floats, Floats, object]:
    corners, others = zoo.corner_indices(a), zoo.corner_indices(b)
    normals = edge_normals(a, corners)
    gaps = Ring(b, others).meet(a, normals, own=Ring(a, corners))
    return gaps.gap_mm, normals, gaps


def square(size: float, step: float = 1.0) -> Floats:
    h = size / 2
    ring = np.array([[-h, -h], [h, -h], [h, h], [-h, h]])
    return zoo.even(ring, step)


@pytest.mark.parametrize("by", [-3.0, -0.4, 0.02, 1.5, 4.0])
def test_a_grown_square_is_fuller_by_as_much_everywhere(by: float) -> None:
    gap, _, _ = met(square(100.0), square(100.0 + 2 * by))
    assert gap == pytest.approx(by, abs=1e-9)


@pytest.mark.parametrize("by", [0.3, 1.0, 2.0])
def test_an_outline_grown_by_shapely_is_fuller_by_as_much(by: float) -> None:
    ring = zoo.knee().ring_mm
    grown = np.array(Polygon(ring).buffer(by, join_style="mitre").exterior.coords)[:-1]
    if not LinearRing(grown).is_ccw:
        grown = grown[::-1]
    gap, _, _ = met(ring, grown)
    assert gap == pytest.approx(by, abs=0.02)


def test_gaps_are_where_shapely_meets_the_normal() -> None:
    port = zoo.knee().ring_mm
    other = zoo.knee(angle_deg=98.4, sag_mm=6.5, bump_mm=(150.0, -2.0, 60.0)).ring_mm
    gap, normals, gaps = met(port, other)
    line, corners = LinearRing(other), port[zoo.corner_indices(port)]
    checked = 0
    for k in range(0, len(port), 7):
        # Beside a corner the nearest crossing may be one of the edge round it, which is not meant.
        if np.linalg.norm(corners - port[k], axis=1).min() < 8.0:
            continue
        hit = LineString([port[k] - 8 * normals[k], port[k] + 8 * normals[k]]).intersection(line)
        found = [g for g in getattr(hit, "geoms", [hit]) if g.geom_type == "Point"]
        if not found or gaps.by_nearest[k]:  # type: ignore[attr-defined]
            continue
        sizes = [(np.array(g.coords[0]) - port[k]) @ normals[k] for g in found]
        assert gap[k] == pytest.approx(min(sizes, key=abs), abs=1e-6)
        place = gaps.sample(other)[k]  # type: ignore[attr-defined]
        assert place == pytest.approx(port[k] + gap[k] * normals[k], abs=1e-6)
        checked += 1
    assert checked > 150


def test_a_notch_on_one_side_only_is_as_deep_as_it_is() -> None:
    plain, notched = zoo.knee().ring_mm, zoo.knee(notch_mm=(240.0, 28.0, 20.0)).ring_mm
    inward, _, _ = met(plain, notched)
    assert inward.min() == pytest.approx(-20.0, abs=0.1)
    outward, _, gaps = met(notched, plain)
    assert outward.max() == pytest.approx(20.0, abs=0.1)
    # The notch's walls face nothing on the other side: no gap of theirs may be larger.
    assert outward[gaps.by_nearest].max() < 20.0  # type: ignore[attr-defined]
    assert np.abs(outward).max() < 20.1


@pytest.mark.parametrize("shorter", [2.0, 4.0])
def test_a_shorter_arm_shows_at_its_end_alone(shorter: float) -> None:
    port, other = zoo.knee(sag_mm=0.0), zoo.knee(sag_mm=0.0, hull_mm=400.0 - shorter)
    gap, normals, _ = met(port.ring_mm, other.ring_mm)
    ahead = normals[:, 1] > 0.9
    far = port.ring_mm[:, 1] > 380
    assert gap[ahead & far] == pytest.approx(-shorter, abs=0.02)
    outer = (normals[:, 0] < -0.9) & (port.ring_mm[:, 1] > 5)
    assert np.abs(gap[outer]).max() < 0.02


def test_few_points_give_the_same_gap_as_many() -> None:
    coarse = np.array([[-50.0, -50], [50, -50], [50, 50], [-50, 50]])
    many = square(100.0, 0.5)
    gap, _, _ = met(many, coarse * 1.02)
    assert gap == pytest.approx(1.0, abs=1e-9)


def test_normals_do_not_look_round_corners() -> None:
    ring = square(100.0, 1.0)
    normals = edge_normals(ring, zoo.corner_indices(ring))
    assert np.abs(np.abs(normals).max(axis=1) - 1.0).max() < 1e-12
    outside = Polygon(ring)
    for point, normal in zip(ring[::9], normals[::9], strict=True):
        assert not outside.contains(Point(point + 0.01 * normal))


def test_nearest_distances_are_shapelys() -> None:
    ring = zoo.knee(step_mm=3.0).ring_mm
    points = np.random.default_rng(3).uniform(-400, 450, (200, 2))
    line = LinearRing(ring)
    exact = [line.distance(Point(p)) for p in points]
    assert Ring(ring).distances(points) == pytest.approx(exact, abs=1e-9)


def test_directed_hausdorff_as_scipy_documents_it() -> None:
    # Example of scipy.spatial.distance.directed_hausdorff: 2.23606797749979 and 3.0.
    u = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])
    v = np.array([(2.0, 0.0), (0.0, 2.0), (-2.0, 0.0), (0.0, -4.0)])
    assert directed_hausdorff(u, v) == pytest.approx(2.236068, abs=1e-6)
    assert directed_hausdorff(v, u) == pytest.approx(3.0)
    assert directed_hausdorff(u, v) == pytest.approx(scipy_directed(u, v)[0])


def test_hausdorff_as_scikit_images_gallery_has_it() -> None:
    # Gallery example "Hausdorff Distance": a diamond of radius 10 and a kite 15 x 20 about
    # (30, 30); its result is 10.
    unit = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]])
    diamond, kite = 30 + 10 * unit, 30 + unit * [15, 20]
    pictures = []
    for points in (diamond, kite):
        picture = np.zeros((60, 60), dtype=bool)
        picture[tuple(points.T)] = True
        pictures.append(picture)
    both = max(directed_hausdorff(diamond, kite), directed_hausdorff(kite, diamond))
    assert both == pytest.approx(10.0)
    assert both == pytest.approx(skimage_hausdorff(*pictures))


def test_hausdorff_of_dense_outlines_is_shapelys() -> None:
    a = zoo.knee(step_mm=0.5).ring_mm
    b = shapes.bulge(a, at_mm=(-200.0, 200.0), height_mm=3.0, width_mm=80.0)
    ours = max(directed_hausdorff(a, b), directed_hausdorff(b, a))
    theirs = hausdorff_distance(LinearRing(a), LinearRing(b), densify=0.05)
    assert ours == pytest.approx(theirs, abs=0.05)
