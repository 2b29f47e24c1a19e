"""Small drawn photos with exact truth, for those who write plug-ins.

Every shape is projected through the camera and its share of each pixel's square
is computed exactly (signed areas summed along rows, as font rasterisers do), in
linear light; then blur, tone curve, noise, rounding.  Nothing is resampled, so
an edge lies where the truth says to better than a thousandth of a pixel.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from spilemark import lens as camera
from spilemark.card_face import BITS, marker_codes
from spilemark.cards import Card
from spilemark.records import Bools, CameraFacts, Floats, Photo, PlaneMap
from spilemark.testing.bench import LaidCard, look_at

MarkerBits = Callable[[int], Bools]
"""Coded square's id to its cells (n, n), border included, True where black."""


def shop_markers(number: int) -> Bools:
    """Cells of a built-in card's coded square."""
    code = np.array([bit == "0" for bit in marker_codes()[number]])
    return np.pad(code.reshape(BITS, BITS), 1, constant_values=True)


PAPER = 0.80
INK = 0.035
"""Linear reflectances of paper and toner: common practice, no source."""


def coverage(rings: Sequence[Floats], width: int, height: int) -> NDArray[np.float64]:
    """Share (H, W) of each pixel's square that lies inside closed rings.

    Parameters
    ----------
    rings : sequence of (N, 2)
        Pixels, (0, 0) the centre of the first pixel.  Areas add with their
        winding's sign: holes wind the other way than what they are cut from.
    """
    start = np.concatenate([np.asarray(r, dtype=np.float64) for r in rings]) + 0.5
    end = np.concatenate([np.roll(np.asarray(r, dtype=np.float64), -1, 0) for r in rings]) + 0.5
    a, b = _cut_at_pixel_lines(start, end)
    middle = 0.5 * (a + b)
    rows = np.floor(middle[:, 1]).astype(np.int64)
    drop = b[:, 1] - a[:, 1]
    inside = (rows >= 0) & (rows < height) & (middle[:, 0] < width)
    rows, drop, x = rows[inside], drop[inside], np.maximum(middle[inside, 0], 0.0)
    columns = np.floor(x).astype(np.int64)
    beyond = drop * (x - columns)
    flat = np.zeros(height * (width + 2))
    at = rows * (width + 2) + columns
    flat += np.bincount(at, drop - beyond, len(flat))
    flat += np.bincount(at + 1, beyond, len(flat))
    return np.asarray(np.abs(np.cumsum(flat.reshape(height, width + 2), axis=1)[:, :width]))


def _cut_at_pixel_lines(start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Split segments wherever they cross a whole x or y."""
    which = [np.arange(len(start)), np.arange(len(start))]
    where = [np.zeros(len(start)), np.ones(len(start))]
    for axis in (0, 1):
        low = np.minimum(start[:, axis], end[:, axis])
        high = np.maximum(start[:, axis], end[:, axis])
        count = np.maximum(np.ceil(high) - np.floor(low) - 1, 0).astype(np.int64)
        segment = np.repeat(np.arange(len(start)), count)
        first = np.cumsum(count) - count
        line = np.floor(low)[segment] + 1 + np.arange(len(segment)) - np.repeat(first, count)
        span = (end - start)[segment, axis]
        safe = np.where(span == 0, 1.0, span)
        which.append(segment)
        where.append(np.clip((line - start[segment, axis]) / safe, 0.0, 1.0))
    segments, at = np.concatenate(which), np.concatenate(where)
    order = np.lexsort((at, segments))
    segments, at = segments[order], at[order]
    same = segments[1:] == segments[:-1]
    s, t0, t1 = segments[1:][same], at[:-1][same, None], at[1:][same, None]
    step = (end - start)[s]
    return start[s] + step * t0, start[s] + step * t1


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Light, optics and sensor of a drawn photo."""

    bench: float = 0.10
    """Linear reflectance, 0..1, as are the next."""
    pattern: float = 0.45
    falloff: float = 0.0
    """How much darker the right border is than the left, as a share."""
    blur_px: float = 0.8
    """One sigma of a Gaussian."""
    noise: float = 0.0
    """One sigma of 8-bit steps."""
    srgb: bool = True
    seed: int = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnScene:
    """A drawn photo and what is true of it."""

    photo: Photo
    plane: PlaneMap
    """True map to the pattern's face."""
    rings_mm: tuple[Floats, ...]
    """Outer edge and holes on the face."""
    cards: tuple[LaidCard, ...]

    @property
    def rings_px(self) -> tuple[Floats, ...]:
        """Where the edges lie in the photo, stored pixels."""
        return tuple(camera.plane_to_pixels(r, self.plane) for r in self.rings_mm)

    def crossings_px(self, card: LaidCard) -> Floats:
        """Where a card's crossings lie in the photo, row by row."""
        return _seen(card, [card.card.crossings_mm()], self.plane)[0]


def simple_plane(
    *,
    width_px: int,
    height_px: int,
    mm_per_px: float = 0.5,
    tilt_deg: float = 10.0,
    azimuth_deg: float = -70.0,
    roll_deg: float = 3.0,
    height_mm: float = 3.0,
    k1: float = 0.08,
    k2: float = -0.15,
) -> PlaneMap:
    """A true map for a small picture of the bench around (0, 0)."""
    focal = 0.76 * max(width_px, height_px)
    lens = np.array([focal, 1.0, (width_px - 1) / 2, (height_px - 1) / 2, k1, k2, 2e-4, -1e-4, 0.0])
    pose = look_at(np.zeros(3), focal * mm_per_px, tilt_deg, azimuth_deg, roll_deg)
    return PlaneMap(
        lens=lens,
        rotation_rad=pose[0],
        translation_mm=pose[1],
        height_mm=height_mm,
        gain=np.zeros((16, 0)),
    )


def scan_plane(
    *,
    width_px: int,
    height_px: int,
    dpi: tuple[float, float],
    turn_rad: float = 0.0,
    middle_mm: tuple[float, float] = (0.0, 0.0),
) -> PlaneMap:
    """A true map for a flatbed scan with these dots per inch across and along; the face lies on the glass.

    ``middle_mm`` is about where the middle of the glass lies.
    """
    half = -0.5 * turn_rad
    rotation = np.pi * np.array([np.cos(half), np.sin(half), 0.0])
    middle = camera.rotation_matrix(rotation) @ np.array([*middle_mm, 0.0])
    across, along = dpi
    focal = across / 25.4 * camera.SCAN_DISTANCE_MM
    centre = (width_px - 1) / 2, (height_px - 1) / 2
    return PlaneMap(
        lens=np.array([focal, along / across, *centre, 0.0, 0.0, 0.0, 0.0, 0.0]),
        rotation_rad=rotation,
        translation_mm=np.array([0.0, 0.0, camera.SCAN_DISTANCE_MM]) - middle,
        height_mm=0.0,
        gain=np.zeros((16, 0)),
    )


def draw_scene(
    rings_mm: Sequence[Floats],
    plane: PlaneMap,
    size_px: tuple[int, int],
    *,
    cards: Sequence[LaidCard] = (),
    markers: MarkerBits | None = shop_markers,
    look: Look | None = None,
) -> DrawnScene:
    """Draw a pattern (rings on its face; none for cards alone) and cards on the bench.

    Parameters
    ----------
    size_px
        Width, height.
    markers
        Gives the coded squares; None draws plain chessboards.
    """
    shown = look or Look()
    width, height = size_px
    light = np.full((height, width), shown.bench)

    def lay(rings: Sequence[Floats], value: float) -> None:
        every = np.concatenate(rings)
        left, top = np.clip(np.floor(every.min(0)).astype(int), 0, size_px)
        right, bottom = np.clip(np.ceil(every.max(0)).astype(int) + 1, 0, size_px)
        if right <= left or bottom <= top:
            return
        share = coverage([r - [left, top] for r in rings], right - left, bottom - top)
        part = light[top:bottom, left:right]
        part += share * (value - part)

    for laid in cards:
        lay(_seen(laid, [_paper(laid.card)], plane), PAPER)
        lay(_seen(laid, _black(laid.card, markers), plane), INK)
    if rings_mm:
        lay([camera.plane_to_pixels(r, plane) for r in rings_mm], shown.pattern)
    return DrawnScene(
        photo=_photo(_develop(light, shown)),
        plane=plane,
        rings_mm=tuple(np.asarray(r, dtype=np.float64) for r in rings_mm),
        cards=tuple(cards),
    )


def _seen(laid: LaidCard, boards: list[Floats], plane: PlaneMap) -> list[Floats]:
    """Rings of a card, board millimetres, in pixels."""
    world = laid.to_world(np.concatenate(boards))
    pixels = camera.project(world, plane.lens, plane.rotation_rad, plane.translation_mm)
    return list(np.split(pixels, np.cumsum([len(b) for b in boards])[:-1]))


def _box(x: float, y: float, w: float, h: float, step_mm: float = 1.0) -> Floats:
    """A rectangle's border, close enough set that lens curvature is followed."""
    n, m = max(1, int(np.ceil(w / step_mm))), max(1, int(np.ceil(h / step_mm)))
    along, down = np.linspace(0, w, n + 1)[:-1], np.linspace(0, h, m + 1)[:-1]
    sides = [
        np.column_stack([along, np.zeros(n)]),
        np.column_stack([np.full(m, w), down]),
        np.column_stack([w - along, np.full(n, h)]),
        np.column_stack([np.zeros(m), h - down]),
    ]
    return np.concatenate(sides) + [x, y]


def _paper(card: Card) -> Floats:
    """The sheet: a white border of half a square round the chessboard."""
    width, height = card.size_mm
    rim = 0.5 * card.square_mm
    return _box(-rim, -rim, width + 2 * rim, height + 2 * rim)


def _black(card: Card, markers: MarkerBits | None) -> list[Floats]:
    """Everything that is printed black, as rectangles of one winding."""
    side = card.square_mm
    boxes = [
        _box(c * side, r * side, side, side)
        for r in range(card.rows)
        for c in range(card.columns)
        if (r + c) % 2 == 0
    ]
    if markers is None:
        return boxes
    rim = (side - card.marker_mm) / 2
    for number, column, row in card.marker_squares():
        bits = markers(number)
        cell = card.marker_mm / len(bits)
        boxes += [
            _box(column * side + rim + x * cell, row * side + rim + y * cell, cell, cell, cell)
            for y, x in np.argwhere(bits)
        ]
    return boxes


def _develop(light: Floats, look: Look) -> NDArray[np.uint8]:
    """Linear light to 8-bit grey."""
    across = np.linspace(0.0, 1.0, light.shape[1])
    shown = _blur(light * (1 - look.falloff * across), look.blur_px)
    if look.srgb:
        # IEC 61966-2-1, the sRGB transfer curve.
        low, high = 12.92 * shown, 1.055 * np.maximum(shown, 1e-9) ** (1 / 2.4) - 0.055
        shown = np.where(shown <= 0.0031308, low, high)
    steps = 255.0 * shown
    if look.noise:
        steps = steps + np.random.default_rng(look.seed).normal(0, look.noise, steps.shape)
    return np.clip(np.round(steps), 0, 255).astype(np.uint8)


def _blur(image: Floats, sigma: float) -> Floats:
    """Gaussian blur by sums of shifted copies, borders repeated."""
    if sigma <= 0:
        return image
    reach = int(np.ceil(4 * sigma))
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    taps /= taps.sum()
    for axis in (0, 1):
        size = image.shape[axis]
        pad = [(reach, reach) if a == axis else (0, 0) for a in (0, 1)]
        wide = np.pad(image, pad, mode="edge")
        image = np.zeros_like(image)
        for k, weight in enumerate(taps):
            image += weight * (wide[k : k + size] if axis == 0 else wide[:, k : k + size])
    return image


def _photo(grey: NDArray[np.uint8]) -> Photo:
    return Photo(
        path=Path("drawn.png"),
        sha256=hashlib.sha256(grey.tobytes()).hexdigest(),
        pixels=grey,
        camera=CameraFacts(),
    )
