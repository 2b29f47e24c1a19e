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
    length = float(np.linalg.norm(stop - start))
    if length < 3 * EVERY_MM:
        return None
    along = (stop - start) / length
    t = np.arange(0.5 * EVERY_MM, length, EVERY_MM)
    normals = np.tile([-along[1], along[0]], (len(t), 1))
    line = placed(start + t[:, None] * along, normals, plane, 0.0)
    values, inside = profiles(photo, line, SAMPLES)
    if inside.sum() < 3:
        return None
    mean = values[inside].astype(np.float64).mean(axis=0)
    light = luma(mean)
    light = light / max(float(np.median(light)), 1e-4)
    bar = line_places(light[None], np.array([True]), blur_px)
    core = np.abs(SAMPLES - bar.place_px[0]) <= _CORE_PX
    logs = np.log(mean + 1e-3)
    taken = logs[np.abs(SAMPLES) > _ASIDE_PX].mean(axis=0) - logs[core].mean(axis=0)
    tint = 1.0 if len(taken) == 1 else float(taken[2] / max(float(taken[0]), 0.02))
    contrast = float(taken.mean())
    return Ink(contrast, float(bar.width_px[0] * np.median(line.mm_per_px)), tint)


def known_ink(
    photo: LinearPhoto, plane: PlaneMap, lines: list[Floats], blur_px: float
) -> Ink | None:
    """What the pencil of known lines (N, 2) is like, by pieces of them; None where there are none."""
    found = []
    for line in lines:
        path = shapely.LineString(line)
        count = int(min(_MOST_PIECES, path.length // _PIECE_MM))
        for share in (np.arange(count) + 0.5) / max(count, 1):
            at = path.length * share
            ends = [path.interpolate(at + d).coords[0] for d in (-0.4 * _PIECE_MM, 0.4 * _PIECE_MM)]
            one = ink_of(photo, plane, np.array(ends[0]), np.array(ends[1]), blur_px)
            if one is not None:
                found.append(one)
    if not found:
        return None
    table = np.array([(one.contrast, one.width_mm, one.tint) for one in found])
    contrast, width, tint = np.median(table, axis=0)
    return Ink(float(contrast), float(width), float(tint))


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
