"""The reference line as printed tags that lie on it tell it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spilemark.circles import is_closed_mark
from spilemark.frames import left_normals
from spilemark.lens import mm_per_px_across, plane_sensitivity
from spilemark.records import Floats, Note, Outline, Polyline, Side
from spilemark.tags import ONE_TAG_LINE, TAGS_LINE, TICK_PER_CENTRE, TICK_REACH_MM, LaidTag
from spilemark_stages.register.pencil import StraightLine, straight_fit

_ASKEW_DEG = 3.0
"""A tag whose own axis lies farther off the line through all of them was not laid on it:
ticks laid 0.3 mm off lie half a degree askew."""
_OFF_SIGMAS = 3.5
_SAME_DEG = 3.0
_LEAST_SHARE = 0.3
"""A pencil line at least this long, as a share of the way from tag to tag, is better measured itself."""


def line_of_tags(outline: Outline, tags: Sequence[LaidTag], laid_mm: float) -> Polyline | None:
    """The line through the line tags on a face, None without any.

    Two or more tell it by their centres; one alone by its own two ticks.

    Parameters
    ----------
    outline : Outline
        In the plane frame, for its causes.
    tags : sequence of LaidTag
    laid_mm : float
        How far beside the pencil line a person lays a tick, one sigma.
    """
    on_line = [tag for tag in tags if tag.says == "line"]
    if not on_line:
        return None
    if len(on_line) == 1:
        reach = TICK_REACH_MM * on_line[0].ahead
        points = np.array([on_line[0].at_mm - reach, on_line[0].at_mm + reach])
        whose = [on_line[0]] * 2
        laid, reach_out = np.full(2, laid_mm), TICK_PER_CENTRE
    else:
        ahead = on_line[0].ahead
        on_line = sorted(on_line, key=lambda tag: float(tag.at_mm @ ahead))
        points = np.array([tag.at_mm for tag in on_line])
        whose = on_line
        # Its centre is the middle of its two ticks.
        laid, reach_out = np.full(len(points), laid_mm / np.sqrt(2.0)), 1.0
    normals = left_normals(points, closed=False)
    sensitivity = np.zeros((len(points), len(outline.causes)))
    read = np.zeros(len(points))
    for k, tag in enumerate(whose):
        for sighting, view in tag.seen:
            at, across = points[k : k + 1], normals[k : k + 1]
            row = plane_sensitivity(at, across, view.plane)[0]
            sensitivity[k, : len(row)] += row / len(tag.seen)
            mm = float(mm_per_px_across(at, across, view.plane)[0])
            read[k] += (reach_out * sighting.sigma_px * mm / len(tag.seen)) ** 2
    return Polyline(
        role="centreline",
        points_mm=points,
        sigma_mm=np.sqrt(laid**2 + read),
        sensitivity_mm=sensitivity,
        seen=np.ones(len(points), dtype=bool),
        name=ONE_TAG_LINE if len(on_line) == 1 else TAGS_LINE,
    )


def pencil_under(outline: Outline, tagged: Polyline) -> Polyline | None:
    """The measured pencil line that the tags lie on, if one shows: it tells the place better.

    The tags' own papers hide parts of it: what shows between and beyond them is one line.
    """
    way = straight_fit(tagged)
    lines = [*outline.of_role("centreline"), *outline.of_role("mark")]
    straight = [p for p in lines if len(p.points_mm) >= 2 and not is_closed_mark(p)]
    under = [line for line in straight if _lies_under(straight_fit(line), way, tagged)]
    return _one_line(under, way) if under else None


def _one_line(pieces: Sequence[Polyline], way: StraightLine) -> Polyline:
    """Pieces of one drawn line as one; of two that lie beside each other the longer."""
    taken: list[tuple[float, float, Polyline]] = []
    for piece in sorted(pieces, key=lambda p: -straight_fit(p).length_mm):
        along = piece.points_mm @ way.along
        low, high = float(along.min()), float(along.max())
        if all(high < start or low > stop for start, stop, _ in taken):
            taken.append((low, high, piece))
    if len(taken) == 1:
        return taken[0][2]
    every = [piece for _, _, piece in taken]
    order = np.argsort(np.concatenate([p.points_mm @ way.along for p in every]), kind="stable")
    return replace(
        every[0],
        points_mm=np.concatenate([p.points_mm for p in every])[order],
        sigma_mm=np.concatenate([p.sigma_mm for p in every])[order],
        sensitivity_mm=np.concatenate([_leftward(p, way) for p in every])[order],
        seen=np.concatenate([p.seen for p in every])[order],
        by_hand=np.concatenate([p.by_hand for p in every])[order],
    )


def _leftward(piece: Polyline, way: StraightLine) -> Floats:
    """A piece's sensitivity (N, K) along the left normal of the common way."""
    ahead = float((piece.points_mm[-1] - piece.points_mm[0]) @ way.along) > 0
    return piece.sensitivity_mm if ahead else -piece.sensitivity_mm


def _lies_under(pencil: StraightLine, way: StraightLine, tagged: Polyline) -> bool:
    if pencil.length_mm < _LEAST_SHARE * way.length_mm or _turn_deg(pencil, way) > _SAME_DEG:
        return False
    off = _offsets(tagged.points_mm, pencil)
    return bool((np.abs(off) < _OFF_SIGMAS * tagged.sigma_mm).all())


def tag_notes(
    side: Side,
    tags: Sequence[LaidTag],
    tagged: Polyline,
    taken: Polyline,
    traced: Polyline | None,
) -> list[Note]:
    """What is to be said of line tags and of how they lie to the line that was taken.

    Parameters
    ----------
    side : Side
    tags : sequence of LaidTag
        All on the face.
    tagged : Polyline
        The line through the line tags.
    taken : Polyline
        The line that the pattern is laid on.
    traced : Polyline or None
        The pencil line that tracing took for the reference line.
    """
    notes = []
    on_line = [tag for tag in tags if tag.says == "line"]
    way = straight_fit(tagged)
    names = " and ".join(tag.name for tag in on_line)
    if taken is not tagged:
        off = float(np.abs(_offsets(tagged.points_mm, straight_fit(taken))).max())
        if (
            taken.name == "given"
            or taken.by_hand.any()
            or off > _OFF_SIGMAS * tagged.sigma_mm.max()
        ):
            notes.append(_beside(side, names, off))
        else:
            notes.append(_confirmed(side, names, off))
    elif traced is not None:
        off = float(np.abs(_offsets(tagged.points_mm, straight_fit(traced))).max())
        notes.append(_another_line(side, names, off))
    if len(on_line) > 1:
        notes += [_askew(side, tag, way) for tag in on_line if _tag_turn_deg(tag, way) > _ASKEW_DEG]
    return notes


def _offsets(points: Floats, line: StraightLine) -> Floats:
    return np.asarray((points - line.middle_mm) @ np.array([-line.along[1], line.along[0]]))


def _turn_deg(one: StraightLine, other: StraightLine) -> float:
    return float(np.degrees(np.arccos(min(1.0, abs(float(one.along @ other.along))))))


def _tag_turn_deg(tag: LaidTag, way: StraightLine) -> float:
    return float(np.degrees(np.arccos(min(1.0, abs(float(tag.ahead @ way.along))))))


def _confirmed(side: Side, names: str, off_mm: float) -> Note:
    return Note(
        code="tags-on-line",
        severity="info",
        text=f"The tags {names} on the {side} pattern lie on a pencil line that shows, {off_mm:.1f} "
        "mm beside it at most: the pencil line was measured, which is finer than a tag is laid.",
        value=off_mm,
        unit="mm",
    )


def _beside(side: Side, names: str, off_mm: float) -> Note:
    return Note(
        code="tags-beside-line",
        severity="warn" if off_mm > 1.0 else "info",
        text=f"The line of the {side} pattern was set by hand; the tags {names} lie {off_mm:.1f} mm "
        "beside it at most. The one set by hand counts.",
        value=off_mm,
        unit="mm",
    )


def _another_line(side: Side, names: str, off_mm: float) -> Note:
    return Note(
        code="tags-off-line",
        severity="warn",
        text=f"A pencil line runs over the {side} pattern, {off_mm:.1f} mm from the tags {names} at "
        "most. The tags say where the reference line is, so they were taken. If they should lie on "
        "that line, lay them on it and photograph again, or leave them out: --tags ignore.",
        value=off_mm,
        unit="mm",
    )


def _askew(side: Side, tag: LaidTag, way: StraightLine) -> Note:
    turn = _tag_turn_deg(tag, way)
    return Note(
        code="tag-askew",
        severity="warn",
        text=f"The tag {tag.name} on the {side} pattern lies {turn:.0f} degrees askew to the line "
        "through the line tags: are both its ticks on the pencil line?",
        value=turn,
        unit="deg",
        at_mm=None,
    )
