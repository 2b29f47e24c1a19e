"""One closed edge, outer or hole, from a coarse ring to measured points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.spatial import KDTree

from spilemark.frames import signed_area
from spilemark.lens import pixels_to_plane
from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.bridges import bridge
from spilemark_stages.trace.corners import Meeting, find_corners, pieces_between
from spilemark_stages.trace.faint_ring import (
    CORNER_GAP_MM,
    SEARCHES_PX,
    STEP_PX,
    faint_pieces,
    moved_piece,
)
from spilemark_stages.trace.measure import SPACING_PX, offsets, placed_piece
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.pieces import Piece, corner_gap_mm, cornered
from spilemark_stages.trace.profiles import Placed
from spilemark_stages.trace.rings import bridged, lengths_along, local_scatter, resample, robust_fit
from spilemark_stages.trace.snap import mean_scale, snapped
from spilemark_stages.trace.stretches import Sheet, best_blur

POINTS_MM = 0.8
"""Distance of the points that are handed on."""
_SMOOTH_MM = 2.0
"""Half-width of the local fit: a saw's wobble is longer, its tooth marks are shorter."""
_FIRST_GAP_MM = 2.5
"""How far a corner bends a ring that was only snapped."""
_FIRST_PACE = 2
"""The first measurement only has to place the base of the next one: fewer profiles do."""
_WIDEST_MM = 0.6
"""In a photo that was shrunk, points stand closer than that: corners and notches are sought in them."""
_CORNERS_PX = 1.25
"""Spacing in which corners are sought: their clear distances from blur are counted in it."""
_ZIGZAG = 2.5
"""Measured anew, an edge does not become so many times longer: that is noise in a damaged picture."""
_PASSES = 3
"""A corner may turn out to be none once its sides are measured, and then is measured across."""
_SAME_MM = 1.5
_CORRELATED = 1.35
"""Neighbouring profiles share pixels: their scatter averages down this much less."""
_HALF_SEEN = 0.35
"""Share of a point's neighbourhood that must have been usable for it to count as seen."""


@dataclass(frozen=True, slots=True, eq=False)
class TracedRing:
    """A closed edge as measured; wood on the left."""

    points_mm: Floats
    """(N, 2), first not repeated, starting at a corner where there is one."""
    sigma_mm: Floats
    seen: Bools
    corners: tuple[tuple[int, float], ...]
    """(index, turn in degrees, left positive)."""
    common_mm: Floats | None = None
    """(N,) doubt that all of a side has in common, beside ``sigma_mm``; None where there is none."""

    @property
    def with_all_doubt(self) -> TracedRing:
        """The same with what its sides have in common as part of every point's own doubt."""
        if self.common_mm is None:
            return self
        sigma = np.hypot(self.sigma_mm, self.common_mm)
        return replace(self, sigma_mm=sigma, common_mm=None)

    @property
    def seen_share(self) -> float:
        """Share of the points that were seen."""
        return float(self.seen.mean())


class RingTracer:
    """Traces rings in one photo; measures the photo's blur once."""

    def __init__(self, photo: LinearPhoto, plane: PlaneMap, sheet: Sheet) -> None:
        self.photo = photo
        self.plane = plane
        self.sheet = sheet
        self.blur_px = 0.0
        self.faint = False
        """Whether brightness told the last ring's edge badly."""

    def trace(self, ring_px: Floats, coarse_px: float) -> TracedRing:
        """Measure one ring found at reduced size (stored px; wood on its left in the plane)."""
        ring, self.faint, rough = snapped(
            self.photo, self.plane, ring_px, coarse_px, self.sheet.thickness_mm
        )
        if rough:
            ring = self._faired(ring, mean_scale(ring_px, self.plane))
        mm_per_px = mean_scale(ring_px, self.plane)
        if not self.blur_px:
            line = placed_piece(
                resample(ring, 2 * _step_mm(mm_per_px), closed=True),
                self.plane,
                self.sheet,
                closed=True,
            )
            self.blur_px = best_blur(self.photo, line, closed=True)
        return self.follow(ring, mm_per_px)

    def follow(self, ring: Floats, mm_per_px: float) -> TracedRing:
        """Measure one ring (N, 2) that lies on the edge already, evenly spaced, mm, wood on its left."""
        spacing = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).mean())
        step = _step_mm(mm_per_px)
        fine = min(step, _CORNERS_PX * mm_per_px)
        longest = _ZIGZAG * len(ring) * spacing
        gap = corner_gap_mm(self.blur_px, mm_per_px)
        corners = find_corners(ring, spacing, _FIRST_GAP_MM)
        pieces, _ = self._pass(ring, corners, _FIRST_GAP_MM, _FIRST_PACE * step, gap)
        for _ in range(_PASSES):
            if not all(np.isfinite(piece.points).all() for piece in pieces):
                return _nothing(ring)
            if sum(_length(piece.points) for piece in pieces) > longest:
                return _nothing(ring)
            ring = _ring_of(pieces, fine, open_ends=bool(corners))
            found = find_corners(ring, fine, 1.5 * gap)
            pieces, corners = self._pass(ring, found, gap, step, gap)
            if not all(np.isfinite(piece.points).all() for piece in pieces):
                return _nothing(ring)
            again = find_corners(_ring_of(pieces, fine, open_ends=bool(corners)), fine, 1.5 * gap)
            if _same(again, corners):
                break
        return _joined(pieces, corners)

    def _faired(self, ring: Floats, mm_per_px: float) -> Floats:
        """A ring whose single stretches are doubtful, moved in long fair pieces."""
        spacing = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).mean())
        step = STEP_PX * mm_per_px
        for search in SEARCHES_PX:
            bases, corners = faint_pieces(ring, step)
            closed = not corners
            moved = [
                moved_piece(
                    self.photo, self.plane, b, self.sheet.thickness_mm, search, closed=closed
                )
                for b in bases
            ]
            pieces = [Piece(m, np.full(len(m), 0.1), np.ones(len(m), dtype=bool)) for m in moved]
            if corners:
                pieces, _ = cornered(pieces, corners, step, CORNER_GAP_MM)
            ring = _ring_of(pieces, spacing, open_ends=bool(corners))
        return ring

    def _pass(
        self, ring: Floats, corners: list[Meeting], base_gap: float, step: float, gap: float
    ) -> tuple[list[Piece], list[Meeting]]:
        """Measure every smooth piece and set the corners anew where the measured sides cross."""
        if not corners:
            return [self._closed(resample(ring, step, closed=True))], []
        bases = pieces_between(ring, corners, base_gap, step)
        measured = [self._open(base, gap) for base in bases]
        return cornered(measured, corners, step, gap)

    def _closed(self, base: Floats) -> Piece:
        return self._measured(base, np.ones(len(base), dtype=bool), closed=True)

    def _open(self, base: Floats, gap: float) -> Piece:
        along = lengths_along(base, closed=False)
        clear = (along > gap) & (along < along[-1] - gap)
        return self._measured(base, clear, closed=False)

    def _measured(self, base: Floats, usable: Bools, *, closed: bool) -> Piece:
        """Measure one evenly spaced base line and smooth the result along it."""
        if usable.sum() < 6:
            return Piece(base, np.full(len(base), 1.0), np.zeros(len(base), dtype=bool))
        found = offsets(
            self.photo,
            self.plane,
            base,
            usable,
            self.sheet,
            self.blur_px,
            closed=closed,
            faint=self.faint,
        )
        piece = self._smoothed(
            found.line,
            found.px,
            found.stretch_sigma_px,
            self.sheet.arris_bias_mm * found.rounded,
            _SMOOTH_MM,
            closed=closed,
        )
        # Where it is not told the fair course of the rest is still the best guess.
        seen = piece.seen & found.told
        sigma = np.where(seen, piece.sigma, 1.0)
        return Piece(piece.points, sigma, seen, found.common_px * found.line.mm_per_px)

    def _smoothed(
        self,
        line: Placed,
        offset_px: Floats,
        stretch_sigma_px: Floats,
        bias_mm: Floats,
        smooth_mm: float,
        *,
        closed: bool,
    ) -> Piece:
        """A measured line smoothed along itself, bridged where little of it shows.

        Parameters
        ----------
        line : N points
        offset_px : (N,)
            Where its edge or middle was measured, outward; NaN where it was not.
        stretch_sigma_px : (N,)
            Doubt that neighbours share.
        bias_mm : (N,)
            Added where the line is seen.
        smooth_mm : float
            Half-width of the local fit.
        """
        base, scale = line.points_mm, line.mm_per_px
        raw = offset_px * scale
        spacing = float(np.median(np.linalg.norm(np.diff(base, axis=0), axis=1)))
        reach = smooth_mm / spacing
        valid = np.isfinite(raw)
        floor = 0.03 * float(np.median(scale))
        fitted, gain, weights = robust_fit(raw, valid, reach, closed=closed, floor=floor)
        miss = np.where(valid & np.isfinite(fitted), np.nan_to_num(raw) - fitted, 0.0)
        scatter = np.maximum(local_scatter(miss, weights, 6 * reach, closed=closed), floor)
        nearby = _share_near(weights > 0, round(reach / 2), closed=closed)
        seen = np.isfinite(fitted) & (nearby > _HALF_SEEN)
        shift = bridged(np.where(seen, fitted, np.nan), closed=closed) + bias_mm * seen
        sigma = np.hypot(
            _CORRELATED * scatter * np.nan_to_num(gain, nan=1.0), stretch_sigma_px * scale
        )
        at = line.at_px + line.across_px * (shift / scale)[:, None]
        points = bridge(pixels_to_plane(at, self.plane), seen, spacing, closed=closed)
        return Piece(points, np.where(seen, sigma, 1.0), seen)


def _ring_of(pieces: list[Piece], step: float, *, open_ends: bool) -> Floats:
    """All pieces as one evenly spaced ring; open pieces share their ends."""
    points = np.vstack([p.points[:-1] if open_ends else p.points for p in pieces])
    return resample(points, step, closed=True)


def _length(points: Floats) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _step_mm(mm_per_px: float) -> float:
    """Distance of the profiles along an edge, mm."""
    return max(min(SPACING_PX * mm_per_px, _WIDEST_MM), 0.5 * mm_per_px)


def _nothing(ring_px: Floats) -> TracedRing:
    """A ring of which nothing was seen: its points left the plane (a damaged picture)."""
    count = len(ring_px)
    return TracedRing(np.asarray(ring_px), np.ones(count), np.zeros(count, dtype=bool), ())


def _same(first: list[Meeting], second: list[Meeting]) -> bool:
    """Whether two lists name the same corners."""
    if len(first) != len(second):
        return False
    away = [min(float(np.linalg.norm(a.at - b.at)) for b in second) for a in first]
    return max(away, default=0.0) < _SAME_MM


def _share_near(flags: Bools, reach: int, *, closed: bool) -> Floats:
    """Share of flags set within ``reach`` samples of each."""
    padded = np.pad(flags.astype(float), reach, mode="wrap" if closed else "edge")
    return np.convolve(padded, np.full(2 * reach + 1, 1.0 / (2 * reach + 1)), mode="valid")


def _joined(pieces: list[Piece], corners: list[Meeting]) -> TracedRing:
    """Thin the pieces to the spacing that is handed on and join them to one ring."""
    parts: list[tuple[Floats, Floats, Bools, Floats]] = []
    marks: list[tuple[int, float]] = []
    total = 0
    for k, piece in enumerate(pieces):
        count = max(2, round(_length(piece.points) / POINTS_MM))
        pick = np.unique(np.round(np.linspace(0, len(piece.points) - 1, count + 1)).astype(int))
        if corners:
            marks.append((total, corners[k].turn_deg))
            pick = pick[:-1]
        common = np.zeros(len(piece.points)) if piece.common is None else piece.common
        parts.append((piece.points[pick], piece.sigma[pick], piece.seen[pick], common[pick]))
        total += len(pick)
    points, sigma, seen, common = (np.concatenate(column) for column in zip(*parts, strict=True))
    return _untangled(
        TracedRing(points, sigma, seen, tuple(marks), common if common.any() else None)
    )


def _untangled(ring: TracedRing) -> TracedRing:
    """A ring without small loops (two noisy sides that cross just before their corner)."""
    shape = shapely.Polygon(ring.points_mm)
    if shape.is_valid:
        return ring
    parts = [p for p in shapely.get_parts(shapely.make_valid(shape)) if p.geom_type == "Polygon"]
    outline = np.array(max(parts, key=lambda p: p.area).exterior.coords)[:-1]
    if (signed_area(outline) > 0) != (signed_area(ring.points_mm) > 0):
        outline = outline[::-1]
    away, nearest = KDTree(ring.points_mm).query(outline)
    start = int(np.argmin(nearest))
    outline, nearest = np.roll(outline, -start, axis=0), np.roll(nearest, -start)
    kept = np.roll(away, -start) < POINTS_MM
    marks = []
    for index, turn in ring.corners:
        distance = np.linalg.norm(outline - ring.points_mm[index], axis=1)
        if distance.min() < 2 * POINTS_MM:
            marks.append((int(distance.argmin()), turn))
    return TracedRing(
        points_mm=outline,
        sigma_mm=ring.sigma_mm[nearest],
        seen=ring.seen[nearest] & kept,
        corners=tuple(sorted(set(marks))),
        common_mm=None if ring.common_mm is None else ring.common_mm[nearest],
    )
