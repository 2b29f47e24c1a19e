"""What a builder should know of how a pattern was laid, in his words."""

from __future__ import annotations

import math

from spilemark.records import Floats, JobFacts, Note, Side
from spilemark.tags import ONE_TAG_LINE, TAG_LAID_MM, TAGS_LINE
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark.units import format_fine, format_length
from spilemark_stages.register.edge_direction import EdgeDirection
from spilemark_stages.register.pencil import BENT_MM, StraightLine

STRAIGHT_MM = 0.5
"""An edge that bows by more is not as straight as its direction is good."""


def face_assumed(side: Side) -> Note:
    """The upper face was taken for the photographed one."""
    return Note(
        code="face-assumed",
        severity="info",
        text=f"The upper face of the {side} pattern was taken as the one in the picture "
        f"(--face {side}:down if not).",
    )


FORWARD_UNKNOWN = "forward-unknown"


def forward_deduced(side: Side) -> Note:
    """Forward follows from the side and the face."""
    return Note(
        code="forward-deduced",
        severity="info",
        text=f"Forward on the {side} pattern was told by its outer corner, which lies outboard "
        f"(--forward {side}:x,y to say it yourself).",
    )


def forward_unknown(side: Side) -> Note:
    """Nothing tells which end is forward: asked, and meanwhile laid one way."""
    return Note(
        code=FORWARD_UNKNOWN,
        severity="warn",
        text=f"Which end of the {side} pattern is forward? Nothing tells. The shape is right, but "
        "it may lie end for end, so the template shows no FWD. Point to the bow with "
        f"--forward {side}:x,y, in pixels of the photo as you see it upright.",
    )


def wrong_hand(side: Side) -> Note:
    """The outer corner lies inboard: face down, sides swapped, or forward pointed wrongly."""
    other = Side.STARBOARD if side is Side.PORT else Side.PORT
    return Note(
        code="wrong-hand",
        severity="warn",
        text=f"With forward as you gave it, the outer corner of the {side} pattern lies inboard of "
        f"its line, as a {other} pattern's would: it was photographed face down (--face "
        f"{side}:down), or port and starboard are swapped, or the bow is at the line's other end.",
    )


def aft_of_transom(side: Side) -> Note:
    """A deduced forward makes it a bow knee."""
    return Note(
        code="aft-of-transom",
        severity="warn",
        text=f"As the {side} pattern was taken to lie, its wood is aft of its athwartships edge. "
        "That is right for a knee at a bow transom. If it is a stern knee, it was photographed "
        f"face down (--face {side}:down), or port and starboard are swapped.",
    )


def no_corner() -> Note:
    """No outer corner was found."""
    return Note(
        code="no-outer-corner",
        severity="info",
        text="No corner between two long outer edges was found; a rough edge can hide it. Edges are "
        "numbered, and the place along the line is counted from the pattern's after end.",
    )


def no_line(side: Side) -> Note:
    """The pattern has no reference line: made, compared by shape, not placed in the boat."""
    return Note(
        code="no-reference-line",
        severity="warn",
        text=f"No reference line was found on the {side} pattern. The template is made; the sides "
        "are compared by corner and edge and by best fit, and nothing is said about the boat's "
        f"centreline. If there is a line, give its ends: --centreline {side}:x1,y1,x2,y2.",
    )


def offset_unknown(side: Side) -> Note:
    """The line's distance from the boat's centreline was not stated."""
    return Note(
        code="offset-unknown",
        severity="info",
        text=f"The distance of the {side} line from the boat's centreline was not told "
        "(--centreline-offset): the place in the boat is not claimed.",
    )


def line_notes(
    side: Side,
    line: StraightLine,
    name: str,
    toe_mm: float,
    angle_rad: float,
    job: JobFacts,
    told: EdgeDirection | None,
) -> list[Note]:
    """What is to be said of a pattern's reference line.

    Parameters
    ----------
    side : Side
    line : StraightLine
    name : str
        What its polyline is called.
    toe_mm : float
        How far off (95 %) the line's own doubt puts the worst point of the pattern.
    angle_rad : float
        Doubt of its direction, one sigma.
    job : JobFacts
    told : EdgeDirection or None
        The edge that tells its direction.
    """
    notes = [] if told is None else [_by_edge(side, line, told, toe_mm, job)]
    if line.bow_mm > BENT_MM:
        notes.append(
            Note(
                code="line-bent",
                severity="warn",
                text=f"The reference line of the {side} pattern bends by {line.bow_mm:.1f} mm; the "
                "pattern lies on its straight mean.",
                value=line.bow_mm,
                unit="mm",
            )
        )
    if toe_mm > job.tolerance_mm and told is None:
        degrees = math.degrees(COVERAGE_FACTOR * angle_rad)
        length, toe = (format_length(v, job.units) for v in (line.length_mm, toe_mm))
        notes.append(
            Note(
                code="line-short",
                severity="info",
                text=f"The reference line of the {side} pattern is {length} long, and {_good_to(name, job)} "
                f"at its ends, so it tells its direction to ±{degrees:.2f} degrees and where the far toe lies to ±{toe} only. "
                "Draw a longer one next time, or say which edge is square to it "
                '(--line-from-edge "square to transom edge"); meanwhile trust what is said by '
                "corner and edge and by best fit more.",
                value=toe_mm,
                unit="mm",
            )
        )
    if job.centreline_offset_mm is None and side is not Side.SINGLE:
        notes.append(offset_unknown(side))
    return notes


def _good_to(name: str, job: JobFacts) -> str:
    """How well the ends of a line are laid, twice the standard deviation, in words."""
    if name in (TAGS_LINE, ONE_TAG_LINE):
        laid = 2 * math.hypot(TAG_LAID_MM, job.line_doubt_mm)
        return f"a tag is laid on it to about {laid:.1f} mm"
    return f"a pencil line is good to about {2 * job.line_doubt_mm:.1f} mm"


def _by_edge(
    side: Side, line: StraightLine, told: EdgeDirection, toe_mm: float, job: JobFacts
) -> Note:
    """An edge told the direction: how well, and what a tick alone would have told."""
    length, toe = (format_length(v, job.units) for v in (line.length_mm, toe_mm))
    alone = math.degrees(COVERAGE_FACTOR * math.sqrt(2.0) * job.line_doubt_mm / line.length_mm)
    bent = (
        f" That edge bows by {told.bow_mm:.1f} mm; its straight mean was taken."
        if told.bow_mm > STRAIGHT_MM
        else ""
    )
    return Note(
        code="line-by-edge",
        severity="info",
        text=f"The line of the {side} pattern is {length} long: it tells where the line is, and "
        f"the {told.edge} which way it runs; the far toe lies to ±{toe}, if that edge was cut true. "
        f"By itself the tick would tell its direction to ±{alone:.1f} degrees only.{bent}",
        value=toe_mm,
        unit="mm",
    )


def not_symmetric(
    name: str, starboard: Floats, port: Floats, apart_mm: float, u95_mm: float, job: JobFacts
) -> Note:
    """A part on the centreline is not the same on both sides of its line."""
    x, y = starboard
    apart, give = (format_fine(v, job.units, 1) for v in (apart_mm, u95_mm))
    across, along = abs(x) - abs(port[0]), y - port[1]
    way = (
        ("further out" if across > 0 else "further in")
        if abs(across) >= abs(along)
        else ("further forward" if along > 0 else "further aft")
    )
    return Note(
        code="not-symmetric",
        severity="info",
        text=f"The part is not the same on both sides of its line: the {name} corner lies {apart} "
        f"(±{give}) {way} to starboard than to port.",
        value=apart_mm,
        unit="mm",
        at_mm=(float(x), float(y)),
    )
