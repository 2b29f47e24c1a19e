"""Which of the outlines traced in a set of photos is whose pattern."""

from __future__ import annotations

import numpy as np

from spilemark.errors import NoOutline, UsageError
from spilemark.frames import signed_area, upright_to_stored
from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, JobFacts, Note, Outline, Side
from spilemark.tags import check_side, read_tags, side_told

OTHER_PATTERN_SHARE = 0.5
"""A second outline above this share of the largest one's area may be the wanted pattern as well."""


def pick_patterns(
    outlines: tuple[Outline, ...], arm: str, facts: JobFacts
) -> tuple[dict[Side, Outline], tuple[Note, ...]]:
    """Tell the pattern of one arm, or both patterns, from whatever else was traced.

    Parameters
    ----------
    outlines : tuple of Outline
        As traced, largest first.
    arm : str
        "port", "starboard", "single" or "both".
    facts : JobFacts
        A stated centreline tells which outline is meant, and so does a tag of that side on it.

    Raises
    ------
    UsageError
        Two patterns lie there, and nothing tells which one is meant; or a tag says another side.
    NoOutline
        Fewer patterns than were asked for.
    """
    if arm == "both":
        return _both(outlines, facts)
    chosen = _tagged(outlines, arm, facts) or _on_stated_line(outlines, arm, facts)
    if chosen is None:
        _refuse_two(outlines, arm)
        chosen = outlines[0]
    check_side(chosen, Side(arm), facts)
    return {Side(arm): chosen}, _left_out(outlines, chosen, arm)


def _both(
    outlines: tuple[Outline, ...], facts: JobFacts
) -> tuple[dict[Side, Outline], tuple[Note, ...]]:
    if len(outlines) < 2:
        raise NoOutline(
            "Only one pattern was found in the photos that should show both.",
            "Lay the two patterns apart from each other and from the cards, wholly in the frame.",
        )
    from spilemark.sides import assign_sides

    picked, notes = assign_sides(outlines, facts)
    return picked, notes


def _refuse_two(outlines: tuple[Outline, ...], arm: str) -> None:
    if len(outlines) < 2 or _area(outlines[1]) < OTHER_PATTERN_SHARE * _area(outlines[0]):
        return
    sizes = " and ".join(_size_words(o) for o in outlines[:2])
    raise UsageError(
        f"Two patterns lie in the photo given for {arm}: {sizes}; "
        "nothing tells which one is meant.",
        "If they are port and starboard, give the photo with --both. Otherwise take one away, "
        f"or point to the right one with --centreline {arm}:x1,y1,x2,y2.",
    )


def _left_out(outlines: tuple[Outline, ...], chosen: Outline, arm: str) -> tuple[Note, ...]:
    rest = [o for o in outlines if o is not chosen]
    return tuple(
        Note(
            code="other-pattern",
            severity="info",
            text=f"Another piece, {_size_words(outline)}, lies in the photo for {arm}; "
            f"the {_size_words(chosen)} one was taken as the pattern.",
            at_mm=_middle(outline),
            photo=outline.views[0].straight.photo.path.name if outline.views else "",
        )
        for outline in rest
    )


def _tagged(outlines: tuple[Outline, ...], arm: str, facts: JobFacts) -> Outline | None:
    """The pattern whose tag says this side, or the only one of two whose tag says no other."""
    if len(outlines) < 2:
        return None
    sides = [side_told(read_tags(outline, facts)) for outline in outlines]
    mine = [o for o, told in zip(outlines, sides, strict=True) if told and told[0] == arm]
    if len(mine) > 1:
        raise UsageError(
            f"Two patterns in the photo given for {arm} carry a tag that says {arm.upper()}.",
            "Take one of them away, or leave all tags out: --tags ignore.",
        )
    if mine:
        return mine[0]
    large = [
        (o, told)
        for o, told in zip(outlines, sides, strict=True)
        if _area(o) >= OTHER_PATTERN_SHARE * _area(outlines[0])
    ]
    free = [o for o, told in large if told is None]
    return free[0] if len(free) == 1 and len(large) > 1 else None


def _on_stated_line(outlines: tuple[Outline, ...], arm: str, facts: JobFacts) -> Outline | None:
    """Find the one outline on whose face the stated centreline lies."""
    line = facts.centreline_px.get(arm)
    if line is None:
        return None
    holding = [o for o in outlines if _holds(o, line)]
    return holding[0] if len(holding) == 1 else None


def _holds(outline: Outline, line_px: tuple[float, float, float, float]) -> bool:
    from shapely import Point, Polygon

    view = outline.views[0]
    photo = view.straight.photo
    ends: Floats = np.array(line_px, dtype=np.float64).reshape(2, 2)
    upright = ends.mean(axis=0, keepdims=True)
    stored = upright_to_stored(upright, photo.width_px, photo.height_px, photo.orientation)
    middle = pixels_to_plane(stored, view.plane)[0]
    return bool(Polygon(outline.ring.points_mm).buffer(0).contains(Point(middle)))


def _area(outline: Outline) -> float:
    return abs(signed_area(outline.ring.points_mm))


def _size_words(outline: Outline) -> str:
    low, high = outline.ring.points_mm.min(axis=0), outline.ring.points_mm.max(axis=0)
    return f"{high[0] - low[0]:.0f} x {high[1] - low[1]:.0f} mm"


def _middle(outline: Outline) -> tuple[float, float]:
    x, y = outline.ring.points_mm.mean(axis=0)
    return float(x), float(y)
