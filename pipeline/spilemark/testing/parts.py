"""A simulated pattern: its points, where it lies on the bench, and how its sheet is bent."""

from __future__ import annotations

import numpy as np
import shapely

from spilemark.frames import left_normals, signed_area
from spilemark.records import Floats
from spilemark.testing.metrics import resample_ring
from spilemark.testing.worlds import Part, WorldRules


def resampled(part: Part, rules: WorldRules) -> Part:
    """Evenly spaced points on the edge; corners of the ring given are kept only as near as that."""
    if not rules.outline_step_mm:
        return part
    return Part(ring_mm=resample_ring(part.ring_mm, rules.outline_step_mm), line_mm=part.line_mm)


def drawn(part: Part, rules: WorldRules, rng: np.random.Generator) -> Part:
    """The part with its pencil line where a hand drew it."""
    line = part.line_mm
    if not len(line):
        return part
    share = np.linspace(0.0, 1.0, len(line))
    ends = rng.normal(0, rules.line_drawn_sd_mm, 2)
    off = (1 - share) * ends[0] + share * ends[1]
    return Part(
        ring_mm=part.ring_mm, line_mm=line + left_normals(line, closed=False) * off[:, None]
    )


def side_by_side(parts: list[Part], apart_mm: float = 25.0) -> list[Part]:
    """Two parts moved apart along x until they are clear of each other."""
    left, right = parts
    by = float(left.ring_mm[:, 0].max() - right.ring_mm[:, 0].min()) + apart_mm
    middle = 0.5 * (left.ring_mm[:, 0].min() + right.ring_mm[:, 0].max() + by)
    shifts = [np.array([-middle, 0.0]), np.array([by - middle, 0.0])]
    return [
        Part(ring_mm=part.ring_mm + shift, line_mm=part.line_mm + shift)
        for part, shift in zip(parts, shifts, strict=True)
    ]


def round_both(parts: list[Part]) -> Floats:
    """A ring (N, 2) that no card may touch: what either part takes of the bench."""
    every = shapely.union_all([shapely.Polygon(part.ring_mm) for part in parts])
    if every.geom_type != "Polygon":
        every = every.convex_hull
    return resample_ring(np.array(every.exterior.coords)[:-1], 3.0)


def lay(part: Part, rng: np.random.Generator) -> Part:
    """Turn a part at random, centre it, make its ring anticlockwise."""
    p = part.ring_mm if signed_area(part.ring_mm) > 0 else part.ring_mm[::-1]
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, s], [-s, c]])
    return Part(ring_mm=(p - p.mean(0)) @ spin, line_mm=(part.line_mm - p.mean(0)) @ spin)


def warp(outline: Floats, warp_mm: float, rng: np.random.Generator) -> Floats:
    """Height (N,) of a sheet bent about a random line through its middle."""
    way = rng.uniform(0, 2 * np.pi)
    along = (outline - outline.mean(0)) @ np.array([np.cos(way), np.sin(way)])
    return np.asarray(warp_mm * (along / np.abs(along).max()) ** 2)


def bend(outline: Floats, sd_mm: float, rng: np.random.Generator) -> Floats:
    """Height (N,) of a sheet bent and tilted a little in every way of low order."""
    if not sd_mm:
        return np.zeros(len(outline))
    local = outline - 0.5 * (outline.min(0) + outline.max(0))
    axes = np.linalg.svd(local, full_matrices=False)[2]
    u, v = (local @ axes.T / np.abs(local @ axes.T).max(0)).T
    ways = np.stack([u * u, v * v, u * v, u, v], axis=-1)
    return np.asarray(ways @ rng.normal(0, sd_mm, ways.shape[1]))
