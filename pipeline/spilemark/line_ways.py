"""How well a pattern's reference line tells its direction: as it was told, and as it might have been.

A line of length L of which each end lies beside its place with one standard
deviation s, the ends independent, tells its direction to sqrt(2) s / L radians
(JCGM 100:2008, 5.1.2, of the difference of the ends over L).  A point of the
pattern at a distance r from the line's middle then lies r times that off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from spilemark.records import Floats, JobFacts, Polyline, RegisteredPattern
from spilemark.tags import ONE_TAG_LINE, TAG_HEIGHT_MM, TAG_LAID_MM, TAGS_LINE
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark.units import format_length

TICK_MM = 30.0
"""A tick as a builder draws it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineWay:
    """One way to tell a pattern where its line runs."""

    words: str
    turn_u95_deg: float
    """Half-width of the 95 % interval of its direction."""
    toe_u95_mm: float
    """What that is at the point of the pattern that lies farthest from the line's middle."""
    used: bool


def line_ways(pattern: RegisteredPattern, facts: JobFacts) -> tuple[LineWay, ...]:
    """The way that a pattern was laid, then others for this very pattern; none without a line."""
    lines = pattern.outline.of_role("centreline")
    if not lines or pattern.datum != "centreline":
        return ()
    line = lines[0]
    ring = pattern.outline.ring.points_mm
    reach = toe_mm(ring, line)
    used = LineWay(
        words=f"{_own_words(pattern, line, facts)} (this is how it was laid)",
        turn_u95_deg=math.degrees(COVERAGE_FACTOR * math.sqrt(max(pattern.covariance[0, 0], 0.0))),
        toe_u95_mm=COVERAGE_FACTOR * math.sqrt(max(pattern.covariance[0, 0], 0.0)) * reach,
        used=True,
    )
    full = chord_mm(ring, float(line.points_mm[:, 0].mean()))
    apart = max(full - TAG_HEIGHT_MM - 20.0, TAG_HEIGHT_MM)
    one = facts.line_doubt_mm
    laid = math.hypot(one, TAG_LAID_MM / math.sqrt(2.0))
    others = (
        (f"a pencil line right across the face, {_length(full, facts)}", one, full),
        (f"two line tags, {_length(apart, facts)} from middle to middle", laid, apart),
        (f"a tick of {_length(TICK_MM, facts)} by itself", one, TICK_MM),
    )
    return (used, *(_way(words, sigma, length, reach) for words, sigma, length in others))


def angle_sigma_rad(end_sigma_mm: float, length_mm: float) -> float:
    """Doubt of the direction of a line with independent ends, one sigma."""
    return math.sqrt(2.0) * end_sigma_mm / length_mm


def toe_mm(ring_mm: Floats, line: Polyline) -> float:
    """How far the farthest point of a ring lies from a line's middle."""
    middle = 0.5 * (line.points_mm.min(axis=0) + line.points_mm.max(axis=0))
    return float(np.linalg.norm(ring_mm - middle, axis=1).max())


def chord_mm(ring_mm: Floats, x_mm: float) -> float:
    """Length of the longest stretch of the upright line at ``x_mm`` within a ring."""
    from shapely import LineString, Polygon, get_parts

    low, high = ring_mm[:, 1].min() - 1.0, ring_mm[:, 1].max() + 1.0
    cut = Polygon(ring_mm).buffer(0).intersection(LineString([(x_mm, low), (x_mm, high)]))
    return max((float(part.length) for part in get_parts(cut)), default=0.0) or float(high - low)


def _way(words: str, sigma_mm: float, length_mm: float, reach_mm: float) -> LineWay:
    turn = COVERAGE_FACTOR * angle_sigma_rad(sigma_mm, length_mm)
    return LineWay(
        words=words, turn_u95_deg=math.degrees(turn), toe_u95_mm=turn * reach_mm, used=False
    )


def _own_words(pattern: RegisteredPattern, line: Polyline, facts: JobFacts) -> str:
    length = _length(float(np.linalg.norm(line.points_mm[-1] - line.points_mm[0])), facts)
    arm = pattern.outline.views[0].straight.arm if pattern.outline.views else ""
    rule = facts.line_from_edge.get(str(pattern.side)) or facts.line_from_edge.get(arm)
    if line.name in (TAGS_LINE, ONE_TAG_LINE):
        what = f"{len(line.points_mm)} line tags, {length} from first to last"
        if line.name == ONE_TAG_LINE:
            what = "one line tag, by its own two ticks"
        return what if rule is None else f"{what}, its direction {rule}"
    if rule is not None:
        return f"a line {length} long, its direction {rule}"
    if line.name == "given":
        return f"two points set by hand, {length} apart"
    return f"the pencil line, {length} long"


def _length(mm: float, facts: JobFacts) -> str:
    return format_length(mm, facts.units, 0)
