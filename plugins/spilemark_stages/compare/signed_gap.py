"""Plug-in "signed-gap": where starboard, mirrored, lies outside or inside port.

Three ways of laying the two on each other answer three questions: about the
drawn lines (will a mirrored part sit where the pattern sat?), on corner and
edge (will it fit the corner?), as they fit best (is it the same shape?).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from spilemark.errors import UsageError
from spilemark.frames import signed_area
from spilemark.hookspecs import hookimpl
from spilemark.names import OUTER
from spilemark.records import (
    Alignment,
    CornerComparison,
    JobFacts,
    Note,
    RegisteredPattern,
    RigidDifference,
    SideComparison,
    Verdict,
)
from spilemark.rigid import apply, inverse
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark_stages.compare.pair import Laid, Pair
from spilemark_stages.compare.parts import compare_corners, compare_edges
from spilemark_stages.compare.stretches import stations, take_off, visible_differences
from spilemark_stages.compare.suspicion import suspicions
from spilemark_stages.compare.words import rigid_note, verdict_sentence, visible_notes


@dataclass(frozen=True)
class Options:
    """How finely the edge is judged."""

    stretch_mm: float = field(
        default=30.0, metadata={"help": "Length of edge that gets one verdict.", "unit": "mm"}
    )


@hookimpl
def declare_options() -> type:
    """Options of this plug-in."""
    return Options


@hookimpl
def compare(
    port: RegisteredPattern,
    starboard_mirrored: RegisteredPattern,
    job: JobFacts,
    options: Options,
) -> SideComparison:
    """Say where two measured sides differ and whether that is more than can be seen."""
    if job.tolerance_mm <= 0:
        raise UsageError(
            f"A tolerance of {job.tolerance_mm:g} mm cannot be met by anything.",
            "Give what you would still plane to fit, such as --tolerance 1.5mm.",
        )
    pair = Pair(port, starboard_mirrored)
    best = pair.best_fit()
    laid: dict[str, Laid] = {}
    if port.datum == starboard_mirrored.datum == "centreline":
        laid["centreline"] = pair.on_datum()
    on_corner = pair.corner_and_edge()
    if on_corner is not None:
        laid["corner and edge"] = on_corner
    laid["best fit"] = best
    if "centreline" not in laid:
        # Without lines on both, shape is what can be compared first.
        laid = {"best fit": best, **laid}
    alignments = tuple(
        Alignment(
            datum=datum,  # type: ignore[arg-type]
            turn_rad=way.motion.turn_rad,
            shift_mm=way.motion.shift_mm,
            gap_mm=way.gap_mm,
            u95_mm=way.u95_mm,
            stations=stations(port, pair.normals, way, job.tolerance_mm, options.stretch_mm),
        )
        for datum, way in laid.items()
    )
    fitted = next(a for a in alignments if a.datum == "best fit")
    corners = compare_corners(port, starboard_mirrored)
    opened = next((c for c in corners if c.name == OUTER), None)
    rigid = _rigid(pair, best, opened)
    seen = visible_differences(port, best, beyond=0.0)
    too_much = visible_differences(port, best, beyond=job.tolerance_mm)
    notes: list[Note] = [*suspicions(port, starboard_mirrored, best)]
    if not notes:
        # Of two things that are not a pair, no difference is worth a word.
        if "centreline" in laid:
            notes.append(rigid_note(rigid, opened, job.line_doubt_mm))
        notes += visible_notes(seen, job.tolerance_mm)
    return SideComparison(
        port=port,
        starboard_mirrored=starboard_mirrored,
        tolerance_mm=job.tolerance_mm,
        alignments=alignments,
        rigid=rigid,
        edges=compare_edges(port, starboard_mirrored),
        corners=corners,
        area_mm2=(
            abs(signed_area(port.outline.ring.points_mm)),
            abs(signed_area(starboard_mirrored.outline.ring.points_mm)),
        ),
        verdict=verdict_sentence(alignments[0], fitted, job.tolerance_mm),
        one_part_serves_both=_one_part(fitted),
        take_off=take_off(too_much if too_much else seen),
        notes=tuple(notes),
    )


def _one_part(fitted: Alignment) -> bool | None:
    """Whether one shape, flipped, fits both corners within tolerance; None: cannot tell."""
    verdicts = {s.verdict for s in fitted.stations}
    if Verdict.DIFFERENT in verdicts:
        return False
    return None if Verdict.CANNOT_TELL in verdicts else True


def _rigid(pair: Pair, best: Laid, opened: CornerComparison | None) -> RigidDifference:
    """How mirrored starboard is turned and shifted as a whole: the undoing of the best fit.

    A corner that is wider on one side makes a best fit turn too; rack is named
    only beyond what the corner's own difference can explain.
    """
    back = inverse(best.motion)
    covariance = pair.rigid_covariance()
    middle = pair.ring.points_mm.mean(axis=0)
    shift = apply(back, middle[None])[0] - middle
    # Motion about (0, 0) carried to the pattern's middle.
    carry = np.array([[-middle[1], 1.0, 0.0], [middle[0], 0.0, 1.0]])
    spread = carry @ covariance @ carry.T
    turn_u95 = float(np.degrees(COVERAGE_FACTOR * np.sqrt(covariance[0, 0])))
    turn = float(np.degrees(back.turn_rad))
    on_lines = pair.port.datum == pair.mirrored.datum == "centreline"
    u95 = COVERAGE_FACTOR * np.sqrt(np.diag(spread))
    by_corner = 0.0
    if opened is not None:
        by_corner = max(0.0, abs(opened.starboard_deg - opened.port_deg) - opened.u95_deg)
    return RigidDifference(
        turn_deg=turn,
        turn_u95_deg=turn_u95,
        shift_mm=(float(shift[0]), float(shift[1])),
        shift_u95_mm=(float(u95[0]), float(u95[1])),
        rack_named=on_lines and abs(turn) > turn_u95 + by_corner,
    )
