"""Plug-in "cut-edge": the outline of a cut pattern, its holes and the pencil lines on its face."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from spilemark.errors import NoOutline
from spilemark.frames import signed_area
from spilemark.hookspecs import hookimpl
from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, JobFacts, Outline, Survey, View
from spilemark_stages.trace.face_lines import face_polygon, lines_on_face
from spilemark_stages.trace.findings import no_outline, outline_notes
from spilemark_stages.trace.outlines import closed_polyline, ring_corners, ring_edges, shared_by
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.regions import Found, Region
from spilemark_stages.trace.shade import dark_pattern_note, darker_than_bench
from spilemark_stages.trace.stretches import Sheet
from spilemark_stages.trace.traced_ring import RingTracer, TracedRing
from spilemark_stages.trace.views import best_view

_HOLE_SEEN = 0.5
"""Share of a hole's edge that must have been seen; less is a stain or a knot."""
_MOST_HOLES = 40
"""More of them are the speckles of a damaged or a hopeless picture."""
_LARGEST_MM = 20_000.0
_LEAST_SEEN = 0.25
"""Share of an outline below which all of it is a guess."""


@dataclass(frozen=True)
class Options:
    """What is believed of the sheet and of the edge."""

    edge_bias_px: float = field(
        default=0.12,
        metadata={
            "help": "One sigma of what the camera's own tone curve and sharpening leave of a "
            "shift of every edge, after linearising.",
            "unit": "px",
        },
    )
    shade_mm: float = field(
        default=0.1,
        metadata={
            "help": "One sigma of how much of the shade at its foot passes for a pattern that is "
            "darker than its bench.",
            "unit": "mm",
        },
    )
    flatness_mm: float = field(
        default=0.2,
        metadata={
            "help": "One sigma of how far the rim of the sheet stands off its mean plane, "
            "for each way of bending.",
            "unit": "mm",
        },
    )
    unknown_thickness_mm: float = field(
        default=3.0,
        metadata={
            "help": "Thickness taken for the visible wall when the cards lie on the pattern "
            "and no thickness was stated.",
            "unit": "mm",
        },
    )


@hookimpl
def declare_options() -> type:
    """Options of this plug-in."""
    return Options


@hookimpl
def trace(survey: Survey, arm: str, job: JobFacts, options: Options) -> tuple[Outline, ...]:
    """Trace every pattern that lies in the photos of one arm."""
    views = tuple(view for view in survey.views if view.straight.arm == arm)
    if not views:
        raise NoOutline(f"No photo was given for {arm}.", "Name at least one photo for it.")
    view, found, notes = best_view(views)
    if not found.regions:
        raise no_outline(view, found)
    tracing = _Tracing(survey, views[0], view, found, arm, job, options)
    outlines = [
        outline
        for piece, region in enumerate(found.regions)
        if (outline := tracing.outline(region, piece)) is not None
    ]
    if not outlines:
        raise no_outline(view, found)
    outlines[0] = replace(outlines[0], notes=(*notes, *outlines[0].notes))
    return tuple(outlines)


def _thickness(view: View, job: JobFacts, options: Options) -> float:
    """Height of the face above whatever it lies on, mm."""
    if view.plane.height_mm > 0.05:
        return view.plane.height_mm
    return options.unknown_thickness_mm if job.thickness_mm is None else job.thickness_mm


def _turned(ring_px: Floats, view: View, *, anticlockwise: bool) -> Floats:
    """A ring in stored pixels so that it runs the asked way round on the face."""
    runs_left = signed_area(pixels_to_plane(ring_px, view.plane)) > 0
    return ring_px if runs_left == anticlockwise else ring_px[::-1]


@dataclass(frozen=True, slots=True, eq=False)
class _Tracing:
    """One photo, and all that its outlines are made with."""

    survey: Survey
    first_view: View
    view: View
    found: Found
    arm: str
    job: JobFacts
    options: Options

    def outline(self, region: Region, piece: int) -> Outline | None:
        """One pattern; None when its edge could not be followed to a closed ring."""
        view, found, options = self.view, self.found, self.options
        if not self._has_size(region):
            return None
        photo = LinearPhoto(view.straight.photo.pixels, found.covered, found.factor)
        tracer = RingTracer(photo, view.plane, Sheet(_thickness(view, self.job, options)))
        outer = tracer.trace(_turned(region.outer_px, view, anticlockwise=True), found.factor)
        if not shapely.Polygon(outer.points_mm).is_valid or signed_area(outer.points_mm) <= 0:
            return None
        if outer.seen_share < _LEAST_SEEN:
            return None
        holes, doubtful = self._holes(tracer, region, outer)
        darker = darker_than_bench(photo, view, outer.points_mm, tracer.sheet.thickness_mm)
        shared = shared_by(
            view,
            self.survey.causes,
            outer.points_mm,
            self.arm,
            piece,
            options.edge_bias_px,
            options.shade_mm if darker else 0.0,
            options.flatness_mm,
        )
        corners = ring_corners(outer)
        rings = [closed_polyline(outer, "edge", shared)]
        rings += [closed_polyline(h, "hole", shared, f"hole {k + 1}") for k, h in enumerate(holes)]
        face = face_polygon(outer, holes)
        lines, line_notes = lines_on_face(
            photo, view, self.first_view, face, shared, self.arm, self.job
        )
        return Outline(
            polylines=(*rings, *lines),
            corners=corners,
            edges=ring_edges(outer, corners),
            causes=shared.causes,
            views=(view,),
            whole=not region.cut_by_frame,
            notes=(
                *outline_notes(view, region, outer, doubtful),
                *([dark_pattern_note(view, options.shade_mm)] if darker else []),
                *line_notes,
            ),
        )

    def _has_size(self, region: Region) -> bool:
        """Whether the plane gives it any: shreds of cards in a damaged picture may solve to nonsense."""
        ring = pixels_to_plane(region.outer_px, self.view.plane)
        return bool(np.isfinite(ring).all() and np.ptp(ring, axis=0).max() < _LARGEST_MM)

    def _holes(
        self, tracer: RingTracer, region: Region, outer: TracedRing
    ) -> tuple[list[TracedRing], list[Floats]]:
        """Holes that were measured, and the middles (2,) of those that could not be."""
        holes: list[TracedRing] = []
        doubtful: list[Floats] = []
        face = shapely.Polygon(outer.points_mm)
        largest = sorted(region.holes_px, key=lambda ring: -abs(signed_area(ring)))
        doubtful += [self._middle(ring) for ring in largest[_MOST_HOLES:]]
        for ring_px in largest[:_MOST_HOLES]:
            hole = tracer.trace(_turned(ring_px, self.view, anticlockwise=False), self.found.factor)
            shape = shapely.Polygon(hole.points_mm)
            good = shape.is_valid and face.contains(shape) and hole.seen_share >= _HOLE_SEEN
            if good and signed_area(hole.points_mm) < 0:
                holes.append(hole)
                face = face.difference(shape)
            else:
                doubtful.append(self._middle(ring_px))
        return holes, doubtful

    def _middle(self, ring_px: Floats) -> Floats:
        """About the middle (2,) of a ring, mm."""
        return np.asarray(pixels_to_plane(ring_px, self.view.plane).mean(axis=0))
