"""Which of two patterns in one photo is port's.

A quarter knee has a hand.  Seen from above with the bow up, a walk round port's
outline with the wood on the left passes the outer corner from the hull edge to
the transom edge; starboard's the other way.  So the pencil line (which tells
hull from transom), or the direction of the bow, tells the side.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from spilemark.corners import OuterCorner, chord, outer_corner_candidates, rivals
from spilemark.errors import UsageError
from spilemark.frames import signed_area, upright_to_stored
from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, JobFacts, Note, Outline, Side
from spilemark.tags import face_told, forward_told, read_tags, side_told

SURE_ANGLE_DEG = 15.0
"""Hull and transom edge must differ by this much in how square they stand to the line."""

_FAR_MM = 1e4
"""So far away, a point tells a direction from everywhere on a pattern alike."""

SURE_SHARE = 0.1
"""The outer corner must lie this far to one side, as a share of the pattern's size."""

_ASK = (
    "Give each side its own photo with --port and --starboard, or point to the bow with "
    "--forward both:x,y."
)


def assign_sides(
    outlines: Sequence[Outline], job: JobFacts
) -> tuple[dict[Side, Outline], tuple[Note, ...]]:
    """Tell port's outline from starboard's among those of the arm "both".

    Parameters
    ----------
    outlines : sequence of Outline
        Largest first, in one plane frame; the two largest are meant.
    job : JobFacts
        A PORT or STARBOARD tag tells whose pattern it lies on, else a centreline
        stated of one side; else ``forward_px`` decides where given, or tags with
        arrows.  A stated face is believed, or a tag that says it.

    Raises
    ------
    UsageError
        Nothing tells them apart, or a third piece is as large.
    """
    if len(outlines) < 2:
        raise UsageError(
            f"{len(outlines)} pattern was found where two were to be told apart.",
            "Give the photo with --port, --starboard or --single instead.",
        )
    tagged = _by_tags(outlines, job)
    if tagged is not None:
        return tagged
    _refuse_third(outlines)
    pair = (outlines[0], outlines[1])
    stated = _by_stated_line(pair, job)
    if stated is not None:
        return stated
    forward = forward_point(pair[0], job, "both", "port", "starboard")
    hands, how = _hands(pair, forward, job)
    by_tag = [face_told(read_tags(outline, job)) for outline in pair]
    faces = {job.face.get(str(side), "up") for side in (Side.PORT, Side.STARBOARD)}
    if len(faces) > 1 and not all(by_tag):
        raise UsageError(
            "One of the two patterns in the photo lies face down and the other face up, "
            "so both have the same hand and cannot be told apart.",
            "Give each side its own photo with --port and --starboard.",
        )
    # A pattern without a tag lies as was said of both, whatever a tag says of the other one.
    down = ["down" in (faces if told is None else {told[0]}) for told in by_tag]
    hands = [-h if h is not None and d else h for h, d in zip(hands, down, strict=True)]
    return _from_hands(pair, hands, how)


def forward_point(outline: Outline, job: JobFacts, *arms: str) -> Floats | None:
    """A point towards the bow (2,), in the outline's plane frame, mm; None if nothing tells it.

    The first of ``arms`` for which one was stated counts: what is said of one
    side before what is said of both.  Else a far point the way that the arrows
    of tags on the pattern tell.

    Raises
    ------
    UsageError
        The arrows contradict the stated point, or one another.
    """
    pixel = next((job.forward_px[arm] for arm in arms if arm in job.forward_px), None)
    if not outline.views:
        return None
    way = forward_told(read_tags(outline, job))
    middle = outline.ring.points_mm.mean(axis=0)
    if pixel is None:
        return None if way is None else np.asarray(middle + _FAR_MM * way)
    point: Floats = plane_points(outline, np.array([pixel]))[0]
    if way is not None and float(way @ (point - middle)) < 0:
        raise UsageError(
            "The point given with --forward lies one way, and the arrow of the tag on the pattern "
            "points the other.",
            "Leave --forward away if the tag lies right; if not, turn it and photograph again, or "
            "leave all tags out: --tags ignore.",
        )
    return point


def holds_line(outline: Outline, ends_px: tuple[float, float, float, float]) -> bool:
    """Whether the middle of a line, typed in upright pixels, lies on the pattern's face."""
    from shapely import Point, Polygon

    if not outline.views:
        return False
    middle = plane_points(outline, np.array(ends_px, dtype=np.float64).reshape(2, 2)).mean(axis=0)
    return bool(Polygon(outline.ring.points_mm).buffer(0).contains(Point(middle)))


def plane_points(outline: Outline, upright_px: Floats) -> Floats:
    """Upright pixels (N, 2) of an outline's first photo, on the pattern's face (N, 2), mm."""
    view = outline.views[0]
    photo = view.straight.photo
    stored = upright_to_stored(upright_px, photo.width_px, photo.height_px, photo.orientation)
    return pixels_to_plane(stored, view.plane)


def pencil_direction(outline: Outline) -> Floats | None:
    """Direction (2,) of the pencil line in the plane frame, either way along it; None without one."""
    lines = outline.of_role("centreline")
    if not lines:
        return None
    points = max(lines, key=lambda line: float(np.ptp(line.points_mm, axis=0).sum())).points_mm
    along = points[-1] - points[0]
    return np.asarray(along / np.linalg.norm(along))


def transom_side(
    outline: Outline, corner: OuterCorner, line: Floats
) -> Literal["before", "after"] | None:
    """Tell which of the outer corner's two edges is the transom's: the one squarer to the line.

    None where both stand alike.
    """
    angles = []
    for run in (corner.before, corner.after):
        along = chord(outline, run) / run.chord_mm
        angles.append(np.degrees(np.arccos(min(1.0, abs(float(along @ line))))))
    if abs(angles[0] - angles[1]) < SURE_ANGLE_DEG:
        return None
    return "before" if angles[0] > angles[1] else "after"


def _by_stated_line(
    pair: tuple[Outline, Outline], job: JobFacts
) -> tuple[dict[Side, Outline], tuple[Note, ...]] | None:
    """A line that was stated of one side lies on that side's pattern."""
    for side in (Side.PORT, Side.STARBOARD):
        line = job.centreline_px.get(str(side))
        if line is None:
            continue
        holding = [outline for outline in pair if holds_line(outline, line)]
        if len(holding) == 1:
            other = pair[0] if holding[0] is pair[1] else pair[1]
            port, starboard = (holding[0], other) if side is Side.PORT else (other, holding[0])
            how = f"the centreline that was given for {side}"
            return {Side.PORT: port, Side.STARBOARD: starboard}, (_note(port, starboard, how),)
    return None


def _by_tags(
    outlines: Sequence[Outline], job: JobFacts
) -> tuple[dict[Side, Outline], tuple[Note, ...]] | None:
    """Tell the sides by PORT and STARBOARD tags; one of them is enough for two patterns."""
    told = [(side_told(read_tags(outline, job)), outline) for outline in outlines]
    found: dict[Side, list[Outline]] = {Side.PORT: [], Side.STARBOARD: []}
    for said, outline in told:
        if said is not None:
            found[said[0]].append(outline)
    for side, several in found.items():
        if len(several) > 1:
            raise UsageError(
                f"Two patterns in the photo carry a tag that says {side.upper()}.",
                "Lay PORT on one and STARBOARD on the other and photograph again, or leave all "
                "tags out: --tags ignore.",
            )
    port, starboard = found[Side.PORT], found[Side.STARBOARD]
    if not port and not starboard:
        return None
    if not port or not starboard:
        _refuse_third(outlines)
        tagged = (port or starboard)[0]
        if tagged is outlines[0] or tagged is outlines[1]:
            other = outlines[1] if tagged is outlines[0] else outlines[0]
        else:
            return None
        port, starboard = (port or [other]), (starboard or [other])
    pair = {Side.PORT: port[0], Side.STARBOARD: starboard[0]}
    return pair, (_note(port[0], starboard[0], "the tag on it"),)


def _hands(
    pair: tuple[Outline, Outline], forward: Floats | None, job: JobFacts
) -> tuple[list[int | None], str]:
    """The hand of each, and what it was told by.

    Two patterns laid head to tail have one point ahead of only one of them, so
    a stated point that makes both the same hand gives way to their shapes.
    """
    by_shape = [_hand(outline, None) for outline in pair]
    arrows = [forward_told(read_tags(outline, job)) for outline in pair]
    if any(way is not None for way in arrows):
        hands = [
            shape if way is None else _hand(outline, way)
            for outline, shape, way in zip(pair, by_shape, arrows, strict=True)
        ]
        return hands, "the arrow of the tag on it"
    if forward is None:
        return by_shape, "its shape and its line"
    # One point stands for both, so the way to it is taken from between them.
    middle = np.mean([outline.ring.points_mm.mean(axis=0) for outline in pair], axis=0)
    by_forward = [_hand(outline, forward - middle) for outline in pair]
    if _opposite(by_shape) and not _opposite(by_forward):
        return by_shape, "its shape and its line"
    return by_forward, "the point that was given as forward"


def _opposite(hands: Sequence[int | None]) -> bool:
    return None not in hands and hands[0] != hands[1]


def _hand(outline: Outline, ahead: Floats | None) -> int | None:
    """-1 where it looks like port's with its face up, +1 like starboard's, None where unclear."""
    candidates = outer_corner_candidates(outline)
    if not candidates or len(rivals(candidates)) > 1:
        return None
    corner, line = candidates[0], pencil_direction(outline)
    if ahead is not None:
        return _hand_by_forward(outline, corner, ahead, line)
    if line is None:
        return None
    transom = transom_side(outline, corner, line)
    # Anticlockwise, port's transom edge begins at the outer corner.
    return {None: None, "after": -1, "before": 1}[transom]


def _hand_by_forward(
    outline: Outline, corner: OuterCorner, ahead: Floats, line: Floats | None
) -> int | None:
    """Side of the outer corner, seen along the direction of the bow."""
    ring = outline.ring.points_mm
    middle = ring.mean(axis=0)
    if line is not None and abs(float(ahead @ line)) > 0.2 * float(np.linalg.norm(ahead)):
        ahead = line * np.sign(float(ahead @ line))
    ahead = ahead / np.linalg.norm(ahead)
    at = ring[[outline.corners[k].index for k in corner.corners]].mean(axis=0) - middle
    to_right = float(at[0] * ahead[1] - at[1] * ahead[0])
    if abs(to_right) < SURE_SHARE * float(np.linalg.norm(np.ptp(ring, axis=0))):
        return None
    return 1 if to_right > 0 else -1


def _from_hands(
    pair: tuple[Outline, Outline], hands: Sequence[int | None], how: str
) -> tuple[dict[Side, Outline], tuple[Note, ...]]:
    known = [h for h in hands if h is not None]
    if not known:
        raise UsageError(
            "Two patterns lie in the photo, and nothing tells port from starboard.", _ASK
        )
    if len(known) == 2 and known[0] == known[1]:
        which = "port" if known[0] < 0 else "starboard"
        raise UsageError(
            f"Both patterns in the photo look like {which} ones: one may lie face down, "
            "or both are of one side.",
            "Turn the one that lies face down and photograph again, or give each side its own "
            "photo with --port and --starboard (and --face).",
        )
    first = hands[0] if hands[0] is not None else -(hands[1] or 0)
    port, starboard = pair if first < 0 else pair[::-1]
    return {Side.PORT: port, Side.STARBOARD: starboard}, (_note(port, starboard, how),)


def _note(port: Outline, starboard: Outline, how: str) -> Note:
    x, y = port.ring.points_mm.mean(axis=0)
    other = starboard.ring.points_mm.mean(axis=0)
    text = (
        f"Of the two patterns in the photo, the {_where(np.array([x, y]) - other, port)} one was "
        f"taken as port, by {how}."
    )
    return Note(code="sides-told", severity="info", text=text, at_mm=(float(x), float(y)))


def _where(offset: Floats, outline: Outline) -> str:
    """Say in the upright photo's terms which of the two is meant."""
    if outline.views:
        from spilemark.frames import stored_to_upright
        from spilemark.lens import plane_to_pixels

        view = outline.views[0]
        photo = view.straight.photo
        middle = outline.ring.points_mm.mean(axis=0)
        stored = plane_to_pixels(np.stack([middle, middle - offset]), view.plane)
        upright = stored_to_upright(stored, photo.width_px, photo.height_px, photo.orientation)
        offset = (upright[0] - upright[1]) * [1.0, -1.0]
    if abs(offset[0]) >= abs(offset[1]):
        return "left" if offset[0] < 0 else "right"
    return "upper" if offset[1] > 0 else "lower"


def _refuse_third(outlines: Sequence[Outline]) -> None:
    areas = [abs(signed_area(o.ring.points_mm)) for o in outlines[:3]]
    if len(areas) == 3 and areas[2] > 0.5 * areas[1]:
        raise UsageError(
            "Three pieces of like size lie in the photo; which two are the patterns cannot be told.",
            "Take away what is not a pattern, or give each side its own photo.",
        )
