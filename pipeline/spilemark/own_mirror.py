"""A part on the centreline compared with its own mirror image about its line.

Mirroring an outline about its line lays the port half on the starboard half;
the stages ``mirror`` and ``compare`` then say where the halves differ.  The
copy carries the errors of its original (same causes), so what moves both halves
alike, such as the size of the print, cancels, and what turns the line counts
twice.  Laid as the copy fits best, the halves are compared about the part's own
middle line instead: the axis of the reflection that maps the part nearest to
itself lies halfway between the outline and its image.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from spilemark.records import (
    Alignment,
    JobFacts,
    Note,
    Outline,
    RegisteredPattern,
    Side,
    SideComparison,
    Station,
    Verdict,
)
from spilemark.units import format_fine, format_length

STARBOARD_HALF, PORT_HALF = "starboard", "port"
"""What the part and its mirror image are called on the starboard side, where both are looked at."""

_LAID = {
    "centreline": "About its line",
    "best fit": "About the middle line that suits it best",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnMirror:
    """How far a part's two halves are alike."""

    comparison: SideComparison
    """The part ("port") and its mirror image; each alignment is of the starboard half alone."""
    axis_turn_deg: float
    """The part's own middle line against its drawn one, anticlockwise positive."""
    axis_turn_u95_deg: float
    axis_offset_mm: float
    """Its place at the part's outer corner, to starboard positive."""
    axis_offset_u95_mm: float
    notes: tuple[Note, ...] = ()

    @property
    def verdict(self) -> str:
        """In words, both ways of laying."""
        return self.comparison.verdict


def has_own_mirror(pattern: RegisteredPattern) -> bool:
    """Whether the question makes sense: a whole part on a line that is the boat's centreline."""
    return (
        pattern.side is Side.SINGLE
        and pattern.datum == "centreline"
        and pattern.outline.whole
        and not pattern.centreline_offset_mm
    )


def called_apart(
    pattern: RegisteredPattern, mirrored: RegisteredPattern
) -> tuple[RegisteredPattern, RegisteredPattern]:
    """The part and its copy, named for ``compare``: an edge keeps its name where the copy lies."""
    swapped = replace(mirrored, outline=_sides_swapped(mirrored.outline), called=PORT_HALF)
    return replace(pattern, called=STARBOARD_HALF), swapped


def own_mirror(comparison: SideComparison, facts: JobFacts) -> OwnMirror:
    """What a comparison of a part with its copy says of its halves."""
    halves = tuple(
        _starboard_half(alignment, comparison.port)
        for alignment in comparison.alignments
        if alignment.datum in _LAID
    )
    verdict = " ".join(_sentence(alignment, comparison, facts) for alignment in halves)
    rigid = comparison.rigid
    # The image lies as far to the other side as the part's own axis does to this one.
    turn, offset = -0.5 * rigid.turn_deg, -0.5 * rigid.shift_mm[0]
    found = OwnMirror(
        comparison=replace(
            comparison, alignments=halves, verdict=verdict, take_off=(), notes=(), corners=()
        ),
        axis_turn_deg=turn,
        axis_turn_u95_deg=0.5 * rigid.turn_u95_deg,
        axis_offset_mm=offset,
        axis_offset_u95_mm=0.5 * rigid.shift_u95_mm[0],
    )
    return replace(found, notes=_notes(found, facts))


def axis_words(found: OwnMirror, facts: JobFacts) -> str:
    """Where the part's own middle line lies against the drawn one."""
    side = "starboard" if found.axis_offset_mm > 0 else "port"
    offset, give = (_size(mm, facts) for mm in (found.axis_offset_mm, found.axis_offset_u95_mm))
    return (
        f"Its own middle line lies {offset} (±{give}) to {side} of the drawn one at the nose and is "
        f"turned by {abs(found.axis_turn_deg):.2f}° (±{found.axis_turn_u95_deg:.2f}°) to "
        f"{'port' if found.axis_turn_deg > 0 else 'starboard'} from it."
    )


def _notes(found: OwnMirror, facts: JobFacts) -> tuple[Note, ...]:
    first = found.comparison.alignments[0]
    fitted = found.comparison.alignments[-1]
    about, apart = (
        [s for s in a.stations if s.verdict is Verdict.DIFFERENT] for a in (first, fitted)
    )
    if not about and not apart:
        return ()
    worst = max(about or apart, key=lambda s: abs(s.gap_mm))
    laid = (
        "about its line"
        if about
        else "about its own middle line, also where the drawn one is in doubt"
    )
    text = f"The part's two halves differ {laid}: {_worst_words(worst, facts)}."
    if about and not apart:
        text += (
            " About its own middle line they do not: it is the line that lies beside the middle. "
            + axis_words(found, facts)
        )
    return (
        Note(
            code="halves-differ",
            severity="info",
            text=text,
            value=worst.gap_mm,
            unit="mm",
            at_mm=worst.at_mm,
        ),
    )


def _sides_swapped(outline: Outline) -> Outline:
    corners = tuple(replace(c, name=_swapped(c.name)) for c in outline.corners)
    edges = tuple(replace(e, name=_swapped(e.name)) for e in outline.edges)
    return replace(outline, corners=corners, edges=edges)


def _swapped(name: str) -> str:
    return " ".join({"port": "starboard", "starboard": "port"}.get(w, w) for w in name.split(" "))


def _starboard_half(alignment: Alignment, part: RegisteredPattern) -> Alignment:
    """Both halves say the same with signs changed: one is enough."""
    port = part.outline.ring.points_mm[:, 0] < 0
    return replace(
        alignment,
        gap_mm=np.where(port, np.nan, alignment.gap_mm),
        stations=tuple(s for s in alignment.stations if s.at_mm[0] >= 0),
    )


def _sentence(alignment: Alignment, comparison: SideComparison, facts: JobFacts) -> str:
    tally = Counter(s.verdict for s in alignment.stations)
    limit = _size(comparison.tolerance_mm, facts)
    known = [s for s in alignment.stations if np.isfinite(s.gap_mm)]
    start = _LAID[alignment.datum]
    if not known:
        return f"{start}, nothing can be said of the two halves: no edge was seen on both."
    worst = max(known, key=lambda s: abs(s.gap_mm))
    count = len(alignment.stations)
    if tally[Verdict.DIFFERENT]:
        some = [s for s in known if s.verdict is Verdict.DIFFERENT]
        worst = max(some, key=lambda s: abs(s.gap_mm))
        return (
            f"{start}, the two halves differ by more than {limit} on {tally[Verdict.DIFFERENT]} of "
            f"{count} stretches: {_worst_words(worst, facts)}."
        )
    if tally[Verdict.CANNOT_TELL]:
        return (
            f"{start}, no difference of the halves beyond {limit} is proved, but on "
            f"{tally[Verdict.CANNOT_TELL]} of {count} stretches it cannot be told."
        )
    return (
        f"{start}, the two halves are the same within {limit}; the largest gap: "
        f"{_worst_words(worst, facts)}."
    )


def _worst_words(station: Station, facts: JobFacts) -> str:
    fuller = "port" if station.gap_mm > 0 else "starboard"
    place = format_length(station.s_mm, facts.units, 0)
    edge = station.edge.removeprefix("starboard ")
    if edge == "edge":
        edge = "outer edge"
    return (
        f"{fuller} is {_size(station.gap_mm, facts)} (±{_size(station.u95_mm, facts)}) fuller at "
        f"{place} along the {edge}"
    )


def _size(mm: float, facts: JobFacts) -> str:
    return format_fine(abs(mm), facts.units, 1)
