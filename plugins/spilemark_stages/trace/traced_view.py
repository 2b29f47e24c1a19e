"""One pattern as one photo shows it: edge and holes, measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from spilemark.circles import fit_circle
from spilemark.frames import signed_area
from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, View
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.pieces import corner_gap_mm
from spilemark_stages.trace.regions import Found, Region
from spilemark_stages.trace.round_holes import round_again
from spilemark_stages.trace.shade import darker_than_bench
from spilemark_stages.trace.snap import mean_scale
from spilemark_stages.trace.stretches import Sheet
from spilemark_stages.trace.traced_ring import RingTracer, TracedRing
from spilemark_stages.trace.washed_out import spill_px

_HOLE_SEEN = 0.5
"""Share of a hole's edge that must have been seen; less is a stain or a knot."""
_FLECK_MM = 10.0
_LARGEST_KNOT_MM = 25.0
_UNROUND = 0.035
"""Rms distance from a circle, of the size; 0.035 is an ellipse of axes 1 to 1.2."""
_MOST_HOLES = 40
"""More of them are the speckles of a damaged or a hopeless picture."""
_LARGEST_MM = 20_000.0
_LEAST_SEEN = 0.25
"""Share of an outline below which all of it is a guess."""


@dataclass(frozen=True, slots=True, eq=False)
class TracedPiece:
    """One pattern in one photo."""

    view: View
    photo: LinearPhoto
    region: Region
    outer: TracedRing
    holes: tuple[TracedRing, ...]
    doubtful: tuple[Floats, ...]
    """Middles (2,) of what may be a hole but could not be measured."""
    darker: bool
    """Than its bench."""
    thickness_mm: float
    gap_mm: float
    """How far from a corner its blur reaches."""
    blur_px: float = 1.0
    """The photo's blur, one sigma."""
    faint: bool = False
    """Whether brightness alone does not tell its edge."""
    line_width_mm: float | None = None
    """Of a drawn outline; None of a cut one."""
    spill_px: float = 0.0
    """One sigma of how far light from a washed out side moves its edge."""
    height_doubt_mm: float = 0.0
    """One sigma of its face's height beyond what the survey believes, where photos contradict it."""

    @property
    def with_all_doubt(self) -> TracedPiece:
        """The same with what sides have in common as part of every point's own doubt."""
        holes = tuple(hole.with_all_doubt for hole in self.holes)
        return replace(self, outer=self.outer.with_all_doubt, holes=holes)


def traced_piece(
    view: View, found: Found, region: Region, thickness_mm: float
) -> TracedPiece | None:
    """Measure one pattern; None when its edge could not be followed to a closed ring."""
    if not _has_size(region, view):
        return None
    photo = LinearPhoto(view.straight.photo.pixels, found.covered, found.factor)
    tracer = RingTracer(photo, view.plane, Sheet(thickness_mm))
    outer = tracer.trace(_turned(region.outer_px, view, anticlockwise=True), region.coarse_px)
    if not shapely.Polygon(outer.points_mm).is_valid or signed_area(outer.points_mm) <= 0:
        return None
    if outer.seen_share < _LEAST_SEEN:
        return None
    gap = corner_gap_mm(tracer.blur_px, mean_scale(region.outer_px, view.plane))
    faint = tracer.faint
    holes, doubtful = _holes(tracer, view, region, outer)
    darker = darker_than_bench(photo, view, outer.points_mm, thickness_mm)
    spill = spill_px(photo, view, outer.points_mm, thickness_mm, tracer.blur_px)
    return TracedPiece(
        view=view,
        photo=photo,
        region=region,
        outer=outer,
        holes=tuple(holes),
        doubtful=tuple(doubtful),
        darker=darker,
        thickness_mm=thickness_mm,
        gap_mm=gap,
        blur_px=tracer.blur_px,
        faint=faint,
        spill_px=spill,
    )


def _turned(ring_px: Floats, view: View, *, anticlockwise: bool) -> Floats:
    """A ring in stored pixels so that it runs the asked way round on the face."""
    runs_left = signed_area(pixels_to_plane(ring_px, view.plane)) > 0
    return ring_px if runs_left == anticlockwise else ring_px[::-1]


def _has_size(region: Region, view: View) -> bool:
    """Whether the plane gives it any: shreds of cards in a damaged picture may solve to nonsense."""
    ring = pixels_to_plane(region.outer_px, view.plane)
    return bool(np.isfinite(ring).all() and np.ptp(ring, axis=0).max() < _LARGEST_MM)


def _holes(
    tracer: RingTracer, view: View, region: Region, outer: TracedRing
) -> tuple[list[TracedRing], list[Floats]]:
    """Holes that were measured, and the middles (2,) of those that could not be."""
    holes: list[TracedRing] = []
    doubtful: list[Floats] = []
    face = shapely.Polygon(outer.points_mm)
    largest = sorted(region.holes_px, key=lambda ring: -abs(signed_area(ring)))
    doubtful += [_middle(ring, view) for ring in largest[_MOST_HOLES:]]
    for ring_px in largest[:_MOST_HOLES]:
        hole = tracer.trace(_turned(ring_px, view, anticlockwise=False), region.coarse_px)
        hole = round_again(tracer, hole, mean_scale(ring_px, view.plane))
        shape = shapely.Polygon(hole.points_mm)
        good = shape.is_valid and face.contains(shape) and hole.seen_share >= _HOLE_SEEN
        # What is as small as a fleck of the face must be told by more than its hue.
        good &= not tracer.faint or float(np.ptp(hole.points_mm, axis=0).min()) > _FLECK_MM
        good &= not _like_a_knot(hole)
        if good and signed_area(hole.points_mm) < 0:
            holes.append(hole)
            face = face.difference(shape)
        else:
            doubtful.append(_middle(ring_px, view))
    return holes, doubtful


def _like_a_knot(hole: TracedRing) -> bool:
    """Whether what may be a hole is as small as a knot and as far from round.

    The bottom of a hole lies in the shade, and wood darker than the rest looks
    like wood in the shade.  What is bored is round; knots are not.
    """
    size = float(np.ptp(hole.points_mm, axis=0).max())
    circle = fit_circle(hole.points_mm)
    away = np.linalg.norm(hole.points_mm - circle.centre_mm, axis=1) - circle.radius_mm
    return size < _LARGEST_KNOT_MM and float(np.sqrt((away**2).mean())) > _UNROUND * size


def _middle(ring_px: Floats, view: View) -> Floats:
    """About the middle (2,) of a ring, mm."""
    return np.asarray(pixels_to_plane(ring_px, view.plane).mean(axis=0))
