"""A closed pencil line measured on the photo as taken: its middle, its corners, what of it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.records import Bools, Floats, PlaneMap
from spilemark_stages.trace.corners import Meeting, smooth_tangents
from spilemark_stages.trace.line_model import SAMPLES, LinePlaces, line_places
from spilemark_stages.trace.photometry import LinearPhoto, luma
from spilemark_stages.trace.pieces import Piece
from spilemark_stages.trace.profiles import Placed, placed, profiles, stacked
from spilemark_stages.trace.stretches import Sheet
from spilemark_stages.trace.traced_ring import RingTracer

_STRETCH_MM = 8.0
"""Half-width of the triangular window of a mean profile."""
_SMOOTH_MM = 2.5
"""Half-width of the local fit: a hand's wobble is longer."""
_SHOW_MM = 4.0
"""Length over which it is asked whether the line shows."""
_USUALLY = 0.8
"""Quantile of darkness that stands for the line: grain may make up much of a ring, but is paler."""
_SHOWS = 0.35
"""Share of the line's own typical darkness from which on it does ..."""
_ABOVE = 2.0
"""... when it also stands out of what lies beside it by so many times that one's scatter."""
_LEAST_DEPTH = 0.03
"""Darkening, as a share of the face's light, below which nothing is a line."""
_THIN_MM = 0.3
"""A pencil's line is no thinner; common practice, no source."""
_WIDER_MM = 0.35
"""A line wider by this than it mostly is was drawn twice."""
_BESIDE_MM = 4.5
"""How far beside the line the face is followed, to know what its grain passes for ..."""
_EVERY = 3
"""... by every third profile ..."""
_ALMOST_ALL = 0.9
"""... and this quantile: what else is drawn there is not grain."""
_FEWEST = 8
_OUT_OF_GRAIN = 3.0
"""A faint line counts as seen only where it is so many times as dark as that: the search may have
followed the darkest grain."""
_ASIDE_PX = 4.0
"""Beyond this a profile shows the face."""
_FARTHEST_PX = 2.5


@dataclass(frozen=True, slots=True)
class _Usual:
    """What a line is like where it is drawn as it should be."""

    width_mm: float
    dark_mm: float
    """Its darkening, as a share of the face's light, times its width."""

    @classmethod
    def of(cls, width: Floats, dark: Floats) -> _Usual:
        """From values all along it."""
        if not len(dark):
            return cls(0.0, 0.0)
        return cls(float(np.median(width)), float(np.quantile(dark, _USUALLY)))


@dataclass(frozen=True, slots=True, eq=False)
class _Measure:
    """One piece of the line as measured."""

    points_mm: Floats
    width_mm: Floats
    dark_mm: Floats
    apart_mm: Floats
    spacing_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Doubled:
    """Where a line was drawn twice, not quite in the same place."""

    length_mm: float
    apart_mm: float
    at_mm: Floats
    """(2,) a place of it."""


class ScribedTracer(RingTracer):
    """Traces drawn rings as its base traces cut ones; only what is measured across them differs."""

    def __init__(
        self, photo: LinearPhoto, plane: PlaneMap, blur_px: float, *, faint: bool = False
    ) -> None:
        super().__init__(photo, plane, Sheet(0.0))
        self.blur_px = blur_px
        self._grains = _OUT_OF_GRAIN if faint else 1.0
        self._usual = _Usual(0.0, 0.0)
        self._measures: list[_Measure] = []

    @property
    def width_mm(self) -> float:
        """Width of the line that was followed last; blur hides how thin a thin one is."""
        return max(_usual(self._measures).width_mm, _THIN_MM)

    @property
    def doubled(self) -> Doubled | None:
        """Where the line that was followed last runs double, if anywhere."""
        apart = np.concatenate([m.apart_mm for m in self._measures])
        points = np.concatenate([m.points_mm for m in self._measures])
        if not (apart > 0).any():
            return None
        length = float(sum(m.spacing_mm * (m.apart_mm > 0).sum() for m in self._measures))
        at = points[apart > 0]
        middle = at[np.linalg.norm(at - np.median(at, axis=0), axis=1).argmin()]
        return Doubled(length, float(np.median(apart[apart > 0])), middle)

    def _pass(
        self, ring: Floats, corners: list[Meeting], base_gap: float, step: float, gap: float
    ) -> tuple[list[Piece], list[Meeting]]:
        """As its base; what is usual along the whole line is told by the pass before."""
        if self._measures:
            self._usual = _usual(self._measures)
        self._measures = []
        return super()._pass(ring, corners, base_gap, step, gap)

    def _measured(self, base: Floats, usable: Bools, *, closed: bool) -> Piece:
        """Measure one evenly spaced base line and smooth the result along it."""
        if usable.sum() < 6:
            return Piece(base, np.full(len(base), 1.0), np.zeros(len(base), dtype=bool))
        t = smooth_tangents(base, closed=closed)
        line = placed(base, np.stack([t[:, 1], -t[:, 0]], axis=-1), self.plane, 0.0)
        light, inside = _relative_light(self.photo, line)
        spacing = float(np.median(np.linalg.norm(np.diff(base, axis=0), axis=1)))
        found, shift, depth, stride = self._shifts(light, usable & inside, spacing, closed=closed)
        scale = line.mm_per_px
        width = np.repeat(found.width_px, stride)[: len(base)] * scale
        dark = _running(depth * width, usable & inside, 0.5 * _SHOW_MM / spacing, closed=closed)
        usual = self._usual if self._usual.width_mm else _Usual.of(width, dark[usable & inside])
        grain = self._grains * self._grain_dark(line, spacing, closed)
        least = max(_least_dark(light, usual, spacing), grain)
        shows = usable & inside & (dark > least)
        apart = _apart(width, np.repeat(found.beside_px, stride)[: len(base)] * scale, usual, shows)
        self._measures.append(_Measure(base, width, dark[usable & inside], apart, spacing))
        offset = np.where(shows & (np.abs(shift) < _FARTHEST_PX), shift, np.nan)
        own = np.repeat(found.sigma_px, stride)[: len(base)]
        piece = self._smoothed(line, offset, own, np.zeros(len(base)), _SMOOTH_MM, closed=closed)
        sigma = np.where(piece.seen, np.hypot(piece.sigma, 0.5 * apart), 1.0)
        return Piece(piece.points, sigma, piece.seen)

    def _grain_dark(self, line: Placed, spacing: float, closed: bool) -> float:
        """Darkness, mm, that the face's own grain reaches when it is followed as the line is."""
        found = []
        for aside in (-_BESIDE_MM, _BESIDE_MM):
            base = line.points_mm[::_EVERY] + aside * line.normals_mm[::_EVERY]
            if len(base) < _FEWEST:
                return 0.0
            beside = placed(base, line.normals_mm[::_EVERY], self.plane, 0.0)
            light, inside = _relative_light(self.photo, beside)
            if inside.sum() < _FEWEST:
                continue
            pace = spacing * _EVERY
            bars, _, depth, stride = self._shifts(light, inside, pace, closed=closed)
            width = np.repeat(bars.width_px, stride)[: len(base)] * beside.mm_per_px
            dark = _running(depth * width, inside, 0.5 * _SHOW_MM / pace, closed=closed)
            found.append(dark[inside])
        return float(np.quantile(np.concatenate(found), _ALMOST_ALL)) if found else 0.0

    def _shifts(
        self, light: Floats, usable: Bools, spacing: float, *, closed: bool
    ) -> tuple[LinePlaces, Floats, Floats, int]:
        """Bars of the mean profiles; offset (N,) px and depth (N,) of each profile; the stride."""
        reach = max(3, min(round(_STRETCH_MM / spacing), len(light) // 3))
        stride = max(1, reach // 2)
        means, weight = stacked(
            light[..., None].astype(np.float32), usable, reach, stride, closed=closed
        )
        mean = means[..., 0]
        found = line_places(mean, weight > 0.05, self.blur_px)
        at = np.arange(len(light)) / stride
        low = np.minimum(at.astype(np.int64), len(mean) - 1)
        high = (low + 1) % len(mean) if closed else np.minimum(low + 1, len(mean) - 1)
        share = np.minimum(at - low, 1.0)
        nearest = np.where(share < 0.5, low, high)
        slope = np.gradient(found.fitted, SAMPLES, axis=1)
        x = SAMPLES[None, :] - found.place_px[:, None]
        ramp = np.clip(0.5 + x / 3.0, 0.0, 1.0)
        dip = found.dip
        wide = 4.5 + 0.5 * found.width_px[:, None]
        window = np.clip(1.0 - (np.abs(x) / wide) ** 2, 0.0, None)
        design = np.stack([-slope, dip, np.ones_like(dip), ramp], axis=-1)
        weighted = design * window[..., None]
        normal = np.einsum("msi,msj->mij", weighted, design)
        normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(4)
        rows = np.linalg.solve(normal, weighted.transpose(0, 2, 1))[:, :2]
        blend = (1 - share)[:, None] * found.fitted[low] + share[:, None] * found.fitted[high]
        told = np.einsum("nis,ns->ni", rows[nearest], light - blend)
        strength = 1.0 + told[:, 1]
        place = (1 - share) * found.place_px[low] + share * found.place_px[high]
        shift = place + np.clip(told[:, 0] / np.maximum(strength, 0.3), -3.0, 3.0)
        return found, shift, strength * found.depth[nearest], stride


def _relative_light(photo: LinearPhoto, line: Placed) -> tuple[Floats, Bools]:
    """Light (N, S) as a share of each profile's own ground, and which profiles lie in the frame."""
    values, inside = profiles(photo, line, SAMPLES)
    light = luma(values).astype(np.float64)
    ground = np.median(light[:, np.abs(SAMPLES) > _ASIDE_PX], axis=1)
    return light / np.maximum(ground, 1e-4)[:, None], inside


def _usual(measures: Sequence[_Measure]) -> _Usual:
    width = np.concatenate([m.width_mm for m in measures])
    return _Usual.of(width, np.concatenate([m.dark_mm for m in measures]))


def _least_dark(light: Floats, usual: _Usual, spacing: float) -> float:
    """Darkness from which on a line is there to be seen.

    The whole line's counts: a side on which there is but grain is like itself.
    """
    beside = light[:, np.abs(SAMPLES) > _ASIDE_PX]
    noise = float(np.median(np.std(beside, axis=1))) / np.sqrt(max(_SHOW_MM / spacing, 1.0))
    depth = max(_ABOVE * noise, _LEAST_DEPTH)
    return float(max(_SHOWS * usual.dark_mm, depth * max(usual.width_mm, _THIN_MM)))


def _apart(width: Floats, beside: Floats, usual: _Usual, shows: Bools) -> Floats:
    """How far two strokes (N,) lie apart, mm, of which either may be the line; 0 where there is one.

    Two that lie close are one wide line, whose middle is taken.
    """
    excess = width - max(usual.width_mm, _THIN_MM)
    apart = np.maximum(np.where(excess > _WIDER_MM, excess, 0.0), beside)
    return np.where(shows, apart, 0.0)


def _running(values: Floats, usable: Bools, reach: float, *, closed: bool) -> Floats:
    """Mean (N,) of the usable values within ``reach`` samples of each."""
    half = min(max(1, round(reach)), (len(values) - 1) // 2)
    kernel = np.full(2 * half + 1, 1.0 / (2 * half + 1))
    use = usable.astype(float)
    sums = [
        np.convolve(np.pad(v, half, mode="wrap" if closed else "edge"), kernel, mode="valid")
        for v in (values * use, use)
    ]
    return np.asarray(sums[0] / np.maximum(sums[1], 1e-6))
