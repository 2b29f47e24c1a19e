"""Plug-in "cut-edge": the outline of a cut or drawn pattern, its holes, the lines on its face."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from spilemark.errors import NoOutline
from spilemark.hookspecs import hookimpl
from spilemark.records import Cause, Floats, JobFacts, Note, Outline, Polyline, Survey, View
from spilemark_stages.trace.advice import outside_note, photo_notes
from spilemark_stages.trace.edge_shift import edge_shift_notes
from spilemark_stages.trace.face_lines import face_polygon, lines_on_face
from spilemark_stages.trace.findings import joined_note, no_outline, outline_notes
from spilemark_stages.trace.follow import followed
from spilemark_stages.trace.joined import is_whole, joined_ring, parts_beside
from spilemark_stages.trace.outlines import (
    Sensible,
    closed_polyline,
    ring_corners,
    ring_edges,
    shared_by,
    side_doubts,
)
from spilemark_stages.trace.parallax import several_notes
from spilemark_stages.trace.regions import Region
from spilemark_stages.trace.scribed import (
    LINE_BIAS_PX,
    Told,
    drawn_piece,
    meant_line,
    no_drawn_line,
)
from spilemark_stages.trace.several import Beliefs, FusedPiece, put_together
from spilemark_stages.trace.shade import dark_pattern_note
from spilemark_stages.trace.told_height import doubted_height
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece, traced_piece
from spilemark_stages.trace.unseen import faint_note, unseen_notes
from spilemark_stages.trace.views import Look, looks_at, only_one_note, same_region
from spilemark_stages.trace.washed_out import washed_out_note

_AS_WHOLE = 0.97
"""Share of the most that any photo shows of an outline that will do for the one to begin with."""


@dataclass(frozen=True)
class Options:
    """What is believed of the sheet and of the edge."""

    edge_bias_px: float = field(
        default=0.12,
        metadata={
            "help": "One sigma of what the camera's own tone curve and sharpening leave of a "
            "shift of every edge, after linearising, in a photo in focus.",
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
            "for each way of bending and of tilting.",
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
    """Trace every pattern that lies in the photos of one arm, in all that show it."""
    views = tuple(view for view in survey.views if view.straight.arm == arm)
    if not views:
        raise NoOutline(f"No photo was given for {arm}.", "Name at least one photo for it.")
    looks = looks_at(views)
    if not looks[0].found.regions:
        raise no_outline(looks[0].view, looks[0].found)
    told = job.edge.get(arm)
    for first in range(len(looks)):
        tracing = _Tracing(survey, views, looks[first:], arm, job, options, told)
        regions = looks[first].found.regions
        outlines = [o for k, r in enumerate(regions) if (o := tracing.outline(r, k)) is not None]
        if outlines:
            return tuple(outlines)
    if told == "scribed":
        raise no_drawn_line(looks[0].view)
    raise no_outline(looks[0].view, looks[0].found)


@hookimpl
def follow_edge(
    outline: Outline, view: View, places_px: Floats, job: JobFacts, options: Options
) -> Outline:
    """Follow the edge, or the drawn line, anew between places that a person set."""
    thickness = _thickness(view, job, options)
    return followed(outline, view, places_px, thickness, len(outline.causes))


def _whole_first(pieces: list[TracedPiece]) -> list[TracedPiece]:
    """The photos of a pattern, those in which a card or a tool hides some of its edge last."""
    most = max(piece.outer.seen_share for piece in pieces)
    return sorted(pieces, key=lambda piece: piece.outer.seen_share < _AS_WHOLE * most)


def _thickness(view: View, job: JobFacts, options: Options) -> float:
    """Height of the face above whatever it lies on, mm."""
    if view.plane.height_mm > 0.05:
        return view.plane.height_mm
    told, _ = job.thickness_for(view.straight.arm)
    return options.unknown_thickness_mm if told is None else told


@dataclass(frozen=True, slots=True, eq=False)
class _Tracing:
    """The photos of an arm, the best first, and all that its outlines are made with."""

    survey: Survey
    views: tuple[View, ...]
    """In the order in which they were given."""
    looks: list[Look]
    arm: str
    job: JobFacts
    options: Options
    told: Told
    """Whether the cut edge or a drawn line is meant, where the person said so."""

    def outline(self, region: Region, number: int) -> Outline | None:
        """One pattern; None when its edge could not be followed to a closed ring."""
        sheet = self._piece(self.looks[0], region, drawn=False)
        meant = None if sheet is None else meant_line(sheet, self.told)
        if meant is None:
            return None
        base = meant.piece
        drawn = base.line_width_mm is not None
        if base.region.cut_by_frame:
            joined = self._joined(base, region, number)
            if joined is not None:
                return joined
        others = []
        for look in self.looks[1:]:
            same = same_region(region, base.view, look)
            piece = None if same is None else self._piece(look, same, drawn=drawn)
            if piece is not None:
                others.append(piece)
        if not others:
            return self._from_one(base, number, (*meant.notes, *self._told_of_one(base)))
        several = [piece.with_all_doubt for piece in (base, *others)]
        fused, used, notes = put_together(
            _whole_first(several), self.survey.causes, self.arm, number, self._beliefs(base)
        )
        notes = (*meant.notes, *notes)
        if fused is None:
            return self._from_one(used[0], number, (*notes, *self._told_of_one(used[0])))
        return self._from_several(fused, notes)

    def _beliefs(self, piece: TracedPiece) -> Beliefs:
        options = self.options
        cut = piece.line_width_mm is None
        bias = float(np.hypot(options.edge_bias_px, piece.spill_px)) if cut else LINE_BIAS_PX
        return Beliefs(bias, options.shade_mm, options.flatness_mm, has_bright_side=cut)

    def _joined(self, base: TracedPiece, region: Region, number: int) -> Outline | None:
        """A pattern of which each picture shows a part; None where only one does."""
        beside = parts_beside(region, self.looks[0], self.looks[1:])
        traced = [self._piece(look, part, drawn=False) for look, part in beside]
        parts = (base, *(piece for piece in traced if piece is not None))
        pieces = tuple(piece.with_all_doubt for piece in parts)
        ring = joined_ring(pieces) if len(pieces) > 1 else None
        if ring is None:
            return None
        fused, _, notes = put_together(
            pieces, self.survey.causes, self.arm, number, self._beliefs(base), ring
        )
        return None if fused is None else self._from_several(fused, notes, joined=True)

    def _piece(self, look: Look, region: Region, *, drawn: bool) -> TracedPiece | None:
        """One pattern in one photo: by its cut edge, or by what is drawn on it."""
        thickness = _thickness(look.view, self.job, self.options)
        piece = traced_piece(look.view, look.found, region, thickness)
        if not drawn or piece is None:
            return piece
        found = drawn_piece(piece)
        return None if found is None else found.piece

    def _told_of_one(self, piece: TracedPiece) -> tuple[Note, ...]:
        return () if len(self.views) == 1 else (only_one_note(piece.view, len(self.views)),)

    def _from_one(self, piece: TracedPiece, number: int, notes: tuple[Note, ...]) -> Outline:
        """An outline traced in one photo."""
        beliefs, outer = self._beliefs(piece), piece.outer
        sides = side_doubts(outer)
        shared = shared_by(
            doubted_height(piece.view, piece.height_doubt_mm),
            self.survey.causes,
            outer.points_mm,
            self.arm,
            number,
            beliefs.bias_px(piece),
            beliefs.shade_mm if piece.darker else 0.0,
            beliefs.flatness_mm,
            sides.shape[1],
        )
        rings = [closed_polyline(outer, "edge", shared, sides=sides)]
        rings += [
            closed_polyline(h, "hole", shared, f"hole {k + 1}") for k, h in enumerate(piece.holes)
        ]
        lines, line_notes = self._lines(piece, shared)
        return self._record((*rings, *lines), shared.causes, (piece,), outer, (*notes, *line_notes))

    def _from_several(
        self, fused: FusedPiece, notes: tuple[Note, ...], *, joined: bool = False
    ) -> Outline:
        """An outline put together from several photos."""
        base = fused.pieces[0]
        rings = [fused.polyline(0, "edge")]
        rings += [fused.polyline(k + 1, "hole", f"hole {k + 1}") for k in range(len(fused.holes))]
        lines, line_notes = self._lines(base, fused.tables.seen_from(0))
        lines = tuple(fused.carried(line) for line in lines)
        told: tuple[Note, ...]
        told = (joined_note(fused.pieces),)
        if not joined:
            told = (*several_notes(fused), *photo_notes(fused))
        return self._record(
            (*rings, *lines),
            fused.causes,
            fused.pieces,
            fused.outer,
            (*notes, *told, *line_notes),
            whole=is_whole(fused.outer, fused.pieces) if joined else None,
        )

    def _lines(
        self, piece: TracedPiece, shared: Sensible
    ) -> tuple[tuple[Polyline, ...], tuple[Note, ...]]:
        return lines_on_face(
            piece.photo,
            piece.view,
            self.views[0],
            face_polygon(piece.outer, list(piece.holes)),
            shared,
            self.arm,
            self.job,
            piece.blur_px,
            None if piece.line_width_mm is None else piece.outer.points_mm,
        )

    def _record(
        self,
        polylines: tuple[Polyline, ...],
        causes: tuple[Cause, ...],
        pieces: tuple[TracedPiece, ...],
        outer: TracedRing,
        notes: tuple[Note, ...],
        whole: bool | None = None,
    ) -> Outline:
        base = pieces[0]
        corners = ring_corners(outer)
        whole = not base.region.cut_by_frame if whole is None else whole
        region = replace(base.region, cut_by_frame=not whole)
        told: list[Note] = []
        if base.line_width_mm is None:
            told += outline_notes(base.view, region, outer, list(base.doubtful))
            told += () if region.cut_by_frame else unseen_notes(base, outer)
            told += faint_note(base)
            seen_in = tuple(piece.view for piece in pieces)
            told += edge_shift_notes(seen_in, self.options.edge_bias_px)
            told += (washed_out_note(base.view, base.spill_px),) if base.spill_px else ()
        told += outside_note(outer, tuple(piece.view for piece in pieces))
        if base.darker:
            told.append(dark_pattern_note(base.view, self.options.shade_mm))
        # What is pointed at is said in pixels of the first photo.
        used = {id(piece.view) for piece in pieces}
        return Outline(
            polylines=polylines,
            corners=corners,
            edges=ring_edges(outer, corners),
            causes=causes,
            views=tuple(view for view in self.views if id(view) in used),
            whole=whole,
            drawn_width_mm=base.line_width_mm,
            notes=(*told, *notes),
        )
