"""From gaps at points to verdicts on stretches of named edges."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spilemark.records import (
    Bools,
    Floats,
    RegisteredPattern,
    Side,
    Station,
    TakeOff,
    Verdict,
)
from spilemark.walks import Walk, walks
from spilemark_stages.compare.pair import Laid

UNSEEN_SHARE = 0.34
"""A stretch of which more than this was not seen on either side is never called the same."""

SHORTEST_MM = 6.0
"""A difference shorter than this is a corner's or a splinter's."""

BRIDGED_MM = 6.0
"""Two runs of one sign that lie this near each other are one."""


def stations(
    port: RegisteredPattern, normals: Floats, laid: Laid, tolerance_mm: float, stretch_mm: float
) -> tuple[Station, ...]:
    """Verdict on each stretch of about ``stretch_mm``."""
    ring = port.outline.ring.points_mm
    found = []
    for walk in walks(port):
        count = max(1, round(walk.length_mm / stretch_mm))
        bounds = np.linspace(0.0, walk.length_mm, count + 1)
        for low, high in pairwise(bounds):
            index = walk.points[(walk.s_mm >= low - 1e-9) & (walk.s_mm <= high + 1e-9)]
            if not len(index):
                continue
            gap, u95 = laid.gap_mm[index], laid.u95_mm[index]
            known = np.isfinite(gap)
            pick = int(np.argmax(np.where(known, np.abs(gap), -1.0)))
            at = index[pick]
            found.append(
                Station(
                    edge=walk.edge.name,
                    s_mm=float((low + high) / 2),
                    at_mm=(float(ring[at, 0]), float(ring[at, 1])),
                    normal=(float(normals[at, 0]), float(normals[at, 1])),
                    gap_mm=float(gap[pick]),
                    u95_mm=float(u95[pick]),
                    verdict=_verdict(gap, u95, known, tolerance_mm),
                )
            )
    return tuple(found)


def _verdict(gap: Floats, u95: Floats, known: Bools, tolerance: float) -> Verdict:
    """SAME needs all that was seen, and enough of it; DIFFERENT needs one place that surely is.

    Deciding only beyond the expanded uncertainty: ISO 14253-1.
    """
    size = np.abs(gap[known])
    if bool((size - u95[known] > tolerance).any()):
        return Verdict.DIFFERENT
    enough = float(known.mean()) >= 1.0 - UNSEEN_SHARE
    if enough and bool((size + u95[known] <= tolerance).all()):
        return Verdict.SAME
    return Verdict.CANNOT_TELL


def profile_value_mm(gap_mm: Floats) -> float:
    """Width of the zone that holds every gap: twice the largest, as ISO 1101:2017 states profiles."""
    known = gap_mm[np.isfinite(gap_mm)]
    return 2.0 * float(np.abs(known).max()) if len(known) else float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """A run of one edge where the sides differ by more than can be doubted."""

    walk: Walk
    from_mm: float
    to_mm: float
    most_mm: float
    """Largest gap, signed: positive where starboard is fuller."""
    u95_mm: float
    """Half-width of the band there."""
    worst_mm: float
    """Where the largest gap lies along the edge."""
    at_mm: tuple[float, float]


def differences(port: RegisteredPattern, laid: Laid, *, least_mm: float) -> tuple[Difference, ...]:
    """Runs of one sign where the gap passes its band, and somewhere ``least_mm``; largest first."""
    ring = port.outline.ring.points_mm
    found = []
    for walk in walks(port):
        gap, u95 = laid.gap_mm[walk.points], laid.u95_mm[walk.points]
        visible = np.isfinite(gap) & (np.abs(gap) > u95)
        for low, high in _runs(np.where(visible, np.sign(gap), 0.0), walk.s_mm):
            pick = low + int(np.nanargmax(np.abs(gap[low : high + 1])))
            if abs(gap[pick]) < least_mm or walk.s_mm[high] - walk.s_mm[low] < SHORTEST_MM:
                continue
            at = walk.points[pick]
            found.append(
                Difference(
                    walk=walk,
                    from_mm=float(walk.s_mm[low]),
                    to_mm=float(walk.s_mm[high]),
                    most_mm=float(gap[pick]),
                    u95_mm=float(u95[pick]),
                    worst_mm=float(walk.s_mm[pick]),
                    at_mm=(float(ring[at, 0]), float(ring[at, 1])),
                )
            )
    return tuple(sorted(found, key=lambda d: -abs(d.most_mm)))


def _runs(sign: Floats, s_mm: Floats) -> list[tuple[int, int]]:
    """First and last index of each run of one sign, short breaks bridged."""
    bounds = np.flatnonzero(np.diff(np.concatenate([[0.0], sign, [0.0]])))
    found: list[tuple[int, int]] = []
    for low, after in pairwise(bounds):
        if sign[low] == 0:
            continue
        if found:
            first, last = found[-1]
            if sign[first] == sign[low] and s_mm[low] - s_mm[last] <= BRIDGED_MM:
                found[-1] = (first, int(after) - 1)
                continue
        found.append((int(low), int(after) - 1))
    return found


def take_off(found: tuple[Difference, ...], tolerance_mm: float) -> tuple[TakeOff, ...]:
    """Where one part, made to the larger of both outlines, loses wood to fit a side.

    Wood can be planed off and not put back, so the common part is the larger
    one everywhere, and a run is listed unless it surely keeps to the tolerance
    as it is.
    """
    return tuple(
        TakeOff(
            side=Side.PORT if d.most_mm > 0 else Side.STARBOARD,
            edge=d.walk.edge.name,
            from_mm=d.from_mm,
            to_mm=d.to_mm,
            most_mm=abs(d.most_mm),
        )
        for d in found
        if abs(d.most_mm) + d.u95_mm > tolerance_mm
    )
