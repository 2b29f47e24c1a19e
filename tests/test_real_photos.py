"""The benchmark on real photographs measures what it says: on drawn ones whose truth is planted."""

from __future__ import annotations

import importlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy.special import ndtri

from spilemark.lens import pixels_to_height
from spilemark.records import Floats, PlaneMap
from spilemark_stages.rectify.observations import Beliefs
from spilemark_stages.rectify.solve import solve

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"
BLACK, WHITE = 0.03, 0.80
PER_MM = 20
BLUR_PX = 0.8


@pytest.fixture(scope="module")
def real_photos() -> Iterator[ModuleType]:
    sys.path.insert(0, str(BENCHMARKS))
    try:
        yield importlib.import_module("real_photos")
    finally:
        sys.path.remove(str(BENCHMARKS))


DESCRIBED = {
    "width": 5,
    "height": 4,
    "marker_size": 0.030,
    "marker_spacing": 0.008,
    "dictionary_id": int(cv2.aruco.DICT_5X5_100),
}


def printed(spread_mm: float, *, joined: bool = False) -> Floats:
    """A print's light at ``PER_MM``.

    The tags are OpenCV's own drawing; ink spreads all round by ``spread_mm``.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(DESCRIBED["dictionary_id"])
    side, gap = (round(1000 * DESCRIBED[k]) for k in ("marker_size", "marker_spacing"))
    rim = 20
    columns, rows = int(DESCRIBED["width"]), int(DESCRIBED["height"])
    size = [PER_MM * (n * (side + gap) - gap + 2 * rim) for n in (rows, columns)]
    ink = np.zeros(size, np.uint8)
    step = PER_MM * (side + gap)
    # 7 cells of 30 mm are no whole pixels: drawn at a multiple and reduced.
    for tag in range(columns * rows):
        x, y = PER_MM * rim + step * (tag % columns), PER_MM * rim + step * (tag // columns)
        picture = cv2.aruco.generateImageMarker(dictionary, tag, 7)
        whole = cv2.resize(picture, (PER_MM * side,) * 2, interpolation=cv2.INTER_NEAREST)
        ink[y : y + PER_MM * side, x : x + PER_MM * side] = 255 - whole
    if joined:
        for k in range((columns + 1) * (rows + 1)):
            x = PER_MM * (rim - gap) + step * (k % (columns + 1))
            y = PER_MM * (rim - gap) + step * (k // (columns + 1))
            ink[y : y + PER_MM * gap, x : x + PER_MM * gap] = 255
    if spread_mm:
        reach = round(PER_MM * spread_mm)
        round_tip = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
        ink = cv2.dilate(ink, round_tip)
    return WHITE - (WHITE - BLACK) * ink.astype(np.float32) / 255


def photographed(light: Floats, tilt_deg: float, width: int = 720) -> Floats:
    """The print seen by a lens with distortion: linear light (H, W), blurred as lenses blur."""
    height = 3 * width // 4
    lens = np.array([0.8 * width, 1.0, width / 2 + 3, height / 2 - 4, 0.06, -0.1, 4e-4, -3e-4, 0.0])
    away = 240.0
    turn = np.radians(180.0 + tilt_deg)
    plane = PlaneMap(
        lens=lens,
        rotation_rad=np.array([turn, 0.02, 0.03]),
        translation_mm=np.array([0.0, 0.0, away]),
        height_mm=0.0,
        gain=np.zeros((16, 1)),
    )
    # The map is smooth: exact every 8 px, and bilinear between.
    coarse = 8.0
    columns, rows = (int(n / coarse) + 3 for n in (width, height))
    nodes = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1) * coarse - coarse
    at = pixels_to_height(nodes.reshape(-1, 2), plane, 0.0) * [1.0, -1.0]
    middle = np.array(light.shape[::-1]) / PER_MM / 2
    # A drawn pixel's centre lies half a pixel in.
    there = ((at + middle) * PER_MM - 0.5).astype(np.float32).reshape(rows, columns, 2)
    fine = 4
    x, y = np.meshgrid(*((np.arange(fine * n) + 0.5) / fine - 0.5 for n in (width, height)))
    to_node = [((v + coarse) / coarse).astype(np.float32) for v in (x, y)]
    on_print = cv2.remap(there, *to_node, cv2.INTER_LINEAR)
    seen = cv2.remap(light, on_print, None, cv2.INTER_LINEAR, borderValue=0.2)
    small = cv2.resize(seen, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), BLUR_PX))


def stored(light: Floats, path: Path) -> Path:
    """Coded by the sRGB curve (IEC 61966-2-1)."""
    code = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    Image.fromarray(np.round(255 * code).astype(np.uint8)).save(path)
    return path


def drawn(folder: Path, spread_mm: float, *, joined: bool) -> None:
    light = printed(spread_mm, joined=joined)
    for k, tilt in enumerate((8.0, -22.0)):
        stored(photographed(light, tilt), folder / f"drawn__{k}.png")
    described = {"parameters": {**DESCRIBED, "enable_symm_corners": joined}}
    (folder / "drawn__config.json").write_text(json.dumps(described), encoding="utf-8")


@pytest.mark.parametrize("joined", [False, True])
@pytest.mark.parametrize("spread_mm", [0.0, 0.1])
def test_a_planted_spread_of_ink_is_found_in_mm(
    real_photos: ModuleType, tmp_path: Path, spread_mm: float, joined: bool
) -> None:
    drawn(tmp_path, spread_mm, joined=joined)
    ((grid, paths),) = real_photos.tag_grid.grids_in(tmp_path)
    seen = [real_photos.tag_grid.look(real_photos.tag_grid.read(p), grid) for p in paths]
    solution = solve([real_photos.observation(s, k) for k, s in enumerate(seen)], Beliefs())
    # Half-level in coded values of a step blurred by one Gaussian, from the curve's definition.
    code = [1.055 * v ** (1 / 2.4) - 0.055 for v in (BLACK, WHITE)]
    half = ((sum(code) / 2 + 0.055) / 1.055) ** 2.4
    coded_px = BLUR_PX * ndtri((half - BLACK) / (WHITE - BLACK))
    for k, one in enumerate(seen):
        assert len(one.tags) == grid.columns * grid.rows
        found = real_photos.borders(one, solution, k)
        assert found.shift_mm.mean() == pytest.approx(spread_mm, abs=0.01)
        assert found.light_px.mean() == pytest.approx(
            spread_mm * np.median(found.px_per_mm), abs=0.04
        )
        moved = (found.coded_px - found.light_px).mean()
        assert moved == pytest.approx(coded_px, abs=0.12)


def test_held_out_points_lie_where_the_solve_puts_them(
    real_photos: ModuleType, tmp_path: Path
) -> None:
    drawn(tmp_path, 0.05, joined=False)
    ((grid, paths),) = real_photos.tag_grid.grids_in(tmp_path)
    seen = [real_photos.tag_grid.look(real_photos.tag_grid.read(p), grid) for p in paths]
    rng = np.random.default_rng(3)
    noisy = [
        real_photos.tag_grid.SeenGrid(
            s.grid, s.photo, s.tags, s.which, s.points_px + rng.normal(0, 0.1, s.points_px.shape)
        )
        for s in seen
    ]
    found, _ = real_photos.held_out(noisy)
    inside = np.concatenate([out.inside for out in found])
    # 20 points: fewer than 16 within a 95 % ellipse come by chance in 1 of 400 (binomial).
    assert inside.sum() >= 16
    miss = np.concatenate([out.miss_px for out in found])
    claim = np.concatenate([out.claim_px for out in found])
    assert np.sqrt((miss**2).mean()) < 2.0 * np.sqrt(np.trace(claim, axis1=1, axis2=2).mean() / 2)
    # A point that is not where it was printed is not explained away.
    which = real_photos.halves(noisy[0])[1][3]
    noisy[0].points_px.flags.writeable = True
    noisy[0].points_px[which] += [2.0, 0.0]
    again, _ = real_photos.held_out(noisy)
    assert again[0].miss_px[3, 0] - found[0].miss_px[3, 0] == pytest.approx(2.0, abs=1e-6)
    assert not again[0].inside[3]
