"""The way in which the grain of solid stock should run through a part."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from spilemark.names import QUARTER_KNEE
from spilemark.records import Floats

THROAT = QUARTER_KNEE.inner
"""What the inside edge of a knee or breasthook is called, unless the builder renames it."""


class NamedEdge(Protocol):
    """A stretch of a ring with a name, of whatever record."""

    @property
    def name(self) -> str:
        """What it is called."""
        ...

    @property
    def start(self) -> int:
        """Index of its first point."""
        ...

    @property
    def stop(self) -> int:
        """Index of its last point."""
        ...


@dataclass(frozen=True, slots=True)
class Grain:
    """A direction in a part, and why."""

    degrees: float
    """From x towards y of the part; a way and its opposite are the same."""
    basis: Literal["told", "toe to toe", "long way"]


def grain_of(
    ring_mm: Floats,
    edges: Sequence[NamedEdge],
    *,
    told_deg: float | None = None,
    throat: str = THROAT,
) -> Grain:
    """Find the way of the grain.

    What was told; else from toe to toe of the throat, which leaves least short grain
    in either arm (common practice); else the longer side of the smallest rectangle.

    Parameters
    ----------
    ring_mm : ndarray of float, shape (N, 2)
    edges : sequence
        In ring order.
    told_deg : float, optional
        As the person said it.
    throat : str
        Name of the part's inside edge; pieces of it are called "... 2" and so on.
    """
    if told_deg is not None:
        return Grain(told_deg, "told")
    chord = _throat_chord(ring_mm, edges, throat)
    if chord is not None:
        return Grain(math.degrees(math.atan2(chord[1], chord[0])), "toe to toe")
    return Grain(_long_way_deg(ring_mm), "long way")


def _throat_chord(ring_mm: Floats, edges: Sequence[NamedEdge], throat: str) -> Floats | None:
    """From the first end of the throat to its last, over all its pieces; None without one."""
    pieces = [edge.name.rstrip(" 0123456789") == throat or edge.name == throat for edge in edges]
    if not any(pieces):
        return None
    # Pieces follow one another; the first is the one whose forerunner is none.
    first = next((k for k, is_one in enumerate(pieces) if is_one and not pieces[k - 1]), 0)
    last = first
    while pieces[(last + 1) % len(edges)] and (last + 1) % len(edges) != first:
        last = (last + 1) % len(edges)
    chord = np.asarray(ring_mm[edges[last].stop] - ring_mm[edges[first].start])
    return chord if float(np.linalg.norm(chord)) > 1.0 else None


def _long_way_deg(ring_mm: Floats) -> float:
    """Direction of the longer side of the smallest rectangle about a ring, from 0 to 180."""
    from shapely import Polygon

    box = np.array(Polygon(ring_mm).minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(box, axis=0)[:2]
    x, y = sides[int(np.argmax(np.linalg.norm(sides, axis=1)))]
    return math.degrees(math.atan2(y, x)) % 180.0
