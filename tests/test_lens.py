from __future__ import annotations

import cv2
import numpy as np
import pytest

from spilemark import lens as camera
from spilemark.records import PlaneMap

LENS = np.array([3050.0, 0.9995, 2028.0, 1497.0, 0.092, -0.215, -3e-4, 2.2e-4, 0.118])
ROTATION = np.array([2.9, 0.3, -0.25])
TRANSLATION = np.array([12.0, -30.0, 930.0])


def world_points() -> np.ndarray:
    rng = np.random.default_rng(3)
    return np.column_stack([rng.uniform(-400, 400, (40, 2)), rng.uniform(0, 6, 40)])


def opencv_projection(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    f, aspect, cx, cy, k1, k2, p1, p2, k3 = LENS
    matrix = np.array([[f, 0, cx], [0, f * aspect, cy], [0, 0, 1]])
    pixels, jacobian = cv2.projectPoints(
        points, ROTATION, TRANSLATION, matrix, np.array([k1, k2, p1, p2, k3])
    )
    return pixels.reshape(-1, 2), jacobian


def test_projection_is_opencvs() -> None:
    # Reference library: OpenCV projectPoints.
    points = world_points()
    ours = camera.project(points, LENS, ROTATION, TRANSLATION)
    np.testing.assert_allclose(ours, opencv_projection(points)[0], atol=1e-8)


def test_derivatives_are_opencvs() -> None:
    # Reference library: OpenCV projectPoints; its columns are rvec, tvec, fx, fy, cx, cy, k1 k2 p1 p2 k3.
    points = world_points()
    _, by_view, by_point = camera.project_with_derivatives(points, LENS, ROTATION, TRANSLATION)
    theirs = opencv_projection(points)[1].reshape(-1, 2, 15)
    np.testing.assert_allclose(by_view[:, :, 9:15], theirs[:, :, :6], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(by_view[:, :, 4:9], theirs[:, :, 10:15], rtol=1e-6, atol=1e-6)
    by_f = theirs[:, :, 6] + theirs[:, :, 7] * LENS[1]
    np.testing.assert_allclose(by_view[:, :, 0], by_f, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(by_view[:, :, 1], theirs[:, :, 7] * LENS[0], rtol=1e-7, atol=1e-7)
    turned = theirs[:, :, 3:6] @ cv2.Rodrigues(ROTATION)[0]
    np.testing.assert_allclose(by_point, turned, rtol=1e-6, atol=1e-9)


def test_undistort_undoes_distort() -> None:
    rng = np.random.default_rng(1)
    pixels = rng.uniform([0, 0], [4032, 3024], (200, 2))
    ideal = camera.undistort_pixels(pixels, LENS)
    bent = camera.distort(ideal, LENS)[0]
    again = bent * [LENS[0], LENS[0] * LENS[1]] + LENS[2:4]
    np.testing.assert_allclose(again, pixels, atol=1e-9)


@pytest.mark.parametrize("vector", [(0, 0, 0), (1e-9, 0, 0), (3.1, 0.2, -0.4), (0.1, -2.0, 1.0)])
def test_rotation_vector_and_matrix(vector: tuple[float, float, float]) -> None:
    # Reference library: OpenCV Rodrigues.
    r = np.array(vector, dtype=float)
    matrix = camera.rotation_matrix(r)
    np.testing.assert_allclose(matrix, cv2.Rodrigues(r)[0], atol=1e-12)
    again = camera.rotation_matrix(camera.rotation_vector(matrix))
    np.testing.assert_allclose(again, matrix, atol=1e-12)


def plane(gain: np.ndarray | None = None, **changes: float) -> PlaneMap:
    return PlaneMap(
        lens=LENS,
        rotation_rad=ROTATION,
        translation_mm=TRANSLATION,
        height_mm=changes.get("height_mm", 3.0),
        gain=np.zeros((16, 0)) if gain is None else gain,
    )


def test_plane_round_trip() -> None:
    points = world_points()[:, :2]
    again = camera.pixels_to_plane(camera.plane_to_pixels(points, plane()), plane())
    np.testing.assert_allclose(again, points, atol=1e-8)


def test_height_of_the_face_is_scale() -> None:
    # Parallax of a plate of thickness t under a camera at height H: rho t / (H - t), by
    # similar triangles about the foot point.
    high, flat = plane(height_mm=3.0), plane(height_mm=0.0)
    points = world_points()[:, :2]
    foot = camera.camera_centre(high)
    apparent = camera.pixels_to_plane(camera.plane_to_pixels(points, high), flat)
    expected = foot[:2] + (points - foot[:2]) * foot[2] / (foot[2] - 3.0)
    np.testing.assert_allclose(apparent, expected, atol=1e-7)


def test_sensitivity_is_the_derivative_of_the_whole_map() -> None:
    rng = np.random.default_rng(5)
    gain = np.diag([5, 1e-4, 3, 3, 0.01, 0.02, 1e-4, 1e-4, 0.02] + [1e-3] * 3 + [0.3] * 3 + [0.1])
    points = rng.uniform(-250, 250, (20, 2))
    angle = rng.uniform(0, 2 * np.pi, 20)
    normals = np.column_stack([np.cos(angle), np.sin(angle)])
    base = plane(gain)
    pixels = camera.plane_to_pixels(points, base)
    claimed = camera.plane_sensitivity(points, normals, base)
    for k in range(16):
        step = 1e-3 * gain[:, k]
        ends = []
        for sign in (1, -1):
            v = np.concatenate([LENS, ROTATION, TRANSLATION, [3.0]]) + sign * step
            moved = PlaneMap(
                lens=v[:9],
                rotation_rad=v[9:12],
                translation_mm=v[12:15],
                height_mm=float(v[15]),
                gain=gain,
            )
            ends.append(camera.pixels_to_plane(pixels, moved))
        numeric = ((ends[0] - ends[1]) * normals).sum(1) / 2e-3
        np.testing.assert_allclose(claimed[:, k], numeric, rtol=2e-4, atol=1e-7)
    np.testing.assert_allclose(
        camera.height_sensitivity(points, normals, base) * 0.1, claimed[:, 15], atol=1e-12
    )


def test_one_pixel_across_an_edge() -> None:
    points = np.array([[100.0, 50.0], [-200.0, 120.0]])
    normals = np.array([[0.6, 0.8], [-1.0, 0.0]])
    along = np.column_stack([-normals[:, 1], normals[:, 0]])
    a, b = (camera.plane_to_pixels(points + s * along, plane()) for s in (-0.01, 0.01))
    edge = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
    middle = (a + b) / 2
    across = np.column_stack([-edge[:, 1], edge[:, 0]])
    moved = camera.pixels_to_plane(middle + across, plane()) - points
    np.testing.assert_allclose(
        np.abs((moved * normals).sum(1)),
        camera.mm_per_px_across(points, normals, plane()),
        rtol=2e-3,
    )
