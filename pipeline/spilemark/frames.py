"""Frames and flips, all of them, in one place.

Stored pixels
    The image matrix as the file stores it, before EXIF orientation.  Pixel
    (0, 0) is the *centre* of its top-left pixel.  Points are (x, y), never
    (row, column).  Lens work happens here.
Upright pixels
    After EXIF orientation: what a person sees and types.
Plane frame
    Millimetres on the pattern's face, x right, y up as seen from above;
    origin and turn arbitrary.
Boat frame
    Looking down on the boat with the bow up::

                 y  forward
                 |
        port     |     starboard
                 |
                 +----------- x
                x = 0: centreline (or, with no offset stated, the pencil
                line itself: the "pattern frame")

Page frames
    SVG has y down, PDF y up; both measure from a corner of the sheet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


def upright_size(width: int, height: int, orientation: int) -> tuple[int, int]:
    """Size (width, height) in px after EXIF ``orientation`` (1..8) is applied."""
    return (height, width) if orientation >= 5 else (width, height)


def stored_to_upright(points: Points, width: int, height: int, orientation: int) -> Points:
    """Map stored pixel points (N, 2) to upright ones.

    Parameters
    ----------
    points : (N, 2) array, px
        In the stored matrix of ``width`` x ``height`` px.
    orientation : int
        EXIF tag 274 (TIFF 6.0, "Orientation"), 1..8.
    """
    p = np.asarray(points, dtype=np.float64)
    x, y = p[..., 0], p[..., 1]
    w, h = width - 1.0, height - 1.0
    pairs = {
        1: (x, y),
        2: (w - x, y),
        3: (w - x, h - y),
        4: (x, h - y),
        5: (y, x),
        6: (h - y, x),
        7: (h - y, w - x),
        8: (y, w - x),
    }
    if orientation not in pairs:
        raise ValueError(f"EXIF orientation is 1 to 8, not {orientation}")
    return np.stack(pairs[orientation], axis=-1)


def upright_to_stored(points: Points, width: int, height: int, orientation: int) -> Points:
    """Undo :func:`stored_to_upright`; ``width``, ``height`` are the stored ones."""
    inverse = {6: 8, 8: 6}.get(orientation, orientation)
    uw, uh = upright_size(width, height, orientation)
    return stored_to_upright(points, uw, uh, inverse)


def upright_pixels(pixels: NDArray[np.generic], orientation: int) -> NDArray[np.generic]:
    """Turn an image matrix (H, W[, 3]) upright; a view where numpy allows it."""
    turned = {
        1: lambda a: a,
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: a[::-1],
        5: lambda a: a.swapaxes(0, 1),
        6: lambda a: a.swapaxes(0, 1)[:, ::-1],
        7: lambda a: a.swapaxes(0, 1)[::-1, ::-1],
        8: lambda a: a.swapaxes(0, 1)[::-1],
    }
    return np.asarray(turned[orientation](pixels))


def mirror_across_centreline(points: Points) -> Points:
    """Mirror boat-frame points (N, 2) port to starboard: x changes sign."""
    return np.asarray(np.asarray(points, dtype=np.float64) * np.array([-1.0, 1.0]))


def left_normals(points: Points, *, closed: bool) -> Points:
    """Unit normals (N, 2) to the *left* of a polyline's direction of travel.

    For an anticlockwise outer ring the outward normal is the negative of
    this; see :func:`outward_normals`.
    """
    p = np.asarray(points, dtype=np.float64)
    step = np.roll(p, -1, 0) - np.roll(p, 1, 0) if closed else np.gradient(p, axis=0)
    step /= np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-12)
    return np.stack([-step[:, 1], step[:, 0]], axis=-1)


def outward_normals(ring: Points) -> Points:
    """Unit normals (N, 2) out of the wood: outer ring anticlockwise, hole clockwise."""
    return -left_normals(ring, closed=True)


def signed_area(ring: Points) -> float:
    """Signed area of a closed ring, positive when anticlockwise in x right, y up."""
    x, y = np.asarray(ring, dtype=np.float64).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def mm_to_svg(points: Points, *, left_mm: float, top_mm: float) -> Points:
    """Plane or boat mm (y up) to SVG user units (y down); the sheet's top-left is (left, top)."""
    p = np.asarray(points, dtype=np.float64)
    return np.stack([p[..., 0] - left_mm, top_mm - p[..., 1]], axis=-1)


def mm_to_pdf(points: Points, *, left_mm: float, bottom_mm: float) -> Points:
    """Plane or boat mm to PDF points (1/72 in); the sheet's bottom-left is (left, bottom)."""
    p = np.asarray(points, dtype=np.float64)
    return np.asarray((p - np.array([left_mm, bottom_mm])) * (72.0 / 25.4))
