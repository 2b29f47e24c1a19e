"""Plug-in "signed-gap": where starboard, mirrored, lies outside or inside port.

Three ways of laying the two on each other answer three questions: on the drawn
lines (will a mirrored part sit where the pattern sat?), on corner and edge
(will it fit the corner?), and as they fit best (is it the same shape?).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from spilemark.corners import edges_at
from spilemark.errors import UsageError
from spilemark.frames import signed_area
from spilemark.hookspecs import hookimpl
from spilemark.names import OUTER
from spilemark.own_mirror import PORT_HALF, STARBOARD_HALF
from spilemark.records import (
    Alignment,
    CornerComparison,
    Floats,
    JobFacts,
    Note,
    RegisteredPattern,
    RigidDifference,
    SideComparison,
    Verdict,
)
from spilemark.rigid import IDENTITY, apply, compose, inverse
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark_stages.compare import words
from spilemark_stages.compare.layings import best_fit, corner_and_edge, on_datum
from spilemark_stages.compare.pair import Laid, Pair
from spilemark_stages.compare.parts import compare_corners, compare_edges
from spilemark_stages.compare.stretches import differences, stations, take_off
from spilemark_stages.compare.suspicion import (
    NOT_A_PAIR,
    OTHER_PART,
    TURNED_APART,
    no_pair,
    suspicions,
)

Datum = Literal["centreline", "corner and edge", "best fit"]


@dataclass(frozen=True)
class Options:
    """How finely the edge is judged."""

    stretch_mm: float = field(
        default=30.0, metadata={"help": "Length of edge that gets one verdict.", "unit": "mm"}
    )
    least_mm: float = field(
        default=0.3,
        metadata={"help": "Smallest difference worth a note, where it can be seen.", "unit": "mm"},
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
    """Say where two measured sides differ and whether that is more than can be seen.

    The verdict is about the first alignment: on the pencil lines where both
    sides have one, else as they fit best, with corner and edge beside it.
    """
    if not job.tolerance_mm > 0:
        raise UsageError(
            f"A tolerance of {job.tolerance_mm:g} mm cannot be met by anything.",
            "Give what you would still plane to fit, such as --tolerance 1.5mm.",
        )
    pair = Pair(port, starboard_mirrored)
    ways, functional = _ways(pair)
    alignments = tuple(_alignment(pair, d, w, job, options) for d, w in ways.items())
    best = ways["best fit"]
    fitted = next(a for a in alignments if a.datum == "best fit")
    corners = compare_corners(port, starboard_mirrored)
    opened = _opened(port, corners)
    rigid = _rigid(pair, ways, functional, opened)
    seen = differences(port, best, least_mm=options.least_mm)
    names = words.names_of(port, starboard_mirrored)
    itself = names.one == STARBOARD_HALF and names.other == PORT_HALF
    # A part and its own copy are one piece: that it fits itself turned over says nothing.
    notes = [] if itself else [*suspicions(pair, best, names)]
    if not itself and not any(note.code == NOT_A_PAIR for note in notes):
        notes += no_pair(pair, best, rigid, job, names)
    alone = _starboard_alone(pair, best, job, names)
    doubted = {note.code for note in notes} & {NOT_A_PAIR, OTHER_PART, TURNED_APART}
    if not doubted:
        # Of two things that are not a pair, no difference is worth a word.
        if "centreline" in ways:
            notes.append(words.rigid_note(rigid, opened, job, names))
        notes += (*alone, *words.difference_notes(seen, job, names))
    one_part = None if doubted or alone else _one_part(fitted)
    return SideComparison(
        port=port,
        starboard_mirrored=starboard_mirrored,
        tolerance_mm=job.tolerance_mm,
        alignments=alignments,
        rigid=rigid,
        edges=compare_edges(port, starboard_mirrored),
        corners=corners,
        area_mm2=(_wood(port), _wood(starboard_mirrored)),
        verdict=_verdict(doubted, alignments[0], fitted, job, names),
        one_part_serves_both=one_part,
        take_off=() if doubted else take_off(seen, job.tolerance_mm),
        notes=tuple(notes),
    )


def _ways(pair: Pair) -> tuple[dict[Datum, Laid], Floats]:
    """Every alignment that these two allow, the verdict's first; and the best fit as a matrix."""
    on_corner = corner_and_edge(pair)
    fitted, functional = best_fit(pair, on_corner)
    ways: dict[Datum, Laid] = {}
    if pair.port.datum == pair.mirrored.datum == "centreline":
        ways["centreline"] = on_datum(pair)
    else:
        ways["best fit"] = fitted
    if on_corner is not None:
        ways["corner and edge"] = on_corner
    ways.setdefault("best fit", fitted)
    return ways, functional


def _alignment(pair: Pair, datum: Datum, laid: Laid, job: JobFacts, options: Options) -> Alignment:
    return Alignment(
        datum=datum,
        turn_rad=laid.motion.turn_rad,
        shift_mm=laid.motion.shift_mm,
        gap_mm=laid.gap_mm,
        u95_mm=laid.u95_mm,
        stations=stations(pair.port, pair.normals, laid, job.tolerance_mm, options.stretch_mm),
    )


def _verdict(
    doubted: Collection[str], first: Alignment, fitted: Alignment, job: JobFacts, names: words.Names
) -> str:
    if NOT_A_PAIR in doubted:
        return words.not_a_pair(names)
    if OTHER_PART in doubted:
        return words.other_part(names)
    if TURNED_APART in doubted:
        return words.turned_apart(fitted, job, names)
    return words.verdict_sentence(first, fitted, job, names)


def _one_part(fitted: Alignment) -> bool | None:
    """Whether one shape, flipped, fits both corners within tolerance; None: cannot tell."""
    verdicts = {s.verdict for s in fitted.stations}
    if Verdict.DIFFERENT in verdicts:
        return False
    return None if Verdict.CANNOT_TELL in verdicts or not verdicts else True


def _wood(pattern: RegisteredPattern) -> float:
    """Area of the face, holes taken off, mm2."""
    lines = (pattern.outline.ring, *pattern.outline.of_role("hole"))
    edge, *holes = (abs(signed_area(line.points_mm)) for line in lines)
    return edge - sum(holes)


def _rigid(
    pair: Pair, ways: dict[Datum, Laid], functional: Floats, opened: words.Opened | None
) -> RigidDifference:
    """How mirrored starboard is turned and shifted as a whole: what the best fit has to undo.

    On the pencil lines, else on corner and edge; the shift is that of the outer
    corner.  A corner that is wider on one side makes a best fit turn too, so
    rack is named only beyond what the corner's own difference can explain.
    """
    laid = ways.get("centreline", ways.get("corner and edge"))
    best = ways["best fit"]
    motion, covariance = IDENTITY, np.zeros((3, 3))
    if laid is not None:
        motion = compose(laid.motion, inverse(best.motion))
        moved = functional @ laid.table_mm
        covariance = moved @ moved.T + pair.spread(functional, laid.variance_mm2)
    at = _pivot(pair)
    shift = apply(motion, at[None])[0] - at
    # Motion about (0, 0) carried to the corner.
    carry = np.array([[-at[1], 1.0, 0.0], [at[0], 0.0, 1.0]])
    shift_u95 = COVERAGE_FACTOR * np.sqrt(np.diag(carry @ covariance @ carry.T))
    turn = float(np.degrees((motion.turn_rad + np.pi) % (2 * np.pi) - np.pi))
    turn_u95 = float(np.degrees(COVERAGE_FACTOR * np.sqrt(covariance[0, 0])))
    by_corner = 0.0 if opened is None else abs(opened.angles.whole_deg)
    return RigidDifference(
        turn_deg=turn,
        turn_u95_deg=turn_u95,
        shift_mm=(float(shift[0]), float(shift[1])),
        shift_u95_mm=(float(shift_u95[0]), float(shift_u95[1])),
        rack_named="centreline" in ways and abs(turn) > turn_u95 + by_corner,
    )


def _opened(port: RegisteredPattern, corners: tuple[CornerComparison, ...]) -> words.Opened | None:
    angles = next((c for c in corners if c.name == OUTER), None)
    if angles is None or port.origin_corner is None:
        return None
    arms = edges_at(port.outline, port.origin_corner)
    return words.Opened(angles, max(edge.length_mm for edge in arms))


def _pivot(pair: Pair) -> Floats:
    """The outer corner of port's outline, else its middle (2,)."""
    if pair.port.origin_corner is None:
        return np.asarray(pair.ring.points_mm.mean(axis=0))
    index = pair.port.outline.corners[pair.port.origin_corner].index
    return np.asarray(pair.ring.points_mm[index])


def _starboard_alone(pair: Pair, best: Laid, job: JobFacts, names: words.Names) -> tuple[Note, ...]:
    """Look back: a part of starboard's outline farther from port's than any gap that was found."""
    points = apply(best.motion, pair.other.points_mm)
    away = np.where(pair.other.seen, pair.own.distances(points), 0.0)
    known = best.gap_mm[np.isfinite(best.gap_mm)]
    worst = int(np.argmax(away))
    if not len(known) or away[worst] <= np.abs(known).max() + job.tolerance_mm:
        return ()
    x, y = points[worst]
    return (words.starboard_alone((float(x), float(y)), float(away[worst]), job, names),)
