"""Bevels and allowances of a part, in a builder's words: for terminal, sheet and report alike."""

from __future__ import annotations

from collections.abc import Sequence

from spilemark.shop.allowances import Allowances, CutLines
from spilemark.shop.bevels import SQUARE_RUN_MM, CompoundBevel, PatternFace, kind, rise_mm
from spilemark.shop.faces import MOST_TILT_DEG, CardRow
from spilemark.shop.fitted import Planed
from spilemark.shop.lengths import Show, show_degrees, show_length
from spilemark.shop.stations import Stations
from spilemark.units import INCH_MM, format_inches

CARD_HEAD = ("edge", "at", "bevel", "sliding bevel", "saw table", "far face", "set it by")
_OTHER: dict[PatternFace, PatternFace] = {"top": "bottom", "bottom": "top"}
_METRIC_RUN_MM = 100.0


def compound_lines(
    found: CompoundBevel, pattern_on: PatternFace, measured_deg: float | None = None
) -> tuple[str, ...]:
    """Say a compound bevel, and whether the pattern's own outer corner bears it out."""
    sign = 1.0 if pattern_on == "top" else -1.0
    side, transom = (bevel_words(sign * b) for b in (found.side_deg, found.transom_deg))
    return (
        f"Corner of the knee, in its own plane: {show_degrees(found.corner_deg)}.",
        f"Seen from its {pattern_on} face: hull edge {side}, transom edge {transom}.",
        (
            f"Side and transom stand at {show_degrees(found.true_corner_deg)} to each other, "
            "square to where they meet."
        ),
        *(() if measured_deg is None else (_borne_out(found.corner_deg, measured_deg),)),
    )


_BORNE_OUT_DEG = 1.5
"""How near angles that were taken on a hull come to each other: common practice, no source."""


def _borne_out(told_deg: float, measured_deg: float) -> str:
    both = (
        f"The pattern's outer corner measures {show_degrees(measured_deg)}, these angles make it "
        f"{show_degrees(told_deg)}"
    )
    if abs(told_deg - measured_deg) <= _BORNE_OUT_DEG:
        return f"{both}: they agree as well as angles taken on a hull do."
    return (
        f"{both}: look again at the plan angle and the tilt, or take the bevels themselves with a "
        "sliding bevel."
    )


def bevel_words(bevel_deg: float) -> str:
    """Say one bevel from square: ``12.0° under``."""
    name = kind(bevel_deg)
    return "square" if name == "square" else f"{show_degrees(abs(bevel_deg))} {name}"


def card_cells(row: CardRow, units: Show = "mm") -> tuple[str, ...]:
    """Cells of one row of the bevel card, in the order of its head."""
    run = _METRIC_RUN_MM if units == "mm" else SQUARE_RUN_MM
    rise = amount_words(rise_mm(row.bevel_deg, run), units)
    over = "100 mm" if units == "mm" else '14"'
    way = {"under": "inside", "standing": "outside", "square": ""}[row.kind]
    return (
        row.edge,
        "all along" if row.throughout else show_length(row.s_mm, units, 0),
        bevel_words(row.bevel_deg),
        show_degrees(row.sliding_deg),
        f"tilt {show_degrees(row.table_tilt_deg)}",
        f"{amount_words(abs(row.offset_mm), units)} {way}".strip(),
        f"{rise} on {over}",
    )


def card_notes(rows: Sequence[CardRow], pattern_on: PatternFace) -> tuple[str, ...]:
    """What belongs under a bevel card."""
    other = _OTHER[pattern_on]
    notes = [
        (
            "Stations count from the end of the edge that is nearer to the outer corner; where both are "
            "about as far, from the one on the transom's side. The pattern lay on "
            f"the {pattern_on} face; the sliding bevel reads from that face, below 90° is under. The far "
            f"face is the {other}."
        )
    ]
    kinds = {row.kind for row in rows}
    if "under" in kinds:
        notes.append(
            f"Under: the {pattern_on} face is the larger one. Lay it up on the saw, follow its line, "
            "and let the cut lean in below it."
        )
    if "standing" in kinds:
        notes.append(
            f"Standing: the {other} face is the larger one and wood is needed outside the pattern's "
            f"line. Draw the far face's line, turn the stock over so that the {other} face lies up, "
            "and cut as an under bevel."
        )
    if {"under", "standing"} <= kinds:
        notes.append("Cut to the larger outline, square, first; then bevel edge by edge.")
    if any(row.table_tilt_deg > MOST_TILT_DEG for row in rows):
        notes.append("Most saw tables stop at 45°: saw what they give and plane the rest.")
    if _winds(rows):
        notes.append("Winding bevel: fair the marks with a batten, not edge to edge with a rule.")
    return tuple(notes)


def offset_lines(
    bevels: Sequence[Stations], offsets: Sequence[Sequence[float]], units: Show = "mm"
) -> tuple[str, ...]:
    """Bevels that belong to no outline: what each station comes to across the stock."""
    lines = []
    for stations, row in zip(bevels, offsets, strict=True):
        for at, bevel, offset in zip(stations.at_mm, stations.values, row, strict=True):
            place = f" at {show_length(at, units, 0)}" if len(stations.at_mm) > 1 else ""
            way = {"under": " inside", "standing": " outside", "square": " straight below"}[
                kind(bevel)
            ]
            across = "" if kind(bevel) == "square" else f" {amount_words(abs(offset), units, 2)}"
            lines.append(
                f"{stations.edge}{place}: {bevel_words(bevel)}, the far face lies{across}{way}."
            )
    return tuple(lines)


def allowance_lines(allowances: Allowances, units: Show = "mm") -> tuple[str, ...]:
    """What was declared, edge by edge, and how it was taken."""
    lines = []
    for scribe in allowances.scribes:
        gap = amount_words(scribe.gap_mm, units)
        how = (
            "square to the edge (rolled block)"
            if scribe.direction_deg is None
            else f"in one direction, {_way_words(scribe.direction_deg)} (compass held one way)"
        )
        lines.append(f"{scribe.edge}: scribe gap of {gap} undone {how}.")
    alike: dict[str, list[str]] = {}
    for row in allowances.edges:
        parts = [
            f"{amount_words(mm, units)} {words}"
            for mm, words in (
                (row.glue_gap_mm, "free for glue"),
                (row.saw_mm, "for the saw"),
                (row.plane_off_mm, "to plane off"),
            )
            if mm
        ]
        if parts:
            alike.setdefault(", ".join(parts), []).append(row.edge)
    # The ring runs another way round on the other side: in an order of their own, equal orders read alike.
    groups = sorted((sorted(edges, key=_rank), told) for told, edges in alike.items())
    groups.sort(key=lambda group: _rank(group[0][0]))
    lines += [f"{', '.join(edges)}: {told}." for edges, told in groups]
    lines += [
        f"{r.corner}: {'rounded' if r.shape == 'round' else 'cut off straight'} to clear a fillet of "
        f"{amount_words(r.radius_mm, units)} radius."
        for r in allowances.reliefs
    ]
    return tuple(lines)


_FIRST = ("hull edge", "transom edge")


def _rank(edge: str) -> tuple[int, str]:
    """The edges that meet the hull first, the others by name."""
    return (_FIRST.index(edge) if edge in _FIRST else len(_FIRST), edge)


def planed_lines(planed: Sequence[Planed], units: Show = "mm") -> tuple[str, ...]:
    """What was planed off the last one, and is left off this one from the start."""
    lines = []
    for entry in planed:
        most = max(entry.off.values, key=abs)
        amount = amount_words(abs(most), units)
        where = "all along" if len(entry.off.values) == 1 else "at most"
        did = "less" if most >= 0 else "more"
        told = ", ".join(word for word in (entry.date, entry.note) if word)
        lines.append(
            f"{entry.off.edge}: starts {amount} {did} ({where}), as the last one was fitted"
            f"{f' ({told})' if told else ''}."
        )
    return tuple(lines)


def outgrown_lines(lines: CutLines, units: Show = "mm") -> tuple[str, ...]:
    """Size of stock that the cutting line needs, as it lies."""
    low, high = lines.cutting.points_mm.min(axis=0), lines.cutting.points_mm.max(axis=0)
    across, along = (show_length(float(v), units, 0) for v in high - low)
    return (f"The cutting line as drawn takes {across} across the boat and {along} along it.",)


def router_lines(
    bush_mm: float, cutter_mm: float, offset_mm: float, units: Show = "mm"
) -> tuple[str, ...]:
    """What a guide bush does to corners."""
    bush, cutter, offset = (amount_words(v, units) for v in (bush_mm, cutter_mm, offset_mm))
    return (
        f"Router: bush {bush} outside, cutter {cutter}: the template is {offset} smaller all round.",
        (
            f"Outside corners come out rounded to {offset}, inside corners to the cutter's radius: finish "
            "them by hand."
        ),
    )


def table(rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Rows of cells as lines with straight columns."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return tuple(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def amount_words(mm: float, units: Show = "mm", digits: int = 1) -> str:
    """Write a thickness or gap: inches also where lengths are in feet, and never nothing for something.

    To the nearest thirty-second: half of a sixteenth is most of a glue gap.
    """
    if units == "mm":
        return show_length(mm, units, digits)
    text = format_inches(mm, 32)
    return text if mm <= 0.0 or text != '0"' else f'less than 1/32" ({mm / INCH_MM:.3f}")'


def _winds(rows: Sequence[CardRow]) -> bool:
    by_edge: dict[str, set[float]] = {}
    for row in rows:
        by_edge.setdefault(row.edge, set()).add(round(row.bevel_deg, 1))
    return any(len(bevels) > 1 for bevels in by_edge.values())


def _way_words(direction_deg: float) -> str:
    names = {0: "to starboard", 90: "forward", 180: "to port", 270: "aft"}
    turned = direction_deg % 360.0
    return names.get(int(turned), "") if turned in names else f"at {show_degrees(turned)}"
