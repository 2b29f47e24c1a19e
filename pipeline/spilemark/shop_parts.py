"""The shop sums of a job as words, as sheets and as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from spilemark import wording
from spilemark.ink import Sheet
from spilemark.records import JobFacts, Side
from spilemark.shop.allowances import CutLines
from spilemark.shop.bevels import PatternFace
from spilemark.shop.faces import CardRow, FaceLines, bevel_card
from spilemark.shop.files import Part
from spilemark.shop.horning import Horning
from spilemark.shop.horning_words import against_patterns, horning_lines
from spilemark.shop.hull_orders import HullOrder
from spilemark.shop.hull_turn import HullAgainstPatterns
from spilemark.shop.lengths import Show
from spilemark.shop.orders import ShopOrder
from spilemark.shop.outlines import ShopOutline
from spilemark.shop.part_words import (
    CARD_HEAD,
    allowance_lines,
    card_cells,
    card_notes,
    compound_lines,
    outgrown_lines,
    planed_lines,
)
from spilemark.shop_job import PartShop, ShopResult
from spilemark.shop_sheet import (
    Heading,
    Line,
    cutting_line,
    finished_line,
    larger_line,
    part_sheet,
    pattern_line,
    router_line,
    second_face_line,
)

_ALWAYS = (wording.HULL, wording.STRUCTURE, wording.DUST)


def hull_words(
    order: HullOrder,
    hull: Horning,
    beside: Sequence[tuple[str, HullAgainstPatterns]] = (),
    units: Show = "mm",
) -> tuple[str, ...]:
    """All that a horning says, for terminal, sheet and report; the finding first."""
    return (
        *horning_lines(hull, units, fixed=order.fixed),
        *(against_patterns(found, what, fixed=order.fixed) for what, found in beside),
        _as_taped(order),
        wording.HULL,
    )


def _as_taped(order: HullOrder) -> str:
    """When it was taped and how she stood: a pattern is only as true as the hull was then."""
    told = ", ".join(w for w in (order.date.isoformat() if order.date else "", order.support) if w)
    missing = [w for w, v in (("the date", order.date), ("how she stands", order.support)) if not v]
    if not missing:
        return f"As taped: {told}."
    note = f"Write down {' and '.join(missing)} as well."
    return f"As taped: {told}. {note}" if told else note


def hull_table(
    order: HullOrder,
    hull: Horning,
    beside: Sequence[tuple[str, HullAgainstPatterns]] = (),
    lines: Sequence[str] = (),
) -> dict[str, Any]:
    """The same as plain data, for a report."""
    return {
        "date": order.date.isoformat() if order.date else None,
        "support": order.support,
        "fixed": order.fixed,
        "median_mm": hull.median_mm,
        "skew_deg": hull.skew_deg,
        "skew_u95_deg": hull.skew_u95_deg,
        "centreline_skew_deg": hull.centreline_skew_deg,
        "centreline_skew_u95_deg": hull.centreline_skew_u95_deg,
        "lead_mm": hull.lead_mm,
        "lead_u95_mm": hull.lead_u95_mm,
        "after": hull.after,
        "square_port_mm": hull.square_port_mm,
        "square_starboard_mm": hull.square_starboard_mm,
        "knees_differ_deg": hull.knees_differ_deg,
        "knees_differ_u95_deg": hull.knees_differ_u95_deg,
        "patterns": [
            {
                "of": what,
                "expected_deg": found.expected_deg,
                "expected_u95_deg": found.expected_u95_deg,
                "found_deg": found.found_deg,
                "found_u95_deg": found.found_u95_deg,
                "hull": str(found.share),
            }
            for what, found in beside
        ],
        "words": [*lines],
    }


def card_rows(card: Sequence[CardRow], units: Show = "mm") -> list[tuple[str, ...]]:
    """The bevel card as cells, its head first; empty without a bevel."""
    return [CARD_HEAD, *(card_cells(row, units) for row in card)] if card else []


def card_table(card: Sequence[CardRow]) -> list[dict[str, Any]]:
    """The bevel card as plain data, for a report."""
    return [
        {
            "edge": row.edge,
            "s_mm": row.s_mm,
            "throughout": row.throughout,
            "at_mm": [*row.at_mm],
            "bevel_deg": row.bevel_deg,
            "kind": row.kind,
            "sliding_deg": row.sliding_deg,
            "table_tilt_deg": row.table_tilt_deg,
            "offset_mm": row.offset_mm,
        }
        for row in card
    ]


def warnings_of(part: Part) -> tuple[str, ...]:
    """What has to stand with anything made from a measured pattern."""
    if part.scale == "nominal":
        return (wording.NO_SIZE,)
    return (part.doubt,) if part.doubt else ()


def bevel_notes(part: Part, order: ShopOrder, card: Sequence[CardRow]) -> list[str]:
    """What stands under the bevel card of a part."""
    return [*card_notes(card, order.pattern_on), *warnings_of(part), *_ALWAYS]


def bevel_sheet(
    part: Part,
    order: ShopOrder,
    faces: FaceLines,
    card: Sequence[CardRow],
    notes: Sequence[str],
    units: Show = "mm",
) -> Sheet:
    """Both faces, the larger outline and the bevel card of a part at true size."""
    lines = [
        finished_line(faces.pattern_face),
        second_face_line(faces.second_face),
        larger_line(faces.large),
    ]
    return part_sheet(
        _title(part, "bevels"),
        lines,
        heading=_heading(part, order.pattern_on),
        card=card,
        cells=card_rows(card, units),
        notes=[wording.CHECK_BARS, *notes],
    )


_NOTHING_ALLOWED = {
    False: "No allowance is given: finished and cutting line are one.",
    True: "Nothing is allowed for saw, plane or glue: the cutting line goes round both faces of the part.",
}
"""By whether there are bevels, for which the cutting line must make room."""


def cut_notes(
    part: Part,
    order: ShopOrder,
    lines: CutLines,
    router: Sequence[str] = (),
    units: Show = "mm",
) -> list[str]:
    """What was allowed for, and what to mind."""
    told = allowance_lines(order.allowances(part.outline), units)
    return [
        *planed_lines(order.planed, units),
        *(told or (_NOTHING_ALLOWED[bool(order.bevels)],)),
        *outgrown_lines(lines, units),
        *router,
        *warnings_of(part),
        *_ALWAYS,
        *((wording.GLUE,) if order.glue else ()),
    ]


def cut_drawn(order: ShopOrder, lines: CutLines) -> list[Line]:
    """The lines of a part that say something: those that lie on another are left out."""
    drawn = [finished_line(lines.finished)]
    if lines.second_face is not None:
        drawn.append(second_face_line(lines.second_face))
    if order.saw or order.plane or order.bevels:
        drawn.append(cutting_line(lines.cutting))
    if order.scribes or order.glue or order.planed:
        drawn.append(pattern_line(lines.pattern))
    return drawn


def cut_sheet(
    part: Part,
    order: ShopOrder,
    lines: CutLines,
    notes: Sequence[str],
    units: Show = "mm",
    template: ShopOutline | None = None,
    *,
    card_notes_too: bool = True,
) -> Sheet:
    """Finished line, far face, cutting line and bevel card of a part at true size."""
    drawn = cut_drawn(order, lines)
    if template is not None:
        drawn.append(router_line(template))
    card = bevel_card(part.outline, order.stock_mm or 0.0, order.bevels) if order.bevels else ()
    more = card_notes(card, order.pattern_on) if card and card_notes_too else ()
    return part_sheet(
        _title(part, "cutting"),
        drawn,
        heading=_heading(part, order.pattern_on),
        cells=card_rows(card, units),
        notes=[wording.CHECK_BARS, *notes, *more],
    )


def hull_lines(result: ShopResult, units: Show = "mm") -> tuple[str, ...]:
    """All that the horning of a job says; empty where no hull was taped."""
    hull = result.hull
    return () if hull is None else hull_words(hull.order, hull.horning, hull.beside, units)


def part_lines(found: PartShop, units: Show = "mm") -> list[str]:
    """All that stands with the lines of one part, its doubt and cautions among it."""
    compound = (
        ()
        if found.compound is None
        else compound_lines(found.compound, found.order.pattern_on, found.part.outer_deg)
    )
    more = card_notes(found.card, found.order.pattern_on) if found.card else ()
    return [*compound, *cut_notes(found.part, found.order, found.lines, (), units), *more]


def part_sheet_of(found: PartShop, units: Show = "mm") -> Sheet:
    """The lines of one part of a job at true size, with bevel card, allowances and cautions."""
    return cut_sheet(
        found.part, found.order, found.lines, part_lines(found, units), units, card_notes_too=False
    )


def shop_table(result: ShopResult, facts: JobFacts) -> dict[str, Any] | None:
    """The shop sums of a job as plain data, for a report; None where nothing was asked."""
    if not result:
        return None
    hull = result.hull
    return {
        "hull": None
        if hull is None
        else hull_table(hull.order, hull.horning, hull.beside, hull_lines(result, facts.units)),
        "parts": {str(side): _part_table(p, facts.units) for side, p in result.parts.items()},
        "left_out": [str(side) for side in result.left_out],
    }


def _part_table(found: PartShop, units: Show) -> dict[str, Any]:
    order, lines, compound = found.order, found.lines, found.compound
    return {
        "stock_mm": order.stock_mm,
        "pattern_on": order.pattern_on,
        "compound": None
        if compound is None
        else {
            "corner_deg": compound.corner_deg,
            "side_deg": compound.side_deg,
            "transom_deg": compound.transom_deg,
            "true_corner_deg": compound.true_corner_deg,
        },
        "bevel_card": card_table(found.card),
        "edges": [
            {
                "edge": row.edge,
                "saw_mm": row.saw_mm,
                "plane_off_mm": row.plane_off_mm,
                "glue_gap_mm": row.glue_gap_mm,
            }
            for row in found.allowances.edges
        ],
        "scribes": [
            {"edge": s.edge, "gap_mm": s.gap_mm, "direction_deg": s.direction_deg}
            for s in order.scribes
        ],
        "reliefs": [
            {"corner": r.corner, "radius_mm": r.radius_mm, "shape": r.shape} for r in order.reliefs
        ],
        "planed": [
            {
                "edge": p.off.edge,
                "at_mm": [*p.off.at_mm],
                "off_mm": [*p.off.values],
                "date": p.date,
                "note": p.note,
            }
            for p in order.planed
        ],
        "finished_mm": _ring(lines.finished),
        "second_face_mm": _ring(lines.second_face),
        "cutting_mm": _ring(lines.cutting),
        "words": part_lines(found, units),
    }


def _ring(outline: ShopOutline | None) -> list[list[float]] | None:
    # Adding zero turns -0.0 into 0.0.
    return None if outline is None else (outline.points_mm.round(3) + 0.0).tolist()


def _heading(part: Part, pattern_on: PatternFace) -> Heading:
    """Side, face and forward: a part cut the wrong way round is firewood."""
    side = wording.SIDE_WORDS[Side(part.outline.side)]
    forward = "" if part.forward_known else " Which end is forward was not told."
    return Heading(
        side=side,
        face=f"Seen from above. The pattern lay on the part's {pattern_on} face.{forward}",
        forward=part.forward_known,
    )


def _title(part: Part, what: str) -> str:
    return ", ".join(word for word in (part.boat, part.outline.name, what, part.date) if word)
