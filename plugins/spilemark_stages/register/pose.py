"""Which way a pattern lies: where forward is, which corner is the outer one, which edge whose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from spilemark.corners import (
    OuterCorner,
    chord,
    edge_span,
    edges_at,
    has_arms,
    outer_corner_candidates,
    rivals,
    straightest,
)
from spilemark.errors import UsageError
from spilemark.names import BREASTHOOK, QUARTER_KNEE, Vocabulary
from spilemark.records import Edge, Floats, Note, Outline, Side
from spilemark.sides import SURE_SHARE, transom_side
from spilemark_stages.register import findings
from spilemark_stages.register.pencil import StraightLine

OFF_LINE_SHARE = 0.15
"""A point given as forward must lie this far along the line to tell its ends apart."""

SAME_CORNER_SHARE = 0.15
"""Candidates for the outer corner within this share of the pattern's size are one corner."""

NOSE_SHARE = 0.15
"""A breasthook's nose lies this near to its line, as a share of the part's breadth."""


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """How a pattern, its face turned up, is to be turned, and what its parts are."""

    forward: Floats
    """(2,) unit direction of the bow, plane frame."""
    outer: OuterCorner | None
    transom: Literal["before", "after"] | None
    """Which of the outer corner's two edges lies athwartships."""
    words: Vocabulary | None
    notes: tuple[Note, ...] = ()
    laid_on: tuple[Edge, Edge] | None = None
    """Without a line: the edge that it is laid on, and the other one at the outer corner."""

    @property
    def forward_known(self) -> bool:
        """Whether it was told, or could be told, which end is forward."""
        return all(note.code != findings.FORWARD_UNKNOWN for note in self.notes)

    @property
    def hull_first(self) -> bool:
        """Whether a walk in ring order leaves the outer corner along the hull (or starboard) edge."""
        return self.transom == "before"

    @property
    def corner(self) -> int | None:
        """The outer corner's index; of a clipped one, the end on the transom (or port) edge."""
        if self.outer is None:
            return None
        return self.outer.corners[0 if self.hull_first else -1]


@dataclass(slots=True)
class _Signs:
    """What was found on the way to a pose."""

    side: Side
    notes: list[Note] = field(default_factory=list)


def pose_on_line(outline: Outline, side: Side, line: StraightLine, ahead: Floats | None) -> Pose:
    """Turn a pattern by its pencil line.

    Parameters
    ----------
    outline : Outline
        Face up.
    side : Side
    line : StraightLine
    ahead : (2,) array or None
        A stated point towards the bow.

    Raises
    ------
    UsageError
        The stated point lies abeam of the line.
    """
    signs = _Signs(side)
    tied = rivals(outer_corner_candidates(outline))
    if not tied:
        signs.notes.append(findings.no_corner())
    outer = max(tied, key=lambda c: abs(_starboard_of(outline, c, line, line.along)), default=None)
    sure = outer is not None and _at_one_place(outline, tied) and _is_knee(outline, outer)
    knee = outer if sure else None
    if ahead is not None:
        forward = _pointed(side, line, ahead)
        _check_hand(signs, outline, knee, line, forward)
    else:
        forward = _deduced(signs, outline, outer, knee, line)
    transom = _transom(outline, knee, side, line.along)
    if ahead is None and outer is not None and transom is not None and side is not Side.SINGLE:
        _check_stern(signs, outline, outer, forward, transom)
    words = QUARTER_KNEE if side is not Side.SINGLE and transom is not None else None
    if side is Side.SINGLE and len(tied) == 1 and _is_nose(outline, tied[0], line, forward):
        # Anticlockwise from the nose comes the port edge.
        words, transom = BREASTHOOK, "after"
    return Pose(forward, outer, transom, words, tuple(signs.notes))


def _is_knee(outline: Outline, outer: OuterCorner) -> bool:
    """Whether its corner tells which way it lies: not of another form, nor of a part of a pattern."""
    return outline.whole and has_arms(outline, outer)


def _at_one_place(outline: Outline, tied: Sequence[OuterCorner]) -> bool:
    """Whether corners that shape cannot tell apart are one and the same, clipped or not."""
    points = np.array([_corner_point(outline, corner) for corner in tied])
    size = float(np.linalg.norm(np.ptp(outline.ring.points_mm, axis=0)))
    return bool(np.linalg.norm(np.ptp(points, axis=0)) < SAME_CORNER_SHARE * size)


def _corner_point(outline: Outline, outer: OuterCorner) -> Floats:
    index = [outline.corners[k].index for k in outer.corners]
    return np.asarray(outline.ring.points_mm[index].mean(axis=0))


def _starboard_of(
    outline: Outline, outer: OuterCorner, line: StraightLine, forward: Floats
) -> float:
    """How far the outer corner lies to starboard of the line, mm."""
    away = _corner_point(outline, outer) - line.middle_mm
    return float(away[0] * forward[1] - away[1] * forward[0])


def _outboard(
    outline: Outline, outer: OuterCorner | None, side: Side, line: StraightLine, forward: Floats
) -> float | None:
    """How far the outer corner lies outboard of the line, mm; None where that tells nothing."""
    if outer is None or side is Side.SINGLE:
        return None
    x = _starboard_of(outline, outer, line, forward)
    size = float(np.linalg.norm(np.ptp(outline.ring.points_mm, axis=0)))
    if abs(x) < 0.2 * SURE_SHARE * size:
        return None
    return x if side is Side.STARBOARD else -x


def _pointed(side: Side, line: StraightLine, ahead: Floats) -> Floats:
    way = ahead - line.middle_mm
    share = float(way @ line.along) / max(float(np.linalg.norm(way)), 1e-9)
    if abs(share) < OFF_LINE_SHARE:
        raise UsageError(
            f"The point given as forward for {side} lies abeam of the pencil line, not towards "
            "one of its ends.",
            "Point towards the bow end of the line: --forward x,y in pixels of the photo as you "
            "see it upright.",
        )
    return np.asarray(line.along * np.sign(share))


def _deduced(
    signs: _Signs,
    outline: Outline,
    outer: OuterCorner | None,
    knee: OuterCorner | None,
    line: StraightLine,
) -> Floats:
    """Forward from the side: a knee's outer corner lies outboard when the face is up."""
    outboard = _outboard(outline, knee, signs.side, line, line.along)
    if outboard is not None:
        signs.notes.append(findings.forward_deduced(signs.side))
        return np.asarray(line.along * np.sign(outboard))
    signs.notes.append(findings.forward_unknown(signs.side))
    if outer is None:
        return line.along
    # Laid with the outer corner ahead, as a breasthook's nose is; the note says that it may be wrong.
    away = _corner_point(outline, outer) - outline.ring.points_mm.mean(axis=0)
    return np.asarray(line.along * (np.sign(float(away @ line.along)) or 1.0))


def _check_hand(
    signs: _Signs,
    outline: Outline,
    outer: OuterCorner | None,
    line: StraightLine,
    forward: Floats,
) -> None:
    outboard = _outboard(outline, outer, signs.side, line, forward)
    if outboard is not None and outboard < 0:
        signs.notes.append(findings.wrong_hand(signs.side))


def _check_stern(
    signs: _Signs,
    outline: Outline,
    outer: OuterCorner,
    forward: Floats,
    transom: Literal["before", "after"],
) -> None:
    """A quarter knee lies forward of its transom; one of a bow transom lies aft of it."""
    run = outer.before if transom == "before" else outer.after
    ends = [outline.corners[k].index for k in (run.first, run.last)]
    middle = outline.ring.points_mm[ends].mean(axis=0)
    if float((outline.ring.points_mm.mean(axis=0) - middle) @ forward) < 0:
        signs.notes.append(findings.aft_of_transom(signs.side))


def _transom(
    outline: Outline, outer: OuterCorner | None, side: Side, along: Floats
) -> Literal["before", "after"] | None:
    if outer is None or side is Side.SINGLE:
        return None
    # Where the line stands alike to both edges, the hand of a stern knee decides.
    by_hand: Literal["before", "after"] = "after" if side is Side.PORT else "before"
    return transom_side(outline, outer, along) or by_hand


def _is_nose(outline: Outline, outer: OuterCorner, line: StraightLine, forward: Floats) -> bool:
    ring = outline.ring.points_mm
    breadth = float(np.ptp(ring @ np.array([forward[1], -forward[0]])))
    ahead = float((_corner_point(outline, outer) - ring.mean(axis=0)) @ forward)
    return ahead > 0 and abs(_starboard_of(outline, outer, line, forward)) < NOSE_SHARE * breadth


def pose_without_line(outline: Outline, side: Side, ahead: Floats | None) -> Pose:
    """Turn a pattern that has no pencil line by its outer corner and the straight edge there.

    A stern knee's transom edge lies aft; a stated point ahead may say that it
    is a bow knee, whose transom edge lies forward.
    """
    candidates = outer_corner_candidates(outline)
    if not candidates:
        return _pose_by_length(outline, side, ahead)
    outer = candidates[0]
    sure = _at_one_place(outline, rivals(candidates)) and _is_knee(outline, outer)
    if side is Side.SINGLE or not sure:
        return _square_without_line(outline, side, outer, ahead)
    stern: Literal["before", "after"] = "after" if side is Side.PORT else "before"
    bow: Literal["before", "after"] = "before" if side is Side.PORT else "after"
    transom, notes = stern, [findings.forward_deduced(side)]
    if ahead is not None:
        notes = []
        away = ahead - outline.ring.points_mm.mean(axis=0)
        if float(away @ _into_wood(outline, outer, stern)) < float(
            away @ -_into_wood(outline, outer, bow)
        ):
            transom = bow
    edge, other = _laid_on(outline, outer, transom)
    inboard = _away(outline, edge, outer)
    leaves = edge.start == _index(outline, outer, -1)
    if leaves != (transom == "after"):
        # It is the hull edge, which runs forward from a stern.
        forward = inboard if transom == stern else -inboard
    else:
        # Port's transom edge leaves the outer corner to starboard, starboard's to port.
        turn = np.array([[0.0, -1.0], [1.0, 0.0]])
        forward = turn @ inboard if side is Side.PORT else turn.T @ inboard
    return Pose(forward, outer, transom, QUARTER_KNEE, tuple(notes), (edge, other))


def _into_wood(outline: Outline, outer: OuterCorner, transom: Literal["before", "after"]) -> Floats:
    """Unit normal of the transom edge into the wood, which lies on the left of a ring's travel."""
    run = outer.before if transom == "before" else outer.after
    along = chord(outline, run) / run.chord_mm
    return np.array([-along[1], along[0]])


def _index(outline: Outline, outer: OuterCorner, which: Literal[0, -1]) -> int:
    return outline.corners[outer.corners[which]].index


def _laid_on(
    outline: Outline, outer: OuterCorner, transom: Literal["before", "after"]
) -> tuple[Edge, Edge]:
    """The straighter of the two edges at the outer corner (the transom's if both are), the other."""
    before, after = edges_at(outline, outer.corners[0 if transom == "before" else -1])
    if len(outer.corners) > 1:
        # Beyond a clip, only the edge on whose end the corner was taken is an outer edge.
        return (before, after) if transom == "before" else (after, before)
    pair = (before, after) if transom == "before" else (after, before)
    first = straightest(outline.ring.points_mm, pair)
    return pair[first], pair[1 - first]


def _away(outline: Outline, edge: Edge, outer: OuterCorner) -> Floats:
    """Unit direction (2,) of an edge's straight fit, away from the outer corner."""
    ring = outline.ring.points_mm
    points = ring[edge_span(edge, len(ring))]
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    return np.asarray(along * np.sign(float(along @ (middle - _corner_point(outline, outer)))))


def _square_without_line(
    outline: Outline, side: Side, outer: OuterCorner, ahead: Floats | None
) -> Pose:
    """Laid square on the straight edge, forward as nearly as the stated point tells."""
    edge, other = _laid_on(outline, outer, "after")
    along = _away(outline, edge, outer)
    quarter = np.array([[0.0, -1.0], [1.0, 0.0]])
    ways = [along, quarter @ along, -along, quarter.T @ along]
    notes = () if ahead is not None else (findings.forward_unknown(side),)
    way = _corner_point(outline, outer) if ahead is None else ahead
    way = way - outline.ring.points_mm.mean(axis=0)
    forward = max(ways, key=lambda w: float(w @ way))
    return Pose(forward, outer, "after", None, notes, (edge, other))


def _pose_by_length(outline: Outline, side: Side, ahead: Floats | None) -> Pose:
    """Neither line nor corner: the longest way of the shape points forward."""
    ring = outline.ring.points_mm
    along = np.linalg.svd(ring - ring.mean(axis=0), full_matrices=False)[2][0]
    notes: tuple[Note, ...] = (findings.no_corner(), findings.forward_unknown(side))
    if ahead is not None:
        notes = notes[:1]
        along = along * (np.sign(float(along @ (ahead - ring.mean(axis=0)))) or 1.0)
    return Pose(np.asarray(along), None, None, None, notes)
