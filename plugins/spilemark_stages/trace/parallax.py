"""What several photos tell of how the sheet lies: height of its face, tilt and bend."""

from __future__ import annotations

import numpy as np

from spilemark.records import Floats, Note
from spilemark_stages.trace.several import FusedPiece, without_motions

_SURE_SIGMAS = 3.0
_NOTABLE_MM = 0.5
"""Less than this of a bend is how sheets lie; it is made up for, not talked of."""
_COVERAGE = 1.96


def several_notes(piece: FusedPiece) -> tuple[Note, ...]:
    """How many photos were put together, and what they say of the sheet."""
    count = len(piece.pieces)
    told = Note(
        code="traced-in",
        severity="info",
        text=f"The outline was traced in {count} photos and put together.",
        value=float(count),
        unit="photos",
    )
    return (told, *_lie_notes(piece))


def rim_heights(piece: FusedPiece) -> tuple[Floats, Floats]:
    """Height (N,) of the rim's points over the face as it was believed, mm, and one sigma of it."""
    table = piece.tables.heights(piece.rings.base[0].points_mm)
    rise, spread = piece.fused.carried(table)
    return rise, np.asarray(np.linalg.norm(without_motions(spread, piece.tables), axis=1))


def _lie_notes(piece: FusedPiece) -> list[Note]:
    """Said when the rim stands clearly higher at one place than at another, or than was stated."""
    points = piece.rings.base[0].points_mm
    table = piece.tables.heights(points)
    rise, spread = piece.fused.carried(table)
    high, low = int(np.argmax(rise)), int(np.argmin(rise))
    apart = float(rise[high] - rise[low])
    doubt = float(np.linalg.norm(spread[high] - spread[low]))
    if apart > max(_NOTABLE_MM, _SURE_SIGMAS * doubt):
        return [_bent_note(piece, high, low, apart, doubt)]
    mean = float(rise.mean())
    sigma = float(np.linalg.norm(spread.mean(axis=0)))
    if abs(mean) > max(_NOTABLE_MM, _SURE_SIGMAS * sigma):
        return [_height_note(piece, mean, sigma)]
    return []


def _bent_note(piece: FusedPiece, high: int, low: int, apart: float, doubt: float) -> Note:
    points = piece.outer.points_mm
    up, down = (_near_card(piece, points[k]) for k in (high, low))
    where = f"by card {up}" if up else "at the marked place"
    than = f"by card {down}" if down and down != up else "at its lowest"
    return Note(
        code="sheet-not-flat",
        severity="warn",
        text=f"The pattern does not lie flat: {where} its rim stands about {apart:.1f} mm (give or"
        f" take {_COVERAGE * doubt:.1f}) higher than {than}. The outline was corrected for it as"
        " far as the photos tell; press the sheet down, with weights or tape, and photograph it"
        " again.",
        value=apart,
        unit="mm",
        at_mm=(float(points[high, 0]), float(points[high, 1])),
    )


def _height_note(piece: FusedPiece, mean: float, sigma: float) -> Note:
    stands = piece.pieces[0].view.plane.height_mm + mean
    return Note(
        code="face-height",
        severity="warn",
        text=f"By the photos the face lies {stands:.1f} mm (give or take"
        f" {_COVERAGE * sigma:.1f}) above the cards, {abs(mean):.1f} mm"
        f" {'more' if mean > 0 else 'less'} than stated: the outline was corrected for it. Measure"
        " the thickness again, and see that nothing lies under the sheet.",
        value=stands,
        unit="mm",
    )


def _near_card(piece: FusedPiece, point: Floats) -> str:
    """Name of the card nearest to a point."""
    cards = [
        (float(np.linalg.norm(card.cross_mm - point)), card.name)
        for card in piece.pieces[0].view.cards
    ]
    return min(cards, default=(0.0, ""))[1]
