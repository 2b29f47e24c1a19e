"""A pattern that is not cut yet: a sheet on which its shape is drawn in pencil.

Whether the drawn line or the sheet's own edge is meant is told by the person,
or found where it is clear: the sheet is a plain rectangle, and a closed line
lies on it.  Where it is not clear, the cut edge is taken and the person asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from spilemark.errors import NoOutline
from spilemark.frames import signed_area
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, Note, View
from spilemark_stages.trace.corners import inside_angle
from spilemark_stages.trace.face_lines import face_polygon, under_cards
from spilemark_stages.trace.pieces import corner_gap_mm
from spilemark_stages.trace.scribed_ring import Doubled, ScribedTracer
from spilemark_stages.trace.scribed_search import drawn_ring
from spilemark_stages.trace.snap import mean_scale
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece
from spilemark_stages.trace.unseen import WELL_SEEN

Told = Literal["cut", "scribed"] | None

_SQUARE_DEG = 8.0
_KINK_DEG = 40.0
_ASIDE = 18
"""Points to both sides of a corner by which its angle is told."""
_STRAIGHT_MM = 1.5
_RECTANGLE_SHARE = 0.96
"""Of its smallest box that a plain rectangle fills."""
_SHEET_SHARE = 0.7
"""The same of what may be a sheet or an offcut: a knee, cut out, fills a third of its box."""
_CLEAR_SEEN = 0.9
_MAYBE_SEEN = 0.75
"""From here on a line that was not told of is worth a word."""
_LEAST_SEEN = 0.5
"""Share of a drawn line below which nothing is made of it."""
_ROUND = 0.97
"""Share of the circle of its length: a closed line rounder than this is a hole's, not a part's."""
_FAINT = 2.6
"""Strength (``DrawnRing``) below which a ring may have followed the darkest grain in places."""
_TWICE_MM = 8.0
"""Length of a doubled line that is worth a word."""
LINE_BIAS_PX = 0.04
"""One sigma of what uneven pencil and paper leave of a shift of a whole line, px: by drawn pictures
with sides unlike by half (``tests/test_trace_scribed.py``)."""


@dataclass(frozen=True, slots=True, eq=False)
class Meant:
    """Which line of a piece is its outline."""

    piece: TracedPiece
    notes: tuple[Note, ...] = ()
    """On that line."""
    faint: bool = False
    """Whether a drawn line is hardly darker than the grain."""


def meant_line(piece: TracedPiece, told: Told) -> Meant | None:
    """The piece as cut, or its drawn shape; None where a drawn one was told of and there is none.

    Parameters
    ----------
    piece : TracedPiece
        The sheet by its cut edge.
    told : "cut", "scribed" or None
        What the person said.
    """
    plain = told is None and plain_rectangle(piece.outer)
    if told == "cut" or (told is None and not plain and not _may_be_a_sheet(piece.outer)):
        return Meant(piece)
    least = _LEAST_SEEN if told else _MAYBE_SEEN
    drawn = drawn_piece(piece, least)
    if drawn is None:
        return None if told else Meant(piece)
    ring = drawn.piece.outer
    if told is None and _is_round(ring):
        return Meant(piece)
    if told is None and not plain:
        # What grain passes for is no reason to doubt an edge that was cut.
        return Meant(piece, () if drawn.faint else (_closed_line_note(piece.view, ring),))
    if told is None and (ring.seen_share < _CLEAR_SEEN or drawn.faint):
        return Meant(piece, (_unclear_note(piece.view, ring),))
    return Meant(drawn.piece, (_drawn_note(drawn.piece, told), *drawn.notes))


def drawn_piece(piece: TracedPiece, least_shown: float = _LEAST_SEEN) -> Meant | None:
    """The shape drawn on a sheet, measured; None where no closed line shows to that share."""
    view = piece.view
    face = face_polygon(piece.outer, list(piece.holes))
    found = drawn_ring(piece.photo, view.plane, face, under_cards(view), least_shown)
    if found is None:
        return None
    scale = mean_scale(plane_to_pixels(found.points_mm, view.plane), view.plane)
    faint = found.strength < _FAINT
    tracer = ScribedTracer(piece.photo, view.plane, piece.blur_px, faint=faint)
    ring = tracer.follow(found.points_mm, scale)
    shape = shapely.Polygon(ring.points_mm)
    if not shape.is_valid or signed_area(ring.points_mm) <= 0 or ring.seen_share < _LEAST_SEEN:
        return None
    inside = [h for h in piece.holes if shape.contains(shapely.Polygon(h.points_mm))]
    measured = replace(
        piece,
        region=replace(piece.region, cut_by_frame=False),
        outer=ring,
        holes=tuple(inside),
        doubtful=(),
        darker=False,
        thickness_mm=0.0,
        gap_mm=corner_gap_mm(piece.blur_px, scale),
        line_width_mm=tracer.width_mm,
    )
    return Meant(measured, _line_notes(measured, tracer.doubled, faint=faint), faint=faint)


def plain_rectangle(ring: TracedRing) -> bool:
    """Whether what is seen of a cut edge is a sheet's: square corners, straight between them."""
    angles = [inside_angle(*_ways(ring, k)) for k, _ in ring.corners if _seen_about(ring, k)]
    square = [abs(angle - 90.0) < _SQUARE_DEG for angle in angles]
    # A shadow or a splinter may leave a shallow kink; a notch or a taper is none.
    shallow = [abs(angle - 180.0) < _KINK_DEG for angle in angles]
    if sum(square) > 4 or not all(a or b for a, b in zip(square, shallow, strict=True)):
        return False
    shape = shapely.MultiPoint(ring.points_mm[ring.seen]).convex_hull
    box = shapely.minimum_rotated_rectangle(shape)
    if shape.geom_type != "Polygon" or shape.area < _RECTANGLE_SHARE * box.area:
        return False
    away = shapely.distance(shape.exterior, shapely.points(ring.points_mm[ring.seen]))
    return bool(np.quantile(away, 0.95) < _STRAIGHT_MM and away.max() < 4.0 * _STRAIGHT_MM)


def _may_be_a_sheet(ring: TracedRing) -> bool:
    """Whether a cut edge takes up most of its smallest box."""
    face = shapely.Polygon(ring.points_mm)
    return bool(face.area >= _SHEET_SHARE * shapely.minimum_rotated_rectangle(face).area)


def _seen_about(ring: TracedRing, index: int) -> bool:
    near = (index + np.arange(-4, 5)) % len(ring.points_mm)
    return bool(ring.seen[near].all())


def _ways(ring: TracedRing, index: int) -> tuple[Floats, Floats]:
    """Directions of travel before and after a corner."""
    at = ring.points_mm[index]
    after = ring.points_mm[(index + _ASIDE) % len(ring.points_mm)]
    return at - ring.points_mm[index - _ASIDE], after - at


def _is_round(ring: TracedRing) -> bool:
    shape = shapely.Polygon(ring.points_mm)
    return bool(4.0 * np.pi * shape.area > _ROUND * shape.length**2)


def no_drawn_line(view: View) -> NoOutline:
    """The error where a drawn line was told of and none was found."""
    name = view.straight.photo.path.name
    return NoOutline(
        f"{name}: no closed pencil line was found on the sheet.",
        "Go over the line with a sharp dark pencil, close its gaps, light it from the side "
        "without glare and take the photo again; or give --edge cut if the sheet is cut to shape.",
    )


def _drawn_note(piece: TracedPiece, told: Told) -> Note:
    """Which line is meant, and how to say otherwise."""
    width = piece.line_width_mm or 0.0
    found = "" if told else " Give --edge cut if the sheet itself is the pattern."
    return Note(
        code="scribed-line",
        severity="info",
        text="The outline is the pencil line drawn on the sheet, not the sheet's edge: the middle "
        f"of the line, whatever its width.{found}",
        value=width,
        unit="mm wide",
        photo=piece.view.straight.photo.path.name,
    )


def _line_notes(piece: TracedPiece, twice: Doubled | None, *, faint: bool) -> tuple[Note, ...]:
    """What is wrong with a drawn line."""
    name = piece.view.straight.photo.path.name
    notes = []
    if faint:
        notes.append(
            Note(
                code="line-faint",
                severity="warn",
                text="The drawn line is hardly darker than the grain: where it is not clearly so, "
                "it is dashed, and may lie on the grain. Go over it with a softer, sharp pencil "
                "and take the photo again.",
                photo=name,
            )
        )
    if piece.outer.seen_share < WELL_SEEN:
        notes.append(
            Note(
                code="line-gaps",
                severity="warn",
                text=f"{100 * (1 - piece.outer.seen_share):.0f} % of the drawn line could not be "
                "seen (a gap, a faint place, or something over it): it is bridged there, and "
                "guessed. Go over it and take the photo again.",
                value=100 * piece.outer.seen_share,
                unit="% seen",
                photo=name,
            )
        )
    if twice is not None and twice.length_mm >= _TWICE_MM:
        notes.append(
            Note(
                code="line-doubled",
                severity="warn",
                text=f"The line was drawn twice along {twice.length_mm:.0f} mm, about "
                f"{twice.apart_mm:.1f} mm apart: which stroke is meant cannot be told, and the "
                "doubt there says so. Rub the wrong one out and take the photo again.",
                value=twice.apart_mm,
                unit="mm",
                at_mm=(float(twice.at_mm[0]), float(twice.at_mm[1])),
                photo=name,
            )
        )
    return tuple(notes)


def _unclear_note(view: View, ring: TracedRing) -> Note:
    return _edge_note(
        view,
        ring,
        "A shape seems to be drawn on the sheet, but its line is faint or not closed, so "
        "the sheet's own edge was taken. Say --edge scribed if the drawn line is meant (go over it where it "
        "is faint), --edge cut if not.",
    )


def _closed_line_note(view: View, ring: TracedRing) -> Note:
    return _edge_note(
        view,
        ring,
        "A closed pencil line lies on the face, but what was seen of the sheet's own edge is no "
        "plain rectangle, so that edge was taken. Is the shape drawn? Say --edge scribed if it is, "
        "--edge cut if not.",
    )


def _edge_note(view: View, ring: TracedRing, text: str) -> Note:
    """Asks which line is meant; ``ring`` is the drawn one."""
    return Note(
        code="edge-unclear",
        severity="warn",
        text=text,
        value=100 * ring.seen_share,
        unit="% seen",
        photo=view.straight.photo.path.name,
    )
