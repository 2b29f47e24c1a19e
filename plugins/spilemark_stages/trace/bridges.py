"""Stretches of an edge that were not seen: a fair curve from what is seen on both sides.

What lies under a card or a tool is a guess, and is marked as one; but it is a
better guess that the edge runs on as it ran than that it follows the card.
"""

from __future__ import annotations

import numpy as np

from spilemark.records import Bools, Floats
from spilemark_stages.trace.corners import fit_parabola

_FROM_MM = 9.0
"""Length of seen edge on each side that says which way it runs."""
_FEWEST = 4
_STRAIGHT_ON = np.cos(np.radians(30.0))
"""A side that runs off farther from the other end than this has a corner under the card."""


def bridge(points: Floats, seen: Bools, spacing_mm: float, *, closed: bool) -> Floats:
    """Evenly spaced points (N, 2), mm, with unseen stretches between two seen ones made fair.

    A stretch that reaches an open line's end, or beside which too little is
    seen, stays as it was.
    """
    if seen.all() or not seen.any():
        return points
    first = int(np.argmax(seen)) if closed else 0
    out, known = np.roll(points, -first, axis=0), np.roll(seen, -first)
    reach = max(_FEWEST, round(_FROM_MM / spacing_mm))
    ends = np.flatnonzero(np.diff(np.concatenate([[True], known, [True]]).astype(np.int8)))
    for start, stop in zip(ends[::2], ends[1::2], strict=True):
        before = np.arange(max(0, start - reach), start)
        after = np.arange(stop, stop + reach)
        after = after % len(out) if closed else after[after < len(out)]
        before, after = before[known[before]], after[known[after]]
        if min(len(before), len(after)) < _FEWEST:
            continue
        fair = _between(out[before], out[after], stop - start)
        if fair is not None:
            out[start:stop] = fair
    return np.roll(out, first, axis=0)


def _between(before: Floats, after: Floats, count: int) -> Floats | None:
    """Points (count, 2) of a cubic that leaves and arrives as the two sides run (Hermite)."""
    a, b = before[-1], after[0]
    chord = b - a
    length = float(np.linalg.norm(chord))
    leaving, arriving = fit_parabola(before), fit_parabola(after)
    u = leaving.direction(leaving.place(a))
    v = arriving.direction(arriving.place(b))
    if length == 0.0 or min(u @ chord, v @ chord) < _STRAIGHT_ON * length:
        return None
    t = (np.arange(1, count + 1) / (count + 1.0))[:, None]
    ease = t * t * (3 - 2 * t)
    slopes = length * (t * (1 - t) ** 2 * u - t * t * (1 - t) * v)
    return np.asarray(a + ease * chord + slopes)
