"""What a builder calls the edges and corners of a pattern."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np

from spilemark.corners import (
    HOLLOW,
    INSIDE_DEG,
    OuterCorner,
    Run,
    edge_span,
    edges_at,
    main_corners,
    runs_between,
)
from spilemark.records import Corner, Edge, Outline


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Names in the order of a walk round the pattern, from its outer corner."""

    first: str
    first_end: str
    inner: str
    last_end: str
    last: str
    first_corner: str
    last_corner: str


QUARTER_KNEE = Vocabulary(
    first="hull edge",
    first_end="hull arm end",
    inner="throat curve",
    last_end="transom arm end",
    last="transom edge",
    first_corner="hull arm",
    last_corner="transom arm",
)
"""Walked from the outer corner forward along the hull."""

BREASTHOOK = Vocabulary(
    first="starboard edge",
    first_end="starboard arm end",
    inner="throat curve",
    last_end="port arm end",
    last="port edge",
    first_corner="starboard arm",
    last_corner="port arm",
)
"""Walked from the nose aft along the starboard side."""

CLIP = "corner clip"
INNER_EDGE = "inner edge"
OUTER = "outer"
NOTCH_MM = 6.0
"""A notch is at least this deep: a ragged edge's spurs stand a few millimetres out. Common practice,
no source."""
_CORNER = "corner"
_NOTCH_CORNER = "notch corner"


@dataclass(frozen=True, slots=True)
class _Group:
    """The edges of one run, in walking order."""

    edges: tuple[Edge, ...]
    chord_mm: float
    hollow: bool
    flat: tuple[bool, ...]
    """Of each edge: whether it keeps to the chord."""


def name_parts(
    outline: Outline,
    outer: OuterCorner | None,
    origin: int | None,
    *,
    words: Vocabulary | None,
    forwards: bool,
    renames: Mapping[str, str],
) -> tuple[tuple[Corner, ...], tuple[Edge, ...]]:
    """Name corners and edges of an outline.

    Parameters
    ----------
    outline : Outline
    outer : OuterCorner or None
    origin : int or None
        Index into ``outline.corners`` where the walk begins: the outer corner,
        or of a clipped one the end on the last edge of the walk.
    words : Vocabulary or None
        None: the shape has no names of its own and its edges are numbered.
    forwards : bool
        Whether the walk follows the ring's order; mirror images walk opposite ways.
    renames : mapping
        Geometric name to the builder's.

    Returns
    -------
    corners, edges
        In ring order, as they came in.
    """
    if not outline.corners:
        edges = tuple(replace(e, name=renames.get(e.name, e.name)) for e in outline.edges)
        return (), edges
    start = 0 if origin is None else origin
    walk = _walk(outline, start, forwards=forwards)
    names = None
    if outer is not None and words is not None:
        groups = _groups(outline, walk, start, forwards=forwards)
        names = _named(groups, outline, words, clipped=len(outer.corners) > 1)
    if names is None:
        names, words = {e.start: f"edge {k + 1}" for k, e in enumerate(walk)}, None
    corners = _named_corners(walk, names, words, forwards=forwards)
    if outer is not None:
        corners[outline.corners[start].index] = OUTER
    return (
        tuple(replace(c, name=corners[c.index]) for c in outline.corners),
        tuple(
            replace(e, name=renames.get(names[e.start], names[e.start])) for e in _edges(outline)
        ),
    )


def _edges(outline: Outline) -> tuple[Edge, ...]:
    """The edge after each corner."""
    return tuple(edges_at(outline, k)[1] for k in range(len(outline.corners)))


def _walk(outline: Outline, origin: int, *, forwards: bool) -> tuple[Edge, ...]:
    """All edges in walking order from the corner ``origin``."""
    edges = _edges(outline)
    count = len(edges)
    step = range(count) if forwards else range(-1, -count - 1, -1)
    return tuple(edges[(origin + k) % count] for k in step)


def _groups(
    outline: Outline, walk: Sequence[Edge], origin: int, *, forwards: bool
) -> tuple[_Group, ...]:
    """Edges gathered by run, in walking order, from the main corner ``origin``."""
    ring, corners = outline.ring.points_mm, outline.corners
    main = main_corners(ring, corners)
    if origin not in main:
        return ()
    at = {corners[k].index for k in main}
    groups: list[list[Edge]] = []
    for edge in walk:
        begins = edge.start if forwards else edge.stop
        if begins in at or not groups:
            groups.append([])
        groups[-1].append(edge)
    runs = runs_between(ring, corners, main)
    place = main.index(origin)
    order = range(len(main)) if forwards else range(-1, -len(main) - 1, -1)
    walked = [runs[(place + k) % len(main)] for k in order]
    return tuple(
        _Group(tuple(edges), run.chord_mm, run.hollow >= HOLLOW, _flat(outline, run, edges))
        for edges, run in zip(groups, walked, strict=True)
    )


def _flat(outline: Outline, run: Run, edges: Sequence[Edge]) -> tuple[bool, ...]:
    ring = outline.ring.points_mm
    start = ring[outline.corners[run.first].index]
    chord = ring[outline.corners[run.last].index] - start
    across = np.array([-chord[1], chord[0]]) / run.chord_mm
    depths = [np.abs((ring[edge_span(e, len(ring))] - start) @ across).max() for e in edges]
    return tuple(bool(d < HOLLOW * run.chord_mm) for d in depths)


def _named(
    groups: Sequence[_Group], outline: Outline, words: Vocabulary, *, clipped: bool
) -> dict[int, str] | None:
    """Names by each edge's start, or None where the shape is not of this kind."""
    lead = 1 if clipped else 0
    if len(groups) < lead + 3:
        return None
    first, middle, last = groups[lead], groups[lead + 1 : -1], groups[-1]
    hollow = [k for k, g in enumerate(middle) if g.hollow]
    inner = max(hollow or range(len(middle)), key=lambda k: middle[k].chord_mm)
    namer = _Namer(_notched(outline))
    if clipped:
        namer.outer_edge(groups[0].edges, CLIP)
    namer.outer_edge(first.edges, words.first)
    namer.several(middle[:inner], words.first_end)
    if middle[inner].hollow:
        namer.throat(middle[inner], words)
    else:
        namer.outer_edge(middle[inner].edges, INNER_EDGE)
    namer.several(middle[inner + 1 :], words.last_end)
    namer.outer_edge(last.edges, words.last)
    return namer.names


def _notched(outline: Outline) -> set[int]:
    """Points of the ring at the bottom of a notch: inside corners well within the convex hull."""
    from shapely import Point, Polygon

    ring = outline.ring.points_mm
    rim = Polygon(ring).convex_hull.exterior
    inside = (c.index for c in outline.corners if c.angle_deg > INSIDE_DEG)
    return {index for index in inside if rim.distance(Point(ring[index])) >= NOTCH_MM}


class _Namer:
    """Gives each edge a name of its own."""

    def __init__(self, inside: set[int]) -> None:
        self.inside = inside
        self.names: dict[int, str] = {}
        self.notches = 0

    def put(self, edge: Edge, base: str) -> None:
        """Give the plain name, or the next free number after it."""
        taken = set(self.names.values())
        tries = (base if k == 1 else f"{base} {k}" for k in count(1))
        self.names[edge.start] = next(name for name in tries if name not in taken)

    def several(self, groups: Sequence[_Group], base: str) -> None:
        """Name an arm's end; where it has several pieces, the longest keeps the plain name."""
        for group in sorted(groups, key=lambda g: -g.chord_mm):
            self.outer_edge(group.edges, base)

    def throat(self, group: _Group, words: Vocabulary) -> None:
        """Name a run that bends inwards; pieces at its ends that do not are the arms' ends."""
        deep = [k for k, flat in enumerate(group.flat) if not flat]
        for edge in group.edges[: deep[0]]:
            self.put(edge, words.first_end)
        for edge in sorted(group.edges[deep[0] : deep[-1] + 1], key=lambda e: -e.length_mm):
            self.put(edge, words.inner)
        for edge in group.edges[: deep[-1] : -1]:
            self.put(edge, words.last_end)

    def outer_edge(self, edges: Sequence[Edge], base: str) -> None:
        """Name an outer edge and the notches that are cut into it."""
        notch: list[Edge] = []
        beyond = ""
        for edge in edges:
            if edge.start in self.inside or edge.stop in self.inside:
                notch.append(edge)
                continue
            if notch:
                beyond = f" beyond the {self._notch(notch)}"
                notch = []
            self.put(edge, base + beyond)
        if notch:
            self._notch(notch)

    def _notch(self, pieces: Sequence[Edge]) -> str:
        self.notches += 1
        name = "notch" if self.notches == 1 else f"notch {self.notches}"
        sides = {1: ("",), 2: (" near side", " far side"), 3: (" near side", " floor", " far side")}
        words = sides.get(len(pieces), tuple(f" side {k + 1}" for k in range(len(pieces))))
        for piece, word in zip(pieces, words, strict=True):
            self.names[piece.start] = name + word
        return name


def _named_corners(
    walk: Sequence[Edge], names: Mapping[int, str], words: Vocabulary | None, *, forwards: bool
) -> dict[int, str]:
    """Name corners, by index of their point, after the edges that meet there."""
    found: dict[int, str] = {}
    taken: dict[str, int] = {}
    for k, edge in enumerate(walk):
        base = _corner_name(names[walk[k - 1].start], names[edge.start], words)
        taken[base] = number = taken.get(base, 0) + 1
        plain = number == 1 and base not in (_CORNER, _NOTCH_CORNER)
        found[edge.start if forwards else edge.stop] = base if plain else f"{base} {number}"
    return found


def _corner_name(previous: str, here: str, words: Vocabulary | None) -> str:
    """Name the corner between two edges of the walk."""
    if words is None:
        return _CORNER
    if previous.startswith("notch") or here.startswith("notch"):
        return _NOTCH_CORNER
    if previous == CLIP:
        return "clip"
    if any(
        previous.startswith(edge) and here.startswith(edge) for edge in (words.first, words.last)
    ):
        return _CORNER
    if previous.startswith(words.first):
        return f"{words.first_corner} outer"
    if here.startswith(words.last):
        return f"{words.last_corner} outer"
    ends = (previous.startswith(words.first_end), here.startswith(words.first_end))
    if any(ends):
        return f"{words.first_corner} {'middle' if all(ends) else 'inner'}"
    ends = (previous.startswith(words.last_end), here.startswith(words.last_end))
    if any(ends):
        return f"{words.last_corner} {'middle' if all(ends) else 'inner'}"
    return _CORNER
