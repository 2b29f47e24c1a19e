"""From a measured job to the shop sums: its patterns as parts, its sheets, its words.

The sums themselves (``spilemark.shop``) know nothing of photographs; here they
meet what was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from spilemark import wording
from spilemark.ink import Sheet
from spilemark.records import JobFacts, RegisteredPattern, ScaleStatement, SideComparison
from spilemark.shop.allowances import CutLines
from spilemark.shop.faces import CardRow, FaceLines, bevel_card
from spilemark.shop.files import Part
from spilemark.shop.horning import Horning
from spilemark.shop.horning_words import against_patterns, horning_lines
from spilemark.shop.hull_turn import (
    HullAgainstPatterns,
    LineFrom,
    hull_against_corners,
    hull_against_turn,
)
from spilemark.shop.lengths import Show
from spilemark.shop.orders import HullOrder, ShopOrder
from spilemark.shop.outlines import ShopEdge, ShopOutline, SideName, make_outline
from spilemark.shop.part_words import (
    CARD_HEAD,
    allowance_lines,
    card_cells,
    card_notes,
    outgrown_lines,
)
from spilemark.shop_sheet import (
    cutting_line,
    finished_line,
    larger_line,
    part_sheet,
    pattern_line,
    router_line,
    second_face_line,
)

_ALWAYS = (wording.HULL, wording.STRUCTURE, wording.DUST)


def part_of(pattern: RegisteredPattern, facts: JobFacts, scale: ScaleStatement) -> Part:
    """Take a registered pattern to the bench: its outline by named edges, and what is known of it.

    Raises
    ------
    UsageError
        The outline crosses itself.
    """
    outline, ring = pattern.outline, pattern.outline.ring
    side: SideName = str(pattern.side)  # type: ignore[assignment]
    words = wording.fixed_words(wording.doubt_of(pattern).shape_mm, facts)
    return Part(
        outline=make_outline(
            ring.points_mm,
            [ShopEdge(name=e.name, start=e.start, stop=e.stop) for e in outline.edges],
            corners={c.name or f"corner {k + 1}": c.index for k, c in enumerate(outline.corners)},
            holes_mm=[hole.points_mm for hole in outline.of_role("hole")],
            side=side,
            name=" ".join(w for w in (facts.part, "" if side == "single" else side) if w) or side,
        ),
        boat=facts.boat,
        part=facts.part,
        date=facts.date.isoformat() if facts.date else "",
        units=facts.units,
        scale=str(scale.basis),
        doubt=words,
    )


def hull_beside(
    hull: Horning, comparison: SideComparison, line_from: LineFrom = "centreline"
) -> tuple[tuple[str, HullAgainstPatterns], ...]:
    """Set a hull beside a comparison: what is compared, and how much of it the hull explains."""
    found = [
        (
            f"angle at the {corner.name.removesuffix(' corner')} corner",
            hull_against_corners(hull, corner.port_deg, corner.starboard_deg, corner.u95_deg),
        )
        for corner in comparison.corners
        if corner.name in ("outer", "outer corner")
    ]
    if comparison.alignments and comparison.alignments[0].datum == "centreline":
        rigid = comparison.rigid
        turn = hull_against_turn(hull, rigid.turn_deg, rigid.turn_u95_deg, line_from)
        found.append(("turn", turn))
    return tuple(found)


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
        wording.HULL,
    )


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
    part: Part, faces: FaceLines, card: Sequence[CardRow], notes: Sequence[str], units: Show = "mm"
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
        card=card,
        cells=card_rows(card, units),
        notes=[wording.CHECK_BARS, *notes],
    )


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
        *(told or ("No allowance is given: finished and cutting line are one.",)),
        *outgrown_lines(lines, units),
        *router,
        *warnings_of(part),
        *_ALWAYS,
    ]


def cut_sheet(
    part: Part,
    order: ShopOrder,
    lines: CutLines,
    notes: Sequence[str],
    units: Show = "mm",
    template: ShopOutline | None = None,
) -> Sheet:
    """Finished line, far face, cutting line and bevel card of a part at true size."""
    drawn = [finished_line(lines.finished)]
    if lines.second_face is not None:
        drawn.append(second_face_line(lines.second_face))
    if order.saw or order.plane or order.bevels:
        drawn.append(cutting_line(lines.cutting))
    if order.scribes or order.glue:
        drawn.append(pattern_line(lines.pattern))
    if template is not None:
        drawn.append(router_line(template))
    card = bevel_card(part.outline, order.stock_mm or 0.0, order.bevels) if order.bevels else ()
    more = card_notes(card, order.pattern_on) if card else ()
    return part_sheet(
        _title(part, "cutting"),
        drawn,
        cells=card_rows(card, units),
        notes=[wording.CHECK_BARS, *notes, *more],
    )


def _title(part: Part, what: str) -> str:
    return ", ".join(word for word in (part.boat, part.outline.name, what, part.date) if word)
