"""An outline with named edges, as the shop sums take it: plain points in millimetres."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from spilemark.errors import UsageError
from spilemark.frames import signed_area

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
SideName = Literal["port", "starboard", "single"]

_OTHER_SIDE: dict[SideName, SideName] = {
    "port": "starboard",
    "starboard": "port",
    "single": "single",
}


def _read_only(points: Any) -> Floats:
    array = np.array(points, dtype=np.float64, copy=True).reshape(-1, 2)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopEdge:
    """A stretch of the outer ring between two corners."""

    name: str
    start: int
    """Index of its first point."""
    stop: int
    """Index of its last point, which is the next edge's first."""
    from_end: bool = False
    """Stations count from its last point: where that is the outer corner."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShopOutline:
    """A closed outline whose edges have names.

    The ring runs anticlockwise in x right, y up, holes run clockwise, first
    points are not repeated.  The edges cover the ring in order.
    """

    points_mm: Floats
    """(N, 2)"""
    edges: tuple[ShopEdge, ...]
    corners: tuple[tuple[str, int], ...] = ()
    """Names of points of the ring: ("outer corner", 17)."""
    holes_mm: tuple[Floats, ...] = ()
    side: SideName = "single"
    name: str = ""
    """For titles: "port quarter knee"."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "points_mm", _read_only(self.points_mm))
        object.__setattr__(self, "holes_mm", tuple(_read_only(h) for h in self.holes_mm))

    def indices(self, edge: ShopEdge) -> Indices:
        """Points of an edge, in ring order, both ends included."""
        count = len(self.points_mm)
        steps = (edge.stop - edge.start) % count or count
        return np.asarray((edge.start + np.arange(steps + 1)) % count, dtype=np.intp)

    def edge(self, name: str) -> ShopEdge:
        """Find an edge by name.

        Raises
        ------
        UsageError
            No edge, or more than one, is called so.
        """
        known = [e.name for e in self.edges]
        found = [e for e in self.edges if e.name == name.strip().lower() or e.name == name]
        if len(found) == 1:
            return found[0]
        if found:
            raise UsageError(
                f'{len(found)} edges are called "{name}".', "Give them names of their own first."
            )
        raise UsageError(f'No edge is called "{name}".', f"Edges here: {', '.join(known)}.")

    def corner(self, name: str) -> int:
        """Find the point of a named corner; "corner" may be left out of the name.

        Raises
        ------
        UsageError
            No corner is called so.
        """
        for known, index in self.corners:
            if name in (known, f"{known} corner", known.removesuffix(" corner")):
                return index
        listed = ", ".join(known for known, _ in self.corners) or "none"
        raise UsageError(f'No corner is called "{name}".', f"Corners here: {listed}.")

    def length_mm(self, edge: ShopEdge) -> float:
        """Length of an edge along its points."""
        return float(_steps(self.points_mm[self.indices(edge)]).sum())

    def stations_mm(self, edge: ShopEdge) -> Floats:
        """Distance along an edge of each of its points, from where its stations count."""
        steps = _steps(self.points_mm[self.indices(edge)])
        along = np.concatenate([[0.0], np.cumsum(steps)])
        return np.asarray(along[-1] - along if edge.from_end else along)


def make_outline(
    points_mm: Any,
    edges: Iterable[ShopEdge],
    *,
    corners: Mapping[str, int] | None = None,
    holes_mm: Iterable[Any] = (),
    side: SideName = "single",
    name: str = "",
) -> ShopOutline:
    """Check and put together an outline.

    Stations of an edge count from its end that is nearer to the corner called
    "outer" or "outer corner", see :func:`counts_from_end`.

    Raises
    ------
    UsageError
        The ring crosses itself, runs clockwise, or its edges leave gaps.
    """
    ring = _read_only(points_mm)
    if len(ring) < 3 or not np.isfinite(ring).all() or signed_area(ring) <= 0:
        raise UsageError(
            "The outline is not an anticlockwise ring of at least three points.",
            "Take it from a report.json or an outline file that spilemark wrote.",
        )
    table = dict(corners or {})
    outer = next((i for n, i in table.items() if n in ("outer", "outer corner")), None)
    row = list(edges) or [ShopEdge(name="outline", start=0, stop=0)]
    if outer is not None:
        far = _distances(ring, outer)
        mine = side == "starboard"
        row = [
            replace(
                e,
                from_end=e.from_end
                or counts_from_end(*_ways(far, e.start, e.stop, outer), starboard=mine),
            )
            for e in row
        ]
    for before, after in zip(row, [*row[1:], row[0]], strict=True):
        if before.stop != after.start:
            raise UsageError(
                f'The edges "{before.name}" and "{after.name}" do not meet at one point.',
                "The edges of an outline follow one another round the ring.",
            )
    outline = ShopOutline(
        points_mm=ring,
        edges=tuple(row),
        corners=tuple(table.items()),
        holes_mm=tuple(_read_only(h) for h in holes_mm),
        side=side,
        name=name,
    )
    crossing = first_crossing(outline.points_mm)
    if crossing is not None:
        raise UsageError(
            f"The outline crosses itself near ({crossing[0]:.0f}, {crossing[1]:.0f}) mm.",
            "Mend it before sums are made with it.",
        )
    return outline


CLEARLY_NEARER = 0.75
"""An end of an edge is clearly the nearer one within this share of the other's way."""


def counts_from_end(ahead_mm: float, behind_mm: float, *, starboard: bool) -> bool:
    """Whether stations along an edge count from its last point in ring order.

    They count from the end that is nearer to the outer corner, along the ring.
    Where both are about as far (the throat of a knee with two arms of one
    length), a hair would decide, and another way on each side of the boat:
    there they count from the end on the transom's side, which is the first in
    port's ring and the last in starboard's.

    Parameters
    ----------
    ahead_mm : float
        From the outer corner along the ring to the edge's first point.
    behind_mm : float
        From the edge's last point along the ring to the outer corner.
    starboard : bool
        Whether the ring is that of a starboard pattern, as it lies in the boat.
    """
    near, far = sorted((ahead_mm, behind_mm))
    if near < CLEARLY_NEARER * far:
        return behind_mm < ahead_mm
    return starboard


def mirrored(outline: ShopOutline) -> ShopOutline:
    """The same part for the other side: x changes sign, port and starboard change places.

    Own derivation, checked by doing it twice.  The ring is reversed, so that it
    runs anticlockwise again.
    """
    last = len(outline.points_mm) - 1
    flip = np.array([-1.0, 1.0])
    edges = [
        replace(e, start=last - e.stop, stop=last - e.start, from_end=not e.from_end)
        for e in reversed(outline.edges)
    ]
    return replace(
        outline,
        points_mm=outline.points_mm[::-1] * flip,
        edges=tuple(edges),
        corners=tuple((n, last - i) for n, i in reversed(outline.corners)),
        holes_mm=tuple(hole[::-1] * flip for hole in outline.holes_mm),
        side=_OTHER_SIDE[outline.side],
        name=_other_name(outline.name),
    )


def first_crossing(ring_mm: Floats) -> tuple[float, float] | None:
    """Place where a closed ring crosses or touches itself; None where it does not."""
    import re

    from shapely import LinearRing, Polygon
    from shapely.validation import explain_validity

    if LinearRing(ring_mm).is_simple:
        return None
    place = re.search(r"\[([-\d.eE+]+) ([-\d.eE+]+)\]", explain_validity(Polygon(ring_mm)))
    if place is None:
        return float(ring_mm[0, 0]), float(ring_mm[0, 1])
    return float(place.group(1)), float(place.group(2))


def _other_name(name: str) -> str:
    """Exchange the words for the two sides, whichever case they are written in."""
    import re

    words = {"port": "starboard", "starboard": "port"}

    def exchanged(match: re.Match[str]) -> str:
        word = words[match.group().lower()]
        if match.group().isupper():
            return word.upper()
        return word.capitalize() if match.group()[0].isupper() else word

    return re.sub(r"\b(port|starboard)\b", exchanged, name, flags=re.IGNORECASE)


def _distances(ring: Floats, origin: int) -> Floats:
    """Way (N + 1,) along the ring from a point to each that follows it, and to itself again."""
    closed = np.roll(ring, -origin, axis=0)
    return np.concatenate([[0.0], np.cumsum(_steps(np.concatenate([closed, closed[:1]])))])


def _ways(far: Floats, start: int, stop: int, origin: int) -> tuple[float, float]:
    """Ways from the origin to an edge's first point, and from its last point on to the origin."""
    count = len(far) - 1
    behind = (stop - origin) % count or count
    return float(far[(start - origin) % count]), float(far[-1] - far[behind])


def _steps(points: Floats) -> Floats:
    return np.asarray(np.linalg.norm(np.diff(points, axis=0), axis=1))
