"""A measured edge made fair: no wiggle that its points do not demand, no notch smoothed away.

Each point is replaced by a local parabola through its neighbours along the same
edge (Savitzky and Golay, "Smoothing and differentiation of data by simplified
least squares procedures", Analytical Chemistry 36(8), 1964).  How far the
neighbours may reach is found at each point: the widest reach up to which every
wider parabola still goes through what the narrowest one saw, within the
scatter.  On a fair stretch that is the widest of all; beside a notch, a bump
or a tight bend it shrinks to the narrowest, and points that stand clear of even
that one stay as measured.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from spilemark.records import Bools, Floats

REACHES_MM = (5.0, 8.0, 12.0, 18.0, 27.0, 40.0, 60.0)
"""Half-lengths of edge that a parabola is put through."""
_LIMIT_MM = 0.02
_LIMIT_SIGMAS = 2.2
"""A wider parabola may leave the narrowest by so much, or so many standard deviations of the points."""
_CLEAR_SIGMAS = 4.0
_CLEAR_MM = 0.12
"""Points farther than this off the narrowest parabola, several in a row, are shape."""
_IN_A_ROW = 3
_STEP_MM = 0.5


def faired(points_mm: Floats, sigma_mm: Floats, corners: Sequence[int], *, closed: bool) -> Floats:
    """The points (N, 2) moved across their line to where a fair edge goes.

    Parameters
    ----------
    points_mm : (N, 2)
        In order; a closed line does not repeat its first point.
    sigma_mm : (N,)
        Random error of the points across the line, one sigma.
    corners : sequence of int
        Points that stay where they are, with nothing smoothed over them.
    closed : bool
    """
    points = np.asarray(points_mm, dtype=np.float64)
    moved = points.copy()
    count = len(points)
    ends = sorted({int(c) for c in corners})
    if closed and not ends:
        # A seamless ring: smoothed with a lap to spare at either end.
        spare = min(count, 200)
        index = np.arange(-spare, count + spare) % count
        run = _fair_run(points[index], sigma_mm[index])
        return run[spare : spare + count]
    if not closed:
        ends = sorted({0, *ends, count - 1})
        spans = [np.arange(a, b + 1) for a, b in itertools.pairwise(ends)]
    else:
        after = [*ends[1:], ends[0] + count]
        spans = [np.arange(a, b + 1) % count for a, b in zip(ends, after, strict=True)]
    for span in spans:
        run = _fair_run(points[span], sigma_mm[span])
        moved[span[1:-1]] = run[1:-1]
    return moved


def _fair_run(run: Floats, sigma: Floats) -> Floats:
    """One smooth stretch between corners, its ends held."""
    steps = np.linalg.norm(np.diff(run, axis=0), axis=1)
    if len(run) < 8 or steps.sum() < 2 * REACHES_MM[0]:
        return run
    along = np.concatenate([[0.0], np.cumsum(steps)])
    even = np.linspace(0.0, along[-1], max(2, round(along[-1] / _STEP_MM) + 1))
    line = np.column_stack([np.interp(even, along, run[:, k]) for k in (0, 1)])
    spread = np.interp(even, along, sigma)
    fair = _even_fair(line, spread)
    return np.column_stack([np.interp(along, even, fair[:, k]) for k in (0, 1)])


def _even_fair(line: Floats, sigma: Floats) -> Floats:
    """The same of evenly spaced points."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d
    from scipy.signal import savgol_filter

    count = len(line)
    limit = np.maximum(_LIMIT_MM, _LIMIT_SIGMAS * sigma)
    result, first = line.copy(), None
    good = np.ones(count, dtype=bool)
    level = np.zeros(count)
    smooth = [line]
    for reach in REACHES_MM:
        half = round(reach / _STEP_MM)
        if 2 * half + 1 > count:
            break
        wide = np.asarray(savgol_filter(line, 2 * half + 1, 2, axis=0, mode="interp"))
        first = wide if first is None else first
        if len(smooth) == 1:
            good &= ~_shape(line, wide, sigma)
        off = np.linalg.norm(wide - first, axis=1) > limit
        # What is wrong somewhere within reach is not to be trusted here.
        good &= maximum_filter1d(off, 2 * half + 1) == 0
        smooth.append(wide)
        level[good] = len(smooth) - 1
    if len(smooth) == 1:
        return result
    # From one reach to the next by degrees: a jump would be a wiggle of our own making.
    blend = 2 * round(REACHES_MM[1] / _STEP_MM) + 1
    held = minimum_filter1d(level, blend)
    soft = uniform_filter1d(held, blend, mode="nearest")
    low = np.floor(soft).astype(int)
    share = (soft - low)[:, None]
    stack = np.stack([*smooth, smooth[-1]])
    at = np.arange(count)
    return np.asarray((1 - share) * stack[low, at] + share * stack[low + 1, at])


def _shape(line: Floats, narrow: Floats, sigma: Floats) -> Bools:
    """Points that stand clear of the narrowest parabola, several in a row on one side."""
    away = line - narrow
    along = np.gradient(narrow, axis=0)
    across = along[:, 0] * away[:, 1] - along[:, 1] * away[:, 0]
    across = across / np.maximum(np.linalg.norm(along, axis=1), 1e-9)
    clear = np.sign(across) * (np.abs(across) > np.maximum(_CLEAR_MM, _CLEAR_SIGMAS * sigma))
    found = np.zeros(len(line), dtype=bool)
    for sign in (1.0, -1.0):
        run = np.convolve(clear == sign, np.ones(_IN_A_ROW), mode="same") >= _IN_A_ROW
        found |= run
    from scipy.ndimage import binary_dilation

    reach = round(REACHES_MM[0] / _STEP_MM)
    return np.asarray(binary_dilation(found, iterations=reach)) if found.any() else found
