"""Cards that do not lie or measure as all are believed to: raised, of another print, moved.

One card at a time is asked what it would say if nothing were believed of it:
a Newton step from the solution without its own prior, or with unknowns of its
own in one photo (a score test: Rao 1948).  What contradicts belief by far more
than both doubts allow is named and freed, worst first, and all is solved again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from spilemark.lens import rotation_matrix
from spilemark.records import Bools, Floats
from spilemark_stages.rectify.layout import Layout, lay_out
from spilemark_stages.rectify.model import gather_priors, length_rows, photo_rows
from spilemark_stages.rectify.observations import Beliefs, Indices, PhotoObservation, camera_saw
from spilemark_stages.rectify.solve import Solution, robust_noise, solve
from spilemark_stages.rectify.whose_lens import misfit_of

RAISED_MM = 0.7
"""Paper curls by a few tenths; what stands higher lies on something, or is not of the same print."""
_RAISED_SIGMAS, _SUNK_SIGMAS = 2.35, 3.0
"""Of six cards that lie flat the one that seems highest seems more than 2.05 sigmas up in 2 of 100
simulated photos, and more than 2.2 in 4 of 100 where another card is lifted, so the threshold stands
higher (``benchmarks/faults.py``); below the bench none lies, that is a smaller print."""
_SUNK_MM = 4.0
"""A bench may sag so far under a card; what seems to lie lower was printed smaller."""
_ODD_MM = 0.3
"""How high cards seem that lie flat, per unit of misfit that reading does not explain: of 45 rendered
photos without a fault the tallest stood 1.2 mm up in one with a misfit of 1.5."""
MOVED_MM = 0.3
_MOVED_CHI2 = 30.0
"""For three numbers: chance gives 16 once in a thousand."""
_PRINT_PERCENT, _PRINT_SIGMAS = 0.4, 4.5
"""Printers feed paper alike to a tenth of that; what is off by more, and surely, comes from another print."""
_ODD_PERCENT = 0.05
"""How much larger a card may seem, per unit of misfit that reading does not explain."""
_MOST_SHARE = 0.5
_EITHER = 0.6
"""One sigma of what is either nothing or all (an even spread between them: 0.58)."""
_CLOSING = (100.0, 30.0, 10.0)
_SLIP_SIGMAS = 4.5
"""What fits worse is a slip of reading, as in the solve."""
_TURN_REACH_MM = 40.0
"""A turn counts as how far it moves the ends of a card."""


@dataclass(frozen=True, slots=True)
class CardFault:
    """One card that is not as the others are."""

    kind: Literal["raised", "moved", "reprinted"]
    arm: str
    card: str
    by_mm: float
    """How much nearer to the camera it seems, signed; or how far it was moved."""
    by_percent: float = 0.0
    """How much larger than the others it was printed."""
    photo: str = ""
    """Name of the photo in which it lay elsewhere."""
    surprise: float = 0.0
    """In thresholds."""

    @property
    def whose(self) -> tuple[str, str]:
        """Arm and card."""
        return self.arm, self.card


@dataclass(frozen=True, slots=True)
class Freed:
    """A job solved with its faulty cards named."""

    beliefs: Beliefs
    """With what is now known of them."""
    solution: Solution
    faults: list[CardFault]


def free_faulty_cards(
    photos: Sequence[PhotoObservation], beliefs: Beliefs, solution: Solution
) -> Freed:
    """Name the card that fits worst, free it, solve again, until all that is held to belief fits."""
    held = beliefs
    faults: list[CardFault] = []
    cards = {(photo.arm, seen.card.name) for photo in photos for seen in photo.cards}
    while True:
        faults += [
            CardFault("raised", arm, card, 0.0) for arm, card in sorted(solution.loose - held.loose)
        ]
        held = replace(held, loose=held.loose | solution.loose)
        sunk = {card for card in held.loose if solution.places[card][3] < -_SUNK_MM}
        if sunk:
            # Nothing lies so far below a bench: it is a smaller print.
            held = replace(held, loose=held.loose - sunk, reprinted=held.reprinted | sunk)
            solution = solve(photos, held)
            continue
        found = find_faults(photos, held, solution)
        if not found or len(faults) >= _MOST_SHARE * len(cards):
            break
        worst, held, solution = _best_of_worst(photos, held, found)
        if worst.kind == "reprinted":
            faults = [f for f in faults if f.kind == "moved" or f.whose != worst.whose]
        faults.append(worst)
    if len(faults) > 1:
        held, solution, faults = _needed(photos, held, solution, faults)
    unsure = _with_unsure_ends(photos, held, solution)
    if unsure is not held:
        held, solution = unsure, solve(photos, unsure)
    return Freed(held, solution, [_as_solved(fault, solution) for fault in faults])


def _best_of_worst(
    photos: Sequence[PhotoObservation], held: Beliefs, found: list[CardFault]
) -> tuple[CardFault, Beliefs, Solution]:
    """The card that contradicts most, with the one of its possible faults that explains it best."""
    worst = max(found, key=lambda fault: fault.surprise)
    rivals = [fault for fault in found if fault.whose == worst.whose]
    if not any(fault.kind == "reprinted" for fault in rivals):
        rivals = [worst]
    tried = [(fault, freed(held, fault)) for fault in rivals]
    solved = [(fault, beliefs, solve(photos, beliefs)) for fault, beliefs in tried]
    return min(solved, key=lambda one: misfit_of(photos, one[2]))


def _needed(
    photos: Sequence[PhotoObservation],
    held: Beliefs,
    solution: Solution,
    faults: list[CardFault],
) -> tuple[Beliefs, Solution, list[CardFault]]:
    """Faults that are still found when only the others are known: one bad card accuses good ones."""
    kept = list(faults)
    for fault in faults:
        believed = _believed_again(held, fault)
        without = solve(photos, believed)
        accused = {
            (f.kind == "moved", f.arm, f.card) for f in find_faults(photos, believed, without)
        }
        accused |= {(False, *card) for card in without.loose - believed.loose}
        if (fault.kind == "moved", fault.arm, fault.card) not in accused:
            kept.remove(fault)
            held, solution = believed, without
    return held, solution, kept


def freed(beliefs: Beliefs, fault: CardFault) -> Beliefs:
    """What is believed once a fault is known."""
    card = {(fault.arm, fault.card)}
    if fault.kind == "moved":
        return replace(beliefs, left_out=beliefs.left_out | {(fault.photo, fault.card)})
    if fault.kind == "reprinted" or fault.by_mm < -_SUNK_MM:
        return replace(beliefs, loose=beliefs.loose - card, reprinted=beliefs.reprinted | card)
    return replace(beliefs, loose=beliefs.loose | card)


def _believed_again(beliefs: Beliefs, fault: CardFault) -> Beliefs:
    """What is believed where one fault is not known."""
    card = {(fault.arm, fault.card)}
    if fault.kind == "moved":
        return replace(beliefs, left_out=beliefs.left_out - {(fault.photo, fault.card)})
    return replace(beliefs, loose=beliefs.loose - card, reprinted=beliefs.reprinted - card)


def _with_unsure_ends(
    photos: Sequence[PhotoObservation], beliefs: Beliefs, solution: Solution
) -> Beliefs:
    """Measured lengths to a card that stands high, or is of another print: one photo cannot tell.

    Where it lies depends on which: what stands ``h`` high at ``r`` from the foot
    point of a camera ``H`` up seems to lie ``h r / H`` farther out.
    """
    lengths = list(beliefs.lengths)
    for arm, tie in solution.layout.ties:
        for name in tie.cards:
            seen_in = [k for k, p in enumerate(photos) if p.arm == arm and p.shows(name)]
            if (arm, name) not in beliefs.loose or len(seen_in) > 1:
                continue
            numbers, place = solution.views[seen_in[0]].numbers, solution.places[arm, name]
            camera = -rotation_matrix(numbers[9:12]).T @ numbers[12:15]
            out = float(np.linalg.norm(place[:2] - camera[:2])) * place[3] / camera[2]
            k = next(k for k, length in enumerate(lengths) if length.id == tie.id)
            sigma = float(np.hypot(lengths[k].sigma_mm, _EITHER * out))
            lengths[k] = replace(lengths[k], sigma_mm=sigma)
    return replace(beliefs, lengths=tuple(lengths)) if lengths != list(beliefs.lengths) else beliefs


def _as_solved(fault: CardFault, solution: Solution) -> CardFault:
    """A raised card's height, or another print's size, as the last solve has it."""
    card = (fault.arm, fault.card)
    if card in solution.layout.own_print and fault.kind != "moved":
        by = 100 * (float(solution.unknowns[solution.layout.own_print[card]]) - 1)
        return replace(fault, kind="reprinted", by_mm=0.0, by_percent=by)
    if fault.kind != "raised":
        return fault
    return replace(fault, by_mm=float(solution.places[card][3]))


def find_faults(
    photos: Sequence[PhotoObservation], beliefs: Beliefs, solution: Solution
) -> list[CardFault]:
    """Cards that contradict what is believed of them, given all others."""
    test = _Test(photos, beliefs, solution)
    faults = []
    for arm, card in test.layout.cards:
        known = beliefs.loose | beliefs.reprinted
        if camera_saw(photos, arm, card) and (arm, card) not in known:
            raised = test.raised(arm, card)
            if raised is not None:
                faults.append(raised)
        seen_in = [
            k
            for k, photo in enumerate(photos)
            if photo.arm == arm and photo.shows(card) and (photo.name, card) not in beliefs.left_out
        ]
        if len(seen_in) > 1:
            # Only several photos tell a smaller print from a card that lies lower.
            larger = None if (arm, card) in beliefs.reprinted else test.reprinted(arm, card)
            if larger is not None:
                faults.append(larger)
            moved = [test.moved(k, card) for k in seen_in]
            faults += [fault for fault in moved if fault is not None]
    return faults


class _Test:
    """Rows of a solved job, and one Newton step from it under other beliefs."""

    def __init__(
        self, photos: Sequence[PhotoObservation], beliefs: Beliefs, solution: Solution
    ) -> None:
        self.photos, self.beliefs, self.solution = photos, beliefs, solution
        self.layout: Layout = lay_out(photos, beliefs)
        self.priors = gather_priors(self.layout, photos, beliefs)
        x = solution.unknowns
        parts = [photo_rows(x, self.layout, photos, k) for k in range(len(photos))]
        self.residual = np.concatenate([r for r, _ in parts])
        self.rows = np.concatenate([rows for _, rows in parts])
        kept = np.concatenate([np.concatenate(view.kept) for view in solution.views])
        self.noise = max(1.0, robust_noise(self.residual, kept))
        self.kept = np.repeat(kept, 2)
        self.first = np.cumsum([0] + [2 * sum(len(c.which) for c in p.cards) for p in photos])
        self.belief = self.priors.weights @ (x - self.priors.centre)
        cards = {seen.card.name: seen.card for photo in photos for seen in photo.cards}
        self.ties = length_rows(x, self.layout, cards)
        nothing = np.zeros((len(self.residual), 0))
        self.believed = np.diag(self._step(self.kept, np.zeros(0, dtype=int), nothing)[1])
        """Variances of the free unknowns with all that is believed."""

    def raised(self, arm: str, card: str) -> CardFault | None:
        """How high a card seems to stand when nothing is believed of it."""
        lift = self.layout.cards[arm, card].start + 3
        believed = self.beliefs
        of_it = self._of(arm, card)
        if self.kept[of_it].all():
            height, variance = self._without_belief(lift)
        else:
            # What it said may have been taken for slips of reading.
            own = np.flatnonzero(self.priors.weights[:, lift])
            nothing = np.zeros((len(self.residual), 0))
            step, spread = self._believing(arm, card, without=own, extra=nothing)
            at = int(np.flatnonzero(self.layout.free == lift)[0])
            height = float(self.solution.unknowns[lift] + step[at])
            variance = float(spread[at, at])
        over = height - believed.lift_mm
        # What fits worse than it was read may as well look like a height.
        odd = _ODD_MM**2 * (self.noise**2 - 1.0)
        sigmas = abs(over) / np.sqrt(variance + odd + believed.lift_sigma_mm**2)
        surprise = sigmas / (_RAISED_SIGMAS if over > 0 else _SUNK_SIGMAS)
        if surprise < 1.0 or abs(height) < RAISED_MM:
            return None
        return CardFault("raised", arm, card, height, surprise=float(surprise))

    def _without_belief(self, lift: int) -> tuple[float, float]:
        """What all else says of a card's height, and the variance of that."""
        belief = 1.0 / self.beliefs.lift_sigma_mm**2
        at = int(np.flatnonzero(self.layout.free == lift)[0])
        both = 1.0 / self.believed[at]
        alone = max(both - belief, 1e-6 * belief)
        pull = both * self.solution.unknowns[lift] - belief * self.beliefs.lift_mm
        return float(pull / alone), 1.0 / alone

    def moved(self, k: int, card: str) -> CardFault | None:
        """How far a card lies elsewhere in one photo than in the others."""
        photo = self.photos[k]
        place = self.layout.cards[photo.arm, card]
        here = self._of(photo.arm, card, k)
        extra = np.where(here[:, None], self.rows[:, place.start : place.start + 3], 0.0)
        own = np.zeros(0, dtype=int)
        step, spread = self._believing(photo.arm, card, without=own, extra=extra)
        off, covariance = step[-3:], spread[-3:, -3:]
        chi2 = float(off @ np.linalg.solve(covariance, off))
        by = float(np.hypot(np.hypot(off[0], off[1]), _TURN_REACH_MM * off[2]))
        if chi2 < _MOVED_CHI2 or by < MOVED_MM:
            return None
        return CardFault(
            "moved", photo.arm, card, by, photo=photo.name, surprise=np.sqrt(chi2 / _MOVED_CHI2)
        )

    def reprinted(self, arm: str, card: str) -> CardFault | None:
        """How much larger than the others' a card's print seems."""
        scale = self.layout.print_scale
        grown = self.rows[:, scale] @ self.solution.unknowns[scale]
        extra = np.where(self._of(arm, card), grown, 0.0)[:, None]
        own = np.zeros(0, dtype=int)
        step, spread = self._believing(arm, card, without=own, extra=extra)
        by, odd = 100 * float(step[-1]), _ODD_PERCENT**2 * (self.noise**2 - 1.0)
        sigmas = abs(by) / np.sqrt(1e4 * float(spread[-1, -1]) + odd)
        if abs(by) < _PRINT_PERCENT or sigmas < _PRINT_SIGMAS:
            return None
        surprise = float(sigmas / _PRINT_SIGMAS)
        return CardFault("reprinted", arm, card, 0.0, by_percent=by, surprise=surprise)

    def _believing(
        self, arm: str, card: str, without: Indices, extra: Floats
    ) -> tuple[Floats, Floats]:
        """``_step`` with what a card says, but for its slips: those that fit no step of it either.

        A card that stands high may have lost most of its crossings to the gate, a
        flat one only those that were misread.  The better half of them in each
        photo is heard in any case: so many slips there are not.
        """
        of_it = self._of(arm, card)
        if self.kept[of_it].all():
            return self._step(self.kept, without, extra)
        views = [self._of(arm, card, k) for k in range(len(self.photos))]
        free = self.layout.free
        used = self.kept | of_it
        for sigmas in (*_CLOSING, _SLIP_SIGMAS):
            step, _ = self._step(used, without, extra)
            left = self.residual + self.rows[:, free] @ step[: len(free)]
            left = left + extra @ step[len(free) :]
            misfit = np.repeat(np.linalg.norm(left.reshape(-1, 2), axis=1), 2) / self.noise
            used = self.kept & ~of_it
            for here in views:
                if here.any():
                    used |= here & (misfit <= max(sigmas, float(np.median(misfit[here]))))
        return self._step(used, without, extra)

    def _of(self, arm: str, card: str, only: int | None = None) -> Bools:
        """Which rows belong to a card, in one photo or in all of its arm."""
        out = np.zeros(len(self.residual), dtype=bool)
        for k, photo in enumerate(self.photos):
            at = int(self.first[k])
            for seen in photo.cards:
                stop = at + 2 * len(seen.which)
                out[at:stop] = (
                    photo.arm == arm
                    and seen.card.name == card
                    and only in (None, k)
                    and (photo.name, card) not in self.beliefs.left_out
                )
                at = stop
        return out

    def _step(self, used: Bools, without: Indices, extra: Floats) -> tuple[Floats, Floats]:
        """Newton step of the free unknowns and the extra ones, and its covariance."""
        free = self.layout.free
        seen = np.concatenate([self.rows[used][:, free], extra[used]], axis=1) / self.noise
        misfit = self.residual[used] / self.noise
        tie_misfit, tie_rows = self.ties
        known = np.concatenate([tie_rows, np.delete(self.priors.weights, without, axis=0)])
        known = np.pad(known[:, free], ((0, 0), (0, extra.shape[1])))
        belief = np.concatenate([tie_misfit, np.delete(self.belief, without)])
        information = seen.T @ seen + known.T @ known
        size = np.sqrt(np.maximum(np.diag(information), 1e-300))
        spread = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)
        return -spread @ (seen.T @ misfit + known.T @ belief), spread
