"""The lines on a face as records: the reference line, given or found, and other marks."""

from __future__ import annotations

import numpy as np
import shapely

from spilemark.frames import upright_to_stored
from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, JobFacts, Note, Polyline, View
from spilemark_stages.trace.drawn_circles import find_circles
from spilemark_stages.trace.marks import find_marks, tick_near
from spilemark_stages.trace.outlines import Sensible, open_polyline
from spilemark_stages.trace.pencil import PencilLine, PencilTracer, clear_line
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.stroke_mask import Strokes
from spilemark_stages.trace.traced_ring import TracedRing

_SNAP_MM = 3.0
"""A typed or clicked line is taken to mean the pencil line this near."""
_TYPED_SIGMA_MM = 0.3
_CARD_PAPER_MM = 10.0
"""Usual margin of a card beyond its chessboard."""


def face_polygon(outer: TracedRing, holes: list[TracedRing]) -> shapely.Polygon:
    """The face, holes left out."""
    return shapely.Polygon(outer.points_mm, [hole.points_mm for hole in holes])


def under_cards(view: View) -> shapely.Geometry:
    """Where cards, as the photo shows them, hide a face, mm."""
    return shapely.union_all(
        [
            shapely.Polygon(pixels_to_plane(card.outline_px, view.plane)).buffer(_CARD_PAPER_MM)
            for card in view.papers
        ]
    )


def lines_on_face(
    photo: LinearPhoto,
    view: View,
    first_view: View,
    face: shapely.Polygon,
    shared: Sensible,
    arm: str,
    job: JobFacts,
    blur_px: float,
    drawn: Floats | None = None,
) -> tuple[tuple[Polyline, ...], tuple[Note, ...]]:
    """Reference line and marks on one face, with what is to be said of them.

    ``first_view`` is the arm's first photo, in whose pixels a line is given;
    ``drawn`` (N, 2) the outline where it is itself a pencil line.
    """
    tracer = PencilTracer(photo, view.plane, face, under_cards(view))
    given = _given(first_view, arm, job)
    if given is not None and shapely.Point(given.mean(axis=0)).within(face):
        lines, notes = _given_line(tracer, given, shared, view, blur_px)
    else:
        tagged = job.tags == "read" and any(tag.says == "line" for tag in view.tags)
        lines, notes = _found_lines(tracer, shared, view, told=tagged)
    known = [line.points_mm for line in lines]
    known += [] if drawn is None else [np.vstack([drawn, drawn[:1]])]
    return (*lines, *_small_marks(tracer, shared, known, blur_px, len(lines))), notes


def _found_lines(
    tracer: PencilTracer, shared: Sensible, view: View, *, told: bool
) -> tuple[tuple[Polyline, ...], tuple[Note, ...]]:
    """The straight lines that run over the face: the clear one is the reference line.

    ``told``: tags say where it runs, so nobody is asked.
    """
    found = tracer.lines()
    reference = clear_line(found)
    lines = []
    for number, line in enumerate(one for one in found if one is not reference):
        lines.append(_record(line, shared, "mark", f"mark {number + 1}"))
    if reference is not None:
        return (_record(reference, shared, "centreline", "reference line"), *lines), ()
    return tuple(lines), () if told else _ambiguity(found, view)


def _small_marks(
    tracer: PencilTracer, shared: Sensible, known: list[Floats], blur_px: float, before: int
) -> list[Polyline]:
    """Short marks and drawn circles as records, numbered on."""
    view = tracer.view()
    if view is None:
        return []
    strokes, plane, photo = Strokes.of(view), tracer.plane, tracer.photo
    circles = find_circles(strokes, photo, plane, known, blur_px)
    rounds = [circle.ring() for circle in circles]
    ticks = find_marks(strokes, photo, plane, [*known, *rounds], blur_px)
    lines = [
        open_polyline(t.points_mm, np.full(2, t.sigma_mm), "mark", shared, f"mark {before + k}")
        for k, t in enumerate(ticks, 1)
    ]
    return lines + [
        open_polyline(ring, np.full(len(ring), c.sigma_mm), "mark", shared, f"circle {k}")
        for k, (c, ring) in enumerate(zip(circles, rounds, strict=True), 1)
    ]


def _record(line: PencilLine, shared: Sensible, role: str, name: str) -> Polyline:
    return open_polyline(
        line.points_mm,
        line.sigma_mm,
        "centreline" if role == "centreline" else "mark",
        shared,
        name,
    )


def _given(first_view: View, arm: str, job: JobFacts) -> Floats | None:
    """Ends (2, 2) on the face of the line that was given for this arm."""
    typed = job.centreline_px.get(arm)
    if typed is None:
        return None
    photo = first_view.straight.photo
    ends = upright_to_stored(
        np.array(typed, dtype=np.float64).reshape(2, 2),
        photo.width_px,
        photo.height_px,
        photo.orientation,
    )
    return pixels_to_plane(ends, first_view.plane)


def _given_line(
    tracer: PencilTracer, given: Floats, shared: Sensible, view: View, blur_px: float
) -> tuple[tuple[Polyline, ...], tuple[Note, ...]]:
    """The pencil line or tick that was pointed at; the points as given where there is none."""
    start, stop = given
    line = None
    if np.linalg.norm(stop - start) > 1.0:
        line = tracer.near(start, stop, _SNAP_MM)
    if line is not None:
        return (_record(line, shared, "centreline", "reference line"),), ()
    tick = tick_near(tracer.photo, tracer.plane, start, stop, blur_px, _SNAP_MM)
    if tick is not None:
        doubt = np.full(2, tick.sigma_mm)
        named = open_polyline(tick.points_mm, doubt, "centreline", shared, "reference line")
        return (named,), ()
    note = Note(
        code="line-as-given",
        severity="info",
        text="No pencil line was found along the two points given for the reference line: the "
        "points themselves were taken, each good to about 0.3 mm.",
        value=_TYPED_SIGMA_MM,
        unit="mm",
        at_mm=(float(given[:, 0].mean()), float(given[:, 1].mean())),
        photo=view.straight.photo.path.name,
    )
    record = open_polyline(given, np.full(2, _TYPED_SIGMA_MM), "centreline", shared, "given")
    return (record,), (note,)


def _ambiguity(found: list[PencilLine], view: View) -> tuple[Note, ...]:
    """What to say when lines were found but none is clearly the reference line."""
    if not found:
        return ()
    count = sum(line.spans for line in found)
    why = (
        f"{count} pencil lines run right across the face"
        if count > 1
        else "pencil lines were found, but none runs right across the face"
    )
    middle = found[0].points_mm.mean(axis=0)
    return (
        Note(
            code="line-unclear",
            severity="warn",
            text=f"The reference line is not clear: {why}. Point at it with --centreline.",
            value=float(len(found)),
            unit="lines",
            at_mm=(float(middle[0]), float(middle[1])),
            photo=view.straight.photo.path.name,
        ),
    )
