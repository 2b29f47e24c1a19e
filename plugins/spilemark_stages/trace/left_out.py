"""What is said of photos that do not go with the others of one pattern."""

from __future__ import annotations

from collections.abc import Sequence

from spilemark.records import Note
from spilemark_stages.trace.traced_view import TracedPiece


def _name(piece: TracedPiece) -> str:
    return piece.view.straight.photo.path.name


def unlike_note(pieces: Sequence[TracedPiece], odd: int) -> Note:
    """Said of a photo that shows another outline."""
    name, base = _name(pieces[odd]), _name(pieces[0])
    return Note(
        code="photo-left-out",
        severity="warn",
        text=f"The outline in {name} is not the one in {base}: it was left out. It may show another"
        " part, or the edge could not be followed in it. If the pattern is the same, take that"
        " photo again.",
        photo=name,
    )


def moved_note(pieces: Sequence[TracedPiece], odd: int, by_mm: float) -> Note:
    """Said of a photo in which the pattern lay elsewhere."""
    name = _name(pieces[odd])
    others = " and ".join(_name(p) for k, p in enumerate(pieces) if k != odd)
    return Note(
        code="photo-left-out",
        severity="warn",
        text=f"In {name} the pattern lies about {by_mm:.1f} mm elsewhere among the cards than in"
        f" {others}: it, or cards, were moved between the photos. {name} was left out. Let all lie"
        " still until the last photo of a pattern is taken.",
        value=by_mm,
        unit="mm",
        photo=name,
    )


def parts_moved_note(pieces: Sequence[TracedPiece], odd: int, by_mm: float) -> Note:
    """Said of parts that lay elsewhere in one picture."""
    name = _name(pieces[odd])
    return Note(
        code="parts-moved",
        severity="warn",
        text=f"In {name} the pattern lies about {by_mm:.1f} mm elsewhere among the cards than in"
        " the other pictures of it: it, or cards, were moved. The parts do not join truly: tape"
        " the cards to the pattern, so that all move together, and take every picture again.",
        value=by_mm,
        unit="mm",
        photo=name,
    )
