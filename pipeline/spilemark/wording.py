"""Words that must be the same wherever they stand: sheets, report, terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from spilemark.records import (
    JobFacts,
    Note,
    RegisteredPattern,
    ScaleBasis,
    ScaleStatement,
    Side,
    View,
)
from spilemark.uncertainty import u95_datum, u95_fit
from spilemark.units import format_fine, format_length, rounded_up_mm

CHECK_BARS = (
    "Measure the check bars in both directions before cutting. If they are wrong, do not cut."
)
STRUCTURE = (
    "This reproduces a shape. It does not size a structural part: follow the designer, class rules"
    " or surveyor."
)
HULL = "A pattern is only as true as the hull was when it was scribed: level, wind and square it first."
DUST = "Wood dust harms the lungs: extract it at the source and wear a fitted mask."
GLUE = (
    "Epoxy can make the skin allergic, sometimes for good: gloves and sleeves, no solvent on skin. Dry-run"
    " the clamps before you mix."
)
"""Health and Safety Executive (UK), research report RR79; working times are the maker's."""
NO_SIZE = (
    "NO ABSOLUTE SIZE IS CLAIMED: nothing that was measured says how large the cards were printed,"
    " and a page shrunk to fit would go unnoticed. Tape the distance between two cards, or measure"
    " their check bars, and run again."
)
NOT_WHOLE = (
    "NOT THE WHOLE PATTERN: it runs out of the picture, and what lies beyond is guessed. No figure"
    " is claimed. Take it again with all of it in the picture, and some bench all round."
)
TRUER = (
    "The ply pattern itself is truer than any taped paper: trace from the ply where you can, and use"
    " the sheet for what the ply cannot do."
)
CAUTIONS = (CHECK_BARS, HULL, STRUCTURE, DUST)

NO_PAIR = frozenset({"face-or-side", "other-part", "turned-apart"})
"""Notes of a comparison that say that the two are no pair, or do not lie as one on their lines."""
SIDE_WORDS = {Side.PORT: "PORT", Side.STARBOARD: "STARBOARD", Side.SINGLE: "CENTRE"}
TRUST = {
    ScaleBasis.BATTEN: "the best basis",
    ScaleBasis.TAPED: "a good basis",
    ScaleBasis.BAR: "a fair basis",
    ScaleBasis.NOMINAL: "NO absolute size is claimed",
}


@dataclass(frozen=True, slots=True)
class Doubt:
    """The single figures of one pattern, mm, 95 %."""

    shape_mm: float
    """Worst over the seen outline, after the best rigid fit."""
    frame_mm: float
    """Worst over the seen outline, in the frame of its line."""


def doubt_of(pattern: RegisteredPattern) -> Doubt:
    """Half-widths at the worst seen point."""
    ring = pattern.outline.ring
    seen = ring.seen if ring.seen.any() else ~ring.seen
    return Doubt(float(u95_fit(ring)[seen].max()), float(u95_datum(pattern)[seen].max()))


def fixed_words(mm: float, pattern: RegisteredPattern, facts: JobFacts) -> str:
    """What stands with a single figure of doubt, everywhere."""
    return (
        f"±{_doubt(mm, facts)} (95 %) for the pattern as it lay {where_it_lay([pattern])}."
        f" {not_included(facts)}"
    )


def where_it_lay(patterns: Iterable[RegisteredPattern]) -> str:
    """Where patterns lay when they were measured: on the bench, or on a flatbed's glass."""
    scanned = {
        view.straight.photo.is_scan for pattern in patterns for view in pattern.outline.views
    }
    if scanned == {True}:
        return "on the glass"
    return "on the bench or the glass" if True in scanned else "on the bench"


def _doubt(mm: float, facts: JobFacts) -> str:
    return format_fine(rounded_up_mm(mm, facts.units, 2), facts.units)


def scribing_words(facts: JobFacts) -> str:
    """What scribing itself is often off by: common practice, no source."""
    return "1 to 2 mm" if facts.units == "mm" else "a sixteenth of an inch"


def not_included(facts: JobFacts) -> str:
    """What no figure here holds."""
    return (
        f"Not included: the scribing itself (often {scribing_words(facts)}), the hull, this paper."
    )


def doubt_words(pattern: RegisteredPattern, facts: JobFacts, scale: ScaleStatement) -> str:
    """The fixed words of one pattern; no figure where no absolute size is claimed."""
    if scale.basis is ScaleBasis.NOMINAL:
        return NO_SIZE
    if not pattern.outline.whole:
        return NOT_WHOLE
    return fixed_words(doubt_of(pattern).shape_mm, pattern, facts)


def scale_words(scale: ScaleStatement) -> str:
    """Scale basis and how far it is trusted."""
    if scale.basis is ScaleBasis.NOMINAL:
        return f"Scale: {scale.words}. {TRUST[scale.basis]}."
    percent = 196.0 * scale.sigma_relative
    return f"Scale: {scale.words}; size good to ±{percent:.2f} % (95 %), {TRUST[scale.basis]}."


def stock_words(views: Sequence[View], facts: JobFacts) -> str:
    """How thick the pattern was said to be, for beside the scale; empty where that does not count.

    On a scanner's glass, face and cards lie in one plane.
    """
    if not views or all(view.straight.photo.is_scan for view in views):
        return ""
    if facts.cards_on == "pattern":
        return "The cards lay on the pattern: its thickness does not count."
    told, _ = facts.thickness_for(views[0].straight.arm)
    if told is None:
        taken = max(round(views[0].plane.height_mm, 1), 0.0)
        return f"Thickness of the pattern: NOT TOLD, {_stock(taken, facts)} taken."
    thick = _stock(told, facts)
    doubt = " Pattern stock that thick?" if told > THICK_MM else ""
    return f"Thickness of the pattern: {thick}, as told.{doubt}"


def size_words(scale: ScaleStatement, views: Sequence[View], facts: JobFacts) -> str:
    """Scale, and the thickness that it rests on, in one paragraph."""
    return f"{scale_words(scale)} {stock_words(views, facts)}".strip()


def _stock(mm: float, facts: JobFacts) -> str:
    return f"{mm:g} mm" if facts.units == "mm" else format_fine(mm, "in")


THICK_MM = 15.0
"""Pattern stock thicker than this is asked about: ply or card of 3 to 9 mm is common practice, no source."""


def thick_stock(facts: JobFacts) -> Note | None:
    """Ask about a pattern thicker than any pattern stock: most likely a decimal point was lost."""
    own = [mm for mm, _ in facts.thickness_of_arm.values()]
    mm = max([*own, facts.thickness_mm or 0.0])
    if mm <= THICK_MM or facts.cards_on == "pattern":
        return None
    return Note(
        code="thick-stock",
        severity="warn",
        text=f"The pattern was told to be {_stock(mm, facts)} thick. Pattern stock that thick? Each "
        "millimetre makes the template about a tenth of a per cent smaller. If a point was lost (31 "
        "for 3.1), run again with the right --thickness.",
        value=mm,
        unit="mm",
    )


def datum_words(pattern: RegisteredPattern, facts: JobFacts) -> str:
    """What x = 0 is."""
    if pattern.datum != "centreline":
        return "No reference line: x and y are counted from the outer corner along the hull edge."
    if pattern.side is Side.SINGLE:
        return "The long-dashed line is the boat's centreline."
    if pattern.centreline_offset_mm is None:
        return (
            "The long-dashed line is the pencil line; its distance from the boat's centreline was"
            " not stated."
        )
    offset = format_length(abs(pattern.centreline_offset_mm), facts.units)
    return f"The long-dashed line is the pencil line, {offset} from the boat's centreline."


DRAWN = "The outline is the middle of the pencil line drawn on the sheet, not the sheet's edge."


def drawn_words(patterns: Sequence[RegisteredPattern]) -> str:
    """Which line is the edge where a pattern was not cut yet; empty where all were."""
    drawn = [p for p in patterns if p.outline.drawn_width_mm is not None]
    if not drawn:
        return ""
    if len(drawn) == len(patterns):
        return DRAWN
    names = " and ".join(SIDE_WORDS[p.side] for p in drawn)
    return f"{names}: {DRAWN[0].lower()}{DRAWN[1:]}"


def photo_words(pattern: RegisteredPattern) -> str:
    """How much of it was seen, in how many photos, and how much was made by hand."""
    count = len(pattern.outline.views)
    kind = "scan" if where_it_lay([pattern]) == "on the glass" else "photo"
    photos = f"1 {kind}" if count == 1 else f"{count} {kind}s"
    percent = f"{100 * pattern.outline.seen_fraction:.1f}".removesuffix(".0")
    if pattern.outline.drawn_width_mm is None:
        words = f"{percent} % of the outline seen, in {photos}"
    else:
        words = f"{DRAWN} {percent} % of it seen, in {photos}"
    hand = 100 * float(pattern.outline.ring.by_hand.mean())
    return f"{words}; {max(hand, 1.0):.0f} % made by hand." if hand else f"{words}."


def line_words(pattern: RegisteredPattern, facts: JobFacts) -> str:
    """How well the place of the shape about its line is known."""
    mm = doubt_of(pattern).frame_mm
    size = _doubt(mm, facts)
    about = "its line" if pattern.datum == "centreline" else "its corner and edge"
    return f"Placed on {about}: ±{size} (95 %)."


def one_part_words(answer: bool | None) -> str:
    """Whether one part, made from one pattern and flipped, will do for both sides."""
    if answer is None:
        return "Whether one part, flipped, serves both sides cannot be told from these photos."
    if answer:
        return "One part, flipped, serves both sides within the tolerance."
    return "One part does not serve both sides: make two, or make the larger and plane to fit."


def face_words(pattern: RegisteredPattern) -> str:
    """Which face was photographed, and how it is drawn."""
    if not pattern.measured:
        return "MIRRORED from the other side: this side was not measured."
    if pattern.face == "down":
        return "Seen from above. It was photographed face down."
    return "Seen from above, as photographed."


def forward_words(pattern: RegisteredPattern) -> str:
    """Where forward is on a sheet."""
    if pattern.forward_known:
        return "Forward is up the sheet."
    return "WHICH END IS FORWARD WAS NOT TOLD: up the sheet may be aft."


def date_words(facts: JobFacts) -> str:
    """The job's own date."""
    return "no date given" if facts.date is None else facts.date.isoformat()


def wrapped(text: str, width: int) -> list[str]:
    """Lines of at most ``width`` characters."""
    return textwrap.wrap(text, width)
