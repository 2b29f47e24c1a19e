"""What the solve noticed and the builder should know."""

from __future__ import annotations

import numpy as np

from spilemark import frames
from spilemark.records import CardSighting, Note, View
from spilemark_stages.rectify.observations import PhotoObservation
from spilemark_stages.rectify.solve import Solution

_BAD_CARD_SHARE = 0.3
_POOR_FIT = 3.0
_LIFTED_MM = 0.8
_SOFT_PX = 2.0
_OTHER_LENS = 45.0
"""Squared distance from what was believed of nine numbers: by chance once in a million (chi-square)."""


def survey_notes(
    views: tuple[View, ...], observed: tuple[PhotoObservation, ...], solution: Solution
) -> list[Note]:
    """Notes on single photos and cards."""
    notes: list[Note] = []
    for view, seen in zip(views, observed, strict=True):
        notes += [*_photo_notes(view, seen), *_lens_notes(view)]
        for card in view.cards:
            notes += _card_notes(view, card)
    if solution.noise > _POOR_FIT:
        notes.append(
            Note(
                code="poor-fit",
                severity="warn",
                text="The cards do not fit together as flat prints seen through one lens; all"
                f" intervals were widened {solution.noise:.1f} times. A card may be bent, or the"
                " phone may have bent the picture. Glue the cards to flat stock, use the main"
                " lens, and photograph again.",
                value=solution.noise,
                unit="times the usual residual",
            )
        )
    return notes


def _photo_notes(view: View, seen: PhotoObservation) -> list[Note]:
    name = view.straight.photo.path.name
    notes = []
    if len(view.cards) == 1:
        notes.append(
            Note(
                code="one-card",
                severity="warn",
                text=f"Only one card ({view.cards[0].name}) was seen in {name}. It works, but the"
                " doubt grows fast with the distance from it: put four or more round the pattern.",
                value=1.0,
                unit="cards",
                photo=name,
            )
        )
    sigma = np.concatenate([card.sigma_px for card in seen.cards])
    blur = float(np.median(sigma)) / 0.06
    if blur > _SOFT_PX:
        notes.append(
            Note(
                code="blurred",
                severity="warn",
                text=f"{name} is blurred by about {blur:.1f} pixels. The doubt was widened; "
                + (
                    "press the sheets flat on the glass and scan again."
                    if seen.is_scan
                    else "a sharp photo would be better: rest the phone on something and tap to"
                    " focus."
                ),
                value=blur,
                unit="px",
                photo=name,
            )
        )
    return notes


def _lens_notes(view: View) -> list[Note]:
    """A stored lens that the photo does not bear out."""
    lens = view.straight.lens
    if not lens.basis.startswith("stored lens"):
        return []
    off = view.plane.lens - lens.values
    size = np.sqrt(np.diag(lens.covariance))
    far = float((off / size) @ np.linalg.solve(lens.covariance / np.outer(size, size), off / size))
    if far < _OTHER_LENS:
        return []
    name = view.straight.photo.path.name
    return [
        Note(
            code="stored-lens-off",
            severity="warn",
            text=f"{name} does not look as if taken with the {lens.basis}: another lens of the"
            " phone, a zoom, or a new setting? Leave out --lens, or measure it anew.",
            value=float(np.sqrt(far / 9)),
            unit="times the usual change",
            photo=name,
        )
    ]


def _card_notes(view: View, card: CardSighting) -> list[Note]:
    photo = view.straight.photo
    name = photo.path.name
    at = frames.stored_to_upright(
        card.outline_px.mean(axis=0)[None], photo.width_px, photo.height_px, photo.orientation
    )[0]
    place = {"at_px": (float(at[0]), float(at[1])), "photo": name}
    notes = []
    bad = 1.0 - float(card.kept.mean())
    if bad > _BAD_CARD_SHARE:
        notes.append(
            Note(
                code="card-disagrees",
                severity="warn",
                text=f"Card {card.name} in {name}: {100 * bad:.0f} % of its crossings disagree with"
                " the rest and were left out. It may be bent, shiny, covered, or printed at"
                " another scale.",
                value=100 * bad,
                unit="%",
                **place,  # type: ignore[arg-type]
            )
        )
    rise = max(abs(card.lift_mm), abs(card.lift_mm + card.bow_mm))
    if rise > _LIFTED_MM:
        notes.append(
            Note(
                code="card-not-flat",
                severity="warn",
                text=f"Card {card.name} in {name} seems to stand {rise:.1f} mm off the bench. Tape"
                " it down or glue it to flat stock.",
                value=rise,
                unit="mm",
                **place,  # type: ignore[arg-type]
            )
        )
    return notes
