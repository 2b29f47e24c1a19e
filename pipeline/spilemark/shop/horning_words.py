"""What a horning says, in a builder's words, for terminal, sheet and report alike."""

from __future__ import annotations

import math

from spilemark.shop.horning import (
    SHORTEST_HULL_MM,
    Horning,
    arm_gap_mm,
    hidden_shift_mm,
    high_corner_mm,
)
from spilemark.shop.hull_turn import TURN, HullAgainstPatterns, HullShare
from spilemark.shop.lengths import Show, show_degrees, show_doubt, show_length

OWN_PATTERN = "Make each side its own pattern and its own part. Do not mirror one on the other."
_RARE_SKEW_DEG = 3.0
"""Of a hull that was meant to be square: common practice, no source."""
_EXAMPLE_SKEW_DEG = 0.5
_ARM_MM: dict[Show, float] = {"mm": 300.0, "in": 304.8, "ft": 304.8}
_HIGH_MM: dict[Show, float] = {"mm": 30.0, "in": 25.4, "ft": 25.4}
SQUARE_FIRST = "Square first, then scribe."
NOT_SEEN = (
    "Not seen by three tapes: a transom that is also shifted, and twist. Check its middle on the "
    "centreline; sight two winding sticks."
)
"""Both blind spots in short; :func:`blind_spots` says how large they are."""


def horning_lines(hull: Horning, units: Show = "mm", *, fixed: bool = False) -> tuple[str, ...]:
    """Everything there is to say: finding, what was not seen, what to do."""
    return (
        *finding(hull, units),
        *blind_spots(hull, units),
        *advice(hull, units, fixed=fixed),
        *doubts(hull, units),
    )


def finding(hull: Horning, units: Show = "mm") -> tuple[str, ...]:
    """Which corner is aft, by how much, and what that does to knees."""
    lead = show_length(abs(hull.lead_mm), units)
    doubt = show_doubt(hull.lead_u95_mm, units)
    if hull.after is None:
        first = (
            f"Square as far as these tapes tell: the corners lie within {lead} of square, and "
            f"the tapes cannot tell less than {doubt} (95 %)."
        )
        return (first,)
    lines = [_lead_words(hull, lead, doubt)]
    if hull.tapes.middle is not None:
        lines.append(_middle_words(hull, units))
    gap = show_length(arm_gap_mm(hull.knees_differ_deg, _ARM_MM[units]), units)
    turn = show_degrees(abs(hull.knees_differ_deg), 2)
    lines.append(
        f"Port and starboard knees of this hull differ by twice that, {turn}: {gap} at the toe of "
        f"a {show_length(_ARM_MM[units], units, 0)} arm."
    )
    return tuple(lines)


def blind_spots(hull: Horning, units: Show = "mm") -> tuple[str, ...]:
    """The two things that three tapes cannot see; said every time."""
    shift = hidden_shift_mm(hull.median_mm, _EXAMPLE_SKEW_DEG)
    high = high_corner_mm(hull.tapes.port.mm, _HIGH_MM[units])
    looked = "" if hull.tapes.middle is None else " You gave the middle: this one is allowed for."
    shifted = (
        "Not seen by diagonals: a skewed transom that is also shifted. Out of square by "
        f"{show_degrees(_EXAMPLE_SKEW_DEG)} and {show_length(shift, units)} off to one side, this "
        "transom would still give two equal diagonals. Check its middle against a centreline wire "
        f"or the keel.{looked}"
    )
    small = f"{high:.1f} mm" if units == "mm" else f'{high / 25.4:.3f}"'
    twisted = (
        f"Not seen by diagonals: twist. A corner {show_length(_HIGH_MM[units], units, 0)} high "
        f"lengthens its tape by {small} here. Sight two winding sticks across the sheer."
    )
    return shifted, twisted


def advice(hull: Horning, units: Show = "mm", *, fixed: bool = False) -> tuple[str, ...]:
    """What to move, and in which order."""
    if hull.after is None:
        return (
            "Nothing to move by these tapes. Look for the two things above before you scribe.",
            "Level, wind, centreline, diagonals, brace, then scribe: in this order.",
        )
    if fixed:
        return _fixed_advice(hull, units)
    other = "starboard" if hull.after == "port" else "port"
    half = show_length(abs(hull.plan_mm[2] * _sine(hull)) / 2.0, units)
    draw = (
        f"To square it: draw the {hull.after} corner forward, and the {other} corner aft, each by "
        f"about {half} (a come-along or a strap along the {hull.after} diagonal)."
    )
    lines = [draw, f"Stop when {_target(hull, units)}."]
    if hull.tapes.middle is not None and abs(hull.tapes.middle.mm) > _seen_middle(hull):
        way = "port" if hull.tapes.middle.mm > 0 else "starboard"
        off = show_length(abs(hull.tapes.middle.mm), units)
        lines.append(f"Shift the transom {off} to {way} as well, onto the centreline.")
    lines.append(f"Brace it, wind it, tape it again. {SQUARE_FIRST}")
    return tuple(lines)


def doubts(hull: Horning, units: Show = "mm") -> tuple[str, ...]:
    """How well the tapes are believed, and what looks odd about them."""
    sigmas = (hull.tapes.port.sigma_mm, hull.tapes.starboard.sigma_mm, hull.tapes.breadth.sigma_mm)
    lines = [
        f"Tapes believed to ±{show_doubt(2 * max(sigmas), units)} each (two standard deviations)."
    ]
    if any(hull.tapes.heights_mm):
        port, starboard, breadth = (show_length(mm, units) for mm in hull.plan_mm)
        lines.append(f"Seen from above they are {port}, {starboard} and {breadth} across.")
    if abs(hull.skew_deg) > _RARE_SKEW_DEG:
        lines.append(
            f"{show_degrees(abs(hull.skew_deg), 1)} is more than hulls are racked by: see that all "
            "three were read in one unit and from one point, and tape again before you move anything."
        )
    if hull.median_mm < SHORTEST_HULL_MM:
        length = show_length(hull.median_mm, units)
        lines.append(f"This hull would be only {length} long: were inches meant? Write 148in.")
    return tuple(lines)


def against_patterns(found: HullAgainstPatterns, what: str = TURN, *, fixed: bool = False) -> str:
    """Say whether the hull explains what the two patterns showed.

    Parameters
    ----------
    found : HullAgainstPatterns
    what : str
        What of the patterns is compared: ``hull_turn.TURN``, or "angle at the outer corner".
    fixed : bool
        Whether the hull cannot be moved any more.
    """
    hull = f"{show_degrees(found.expected_deg, 2)} ± {show_degrees(found.expected_u95_deg, 2)}"
    seen = f"{show_degrees(found.found_deg, 2)} ± {show_degrees(found.found_u95_deg, 2)}"
    left = f"{show_degrees(found.left_deg, 2)} ± {show_degrees(found.left_u95_deg, 2)}"
    both = f"The patterns differ in {what} by {seen}; this hull would make {hull}."
    if found.share is HullShare.DOES_NOT and abs(found.found_deg) <= found.found_u95_deg:
        # A corner keeps its angle where the side swung with the transom.
        look = "the pencil lines" if what == TURN else "whether the sides swung with the transom"
        return (
            f"The patterns show no difference in {what} beyond doubt ({seen}), where this hull would "
            f"make {hull}: look at {look}, and at what diagonals cannot see."
        )
    words = _FIXED_WORDS if fixed and found.share in _FIXED_WORDS else _SHARE_WORDS
    return f"{both} {words[found.share].format(left=left)}"


_FIXED_WORDS = {
    HullShare.EXPLAINS: "The hull explains it: each side needs its own part.",
    HullShare.PARTLY: (
        "The hull explains part of it; {left} is left for the lines, the scribing or the hull's "
        "shape. Each side needs its own part."
    ),
}


_SHARE_WORDS = {
    HullShare.NOTHING_TO_EXPLAIN: "There is no difference to explain.",
    HullShare.EXPLAINS: (
        "The hull explains it: square the hull and scribe again before you trust either pattern."
    ),
    HullShare.PARTLY: (
        "The hull explains part of it; {left} is left for the lines, the scribing or the hull's "
        "shape. Square the hull first."
    ),
    HullShare.DOES_NOT: (
        "The hull does not explain it: {left} is left. Look at the pencil lines, the scribing, and "
        "the two things that diagonals cannot see."
    ),
    HullShare.CANNOT_TELL: (
        "These tapes are too coarse to tell whether the hull is the cause; tape again with care, "
        "and look for a shifted or twisted transom."
    ),
}


def _lead_words(hull: Horning, lead: str, doubt: str) -> str:
    skew = f"{show_degrees(abs(hull.skew_deg), 2)} ± {show_degrees(hull.skew_u95_deg, 2)}"
    if abs(hull.skew_deg) <= hull.skew_u95_deg:
        return f"By the diagonals alone the transom is square within {doubt} (95 %)."
    aft = "port" if hull.skew_deg > 0 else "starboard"
    ahead = "starboard" if aft == "port" else "port"
    return (
        f"The {aft} corner is {lead} ± {doubt} (95 %) further aft than the {ahead} corner: the "
        f"transom is {skew} out of square."
    )


def _middle_words(hull: Horning, units: Show) -> str:
    assert hull.tapes.middle is not None
    side = "starboard" if hull.tapes.middle.mm > 0 else "port"
    off = show_length(abs(hull.tapes.middle.mm), units)
    skew = show_degrees(abs(hull.centreline_skew_deg), 2)
    doubt = show_degrees(hull.centreline_skew_u95_deg, 2)
    return (
        f"Its middle stands {off} to {side} of the centreline; against the centreline it is "
        f"{skew} ± {doubt} out of square, the {hull.after} corner aft."
    )


def _fixed_advice(hull: Horning, units: Show) -> tuple[str, ...]:
    lead = show_length(abs(hull.plan_mm[2] * _sine(hull)), units)
    skew = show_degrees(abs(hull.centreline_skew_deg), 2)
    block = (
        "This hull will not be squared any more: plumb it and block it as it stands, so that it "
        "does not move while you work."
    )
    note = (
        f"Write it down with the date and how it is blocked: {hull.after} corner {lead} aft "
        f"({skew})."
    )
    return block, note, OWN_PATTERN


def _sine(hull: Horning) -> float:
    return math.sin(math.radians(hull.centreline_skew_deg))


def _seen_middle(hull: Horning) -> float:
    assert hull.tapes.middle is not None
    return 2.0 * hull.tapes.middle.sigma_mm


def _target(hull: Horning, units: Show) -> str:
    port = show_length(hull.square_port_mm, units)
    starboard = show_length(hull.square_starboard_mm, units)
    if port == starboard:
        return f"both diagonals read {port}"
    return f"the port diagonal reads {port} and the starboard one {starboard}"
