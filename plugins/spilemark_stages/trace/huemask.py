"""The rim of a roughly known region once more, by hue, pixel by pixel.

Long filters find an edge that hardly shows, but cut corners short and bridge
notches.  Where the two sides turn out to differ in hue by more than either
scatters, hue tells each pixel of the rim by itself.
"""

from __future__ import annotations

import cv2
import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.trace.masks import Mask, disc, largest_part
from spilemark_stages.trace.photometry import Float32
from spilemark_stages.trace.tint import BY_SHADE

_BAND_MM = 9.0
"""How far the rim may be off."""
_LEARN_MM = 40.0
"""How far from it the two sides are learnt."""
_CLEAR_MM = 6.0
"""How far from a card its paper and its blur still tinge what is beside it."""
_NEAR_MM = 25.0
"""From how near a hue is carried on: half-width of a box, twice."""
_FEWEST = 600
_BLUR_PX = 2.0
_APART = 2.5
"""Distance of the two hues, in spreads of a pixel, from which on hue is asked."""
_LEAST = 0.004
_SPECK_MM = 2.5


def refined(mask: Mask, values: Float32, hidden: Bools, mm: float) -> Mask | None:
    """A mask with its rim moved to where the hue changes; None where hue tells too little.

    Parameters
    ----------
    mask : (h, w)
        One pattern, its holes filled or not.
    values : (h, w, 3)
        Log light and two log hues.
    hidden : (h, w)
        Where cards lie.
    mm : float
        Size of a pixel.
    """
    inward = cv2.distanceTransform(mask, cv2.DIST_L2, 3) * mm
    outward = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3) * mm
    band = np.maximum(inward, outward) <= _BAND_MM
    if not band.any():
        return None
    smooth = np.asarray(cv2.GaussianBlur(values, (0, 0), _BLUR_PX), dtype=np.float32)
    deep = min(_BAND_MM, 0.6 * float(inward.max()))
    by_card = cv2.distanceTransform(1 - hidden.astype(np.uint8), cv2.DIST_L2, 3) * mm
    clear = by_card > _CLEAR_MM
    face = _look(smooth, (inward > deep) & clear, mm)
    bench = _look(smooth, (outward > _BAND_MM) & (outward < _LEARN_MM) & clear, mm)
    if face is None or bench is None:
        return None
    spread = np.hypot(face[1], bench[1])[1:] / np.sqrt(2.0)
    step = np.median((face[0] - bench[0])[band][:, 1:], axis=0)
    if np.linalg.norm(step / spread) < _APART:
        return None
    odds = _log_density(smooth, face) - _log_density(smooth, bench)
    new = np.where(band & (by_card > 0.5 * _CLEAR_MM), odds > 0, mask > 0).astype(np.uint8)
    speck = disc(_SPECK_MM / mm)
    for how in (cv2.MORPH_CLOSE, cv2.MORPH_OPEN):
        new = np.asarray(cv2.morphologyEx(new, how, speck), dtype=np.uint8)
    return largest_part(new) if new.any() else None


def _look(values: Float32, where: Bools, mm: float) -> tuple[Float32, Floats] | None:
    """A surface's light and hues (h, w, 3) carried on from nearby, and its spread (3,).

    From nearby, because a lamp's glare or a tinted shade changes one end of a bench
    and not the other.  None where there is too little of it.
    """
    if where.sum() < _FEWEST:
        return None
    reach = 2 * max(1, round(_NEAR_MM / mm)) + 1
    share = where.astype(np.float32)
    both = np.dstack([values * share[..., None], share])
    for _ in range(2):
        both = cv2.blur(both, (reach, reach), borderType=cv2.BORDER_REFLECT)
    local = both[..., :3] / np.maximum(both[..., 3:], 1e-3)
    whole = np.median(values[where][::3], axis=0)
    # Far from all of it, what is usual stands in.
    weight = np.clip(both[..., 3:] / 0.02, 0.0, 1.0)
    local = weight * local + (1 - weight) * whole
    off = np.abs(values[where] - local[where])[::3].astype(np.float64)
    return local.astype(np.float32), np.maximum(1.4826 * np.median(off, axis=0), _LEAST)


def _log_density(values: Float32, look: tuple[Float32, Floats]) -> Float32:
    """Log density (h, w) of both hues, with a doubt that grows with shade."""
    off = values - look[0]
    shade = (np.float32(BY_SHADE) * off[..., 0]) ** 2
    out = np.zeros(values.shape[:2], dtype=np.float32)
    for k in (1, 2):
        variance = shade + np.float32(look[1][k] ** 2)
        out -= np.float32(0.5) * (np.minimum(off[..., k] ** 2 / variance, 16.0) + np.log(variance))
    return out
