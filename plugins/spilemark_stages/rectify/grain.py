"""Whether crossings miss at random, as grain makes them, or together, as bent cards and lenses do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spilemark.records import CardSighting, Floats, View

GRAIN = 0.8
"""Share of the misfit, squared, from which on it is grain and little else."""
_FEWEST = 12
"""Crossings of a card; fewer say little beside a surface of six numbers."""


def grain_share(views: Sequence[View]) -> float:
    """Share of the crossings' misfit, squared, that neighbours on a card do not share.

    A bent card, a lens that is not the one believed, and a shifted row bend the
    misfit smoothly over a card: a surface of second degree takes that away.  What
    it leaves, by its degrees of freedom, beside what was there: near 1 for grain.
    """
    cards = [card for view in views for card in view.cards if int(card.kept.sum()) >= _FEWEST]
    if not cards:
        return 0.0
    whole = sum(float((card.residuals_px[card.kept] ** 2).sum()) for card in cards)
    left = sum(float((_rough(card) ** 2).sum()) for card in cards)
    count = sum(int(card.kept.sum()) for card in cards)
    return (left / (count - 6 * len(cards))) / max(whole / count, 1e-12)


def scatter_px(views: Sequence[View]) -> float:
    """Root mean square of the kept crossings' misfit, each axis, px."""
    every = np.concatenate([card.residuals_px[card.kept] for view in views for card in view.cards])
    return float(np.sqrt((every**2).mean()))


def _rough(card: CardSighting) -> Floats:
    """What a surface of second degree leaves of a card's residuals (N, 2), px."""
    at = card.crossings_px[card.kept]
    u, v = ((at - at.mean(axis=0)) / at.std(axis=0)).T
    surface = np.column_stack([np.ones(len(at)), u, v, u * u, u * v, v * v])
    residual = card.residuals_px[card.kept]
    return np.asarray(residual - surface @ np.linalg.lstsq(surface, residual, rcond=None)[0])
