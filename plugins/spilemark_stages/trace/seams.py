"""Where surfaces part: a map of how unlike the two sides of every place are, for any surfaces.

Tan ply on a plywood bench differs from it in no tone that could be named
beforehand.  But its edge is a long smooth line on both sides of which
brightness, hue, strength and direction of the grain are not the same, with a
thin line of wall and shade between.  Each of these is asked with long, narrow
filters in many directions, and each answer is counted in units of what the
same filter in the same direction says of the bench: the bench's own grain then
weighs as little as noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from spilemark.records import Bools, Floats, Pixels
from spilemark_stages.trace.masks import nearest_seen
from spilemark_stages.trace.photometry import Float32, reduced

PIXEL_MM = 1.75
"""About the size of a pixel of the map: grain, filters and edges are told in it."""
_DIRECTIONS = 12
_ALONG_PX = 5.0
"""One sigma of a filter along the seam, map pixels: about 9 mm."""
_STEP_PX = 1.3
"""One sigma across: tone and hue ..."""
_GRAIN_PX = 3.0
"""... grain, which needs some room to be told ..."""
_LINE_PX = 0.9
"""... and the thin line between."""
_LEAST = np.array([0.004, 0.002, 0.002, 0.03, 0.02, 0.02, 0.003], dtype=np.float32)
"""Least believed spread of each answer: log light, two log hues, log grain, its two directions, line."""
_MOST = 8.0
"""Spreads beyond which no answer counts for more: a pencil line is no better than an edge."""
_GRAIN_FLOOR = 0.05
"""Squared steps of grey, per fine pixel, that noise alone makes."""


@dataclass(frozen=True, slots=True, eq=False)
class SeamMap:
    """How unlike the two sides of each place are."""

    strength: Float32
    """(h, w) sum of squared answers, in spreads of the bench; 0 where a card lies."""
    hidden: Bools
    """(h, w) under a card or its paper."""
    fields: Float32
    """(h, w, 6) log light, two log hues, log strength of the grain and its two directions."""
    shrink: int
    """Size of a pixel, in pixels of the reduced picture."""


def seam_map(
    pixels: Pixels, values: Float32, hidden: Bools, factor: int, small_mm: float
) -> SeamMap:
    """Ask every place of a photo.

    Parameters
    ----------
    pixels : (H, W, C)
        The photo as stored.
    values : (h, w, 3)
        Its reduced picture as log reflectance relative to the bench.
    hidden : (h, w)
        Where cards and their paper lie.
    factor : int
        Size of a pixel of the reduced picture, stored px ...
    small_mm : float
        ... and mm.
    """
    shrink = max(1, min(round(PIXEL_MM / small_mm), min(hidden.shape) // 16))
    size = (values.shape[1] // shrink, values.shape[0] // shrink)
    under = cv2.resize(hidden.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    tone = cv2.resize(values, size, interpolation=cv2.INTER_AREA)
    fields = _without_cards(np.dstack([tone, _grain(pixels, factor, size)]), under)
    clear = cv2.dilate(under.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    rim = round(_ALONG_PX) + 1
    clear[:rim] = clear[-rim:] = False
    clear[:, :rim] = clear[:, -rim:] = False
    strength = np.zeros((size[1], size[0]), dtype=np.float32)
    if clear.any():
        for k in range(_DIRECTIONS // 2):
            found = _asked(fields, clear, 180.0 * k / _DIRECTIONS)
            np.maximum(strength, found, out=strength)
    strength[under] = 0.0
    return SeamMap(strength, under, fields, shrink)


def _grain(pixels: Pixels, factor: int, size: tuple[int, int]) -> Float32:
    """Log strength of the fine grain and the double angle of its direction (h, w, 3).

    The structure tensor (Bigun and Granlund 1987) of the photo at half size.
    """
    fine = reduced(pixels, max(1, factor // 2))
    grey = fine[..., 0] if fine.shape[2] == 1 else cv2.cvtColor(fine, cv2.COLOR_RGB2GRAY)
    full = np.float32(255.0 / np.iinfo(fine.dtype).max)
    light = cv2.GaussianBlur(np.asarray(grey, dtype=np.float32) * full, (0, 0), 1.0)
    x, y = (cv2.Scharr(light, cv2.CV_32F, *d, scale=1 / 32) for d in ((1, 0), (0, 1)))
    xx, yy, xy = (cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in (x * x, y * y, x * y))
    strength = cv2.log(xx + yy + np.float32(_GRAIN_FLOOR))
    xx, yy, xy = (cv2.GaussianBlur(p, (0, 0), 1.0) for p in (xx, yy, xy))
    whole = xx + yy + np.float32(_GRAIN_FLOOR)
    return np.dstack([strength, (xx - yy) / whole, 2 * xy / whole]).astype(np.float32)


def _without_cards(fields: Float32, under: Bools) -> Float32:
    """Fields with each hidden place as its nearest one that is seen."""
    if not under.any() or under.all():
        return fields
    flat = fields.reshape(-1, fields.shape[2])
    return np.ascontiguousarray(flat[nearest_seen(under)])


def _kernel(sigma: float, order: int) -> Float32:
    """A Gaussian, its slope or its bend, so that a unit step or line answers with about one."""
    reach = int(np.ceil(3.5 * sigma))
    x = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (x / sigma) ** 2)
    if order == 0:
        return np.asarray(bell / bell.sum(), dtype=np.float32)
    kernel = -x * bell if order == 1 else (x * x / sigma**2 - 1) * bell
    kernel = kernel - kernel.mean()
    return np.asarray(2 * kernel / np.abs(kernel).sum(), dtype=np.float32)


def _asked(fields: Float32, clear: Bools, degrees: float) -> Float32:
    """The greater sum (h, w) of squared answers across one direction and across that at right angles.

    The picture is turned once for both; only the sum is turned back.
    """
    height, width = clear.shape
    side = int(np.ceil(np.hypot(height, width))) + 8
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), degrees, 1.0)
    turn[:, 2] += [(side - width) / 2, (side - height) / 2]
    size = (side, side)
    tone, grain = (
        cv2.warpAffine(
            np.ascontiguousarray(fields[..., part]), turn, size, borderMode=cv2.BORDER_REPLICATE
        )
        for part in (slice(0, 3), slice(3, 6))
    )
    light = np.ascontiguousarray(tone[..., 0])
    seen = cv2.warpAffine(clear.astype(np.uint8), turn, size, flags=cv2.INTER_NEAREST) > 0
    along = _kernel(_ALONG_PX, 0)
    step, line, room = _kernel(_STEP_PX, 1), _kernel(_LINE_PX, 2), _kernel(_GRAIN_PX, 1)
    best = np.zeros(size, dtype=np.float32)
    for upright in (False, True):
        answers = [
            cv2.sepFilter2D(what, -1, *((across, along) if upright else (along, across)))
            for what, across in ((tone, step), (grain, room), (light, line))
        ]
        every = [*cv2.split(answers[0]), *cv2.split(answers[1]), answers[2]]
        total = np.zeros(size, dtype=np.float32)
        for answer, least in zip(every, _LEAST, strict=True):
            np.abs(answer, out=answer)
            spread = max(1.4826 * float(np.median(answer[seen][::5])), float(least))
            total += np.minimum(answer * np.float32(1 / spread), np.float32(_MOST)) ** 2
        np.maximum(best, total, out=best)
    return np.asarray(
        cv2.warpAffine(best, turn, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP),
        dtype=np.float32,
    )


def background(seams: SeamMap) -> Floats:
    """Median and upper tenth (2,) of the strength over what is seen: mostly bench."""
    seen = seams.strength[~seams.hidden]
    return np.quantile(seen[::3], (0.5, 0.9)) if seen.size else np.ones(2)
