"""Where absolute size comes from: what the job says of prints, tapes and battens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spilemark.cards import Card, CardSet
from spilemark.errors import UsageError
from spilemark.lens import plane_sensitivity
from spilemark.records import Floats, JobFacts, Note, ScaleBasis, ScaleStatement, View
from spilemark.units import Units, format_fine
from spilemark_stages.rectify.dots import PLAUSIBLE_PRINT, print_doubt
from spilemark_stages.rectify.model import cross_place
from spilemark_stages.rectify.observations import Beliefs, Length, PhotoObservation
from spilemark_stages.rectify.solve import Solution, solve
from spilemark_stages.rectify.start import places_in

NOMINAL_BAR_MM = 100.0
_ASSUMED_THICKNESS_MM = 3.0
_ASSUMED_THICKNESS_SIGMA_MM = 0.4
_ODD_PRINT = (0.9, 1.03)
"""A measured length by a first guess at it, beyond which it is looked at more closely."""
_HARDLY = 0.007
"""Share by which hardly a printer is off (0.1 to 0.5 %: common practice, no source)."""
_STILL_MM = 0.3
"""Cards that lie this much differently may be the same, nudged; beyond it they were moved."""


def gather_beliefs(
    job: JobFacts,
    card_set: CardSet,
    photos: tuple[PhotoObservation, ...],
    nominal_sigma: float,
    bar_sigma_mm: float,
) -> Beliefs:
    """Priors of a job: print scale, face height, measured lengths."""
    lengths = _lengths(job, card_set)
    seen = _seen(photos)
    used = tuple(
        x for x in lengths if any(set(x.cards) <= seen.get(arm, set()) for arm in x.arms or seen)
    )
    height, height_sigma = _height(job)
    heights = {} if job.cards_on == "pattern" else {**job.thickness_of_arm}
    beliefs = Beliefs(lengths=used, height_mm=height, height_sigma_mm=height_sigma, heights=heights)
    if job.printed_bar_mm is not None:
        across, along = (bar / NOMINAL_BAR_MM for bar in job.printed_bar_mm)
        sigma = bar_sigma_mm / NOMINAL_BAR_MM
        return replace(
            beliefs,
            print_scale=(across, along),
            print_sigma=(sigma, sigma),
            print_kind="measured check bars",
        )
    # A sheet shrunk to fit the page is shrunk as a whole; a measured length finds that out.
    common = 0.1 if used else float(np.hypot(nominal_sigma, print_doubt(photos)))
    return replace(
        beliefs,
        print_common_sigma=common,
        print_sigma=(0.8 * nominal_sigma, 0.8 * nominal_sigma),
        print_kind="card print scale",
    )


def _height(job: JobFacts) -> tuple[float, float]:
    """Face above the cards' plane and its sigma, mm."""
    if job.cards_on == "pattern":
        return 0.0, 0.05
    if job.thickness_mm is None:
        return _ASSUMED_THICKNESS_MM, _ASSUMED_THICKNESS_SIGMA_MM
    return job.thickness_mm, job.thickness_sigma_mm


def _lengths(job: JobFacts, card_set: CardSet) -> tuple[Length, ...]:
    known = {card.name for card in card_set.cards}
    lengths = [
        Length(
            id=f"batten:{'-'.join(batten.cards)}",
            kind="scale batten",
            cards=batten.cards,
            mm=batten.distance_mm,
            sigma_mm=batten.sigma_mm,
        )
        for batten in card_set.battens
    ]
    for first, second, mm, sigma in job.distances:
        # "port:A" says that the tape was laid when the port photo was taken.
        arm, _, name = first.rpartition(":")
        pair = (name, second.rpartition(":")[2])
        for card in pair:
            if card not in known:
                raise UsageError(
                    f'--distance names a card "{card}" that is not in the card set'
                    f" ({', '.join(sorted(known))}).",
                    "Give the letters that are printed on the two cards.",
                )
        lengths.append(
            Length(
                id=f"tape:{arm + ':' if arm else ''}{'-'.join(pair)}",
                kind="taped distance",
                cards=pair,
                mm=mm,
                sigma_mm=sigma,
                arms=(arm,) if arm else None,
            )
        )
    return tuple(lengths)


def _seen(photos: tuple[PhotoObservation, ...]) -> dict[str, set[str]]:
    """Names of the cards seen in each arm."""
    seen: dict[str, set[str]] = {}
    for photo in photos:
        seen.setdefault(photo.arm, set()).update(c.card.name for c in photo.cards)
    return seen


def check_lengths(solution: Solution) -> None:
    """Refuse a measured length that the photos contradict.

    Raises
    ------
    UsageError
        When the cards would have been printed at an impossible scale.
    """
    for _, length in solution.layout.ties:
        _refuse_impossible(length, float(solution.print_scale.mean()))


def check_lengths_beforehand(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> None:
    """Refuse a measured length that is far from what cards of their designed size say.

    Beside measured check bars such a length would not stretch the cards' print: it
    would bend the solve, card by card, to something that fits neither.

    Raises
    ------
    UsageError
        As :func:`check_lengths`.
    """
    suspect = [length for length in beliefs.lengths if _looks_odd(length, photos)]
    if not suspect:
        return
    cards = {c.card.name: c.card for photo in photos for c in photo.cards}
    free = solve(photos, replace(beliefs, lengths=()))
    for length in suspect:
        for arm, seen in _seen(tuple(photos)).items():
            if set(length.cards) <= seen and arm in (length.arms or (arm,)):
                apart = _apart(free, arm, length, cards)[0] / float(free.print_scale.mean())
                _refuse_impossible(length, length.mm / apart)


def _looks_odd(length: Length, photos: Sequence[PhotoObservation]) -> bool:
    """Whether a first guess at some photo puts the two cards at quite another distance."""
    low, high = _ODD_PRINT
    for photo in photos:
        if photo.is_scan or photo.arm not in (length.arms or (photo.arm,)):
            continue
        places = places_in(photo, np.ones(2))
        if set(length.cards) <= places.keys():
            a, b = (places[name][:2] for name in length.cards)
            if not low < length.mm / float(np.linalg.norm(b - a)) < high:
                return True
    return False


def _refuse_impossible(length: Length, scale: float) -> None:
    low, high = PLAUSIBLE_PRINT
    if not low < scale < high:
        raise UsageError(
            f"{'-'.join(length.cards)} = {length.mm:g} mm does not fit the photo: by the cards"
            f" as designed they lie {length.mm / scale:.0f} mm apart.",
            "Measure again from cross to cross, and check the letters of the two cards.",
        )


def check_cards_lay_still(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> None:
    """Refuse a distance that is claimed for two sets of photos between which a card moved.

    Absolute size is not needed for that: the same cards in both sets tell
    whether they lie equally far apart.

    Raises
    ------
    UsageError
        When they do not; the person must say when the tape was laid.
    """
    arms = tuple(dict.fromkeys(photo.arm for photo in photos))
    seen = _seen(tuple(photos))
    claimed = [
        (length, both)
        for length in beliefs.lengths
        if len(both := [a for a in length.arms or arms if set(length.cards) <= seen.get(a, set())])
        > 1
    ]
    if not claimed:
        return
    cards = {c.card.name: c.card for photo in photos for c in photo.cards}
    common = min(beliefs.print_common_sigma or 0.005, 0.005)
    free = solve(
        photos,
        replace(beliefs, lengths=(), print_common_sigma=common)
        if beliefs.print_common_sigma
        else replace(beliefs, lengths=()),
    )
    for length, both in claimed:
        apart, by = zip(*(_apart(free, arm, length, cards) for arm in both), strict=True)
        for k in range(1, len(both)):
            change = apart[k] - apart[0]
            row = by[k] - by[0]
            sigma = float(np.sqrt(row @ free.covariance @ row))
            if abs(change) > max(_STILL_MM, 4 * sigma):
                pair = "-".join(length.cards)
                raise UsageError(
                    f"Cards {pair} lie {abs(change):.1f} mm differently in the {both[0]} and the"
                    f" {both[k]} photos: one of them was moved in between.",
                    f"Say when you measured: --distance {both[0]}:{pair}={length.mm:g}mm"
                    f" (or {both[k]}:{pair}=...).",
                )


def _apart(
    solution: Solution, arm: str, length: Length, cards: dict[str, Card]
) -> tuple[float, Floats]:
    """Distance of two tape crosses as solved, mm, and its derivative (P,) by the unknowns."""
    a, by_a = cross_place(solution.unknowns, solution.layout, arm, cards[length.cards[0]])
    b, by_b = cross_place(solution.unknowns, solution.layout, arm, cards[length.cards[1]])
    distance = float(np.linalg.norm(b - a))
    return distance, np.asarray((b - a) / distance @ (by_b - by_a))


def state_scale(solution: Solution, job: JobFacts, views: tuple[View, ...]) -> ScaleStatement:
    """Say how absolute size is known, and how well."""
    used = tuple({length.id: length for _, length in solution.layout.ties}.values())
    kinds = {length.kind for length in used}
    if "scale batten" in kinds:
        basis = ScaleBasis.BATTEN
        words = f"scale batten {_say_all(used, 'scale batten', job.units)}"
    elif "taped distance" in kinds:
        basis, words = ScaleBasis.TAPED, f"taped {_say_all(used, 'taped distance', job.units)}"
    elif job.printed_bar_mm is not None:
        across, along = job.printed_bar_mm
        basis = ScaleBasis.BAR
        words = _bar_words(across, along, job.units)
    else:
        basis, words = ScaleBasis.NOMINAL, "cards taken as printed at 100 %, nothing measured"
    across, along = solution.print_scale
    return ScaleStatement(
        basis=basis,
        words=words,
        sigma_relative=max(_relative_sigma(view) for view in views),
        print_scale=(float(across), float(along)),
    )


def _say_all(lengths: tuple[Length, ...], kind: str, units: Units) -> str:
    """The longest of a kind, which says most, and how many there are beside it."""
    of_kind = sorted((x for x in lengths if x.kind == kind), key=lambda x: -x.mm)
    more = f", and {len(of_kind) - 1} more" if len(of_kind) > 1 else ""
    return _say(of_kind[0], units) + more


def _say(length: Length, units: Units) -> str:
    pair = "-".join(length.cards)
    if units == "in":
        return (
            f"{pair} {format_fine(length.mm, units)}, give or take"
            f" {format_fine(length.sigma_mm, units)}"
        )
    return f"{pair} {length.mm:.6g} mm, give or take {length.sigma_mm:.2g} mm"


def _bar_words(across_mm: float, along_mm: float, units: Units) -> str:
    """Of the 100 mm bar, or of the 4 inch one beside it, which is as much off."""
    if units == "mm":
        return f"check bars measured {across_mm:g} mm across, {along_mm:g} mm along"
    across, along = (f'{4 * bar / 100:.3f}"' for bar in (across_mm, along_mm))
    return f'4" check bars measured {across} across, {along} along'


def _relative_sigma(view: View) -> float:
    """One sigma of absolute size over the area of the cards, as a fraction."""
    hull = view.card_hull_mm
    out = hull - hull.mean(axis=0)
    radius = np.linalg.norm(out, axis=1)
    moved = plane_sensitivity(hull, out / radius[:, None], view.plane)
    growth = (moved * radius[:, None]).sum(axis=0) / (radius**2).sum()
    return float(np.linalg.norm(growth))


def scale_notes(
    job: JobFacts,
    statement: ScaleStatement,
    beliefs: Beliefs,
    photos: tuple[PhotoObservation, ...],
    card_set: CardSet,
) -> list[Note]:
    """What the person should know of the scale."""
    notes = []
    if statement.basis is ScaleBasis.NOMINAL:
        notes.append(
            Note(
                code="scale-nominal",
                severity="warn",
                text="No size was measured: the cards are taken as printed at 100 %. A page shrunk"
                " to fit would go unnoticed and make everything wrong by 4 % or more. No absolute"
                " size is claimed. Measure the check bars (--printed-bar) or, better, the distance"
                " between two cards (--distance) or use a scale batten.",
                value=100 * statement.sigma_relative,
                unit="%",
            )
        )
    mean = float(np.mean(statement.print_scale))
    if 0.015 >= abs(mean - 1) > _HARDLY and statement.basis is not ScaleBasis.NOMINAL:
        notes.append(
            Note(
                code="cards-printed-small" if mean < 1 else "cards-printed-large",
                severity="warn",
                text=f"By what was measured ({statement.words}) the cards were printed at"
                f" {100 * mean:.2f} % of their size. Printers are seldom off by more than half a per"
                " cent: measure again, from cross to cross, and look at how it was typed. If the"
                " number is wrong, so is the template by as much.",
                value=100 * mean,
                unit="%",
            )
        )
    if abs(mean - 1) > 0.015:
        notes.append(
            Note(
                code="cards-printed-small" if mean < 1 else "cards-printed-large",
                severity="warn",
                text=f"The cards were printed at {100 * mean:.1f} % of their size (fit to page?)."
                " The measured size has been used: if it was measured and typed right, the template"
                " is right. Print the next cards at 100 %.",
                value=100 * mean,
                unit="%",
            )
        )
    on_glass = all(photo.is_scan for photo in photos)
    silent = [p.arm for p in photos if job.thickness_for(p.arm)[0] is None]
    if silent and job.cards_on == "bench" and not on_glass:
        notes.append(
            Note(
                code="thickness-assumed",
                severity="warn",
                text=f"No thickness given: {_ASSUMED_THICKNESS_MM:g} ±"
                f" {_ASSUMED_THICKNESS_SIGMA_MM:g} mm is assumed. Each millimetre of error makes"
                " the pattern about a tenth of a per cent too large or small: measure it with a"
                " caliper (--thickness).",
                value=_ASSUMED_THICKNESS_MM,
                unit="mm",
            )
        )
    used = {length.id for length in beliefs.lengths}
    notes += [_not_used(x, photos) for x in _lengths(job, card_set) if x.id not in used]
    return notes


def _not_used(length: Length, photos: tuple[PhotoObservation, ...]) -> Note:
    """Say which card of a measured length was not read in which photo."""
    what = "batten" if length.kind == "scale batten" else "distance"
    pair = "-".join(length.cards)
    return Note(
        code="distance-not-seen",
        severity="warn",
        text=f"The {what} {pair} was not used: {_unread(length, photos)}. A card cut by the frame,"
        " covered or blurred is not read; both must be read in the photos of one side.",
        value=length.mm,
        unit="mm",
    )


def _unread(length: Length, photos: tuple[PhotoObservation, ...]) -> str:
    asked = [p for p in photos if length.arms is None or p.arm in length.arms]
    missing = {card: [p.file for p in asked if not p.shows(card)] for card in length.cards}
    told = [(card, names) for card, names in missing.items() if names]
    if not told:
        return f"there is no photo of {' and '.join(length.arms or ())}"
    if len(told) == 2 and told[0][1] == told[1][1]:
        return f"cards {' and '.join(length.cards)} were not read in {_listed(told[0][1])}"
    return " and ".join(f"card {card} was not read in {_listed(names)}" for card, names in told)


def _listed(names: list[str]) -> str:
    return " and ".join(([", ".join(names[:-1])] if names[1:] else []) + names[-1:])
