"""Whether a dark streak is pencil: dark, thin, and of pencil's colour, not the wood's own.

Graphite takes about the same share of every colour; grain is wood that is
browner than the wood beside it, and takes more of the blue.  How much more a
camera makes of either is told by the pencil lines that are known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from spilemark.records import Floats, PlaneMap
from spilemark_stages.trace.line_model import SAMPLES, line_places
from spilemark_stages.trace.photometry import LinearPhoto, luma
from spilemark_stages.trace.profiles import placed, profiles

EVERY_MM = 0.4
"""Distance of the profiles across a stroke."""
_PIECE_MM = 10.0
_MOST_PIECES = 12
_CORE_PX = 1.0
_ASIDE_PX = 4.0
_PALE = 0.5
"""Share of the known pencil's contrast below which a streak is none."""
_WIDE = 1.45
"""Of its width ..."""
_BROWN = 1.14
"""... and of its tint, above which a streak is none."""
_USUAL_TINT = 1.28
"""Tint of pencil on wood where none is known: by rendered photos."""
_USUAL_CONTRAST = 0.35
_WIDEST_MM = 0.9


@dataclass(frozen=True, slots=True)
class Ink:
    """What a streak is like."""

    contrast: float
    """Log of the light beside it over its own."""
    width_mm: float
    tint: float
    """How much more of the blue it takes than of the red; 1 where all alike, or where there is no colour."""


def ink_of(
    photo: LinearPhoto, plane: PlaneMap, start: Floats, stop: Floats, blur_px: float
) -> Ink | None:
    """A straight streak between two points, mm; None where it leaves the frame."""
    inks = _inks(photo, plane, np.array([[start, stop]]), blur_px)
    return inks[0] if inks else None


def _inks(photo: LinearPhoto, plane: PlaneMap, ends: Floats, blur_px: float) -> list[Ink]:
    """What straight streaks of one length between pairs of points (K, 2, 2), mm, are like.

    Those that leave the frame are left out.
    """
    way = ends[:, 1] - ends[:, 0]
    length = float(np.linalg.norm(way[0]))
    if length < 3 * EVERY_MM:
        return []
    along = way / length
    t = np.arange(0.5 * EVERY_MM, length - 1e-9, EVERY_MM)
    points = ends[:, :1] + t[:, None] * along[:, None]
    normals = np.repeat(np.stack([-along[:, 1], along[:, 0]], axis=-1), len(t), axis=0)
    line = placed(points.reshape(-1, 2), normals, plane, 0.0)
    values, inside = profiles(photo, line, SAMPLES)
    seen = inside.reshape(-1, len(t), 1, 1)
    count = seen.sum(axis=1)
    total = (values.reshape(len(ends), len(t), *values.shape[1:]) * seen).sum(axis=1, dtype=float)
    shown = count[:, 0, 0] >= 3
    means = (total / np.maximum(count, 1))[shown]
    if not len(means):
        return []
    light = luma(means)
    light = light / np.maximum(np.median(light, axis=1), 1e-4)[:, None]
    bars = line_places(light, np.ones(len(means), dtype=bool), blur_px, alone=True)
    scales = np.median(line.mm_per_px.reshape(len(ends), -1), axis=1)[shown]
    found = []
    for mean, place, width in zip(means, bars.place_px, bars.width_px * scales, strict=True):
        core = np.abs(SAMPLES - place) <= _CORE_PX
        logs = np.log(mean + 1e-3)
        taken = logs[np.abs(SAMPLES) > _ASIDE_PX].mean(axis=0) - logs[core].mean(axis=0)
        tint = 1.0 if len(taken) == 1 else float(taken[2] / max(float(taken[0]), 0.02))
        found.append(Ink(float(taken.mean()), float(width), tint))
    return found


def known_ink(
    photo: LinearPhoto, plane: PlaneMap, lines: list[Floats], blur_px: float
) -> Ink | None:
    """What the pencil of known lines (N, 2) is like, by pieces of them; None where there are none."""
    ends = [_pieces_of(shapely.LineString(line)) for line in lines]
    every = np.concatenate(ends) if ends else np.zeros((0, 2, 2))
    found = _inks(photo, plane, every, blur_px) if len(every) else []
    if not found:
        return None
    table = np.array([(one.contrast, one.width_mm, one.tint) for one in found])
    contrast, width, tint = np.median(table, axis=0)
    return Ink(float(contrast), float(width), float(tint))


def _pieces_of(path: shapely.LineString) -> Floats:
    """Ends (K, 2, 2) of straight pieces of one length, spread along a line, where it has room for them."""
    count = int(min(_MOST_PIECES, path.length // _PIECE_MM))
    middles = path.length * (np.arange(count) + 0.5) / max(count, 1)
    half = 0.4 * _PIECE_MM
    ends = shapely.line_interpolate_point(path, np.stack([middles - half, middles + half], axis=-1))
    points = shapely.get_coordinates(ends).reshape(-1, 2, 2)
    way = points[:, 1] - points[:, 0]
    # Where the line bends its chord is shorter than its way.
    size = np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]
    middle = points.mean(axis=1)
    return np.stack([middle - half * way / size, middle + half * way / size], axis=1)


def is_pencil(ink: Ink, known: Ink | None, colour: bool) -> bool:
    """Whether a streak is like the known pencil, or like pencil in general."""
    if known is None:
        tinted = colour and ink.tint > _BROWN * _USUAL_TINT
        return ink.contrast >= _USUAL_CONTRAST and ink.width_mm <= _WIDEST_MM and not tinted
    if ink.contrast < _PALE * known.contrast:
        return False
    if ink.width_mm > max(_WIDE * known.width_mm, 0.5):
        return False
    return not colour or ink.tint <= max(_BROWN * known.tint, 1.0)
