"""Hue where it differs by a few per cent only, and brightness hardly at all.

The hue of tan ply and that of another tan ply differ by a twentieth.  That is
little for one pixel and plenty for a stretch of some millimetres, but it is also
what a shadow does to the hue of one and the same bench, where the light that is
left has another colour.  So each sample is asked for its hue with a doubt that
grows with how much brighter or darker it is than both surfaces.
"""

from __future__ import annotations

import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.trace.bench import DARK_FLOOR
from spilemark_stages.trace.edgemodel import Grid
from spilemark_stages.trace.photometry import Float32, luma

BY_SHADE = 0.1
"""Change of a log hue per unit of log light that shade alone makes: half the light gone, 7 %."""
_LEAST = 0.006
"""Least doubt of a mean hue: coding."""
_FAR = 3.0
"""Doubts beyond which a sample says no more against a place: dirt, a knot."""
_ONE_PX = 3.0
"""Px of a profile that say one thing: colour is stored at half size and smoothed."""
_BLUR_PX = 1.8
"""One sigma of a step in colour."""
_FOOT = 0.4
"""One sigma of how much the bench's hue at the foot of a sheet differs from that farther off, as a
share of the step: light comes there from the sheet's own cut wall, or from the sky alone, ..."""
_FOOT_PX = 5.0
"""... and over which distance that is gone."""


def log_tints(linear: Floats | Float32) -> Floats:
    """Log light, log red/green, log blue/green (..., 3) of linear RGB (..., 3)."""
    values = np.maximum(np.asarray(linear, dtype=np.float64), 0.0)
    logs = np.log(values + DARK_FLOOR)
    light = np.log(luma(values) + DARK_FLOOR)
    return np.stack([light, logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def tint_evidence(
    means: Floats,
    walls: Floats,
    where: Grid,
    face: Bools,
    bench: Bools,
    *,
    free_foot: bool = False,
) -> Floats:
    """Log evidence (M, shifts) of each place of the edge: a blurred step from one hue to the other.

    Parameters
    ----------
    means : (M, S, 3)
        Linear mean profiles along the outward normals.
    walls : (M,)
        Visible width of the wall, px; it may have any hue.
    face, bench : (S,)
        Samples that are surely the one or the other.
    free_foot : bool
        The bench may have another hue at the sheet's foot: no bias, but less to be told by.
    """
    if means.shape[-1] == 1:
        return np.zeros((len(means), len(where.shifts)))
    s, shifts = np.asarray(where.samples), np.asarray(where.shifts)
    tints = log_tints(means)
    share, doubt = _share(tints, face, bench)
    beyond = s[None, :] - shifts[:, None]
    risen = _risen(beyond / _BLUR_PX)
    off = share[:, None, :] - risen[None]
    limit = _FAR * doubt[:, None, :]
    on_wall = (beyond > 0)[None] & (beyond[None] < walls[:, None, None])
    off = np.clip(off, -limit, limit)
    off[on_wall] = np.clip(off[on_wall], *(sign * _spread_of(doubt, on_wall) for sign in (-1, 1)))
    weight = (s[1] - s[0]) / _ONE_PX / doubt[:, None, :] ** 2
    cost = (weight * off**2).sum(axis=-1)
    if not free_foot:
        return np.asarray(-0.5 * cost)
    # How far the bench's hue at the foot is off is not known: that part of each miss is free.
    foot = _FOOT * risen * np.exp(-np.maximum(beyond, 0.0) / _FOOT_PX)
    along, square = (weight * off * foot).sum(axis=-1), (weight * foot**2).sum(axis=-1)
    return np.asarray(-0.5 * (cost - along**2 / (1.0 + square) + np.log1p(square)))


def _spread_of(doubt: Floats, on_wall: Bools) -> Floats:
    """The doubt of each sample that lies on a wall, of all trial places."""
    return np.broadcast_to(doubt[:, None, :], on_wall.shape)[on_wall]


def _share(tints: Floats, face: Bools, bench: Bools) -> tuple[Floats, Floats]:
    """How far (M, S) each sample's hue is from the face's to the bench's, and its doubt."""
    own, there = (np.median(tints[:, sure], axis=1) for sure in (face, bench))
    rest = np.concatenate(
        [tints[:, face] - own[:, None], tints[:, bench] - there[:, None]], axis=1
    )[..., 1:]
    spread = (1.4826 * np.median(np.abs(rest), axis=1)) ** 2 + _LEAST**2
    step = (there - own)[:, 1:]
    weighted = step / spread
    length = np.maximum((weighted * step).sum(axis=1), 1e-9)
    axis = weighted / length[:, None]
    share = np.einsum("msc,mc->ms", (tints - own[:, None])[..., 1:], axis)
    shade = np.minimum(
        np.abs(tints[..., 0] - own[:, None, 0]), np.abs(tints[..., 0] - there[:, None, 0])
    )
    by_shade = BY_SHADE * np.linalg.norm(axis, axis=1)[:, None]
    # A step that shade between the two sides could have made by itself is no step.
    between = by_shade * np.abs(there - own)[:, None, 0]
    doubt = np.sqrt(1.0 / length[:, None] + (by_shade * shade) ** 2 + between**2)
    return share, doubt


def _risen(x: Floats) -> Floats:
    """A blurred step, 0 to 1 (the logistic curve nearest to a Gaussian's integral; Bowling 2009)."""
    return np.asarray(1.0 / (1.0 + np.exp(-1.702 * np.clip(x, -20.0, 20.0))))
