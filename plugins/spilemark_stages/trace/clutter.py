"""Things that lie across a pattern's edge: a rule, a pencil, a weight.

In a mask of all that is not bench such a thing is one with the pattern.  It is
told by two marks together: it has another colour than the face, and where it is
taken away it leaves a gap beyond which a part of it sticks out.  A knot at the
edge has only the first, a tab of the pattern only the second.  What lies under
it is not seen: the outline is bridged there and marked as a guess.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.records import Bools
from spilemark_stages.trace.masks import Mask, disc, largest_part
from spilemark_stages.trace.photometry import Float32
from spilemark_stages.trace.tint import BY_SHADE

_SPREAD_FLOOR = np.array([0.12, 0.04, 0.05], dtype=np.float32)
"""Least believed spread of a face: log light, log red/green, log blue/green."""
_FOREIGN = 5.0
"""Spreads from which on a pixel is not of the face's own colour."""
_ENOUGH = 20_000
"""Pixels by which a face's own colour is told."""
_SKIN_MM = 2.5
"""Rim of a mask in which blur, wall and bench mix."""
_NARROWEST_MM = 3.0
_SPUR_MM2 = 40.0
_SPUR_SHARE = 0.1
"""Of the thing's visible area: what sticks out is at least so much."""
_LARGEST = 0.35
"""Share of the mask: more than that is no clutter but a face of two colours."""
_HALO_MM = 1.5
"""Its shade and blur beside it."""


def without_clutter(
    mask: Mask, values: Float32, mm: float, bench: Bools | None = None
) -> tuple[Mask, Bools]:
    """A pattern's mask with straight chords in place of what lies across its edge.

    Parameters
    ----------
    mask : (h, w)
        One pattern with whatever lies across its edge.
    values : (h, w, 3)
        Log light and two log hues.
    mm : float
        Size of a pixel.
    bench : (h, w)
        What may be bench, in the light or in shadow: a part of it that passed for pattern is
        taken away, but hides nothing.

    Returns
    -------
    mask : (h, w)
    covered : (h, w)
        Where something was taken away: nothing is seen there.
    """
    covered = np.zeros(mask.shape, dtype=bool)
    x, y, w, h = cv2.boundingRect(mask)
    pad = 3
    box = (slice(max(0, y - pad), y + h + pad), slice(max(0, x - pad), x + w + pad))
    out, seen = mask.copy(), values[box]
    for thing in _foreign_parts(mask[box], seen, mm):
        cut = _cut_away(out[box], thing, mm)
        if cut is None:
            continue
        if bench is not None and float(bench[box][thing > 0].mean()) > 0.5:
            out[box] = largest_part(out[box] & (1 - thing))
            continue
        out[box], gone = cut
        covered[box] |= gone
    return out, covered


def _foreign_parts(mask: Mask, values: Float32, mm: float) -> list[Mask]:
    """Parts of a mask that are not of its face's colour and reach its rim, largest first."""
    depth = cv2.distanceTransform(
        cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0), cv2.DIST_L2, 3
    )[1:-1, 1:-1]
    inner = depth > _SKIN_MM / mm
    if inner.sum() < 100:
        return []
    face = values[inner]
    face = face[:: 1 + len(face) // _ENOUGH]
    own = np.median(face, axis=0)
    spread = 1.4826 * np.median(np.abs(face - own), axis=0)
    off = values - own.astype(np.float32)
    limit = (_FOREIGN * np.maximum(spread, _SPREAD_FLOOR)).astype(np.float32)
    light, red, blue = (np.asarray(part) for part in cv2.split(off))
    # Half of the face may lie in somebody's shadow: that darkens much and tints a little.
    by_shade = BY_SHADE * np.abs(light)
    strange = (np.abs(red) - by_shade > limit[1]) | (np.abs(blue) - by_shade > limit[2])
    strange |= light > limit[0]
    odd = (strange & (mask > 0)).astype(np.uint8)
    narrow = disc(0.5 * _NARROWEST_MM / mm)
    odd = np.asarray(cv2.morphologyEx(odd, cv2.MORPH_OPEN, narrow), dtype=np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(odd, connectivity=8)
    whole = int(mask.sum())
    parts = []
    for k in sorted(range(1, count), key=lambda k: -int(stats[k, cv2.CC_STAT_AREA])):
        area = int(stats[k, cv2.CC_STAT_AREA])
        if area * mm**2 <= _SPUR_MM2 or area >= _LARGEST * whole:
            continue
        one = labels == k
        if float(one[inner].sum()) > 0.25 * area:
            parts.append(one.astype(np.uint8))
    return parts


def _cut_away(mask: Mask, thing: Mask, mm: float) -> tuple[Mask, Bools] | None:
    """A mask without a thing, its gap closed by a chord, and the thing; None where none sticks out."""
    halo = max(1, round(_HALO_MM / mm))
    wide = mask * np.asarray(
        cv2.dilate(thing, np.ones((2 * halo + 1, 2 * halo + 1), np.uint8)), dtype=np.uint8
    )
    rest = mask & (1 - wide)
    if not rest.any():
        return None
    rest = largest_part(rest)
    contours, _ = cv2.findContours(rest, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = np.asarray(max(contours, key=len)[:, 0], dtype=np.int32)
    ends = _gap(ring, wide)
    if ends is None:
        return None
    first, last = ends
    index = np.arange(first, first + (last - first) % len(ring) + 1) % len(ring)
    inner = np.zeros(mask.shape, dtype=np.uint8)
    cv2.fillPoly(inner, [ring[index].astype(np.int32)], 1)
    spur = wide & (1 - inner)
    area = float(spur.sum())
    if area * mm**2 < _SPUR_MM2 or area < _SPUR_SHARE * float(wide.sum()):
        return None
    closed = rest | (inner & mask)
    lost = (mask > 0) & (closed == 0) & (wide == 0)
    return closed, (wide > 0) | lost


def _gap(ring: NDArray[np.int32], wide: Mask) -> tuple[int, int] | None:
    """First and last index of the longest run of a ring along a thing."""
    near = cv2.dilate(wide, np.ones((3, 3), np.uint8))[ring[:, 1], ring[:, 0]] > 0
    if near.all() or not near.any():
        return None
    start = int(np.argmin(near))
    turned = np.roll(near, -start)
    steps = np.flatnonzero(np.diff(np.concatenate([[False], turned, [False]]).astype(np.int8)))
    runs = list(zip(steps[::2], steps[1::2], strict=True))
    a, b = max(runs, key=lambda run: run[1] - run[0])
    return (int(a) + start) % len(ring), (int(b) - 1 + start) % len(ring)
