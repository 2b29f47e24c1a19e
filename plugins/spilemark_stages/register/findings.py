"""What a builder should know of a pattern's line and face."""

from __future__ import annotations

import numpy as np

from spilemark.records import JobFacts, Note, Outline, Side
from spilemark_stages.register.pencil import BENT_MM, StraightLine

_SHORT_LINE_MM = 60.0


def face_assumed(side: Side) -> Note:
    """Say that the upper face was taken for the photographed one."""
    return Note(
        code="face-assumed",
        severity="info",
        text=f"Nothing says which face of the {side} pattern was photographed; the upper one was"
        " taken (--face down if it lay on its face).",
    )


def line_notes(
    outline: Outline, side: Side, line: StraightLine | None, job: JobFacts
) -> list[Note]:
    """What is to be said of a pattern's reference line, or of its absence."""
    if line is None:
        return [
            Note(
                code="no-reference-line",
                severity="warn",
                text=f"No reference line was found on the {side} pattern. The template is"
                " made; the sides are compared by best fit and by corner and edge, and nothing"
                " is said about the boat's centreline. If there is a line, give its ends:"
                f" --centreline {side}:x1,y1,x2,y2.",
            )
        ]
    notes = []
    if line.bow_mm > BENT_MM:
        notes.append(
            Note(
                code="line-bent",
                severity="warn",
                text=f"The reference line of the {side} pattern bends by"
                f" {line.bow_mm:.1f} mm; the pattern lies on its straight mean.",
                value=line.bow_mm,
                unit="mm",
            )
        )
    if line.length_mm < _SHORT_LINE_MM:
        reach = float(np.ptp(outline.ring.points_mm @ np.eye(2), axis=0).max())
        doubt = job.line_doubt_mm * np.sqrt(2) / line.length_mm * reach
        notes.append(
            Note(
                code="line-short",
                severity="warn",
                text=f"The reference line of the {side} pattern is only"
                f" {line.length_mm:.0f} mm long: drawn {job.line_doubt_mm:g} mm off at"
                f" an end it puts the far toe off by {doubt:.1f} mm. Trust the answers by best"
                " fit and by corner and edge more.",
                value=line.length_mm,
                unit="mm",
            )
        )
    if job.centreline_offset_mm is None and side is not Side.SINGLE:
        notes.append(
            Note(
                code="offset-unknown",
                severity="info",
                text=f"The distance of the {side} line from the boat's centreline was not"
                " stated (--centreline-offset): the shape and the comparison are right, the"
                " place in the boat is not claimed.",
            )
        )
    return notes
