"""Edges as a person walks them with a tape: from the end that is nearer to the outer corner."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.corners import Indices, edge_span
from spilemark.names import OUTER
from spilemark.records import Edge, Floats, RegisteredPattern, Side
from spilemark.shop.outlines import counts_from_end
from spilemark.units import Units, format_length

_AT_CORNER_MM = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """An edge, walked from its end that is nearer to the outer corner."""

    edge: Edge
    points: Indices
    """(M,) indices into the ring, in walking order; a corner is counted with the edge that
    starts there in ring order, since its gap is measured along that edge's normal."""
    s_mm: Floats
    """(M,) distance walked."""
    length_mm: float
    begins: str
    """Name of the corner where the walk begins."""

    def place(self, s_mm: float, units: Units) -> str:
        """Say where a distance along the edge lies."""
        corner = self.begins if "corner" in self.begins else f"{self.begins} corner"
        if self.begins and s_mm < _AT_CORNER_MM:
            return f"at the {corner} on the {self.edge.name}"
        words = format_length(s_mm, units, 0)
        if self.begins == OUTER:
            return f"{words} from the outer corner along the {self.edge.name}"
        if self.begins:
            return f"{words} along the {self.edge.name} from its {corner}"
        return f"{words} along the {self.edge.name}"


def walks(pattern: RegisteredPattern) -> tuple[Walk, ...]:
    """All edges of a pattern's outline, each from its end nearer to the outer corner."""
    outline = pattern.outline
    ring = outline.ring.points_mm
    corners = {c.index: c.name for c in outline.corners}
    origin = None
    if pattern.origin_corner is not None:
        origin = outline.corners[pattern.origin_corner].index
    edges = outline.edges or (Edge(name="edge", start=0, stop=0, length_mm=0.0, straight=False),)
    found = []
    for edge in edges:
        index = edge_span(edge, len(ring))
        if _starts_far(edge, origin, ring, starboard=pattern.side is Side.STARBOARD):
            index = index[::-1]
        step = np.linalg.norm(np.diff(ring[index], axis=0), axis=1)
        s = np.concatenate([[0.0], np.cumsum(step)])
        own = np.ones(len(index), dtype=bool) if edge.start == edge.stop else index != edge.stop
        begins = corners.get(int(index[0]), "")
        found.append(Walk(edge, index[own], s[own], float(s[-1]), begins))
    return tuple(found)


def _starts_far(edge: Edge, origin: int | None, ring: Floats, *, starboard: bool) -> bool:
    """Whether an edge's first point is the farther one from the outer corner, along the ring."""
    if origin is None or edge.start == edge.stop:
        return False
    turned = np.roll(ring, -origin, axis=0)
    steps = np.linalg.norm(np.roll(turned, -1, axis=0) - turned, axis=1)
    ahead, to = (edge.start - origin) % len(ring), (edge.stop - origin) % len(ring) or len(ring)
    return counts_from_end(float(steps[:ahead].sum()), float(steps[to:].sum()), starboard=starboard)
