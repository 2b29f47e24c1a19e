"""What the black edges printed on the cards say of how far this photo shows edges off their place.

They tell how large the shift is, not how a pattern's edge is shifted: the same
shift of black beside white goes with one to either side, or with none, of ply
beside a bench, depending on whether the camera's curve, its contrast or its
sharpening made it (``python benchmarks/edge_place.py``).  So nothing is moved
by it; where it is more than was believed, the doubt of every edge grows to it.
"""

from __future__ import annotations

import numpy as np

from spilemark.records import Note, View

MOST_SPREAD_MM = 0.09
"""By so much ink may have spread on paper, which is no doing of the camera: common practice, no source."""
_NAMED = 2.0
"""Sigmas of what was believed from which on it is said."""


def shift_of(view: View) -> tuple[float, float] | None:
    """Median over the cards of how far black edges are seen towards the white: px, and mm on paper."""
    told = [
        (card.edge_shift_px, card.edge_shift_mm)
        for card in view.cards
        if card.edge_shift_px is not None and card.edge_shift_mm is not None
    ]
    if not told:
        return None
    px, mm = np.median(np.array(told), axis=0)
    return float(px), float(mm)


def unexplained_px(view: View) -> float:
    """How much of that shift, px, no spread of ink explains."""
    shift = shift_of(view)
    if shift is None:
        return 0.0
    px, mm = shift
    # Ink makes black larger, never smaller.
    return -px if mm <= 0 else px * max(0.0, 1.0 - MOST_SPREAD_MM / mm)


def edge_shift_notes(views: tuple[View, ...], believed_px: float) -> tuple[Note, ...]:
    """Said of each photo whose cards show edges farther off than is believed of edges."""
    return tuple(
        _note(view, shift)
        for view in views
        if (shift := shift_of(view)) is not None and unexplained_px(view) > _NAMED * believed_px
    )


def _note(view: View, shift: tuple[float, float]) -> Note:
    photo = view.straight.photo
    px, mm = shift
    way = "smaller" if mm < 0 else "larger"
    cause, todo = (
        (
            "The scanner's contrast or sharpening shifts",
            "Scan in grey or colour, without sharpening and without a setting for text",
        )
        if photo.is_scan
        else (
            "Filters, strong contrast, sharpening or a lens out of focus shift",
            "Take the photo without filters, in even light, and tap the cards to focus",
        )
    )
    return Note(
        code="edges-shifted",
        severity="warn",
        text=f"{photo.path.name} shows black on the cards {abs(mm):.2f} mm {way} on each side than"
        f" it is printed ({abs(px):.1f} pixels). {cause} every edge, the pattern's too, and which way"
        f" is not known: its doubt was raised. {todo}.",
        value=mm,
        unit="mm",
        photo=photo.path.name,
    )
