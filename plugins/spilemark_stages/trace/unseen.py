"""What was not seen of an edge, where it is, and what to do about it."""

from __future__ import annotations

import numpy as np

from spilemark.frames import stored_to_upright
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, Note, View
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece

WELL_SEEN = 0.98
"""Share of an outline that is as good as all of it."""
_SHORT_MM = 8.0
"""A guess shorter than this, on an outline that is well seen, is not worth a word."""
_NEAR = 0.25
"""Share of the pattern's size from its middle up to which a place is neither left nor right."""


def unseen_notes(piece: TracedPiece, outer: TracedRing) -> tuple[Note, ...]:
    """Said of the outline's unseen stretches; nothing where all that matters was seen."""
    run = _longest_unseen(outer)
    if run is None:
        return ()
    points, length = run
    if outer.seen_share >= WELL_SEEN and length < _SHORT_MM:
        return ()
    name = piece.view.straight.photo.path.name
    at = points[len(points) // 2]
    return (
        Note(
            code="edge-unseen",
            severity="warn" if outer.seen_share < WELL_SEEN else "info",
            text=f"{_percent(1 - outer.seen_share)} of the outline could not be seen and is guessed"
            f" there. The longest such stretch, {length:.0f} mm, is {_where(piece.view, outer, at)}"
            f" as {name} shows it. {_what_to_do(piece, points)}",
            value=100 * outer.seen_share,
            unit="% seen",
            at_mm=(float(at[0]), float(at[1])),
            photo=name,
        ),
    )


def faint_note(piece: TracedPiece) -> tuple[Note, ...]:
    """Said of a pattern that is hardly lighter or darker than its bench."""
    if not piece.faint:
        return ()
    name = piece.view.straight.photo.path.name
    return (
        Note(
            code="faint-edge",
            severity="info",
            text=f"The pattern in {name} is about as light as its bench along much of its edge: there"
            " the edge was told by hue and by where the grain ends, and the doubt was widened. Look"
            " at the overlay. A bench that is much lighter or darker, or sheets of such paper slid"
            " under the edges, would make it sharper.",
            photo=name,
        ),
    )


def _percent(share: float) -> str:
    return "Less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _longest_unseen(outer: TracedRing) -> tuple[Floats, float] | None:
    """Points (N, 2) of the longest run that was not seen, and its length, mm."""
    if outer.seen.all():
        return None
    first = int(np.argmax(outer.seen))
    seen = np.roll(outer.seen, -first)
    points = np.roll(outer.points_mm, -first, axis=0)
    ends = np.flatnonzero(np.diff(np.concatenate([[True], seen, [True]]).astype(np.int8)))
    best, longest = points[:1], 0.0
    for start, stop in zip(ends[::2], ends[1::2], strict=True):
        around = points[max(0, start - 1) : stop + 1]
        length = float(np.linalg.norm(np.diff(around, axis=0), axis=1).sum())
        if length > longest:
            best, longest = points[start:stop], length
    return best, longest


def _where(view: View, outer: TracedRing, at: Floats) -> str:
    """The side of the pattern on which a point lies, in the picture as it is looked at."""
    photo = view.straight.photo
    pixels = plane_to_pixels(np.vstack([outer.points_mm, at[None]]), view.plane)
    upright = stored_to_upright(pixels, photo.width_px, photo.height_px, photo.orientation)
    low, high = upright[:-1].min(axis=0), upright[:-1].max(axis=0)
    x, y = (upright[-1] - 0.5 * (low + high)) / np.maximum(high - low, 1e-9)
    down = "lower" if y > _NEAR else "upper" if y < -_NEAR else ""
    across = "right" if x > _NEAR else "left" if x < -_NEAR else ""
    if not down and not across:
        return "about the middle of the pattern"
    if not across:
        return "at the bottom of the pattern" if down == "lower" else "at the top of the pattern"
    return f"at the {down + ' ' if down else ''}{across} of the pattern"


def _what_to_do(piece: TracedPiece, points: Floats) -> str:
    pixels = plane_to_pixels(points, piece.view.plane)
    if float(piece.photo.covered(pixels).mean()) > 0.5:
        return (
            "Something lies over the edge there (a card, a tool): take it away and take the photo"
            " again. If it is a dark knot, the guess is all there is: look at the overlay."
        )
    return (
        "The edge does not stand out there: slide a sheet of another colour under it (a dark one"
        " under light ply or card, paper under dark) and take the photo again."
    )
