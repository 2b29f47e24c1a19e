"""What a comparison says, in a builder's words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from spilemark.records import Alignment, CornerComparison, Note, RigidDifference, Station, Verdict
from spilemark_stages.compare.stretches import Difference

_MOST_NOTES = 6
_WHERE = {
    "centreline": "about the drawn lines",
    "corner and edge": "laid on corner and edge",
    "best fit": "as they fit best",
}


def verdict_sentence(first: Alignment, best: Alignment, tolerance: float) -> str:
    """One sentence on the whole comparison, its datum named."""
    tally = Counter(s.verdict for s in first.stations)
    count = len(first.stations)
    where = _WHERE[first.datum]
    if tally[Verdict.DIFFERENT]:
        worst = max(
            (s for s in first.stations if s.verdict is Verdict.DIFFERENT),
            key=lambda s: abs(s.gap_mm),
        )
        sentence = (
            f"The sides differ by more than {tolerance:g} mm, {where}: {_fuller(worst.gap_mm)}"
            f" (±{worst.u95_mm:.1f} mm) {_place(worst)}; {tally[Verdict.DIFFERENT]} of {count}"
            " stretches are different."
        )
    elif tally[Verdict.CANNOT_TELL]:
        sentence = (
            f"No difference beyond {tolerance:g} mm is proved {where}, but"
            f" {tally[Verdict.CANNOT_TELL]} of {count} stretches cannot be told."
        )
    else:
        worst = max(first.stations, key=lambda s: abs(s.gap_mm))
        sentence = (
            f"Port and starboard are the same within {tolerance:g} mm everywhere, {where};"
            f" the largest gap is {abs(worst.gap_mm):.1f} mm (±{worst.u95_mm:.1f} mm)"
            f" {_place(worst)}."
        )
    if first is not best:
        sentence += f" As shapes ({_WHERE['best fit']}) {_short(best, tolerance)}."
    return sentence


def _short(alignment: Alignment, tolerance: float) -> str:
    tally = Counter(s.verdict for s in alignment.stations)
    if tally[Verdict.DIFFERENT]:
        worst = max(alignment.stations, key=lambda s: abs(s.gap_mm))
        return f"they differ: {_fuller(worst.gap_mm)} {_place(worst)}"
    if tally[Verdict.CANNOT_TELL]:
        return f"{tally[Verdict.CANNOT_TELL]} of {len(alignment.stations)} stretches cannot be told"
    return f"they are the same within {tolerance:g} mm"


def _fuller(gap: float) -> str:
    which = "starboard" if gap > 0 else "port"
    return f"{which} is {abs(gap):.1f} mm fuller"


def _place(station: Station) -> str:
    return f"at {station.s_mm:.0f} mm along the {station.edge}"


def visible_notes(differences: Sequence[Difference], tolerance: float) -> tuple[Note, ...]:
    """Differences of shape that can be seen, whether or not they matter; the largest few."""
    largest = sorted(differences, key=lambda d: -abs(d.most_mm))[:_MOST_NOTES]
    return tuple(
        Note(
            code="difference-seen",
            severity="info",
            text=f"{_fuller(d.most_mm).capitalize()} (±{d.u95_mm:.1f} mm) over"
            f" {d.to_mm - d.from_mm:.0f} mm, worst {d.worst_mm:.0f} mm along the {d.edge}, as the"
            f" sides fit best; {_against(d, tolerance)}.",
            value=d.most_mm,
            unit="mm",
            at_mm=d.at_mm,
        )
        for d in largest
    )


def _against(difference: Difference, tolerance: float) -> str:
    size = abs(difference.most_mm)
    if size + difference.u95_mm <= tolerance:
        return f"within your tolerance of {tolerance:g} mm"
    if size - difference.u95_mm > tolerance:
        return f"more than your tolerance of {tolerance:g} mm"
    return f"it may or may not pass your tolerance of {tolerance:g} mm"


def rigid_note(
    rigid: RigidDifference, opened: CornerComparison | None, line_doubt_mm: float
) -> Note:
    """What the turn of one side against the other means: rack, corner, or nothing."""
    turn = f"{abs(rigid.turn_deg):.2f}° (±{rigid.turn_u95_deg:.2f}°)"
    wider = _wider(opened)
    code: str = "no-rack"
    if rigid.rack_named:
        code = "rack"
        text = (
            f"The two sides are turned against each other by {turn}, more than the measurement and"
            f" the drawn lines ({line_doubt_mm:g} mm at each end) can explain. Before making two"
            " different parts, square the hull (tape both diagonals, sight for twist) and scribe"
            " again: a hull out of square turns both patterns."
        )
    elif wider:
        code = "corner-differs"
        text = (
            f"{wider} That is the corner's own shape; no turn of the whole hull is proved beside"
            f" it ({turn})."
        )
    else:
        text = (
            f"Turned against each other by {turn}: no more than the measurement and the drawn lines"
            " can explain."
        )
    if rigid.rack_named and wider:
        text += f" {wider}"
    return Note(
        code=code,
        severity="info" if code == "no-rack" else "warn",
        text=text,
        value=rigid.turn_deg,
        unit="deg",
    )


def _wider(opened: CornerComparison | None) -> str:
    if opened is None or abs(opened.starboard_deg - opened.port_deg) <= opened.u95_deg:
        return ""
    return (
        f"The outer corner measures {opened.port_deg:.1f}° on port and"
        f" {opened.starboard_deg:.1f}° on starboard (±{opened.u95_deg:.1f}° on the difference)."
    )
