"""What is left on or taken off by named edge, between the pattern and the saw.

Three lines are kept apart: the *pattern* as it was taken, the *finished* line
(scribe gap undone, less what was planed off the last part of the class, glue gap
taken off, corner relieved) and the *cutting* line
(larger outline of both faces, with room for the saw and the plane).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from spilemark.errors import UsageError
from spilemark.shop.faces import POINTS_MM, FaceLines, face_lines
from spilemark.shop.fitted import Planed, less_planed
from spilemark.shop.offsets import EdgeMove, densified, move_edges
from spilemark.shop.outlines import Floats, ShopOutline
from spilemark.shop.relief import CornerRelief, relieved
from spilemark.shop.stations import Stations, carried

LEAST_FACING = math.sin(math.radians(10.0))
"""A gap measured within 10 degrees of the edge's own run says nothing of where the edge is."""

MOST_MM = 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeAllowance:
    """Amounts of one edge, mm, none negative."""

    edge: str
    saw_mm: float = 0.0
    """Left outside the finished line by the saw."""
    plane_off_mm: float = 0.0
    """Left on to be planed off when it is fitted."""
    glue_gap_mm: float = 0.0
    """Left free for thickened glue; the finished part is smaller by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScribeGap:
    """How far the pattern's edge stood off the hull when it was scribed."""

    edge: str
    gap_mm: float
    direction_deg: float | None = None
    """Way from the pattern to the hull in which the compass was held, anticlockwise from starboard
    (90 is forward); None where a block or washer was rolled along, square to the edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowances:
    """All that is declared for one part."""

    edges: tuple[EdgeAllowance, ...] = ()
    scribes: tuple[ScribeGap, ...] = ()
    reliefs: tuple[CornerRelief, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutLines:
    """The lines of a part, all in the pattern's frame."""

    pattern: ShopOutline
    finished: ShopOutline
    """On the face on which the pattern lay."""
    second_face: ShopOutline | None
    """None where every edge is square."""
    cutting: ShopOutline


def cut_lines(
    outline: ShopOutline,
    allowances: Allowances,
    *,
    thickness_mm: float | None = None,
    bevels: Sequence[Stations] = (),
    planed: Sequence[Planed] = (),
) -> CutLines:
    """Work out the finished and the cutting line of a part.

    Parameters
    ----------
    outline : ShopOutline
        The pattern.
    allowances : Allowances
    thickness_mm : float, optional
        Of the part; needed for bevels.
    bevels : sequence of Stations
        Degrees from square, positive standing seen from the pattern's face.
    planed : sequence of Planed
        What came off the last part of the class.

    Raises
    ------
    UsageError
        An edge or corner is not there, an amount is impossible, or a line would
        cross itself; the message says where.
    """
    hull = undo_scribe(outline, allowances.scribes)
    if planed:
        hull = less_planed(hull, planed)
    glue = {a.edge: EdgeMove(-_amount(a.glue_gap_mm, a.edge)) for a in _once(allowances.edges)}
    finished = move_edges(hull, _named(hull, glue))
    faces = _faces(finished, thickness_mm, _on_finished(bevels, outline, finished))
    room = {
        a.edge: EdgeMove(_amount(a.saw_mm, a.edge) + _amount(a.plane_off_mm, a.edge))
        for a in allowances.edges
    }
    large = faces.large if faces else finished
    cutting = move_edges(large, _named(large, room))
    return CutLines(
        pattern=outline,
        finished=_relieved(replace(finished, name=outline.name), allowances.reliefs),
        second_face=_relieved(faces.second_face, allowances.reliefs) if faces else None,
        cutting=_relieved(
            replace(cutting, name=f"{outline.name}, cutting line".strip(", ")), allowances.reliefs
        ),
    )


def undo_scribe(outline: ShopOutline, scribes: Sequence[ScribeGap]) -> ShopOutline:
    """Carry scribed edges out to the surface they were scribed to.

    Notes
    -----
    A compass held in one direction draws the surface shifted in that direction:
    undone by the same shift, exactly.  A block or washer that rolls along the
    surface draws it offset square to itself: undone by a normal offset, which
    cannot give back inside corners tighter than the block.  Own derivation,
    checked by scribing curves numerically.

    Raises
    ------
    UsageError
        A direction does not lead out of the wood.
    """
    outline = densified(outline, POINTS_MM)
    moves: dict[str, Any] = {}
    for scribe in _once(scribes):
        gap = _amount(scribe.gap_mm, scribe.edge)
        if scribe.direction_deg is None:
            moves[scribe.edge] = EdgeMove(gap)
            continue
        angle = math.radians(scribe.direction_deg)
        way = np.array([math.cos(angle), math.sin(angle)])
        _check_leads_out(outline, scribe, way)
        moves[scribe.edge] = EdgeMove(along_mm=(gap * float(way[0]), gap * float(way[1])))
    return move_edges(outline, _named(outline, moves))


def normal_gap_mm(gap_mm: float, slope_deg: float) -> float:
    """Gap square to a surface that slopes, where it was measured along a fixed direction.

    g cos(slope), the slope being that of the surface's normal against the
    direction: own derivation, checked numerically.  Taking a vertical gap for a
    normal one on a 30 degree slope is wrong by 13 %.
    """
    return gap_mm * math.cos(math.radians(slope_deg))


def bush_offset_mm(bush_mm: float, cutter_mm: float) -> float:
    """Distance from template to cut with a guide bush: (outside of bush - cutter) / 2.

    franz-makes.pages.dev and woodworking.stackexchange 7205: 30 and 10 mm give
    10 mm, 3/4" and 1/2" give 1/8".

    Raises
    ------
    UsageError
        The cutter does not pass through the bush.
    """
    if not 0.0 < cutter_mm < bush_mm:
        raise UsageError(
            f"A cutter of {cutter_mm:g} mm does not run in a bush of {bush_mm:g} mm outside.",
            "Give the bush's outside diameter and the cutter's diameter.",
        )
    return (bush_mm - cutter_mm) / 2.0


def router_template(finished: ShopOutline, bush_mm: float, cutter_mm: float) -> ShopOutline:
    """Template to rout a part with a guide bush that runs round its outside: smaller by the offset.

    A sharp outside corner of the template makes one rounded to the offset, and
    an inside corner comes out with the cutter's radius; see :func:`routed`.

    Raises
    ------
    UsageError
        The template would cross itself, or the cutter does not pass the bush.
    """
    offset = bush_offset_mm(bush_mm, cutter_mm)
    moved = move_edges(finished, {e.name: EdgeMove(-offset) for e in finished.edges})
    return replace(moved, name=f"{finished.name}, router template".strip(", "))


def routed(template: ShopOutline, bush_mm: float, cutter_mm: float) -> Floats:
    """Outline (M, 2) that a cutter leaves when its bush runs round a template.

    The template grown by the bush's radius is where the cutter's middle goes;
    what is nearer to that than the cutter's radius is cut away.
    """
    from shapely import Polygon
    from shapely.geometry.polygon import orient

    bush_offset_mm(bush_mm, cutter_mm)
    path = Polygon(template.points_mm).buffer(bush_mm / 2.0, quad_segs=90)
    left = path.buffer(-cutter_mm / 2.0, quad_segs=90)
    return np.asarray(orient(left, 1.0).exterior.coords)[:-1]


def _on_finished(
    bevels: Sequence[Stations], pattern: ShopOutline, finished: ShopOutline
) -> tuple[Stations, ...]:
    """Bevels that were taken along the pattern's edges, along those of the finished line."""
    return tuple(
        carried(
            b,
            pattern.length_mm(pattern.edge(b.edge)),
            finished.length_mm(finished.edge(b.edge)),
        )
        for b in bevels
    )


def _faces(
    finished: ShopOutline, thickness_mm: float | None, bevels: Sequence[Stations]
) -> FaceLines | None:
    if not bevels:
        return None
    if thickness_mm is None:
        raise UsageError(
            "Bevels need the thickness of the part.", "Add it, for example --stock 18mm."
        )
    return face_lines(finished, thickness_mm, bevels)


def _relieved(outline: ShopOutline, reliefs: Sequence[CornerRelief]) -> ShopOutline:
    for relief in reliefs:
        outline = relieved(outline, relief)
    return outline


def _named(outline: ShopOutline, moves: dict[str, EdgeMove]) -> dict[str, EdgeMove]:
    """Moves by the outline's own spelling of its edges."""
    return {outline.edge(name).name: move for name, move in moves.items()}


def _once(rows: Sequence[Any]) -> Sequence[Any]:
    """Refuse an edge that is spoken of twice."""
    seen: set[str] = set()
    for row in rows:
        if row.edge.lower() in seen:
            raise UsageError(f'The edge "{row.edge}" is given twice.', "Give it once.")
        seen.add(row.edge.lower())
    return rows


def _amount(mm: float, edge: str) -> float:
    if not 0.0 <= mm <= MOST_MM:
        raise UsageError(
            f'An allowance of {mm:g} mm on "{edge}" is not between 0 and {MOST_MM:g} mm.',
            "Check the number and its unit; no unit means mm.",
        )
    return mm


def _check_leads_out(outline: ShopOutline, scribe: ScribeGap, way: Floats) -> None:
    points = outline.points_mm[outline.indices(outline.edge(scribe.edge))]
    step = np.diff(points, axis=0)
    outward = np.stack([step[:, 1], -step[:, 0]], axis=-1)
    length = np.linalg.norm(step, axis=1)
    facing = (outward @ way) / np.maximum(length, 1e-12)
    # Over the edge as a whole: single steps of a traced edge wander.
    mean = float(np.average(facing, weights=length))
    if mean < LEAST_FACING:
        how = "into the wood" if mean < -LEAST_FACING else "along it"
        raise UsageError(
            f'The scribe of "{scribe.edge}" at {scribe.direction_deg:.0f} degrees leads {how}.',
            "The direction leads from the pattern to the hull: 90 is forward, 0 starboard, 180 "
            "port, 270 aft.",
        )
