"""What the tracer has to say, in a builder's words."""

from __future__ import annotations

from collections.abc import Sequence

from spilemark.errors import NoOutline
from spilemark.records import Floats, Note, View
from spilemark_stages.trace.regions import Found, Region
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece


def no_outline(view: View, found: Found) -> NoOutline:
    """The error when nothing on the bench can be told to be a pattern."""
    name = view.straight.photo.path.name
    scanned = view.straight.photo.is_scan
    behind = "what lies behind it" if scanned else "the bench"
    if found.surrounded:
        cards = ("card " if len(found.surrounded) == 1 else "cards ") + ", ".join(found.surrounded)
        lies = "lies" if len(found.surrounded) == 1 else "lie"
        return NoOutline(
            f"{name}: {cards} {lies} on the bench, but inside of what stands out as the pattern: "
            "part of the bench, most likely in somebody's shadow, passed for it, or a card lies "
            "partly under the pattern.",
            "Take cards out from under its edges, keep your own shadow off the pattern and the bench "
            "round it, or lay something of another colour under it, and take the photo again.",
        )
    if found.left_out:
        what = (
            f"{name}: no pattern could be told from {behind}; what stands out is too narrow, "
            "or runs out of the picture."
        )
    elif scanned:
        what = f"{name}: nothing on the glass stands out but the cards."
    else:
        what = f"{name}: nothing on the bench stands out from it but the cards."
    if scanned:
        return NoOutline(
            what,
            "Lay a sheet of another colour than the pattern behind it (dark behind light ply, white"
            " behind dark), keep all of it on the glass with a margin all round, and scan again.",
        )
    return NoOutline(
        what,
        "Lay the pattern on something of another colour (a dark cloth under light ply, paper "
        "under dark), keep all of it in the frame with some bench round it, and take the photo "
        "again.",
    )


def outline_notes(
    view: View, region: Region, outer: TracedRing, doubtful_holes: list[Floats]
) -> tuple[Note, ...]:
    """Findings about one outline."""
    name = view.straight.photo.path.name
    notes = []
    if region.cut_by_frame:
        notes.append(
            Note(
                code="cut-by-frame",
                severity="warn",
                text="The pattern runs out of the picture: what lies along its border is guessed. "
                + (
                    "Scan the rest as well, with the same cards taped to it, and name both files."
                    if view.straight.photo.is_scan
                    else "Take the photo from a little farther off, or add one of the rest."
                ),
                value=100 * outer.seen_share,
                unit="% seen",
                photo=name,
            )
        )
    notes += [
        Note(
            code="hole-doubtful",
            severity="info",
            text="Something like a hole was left out: it could not be measured all round, or it is"
            " small and not round, as knots are.",
            at_mm=(float(at[0]), float(at[1])),
            photo=name,
        )
        for at in doubtful_holes
    ]
    return tuple(notes)


def joined_note(pieces: Sequence[TracedPiece]) -> Note:
    """Which pictures a pattern was joined from."""
    names = [piece.view.straight.photo.path.name for piece in pieces]
    listed = f"{', '.join(names[:-1])} and {names[-1]}"
    return Note(
        code="joined",
        severity="info",
        text=f"No picture shows all of the pattern: it was joined from {listed} by the cards that"
        " they share.",
        value=float(len(names)),
        unit="pictures",
        photo=names[0],
    )
