"""The shop sums of a job: what is asked before the photos are read, what comes of it after.

The sums themselves (``spilemark.shop``) know nothing of photographs; here they
meet what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from spilemark import wording
from spilemark.corner_angles import corner_angle_deg
from spilemark.errors import UsageError
from spilemark.records import (
    JobFacts,
    Note,
    RegisteredPattern,
    ScaleStatement,
    Side,
    SideComparison,
)
from spilemark.shop.allowances import Allowances, CutLines
from spilemark.shop.bevels import CompoundBevel, compound_bevel
from spilemark.shop.faces import CardRow, bevel_card
from spilemark.shop.files import OUTER, Part
from spilemark.shop.horning import Horning, horn
from spilemark.shop.hull_orders import HullOrder, hull_order
from spilemark.shop.hull_turn import (
    HullAgainstPatterns,
    LineFrom,
    hull_against_patterns,
    transom_turn_deg,
)
from spilemark.shop.orders import SIDE_TABLES, ShopOrder, shop_order
from spilemark.shop.outlines import ShopEdge, ShopOutline, SideName, make_outline, mirrored

_NAMES: dict[Side, SideName] = {
    Side.PORT: "port",
    Side.STARBOARD: "starboard",
    Side.SINGLE: "single",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopRequest:
    """What a job asks for besides its patterns; empty: nothing."""

    hull: HullOrder | None = None
    horning: Horning | None = None
    """Of the hull's tapes: they are judged before the first photo is read."""
    parts: Mapping[Side, ShopOrder] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return self.hull is not None or bool(self.parts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HullShop:
    """A horned hull beside what the patterns showed."""

    order: HullOrder
    horning: Horning
    beside: tuple[tuple[str, HullAgainstPatterns], ...]
    """What of the patterns is compared, and how much of it the hull explains."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartShop:
    """Bevels and allowances of one measured pattern."""

    part: Part
    order: ShopOrder
    allowances: Allowances
    compound: CompoundBevel | None
    """Where the hull's angles were given."""
    card: tuple[CardRow, ...]
    """Empty where every edge is square."""
    lines: CutLines


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShopResult:
    """All that was reckoned for the bench; empty where nothing was asked."""

    hull: HullShop | None = None
    parts: Mapping[Side, PartShop] = field(default_factory=dict)
    left_out: tuple[Side, ...] = ()
    """Sides for which bevels or allowances were asked and could not be drawn."""

    def __bool__(self) -> bool:
        return self.hull is not None or bool(self.parts) or bool(self.left_out)


def shop_request(
    hull: dict[str, Any], shop: dict[str, Any], arms: Collection[str], where: str
) -> ShopRequest:
    """Read the tables ``[hull]`` and ``[shop]`` of a job, empty where they are not there.

    ``arms`` are the sets of photos that the job has.

    Raises
    ------
    UsageError
        A key is missing or misspelt, a value is impossible, or the tapes make no hull.
    UnreadableInput
        A record of fitting cannot be read.
    """
    ordered = hull_order(hull, f"{where}, [hull],") if hull else None
    parts = {
        side: shop_order(shop, name, f"{where}, [shop],")
        for side, name in _NAMES.items()
        if name in arms or ("both" in arms and name != "single")
        if shop.keys() - set(SIDE_TABLES) or shop.get(name)
    }
    return ShopRequest(
        hull=ordered,
        horning=None if ordered is None else horn(ordered.tapes),
        parts=parts,
    )


def shop_sums(
    request: ShopRequest,
    patterns: Mapping[Side, RegisteredPattern],
    comparison: SideComparison | None,
    facts: JobFacts,
    scale: ScaleStatement,
) -> tuple[ShopResult, tuple[Note, ...]]:
    """Work out everything that a job asks for the bench.

    A part that cannot be drawn (an edge that is not there, an outline that
    would cross itself) does not take the measured templates with it: it is left
    out, and a note says why.
    """
    hull = None
    if request.hull is not None and request.horning is not None:
        beside = (
            ()
            if comparison is None or wording.NO_PAIR.intersection(n.code for n in comparison.notes)
            else hull_beside(request.horning, comparison, request.hull.line_from)
        )
        hull = HullShop(order=request.hull, horning=request.horning, beside=beside)
    parts: dict[Side, PartShop] = {}
    notes: list[Note] = []
    for side, pattern in patterns.items():
        order = request.parts.get(side)
        if order is None:
            continue
        try:
            parts[side] = _part_shop(part_of(pattern, facts, scale), order)
        except UsageError as error:
            notes.append(_left_out(side, error))
    left_out = tuple(s for s in patterns if s in request.parts and s not in parts)
    return ShopResult(hull=hull, parts=parts, left_out=left_out), tuple(notes)


def part_of(pattern: RegisteredPattern, facts: JobFacts, scale: ScaleStatement) -> Part:
    """Take a registered pattern to the bench: its outline by named edges, and what is known of it.

    Raises
    ------
    UsageError
        The outline crosses itself.
    """
    words = wording.fixed_words(wording.doubt_of(pattern).shape_mm, pattern, facts)
    return Part(
        outline=_shop_outline(pattern, facts.part),
        boat=facts.boat,
        part=facts.part,
        date=facts.date.isoformat() if facts.date else "",
        units=facts.units,
        scale=str(scale.basis),
        doubt=words,
        forward_known=pattern.forward_known,
        outer_deg=None
        if pattern.origin_corner is None
        else corner_angle_deg(pattern.outline, pattern.origin_corner),
    )


def _shop_outline(pattern: RegisteredPattern, part: str = "") -> ShopOutline:
    outline, ring = pattern.outline, pattern.outline.ring
    side = _NAMES[pattern.side]
    return make_outline(
        ring.points_mm,
        [ShopEdge(name=e.name, start=e.start, stop=e.stop) for e in outline.edges],
        corners={c.name or f"corner {k + 1}": c.index for k, c in enumerate(outline.corners)},
        holes_mm=[hole.points_mm for hole in outline.of_role("hole")],
        side=side,
        name=" ".join(w for w in (part, "" if side == "single" else side) if w) or side,
    )


def hull_beside(
    hull: Horning, comparison: SideComparison, line_from: LineFrom = "centreline"
) -> tuple[tuple[str, HullAgainstPatterns], ...]:
    """Set a hull beside a comparison: what is compared, and how much of it the hull explains.

    Lines squared off the transom turn with it: there the corner's angle says all.
    """
    corners = [(c.name, c.whole_deg, c.u95_deg) for c in comparison.corners if c.name in OUTER]
    turn = None
    on_lines = comparison.alignments and comparison.alignments[0].datum == "centreline"
    if on_lines and line_from == "centreline":
        turn_deg = transom_turn_deg(
            _shop_outline(comparison.port), mirrored(_shop_outline(comparison.starboard_mirrored))
        )
        doubts = (comparison.rigid.turn_u95_deg, *(u95 for *_, u95 in corners))
        turn = None if turn_deg is None else (turn_deg, math.hypot(*doubts))
    return tuple(hull_against_patterns(hull, corners, turn, line_from))


def _part_shop(part: Part, order: ShopOrder) -> PartShop:
    lines = order.cut_lines(part.outline)
    card = bevel_card(part.outline, order.stock_mm or 0.0, order.bevels) if order.bevels else ()
    return PartShop(
        part=part,
        order=order,
        allowances=order.allowances(part.outline),
        compound=None if order.angles is None else compound_bevel(order.angles),
        card=card,
        lines=lines,
    )


def _left_out(side: Side, error: UsageError) -> Note:
    return Note(
        code="shop-left-out",
        severity="warn",
        text=f"Bevels and allowances of {side} are left out. {error.what} {error.todo} Its template "
        "is the pattern as it was measured.",
    )
