"""A corner's angle as a sliding bevel reads it: its blades lie along the two edges.

The heading of each edge where it leaves the corner is fitted over up to 150 mm
of it where it is fairly straight, and over up to 40 mm where it is curved.  The
angle of the two segments next to a traced corner is no such thing: that wanders
by degrees with the grain of the photo and the break of the wood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.corners import Indices, edge_span, edges_at, slope
from spilemark.records import Floats, Outline
from spilemark.uncertainty import arc_weights

BLADE_MM = 150.0
"""How much of a fairly straight edge tells a corner's angle: a sliding bevel's blade."""
CURVE_MM = 40.0
"""How much of a curved one."""
WORDS = (
    "as a sliding bevel reads it in the corner: along up to 150 mm of a fairly straight edge, 40 mm of"
    " a curved one"
)
"""How an angle was measured, for wherever one is shown."""

_BENT_SHARE = 0.02
"""An edge that leaves its chord by more than this share of it is curved."""
_CLEAR_MM = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class End:
    """An edge, walked away from one of its corners."""

    span: Indices
    away_mm: Floats
    reach_mm: float
    """How much of it tells the corner's angle."""


@dataclass(frozen=True, slots=True, eq=False)
class Heading:
    """How an edge leaves its corner."""

    along: Floats
    """Unit vector (2,)."""
    line: Floats
    """(M,) Weights of the edge's points in the fitted slope."""
    weight: Floats
    """(M,) How much each point counts."""

    @property
    def rad(self) -> float:
        """Its angle from the x axis."""
        return float(np.arctan2(self.along[1], self.along[0]))


def ends_at(outline: Outline, corner: int) -> tuple[End, End]:
    """The two edges at a corner: the one that ends there, the one that starts there.

    Parameters
    ----------
    outline : Outline
    corner : int
        Index into ``outline.corners``.
    """
    before, after = edges_at(outline, corner)
    points = outline.ring.points_mm
    spans = edge_span(before, len(points))[::-1], edge_span(after, len(points))
    first, second = (_end(points, span) for span in spans)
    return first, second


def heading(points: Floats, weights: Floats, end: End, reach_mm: float) -> Heading:
    """Fit how an edge leaves its corner.

    Parameters
    ----------
    points : (N, 2)
    weights : (N,)
        Length that each point of the ring stands for; none where it was not seen.
    end : End
    reach_mm : float
        How much of the edge is used.
    """
    span, away = end.span, end.away_mm
    use = (away >= min(_CLEAR_MM, 0.2 * reach_mm) - 1e-6) & (away <= reach_mm + 1e-6)
    use[[0, -1]] = False
    weight = np.where(use, weights[span], 0.0)
    if (weight > 0).sum() < 2:
        weight = np.ones(len(span))
    line = slope(away, weight)
    way = line @ points[span]
    return Heading(way / np.linalg.norm(way), line, weight)


def between_deg(before: Heading, after: Heading) -> float:
    """Inside angle of the wood between the edge that ends at a corner and the one that starts."""
    return float(np.degrees((before.rad - after.rad) % (2 * np.pi)))


def corner_angle_deg(outline: Outline, corner: int) -> float:
    """Inside angle of the wood at a corner, 0..360 degrees; over 180 in a notch.

    Parameters
    ----------
    outline : Outline
    corner : int
        Index into ``outline.corners``.

    Notes
    -----
    Own derivation, checked on drawn knees whose angles are known.  A comparison
    measures both sides over the same length, the shorter of both.
    """
    ring = outline.ring
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    before, after = (
        heading(ring.points_mm, weights, end, end.reach_mm) for end in ends_at(outline, corner)
    )
    return between_deg(before, after)


def _end(points: Floats, span: Indices) -> End:
    steps = np.linalg.norm(np.diff(points[span], axis=0), axis=1)
    away = np.concatenate([[0.0], np.cumsum(steps)])
    longest = min(BLADE_MM, 0.6 * float(away[-1]))
    near = points[span[away <= longest + 1e-9]]
    chord = near[-1] - near[0]
    across = np.array([-chord[1], chord[0]]) / max(float(chord @ chord), 1e-12)
    bent = len(near) > 2 and float(np.ptp((near - near[0]) @ across)) > _BENT_SHARE
    return End(span, away, min(longest, CURVE_MM) if bent else longest)
