"""The joint least-squares solve of lens, poses, cards, print scale and heights.

``solve(photos, beliefs)`` is free of images: give it observed crossings, get
the maps from pixels to the pattern's face with every input's share in their
doubt.  Plain least squares to come near, a robust loss to tell bad crossings,
a gate, then plain least squares on the rest.  Covariance is
(J'J)^-1 after Triggs et al., "Bundle Adjustment - A Modern Synthesis", 2000;
kept as gains of named, independent inputs (law of propagation, JCGM 100:2008).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spilemark.errors import NoScale
from spilemark.records import Bools, Cause, Floats
from spilemark_stages.rectify.layout import Layout, lay_out
from spilemark_stages.rectify.minimise import Rows, Weighting, minimise
from spilemark_stages.rectify.model import (
    Priors,
    gather_priors,
    length_rows,
    lens_of,
    photo_rows,
    pose_of,
)
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation, camera_saw
from spilemark_stages.rectify.start import first_values

VIEW_NUMBERS = 16
_RAYLEIGH_MEDIAN = 1.1774
"""Median length of a 2-D standard normal vector, sqrt(2 ln 2)."""
_GATE_SIGMAS = 4.5
_ROUNDS = 4
_SOFT_SIGMAS = 3.0
_FEWEST_CROSSINGS = 4
_ROUNDING = 1e-14
_NOISE_FLOOR = 0.5
"""The crossings' noise is never believed to be less than this share of what was expected."""


@dataclass(frozen=True, slots=True)
class SolvedView:
    """One photo's numbers: lens (9), rotation vector (3), translation (3), height (1)."""

    numbers: Floats
    """(16,)"""
    gain: Floats
    """(16, K) change per one sigma of each cause."""
    residuals_px: tuple[Floats, ...]
    """Per card of the photo (N, 2), measured minus modelled."""
    kept: tuple[Bools, ...]
    """Per card (N,)."""


@dataclass(frozen=True, slots=True)
class Solution:
    """The whole job, solved."""

    views: tuple[SolvedView, ...]
    causes: tuple[Cause, ...]
    places: dict[tuple[str, str], Floats]
    """(arm, card) -> x mm, y mm, turn rad, lift mm, bow mm."""
    print_scale: Floats
    """(2,)"""
    print_gain: Floats
    """(2, K)"""
    print_shear: float
    """rad"""
    print_shear_sigma: float
    noise: float
    """Crossing residuals over what was expected of them, rms; near 1 when the model fits."""
    lengths: dict[str, float]
    """Solved value, mm, of each measured length that was used."""
    unknowns: Floats
    """(P,) in the layout's order."""
    covariance: Floats
    """(P, P) of all unknowns, in the layout's order; zero for those that hold the frame."""
    cofactor: Floats
    """(P, P) the same were the crossings as noisy as was expected of them: by it they were weighed."""
    layout: Layout
    loose: frozenset[tuple[str, str]] = frozenset()
    """(arm, card) of which nothing was believed of how high it lies."""


def solve(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> Solution:
    """Solve the whole job at once.

    Parameters
    ----------
    photos : sequence of PhotoObservation
        In any order; photos of one arm show the same cards lying still.
    beliefs : Beliefs
        Priors and measured lengths.

    Raises
    ------
    NoScale
        When a photo has no crossings to solve from, or nothing fits them all.
    """
    try:
        return _solve(photos, beliefs)
    except np.linalg.LinAlgError as error:
        names = [photo.file for photo in photos]
        raise NoScale(
            f"The scale cards in {', '.join(names)} cannot be fitted together.",
            "Were cards moved between the photos, or do some show another bench? Give photos of"
            " one bench on which cards and pattern lie still.",
        ) from error


def _solve(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> Solution:
    """``solve``, where a job that nothing fits has no inverse."""
    for photo in photos:
        if sum(len(seen.which) for seen in photo.cards) < 4:
            raise NoScale(
                f"No scale card could be measured in {photo.name}.",
                "Lay at least one printed card flat beside the pattern and photograph it again.",
            )
    layout = lay_out(photos, beliefs)
    priors = gather_priors(layout, photos, beliefs)
    system = _System(photos, layout, priors)
    everything = _asked(photos, beliefs)
    x = first_values(layout, photos, priors)
    x = system.minimise(x, Weighting(everything, None), enough=0.02, damping=1e-3)
    spread = system.noise(x, everything)
    x = system.minimise(x, Weighting(everything, _SOFT_SIGMAS * spread), enough=1e-4)
    keep, fitted = everything, False
    for _ in range(_ROUNDS):
        misfit = system.misfit(x)
        gate = _GATE_SIGMAS * max(1.0, system.noise(x, keep))
        better = (misfit < gate) * everything
        settled = bool((better == keep).all())
        if settled and fitted:
            break
        keep = better if better.sum() >= _FEWEST_CROSSINGS else keep
        x, fitted = system.minimise(x, Weighting(keep, None)), True
        if settled:
            break
    lost = _lost(photos, keep * everything)
    freed = {card for card in lost - beliefs.loose if camera_saw(photos, *card)}
    if freed and 2 * len(lost) <= len(layout.cards):
        # A card that fits nowhere is not a heap of slips: it lies high, or is of another print.
        return solve(photos, replace(beliefs, loose=beliefs.loose | freed))
    if lost:
        keep = np.maximum(keep, everything * _belongs(photos, lost))
        x = system.minimise(x, Weighting(keep, None))
    return _report(system, x, keep, beliefs.loose)


def robust_noise(residual: Floats, kept: Bools) -> float:
    """Robust ratio of crossings' whitened residuals (2M,) to what was expected of them."""
    misfit = np.linalg.norm(residual.reshape(-1, 2)[kept], axis=1)
    return float(np.median(misfit)) / _RAYLEIGH_MEDIAN


def _asked(photos: Sequence[PhotoObservation], beliefs: Beliefs) -> Floats:
    """Crossings (M,) that count: 1, or 0 where a card is not to be used in a photo."""
    return np.concatenate(
        [
            np.full(len(seen.which), float((photo.name, seen.card.name) not in beliefs.left_out))
            for photo in photos
            for seen in photo.cards
        ]
    )


def _lost(photos: Sequence[PhotoObservation], keep: Floats) -> frozenset[tuple[str, str]]:
    """(arm, card) of which too few crossings are kept in all photos to place it."""
    left: Counter[tuple[str, str]] = Counter()
    at = 0
    for photo in photos:
        for seen in photo.cards:
            left[photo.arm, seen.card.name] += int(keep[at : at + len(seen.which)].sum())
            at += len(seen.which)
    return frozenset(card for card, count in left.items() if count < _FEWEST_CROSSINGS)


def _belongs(photos: Sequence[PhotoObservation], cards: frozenset[tuple[str, str]]) -> Floats:
    """Crossings (M,): 1 for those of some cards."""
    return np.concatenate(
        [
            np.full(len(seen.which), float((photo.arm, seen.card.name) in cards))
            for photo in photos
            for seen in photo.cards
        ]
    )


class _System:
    """Residuals and derivatives of a job in units of the priors' sigmas."""

    def __init__(self, photos: Sequence[PhotoObservation], layout: Layout, priors: Priors) -> None:
        self.photos, self.layout, self.priors = photos, layout, priors
        self.cards = {seen.card.name: seen.card for photo in photos for seen in photo.cards}
        self.crossing_count = sum(len(seen.which) for photo in photos for seen in photo.cards)
        # Unknowns are scaled so that a step of one is about one prior sigma.
        scale = np.ones(layout.size)
        weight = np.sqrt((priors.weights**2).sum(axis=0))
        scale[weight > 0] = 1 / weight[weight > 0]
        for at in layout.pose.values():
            scale[at] = [0.01, 0.01, 0.01, 3.0, 3.0, 3.0]
        for at in layout.cards.values():
            scale[at.start : at.start + 3] = [1.0, 1.0, 0.01]
        self.scale = scale[layout.free]
        self._last: tuple[Floats, Rows] | None = None
        """Where the rows were last asked for, and they: each step asks there again."""

    def rows(self, x: Floats) -> Rows:
        """Crossing residuals and derivatives, then those of ties and priors."""
        if self._last is None or not np.array_equal(self._last[0], x):
            self._last = x.copy(), self._rows(x)
        return self._last[1]

    def _rows(self, x: Floats) -> Rows:
        parts = [photo_rows(x, self.layout, self.photos, k) for k in range(len(self.photos))]
        ties, by_ties = length_rows(x, self.layout, self.cards)
        beliefs = self.priors.weights @ (x - self.priors.centre)
        return (
            np.concatenate([residual for residual, _ in parts]),
            np.concatenate([rows for _, rows in parts]),
            np.concatenate([ties, beliefs]),
            np.concatenate([by_ties, self.priors.weights]),
        )

    def misfit(self, x: Floats) -> Floats:
        """Length (M,) of each crossing's whitened residual."""
        return np.asarray(np.linalg.norm(self.rows(x)[0].reshape(-1, 2), axis=1))

    def noise(self, x: Floats, keep: Floats) -> float:
        """Robust ratio of the crossings' misfit to what was expected of them."""
        return robust_noise(self.rows(x)[0], keep > 0)

    def minimise(
        self, x: Floats, weighting: Weighting, enough: float = 1e-7, damping: float = 1e-8
    ) -> Floats:
        """Least squares over the free unknowns."""
        free = self.layout.free

        def evaluate(step: Floats) -> Rows:
            at = x.copy()
            at[free] += step * self.scale
            seen, by_seen, known, by_known = self.rows(at)
            return seen, by_seen[:, free] * self.scale, known, by_known[:, free] * self.scale

        step = minimise(evaluate, np.zeros(len(free)), weighting, enough=enough, damping=damping)
        result = x.copy()
        result[free] += step * self.scale
        return result


def _report(
    system: _System, x: Floats, keep: Floats, loose: frozenset[tuple[str, str]]
) -> Solution:
    """Covariance as gains, residuals as they came out."""
    layout, photos = system.layout, system.photos
    seen, by_seen, _, by_known = system.rows(x)
    both = np.repeat(keep, 2) > 0
    free = layout.free
    crossing, inputs = by_seen[both][:, free], by_known[:, free]
    information = crossing.T @ crossing + inputs.T @ inputs
    inverse = _inverse(information)
    freedom = max(1.0, 2 * keep.sum() - np.trace(inverse @ (crossing.T @ crossing)))
    noise = float(np.sqrt((seen[both] ** 2).sum() / freedom))
    counted = max(noise, _NOISE_FLOOR)

    by_numbers = np.concatenate([_view_numbers_by_x(system, x, k) for k in range(len(photos))])
    by_all = np.concatenate([by_numbers, np.eye(layout.size)[layout.print_scale]])[:, free]
    by_input = by_all @ inverse @ inputs.T
    spread = by_all @ inverse @ (crossing.T @ crossing) @ inverse @ by_all.T * counted**2
    by_noise = _factor(spread, (by_input**2).sum(axis=1))
    gain = np.concatenate([by_input, by_noise], axis=1)
    covariance = np.zeros((layout.size, layout.size))
    covariance[np.ix_(free, free)] = (
        inverse @ (inputs.T @ inputs + counted**2 * crossing.T @ crossing) @ inverse
    )
    cofactor = np.zeros_like(covariance)
    cofactor[np.ix_(free, free)] = inverse
    ties = tuple(Cause(id=f"tie:{arm}:{t.id}", kind=t.kind) for arm, t in layout.ties)
    crossings = tuple(
        Cause(id=f"crossings:{k}", kind="reading of the crossings")
        for k in range(by_noise.shape[1])
    )
    return Solution(
        views=tuple(_solved_view(system, x, k, seen, keep, gain) for k in range(len(photos))),
        causes=(*ties, *system.priors.causes, *crossings),
        places={key: x[at].copy() for key, at in layout.cards.items()},
        print_scale=x[layout.print_scale].copy(),
        print_gain=gain[-2:],
        print_shear=float(x[layout.print_shear]),
        print_shear_sigma=float(np.sqrt(covariance[layout.print_shear, layout.print_shear])),
        noise=noise,
        lengths={name: float(x[at]) for name, at in layout.length.items()},
        unknowns=x,
        covariance=covariance,
        cofactor=cofactor,
        layout=layout,
        loose=loose,
    )


def _inverse(information: Floats) -> Floats:
    """Inverse of a symmetric positive matrix whose unknowns differ by many powers of ten."""
    size = np.sqrt(np.diag(information))
    if not (np.isfinite(size).all() and size.all()):
        raise np.linalg.LinAlgError("an unknown of which nothing is known")
    return np.asarray(np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size))


def _factor(covariance: Floats, beside: Floats) -> Floats:
    """Columns whose products give a covariance back; negligible ones dropped.

    ``beside`` are variances (P,) of other origin: what vanishes beside them is
    rounding (a scan's crossings tell nothing of a lens), and has no sound correlations.
    """
    told = np.diag(covariance) > _ROUNDING * beside
    covariance = covariance * np.outer(told, told)
    # Scaled first: lens numbers and millimetres differ by many powers of ten.
    sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(sigma, sigma))
    worth = values > values.max() * 1e-12
    return np.asarray(sigma[:, None] * vectors[:, worth] * np.sqrt(values[worth]))


def _view_numbers_by_x(system: _System, x: Floats, k: int) -> Floats:
    """Derivative (16, P) of a photo's view numbers by the unknowns."""
    layout = system.layout
    by = np.zeros((VIEW_NUMBERS, layout.size))
    group = layout.lens[system.photos[k].lens_group]
    by[:9, group] = np.eye(9)
    if k in layout.drift:
        at = layout.drift[k]
        by[0, group.start] = 1 + x[at.start]
        by[0, at.start] = x[group.start]
        by[2, at.start + 1] = by[3, at.start + 2] = 1.0
    by[9:15, layout.pose[k]] = pose_of(x, layout, system.photos, k)[1]
    by[15, layout.height[system.photos[k].arm]] = 1.0
    return by


def _solved_view(
    system: _System, x: Floats, k: int, seen: Floats, keep: Floats, gain: Floats
) -> SolvedView:
    """One photo's share of the result."""
    layout, photos = system.layout, system.photos
    first = sum(len(c.which) for photo in photos[:k] for c in photo.cards)
    residuals, kept = [], []
    for card in photos[k].cards:
        here = slice(first, first + len(card.which))
        first = here.stop
        residuals.append(-seen.reshape(-1, 2)[here] * card.sigma_px[:, None])
        kept.append(keep[here] > 0)
    face = x[layout.height[photos[k].arm]]
    numbers = np.concatenate(
        [lens_of(x, layout, photos, k), pose_of(x, layout, photos, k)[0], [face]]
    )
    rows = slice(VIEW_NUMBERS * k, VIEW_NUMBERS * (k + 1))
    return SolvedView(numbers, gain[rows], tuple(residuals), tuple(kept))
