"""Readings of one edge from several photos, put together with their doubts.

Every photo's reading of every point obeys ``truth = reading + table @ c +
random``, with the causes ``c`` independent and of variance one, as everywhere
in this program.  The place of each point is unknown without any prior; so what
photos *differ* in says something about the causes (camera, face height, bend of
the sheet: parallax), and the rest is a weighted mean.  For Gaussian errors this
is the best linear estimate (Gauss-Markov; Aitken 1936), and its errors are
linear in the same causes again: what was believed counts ``(I + M)^-1`` of what
it did, and what the readings themselves add becomes causes of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.records import Floats

CORRELATED_MM = 20.0
"""Misreadings of an edge go together over about this length: the tracer's mean profiles are 24 mm long."""
_LEAST_LOCAL_MM = 0.025
"""Photos never agree better than this over such a length."""
_LONG_MM, _LONG_CORRELATED_MM = 0.03, 200.0
"""What is left of light and shade along a whole side: on rendered photos with truth 0.01 to 0.04 mm
between photos (benchmarks/accuracy.py)."""
_USUAL_LOCAL_MM, _MOST_LOCAL_MM = 0.04, 0.08
"""Scatter that photos show as a rule, and the most that is put down to reading the edge."""
_ROUNDS = 3
_CLIP = 3.0
_ALONE = 4.0
"""Neighbouring points whose random doubt goes together."""
_BLIND, _SURE = 1e-3, 0.5
_SCALES = (1.0, 2.0, 4.0, 8.0, 16.0)
_DOUBLING = 2.0
"""Log odds that it takes to believe a sheet twice as bent as was thought."""
_WORTH = 1e-5
_MOST_OWN = 24
_THIN = 3
"""Every third point is enough to tell the causes from."""


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """What one photo says of all points of a pattern's rings."""

    offset_mm: Floats
    """(N,) outward of the base point."""
    sigma_mm: Floats
    """(N,) random."""
    trust: Floats
    """(N,) 0 where the photo does not show the point, 1 where it does, in between beside gaps."""
    table: Floats
    """(N, K) truth minus reading, mm outward, per one sigma of each cause."""


@dataclass(frozen=True, slots=True, eq=False)
class Fused:
    """The points as all photos together have them."""

    offset_mm: Floats
    """(N,) outward of the base point."""
    sigma_mm: Floats
    """(N,) random."""
    table: Floats
    """(N, K) mean over the photos, in the form of their own tables."""
    found: Floats
    """(K,) what the photos say of each cause, in the sigmas it was believed with."""
    widen: Floats
    """(K,) how much wider the belief in each cause proved to be."""
    left: Floats
    """(K, K) what is left of each widened cause."""
    own: Floats
    """(K, R) what the readings' own errors do to the widened causes."""
    local_mm: float
    """Scatter between photos over lengths of some centimetres, one sigma."""
    over: Floats
    """(V, N) each photo's reading minus the result, NaN where it has none."""
    moved: tuple[float, ...]
    """Per suspicion: log odds that it is right rather than none."""
    moved_by: tuple[Floats, ...]
    """Per suspicion: its causes if it is right."""

    def carried(self, table: Floats) -> tuple[Floats, Floats]:
        """Shift (N,) and sensitivities (N, K + R) of points whose reading obeyed ``table`` (N, K)."""
        wide = table * self.widen
        return table @ self.found, np.concatenate([wide @ self.left, wide @ self.own], axis=1)

    def sigma_of(self, table: Floats) -> Floats:
        """One sigma (N,) of sums of causes."""
        return np.asarray(np.linalg.norm(self.carried(table)[1], axis=1))


def fuse(
    sightings: Sequence[Sighting],
    spacing_mm: float,
    bends: Sequence[int] = (),
    suspicions: Sequence[Sequence[int]] = (),
    ring_starts: Sequence[int] = (0,),
) -> Fused:
    """Put readings together.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of at least one photo, the base's own first.
    spacing_mm : float
        Distance of the points along their ring.
    bends : sequence of int
        Columns whose prior may prove too narrow: bends of the sheet.
    suspicions : sequence of sequences of int
        Groups of columns that count for nothing, but for which it is asked
        whether they explain the differences better: a pattern that was moved.
    ring_starts : sequence of int
        Where each ring begins, for smoothing along it.
    """
    offset = np.stack([s.offset_mm for s in sightings])
    trust = np.stack([s.trust for s in sightings])
    table = np.stack([s.table for s in sightings])
    sigma = np.stack([s.sigma_mm for s in sightings])
    # Where no photo shows a point, the base's guess stands.
    blind = trust.max(axis=0) < _BLIND
    trust[0, blind] = _BLIND
    together = max(1.0, CORRELATED_MM / spacing_mm)
    idle = [k for group in suspicions for k in group]
    local, hold = _LEAST_LOCAL_MM, np.ones_like(trust)
    for _ in range(_ROUNDS):
        weight = trust * hold / (sigma**2 + local**2)
        share = weight / weight.sum(axis=0)
        mean = (share * offset).sum(axis=0)
        mean_table = np.einsum("vn,vnk->nk", share, table)
        telling = trust * hold / _grouped(sigma, local, spacing_mm)
        asked = _Asked(*_differences(telling, offset - mean, table - mean_table))
        best = asked.best_scale(bends, idle)
        left, spread, found = asked.answer(best.widen)
        over = offset + table @ found - (mean + mean_table @ found)
        local = _local(over, sigma, share, trust, float(np.trace(left @ spread)), together)
        hold = _held(over, sigma, local, share, ring_starts, together)
    # A moved pattern would hide in the scatter that it makes.
    sane = trust / _grouped(sigma, min(local, _MOST_LOCAL_MM), spacing_mm)
    asked = _Asked(*_differences(sane, offset - mean, table - mean_table))
    none = asked.best_scale(bends, idle)
    guesses = [asked.best_scale(bends, [k for k in idle if k not in group]) for group in suspicions]
    misfit = _local_misfit(over, weight, trust, ring_starts, together)
    return Fused(
        offset_mm=mean + mean_table @ found,
        sigma_mm=np.where(blind, sigma[0], misfit / np.sqrt(weight.sum(axis=0))),
        table=mean_table,
        found=found,
        widen=best.widen,
        left=left,
        own=_factor(left @ spread @ left),
        local_mm=local,
        over=np.where(trust > _SURE, over, np.nan),
        moved=tuple(guess.log - none.log for guess in guesses),
        moved_by=tuple(
            asked.answer(guess.widen)[2][list(group)]
            for guess, group in zip(guesses, suspicions, strict=True)
        ),
    )


def _grouped(sigma: Floats, local: float, spacing_mm: float) -> Floats:
    """Variance (V, N) that a point would need if it stood alone: misreadings go together."""
    long = _LONG_MM * max(1.0, local / _USUAL_LOCAL_MM)
    variance = sigma**2 * _ALONE + local**2 * max(1.0, CORRELATED_MM / spacing_mm)
    return np.asarray(variance + long**2 * max(1.0, _LONG_CORRELATED_MM / spacing_mm))


@dataclass(frozen=True, slots=True, eq=False)
class _Belief:
    log: float
    """Log of the probability of the readings, up to a constant of theirs."""
    widen: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """What differences between photos say of the causes."""

    information: Floats
    """(K, K)"""
    pull: Floats
    """(K,)"""

    def answer(self, widen: Floats) -> tuple[Floats, Floats, Floats]:
        """What is left (K, K), the information (K, K), both in widened causes, and the causes (K,)."""
        spread: Floats = self.information * np.outer(widen, widen)
        left: Floats = np.asarray(np.linalg.inv(np.eye(len(spread)) + spread), np.float64)
        return left, spread, np.asarray(widen * (left @ (widen * self.pull)))

    def best_scale(self, bends: Sequence[int], idle: Sequence[int]) -> _Belief:
        """The belief in the bends that the readings bear out best."""
        beliefs = []
        for scale in _SCALES if len(bends) else (1.0,):
            widen = np.ones(len(self.pull))
            widen[list(bends)] = scale
            widen[list(idle)] = 0.0
            spread = np.eye(len(widen)) + self.information * np.outer(widen, widen)
            root = np.linalg.cholesky(spread)
            half = np.linalg.solve(root, widen * self.pull)
            log = 0.5 * float(half @ half) - float(np.log(np.diag(root)).sum())
            beliefs.append(_Belief(log - _DOUBLING * float(np.log2(scale)), widen))
        return max(beliefs, key=lambda belief: belief.log)


def _differences(weight: Floats, offset: Floats, table: Floats) -> tuple[Floats, Floats]:
    """Information (K, K) and pull (K,) that differences between photos have on the causes."""
    rows = np.sqrt(weight[:, ::_THIN] * _THIN)[..., None]
    a = (table[:, ::_THIN] * rows).reshape(-1, table.shape[2])
    r = (offset[:, ::_THIN] * rows[..., 0]).reshape(-1)
    return a.T @ a, -a.T @ r


def _local(
    over: Floats, sigma: Floats, share: Floats, trust: Floats, freedom: float, together: float
) -> float:
    """Scatter of readings that random doubt does not explain, one sigma, by moments."""
    room = (1.0 - share) * trust
    if room.sum() < 1.0:
        return _LEAST_LOCAL_MM
    # What the causes were fitted with is no longer in the scatter.
    groups = max(room.sum() / together, 1.0)
    lost = max(0.2, 1.0 - freedom / groups)
    typical = np.sqrt((trust * over**2).sum() / room.sum())
    clipped = np.clip(np.abs(over), 0.0, _CLIP * max(typical, _LEAST_LOCAL_MM))
    variance = (trust * clipped**2).sum() / (room.sum() * lost)
    expected = (room * np.minimum(sigma, 1.0) ** 2).sum() / room.sum()
    return float(np.sqrt(max(variance - expected, _LEAST_LOCAL_MM**2)))


def _held(
    over: Floats,
    sigma: Floats,
    local: float,
    share: Floats,
    starts: Sequence[int],
    together: float,
) -> Floats:
    """How far (V, N) each reading is held to: one that is off by many sigmas counts less (Huber 1964).

    Told over the length that misreadings go together, and only where three
    photos or more can outvote one.
    """
    if len(over) < 3:
        return np.ones_like(over)
    expected = np.sqrt((sigma**2 + local**2) * np.maximum(1.0 - share, 0.2))
    ratio = np.abs(_smooth(over / expected, starts, together))
    return np.asarray(np.minimum(1.0, _CLIP / np.maximum(ratio, 1e-9)) ** 2)


def _local_misfit(
    over: Floats, weight: Floats, trust: Floats, starts: Sequence[int], together: float
) -> Floats:
    """Factor (N,) >= 1 by which photos disagree about a stretch more than they should (Birge 1932)."""
    several = np.maximum((trust > 0.5).sum(axis=0) - 1.0, 0.0)
    chi = _smooth((weight * over**2).sum(axis=0)[None], starts, 2 * together)[0]
    freedom = _smooth(several[None], starts, 2 * together)[0]
    # Two photos tell their own scatter badly: a prior worth two differences steadies it.
    return np.asarray(np.sqrt(np.maximum(1.0, (chi + 2.0) / (freedom + 2.0))))


def _smooth(values: Floats, starts: Sequence[int], width: float) -> Floats:
    """Running means (V, N) round each ring over ``width`` points."""
    out = np.empty_like(values)
    ends = [*starts[1:], values.shape[1]]
    for start, stop in zip(starts, ends, strict=True):
        part = values[:, start:stop]
        half = min(max(1, int(width / 2)), (stop - start - 1) // 2)
        around = np.concatenate([part[:, stop - start - half :], part, part[:, :half]], axis=1)
        total = np.cumsum(np.pad(around, ((0, 0), (1, 0))), axis=1)
        span = 2 * half + 1
        out[:, start:stop] = (total[:, span:] - total[:, :-span]) / span
    return out


def _factor(covariance: Floats) -> Floats:
    """Columns (K, R) whose products give a covariance back; negligible ones dropped."""
    values, vectors = np.linalg.eigh(covariance)
    order = np.argsort(values)[::-1][:_MOST_OWN]
    worth = order[values[order] > _WORTH * max(float(values.max()), 1e-12)]
    return np.asarray(vectors[:, worth] * np.sqrt(values[worth]))
