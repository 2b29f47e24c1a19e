"""How many dots per inch a scan has: what the cards in it say, beside what its file claims.

A file's claim is any number that the last program wrote: 72 where nobody knew,
the old one after resizing.  Cards overrule it always, so it is never a belief
of the solve.  Where nothing was measured it can still say one thing: whether
the cards may have been shrunk in printing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spilemark.lens import SCAN_DISTANCE_MM
from spilemark.records import Floats, Lens, Note, ScaleBasis, ScaleStatement, View
from spilemark.units import INCH_MM
from spilemark_stages.rectify.observations import PhotoObservation

PLAUSIBLE_PRINT = (0.88, 1.06)
"""Print scales that happen: fit-to-page gives 0.91 to 0.97; anything beyond is another mistake."""
_CLAIM_WRONG = 0.01
"""Scanners miss their claim by some tenths of a percent; more means that the claim is not true."""
_CARDS_SIGMA = 1.0
_AXES_SIGMA = 0.05
"""How much the two scales may differ from what the cards say, where the file misses that too."""


def from_the_cards(photos: tuple[PhotoObservation, ...]) -> tuple[PhotoObservation, ...]:
    """Let each scan start from its cards where its file claims something else."""
    return tuple(_from_the_cards(photo) if photo.is_scan else photo for photo in photos)


def _from_the_cards(photo: PhotoObservation) -> PhotoObservation:
    found = dpi_by_cards(photo)
    if found is None:
        return photo
    across, along = found
    values = photo.lens.values.copy()
    focal = across / INCH_MM * SCAN_DISTANCE_MM
    axes = along / across
    if max(abs(values[0] / focal - 1), abs(values[1] / axes - 1)) <= _CLAIM_WRONG:
        return photo
    covariance = photo.lens.covariance.copy()
    values[0], covariance[0, 0] = focal, (_CARDS_SIGMA * focal) ** 2
    if abs(values[1] / axes - 1) > _CLAIM_WRONG:
        values[1], covariance[1, 1] = axes, _AXES_SIGMA**2
    lens = Lens(values=values, covariance=covariance, basis=photo.lens.basis)
    return replace(photo, lens=lens)


def dpi_by_cards(photo: PhotoObservation) -> tuple[float, float] | None:
    """Dots per inch across and along, if the cards were printed at 100 %; the median of all cards.

    A card turned on the glass shows both scales in each of its directions: with
    M = diag(across, along) R, the diagonal of M M' holds their squares.
    """
    found = [seen.px_per_mm for seen in photo.cards if seen.flat]
    if not found:
        return None
    across, along = np.median(found, axis=0) * INCH_MM
    return float(across), float(along)


def print_doubt(photos: Sequence[PhotoObservation]) -> float:
    """How far cards and claims lie apart, relative, where a page shrunk in printing may be why."""
    apart = [0.0]
    for photo in photos:
        found = dpi_by_cards(photo) if photo.is_scan else None
        if found is not None and photo.claimed_dpi is not None:
            ratio = float(np.mean(found) / np.mean(photo.claimed_dpi))
            if PLAUSIBLE_PRINT[0] < ratio < PLAUSIBLE_PRINT[1] and abs(ratio - 1) > _CLAIM_WRONG:
                apart.append(abs(ratio - 1))
    return max(apart)


def dots_notes(views: Sequence[View], scale: ScaleStatement) -> list[Note]:
    """What each scan's dots per inch are by the cards, beside its claim."""
    return [_dots_note(view, scale) for view in views if view.straight.photo.is_scan]


def dpi_of(numbers: Floats) -> tuple[float, float]:
    """Dots per inch across and along of a solved scan's lens numbers."""
    across = float(numbers[0]) / SCAN_DISTANCE_MM * INCH_MM
    return across, across * float(numbers[1])


def _dots_note(view: View, scale: ScaleStatement) -> Note:
    photo = view.straight.photo
    across, along = dpi_of(view.plane.lens)
    name = photo.path.name
    found = f"{name}: by the cards it has {across:.2f} dots per inch across and {along:.2f} along"
    if photo.claimed_dpi is None:
        return Note(
            code="scan-dpi",
            severity="info",
            text=f"{found}; the file claims nothing.",
            value=across,
            unit="dpi",
            photo=name,
        )
    claims = photo.claimed_dpi
    off = max(abs(across / claims[0] - 1), abs(along / claims[1] - 1))
    nominal = scale.basis is ScaleBasis.NOMINAL
    if off <= _CLAIM_WRONG:
        text = f"{found}; the file claims {_said(claims)}, {100 * off:.2f} % off."
        text += (
            " Nothing was measured: that the two agree says no more than that the page with the"
            " cards was not shrunk to fit."
            if nominal
            else " The cards were believed."
        )
        return Note(
            code="scan-dpi", severity="info", text=text, value=100 * off, unit="%", photo=name
        )
    one = abs(along / across - 1) <= _CLAIM_WRONG
    whole = f"{(across + along) / 2:.0f}" if one else f"{across:.0f} x {along:.0f}"
    told = f"{name}: the file says {_said(claims)} dots per inch, the cards say {whole}"
    ratio = float(np.mean((across, along)) / np.mean(claims))
    if nominal and PLAUSIBLE_PRINT[0] < ratio < PLAUSIBLE_PRINT[1]:
        text = (
            f"{told}. Either the cards were printed at {100 * ratio:.0f} % of their size, or the"
            " file is wrong; nothing that was given tells which. The size rests on the cards as if"
            f" printed at 100 %, and its doubt was widened by the {100 * abs(ratio - 1):.1f} %"
            " between the two. Measure the check bars of the cards (--printed-bar)."
        )
    else:
        text = f"{told}: the file is wrong and was not used."
        if nominal:
            text += " The size rests on the cards as if printed at 100 %."
    return Note(
        code="scan-dpi-wrong", severity="warn", text=text, value=100 * off, unit="%", photo=name
    )


def _said(dpi: tuple[float, float]) -> str:
    said = [f"{value:.1f}".removesuffix(".0") for value in dpi]
    return said[0] if said[0] == said[1] else " x ".join(said)
