"""What lies on a bench, and where the camera stands over it.

Bench frame: top z = 0, z towards the camera, millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark import lens as camera
from spilemark.cards import Card
from spilemark.records import Floats, PlaneMap


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidCard:
    """One card as it lies."""

    card: Card
    centre_mm: Floats
    """(2,) of the chessboard."""
    turn_rad: float
    base_mm: float
    """Height of what it lies on."""
    lift_mm: float
    bow_mm: float
    """How much higher its two short ends stand than its middle (a parabola)."""
    print_scale: tuple[float, float]
    shear: float

    def to_world(self, board_mm: Floats) -> Floats:
        """Board points (N, 2), y down from the chessboard's top-left, to the world (N, 3)."""
        width, height = self.card.size_mm
        flat = np.asarray(board_mm, dtype=np.float64) - [width / 2, height / 2]
        x = flat[:, 0] * self.print_scale[0]
        y = -flat[:, 1] * self.print_scale[1]
        x = x + self.shear * y
        rise = self.base_mm + self.lift_mm + self.bow_mm * (2 * flat[:, 0] / width) ** 2
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.stack(
            [self.centre_mm[0] + c * x - s * y, self.centre_mm[1] + s * x + c * y, rise], axis=-1
        )

    @property
    def cross_world(self) -> Floats:
        """The tape cross (3,)."""
        return np.asarray(self.to_world(np.array([self.card.tape_cross_mm]))[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrueCamera:
    """Where a camera really stood, and its lens."""

    lens: Floats
    """(9,) in ``spilemark.lens.LENS_NAMES`` order."""
    rotation_rad: Floats
    translation_mm: Floats

    def plane(self, height_mm: float) -> PlaneMap:
        """The true map between stored pixels and the bench at a height, free of doubt."""
        return PlaneMap(
            lens=self.lens,
            rotation_rad=self.rotation_rad,
            translation_mm=self.translation_mm,
            height_mm=height_mm,
            gain=np.zeros((16, 0)),
        )


def look_at(
    target_mm: Floats, distance_mm: float, tilt_deg: float, azimuth_deg: float, roll_deg: float
) -> tuple[Floats, Floats]:
    """Rotation vector (3,) and translation (3,) of a camera aimed at a point of the bench.

    ``tilt_deg`` is between the optical axis and the bench's normal, ``azimuth_deg``
    the direction from +x in which the camera stands off, ``roll_deg`` the turn of
    the phone about its own axis.
    """
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    back = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    right = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    down = np.cross(-back, right)
    level = np.stack([right, down, -back])
    c, s = np.cos(roll), np.sin(roll)
    rotation = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ level
    place = np.asarray(target_mm, dtype=np.float64) + distance_mm * back
    return camera.rotation_vector(rotation), np.asarray(-rotation @ place)


def free_place(
    outline: Floats, places: Sequence[Floats], way: float, radius: float, gap: float
) -> Floats:
    """Nearest free place (2,) for a card's middle, going out from the pattern's middle."""
    out = np.array([np.cos(way), np.sin(way)])
    reach = float(np.linalg.norm(outline, axis=1).max()) + 4 * radius
    for away in np.arange(0.0, reach, 4.0):
        at = out * away
        clear = np.linalg.norm(outline - at, axis=1).min() > radius + gap
        apart = all(np.linalg.norm(at - p) > 2 * radius for p in places)
        if clear and apart and not _inside(at, outline):
            return np.asarray(at)
    return np.asarray(out * reach)


def _inside(point: Floats, ring: Floats) -> bool:
    """Crossing-number test."""
    a, b = ring, np.roll(ring, -1, 0)
    spans = (a[:, 1] > point[1]) != (b[:, 1] > point[1])
    rise = np.where(spans, b[:, 1] - a[:, 1], 1.0)
    x = a[:, 0] + (point[1] - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
    return bool(np.count_nonzero(spans & (x > point[0])) % 2)
