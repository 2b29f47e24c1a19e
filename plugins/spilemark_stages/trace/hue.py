"""Colour as a second witness: which side of an edge is the face, where brightness cannot tell.

A shadow darkens the bench but hardly turns its hue, so hue tells a shadow's
border from the pattern's edge.  But phones store colour at half size and smooth
it, in coded values, over several px: the middle of its step is good to half a
px where both sides are about as light, and a px off where they are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.trace.edgemodel import Grid
from spilemark_stages.trace.photometry import Float32

GUARD_PX = 3.0
"""Half-width of a step in colour that is left out."""
NOISE = 0.12
"""Of the share of colour in a mean profile."""
CAP = 8.0
"""Largest cost of one px that has neither colour."""
LEAST_CHROMA = 0.04
"""Difference of coded colour below which artefacts of colour coding outweigh it."""
_OWN_SPREAD = 0.01
"""Artefacts of colour coding themselves."""
_NO_STEP = 1e-6
"""Square of a step in colour, in units of its spread, that is rounding and no colour."""


def chroma(linear: Floats | Float32) -> Floats:
    """Coded colour differences (..., 2), about Cr and Cb, of linear RGB (..., 3).

    The square root stands for the coding curve: it is quick, and colour is not
    needed to better than a few per cent.
    """
    code = np.sqrt(np.maximum(linear, 0.0))
    # Luma weights of JPEG (ITU-T T.871).
    grey = code @ np.array([0.299, 0.587, 0.114], dtype=code.dtype)
    return np.asarray(
        np.stack([code[..., 0] - grey, code[..., 2] - grey], axis=-1), dtype=np.float64
    )


@dataclass(frozen=True, slots=True, eq=False)
class HueScale:
    """How to read mean profiles as share of colour that is not the face's."""

    bench: Floats
    """(M, 2) chroma of the bench."""
    axis: Floats
    """(M, 2) on which the face is 1 and the bench 0."""
    trust: Floats
    """(M,) 0..1"""

    def read(self, linear: Floats | Float32, rows: Floats | None = None) -> Floats:
        """Share (N, S), face 0 and bench 1, of profiles (N, S, 3); ``rows`` picks each one's scale."""
        bench = self.bench if rows is None else self.bench[rows]
        axis = self.axis if rows is None else self.axis[rows]
        own = np.einsum("nc,nc->n", bench, axis)
        return np.asarray(1.0 + own[:, None] - (chroma(linear) @ axis[:, :, None])[..., 0])


def hue_scale(means: Floats, face: Bools, bench: Bools) -> HueScale:
    """Read the two colours off mean profiles (M, S, 3).

    ``face`` and ``bench`` (S,) pick the samples that are surely one or the
    other.  The axis is blind along the bench's own chroma, which a shadow scales.
    """
    colour = chroma(means)
    there = np.median(colour[:, bench], axis=1)
    step = np.median(colour[:, face], axis=1) - there
    spread = _OWN_SPREAD**2 * np.eye(2) + 0.25 * there[:, :, None] * there[:, None, :]
    axis: Floats = np.linalg.solve(spread, step[:, :, None])[..., 0].astype(np.float64)
    square = np.einsum("mc,mc->m", axis, step)
    # Of two sides without colour no axis can be had: what rounding leaves is none.
    told = square > _NO_STEP
    axis = np.where(told[:, None], axis / np.maximum(square, _NO_STEP)[:, None], 0.0)
    length = np.linalg.norm(axis, axis=1)
    clear = np.where(told, 1.0 / np.maximum(length, 1e-9), 0.0)
    scale = HueScale(there, axis, np.ones(len(means)))
    share = scale.read(means)
    noise = np.maximum(np.std(share[:, face], axis=1), np.std(share[:, bench], axis=1))
    trust = np.minimum(1.0, (0.05 / np.maximum(noise, 1e-6)) ** 2)
    return HueScale(there, axis, trust * np.minimum(1.0, (clear / LEAST_CHROMA) ** 4))


def hue_evidence(share: Floats, walls: Floats, where: Grid) -> Floats:
    """Log evidence (M, shifts) from the two sides of the step; a wall may have any colour."""
    s = np.asarray(where.samples)
    step = s[1] - s[0]
    face = -np.minimum(0.5 * (share / NOISE) ** 2, CAP) * step
    bench = -np.minimum(0.5 * ((share - 1) / NOISE) ** 2, CAP) * step
    before = np.concatenate([np.zeros((len(share), 1)), np.cumsum(face, axis=1)], axis=1)
    after = np.cumsum(bench[:, ::-1], axis=1)[:, ::-1]
    after = np.concatenate([after, np.zeros((len(share), 1))], axis=1)
    shifts = np.asarray(where.shifts)
    last = np.searchsorted(s, shifts - GUARD_PX)
    beyond = shifts[None, :] + np.maximum(walls, 0.0)[:, None] + GUARD_PX
    first = np.searchsorted(s, beyond.ravel()).reshape(beyond.shape)
    rows = np.arange(len(share))[:, None]
    return np.asarray(before[rows, last[None, :]] + after[rows, first])


def step_middle(share: Floats, samples: Floats) -> Floats:
    """Where (M,) each profile of share of colour first passes one half, px; NaN where it never does."""
    above = share > 0.5
    i = above.argmax(axis=1)
    rows = np.arange(len(share))
    good = (i > 0) & above[rows, i]
    i = np.maximum(i, 1)
    low, high = share[rows, i - 1], share[rows, i]
    part = (0.5 - low) / np.where(high > low, high - low, 1.0)
    middle = samples[i - 1] + part * (samples[i] - samples[i - 1])
    return np.where(good, middle, np.nan)
