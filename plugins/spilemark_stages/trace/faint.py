"""Edges that brightness does not show: faint hues and ended grain, for a stretch at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Bools, Floats
from spilemark_stages.trace.edgemodel import Grid, grid
from spilemark_stages.trace.photometry import Float32, LinearPhoto
from spilemark_stages.trace.profiles import Placed, luma_code, profiles, stacked
from spilemark_stages.trace.texture import Sides, mean_evidence, row_evidence
from spilemark_stages.trace.tint import tint_evidence

LEAST_TRUST = 0.25
"""Brightness that is trusted less says nothing of a faint edge but where its grain lies."""
FAINT = 0.5
"""Distrust of brightness from which on grain and faint hues are asked too, ..."""
FAINT_SHARE = 1 / 3
"""... where so much of a line is distrusted: of clear patterns up to a quarter is, beside cards and in
their own shade; of those like their bench two fifths and more."""
_ROWS_PX = 4.0
"""Distance of rows: grain repeats itself on shorter ones."""
BESIDE_PX = 14.0
"""Room beyond the places that are tried, to learn both sides on."""
_ELSEWHERE = 0.2
"""Share of stretches in which a witness is taken to tell of something else than the edge."""
_FEW = 4
"""Half-width in stretches of the part of which mean profiles have noise and walk in common."""
_COMMON = 24
"""Half-width in rows of the stretch of which the grain has its usual part taken away."""


@dataclass(frozen=True, slots=True)
class Wide:
    """Samples that reach far enough to learn both sides, for the places of another grid."""

    where: Grid
    sides: Sides


def wide_for(places: Grid) -> Wide:
    """Samples a px apart about the places of a grid."""
    search = places.shifts[-1]
    far = grid(search + BESIDE_PX, search + BESIDE_PX, 1.0, search, 1.0)
    s = np.array(far.samples)
    return Wide(Grid(far.samples, places.shifts), Sides(s <= -search - 2.0, s >= search + 4.0))


def faint_evidence(
    photo: LinearPhoto,
    line: Placed,
    usable: Bools,
    places: Grid,
    blur_px: float,
    reach: int,
    stride: int,
    *,
    closed: bool,
    sampled: tuple[Float32, Bools] | None = None,
    measuring: bool = False,
) -> Floats:
    """Log evidence (M, shifts) of each place, for stretches as ``profiles.stacked`` makes them.

    Parameters
    ----------
    line : N points
        The edge as it is believed to run, evenly spaced.
    usable : (N,)
        Points to learn from.
    reach, stride : int
        Half-width and distance of the stretches, in points.
    sampled : (N, S, C), (N,)
        What ``profiles`` says of the line at the samples of ``wide_for``, where it was asked already.
    measuring : bool
        The line is on the edge but for a px or two: no bias for the sake of clearness.
    """
    wide = wide_for(places)
    step = float(np.median(np.linalg.norm(np.diff(line.at_px, axis=0), axis=1)))
    every = max(1, min(stride, round(_ROWS_PX / max(step, 1e-6))))
    while stride % every:
        every -= 1
    pick = np.arange(0, len(usable), every, dtype=np.int64)
    rows = _part(line, pick)
    if sampled is None:
        values, inside = profiles(photo, rows, np.array(wide.where.samples))
        inside = inside & usable[pick]
    else:
        values, inside = sampled[0][pick], sampled[1][pick] & usable[pick]
    own = row_evidence(
        luma_code(values),
        inside,
        rows.wall_px,
        wide.where,
        wide.sides,
        blur_px,
        _COMMON,
        closed=closed,
    )
    short, pace = max(1, reach // every), stride // every
    summed, _ = stacked(
        own[:, :, None].astype(np.float32), np.ones(len(own), bool), short, pace, closed=closed
    )
    # A triangle's mean times its area is its sum.
    total = summed[..., 0] * (short + 1)
    means, weight = stacked(values, inside, short, pace, closed=closed)
    walls = rows.wall_px[::pace]
    hue = tint_evidence(
        means, walls, wide.where, wide.sides.face, wide.sides.bench, free_foot=measuring
    )
    light = mean_evidence(
        luma_code(means), weight > 0.3, walls, wide.where, wide.sides, blur_px, _FEW, closed=closed
    )
    return np.asarray(_doubted(total) + _doubted(hue) + _doubted(light))


def _doubted(evidence: Floats) -> Floats:
    """Log evidence (M, shifts) of a witness who may in any stretch tell of something else.

    A stain, a knot or a band of grain ends somewhere too.  The best place is left at zero.
    """
    likely = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    share = likely / likely.sum(axis=1, keepdims=True)
    mixed = np.log((1.0 - _ELSEWHERE) * share + _ELSEWHERE / evidence.shape[1])
    return np.asarray(mixed - mixed.max(axis=1, keepdims=True))


def _part(line: Placed, pick: NDArray[np.int64]) -> Placed:
    return replace(
        line,
        points_mm=line.points_mm[pick],
        normals_mm=line.normals_mm[pick],
        at_px=line.at_px[pick],
        across_px=line.across_px[pick],
        mm_per_px=line.mm_per_px[pick],
        wall_px=line.wall_px[pick],
    )
