"""Short straight marks on a face: witness marks, stations, frame sides.

Found in the same picture from above as the lines, measured on the photo as
taken.  Handwriting is told by its company (strokes that bend, or stand close
together), grain by its paleness beside what is known to be pencil.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.ink import EVERY_MM, ink_of, is_pencil, known_ink
from spilemark_stages.trace.line_model import SAMPLES, line_places
from spilemark_stages.trace.masks import disc
from spilemark_stages.trace.pencil_search import FaceView
from spilemark_stages.trace.photometry import LinearPhoto, luma
from spilemark_stages.trace.profiles import Placed, placed, profiles
from spilemark_stages.trace.stroke_mask import Strokes

_SHORTEST_MM = 6.0
_SHORT_OF_RIM_MM = 4.0
"""Least length by which one is found: the face's rim, over which it may run, is not searched."""
_LONGEST_MM = 60.0
"""Longer ones are lines (``pencil``)."""
_OFF_STRAIGHT_MM = 0.5
_SPURS = 0.9
"""Noise beside a stroke joins it in spurs: so much of its pixels ..."""
_WIDEST_MM = 1.3
"""... keep within this of its line, a letter's do not ..."""
_SLENDER = 4.0
"""... and it is so many times as long."""
_COMPANY_MM = 5.0
"""Strokes nearer than this to each other are one word, or a pair of ticks."""
_SPECK_MM = 2.5
_PARALLEL_DEG = 12.0
_BEYOND_MM = 6.0
"""How far beyond its ends a mark is looked for: it may run over the edge."""
_SHOWS = 0.45
LEAST_DEPTH = 0.05
"""Darkening, as a share of the light, times width in px up to 1.5, below which nothing is a stroke."""
_RULED_MM = 0.12
FLOOR_MM = 0.02
"""No stroke is placed better."""
_MOST_MARKS = 24


@dataclass(frozen=True, slots=True, eq=False)
class ShortMark:
    """A straight stroke as measured."""

    points_mm: Floats
    """(2, 2) its ends."""
    sigma_mm: float
    """Of both ends, across."""


def find_marks(
    strokes: Strokes,
    photo: LinearPhoto,
    plane: PlaneMap,
    known: list[Floats],
    blur_px: float,
) -> list[ShortMark]:
    """Short marks on a face, the longest first.

    Parameters
    ----------
    strokes : Strokes
        Of the face.
    known : list of (N, 2)
        Lines that are on it, mm: what lies on them is no mark of its own.
    blur_px : float
        The photo's blur, one sigma.
    """
    pencil = known_ink(photo, plane, known, blur_px)
    parts = _parts(strokes.pencil(known), strokes.view)
    found = []
    for start, stop in _alone(parts):
        mark = measured_mark(photo, plane, start, stop, blur_px)
        ink = (
            None
            if mark is None
            else ink_of(photo, plane, mark.points_mm[0], mark.points_mm[1], blur_px)
        )
        if mark is None or ink is None or not is_pencil(ink, pencil, photo.channels > 1):
            continue
        found.append(mark)
    found.sort(key=lambda m: -float(np.linalg.norm(m.points_mm[1] - m.points_mm[0])))
    return found if len(found) <= _MOST_MARKS else []


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """One connected stroke."""

    points_mm: Floats
    ends_mm: Floats
    """(2, 2)"""
    straight: bool
    group: int
    """Strokes of one number stand close together."""

    @property
    def along(self) -> Floats:
        way = self.ends_mm[1] - self.ends_mm[0]
        return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))


def _parts(mask: Bools, view: FaceView) -> list[_Part]:
    """Connected strokes with their company."""
    joined = np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)))
    count, numbered = cv2.connectedComponents(joined, connectivity=8)
    labels = np.asarray(numbered)
    near = cv2.dilate(joined, disc(0.5 * _COMPANY_MM / view.step_mm))
    groups = np.asarray(cv2.connectedComponents(near, connectivity=8)[1])
    rows, columns = np.nonzero(mask)
    which = labels[rows, columns]
    order = np.argsort(which, kind="stable")
    rows, columns, which = rows[order], columns[order], which[order]
    cuts = np.searchsorted(which, np.arange(1, count + 1))
    found = []
    for first, last in pairwise(cuts):
        if (last - first) * view.step_mm < _SPECK_MM:
            continue
        at = np.stack([columns[first:last], rows[first:last]], axis=-1).astype(np.float64)
        points = view.to_mm(at)
        group = int(groups[rows[first], columns[first]])
        found.append(_part(points, group))
    return found


def _part(points: Floats, group: int) -> _Part:
    good = np.ones(len(points), dtype=bool)
    for _ in range(3):
        middle = points[good].mean(axis=0)
        axes = np.linalg.svd(points[good] - middle, full_matrices=False)[2]
        off = np.abs((points - middle) @ axes[1])
        good = off <= max(_OFF_STRAIGHT_MM, float(np.quantile(off, 0.6)))
    t = (points[good] - middle) @ axes[0]
    wide = float(np.quantile(off, _SPURS))
    straight = wide < _WIDEST_MM and np.ptp(t) > max(_SHORT_OF_RIM_MM, _SLENDER * wide)
    return _Part(points, middle + np.outer([t.min(), t.max()], axes[0]), bool(straight), group)


def _alone(parts: list[_Part]) -> list[tuple[Floats, Floats]]:
    """Ends of the straight strokes that stand by themselves, or in a pair of parallels."""
    company: dict[int, list[_Part]] = {}
    for part in parts:
        company.setdefault(part.group, []).append(part)
    found = []
    for group in company.values():
        if len(group) > 2 or not all(part.straight for part in group):
            continue
        turned = abs(float(group[0].along @ group[-1].along))
        if turned < np.cos(np.radians(_PARALLEL_DEG)):
            continue
        found += [(part.ends_mm[0], part.ends_mm[1]) for part in group]
    return found


def measured_mark(
    photo: LinearPhoto, plane: PlaneMap, start: Floats, stop: Floats, blur_px: float
) -> ShortMark | None:
    """A stroke between about two points, measured; None where none is there."""
    length = float(np.linalg.norm(stop - start))
    along = (stop - start) / length
    for _ in range(2):
        seen = _across(photo, plane, start, stop, blur_px)
        if seen is None:
            return None
        t, offset, shows = seen
        if shows.sum() < 6:
            return None
        fit = _line_fit(t[shows], offset[shows])
        if fit is None:
            return None
        at, scatter = fit
        normal = np.array([-along[1], along[0]])
        first, last = _ends(t, shows)
        start, stop = (start + along * v + normal * at(v) for v in (first, last))
        length = float(np.linalg.norm(stop - start))
        if not _SHORTEST_MM <= length <= _LONGEST_MM or scatter > _RULED_MM * 2:
            return None
        along = (stop - start) / length
    count = float(shows.sum()) * EVERY_MM / max(2.0 * blur_px * 0.3, EVERY_MM)
    # An end of a line fitted to n points of one scatter: twice the mean's doubt (GUM, H.3).
    sigma = 2.0 * max(scatter, FLOOR_MM) / np.sqrt(max(count, 3.0))
    return ShortMark(np.array([start, stop]), float(np.hypot(sigma, FLOOR_MM)))


def tick_near(
    photo: LinearPhoto,
    plane: PlaneMap,
    start: Floats,
    stop: Floats,
    blur_px: float,
    within_mm: float,
) -> ShortMark | None:
    """The short mark along two given points, when one is drawn within ``within_mm`` of them."""
    length = float(np.linalg.norm(stop - start))
    if not 1.0 < length <= _LONGEST_MM:
        return None
    normal = np.array([-(stop - start)[1], (stop - start)[0]]) / length
    aside = sorted(np.arange(-within_mm, within_mm + 0.1, 0.75), key=abs)
    found = (
        measured_mark(photo, plane, start + d * normal, stop + d * normal, blur_px) for d in aside
    )
    return next((mark for mark in found if mark is not None), None)


def _across(
    photo: LinearPhoto, plane: PlaneMap, start: Floats, stop: Floats, blur_px: float
) -> tuple[Floats, Floats, Bools] | None:
    """Distance along from ``start`` (N,), offset to the left (N,), mm, and where the stroke shows."""
    length = float(np.linalg.norm(stop - start))
    along = (stop - start) / length
    t = np.arange(-_BEYOND_MM, length + _BEYOND_MM, EVERY_MM)
    normals = np.tile([-along[1], along[0]], (len(t), 1))
    line = placed(start + t[:, None] * along, normals, plane, 0.0)
    light, inside = stroke_light(photo, line)
    core = inside & (t > 0.5) & (t < length - 0.5)
    if core.sum() < 5:
        return None
    bar = line_places(light[core].mean(axis=0)[None], np.array([True]), blur_px)
    if bar.depth[0] * min(float(bar.width_px[0]), 1.5) < LEAST_DEPTH:
        return None
    x = SAMPLES - bar.place_px[0]
    slope = np.gradient(bar.fitted[0], SAMPLES)
    window = np.sqrt(np.clip(1.0 - (np.abs(x) / (4.0 + 0.5 * bar.width_px[0])) ** 2, 0.0, None))
    design = np.stack([-slope, bar.dip[0], np.ones_like(x), x], axis=-1) * window[:, None]
    told = ((light - bar.fitted[0]) * window) @ np.linalg.pinv(design).T
    strength = 1.0 + told[:, 1]
    shift = bar.place_px[0] + np.clip(told[:, 0] / np.maximum(strength, 0.3), -3.0, 3.0)
    kernel = np.full(3, 1.0 / 3.0)
    steady = np.convolve(np.pad(strength, 1, mode="edge"), kernel, mode="valid")
    shows = _one_run(inside & (steady > _SHOWS), (t > 0) & (t < length))
    return t, shift * line.mm_per_px, shows


def stroke_light(photo: LinearPhoto, line: Placed) -> tuple[Floats, Bools]:
    """Light (N, S) across a stroke as a share of each profile's median, and which are in the frame."""
    values, inside = profiles(photo, line, SAMPLES)
    light = luma(values).astype(np.float64)
    return light / np.maximum(np.median(light, axis=1), 1e-4)[:, None], inside


def _one_run(shows: Bools, core: Bools) -> Bools:
    """The run of flags, with short breaks, that has most of the core."""
    places = np.flatnonzero(shows)
    if not len(places):
        return shows
    runs = np.split(places, np.flatnonzero(np.diff(places) > 3) + 1)
    best = max(runs, key=lambda run: int(core[run].sum()))
    out = np.zeros_like(shows)
    out[best] = True
    return out


def _ends(t: Floats, shows: Bools) -> tuple[float, float]:
    return float(t[shows][0] - 0.5 * EVERY_MM), float(t[shows][-1] + 0.5 * EVERY_MM)


def _line_fit(t: Floats, offset: Floats) -> tuple[np.polynomial.Polynomial, float] | None:
    """Robust straight fit of offsets, and their scatter about it."""
    good = np.ones(len(t), dtype=bool)
    scatter = 0.0
    for _ in range(4):
        if good.sum() < 5:
            return None
        at = np.polynomial.Polynomial.fit(t[good], offset[good], 1)
        miss = offset - at(t)
        scatter = max(1.4826 * float(np.median(np.abs(miss[good]))), FLOOR_MM)
        good = np.abs(miss) < 3.0 * scatter
    return at, scatter
