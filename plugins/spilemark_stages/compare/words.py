"""What a comparison says, in a builder's words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.records import (
    Alignment,
    CornerComparison,
    JobFacts,
    Note,
    RegisteredPattern,
    RigidDifference,
    Station,
    Verdict,
)
from spilemark.units import INCH_MM, Units, format_fine, format_length
from spilemark_stages.compare.stretches import Difference

_MOST_NOTES = 6
_ARM_END = " arm end"
_DOMINATES = 2.0
"""The lines' doubt dominates where it makes the band this many times as wide as shape alone has it."""

_LAID = {
    "centreline": "laid on their pencil lines",
    "corner and edge": "laid on outer corner and straight edge",
    "best fit": "laid as they fit best",
}


@dataclass(frozen=True, slots=True)
class Names:
    """What the two are called, and whether they are the two sides of one job."""

    one: str = "port"
    other: str = "starboard"
    sides: bool = True

    @property
    def both(self) -> str:
        """The two together."""
        return "the sides" if self.sides else "the two"


SIDES = Names()


def names_of(one: RegisteredPattern, other: RegisteredPattern) -> Names:
    """Port and starboard, unless the patterns themselves are called otherwise."""
    if one.called and other.called:
        return Names(one.called, other.called, sides=False)
    return SIDES


def size(mm: float, units: Units) -> str:
    """Write the size of a difference, finer than any saw."""
    return format_fine(abs(mm), units, 1)


def _tolerance(job: JobFacts) -> str:
    return (
        f"{round(job.tolerance_mm, 2):g} mm" if job.units == "mm" else size(job.tolerance_mm, "in")
    )


def _give(u95_mm: float, units: Units) -> str:
    """Write a half-width, never as a flat zero."""
    least = max(u95_mm, 0.1 if units == "mm" else 0.01 * INCH_MM)
    return f"±{size(least, units)}"


def verdict_sentence(first: Alignment, best: Alignment, job: JobFacts, names: Names = SIDES) -> str:
    """One sentence on the whole comparison, its datum named."""
    sentence = f"{_LAID[first.datum].capitalize()}, {_judged(first, job, names)}"
    if first is best:
        return f"{sentence}."
    reason = ""
    if _only_unsure(first) and _lines_dominate(first, best):
        reason = " because the pencil lines themselves are not certain enough"
    again = _judged_again(first, best, job, names)
    return f"{sentence}{reason}. {_LAID[best.datum].capitalize()}, {again}."


def _judged(alignment: Alignment, job: JobFacts, names: Names) -> str:
    tally = Counter(s.verdict for s in alignment.stations)
    limit, count = _tolerance(job), len(alignment.stations)
    if not count or not any(np.isfinite(s.gap_mm) for s in alignment.stations):
        return "nothing can be said: no edge was seen on both"
    if tally[Verdict.DIFFERENT]:
        worst = _worst(s for s in alignment.stations if s.verdict is Verdict.DIFFERENT)
        return (
            f"{names.both} differ by more than {limit} on {tally[Verdict.DIFFERENT]} of {count} "
            f"stretches: {_found_there(worst, job, names)}{_elsewhere(tally)}"
        )
    if tally[Verdict.CANNOT_TELL]:
        return (
            f"no difference beyond {limit} is proved, but on {tally[Verdict.CANNOT_TELL]} of "
            f"{count} stretches it cannot be told"
        )
    worst = _worst(alignment.stations)
    return (
        f"{names.one} and {names.other} are the same within {limit}; the largest gap is "
        f"{size(worst.gap_mm, job.units)} ({_give(worst.u95_mm, job.units)}) "
        f"{_place(worst, job.units)}"
    )


def _judged_again(first: Alignment, best: Alignment, job: JobFacts, names: Names) -> str:
    """The second way of laying them, in short where it finds a difference too."""
    found = [
        [s for s in a.stations if s.verdict is Verdict.DIFFERENT and np.isfinite(s.gap_mm)]
        for a in (first, best)
    ]
    if not all(found):
        return _judged(best, job, names)
    before, worst = (_worst(stations) for stations in found)
    same_place = (before.edge, before.s_mm) == (worst.edge, worst.s_mm)
    tally = Counter(s.verdict for s in best.stations)
    stretches = f"{len(found[1])} stretch{'es' if found[1][1:] else ''}"
    there = " there" if same_place else ""
    return f"on {stretches}: {_found_there(worst, job, names, place=there)}{_elsewhere(tally)}"


def _elsewhere(tally: Counter[Verdict]) -> str:
    """What is known of the stretches that do not surely differ."""
    unsure, same = tally[Verdict.CANNOT_TELL], tally[Verdict.SAME]
    if unsure and same:
        return f"; on {unsure} it cannot be told, on {same} they are the same"
    if unsure:
        return f"; on {unsure}, all the others, it cannot be told"
    return f"; on {same} they are the same" if same else ""


def _only_unsure(alignment: Alignment) -> bool:
    verdicts = {s.verdict for s in alignment.stations}
    return Verdict.CANNOT_TELL in verdicts and Verdict.DIFFERENT not in verdicts


def _lines_dominate(first: Alignment, best: Alignment) -> bool:
    known = np.isfinite(first.gap_mm) & np.isfinite(best.gap_mm)
    if not known.any():
        return False
    return bool(np.max(first.u95_mm[known]) > _DOMINATES * np.max(best.u95_mm[known]))


def _worst(stations: Iterable[Station]) -> Station:
    known = [s for s in stations if np.isfinite(s.gap_mm)]
    return max(known, key=lambda s: abs(s.gap_mm))


def _fuller(gap_mm: float, units: Units, names: Names) -> str:
    return f"{names.other if gap_mm > 0 else names.one} is {size(gap_mm, units)} fuller"


def _found_there(station: Station, job: JobFacts, names: Names, *, place: str = "") -> str:
    """What differs at a station, how much, and where; ``place`` in place of where it lies."""
    give = _give(station.u95_mm, job.units)
    longer = _longer(station.edge, station.gap_mm, job.units, names)
    if longer:
        return f"{longer} ({give})"
    where = place or f" {_place(station, job.units)}"
    return f"{_fuller(station.gap_mm, job.units, names)} ({give}){where}"


def _longer(edge: str, gap_mm: float, units: Units, names: Names) -> str:
    """A gap at an arm's end is the arm's length: said so; empty at other edges."""
    if not edge.endswith(_ARM_END):
        return ""
    whose = names.other if gap_mm > 0 else names.one
    return f"{whose}'s {edge.removesuffix(' end')} is {size(gap_mm, units)} longer"


def _place(station: Station, units: Units) -> str:
    return f"at {format_length(station.s_mm, units, 0)} along the {station.edge}"


def difference_notes(
    found: Sequence[Difference], job: JobFacts, names: Names = SIDES
) -> tuple[Note, ...]:
    """Differences of shape that can be seen, whether or not they matter; the largest few."""
    notes = [_difference_note(d, job, names) for d in found[:_MOST_NOTES]]
    rest = found[_MOST_NOTES:]
    beyond = sum(_is_beyond(d, job) for d in rest)
    if rest:
        largest = size(max(abs(d.most_mm) for d in rest), job.units)
        some = "1 more difference" if len(rest) == 1 else f"{len(rest)} more differences"
        passing = f", {beyond} of them beyond your tolerance of {_tolerance(job)}" if beyond else ""
        notes.append(
            Note(
                code="differences-more",
                severity="warn" if beyond else "info",
                text=f"{some} can be seen, none above {largest}{passing}.",
                value=float(len(rest)),
            )
        )
    return tuple(notes)


def _is_beyond(d: Difference, job: JobFacts) -> bool:
    """Whether a difference surely exceeds the tolerance."""
    return abs(d.most_mm) - d.u95_mm > job.tolerance_mm


def _difference_note(d: Difference, job: JobFacts, names: Names) -> Note:
    over = format_length(d.to_mm - d.from_mm, job.units, 0)
    place = d.walk.place(d.worst_mm, job.units)
    which = _longer(d.walk.edge.name, d.most_mm, job.units, names)
    if which and d.to_mm - d.from_mm >= 0.5 * d.walk.length_mm:
        where = ""
    else:
        where = f" over {over}, {place}"
    which = which or _fuller(d.most_mm, job.units, names)
    return Note(
        code="difference-seen",
        severity="warn" if _is_beyond(d, job) else "info",
        text=f"{which[0].upper()}{which[1:]} ({_give(d.u95_mm, job.units)}){where}; "
        f"{_against(d, job)}.",
        value=d.most_mm,
        unit="mm",
        at_mm=d.at_mm,
    )


def _against(d: Difference, job: JobFacts) -> str:
    if abs(d.most_mm) + d.u95_mm <= job.tolerance_mm:
        return f"within your tolerance of {_tolerance(job)}"
    if _is_beyond(d, job):
        return f"more than your tolerance of {_tolerance(job)}"
    return f"it may or may not pass your tolerance of {_tolerance(job)}"


def starboard_alone(
    at_mm: tuple[float, float], distance_mm: float, job: JobFacts, names: Names = SIDES
) -> Note:
    """Starboard's outline goes where no edge of port's looks."""
    other = names.other.capitalize() if names.sides else names.other
    return Note(
        code="starboard-alone",
        severity="warn",
        text=f"{other}'s outline has a part {size(distance_mm, job.units)} away from anything on "
        f"{names.one}, a cut or a spur that {names.one} does not have. Look at it before you trust a "
        "verdict.",
        value=distance_mm,
        unit="mm",
        at_mm=at_mm,
    )


def rigid_note(
    rigid: RigidDifference, opened: Opened | None, job: JobFacts, names: Names = SIDES
) -> Note:
    """What the turn of one side against the other means: rack, corner, or nothing."""
    turn = f"{abs(rigid.turn_deg):.2f}° (±{rigid.turn_u95_deg:.2f}°)"
    code, severity, wider = "no-rack", "info", _wider(opened, job, names)
    uneven = _uneven(opened, job, names)
    text = (
        f"As a whole {names.both} are turned against each other by {turn}: no more than the "
        "measurement and the drawn lines can explain."
    )
    if rigid.rack_named:
        code, severity = "rack", "warn"
        text = (
            f"As a whole {names.both} are turned against each other by {turn}, more than the "
            f"measurement and the drawn lines ({job.line_doubt_mm:g} mm at each end) can explain."
            f"{_RACK if names.sides else ''}{wider and ' ' + wider}{uneven and ' ' + uneven}"
        )
    elif wider:
        code, severity = "corner-differs", "warn"
        text = wider
    elif uneven:
        code, text = "corner-uneven", uneven
    return Note(
        code=code,
        severity=severity,  # type: ignore[arg-type]
        text=text,
        value=rigid.turn_deg,
        unit="deg",
    )


_RACK = (
    " A hull out of square turns both patterns: level it, tape the diagonals, sight it for twist, "
    "and scribe again before you make two different parts."
)


@dataclass(frozen=True, slots=True)
class Opened:
    """The outer corner's angle on both sides."""

    angles: CornerComparison
    arm_mm: float
    """Length of the longer of its two edges."""

    @property
    def sure_deg(self) -> float:
        """What of the difference is beyond measurement, not below zero."""
        return max(0.0, abs(self.angles.opened_deg) - self.angles.u95_deg)

    @property
    def at_toe_mm(self) -> float:
        """What the difference would amount to at the end of the longer edge, were the edges straight."""
        return self.arm_mm * float(np.radians(abs(self.angles.opened_deg)))

    @property
    def seen_at_toe_mm(self) -> float:
        """How far the toes really lie apart, corner on corner and one arm on the other's."""
        through = self.angles.through_toes_deg
        return self.at_toe_mm if through is None else self.arm_mm * float(np.radians(abs(through)))


def _matters(opened: Opened | None, job: JobFacts) -> bool:
    """Whether the corner's own difference is beyond measurement, and would matter at the toe."""
    return opened is not None and opened.sure_deg > 0 and opened.at_toe_mm > job.tolerance_mm


def _wider(opened: Opened | None, job: JobFacts, names: Names) -> str:
    """The corner's own difference, where the toes show it and it matters there."""
    if opened is None or not _matters(opened, job) or opened.angles.is_local:
        return ""
    if opened.seen_at_toe_mm <= job.tolerance_mm:
        return ""
    angles, by = opened.angles, opened.angles.opened_deg
    found = (
        f"The outer corner is {abs(by):.2f}° (±{angles.u95_deg:.2f}°) wider on "
        f"{names.other if by > 0 else names.one} ({angles.port_deg:.1f}° on {names.one}, "
        f"{angles.starboard_deg:.1f}° on {names.other}); the toes lie "
        f"{size(opened.seen_at_toe_mm, job.units)} apart for it"
    )
    if not names.sides:
        return f"{found}."
    return (
        f"{found}: a transom {abs(by) / 2:.2f}° out of square does that to a hull that is otherwise "
        "alike on both sides. Check its diagonals before you call it a difference of the parts."
    )


def _uneven(opened: Opened | None, job: JobFacts, names: Names) -> str:
    """An angle that is wider next to the corner and not at the toes: an edge's, not the hull's."""
    if opened is None or not _matters(opened, job) or not opened.angles.is_local:
        return ""
    by, toe = opened.angles.opened_deg, _give(opened.seen_at_toe_mm, job.units).lstrip("±")
    hull = " A hull out of square does not do that." if names.sides else ""
    return (
        f"Next to the outer corner the edges stand {abs(by):.2f}° wider on "
        f"{names.other if by > 0 else names.one}, but at the toes they meet within {toe}: an edge "
        f"has a bump or a hollow near the corner.{hull}"
    )


def not_a_pair(names: Names = SIDES) -> str:
    """The verdict on two patterns that are no pair as they were photographed."""
    if not names.sides:
        return (
            f"No verdict: {names.other} fits {names.one} far better turned over. They are of "
            "opposite hands, or one was photographed face down."
        )
    return (
        "No verdict: as photographed these are not a port and a starboard pattern. One lay face "
        "down, or both are of the same side."
    )


def other_part(names: Names = SIDES) -> str:
    """The verdict on two outlines that are hardly of one part."""
    what = "the two sides of one part" if names.sides else "two of the same part"
    return f"No verdict: these are probably not {what}; their outlines do not fit each other."


def turned_apart(fitted: Alignment, job: JobFacts, names: Names = SIDES) -> str:
    """The verdict on two sides whose drawn lines contradict their outlines."""
    return (
        "No verdict on their pencil lines, which contradict the outlines. "
        f"{_LAID[fitted.datum].capitalize()}, {_judged(fitted, job, names)}."
    )
