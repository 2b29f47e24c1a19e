"""What the solve noticed and the builder should know."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from spilemark import frames
from spilemark.lens import camera_centre
from spilemark.records import CardSighting, Note, View
from spilemark_stages.rectify.card_faults import CardFault
from spilemark_stages.rectify.grain import GRAIN, grain_share, scatter_px
from spilemark_stages.rectify.observations import PhotoObservation
from spilemark_stages.rectify.solve import Solution

_BAD_CARD_SHARE = 0.3
_POOR_FIT = 3.0
_LIFTED_MM = 0.8
_VEILED_TONER = 0.15
"""Light on toner as a share of white: print has 0.03 to 0.08 (optical densities of 1.1 to 1.5), a phone's
contrast rather less; beyond this it is a veil."""
_SOFT_PX = 1.75
_ASKEW_RAD, _SURE = 0.003, 4.0


def survey_notes(
    views: tuple[View, ...],
    observed: tuple[PhotoObservation, ...],
    solution: Solution,
    faults: Sequence[CardFault] = (),
) -> list[Note]:
    """Notes on single photos and cards."""
    notes: list[Note] = [_fault_note(fault, views) for fault in faults]
    told = {(fault.arm, fault.card) for fault in faults}
    for view, seen in zip(views, observed, strict=True):
        notes += _photo_notes(view, seen)
        for card, observation in zip(view.cards, seen.cards, strict=True):
            if observation.veiled > 0:
                notes.append(_glare_note(view, card, observation.veiled))
            if (view.straight.arm, card.name) not in told:
                notes += _card_notes(view, card)
    notes += _askew_notes(solution)
    if solution.noise > _POOR_FIT:
        on_glass = all(seen.is_scan for seen in observed)
        if grain_share(views) > GRAIN:
            notes.append(_grainy(views, solution.noise, on_glass=on_glass))
        else:
            notes.append(_poor_fit(solution.noise, on_glass=on_glass))
    return notes


def _askew_notes(solution: Solution) -> list[Note]:
    """Said when the cards' squares are no squares."""
    lean = abs(solution.print_shear)
    if lean < max(_ASKEW_RAD, _SURE * solution.print_shear_sigma):
        return []
    return [
        Note(
            code="cards-askew",
            severity="warn",
            text="The cards are printed askew: lines that should cross square lean by"
            f" {100 * lean:.1f} mm over 100 mm. It has been made up for. Another printer, or sheets"
            " fed straight, will print them truer; measure templates printed by the same one.",
            value=100 * lean,
            unit="mm over 100 mm",
        )
    ]


def _grainy(views: tuple[View, ...], noise: float, *, on_glass: bool) -> Note:
    """The cards lie flat: what they are read with is rough."""
    kind = "scan" if on_glass else "photo"
    what = f"The {kind} is" if len(views) == 1 else f"The {kind}s are"
    todo = (
        "Scan in grey or colour, not in black and white or few shades, and with 200 dots per inch or"
        " more."
        if on_glass
        else "Photograph in more light, rest the phone on something, and tap to focus."
    )
    return Note(
        code="grainy",
        severity="warn",
        text=f"{what} grainy: the crossings of the cards scatter by {scatter_px(views):.2f} pixels at"
        " random, as noise does, not together, as bent cards do. All intervals were widened"
        f" {noise:.1f} times. {todo}",
        value=noise,
        unit="times the usual residual",
    )


def _poor_fit(noise: float, *, on_glass: bool) -> Note:
    widened = f"all intervals were widened {noise:.1f} times."
    if on_glass:
        text = (
            f"The cards do not fit together as flat prints on one glass; {widened} A card may be"
            " creased or not pressed down, the scanner may have jerked, or the picture may have few"
            " shades. Press all flat, scan in grey or colour, and scan again."
        )
    else:
        text = (
            f"The cards do not fit together as flat prints seen through one lens; {widened} A card"
            " may be bent, or the phone may have bent the picture. Glue the cards to flat stock,"
            " use the main lens, and photograph again."
        )
    return Note(
        code="poor-fit",
        severity="warn",
        text=text,
        value=noise,
        unit="times the usual residual",
    )


def _fault_note(fault: CardFault, views: tuple[View, ...]) -> Note:
    """What is wrong with one card, where, and what to do."""
    arm = [view for view in views if view.straight.arm == fault.arm]
    photo = fault.photo.partition(":")[2]
    view, card = next(
        (view, card)
        for view in sorted(arm, key=lambda v: v.straight.photo.path.name != photo)
        for card in view.cards
        if card.name == fault.card
    )
    place = _place(view, card)
    name = place["photo"]
    if fault.kind == "moved" and view.straight.photo.is_scan:
        return Note(
            code="card-moved",
            severity="warn",
            text=f"Card {card.name} lies {fault.by_mm:.1f} mm elsewhere in {name} than in the other"
            f" scans of {fault.arm}: it came loose in between, and was not used in {name}. Tape the"
            " cards to the pattern, and scan again.",
            value=fault.by_mm,
            unit="mm",
            **place,
        )
    if fault.kind == "moved":
        return Note(
            code="card-moved",
            severity="warn",
            text=f"Card {card.name} lies {fault.by_mm:.1f} mm elsewhere in {name} than in the other"
            f" photos of {fault.arm}: it was moved in between, and was not used in {name}. Let"
            " cards and pattern lie until the last photo is taken.",
            value=fault.by_mm,
            unit="mm",
            **place,
        )
    away = float(camera_centre(view.plane)[2])
    percent = 100 * abs(fault.by_mm) / away
    if fault.kind == "reprinted":
        by, more = abs(fault.by_percent), "larger" if fault.by_percent > 0 else "smaller"
        text = (
            f"Card {card.name} is {by:.1f} % {more} than the others: it comes from another"
            " print, or was shrunk. Only its place was used, not its size. Use cards of one print."
        )
    elif fault.by_mm < 0:
        text = (
            f"Card {card.name} looks {percent:.2f} % smaller than the others: it lies"
            f" {-fault.by_mm:.1f} mm lower, or comes from another print. It was let lie as it looks."
            " Use a flat bench and cards of one print."
        )
    else:
        text = (
            f"Card {card.name} has lifted, lies on something, or was printed larger: it looks"
            f" {fault.by_mm:.1f} mm higher ({percent:.2f} % larger) than the others. It was let lie"
            " as it looks. Tape it down, or lay one of the same print."
        )
    return Note(
        code="card-not-flat" if fault.kind == "raised" else "card-of-another-print",
        severity="warn",
        text=text,
        value=fault.by_mm if fault.kind == "raised" else fault.by_percent,
        unit="mm" if fault.kind == "raised" else "%",
        **place,
    )


def _glare_note(view: View, card: CardSighting, veiled: float) -> Note:
    place = _place(view, card)
    if view.straight.photo.is_scan:
        cause = f"Card {card.name} in {place['photo']} is washed out in places"
        todo = "Press it flat on the glass, or print on matt paper."
    else:
        cause = f"Light is mirrored in card {card.name} in {place['photo']}"
        todo = "Turn away the lamp, step aside, or print on matt paper."
    return Note(
        code="card-mirrors",
        severity="warn",
        text=f"{cause}: {100 * veiled:.0f} % of its black squares are washed out. What lies beside"
        f" them was not used. {todo}",
        value=100 * veiled,
        unit="%",
        **place,
    )


def _photo_notes(view: View, seen: PhotoObservation) -> list[Note]:
    name = view.straight.photo.path.name
    notes = []
    if len(view.cards) == 1:
        notes.append(
            Note(
                code="one-card",
                severity="warn",
                text=f"Only one card ({view.cards[0].name}) was seen in {name}. It works, but the"
                " doubt grows fast with the distance from it: put "
                + (
                    "one or more beside it, far apart."
                    if seen.is_scan
                    else "four or more round the pattern."
                ),
                value=1.0,
                unit="cards",
                photo=name,
            )
        )
    toner = np.array([card.toner for card in seen.cards])
    # The best card counts: a mirrored lamp lightens some, a veil all.
    if np.isfinite(toner).any() and float(np.nanmin(toner)) > _VEILED_TONER:
        notes.append(_veil_note(name, 100 * float(np.nanmedian(toner)), on_glass=seen.is_scan))
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


def _veil_note(name: str, percent: float, *, on_glass: bool) -> Note:
    todo = "Wipe the glass" if on_glass else "Wipe the lens, keep lamps and sun out of it,"
    return Note(
        code="veiled",
        severity="warn",
        text=f"{name} looks as through mist: the black squares of all its cards are"
        f" {percent:.0f} % as light as the white (print is 3 to 8 %). Soft light round everything"
        f" bright can lead the edge astray by millimetres: look at the overlay. {todo} and take it"
        " again.",
        value=percent,
        unit="%",
        photo=name,
    )


def _place(view: View, card: CardSighting) -> dict[str, Any]:
    """Where a card lies, as a note says it."""
    photo = view.straight.photo
    at = frames.stored_to_upright(
        card.outline_px.mean(axis=0)[None], photo.width_px, photo.height_px, photo.orientation
    )[0]
    return {"at_px": (float(at[0]), float(at[1])), "photo": photo.path.name}


def _card_notes(view: View, card: CardSighting) -> list[Note]:
    place = _place(view, card)
    name = place["photo"]
    notes = []
    bad = 1.0 - float(card.kept.mean())
    if bad > _BAD_CARD_SHARE:
        notes.append(
            Note(
                code="card-disagrees",
                severity="warn",
                text=f"Card {card.name} in {name}: {100 * bad:.0f} % of its crossings disagree with"
                " the rest and were left out. It may be "
                + (
                    "creased, not pressed down, covered, or of another print."
                    if view.straight.photo.is_scan
                    else "bent, shiny, covered, or printed at another scale."
                ),
                value=100 * bad,
                unit="%",
                **place,
            )
        )
    rise = max(abs(card.lift_mm), abs(card.lift_mm + card.bow_mm))
    if rise > _LIFTED_MM and not view.straight.photo.is_scan:
        notes.append(
            Note(
                code="card-not-flat",
                severity="warn",
                text=f"Card {card.name} in {name} seems to stand {rise:.1f} mm off the bench. Tape"
                " it down or glue it to flat stock.",
                value=rise,
                unit="mm",
                **place,
            )
        )
    return notes
