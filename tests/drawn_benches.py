"""Drawn colour photos of patterns, shadows, walls and pencil lines, with exact truth, for the tracer.

Layers of linear light are laid over one another by the exact share of each
pixel that they cover; then blur, sRGB code, noise, rounding, as a phone would.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.records import (
    CardSighting,
    Cause,
    Floats,
    Lens,
    Photo,
    PlaneMap,
    ScaleBasis,
    ScaleStatement,
    StraightPhoto,
    Survey,
    View,
)
from spilemark.tags import TAGS
from spilemark.testing.bench import LaidCard
from spilemark.testing.scenes import coverage, draw_scene, simple_plane

PLY = (0.50, 0.34, 0.18)
MAT = (0.020, 0.020, 0.021)
CONCRETE = (0.30, 0.29, 0.27)
WHITE = (0.80, 0.79, 0.77)
PAINT = (0.55, 0.57, 0.60)
KRAFT = (0.34, 0.22, 0.11)
PENCIL = (0.06, 0.06, 0.065)

MM_PER_PX = 0.28
SIZE = (1240, 960)


def plane(
    size: tuple[int, int] = SIZE, *, height_mm: float = 3.0, tilt_deg: float = 8.0
) -> PlaneMap:
    """A phone over the bench, its gain that of two made-up causes (face height, picture scale)."""
    at = simple_plane(
        width_px=size[0],
        height_px=size[1],
        mm_per_px=MM_PER_PX,
        height_mm=height_mm,
        tilt_deg=tilt_deg,
    )
    gain = np.zeros((16, 2))
    gain[15, 0] = 0.1
    gain[0, 1] = 0.001 * at.lens[0]
    return PlaneMap(
        lens=at.lens,
        rotation_rad=at.rotation_rad,
        translation_mm=at.translation_mm,
        height_mm=height_mm,
        gain=gain,
    )


@dataclass
class Bench:
    """A picture in the making, linear RGB."""

    plane: PlaneMap
    size: tuple[int, int] = SIZE
    colour: Sequence[float] = MAT
    falloff: float = 0.2
    """How much darker the right border is than the left, as a share."""
    grain: float = 0.0
    seed: int = 1
    light: NDArray[np.float64] = field(init=False)
    cards: list[LaidCard] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.light = np.tile(np.asarray(self.colour, float), (self.size[1], self.size[0], 1))
        if self.grain:
            rng = np.random.default_rng(self.seed)
            self.light *= np.exp(rng.normal(0, self.grain, self.light.shape[:2]))[..., None]

    def lay(
        self,
        rings: Sequence[Floats],
        colour: Sequence[float],
        *,
        height_mm: float | None = None,
        opacity: float = 1.0,
    ) -> None:
        """Lay a shape (outer ring, holes the other way round) at a height over what is there."""
        pixels = [camera.plane_to_pixels(r, self.plane, height_mm) for r in rings]
        share = opacity * coverage(pixels, *self.size)[..., None]
        self.light += share * (np.asarray(colour, float) - self.light)

    def shade(self, rings: Sequence[Floats], left: float) -> None:
        """A shadow on the bench: this share of the light is left."""
        share = coverage([camera.plane_to_pixels(r, self.plane, 0.0) for r in rings], *self.size)
        self.light *= (1 - (1 - left) * share)[..., None]

    def card(self, name: str, at_mm: tuple[float, float], turn_deg: float = 0.0, base: float = 0.0):
        """One of our own cards or tags, on the bench or (``base``: its height) on the face."""
        self.boards([(name, at_mm, turn_deg, base)])

    def boards(self, lying: Sequence[tuple[str, tuple[float, float], float, float]]) -> None:
        """Several cards and tags at once, none over another; for each what ``card`` takes."""
        every = {b.name: b for b in (*shop_cards().cards, *(tag.board for tag in TAGS))}
        laid = [
            LaidCard(
                card=every[name],
                centre_mm=np.asarray(at_mm, float),
                turn_rad=np.radians(turn_deg),
                base_mm=base,
                lift_mm=0.1,
                bow_mm=0.0,
                print_scale=(1.0, 1.0),
                shear=0.0,
            )
            for name, at_mm, turn_deg, base in lying
        ]
        # Drawn alone on black and on white, what differs is not card.
        shown = [
            draw_scene([], self.plane, self.size, cards=laid, look=_flat(level)).photo.pixels / 255
            for level in (0.0, 1.0)
        ]
        free = (shown[1] - shown[0])[..., None]
        self.light = free * self.light + (1 - free) * (
            shown[0][..., None] / np.maximum(1 - free, 1e-6)
        )
        self.cards += laid

    def photo(self, *, blur_px: float = 0.9, noise: float = 1.0, orientation: int = 1) -> Photo:
        """Develop the picture: 8-bit sRGB."""
        across = np.linspace(0, self.falloff, self.size[0])
        shown = _blurred(self.light * (1 - across)[None, :, None], blur_px)
        low, high = 12.92 * shown, 1.055 * np.maximum(shown, 1e-9) ** (1 / 2.4) - 0.055
        steps = 255 * np.where(shown <= 0.0031308, low, high)  # IEC 61966-2-1
        steps += np.random.default_rng(self.seed + 7).normal(0, noise, steps.shape)
        pixels = np.clip(np.round(steps), 0, 255).astype(np.uint8)
        return Photo(path=Path("drawn.png"), sha256="0", pixels=pixels, orientation=orientation)

    def view(self, arm: str = "port", **develop: float) -> View:
        """The picture as the survey would hand it on, placed exactly."""
        photo = self.photo(**develop)  # type: ignore[arg-type]
        sightings = tuple(_sighted(laid, self.plane) for laid in self.cards)
        corners = [s.outline_mm for s in sightings]
        hull = np.concatenate(corners) if corners else np.zeros((0, 2))
        lens = Lens(values=self.plane.lens, covariance=np.eye(9) * 1e-12, basis="drawn")
        straight = StraightPhoto(photo=photo, lens=lens, lens_group="drawn", arm=arm)
        return View(
            straight=straight,
            plane=self.plane,
            cards=sightings,
            residual_rms_px=0.05,
            card_hull_mm=hull,
        )


def survey(*views: View) -> Survey:
    """A survey of drawn views; its two causes are those of :func:`plane`."""
    return Survey(
        views=views,
        causes=(
            Cause(id="face-height", kind="face height"),
            Cause(id="picture-scale", kind="lens"),
        ),
        scale=ScaleStatement(
            basis=ScaleBasis.TAPED, words="drawn", sigma_relative=1e-4, print_scale=(1.0, 1.0)
        ),
    )


def grained(
    ring: Floats,
    plane_map: PlaneMap,
    bench: Bench,
    colour: Sequence[float],
    seed: int,
    *,
    turn_deg: float = 0.0,
):
    """Lay a face with wood grain: streaks along x, or turned from it, 0.7 to 12 mm wide."""
    before = bench.light.copy()
    bench.lay([ring], (1.0, 1.0, 1.0))
    cover = (bench.light[..., :1] - before[..., :1]) / np.maximum(1 - before[..., :1], 1e-6)
    height, width = bench.size[1], bench.size[0]
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).reshape(-1, 2)
    x, y = camera.pixels_to_plane(grid.astype(float), plane_map).T.reshape(2, height, width)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, y = c * x + s * y, c * y - s * x
    rng = np.random.default_rng(seed)
    # No tree grows ruled lines.
    for cell, size in ((25.0, 0.4), (80.0, 1.5)):
        y = y + np.interp(x, (np.arange(60) - 30) * cell, rng.normal(0, size, 60))
    streak = np.zeros_like(y)
    for cell, size in ((0.7, 0.05), (2.5, 0.05), (12.0, 0.06)):
        knots = rng.normal(0, size, 2000)
        streak += np.interp(y, (np.arange(2000) - 1000) * cell, knots)
    wood = np.exp(streak)[..., None] * np.asarray(colour, float)
    bench.light = before + cover * (wood - before)


def closely(ring: Floats, closed: bool = True) -> Floats:
    """Points every half millimetre, so that the lens bends the line as it bends the truth."""
    line = shapely.LinearRing(ring) if closed else shapely.LineString(ring)
    return np.array(line.segmentize(0.5).coords)


def drawn(bench: Bench, line: Floats, width: float, *, dark: float = 0.75, closed: bool = True):
    """A pencil line along a ring or an open line."""
    path = shapely.LineString(closely(line, closed))
    body = path.buffer(0.5 * width, cap_style="flat", join_style="mitre").segmentize(0.5)
    for part in shapely.get_parts(body):
        rings = [np.array(part.exterior.coords)[:-1]]
        rings += [np.array(hole.coords)[:-1] for hole in part.interiors]
        bench.lay(rings, PENCIL, opacity=dark)


def _flat(level: float):
    from spilemark.testing.scenes import Look

    return Look(bench=level, blur_px=0.0, srgb=False)


def _blurred(image: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    return cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)


def _sighted(laid: LaidCard, plane_map: PlaneMap) -> CardSighting:
    width, height = laid.card.size_mm
    corners = laid.to_world(np.array([[0, 0], [width, 0], [width, height], [0, height]], float))
    crossings = laid.to_world(laid.card.crossings_mm())

    def seen(world: Floats) -> Floats:
        return camera.project(
            world, plane_map.lens, plane_map.rotation_rad, plane_map.translation_mm
        )

    count = len(crossings)
    return CardSighting(
        name=laid.card.name,
        crossings_px=seen(crossings),
        residuals_px=np.zeros((count, 2)),
        kept=np.ones(count, dtype=bool),
        outline_px=seen(corners),
        outline_mm=corners[:, :2],
        cross_mm=laid.cross_world[:2],
        lift_mm=laid.base_mm + 0.1,
        bow_mm=0.0,
    )
