"""What a profile across a cut edge may look like, and how likely each place of the edge is.

Walking outward across the edge of a sheet one meets

* the *face*: even, but for grain;
* the *wall*, where the camera stands outside of the edge: a band whose width
  follows from the sheet's thickness and the camera's place, whose brightness
  may be anything (plies, glue lines);
* the *bench*, which beside the edge may lie in a shadow of any depth and width.

All three are Gaussian processes seen through the blur of the lens, so the
evidence for each place of the edge has a closed form (Rasmussen and Williams,
"Gaussian Processes for Machine Learning", 2006, eq. 2.30): a place that would
need the face to be uneven is unlikely, a place that would waste the freedom of
the bench is unlikely too.  A shadow's outer border or the foot of the wall is
therefore not taken for the edge, even where it is the strongest step of all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats

_FINE = 0.1
"""Grid of the latent profile, px."""


@dataclass(frozen=True, slots=True)
class Freedom:
    """How uneven each part may be, in units of the profile's own range."""

    face_level: float
    face_walk: float
    """Per square root of a px."""
    arris_level: float
    wall_level: float
    wall_walk: float
    outer_level: float
    outer_walk: float
    shadow: float
    """Of light that comes back with distance from the foot, over each of ``_RECOVERY_PX``."""
    noise: float


FINDING = Freedom(
    face_level=0.10,
    face_walk=0.03,
    arris_level=0.0,
    wall_level=1.0,
    wall_walk=0.5,
    outer_level=1.0,
    outer_walk=0.09,
    shadow=0.0,
    noise=0.04,
)
"""Coded brightness of profiles that are not yet aligned."""

MEASURING = Freedom(
    face_level=0.10,
    face_walk=0.02,
    arris_level=0.4,
    wall_level=0.35,
    wall_walk=0.35,
    outer_level=1.0,
    outer_walk=0.06,
    shadow=0.2,
    noise=0.02,
)
"""Linear brightness of a mean of many aligned profiles; the wall's in units of the face's own light."""


@dataclass(frozen=True, slots=True)
class WallLight:
    """What is expected of a sawn wall's light, as a share of the face's."""

    mean: float
    spread: float


WALL_LIGHTS = (WallLight(0.2, 0.2), WallLight(0.4, 0.3), WallLight(0.6, 0.35))
"""Wall in shade, in half shade, in the light.  It stands upright under lamps from above and its
plies and end grain are darker than the face, but a window may shine right on it."""


def wall_kind(shade: Floats) -> NDArray[np.int64]:
    """Which of ``WALL_LIGHTS`` goes with the bench's light beside the wall (share of its full light).

    Where the pattern throws its shadow, its wall is turned away from the lamp too.
    """
    return np.asarray(np.digitize(shade, [0.5, 0.8]))


@dataclass(frozen=True, slots=True)
class Grid:
    """Where profiles are sampled and which places of the edge are tried, px."""

    samples: tuple[float, ...]
    shifts: tuple[float, ...]


def grid(reach_in: float, reach_out: float, step: float, search: float, pace: float) -> Grid:
    """Samples from ``-reach_in`` to ``reach_out`` and trial places within ``search``, px."""
    samples = np.arange(-round(reach_in / step), round(reach_out / step) + 1) * step
    shifts = np.arange(-round(search / pace), round(search / pace) + 1) * pace
    return Grid(tuple(float(v) for v in samples), tuple(float(v) for v in shifts))


def _blurred(latent: Floats, sigma: float) -> Floats:
    """Rows of latent functions blurred by a Gaussian of ``sigma`` px."""
    reach = int(np.ceil(4 * sigma / _FINE))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * _FINE / sigma) ** 2)
    kernel /= kernel.sum()
    padded = np.pad(latent, ((0, 0), (reach, reach)), mode="edge")
    return np.stack([np.convolve(row, kernel, mode="valid") for row in padded])


def _latent(x: Floats, arris: float, wall: float, light: float, kind: int, free: Freedom) -> Floats:
    """Functions (M, len(x)) whose unit-variance sum is the profile; the edge at 0, foot at ``wall``.

    The first row is the wall's expected brightness, not a freedom.
    """
    face, outer = x < -arris, x >= wall
    on_wall = (x >= 0) & (x < wall)
    expected = WALL_LIGHTS[kind]
    rows = [-(1 - expected.mean) * light * on_wall, free.face_level * (x < 0)]
    rows.append(free.outer_level * outer)
    if arris > 0:
        # It is of the face's own wood: in other light, not of another colour.
        own = light if light > 0 else 1.0
        rows.append(free.arris_level * own * ((x >= -arris) & (x < 0)))
    if wall > 0:
        rows.append((light * expected.spread if light > 0 else free.wall_level) * on_wall)
        scale = light if light > 0 else 1.0
        rows += [
            scale * free.wall_walk * np.sqrt(1.5) * (on_wall & (x >= k))
            for k in np.arange(1.5, wall - 0.5, 1.5)
        ]
    # Steps near the ends of the grid would be cut off by its blur.
    ends = int(np.rint(2 * x[0])) // 2 + 2, int(np.rint(2 * x[-1])) // 2 - 2
    rows += [free.face_walk * (face & (x < k)) for k in range(ends[0], 0)]
    rows += [free.outer_walk * (x >= k) for k in wall + np.arange(1, ends[1] - int(wall))]
    if free.shadow > 0:
        beyond = np.maximum(x - wall, 0.0)
        rows += [free.shadow * (1 - np.exp(-beyond / reach)) for reach in _RECOVERY_PX]
    return np.asarray(rows, dtype=np.float64)


@lru_cache(maxsize=512)
def _evidence_terms(
    where: Grid, arris: float, wall: float, light: float, kind: int, sigma: float, free: Freedom
) -> tuple[Floats, Floats, Floats]:
    """What makes a profile white for every trial place at once.

    Returns the matrix (S, shifts * S), the log determinants (shifts,) and the
    whitened means (shifts * S,).
    """
    s, trial = np.array(where.samples), np.array(where.shifts)
    low = s[0] - trial[-1] - 1
    high = s[-1] - trial[0] + 1
    x = np.arange(round(low / _FINE), round(high / _FINE) + 1) * _FINE
    # A step between two samples of the grid belongs to its middle.
    sharp = [_latent(x + half, arris, wall, light, kind, free) for half in (-_FINE / 2, _FINE / 2)]
    functions = _blurred(0.5 * (sharp[0] + sharp[1]), sigma)
    at = np.round((s[None, :] - trial[:, None] - x[0]) / _FINE).astype(int)
    design = functions[1:, at].transpose(1, 2, 0)
    covariance = design @ design.transpose(0, 2, 1) + free.noise**2 * np.eye(len(s))
    root = np.linalg.cholesky(covariance)
    white = np.linalg.inv(root)
    log_det = 2.0 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    mean = (white @ functions[0, at][:, :, None]).ravel()
    return np.ascontiguousarray(white.reshape(-1, len(s)).T), log_det, mean


_RECOVERY_PX = (2.0, 5.0, 12.0)
"""Distances over which a shadow beside the foot clears up, px."""

_LIGHTS = np.array([0.15, 0.3, 0.6, 1.0, 1.8, 3.2, 6.0])
"""Steps in which the face's light, against the profile's range, enters the model."""


def log_evidence(
    profiles: Floats,
    walls: Floats,
    where: Grid,
    sigma: float,
    free: Freedom,
    *,
    arris: float = 0.0,
    lights: Floats | None = None,
    shade: Floats | None = None,
) -> Floats:
    """Log evidence (N, shifts) of each trial place of the edge.

    Parameters
    ----------
    profiles : (N, S)
        Along the outward normal; the face is 0, the whole range about 1.
    walls : (N,)
        Width in px of the wall as the camera sees it; 0 or less where it is hidden.
    sigma : float
        Blur, px.
    arris : float
        Width in px of the broken edge, which may have any brightness.
    lights : (N,)
        The face's own light in units of the range.  None, or 0: nothing is expected of the wall.
    shade : (N,)
        Light of the bench beside the edge as a share of its full light.
    """
    out = np.empty((len(profiles), len(where.shifts)))
    # A wall that fills the profile is as good as one that is wider still.
    width = np.round(np.clip(walls, 0.0, where.samples[-1] - where.shifts[0] + 1.0) * 2) / 2
    level, kind = np.zeros(len(profiles)), np.ones(len(profiles), dtype=np.int64)
    if lights is not None:
        nearest = np.abs(np.log(np.maximum(lights, 1e-3))[:, None] - np.log(_LIGHTS)).argmin(axis=1)
        level = np.where((width > 0) & (lights > 0), _LIGHTS[nearest], 0.0)
        if shade is not None:
            kind = np.where(width > 0, wall_kind(shade), 1)
    for key in np.unique(np.stack([width, level, kind], axis=1), axis=0):
        rows = (width == key[0]) & (level == key[1]) & (kind == key[2])
        whiten, log_det, mean = _evidence_terms(
            where, round(arris, 1), float(key[0]), float(key[1]), int(key[2]), round(sigma, 2), free
        )
        miss = profiles[rows] @ whiten - mean
        miss *= miss
        out[rows] = -0.5 * (miss.reshape(len(miss), len(where.shifts), -1).sum(axis=-1) + log_det)
    return out


def best_path(
    evidence: Floats, pace_px: float, stiffness: float, *, closed: bool
) -> NDArray[np.int64]:
    """Trial place (N,) of each profile so that neighbours agree (Viterbi 1967).

    ``stiffness`` is the cost of a jump of one px between neighbours.  A closed
    line is started where the evidence is clearest and walked round once.
    """
    n, states = evidence.shape
    clear = evidence.max(axis=1) - np.median(evidence, axis=1)
    start = int(np.argmax(clear)) if closed else 0
    score = np.roll(evidence, -start, axis=0)
    index = np.arange(states)
    jump = stiffness * np.minimum(np.abs(index[:, None] - index) * pace_px, 8.0)
    total = score[0].copy()
    back = np.zeros((n, states), dtype=np.intp)
    # A jump costs the same either way: rows stand for where it leads, columns for where it starts.
    candidate = np.empty((states, states))
    for i in range(1, n):
        np.subtract(total, jump, out=candidate)
        candidate.argmax(axis=1, out=back[i])
        total = candidate.take(back[i] + states * index) + score[i]
    path = np.empty(n, dtype=np.int64)
    path[-1] = total.argmax()
    for i in range(n - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return np.roll(path, start)


def place_of(
    evidence: Floats, path: NDArray[np.int64], shifts: tuple[float, ...], reach_px: float
) -> tuple[Floats, Floats]:
    """Mean and standard deviation (N,) in px of the place, within ``reach_px`` of the path.

    The mean, not the peak: where a thin wall might belong to either side, all
    places within it are about as likely.
    """
    coarse = np.asarray(shifts)
    fine, between = _finer(shifts)
    log = evidence @ between
    log[np.abs(fine[None, :] - coarse[path][:, None]) > reach_px] = -np.inf
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ fine
    least = 0.29 * (fine[1] - fine[0])
    spread = np.sqrt(np.maximum(weight @ fine**2 - mean**2, least**2))
    return mean, spread


@lru_cache(maxsize=8)
def _finer(shifts: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Places four times as fine (F,), and the cubic spline to them as a matrix (shifts, F).

    The spline without end conditions of its own ("not a knot"; de Boor, "A
    Practical Guide to Splines", 1978), on even places.  Written out here
    because the library that has it takes a tenth of a second to load.
    """
    count, step = len(shifts), shifts[1] - shifts[0]
    values = np.eye(count)
    bent = np.zeros((count, count))
    known = np.zeros((count, count))
    inner = np.arange(1, count - 1)
    for offset, weight in ((-1, 1.0), (0, 4.0), (1, 1.0)):
        bent[inner, inner + offset] = weight
    known[inner] = 6.0 / step**2 * (values[inner - 1] - 2 * values[inner] + values[inner + 1])
    bent[0, :3] = bent[-1, -3:] = 1.0, -2.0, 1.0
    second = np.linalg.solve(bent, known)
    fine = np.linspace(shifts[0], shifts[-1], 4 * (count - 1) + 1)
    low = np.minimum(((fine - shifts[0]) / step).astype(np.int64), count - 2)
    b = ((fine - shifts[0]) / step - low)[:, None]
    a = 1.0 - b
    curve = (a**3 - a) * second[low] + (b**3 - b) * second[low + 1]
    between = a * values[low] + b * values[low + 1] + step**2 / 6.0 * curve
    return fine, np.asarray(between.T)
