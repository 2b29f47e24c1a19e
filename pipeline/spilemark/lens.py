"""The camera: a pinhole with Brown's distortion, its derivatives, and the map to a plane.

The distortion is the one of OpenCV's ``projectPoints`` with five coefficients
(Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8),
1971); ``tests`` compare both.  Written out here, with analytic derivatives,
because the core imports no image library.

Pixel (0, 0) is the centre of the first stored pixel.
"""

from __future__ import annotations

import math

import numpy as np

from spilemark.records import Floats, PlaneMap

LENS_NAMES: tuple[str, ...] = ("f", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
SCAN_DISTANCE_MM = 1e6
"""A flatbed looks straight down on every point: like a camera so far away.

Over A3 the rays then differ by less than half a thousandth of a degree a millimetre of height.
"""
VIEW_NAMES: tuple[str, ...] = (*LENS_NAMES, "rx", "ry", "rz", "tx", "ty", "tz", "height")


def _skew(v: Floats) -> Floats:
    """Cross-product matrices (..., 3, 3) of vectors (..., 3)."""
    zero = np.zeros_like(v[..., 0])
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    rows = [np.stack(r, axis=-1) for r in ((zero, -z, y), (z, zero, -x), (-y, x, zero))]
    return np.stack(rows, axis=-2)


def rotation_matrix(rotation_rad: Floats) -> Floats:
    """Rotation vector (3,) to matrix (3, 3), Rodrigues' formula."""
    x, y, z = (float(v) for v in rotation_rad)
    angle = math.sqrt(x * x + y * y + z * z)
    k = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    a = math.sin(angle) / angle if angle > 1e-8 else 1.0
    b = 0.5 * (math.sin(0.5 * angle) / (0.5 * angle)) ** 2 if angle > 1e-8 else 0.5
    result: Floats = np.eye(3) + a * k + b * (k @ k)
    return result


def rotation_vector(matrix: Floats) -> Floats:
    """Matrix (3, 3) to rotation vector (3,), by way of the quaternion of largest part."""
    m = np.asarray(matrix, dtype=np.float64)
    four = np.array(
        [
            [m[0, 0] - m[1, 1] - m[2, 2], 0, 0, 0],
            [m[1, 0] + m[0, 1], m[1, 1] - m[0, 0] - m[2, 2], 0, 0],
            [m[2, 0] + m[0, 2], m[2, 1] + m[1, 2], m[2, 2] - m[0, 0] - m[1, 1], 0],
            [m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1], np.trace(m)],
        ]
    )
    quaternion = np.linalg.eigh(four, UPLO="L")[1][:, -1]
    if quaternion[3] < 0:
        quaternion = -quaternion
    norm = float(np.linalg.norm(quaternion[:3]))
    if norm < 1e-12:
        return np.asarray(2.0 * quaternion[:3])
    return np.asarray(quaternion[:3] * (2.0 * np.arctan2(norm, quaternion[3]) / norm))


def _right_jacobian(rotation_rad: Floats) -> Floats:
    """Right Jacobian of SO(3) at a rotation vector (3, 3)."""
    angle = float(np.linalg.norm(rotation_rad))
    k = _skew(np.asarray(rotation_rad, dtype=np.float64))
    if angle < 1e-6:
        near: Floats = np.eye(3) - 0.5 * k + k @ k / 6.0
        return near
    result: Floats = (
        np.eye(3)
        - (1 - np.cos(angle)) / angle**2 * k
        + (angle - np.sin(angle)) / angle**3 * (k @ k)
    )
    return result


def distort(xy: Floats, lens: Floats) -> tuple[Floats, Floats, Floats]:
    """Bend ideal image-plane points.

    Parameters
    ----------
    xy : (N, 2)
        Ideal points at unit distance.
    lens : (9,)

    Returns
    -------
    bent : (N, 2)
    by_point : (N, 2, 2)
        Derivative by the ideal point.
    by_lens : (N, 2, 5)
        Derivative by k1, k2, p1, p2, k3.
    """
    bent, by_point = bent_by_point(xy, lens)
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    r4 = r2 * r2
    by_lens = np.stack(
        [
            np.stack([x * r2, x * r4, 2 * x * y, r2 + 2 * x * x, x * r4 * r2], axis=-1),
            np.stack([y * r2, y * r4, r2 + 2 * y * y, 2 * x * y, y * r4 * r2], axis=-1),
        ],
        axis=-2,
    )
    return bent, by_point, by_lens


def bend(xy: Floats, lens: Floats) -> Floats:
    """Bent points (N, 2) of ideal ones (N, 2), as in :func:`distort`, and nothing else."""
    k1, k2, p1, p2, k3 = lens[4:9]
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    bent = np.empty((len(xy), 2))
    bent[:, 0] = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    bent[:, 1] = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return bent


def bent_by_point(xy: Floats, lens: Floats) -> tuple[Floats, Floats]:
    """Bent points (N, 2), and their derivatives (N, 2, 2) by the ideal ones, as in :func:`distort`."""
    k1, k2, p1, p2, k3 = lens[4:9]
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))
    by_point = np.empty((len(x), 2, 2))
    by_point[:, 0, 0] = radial + x * x * slope + 2 * p1 * y + 6 * p2 * x
    by_point[:, 0, 1] = by_point[:, 1, 0] = x * y * slope + 2 * p1 * x + 2 * p2 * y
    by_point[:, 1, 1] = radial + y * y * slope + 6 * p1 * y + 2 * p2 * x
    return bend(xy, lens), by_point


def undistort_pixels(pixels: Floats, lens: Floats) -> Floats:
    """Stored pixels (N, 2) to ideal image-plane points (N, 2) at unit distance, by Newton steps.

    Where the polynomial has no inverse (far outside the frame) the last step is
    returned; the points of a photo never lie there for a lens that the survey accepts.
    """
    p = np.asarray(pixels, dtype=np.float64)
    target = (p - lens[2:4]) / np.array([lens[0], lens[0] * lens[1]])
    xy = target.copy()
    for _ in range(12):
        bent, by_point = bent_by_point(xy, lens)
        miss = bent - target
        a, b, d = by_point[:, 0, 0], by_point[:, 0, 1], by_point[:, 1, 1]
        det = a * d - b * b
        det = np.where(np.abs(det) < 1e-6, 1e-6, det)
        step = np.stack([d * miss[:, 0] - b * miss[:, 1], a * miss[:, 1] - b * miss[:, 0]], axis=-1)
        step /= det[:, None]
        xy -= np.clip(step, -0.3, 0.3)
        if not len(step) or np.abs(step).max() < 1e-13:
            break
    return np.asarray(xy)


def project(points: Floats, lens: Floats, rotation_rad: Floats, translation_mm: Floats) -> Floats:
    """World points (N, 3), mm, to stored pixels (N, 2)."""
    camera = points @ rotation_matrix(rotation_rad).T + translation_mm
    bent = bend(camera[:, :2] / camera[:, 2:], lens)
    return np.asarray(bent * [lens[0], lens[0] * lens[1]] + lens[2:4])


def project_with_derivatives(
    points: Floats, lens: Floats, rotation_rad: Floats, translation_mm: Floats
) -> tuple[Floats, Floats, Floats]:
    """Project, and differentiate.

    Returns
    -------
    pixels : (N, 2)
    by_view : (N, 2, 15)
        By the lens (9), rotation vector (3) and translation (3).
    by_point : (N, 2, 3)
        By the world point.
    """
    rotation = rotation_matrix(rotation_rad)
    camera = points @ rotation.T + translation_mm
    depth = camera[:, 2]
    ideal = camera[:, :2] / depth[:, None]
    bent, bend_by_point, bend_by_lens = distort(ideal, lens)
    focal = np.array([lens[0], lens[0] * lens[1]])
    pixels = bent * focal + lens[2:4]

    # Written out: products of thousands of small matrices take ten times as long.
    bent_by_point = focal[:, None] * bend_by_point / depth[:, None, None]
    by_camera = np.empty((len(points), 2, 3))
    by_camera[:, :, :2] = bent_by_point
    by_camera[:, :, 2] = -(bent_by_point * ideal[:, None, :]).sum(axis=2)
    by_point = (by_camera.reshape(-1, 3) @ rotation).reshape(-1, 2, 3)

    by_view = np.empty((len(points), 2, 15))
    by_view[:, :, :4] = 0.0
    by_view[:, 0, 0] = bent[:, 0]
    by_view[:, 1, 0] = bent[:, 1] * lens[1]
    by_view[:, 1, 1] = bent[:, 1] * lens[0]
    by_view[:, 0, 2] = by_view[:, 1, 3] = 1.0
    by_view[:, :, 4:9] = focal[:, None] * bend_by_lens
    # A small turn moves a point by its cross product with it: a . (w x p) = w . (p x a).
    x, y, z = points[:, :1], points[:, 1:2], points[:, 2:]
    a, b, c = by_point[:, :, 0], by_point[:, :, 1], by_point[:, :, 2]
    turned = np.stack([y * c - z * b, z * a - x * c, x * b - y * a], axis=-1)
    jacobian = _right_jacobian(rotation_rad)
    by_view[:, :, 9:12] = (turned.reshape(-1, 3) @ jacobian).reshape(-1, 2, 3)
    by_view[:, :, 12:15] = by_camera
    return pixels, by_view, by_point


def pixels_to_plane(pixels: Floats, plane: PlaneMap) -> Floats:
    """Stored pixels (N, 2) to mm (N, 2) on the pattern's face."""
    return pixels_to_height(pixels, plane, plane.height_mm)


def pixels_to_height(pixels: Floats, plane: PlaneMap, height_mm: float) -> Floats:
    """Stored pixels (N, 2) to mm (N, 2) on the plane z = ``height_mm``."""
    ideal = undistort_pixels(pixels, plane.lens)
    rotation = rotation_matrix(plane.rotation_rad)
    centre = -rotation.T @ plane.translation_mm
    ray = np.concatenate([ideal, np.ones((len(ideal), 1))], axis=1) @ rotation
    along = (height_mm - centre[2]) / ray[:, 2]
    return np.asarray(centre[:2] + ray[:, :2] * along[:, None])


def plane_to_pixels(points_mm: Floats, plane: PlaneMap, height_mm: float | None = None) -> Floats:
    """Points (N, 2) on the pattern's face (or at another height) to stored pixels (N, 2)."""
    p = np.asarray(points_mm, dtype=np.float64)
    height = plane.height_mm if height_mm is None else height_mm
    space = np.concatenate([p, np.full((len(p), 1), height)], axis=1)
    return project(space, plane.lens, plane.rotation_rad, plane.translation_mm)


def camera_centre(plane: PlaneMap) -> Floats:
    """The camera's place (3,) in the plane frame, mm; its x, y are the foot point."""
    result: Floats = -rotation_matrix(plane.rotation_rad).T @ plane.translation_mm
    return result


def _derivatives_on_plane(points_mm: Floats, plane: PlaneMap) -> tuple[Floats, Floats]:
    """Inverse of d(pixel)/d(x, y) (N, 2, 2) and d(pixel)/d(view numbers) (N, 2, 16)."""
    p = np.asarray(points_mm, dtype=np.float64)
    space = np.concatenate([p, np.full((len(p), 1), plane.height_mm)], axis=1)
    _, by_view, by_point = project_with_derivatives(
        space, plane.lens, plane.rotation_rad, plane.translation_mm
    )
    by_numbers = np.concatenate([by_view, by_point[:, :, 2:]], axis=2)
    return np.asarray(np.linalg.inv(by_point[:, :, :2]), np.float64), by_numbers


def plane_sensitivity(points_mm: Floats, normals: Floats, plane: PlaneMap) -> Floats:
    """Change (N, K) of points along their normals, mm per one sigma of each cause.

    By the implicit function: the pixel is what was measured and stays, so
    d(point) = -(d pixel / d point)^-1 (d pixel / d view) d(view).
    """
    inverse, by_view = _derivatives_on_plane(points_mm, plane)
    along = np.einsum("ni,nij->nj", np.asarray(normals, dtype=np.float64), inverse)
    by_number = -np.einsum("nj,njk->nk", along, by_view)
    return np.asarray(by_number @ plane.gain)


def height_sensitivity(points_mm: Floats, normals: Floats, plane: PlaneMap) -> Floats:
    """Change (N,) of points along their normals per mm that the face really stood higher there."""
    inverse, by_view = _derivatives_on_plane(points_mm, plane)
    along = np.einsum("ni,nij->nj", np.asarray(normals, dtype=np.float64), inverse)
    return np.asarray(-np.einsum("nj,nj->n", along, by_view[:, :, 15]))


def mm_per_px_across(points_mm: Floats, normals: Floats, plane: PlaneMap) -> Floats:
    """How far (N,) an edge with this normal moves on the face when it moves one pixel across itself."""
    inverse, _ = _derivatives_on_plane(points_mm, plane)
    along = np.einsum("ni,nij->nj", np.asarray(normals, dtype=np.float64), inverse)
    return np.asarray(np.linalg.norm(along, axis=1))
