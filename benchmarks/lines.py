"""Reference lines drawn with truth: how near they are measured, and how honest the claim is.

    python benchmarks/lines.py [--trials 60] [--width 0.5] [--wander 0.02] [--seed 1]

Ruled pencil lines of 130 and 500 mm on a face with grain, drawn at a random
place and slant, 0.33 mm a pixel, blurred and with a phone's noise, the pencil wandering a little as
any does; measured by
the tracer as in a job, the map from photo to face exact.  The angle's and the
offset's claims follow from the points' sigma by least squares (JCGM 100:2008, H.3).
"""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

import numpy as np
import shapely
import tables

from spilemark import lens as camera
from spilemark.records import Floats, Photo, PlaneMap
from spilemark.testing.scenes import coverage, simple_plane
from spilemark_stages.trace.pencil import PencilLine, PencilTracer
from spilemark_stages.trace.photometry import LinearPhoto

MM_PER_PX = 0.33
FACE_LIGHT, PENCIL_SHARE = 0.40, 0.6


def main() -> None:
    """Draw, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--trials", type=int, default=60)
    parser.add_argument("--width", type=float, default=0.5, help="of the line, mm")
    parser.add_argument("--wander", type=float, default=0.02, help="of the pencil, mm, one sigma")
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    rows: list[list[object]] = []
    for length in (130.0, 500.0):
        found = [
            one_line(
                length, told.width, told.wander, np.random.default_rng([told.seed, int(length), k])
            )
            for k in range(told.trials)
        ]
        kept = np.array([f for f in found if f is not None])
        rows.append([f"{length:.0f} mm", len(kept), *figures(kept)])
    print(f"{told.trials} lines of each length, {told.width:g} mm wide\n")
    tables.show(
        ["line", "found", "offset p95 mm", "error / sigma", "angle p95 deg", "error / sigma"], rows
    )


def figures(kept: Floats) -> tuple[float, float, float, float]:
    """Of rows (offset, its sigma, angle, its sigma): p95 and root mean square in sigmas, of both."""
    offset, offset_sigma, angle, angle_sigma = kept.T
    return (
        float(np.quantile(np.abs(offset), 0.95)),
        float(np.sqrt(((offset / offset_sigma) ** 2).mean())),
        float(np.quantile(np.abs(angle), 0.95)),
        float(np.sqrt(((angle / angle_sigma) ** 2).mean())),
    )


def one_line(
    length_mm: float, width_mm: float, wander_mm: float, rng: np.random.Generator
) -> tuple[float, float, float, float] | None:
    """Error and claim of offset (mm) and angle (deg) of one drawn line; None where none is found."""
    half = 0.5 * length_mm
    slant = np.radians(rng.uniform(-4, 4))
    along = np.array([np.cos(slant), np.sin(slant)])
    normal = np.array([-along[1], along[0]])
    middle = rng.uniform(-3, 3, 2)
    ends = middle + np.array([[-half], [half]]) * along
    face = np.array([[-half - 4, -40.0], [half + 4, -40.0], [half + 4, 40.0], [-half - 4, 40.0]])
    size = (int((length_mm + 60) / MM_PER_PX), int(150 / MM_PER_PX))
    plane = simple_plane(
        width_px=size[0], height_px=size[1], mm_per_px=MM_PER_PX, tilt_deg=6.0, roll_deg=0.5
    )
    photo = _drawn(face, ends, width_mm, wander_mm, plane, size, rng)
    tracer = PencilTracer(
        LinearPhoto(photo.pixels), plane, shapely.Polygon(face), shapely.GeometryCollection()
    )
    lines = tracer.lines()
    if not lines:
        return None
    return _compare(lines[0], middle, along, normal)


def _compare(
    line: PencilLine, middle: Floats, along: Floats, normal: Floats
) -> tuple[float, float, float, float]:
    t = (line.points_mm - middle) @ along
    off = (line.points_mm - middle) @ normal
    weight = 1.0 / line.sigma_mm**2
    design = np.column_stack([np.ones_like(t), t])
    covariance = np.linalg.inv((design * weight[:, None]).T @ design)
    fitted = covariance @ (design * weight[:, None]).T @ off
    spread = np.sqrt(np.diag(covariance))
    return (
        float(fitted[0]),
        float(spread[0]),
        *(float(np.degrees(v)) for v in (fitted[1], spread[1])),
    )


def _drawn(
    face: Floats,
    ends: Floats,
    width_mm: float,
    wander_mm: float,
    plane: PlaneMap,
    size: tuple[int, int],
    rng: np.random.Generator,
) -> Photo:
    """A grained face with a line on it, as a phone would store it."""
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    side = 0.5 * width_mm * np.array([-along[1], along[0]])
    count = max(8, round(float(np.linalg.norm(ends[1] - ends[0])) / 4.0))
    wander = np.interp(
        np.linspace(0, 1, 400), np.linspace(0, 1, count), rng.normal(0, wander_mm, count)
    )
    run = np.linspace(ends[0], ends[1], 400) + wander[:, None] * side / np.linalg.norm(side)
    stroke = np.vstack([run + side, run[::-1] - side])
    light = np.full((size[1], size[0]), 0.05)
    border = np.vstack([np.linspace(face[k], face[(k + 1) % 4], 200)[:-1] for k in range(4)])
    share = coverage([camera.plane_to_pixels(border, plane)], *size)
    wood = FACE_LIGHT * np.exp(_grain(plane, size, rng))
    light += share * (wood - light)
    # Graphite takes more here and less there.
    dark = PENCIL_SHARE * np.clip(1.0 + 0.25 * rng.normal(size=light.shape), 0.2, 1.5)
    share = coverage([camera.plane_to_pixels(stroke, plane)], *size)
    light *= 1.0 - share * dark
    from scipy.ndimage import gaussian_filter

    light = gaussian_filter(light, 0.9, mode="nearest")
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    pixels = np.clip(np.round(255 * coded + rng.normal(0, 2.0, light.shape)), 0, 255)
    grey = pixels.astype(np.uint8)
    return Photo(
        path=Path("drawn.png"), sha256=hashlib.sha256(grey.tobytes()).hexdigest(), pixels=grey
    )


def _grain(plane: PlaneMap, size: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Streaks (H, W) of the logarithm of light, square to the line as a pattern's grain often is."""
    grid = np.stack(np.meshgrid(np.arange(size[0]), np.arange(size[1])), -1).reshape(-1, 2)
    x, y = camera.pixels_to_plane(grid.astype(float), plane).T.reshape(2, size[1], size[0])
    x = x + np.interp(y, np.linspace(-200, 200, 40), rng.normal(0, 0.6, 40))
    streak = np.zeros_like(x)
    for cell, depth in ((0.8, 0.04), (3.0, 0.05), (12.0, 0.06)):
        streak += np.interp(x, (np.arange(2000) - 1000) * cell, rng.normal(0, depth, 2000))
    return np.asarray(streak)


if __name__ == "__main__":
    main()
