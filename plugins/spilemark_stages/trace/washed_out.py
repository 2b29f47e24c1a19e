"""A face or a bench that is washed out: where the sensor was full, an edge lies outside of where it seems.

The edge of a blurred step is where light is half-way.  How bright the washed out
side was is not in the picture; twice the light that fills the sensor, a usual slip,
moves the place by 0.7 of the blur's sigma beside a dark bench and by more beside
a light one (normal quantile of the share of the step that is left).  It is
carried as doubt, not taken off.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from spilemark.frames import outward_normals
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, Note, View
from spilemark_stages.trace.photometry import LinearPhoto, luma

_ASIDE_MM = (3.0, 4.0, 5.0)
_FULL = 0.95
"""Linear light from which on the sensor counts as full: code 249 of 255."""
_MUCH = 0.25
"""Share of the outline along which one of its sides is washed out, from which on it is said."""
_TWICE, _TRUST = 2.0, 0.7
"""How bright the washed out side may well be, and one sigma as a share of what that does."""


def spill_px(
    photo: LinearPhoto, view: View, ring_mm: Floats, thickness_mm: float, blur_px: float
) -> float:
    """One sigma, px, of how far light from a washed out side moves the edge; 0 where none is.

    Scanners set their white lid to plain white, which is hardly more than full: they are not asked.
    """
    if view.straight.photo.is_scan:
        return 0.0
    normals = outward_normals(ring_mm)
    sides = [
        _light(photo, view, np.stack([ring_mm + d * way * normals for d in _ASIDE_MM], axis=1))
        for way in (-1.0, max(1.0, thickness_mm))
    ]
    bright, dark = np.maximum(*sides), np.minimum(*sides)
    full = (bright > _FULL) & (dark < _FULL)
    if float(full.mean()) < _MUCH:
        return 0.0
    other = float(np.median(dark[full]))
    left = 0.5 * (1.0 - other) / (_TWICE - other)
    return _TRUST * blur_px * float(-ndtri(left))


def _light(photo: LinearPhoto, view: View, points_mm: Floats) -> Floats:
    """Typical light (N,) of each row of points (N, M, 2)."""
    flat = plane_to_pixels(points_mm.reshape(-1, 2), view.plane)
    light = luma(photo.sample(flat.reshape(points_mm.shape)))
    return np.asarray(np.median(light, axis=1), dtype=np.float64)


def washed_out_note(view: View, spill: float) -> Note:
    """What happened, and what to do."""
    name = view.straight.photo.path.name
    return Note(
        code="washed-out",
        severity="warn",
        text=f"In {name} the pattern, or the bench beside it, is so bright that it is plain white:"
        " light spills over its edge, and the outline may come out too large or too small. The doubt"
        f" was widened by {spill:.1f} pixels (one sigma). Take it again out of the sun, or tap the pattern"
        " and draw the exposure down until it is no longer plain white.",
        value=spill,
        unit="px",
        photo=name,
    )
