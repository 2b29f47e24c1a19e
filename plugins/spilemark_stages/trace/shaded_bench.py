"""Bench in a hard shadow that is one with the pattern beside it, so that it passes for its face.

A shadow takes much of the light and changes hue by little: what is left of the
light comes from the sky or from another lamp.  Where what stands out from the
bench falls in two, the one clearly of another hue and the other darker and of
the bench's, the other is bench, and must not teach what the face looks like.
"""

from __future__ import annotations

import cv2
import numpy as np

from spilemark.records import Bools, CardSighting, Floats, View
from spilemark_stages.trace.densities import shadow_like
from spilemark_stages.trace.masks import disc
from spilemark_stages.trace.photometry import Float32
from spilemark_stages.trace.tint import BY_SHADE

_SMALLEST_MM2 = 400.0
"""Less of either is a knot, a stain, or cannot teach a face."""
_LEAST_DEPTH = 0.2
"""Log light: half-light at least, ..."""
_LEAST_TINT = 0.03
"""... and a hue that is off by no more than this, besides what so much shade may change."""
_APART = 0.15
"""Difference of log hue from which on the other part is no shadow of anything grey, ..."""
_CLEARLY = 5.0
"""... if it is so many times what hue scatters."""
_SPECK_MM = 3.0
_GAP_MM2 = 20.0
"""A dark gap smaller than this says too little by its hue."""
_ODD = 2.5
"""Doubts of a pixel's hue from which on the median of a gap is no bench in shadow."""
_FRINGE_MM = 4.0
"""Round a knot's dark heart it is of any tone between its own and the face's, the bench's too."""
_TELLING_MM = 2.0
"""Height of a face from which on the survey tells a card on it from one on the bench, ..."""
_AT_BENCH = 0.25
"""... which stands by less than this share of it."""


def cards_on_bench(view: View) -> tuple[CardSighting, ...]:
    """Cards whose size in the picture says that they lie on the bench and on no pattern."""
    height = view.plane.height_mm
    if height < _TELLING_MM:
        return ()
    return tuple(card for card in view.cards if card.lift_mm < _AT_BENCH * height)


def without_shaded_bench(deep: Bools, values: Float32, spread: Floats, mm: float) -> Bools:
    """What may teach the face: all of it, or all but the bench in shadow.

    Parameters
    ----------
    deep : (h, w)
        Pixels well within what stands out from the bench.
    values : (h, w, 3)
        Log light and two log hues, less the bench's.
    spread : (3,)
        Their spread on the bench.
    mm : float
        Size of a pixel.
    """
    shade = (deep & shadow_like(values, spread)).astype(np.uint8)
    speck = disc(_SPECK_MM / mm)
    for how in (cv2.MORPH_CLOSE, cv2.MORPH_OPEN):
        shade = np.asarray(cv2.morphologyEx(shade, how, speck), dtype=np.uint8)
    dark = deep & (shade > 0)
    rest = np.asarray(deep & (shade == 0), dtype=np.bool_)
    if min(dark.sum(), rest.sum()) * mm**2 < _SMALLEST_MM2:
        return deep
    own, there = (np.median(values[part], axis=0) for part in (rest, dark))
    allowed = _LEAST_TINT + BY_SHADE * max(0.0, -float(there[0]))
    if there[0] > -_LEAST_DEPTH or np.abs(there[1:]).max() > allowed:
        return deep
    scatter = [
        1.4826 * np.median(np.abs(values[p] - np.median(values[p], 0)), 0) for p in (rest, dark)
    ]
    step = float(np.linalg.norm((own - there)[1:]))
    if step < max(_APART, _CLEARLY * float(np.max(scatter, axis=0)[1:].max())):
        return deep
    return rest


def knots(dark: Bools, values: Float32, spread: Floats, mm: float) -> Bools:
    """Where (h, w) the ``dark`` gaps at a face's rim have a hue that shade gives no bench.

    A knot at the edge is dark as a shadow in a notch is.  Shade alone turns the bench's hue by a
    little for each share of the light that it takes; what is turned by more is a surface.
    """
    out = np.zeros(dark.shape, dtype=bool)
    whole = np.asarray(cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, disc(1)), np.uint8)
    if not whole.any():
        return out
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=4)
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] * mm**2 < _GAP_MM2:
            continue
        x, y, w, h = (int(v) for v in stats[k, :4])
        far = round(_FRINGE_MM / mm) + 1
        box = (slice(max(0, y - far), y + h + far), slice(max(0, x - far), x + w + far))
        one = labels[box] == k
        typical = np.median(values[box][one], axis=0)
        doubt = np.hypot(spread[1:], BY_SHADE * typical[0])
        if (np.abs(typical[1:]) > _ODD * doubt).any():
            near = cv2.dilate(one.astype(np.uint8), disc(_FRINGE_MM / mm)) > 0
            out[box] |= near
    return out
