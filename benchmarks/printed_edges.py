"""Where straight printed edges, black beside white, are seen: read as the tracer reads a cut edge."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spilemark.records import Floats
from spilemark_stages.trace.edgemodel import MEASURING, Grid, grid, log_evidence, place_of
from spilemark_stages.trace.photometry import LinearPhoto, luma
from spilemark_stages.trace.stretches import BLURS_PX

_STEP_PX = 0.5
_SEARCH_PX, _PACE_PX = 1.6, 0.2
_LONGEST_REACH_PX = 6
_SHORTEST_REACH_PX = 3
"""With less of black and white beside it no edge has levels to be told by."""
_ENDS = 0.2
"""Share of an edge at either end that is left alone: crossings round it off."""
_ROW_PX = 1.5
_LEAST_SWING = 0.1
"""Of full light, between black and white."""


@dataclass(frozen=True, slots=True, eq=False)
class PrintedLines:
    """Straight edges of a print, each where its print puts it in the photo, stored px."""

    start_px: Floats
    """(E, 2)"""
    stop_px: Floats
    """(E, 2)"""
    white_px: Floats
    """(E, 2) any vector from the black to the white side."""
    clear_px: float
    """How far black and white reach on either side before the next printed edge."""

    @property
    def across_px(self) -> Floats:
        """(E, 2) unit normals towards the white."""
        along = self.stop_px - self.start_px
        across = np.stack([-along[:, 1], along[:, 0]], axis=-1)
        across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
        return np.asarray(across * np.sign((across * self.white_px).sum(axis=1))[:, None])


def where_seen(photo: LinearPhoto, lines: PrintedLines) -> Floats:
    """How far (E,) towards the white each edge is seen, px; NaN where it cannot be told.

    Each is placed twice, with its white and with its black in the part of the
    face of a pattern, and the mean is handed back: a light pattern and a dark
    one are read by one model.
    """
    reach = min(int(lines.clear_px - 1.0), _LONGEST_REACH_PX)
    if reach < _SHORTEST_REACH_PX or not len(lines.start_px):
        return np.full(len(lines.start_px), np.nan)
    where = _where(reach)
    means = mean_profiles(photo, lines, np.array(where.samples))
    swing = means[:, -2:].mean(axis=1) - means[:, :2].mean(axis=1)
    told = np.isfinite(swing) & (swing > _LEAST_SWING)
    out = np.full(len(means), np.nan)
    if told.any():
        black, white = _off_face(means[told]), _off_face(means[told, ::-1])
        blur = _best_blur(np.concatenate([black, white]), where)
        out[told] = 0.5 * (_placed(black, where, blur) - _placed(white, where, blur))
    return out


def mean_profiles(photo: LinearPhoto, lines: PrintedLines, samples: Floats) -> Floats:
    """Mean linear brightness (E, S) across each edge, black first; NaN where it leaves the frame."""
    along = lines.stop_px - lines.start_px
    longest = float(np.linalg.norm(along, axis=1).max())
    rows = max(4, round((1 - 2 * _ENDS) * longest / _ROW_PX))
    share = np.linspace(_ENDS, 1 - _ENDS, rows)
    at = lines.start_px[:, None] + share[:, None] * along[:, None]
    places = at[:, :, None] + samples[:, None] * lines.across_px[:, None, None]
    values = luma(photo.sample(places.reshape(len(along) * rows, len(samples), 2)))
    means = values.reshape(len(along), rows, -1).mean(axis=1).astype(np.float64)
    means[~photo.inside(places).all(axis=(1, 2))] = np.nan
    return np.asarray(means)


@lru_cache(maxsize=8)
def _where(reach: int) -> Grid:
    return grid(float(reach), float(reach), _STEP_PX, _SEARCH_PX, _PACE_PX)


def _off_face(means: Floats) -> Floats:
    """Profiles (E, S), the side that comes first at 0, the range about 1."""
    off = means - means[:, :3].mean(axis=1, keepdims=True)
    return np.asarray(off / np.abs(off).max(axis=1, keepdims=True))


def _best_blur(profiles: Floats, where: Grid) -> float:
    """Blur (px, one sigma) that explains the profiles best."""
    none = np.zeros(len(profiles))
    best = [
        float(np.median(log_evidence(profiles, none, where, blur, MEASURING).max(axis=1)))
        for blur in BLURS_PX
    ]
    return BLURS_PX[int(np.argmax(best))]


def _placed(profiles: Floats, where: Grid, blur_px: float) -> Floats:
    """Place (E,) of each edge, px, away from the side that comes first."""
    evidence = log_evidence(profiles, np.zeros(len(profiles)), where, blur_px, MEASURING)
    return place_of(evidence, evidence.argmax(axis=1), where.shifts, _SEARCH_PX)[0]
