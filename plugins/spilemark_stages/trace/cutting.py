"""The closed line that keeps to seams: what lies on the bench, whatever it and the bench look like.

The picture falls into small patches between weak seams (watershed).  Cutting
patches apart costs little along a strong seam and much where there is none;
every patch that is taken for pattern earns by its area.  For one price of area
the best cut of all is exact (maximum flow; Greig, Porteous and Seheult 1989),
and with a rising price the cuts grow, each within the next (parametric flow;
Gallo, Grigoriadis and Tarjan 1989).  The frame's border and the cards are bench.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from spilemark.records import Bools, Floats
from spilemark_stages.trace.photometry import Float32
from spilemark_stages.trace.seams import SeamMap, background

_BORDER = 0.015
"""Share of the longer side that the photographer is believed to have left free all round."""
_PRICES = np.geomspace(0.003, 0.08, 12)
"""Earned per patch pixel; cutting one pixel's length through no seam costs one."""
_MOST_OF_IT = 0.75
"""Share of all that may be pattern."""
_UNIT = 1000.0
"""Whole numbers of the flow, per unit of cost."""
_LARGEST_HOLE = 0.3
"""Share of a pattern."""
_HOLE_WEAKEST = 0.35
"""As ``weakness``."""
_LOOK = [1, 2, 4, 5]
"""Fields by which pattern and bench are told when it is known where they lie."""
_FEWEST = 8
"""Patches by which a look is learnt."""
_FAR_LOOK = 3.0
_SURE = 4.0
"""Log odds beyond which a patch's look counts for no more: a knot, a stain."""
_BY_LOOK = 0.015
"""Worth of a patch pixel per unit of log odds; cutting a pixel's length through no seam costs one."""
_LEAST_LOOK = np.array([0.006, 0.006, 0.1, 0.1])
_NEVER = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """The map in patches, and what it costs to part neighbours."""

    labels: NDArray[np.int32]
    """(h, w) patch of each pixel, from 0."""
    areas: Floats
    """(P,) pixels."""
    bench: Bools
    """(P,) at the border or under a card."""
    one: NDArray[np.int32]
    other: NDArray[np.int32]
    """(B,) the two patches of each pair of neighbouring pixels that lie in different ones."""
    length: Floats
    """(B,) px of border that the pair stands for."""
    cost: Floats
    """(B,) of parting the pair, per px: 1 through no seam, about 0 along a strong one."""


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """One best cut."""

    inside: Bools
    """(h, w)"""
    price: float


def patches(seams: SeamMap) -> Patches:
    """Split a map at its seams."""
    # Late: it takes a tenth of a second to load, and most photos do not need it.
    from skimage.segmentation import watershed

    smooth = cv2.GaussianBlur(seams.strength, (0, 0), 1.0)
    height = np.log1p(smooth)
    low = (height <= cv2.erode(height, np.ones((5, 5), np.uint8))) | seams.hidden
    _, markers = cv2.connectedComponents(low.astype(np.uint8), connectivity=8)
    split: Any = watershed
    labels = np.asarray(split(height, markers), dtype=np.int32) - 1
    count = int(labels.max()) + 1
    usual = float(background(seams)[1])
    one, other, length, cost = _borders(labels, seams.strength, usual)
    bench = np.zeros(count, dtype=bool)
    bench[np.unique(labels[seams.hidden])] = True
    band = max(2, round(_BORDER * max(labels.shape)))
    rim = np.ones(labels.shape, dtype=bool)
    rim[band:-band, band:-band] = False
    bench[np.unique(labels[rim])] = True
    areas = np.bincount(labels.ravel(), minlength=count).astype(np.float64)
    return Patches(labels, areas, bench, one, other, length, cost)


def _borders(
    labels: NDArray[np.int32], strength: Float32, usual: float
) -> tuple[NDArray[np.int32], NDArray[np.int32], Floats, Floats]:
    """All pairs of neighbouring pixels in different patches: patches, length, cost a px."""
    parts = []
    # Weights of eight neighbours that make cut length about Euclidean (Boykov and Kolmogorov 2003).
    straight, slanted = np.pi / 8, np.pi / (8 * np.sqrt(2))
    for rows, columns, weight in (
        (0, 1, straight),
        (1, 0, straight),
        (1, 1, slanted),
        (1, -1, slanted),
    ):
        here = (
            slice(0, labels.shape[0] - rows),
            slice(max(0, -columns), labels.shape[1] - max(0, columns)),
        )
        there = (slice(rows, None), slice(max(0, columns), labels.shape[1] + min(0, columns)))
        a, b = labels[here], labels[there]
        apart = a != b
        seam = np.maximum(strength[here][apart], strength[there][apart])
        parts.append((a[apart], b[apart], np.full(len(seam), weight), seam))
    one, other, length, seam = (np.concatenate(p) for p in zip(*parts, strict=True))
    return one, other, length, 1.0 / (1.0 + (seam / max(usual, 1e-6)) ** 2)


def cuts(split: Patches) -> Iterator[Cut]:
    """Best cuts for rising prices of area, each within the next; those without anything left out."""
    last = -1
    free = float(split.areas[~split.bench].sum())
    for price in _PRICES:
        taken = _best(split, np.where(split.bench, 0.0, price * split.areas))
        count = int(taken.sum())
        if count and count != last:
            yield Cut(taken[split.labels], float(price))
        if split.areas[taken].sum() > _MOST_OF_IT * free:
            # Nothing but the border itself holds it any more.
            break
        last = count


def _best(split: Patches, gain: Floats) -> Bools:
    """The patches (P,) that are taken when each earns its gain."""
    count = len(gain)
    source, sink, every = count, count + 1, np.arange(count)
    border = split.cost * split.length
    into = np.where(split.bench, _NEVER / _UNIT, np.maximum(-gain, 0.0))
    rows = np.concatenate([split.one, split.other, np.full(count, source), every])
    columns = np.concatenate([split.other, split.one, every, np.full(count, sink)])
    weights = np.concatenate([border, border, np.maximum(gain, 0.0), into])
    graph = coo_matrix((weights * _UNIT, (rows, columns)), shape=(count + 2, count + 2)).tocsr()
    graph.data = np.minimum(np.round(graph.data), 2e9).astype(np.int32)
    left = graph - maximum_flow(graph, source, sink).flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = breadth_first_order(left, source, directed=True, return_predecessors=False)
    taken = np.zeros(count + 2, dtype=bool)
    taken[reached] = True
    return taken[:count]


def revised(seams: SeamMap, split: Patches, cut: Cut) -> Cut:
    """A cut once more, now that it is known how pattern and bench look.

    A long filter runs straight across the mouth of a notch: what lies in it
    is told by its look.
    """
    taken = _taken(split, cut.inside)
    looks = _patch_looks(seams, split)
    apart = cut.inside & (cv2.erode(cut.inside.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0)
    rim = _taken(split, apart)
    log_odds = np.zeros(len(looks))
    for which, sign in ((taken & ~rim, 1.0), (~taken & ~split.bench, -1.0)):
        if which.sum() < _FEWEST:
            return cut
        middle = np.median(looks[which], axis=0)
        spread = 1.4826 * np.median(np.abs(looks[which] - middle), axis=0)
        spread = np.maximum(spread, _LEAST_LOOK)
        off = ((looks - middle) / spread) ** 2
        log_odds -= sign * (0.5 * np.minimum(off, _FAR_LOOK**2) + np.log(spread)).sum(axis=1)
    liking = cut.price + _BY_LOOK * np.clip(log_odds, -_SURE, _SURE)
    again = _best(split, np.where(split.bench, 0.0, liking * split.areas))
    return Cut(again[split.labels], cut.price)


def _taken(split: Patches, mask: Bools) -> Bools:
    """Patches (P,) that a mask touches."""
    taken = np.zeros(len(split.areas), dtype=bool)
    taken[np.unique(split.labels[mask])] = True
    return taken


def _patch_looks(seams: SeamMap, split: Patches) -> Floats:
    """Mean hue and grain direction (P, 4) of each patch, clear of its seams."""
    usual = max(float(background(seams)[1]), 1e-6)
    weight = 1.0 / (1.0 + (seams.strength / usual) ** 2)
    flat, count = split.labels.ravel(), len(split.areas)
    sums = [
        np.bincount(flat, weights=(weight * seams.fields[..., k]).ravel(), minlength=count)
        for k in _LOOK
    ]
    whole = np.bincount(flat, weights=weight.ravel(), minlength=count)
    return np.stack(sums, axis=-1) / np.maximum(whole, 1e-9)[:, None]


def weakness(split: Patches, inside: Bools) -> float:
    """Mean cost of a cut's border: about 0 where all of it is strong seam, 1 where none is."""
    taken = _taken(split, inside)
    cut = taken[split.one] != taken[split.other]
    whole = float(split.length[cut].sum())
    return float((split.cost[cut] * split.length[cut]).sum()) / whole if whole else 1.0


def holes_in(seams: SeamMap, split: Patches, inside: Bools) -> Bools:
    """What a closed seam well within a cut surrounds and looks more like the bench (h, w).

    Hue and the grain's direction decide: light does not, since a hole lies in
    its own shade.
    """
    within = _taken(split, inside)
    apart = inside & (cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0)
    turned = replace(split, bench=~within | _taken(split, apart))
    out = np.zeros(inside.shape, dtype=bool)
    face, bench = (_look(seams, m & ~seams.hidden) for m in (inside, ~inside))
    for cut in cuts(turned):
        count, labels = cv2.connectedComponents(cut.inside.astype(np.uint8), connectivity=4)
        for k in range(1, count):
            part = labels == k
            if part.sum() > _LARGEST_HOLE * inside.sum() or (out & part).any():
                continue
            own = _look(seams, part)[0]
            spread = np.maximum(np.hypot(face[1], bench[1]), _LEAST_LOOK)
            off_face, off_bench = (
                float((((own - s[0]) / spread) ** 2).sum()) for s in (face, bench)
            )
            if off_bench < off_face and weakness(turned, part) < _HOLE_WEAKEST:
                out |= part
    return out


def _look(seams: SeamMap, mask: Bools) -> tuple[Floats, Floats]:
    """Median hue and grain direction (4,) of a part of the map, and their spread."""
    values = seams.fields[mask][:, _LOOK].astype(np.float64)
    if not len(values):
        return np.zeros(4), np.ones(4)
    middle = np.median(values, axis=0)
    return middle, 1.4826 * np.median(np.abs(values - middle), axis=0)
