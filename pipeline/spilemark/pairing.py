"""Two kept patterns laid on each other by the stages ``mirror`` and ``compare``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from spilemark import wording
from spilemark.errors import UsageError
from spilemark.kept import Kept, labelled, on_their_lines
from spilemark.recipe import Kitchen, prepare, standard_recipe
from spilemark.records import JobFacts, ScaleBasis, Side, SideComparison
from spilemark.units import Units, format_length

_MOST_TAKE_OFF = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing:
    """Two patterns and what sets them apart."""

    one: Kept
    other: Kept
    mirrored: bool
    """Whether B was mirrored first."""
    comparison: SideComparison
    facts: JobFacts

    @property
    def no_size(self) -> bool:
        """Whether one of the two claims no absolute size."""
        return ScaleBasis.NOMINAL in (self.one.scale, self.other.scale)


def pair_up(
    one: Kept,
    other: Kept,
    hand: Literal["auto", "same", "other"] = "auto",
    tolerance_mm: float = 1.5,
    units: Units = "mm",
    kitchen: Kitchen | None = None,
) -> Pairing:
    """Lay B on A.

    Parameters
    ----------
    one, other : Kept
    hand : {"auto", "same", "other"}
        Whether B is mirrored first; "auto" by the two sides.
    tolerance_mm : float
    units : {"mm", "in"}
    kitchen : Kitchen, optional
        Default: that of the standard recipe.

    Raises
    ------
    UsageError
        A part of the centreline is compared with one of a side.
    """
    if hand == "auto" and (one.side is Side.SINGLE) != (other.side is Side.SINGLE):
        raise UsageError(
            f"A is a {one.side} pattern and B a {other.side} one: which way is up is not told.",
            "Say --hand same or --hand other, if they shall be compared at all.",
        )
    kitchen = prepare(standard_recipe()) if kitchen is None else kitchen
    first, second = (labelled(k, name) for k, name in zip(
        on_their_lines(one, other), ("A", "B"), strict=True))  # fmt: skip
    mirror = hand == "other" or (hand == "auto" and one.side is not other.side)
    laid = second.pattern
    if mirror:
        laid = _stage(kitchen, "mirror", pattern=laid)
    facts = JobFacts(
        boat=first.boat if first.boat == second.boat else "",
        part=first.part if first.part == second.part else "",
        tolerance_mm=tolerance_mm,
        units=units,
    )
    comparison = _stage(kitchen, "compare", port=first.pattern, starboard_mirrored=laid, job=facts)
    return Pairing(one=first, other=second, mirrored=mirror, comparison=comparison, facts=facts)


def pairing_lines(pairing: Pairing, one: str, other: str) -> list[str]:
    """What is said of two patterns, their names first."""
    comparison, units = pairing.comparison, pairing.facts.units
    flipped = " Mirrored before it was laid on A." if pairing.mirrored else ""
    lines = [
        f"A: {_named(pairing.one, one, units)}",
        f"B: {_named(pairing.other, other, units)}{flipped}",
        "",
        comparison.verdict,
        _one_part(comparison.one_part_serves_both),
    ]
    cuts = sorted(comparison.take_off, key=lambda t: -t.most_mm)[:_MOST_TAKE_OFF]
    if cuts and not comparison.one_part_serves_both:
        lines.append("A part made as large as both would lose, at most:")
        for cut in cuts:
            start, stop = (format_length(mm, units, 0) for mm in (cut.from_mm, cut.to_mm))
            most = format_length(cut.most_mm, units)
            which = "A" if cut.side is Side.PORT else "B"
            lines.append(f"  - {most} to fit {which}: {cut.edge}, {start} to {stop}")
    lines += ["", *(f"- {note.text}" for note in comparison.notes)]
    if pairing.no_size:
        lines.append(f"- {wording.NO_SIZE}")
    return [*lines, "", wording.HULL]


def pairing_table(pairing: Pairing, one: str, other: str) -> dict[str, Any]:
    """The same as plain data; "port" stands for A and "starboard" for B in what is compared."""
    from spilemark.report import comparison_table, note_table

    return {
        "kind": "comparison",
        "a": _facts(pairing.one, one),
        "b": {**_facts(pairing.other, other), "mirrored": pairing.mirrored},
        "comparison": comparison_table(pairing.comparison),
        "notes": [note_table(note) for note in pairing.comparison.notes],
    }


def _stage(kitchen: Kitchen, stage: str, **arguments: Any) -> Any:
    name = kitchen.name_of(stage)
    return kitchen.plugins.call(stage, name, **arguments, options=kitchen.options[stage, name])


def _facts(kept: Kept, name: str) -> dict[str, Any]:
    return {
        "file": name,
        "side": str(kept.side),
        "boat": kept.boat,
        "part": kept.part,
        "date": kept.date,
        "scale": kept.scale,
        "u95_worst_fit_mm": kept.u95_mm,
    }


def _named(kept: Kept, name: str, units: Units) -> str:
    told = ", ".join(word for word in (kept.boat, kept.part, str(kept.side), kept.date) if word)
    doubt = "its file tells of no doubt; taken as exact"
    if kept.u95_mm is not None:
        size = f"{kept.u95_mm:.2f} mm" if units == "mm" else f'{kept.u95_mm / 25.4:.3f}"'
        doubt = f"±{size} (95 %) at its worst point"
    return f"{name} ({told}), {doubt}."


def _one_part(answer: bool | None) -> str:
    if answer is None:
        return "Whether one part serves both cannot be told from these patterns."
    return f"One part {'serves' if answer else 'does not serve'} both within the tolerance."
