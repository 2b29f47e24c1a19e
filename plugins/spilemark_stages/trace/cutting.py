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
from dataclasses import dataclass
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
_UNIT = 1000.0
"""Whole numbers of the flow, per unit of cost."""
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


def cuts(split: Patches, liking: Floats | None = None) -> Iterator[Cut]:
    """Best cuts for rising prices of area, each within the next; those without anything left out.

    ``liking`` (P,) is what a patch earns beside its area, per pixel.
    """
    last = -1
    for price in _PRICES:
        gain = price * split.areas
        if liking is not None:
            gain = gain + liking * split.areas
        taken = _best(split, np.where(split.bench, 0.0, gain))
        count = int(taken.sum())
        if count and count != last:
            yield Cut(taken[split.labels], float(price))
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


def weakness(split: Patches, inside: Bools) -> float:
    """Mean cost of a cut's border: about 0 where all of it is strong seam, 1 where none is."""
    taken = np.zeros(len(split.areas), dtype=bool)
    taken[np.unique(split.labels[inside])] = True
    cut = taken[split.one] != taken[split.other]
    whole = float(split.length[cut].sum())
    return float((split.cost[cut] * split.length[cut]).sum()) / whole if whole else 1.0
