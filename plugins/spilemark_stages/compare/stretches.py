"""From gaps at points to verdicts on stretches of named edges."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spilemark.corners import Indices, edge_span
from spilemark.records import (
    Bools,
    Edge,
    Floats,
    RegisteredPattern,
    Side,
    Station,
    TakeOff,
    Verdict,
)
from spilemark_stages.compare.pair import Laid

_UNSEEN_SHARE = 0.34
"""A stretch of which more than this was not seen on either side has no verdict but CANNOT_TELL."""
_SHORTEST_MM = 6.0
"""A difference shorter than this is a corner's or a splinter's."""


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """An edge of port's, walked from the outer corner where it meets it."""

    edge: Edge
    points: Indices
    """(M,) indices into the ring, in walking order."""
    s_mm: Floats
    """(M,) distance walked."""


def walks(port: RegisteredPattern) -> tuple[Walk, ...]:
    """All edges of port's outline, each from its end nearest to the outer corner."""
    outline = port.outline
    ring = outline.ring.points_mm
    origin = None
    if port.origin_corner is not None:
        origin = outline.corners[port.origin_corner].index
    edges = outline.edges or (Edge(name="edge", start=0, stop=0, length_mm=0.0, straight=False),)
    found = []
    for edge in edges:
        index = edge_span(edge, len(ring))
        if _starts_far(edge, origin, ring):
            index = index[::-1]
        step = np.linalg.norm(np.diff(ring[index], axis=0), axis=1)
        found.append(Walk(edge, index, np.concatenate([[0.0], np.cumsum(step)])))
    return tuple(found)


def _starts_far(edge: Edge, origin: int | None, ring: Floats) -> bool:
    """Whether an edge's far end from the outer corner is its first point."""
    if origin is None or edge.start == origin:
        return False
    if edge.stop == origin:
        return True
    away = np.linalg.norm(ring[[edge.start, edge.stop]] - ring[origin], axis=1)
    return bool(away[0] > away[1])


def stations(
    port: RegisteredPattern, normals: Floats, laid: Laid, tolerance: float, stretch: float
) -> tuple[Station, ...]:
    """Verdict on each stretch of about ``stretch`` mm."""
    ring = port.outline.ring.points_mm
    found = []
    for walk in walks(port):
        length = float(walk.s_mm[-1])
        count = max(1, round(length / stretch))
        bounds = np.linspace(0.0, length, count + 1)
        for low, high in pairwise(bounds):
            inside = (walk.s_mm >= low - 1e-9) & (walk.s_mm <= high + 1e-9)
            index = walk.points[inside]
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
                    verdict=_verdict(gap, u95, known, tolerance),
                )
            )
    return tuple(found)


def _verdict(gap: Floats, u95: Floats, known: Bools, tolerance: float) -> Verdict:
    """SAME needs all of what was seen; DIFFERENT needs one place that surely is."""
    size = np.abs(gap[known])
    if known.any() and bool((size - u95[known] > tolerance).any()):
        return Verdict.DIFFERENT
    if 1.0 - known.mean() > _UNSEEN_SHARE:
        return Verdict.CANNOT_TELL
    if bool((size + u95[known] <= tolerance).all()):
        return Verdict.SAME
    return Verdict.CANNOT_TELL


@dataclass(frozen=True, slots=True)
class Difference:
    """A run of one edge where the sides differ by more than can be doubted."""

    edge: str
    from_mm: float
    to_mm: float
    most_mm: float
    """Largest gap, signed: positive where starboard is fuller."""
    u95_mm: float
    worst_mm: float
    """Where the largest gap lies along the edge."""
    at_mm: tuple[float, float]


def visible_differences(
    port: RegisteredPattern, laid: Laid, beyond: float
) -> tuple[Difference, ...]:
    """Runs where the gap's size passes its band by ``beyond`` mm, one sign each."""
    ring = port.outline.ring.points_mm
    found = []
    for walk in walks(port):
        gap, u95 = laid.gap_mm[walk.points], laid.u95_mm[walk.points]
        sign = np.where(np.isfinite(gap) & (np.abs(gap) - u95 > beyond), np.sign(gap), 0.0)
        edges = np.flatnonzero(np.diff(np.concatenate([[0.0], sign, [0.0]])))
        for low, high in pairwise(edges):
            if sign[low] == 0 or walk.s_mm[high - 1] - walk.s_mm[low] < _SHORTEST_MM:
                continue
            pick = low + int(np.argmax(np.abs(gap[low:high])))
            at = walk.points[pick]
            found.append(
                Difference(
                    walk.edge.name,
                    float(walk.s_mm[low]),
                    float(walk.s_mm[high - 1]),
                    float(gap[pick]),
                    float(u95[pick]),
                    float(walk.s_mm[pick]),
                    (float(ring[at, 0]), float(ring[at, 1])),
                )
            )
    return tuple(found)


def take_off(differences: tuple[Difference, ...]) -> tuple[TakeOff, ...]:
    """Where a part made to the larger of both outlines loses wood to fit each side."""
    return tuple(
        TakeOff(
            # Where starboard is fuller, the common part must be planed to fit port.
            side=Side.PORT if d.most_mm > 0 else Side.STARBOARD,
            edge=d.edge,
            from_mm=d.from_mm,
            to_mm=d.to_mm,
            most_mm=abs(d.most_mm),
        )
        for d in differences
    )
