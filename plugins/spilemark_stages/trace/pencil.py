"""Pencil lines on a face: measured on the photo as taken, told apart from grain and ticks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.light import LUMA_WEIGHTS
from spilemark_stages.trace.pencil_search import (
    Candidate,
    FaceView,
    find_lines,
    view_face,
)
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.profiles import Placed, placed, profiles

_REACH_MM = 3.0
"""Half-length of a profile across a line."""
_ALONG_MM = 0.5
_LOOK_MM = 1.5
"""Distance of the profiles by which a line is only looked for."""
_BLOCK_MM = 4.0
"""Length of line that makes one measured point: long enough to be free of the next one's grain."""
_LEAST_DEPTH = 0.05
"""Darkening, as a share of the face's light, from which on a line is one."""
_SHORTEST_MM = 25.0
_END_MM = 9.0
"""A reference line is drawn across the face to within about this of its edges."""
_SPANS = 0.9
_OFF_STRAIGHT = 4.0
_FLOOR_MM = 0.02
"""A pencil line is no straighter than this."""
_RULED_MM = 0.12
"""Scatter of blocks about the straight fit from which on a dark streak is grain, not a ruled line."""
_CLEARLY = 2.0
"""A line that stands out this much more than the next one that spans is the clear one."""


@dataclass(frozen=True, slots=True, eq=False)
class PencilLine:
    """A straight pencil line as measured."""

    points_mm: Floats
    """(N, 2) along the line."""
    sigma_mm: Floats
    """(N,) across it."""
    depth: float
    """Darkening as a share of the face's light."""
    spans: bool
    """Whether it runs across the whole face."""
    strength: float
    """How far it stands out of its parallels (``Candidate``)."""

    @property
    def length_mm(self) -> float:
        """From its first point to its last."""
        return float(np.linalg.norm(self.points_mm[-1] - self.points_mm[0]))


class PencilTracer:
    """Finds and measures the lines on one face."""

    def __init__(
        self,
        photo: LinearPhoto,
        plane: PlaneMap,
        face: shapely.Polygon,
        covered: shapely.Geometry,
    ) -> None:
        self.photo = photo
        self.plane = plane
        self.face = face
        self.covered = covered
        self._within = face.buffer(-1.0)
        shapely.prepare(self._within)
        self._view: FaceView | None = None

    def view(self) -> FaceView | None:
        """The face from above; None where it is too small for a line."""
        if self._view is None:
            self._view = view_face(self.photo, self.plane, self.face, self.covered)
        return self._view

    def lines(self) -> list[PencilLine]:
        """All straight lines on the face, longest first."""
        view = self.view()
        if view is None:
            return []
        found = [self.measure(c) for c in find_lines(view)]
        lines = [line for line in found if line is not None]
        return sorted(_distinct(lines), key=lambda line: -line.length_mm)

    def near(self, start: Floats, stop: Floats, within_mm: float) -> PencilLine | None:
        """The line along two given points, when one is drawn within ``within_mm`` of them."""
        along = (stop - start) / np.linalg.norm(stop - start)
        normal = np.array([-along[1], along[0]])
        return self.measure(Candidate(normal, float(normal @ (start + stop) / 2), 0.0), within_mm)

    def measure(self, candidate: Candidate, within_mm: float = 1.0) -> PencilLine | None:
        """Measure a candidate; None when no dark line is there."""
        chord = self._chord(candidate)
        if chord is None:
            return None
        start, stop = chord
        for reach in (max(within_mm, 0.5), 0.4):
            moved = self._centred(start, stop, reach)
            if moved is None:
                return None
            start, stop = moved
        return self._measured(start, stop, candidate.strength)

    def _chord(self, candidate: Candidate) -> tuple[Floats, Floats] | None:
        """Ends of the longest stretch of the candidate within the face."""
        middle = candidate.normal * candidate.distance_mm
        far = 5000.0 * candidate.along
        cut = self.face.intersection(shapely.LineString([middle - far, middle + far]))
        parts = [p for p in shapely.get_parts(cut) if p.geom_type == "LineString"]
        if not parts:
            return None
        ends = np.array(max(parts, key=lambda p: p.length).coords)
        if np.linalg.norm(ends[-1] - ends[0]) < _SHORTEST_MM:
            return None
        return ends[0], ends[-1]

    def _profiles(
        self, start: Floats, stop: Floats, every_mm: float
    ) -> tuple[Placed, Floats, Floats, Bools]:
        """Profiles across a straight line: places, offsets (S,) mm, light (N, S), seen (N,)."""
        length = float(np.linalg.norm(stop - start))
        count = max(8, round(length / every_mm))
        share = (np.arange(count) + 0.5) / count
        points = start + share[:, None] * (stop - start)
        along = (stop - start) / length
        normals = np.tile([-along[1], along[0]], (count, 1))
        line = placed(points, normals, self.plane, 0.0)
        scale = float(np.median(line.mm_per_px))
        step = 0.5
        reach = round(_REACH_MM / scale / step)
        samples = np.arange(-reach, reach + 1, dtype=np.float64)
        values, seen = profiles(self.photo, line, samples * step)
        if values.shape[-1] == 1:
            light = values[..., 0].astype(np.float64)
        else:
            light = (values @ LUMA_WEIGHTS).astype(np.float64)
        inside = shapely.contains_xy(self._within, points[:, 0], points[:, 1])
        return line, samples * step * scale, light, seen & inside

    def _centred(self, start: Floats, stop: Floats, within: float) -> tuple[Floats, Floats] | None:
        """Shift and turn a line onto the darkest straight path near it."""
        _, s, light, seen = self._profiles(start, stop, _LOOK_MM)
        dark = _darkening(light, s)
        n = len(dark)
        t = (np.arange(n) + 0.5) / n - 0.5
        trial = np.arange(-within, within + 0.05, 0.1)
        blocks = np.array_split(np.nonzero(seen)[0], 12)
        blocks = [b for b in blocks if len(b) >= 3]
        if len(blocks) < 4:
            return None
        grid = np.arange(s[0], s[-1], 0.1)
        rows = np.array([np.interp(grid, s, dark[b].mean(0)) for b in blocks])
        rows = np.clip(rows, None, 0.5)
        centre = np.array([t[b].mean() for b in blocks])
        turns = np.arange(-2 * within, 2 * within + 0.05, 0.1)
        places = trial[None, :, None] + turns[:, None, None] * centre
        index = np.clip(np.rint((places - grid[0]) / 0.1).astype(np.int64), 0, len(grid) - 1)
        value = np.maximum(rows[np.arange(len(blocks)), index], 0.0).mean(axis=-1)
        turned, shifted = np.unravel_index(int(value.argmax()), value.shape)
        best = (float(trial[shifted]), float(turns[turned]))
        score = float(value[turned, shifted])
        if score < 0.4 * _LEAST_DEPTH:
            return None
        along = (stop - start) / np.linalg.norm(stop - start)
        normal = np.array([-along[1], along[0]])
        return (
            start + normal * (best[0] - 0.5 * best[1]),
            stop + normal * (best[0] + 0.5 * best[1]),
        )

    def _measured(self, start: Floats, stop: Floats, strength: float) -> PencilLine | None:
        """Measure along a line that is known to a few tenths of a millimetre."""
        line, s, light, seen = self._profiles(start, stop, _ALONG_MM)
        dark = _darkening(light, s)
        drawn = _drawn(dark, s, seen)
        if drawn is None:
            return None
        first, last, depth = drawn
        use = seen.copy()
        use[:first] = use[last + 1 :] = False
        shift = _shifts(light, s, use)
        if shift is None:
            return None
        per_block = max(4, round(_BLOCK_MM / _ALONG_MM))
        count = max(3, (last + 1 - first) // per_block)
        blocks = np.array_split(np.arange(first, last + 1), count)
        blocks = [b[use[b]] for b in blocks if use[b].sum() >= 0.5 * len(b)]
        if len(blocks) < 3:
            return None
        offset = _middles([shift[b] for b in blocks])
        at = np.array([line.points_mm[b].sum(axis=0) / len(b) for b in blocks])
        t = (at - start) @ (stop - start) / np.linalg.norm(stop - start)
        good, scatter, sigma = _straight(t, offset)
        if good.sum() < 3 or scatter > _RULED_MM:
            return None
        points = at[good] + line.normals_mm[0] * offset[good, None]
        chord = float(np.linalg.norm(stop - start))
        drawn_mm = (last + 1 - first) * _ALONG_MM
        spans = drawn_mm >= min(chord - 2 * _END_MM, chord * _SPANS) and drawn_mm >= _SHORTEST_MM
        if drawn_mm < _SHORTEST_MM:
            return None
        return PencilLine(points, np.full(len(points), sigma), depth, spans, strength)


def _darkening(light: Floats, s: Floats) -> Floats:
    """Share (N, S) by which each sample is darker than its profile's two sides."""
    sides = np.median(light[:, (np.abs(s) > 1.2)], axis=1)
    return 1.0 - light / np.maximum(sides, 1e-4)[:, None]


def _drawn(dark: Floats, s: Floats, seen: Bools) -> tuple[int, int, float] | None:
    """First and last profile of the longest stretch that shows the line, and its depth."""
    core, beside = np.abs(s) <= 0.45, (np.abs(s) > 0.9) & (np.abs(s) < 2.4)
    depth = dark[:, core].mean(axis=1)
    noise = float(np.std(dark[:, beside])) / np.sqrt(max(1, core.sum() / 2))
    width = 7
    kernel = np.full(width, 1.0 / width)
    running = np.convolve(
        np.pad(np.where(seen, depth, 0), width // 2, mode="edge"), kernel, "valid"
    )
    known = running[seen]
    if not len(known):
        return None
    full = float(np.quantile(known, 0.75))
    if full < _LEAST_DEPTH or full < 2.0 * noise / np.sqrt(width):
        return None
    on = (running > 0.4 * full) | ~seen
    # Gaps of a few millimetres, where the pencil jumped or a knot is dark, do not end a line.
    gap = round(6.0 / _ALONG_MM)
    places = np.nonzero(on & seen)[0]
    runs = np.split(places, np.nonzero(np.diff(places) > gap)[0] + 1)
    longest = max(runs, key=lambda run: run[-1] - run[0] if len(run) else 0)
    if (
        len(longest)
        < 0.7 * (longest[-1] - longest[0] + 1) * seen[longest[0] : longest[-1] + 1].mean()
    ):
        return None
    return int(longest[0]), int(longest[-1]), float(np.median(running[longest]))


def _shifts(light: Floats, s: Floats, use: Bools) -> Floats | None:
    """Offset (N,) mm of the line in each profile.

    The mean profile is fitted with a dark Gaussian on a sloping ground (the
    place of a symmetric line on uneven ground, Steger 1998); each profile's
    shift against it is linear, with its own ground.
    """
    mean = light[use].mean(axis=0)
    centre, width = _gaussian_place(mean, s)
    if width is None:
        return None
    bell = np.exp(-0.5 * ((s - centre) / width) ** 2)
    slope = bell * (s - centre) / width**2
    window = np.abs(s - centre) <= max(1.5, 3.5 * width)
    design = np.stack([bell, slope, np.ones_like(s), s - centre], axis=-1)[window]
    solution = np.linalg.pinv(design)
    fitted = light[:, window] @ solution.T
    depth = float(np.median(fitted[use, 0]))
    if depth >= 0:
        return None
    strength = np.minimum(fitted[:, 0], 0.3 * depth)
    return np.asarray(centre + np.clip(fitted[:, 1] / strength, -1.0, 1.0))


def _gaussian_place(mean: Floats, s: Floats) -> tuple[float, float | None]:
    """Centre and width of a dark Gaussian in a mean profile, by Gauss-Newton."""
    near = np.abs(s) <= 2.0
    x, y = s[near], mean[near]
    centre, width = 0.0, 0.35
    for _ in range(30):
        bell = np.exp(-0.5 * ((x - centre) / width) ** 2)
        linear = np.stack([bell, np.ones_like(x), x], axis=-1)
        level = np.linalg.lstsq(linear, y, rcond=None)[0]
        miss = y - linear @ level
        jacobian = np.stack(
            [
                level[0] * bell * (x - centre) / width**2,
                level[0] * bell * (x - centre) ** 2 / width**3,
                *linear.T,
            ],
            axis=-1,
        )
        step = np.linalg.lstsq(jacobian, miss, rcond=None)[0]
        centre += float(np.clip(step[0], -0.2, 0.2))
        width = float(np.clip(width + np.clip(step[1], -0.1, 0.1), 0.1, 1.2))
        if abs(step[0]) < 1e-5:
            break
    return (centre, width) if level[0] < 0 and abs(centre) < 0.8 else (centre, None)


def _middles(blocks: list[Floats]) -> Floats:
    """Robust mean of each block: values beyond two median deviations are left out."""
    counts = np.array([len(block) for block in blocks])
    values = np.full((len(blocks), counts.max()), np.nan)
    held = np.arange(counts.max()) < counts[:, None]
    values[held] = np.concatenate(blocks)
    away = np.abs(values - _medians(values, counts)[:, None])
    limit = 2.0 * 1.4826 * _medians(away, counts) + 1e-6
    # What is not there compares as false.
    near = away <= limit[:, None]
    return np.asarray(np.where(near, values, 0.0).sum(axis=1) / near.sum(axis=1))


def _medians(values: Floats, counts: Floats) -> Floats:
    """Median of each row's first ``counts`` values; NaN behind them."""
    ordered = np.sort(values, axis=1)
    rows = np.arange(len(values))
    return np.asarray(0.5 * (ordered[rows, (counts - 1) // 2] + ordered[rows, counts // 2]))


def _straight(t: Floats, offset: Floats) -> tuple[Bools, float, float]:
    """Which blocks keep to a straight line (N,), the scatter of one block, mm, and what it counts for.

    The last is larger where neighbours are off alike: then many blocks tell less than so many.
    """
    good = np.ones(len(t), dtype=bool)
    scatter = _FLOOR_MM
    for _ in range(5):
        fit = np.polynomial.polynomial.polyfit(t[good], offset[good], 1)
        miss = offset - np.polynomial.polynomial.polyval(t, fit)
        scatter = max(1.4826 * float(np.median(np.abs(miss[good]))), _FLOOR_MM)
        good = np.abs(miss) < _OFF_STRAIGHT * scatter
        if good.sum() < 3:
            break
    if good.sum() > 4:
        scatter = max(float(np.std(miss[good], ddof=2)), _FLOOR_MM)
        return good, scatter, scatter * _in_common(miss[good])
    return good, scatter, scatter


def _in_common(miss: Floats) -> float:
    """By how much the mean of blocks scatters more than if neighbours had nothing in common.

    A first-order autoregression, where one is plain: von Storch and Zwiers,
    "Statistical Analysis in Climate Research", 1999, section 6.6.8 (from memory).
    """
    alike = float((miss[1:] * miss[:-1]).mean() / max((miss**2).mean(), 1e-12))
    if alike < 2.0 / np.sqrt(len(miss)):
        return 1.0
    alike = min(alike, 0.8)
    return float(np.sqrt((1.0 + alike) / (1.0 - alike)))


def _distinct(lines: list[PencilLine]) -> list[PencilLine]:
    """Lines of which none is another one found twice; the longer stays."""
    kept: list[PencilLine] = []
    for line in sorted(lines, key=lambda one: -one.length_mm):
        path = shapely.LineString(line.points_mm)
        if all(
            shapely.LineString(k.points_mm).buffer(1.5).intersection(path).length
            < 0.5 * path.length
            for k in kept
        ):
            kept.append(line)
    return kept


def clear_line(lines: list[PencilLine]) -> PencilLine | None:
    """The reference line: the only one that spans the face, or by far the darkest that does."""
    spanning = sorted((one for one in lines if one.spans), key=lambda one: -one.strength)
    if not spanning:
        return None
    if len(spanning) == 1 or spanning[0].strength > _CLEARLY * spanning[1].strength:
        return spanning[0]
    return None
