"""What stands in the table of the shop page: stations along each edge, and what they say."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.frames import outward_normals
from spilemark.records import (
    Alignment,
    Bools,
    Floats,
    RegisteredPattern,
    Side,
    SideComparison,
    TakeOff,
)
from spilemark.results import JobResult
from spilemark.shop.faces import bevel_at_deg
from spilemark.shop.part_words import bevel_words
from spilemark.shop_job import PartShop
from spilemark.units import INCH_MM, Units, format_inches
from spilemark.walks import Walk, walks

PITCHES_MM = {
    "mm": (25.0, 50.0, 100.0, 150.0, 200.0, 250.0, 500.0, 1000.0, 2000.0),
    "in": tuple(INCH_MM * inches for inches in (1, 2, 3, 4, 6, 12, 24, 48)),
}
"""Round distances between stations, in the builder's units."""

_AT_END = 0.4
"""No station nearer than this share of the pitch to the far end of an edge, or to a worst place."""
_LETTERS = 26
_CLOSER = 4
"""Stations stand so many times closer in a stretch where wood comes off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One station of one edge."""

    s_mm: float
    """From the end at which the edge is begun."""
    at_mm: tuple[float, float]
    """On the first pattern's outline, boat frame."""
    normal: tuple[float, float]
    gap_mm: float | None = None
    """Starboard fuller there: positive; None without a comparison, NaN where not seen."""
    u95_mm: float = 0.0
    letter: str = ""
    """Of the stretch whose worst place this is."""
    bevel: str = ""
    """Where bevels were given."""

    @property
    def proved(self) -> bool:
        """Whether a difference can be told from none."""
        return self.gap_mm is not None and abs(self.gap_mm) > self.u95_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeTable:
    """One edge with its stations."""

    name: str
    begins: str
    """Name of the corner at which its stations begin; may be empty."""
    length_mm: float
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Where a part made from one pattern would be short for the other side."""

    letter: str
    cut: TakeOff
    points_mm: Floats
    """(M, 2) of port's outline."""

    @property
    def fuller(self) -> Side:
        """The side that has more wood there."""
        return Side.STARBOARD if self.cut.side is Side.PORT else Side.PORT


def edge_tables(
    result: JobResult,
    pattern: RegisteredPattern,
    stretches: Sequence[Stretch],
    room: int,
    units: Units,
) -> tuple[EdgeTable, ...]:
    """Stations of every edge, as close as ``room`` lines allow; an edge takes one line for its name.

    Edges at the outer corner come first; the shortest are left out where even
    one line each is too much.
    """
    found = _in_order(pattern)
    while len(found) > 1 and 2 * len(found) > room:
        found.remove(min(found, key=lambda w: w.length_mm))
    for pitch in PITCHES_MM[units]:
        tables = [_table(walk, pattern, result, pitch, stretches) for walk in found]
        if sum(1 + len(t.rows) for t in tables) <= room:
            break
    return tuple(tables)


def stretches_of(comparison: SideComparison | None) -> tuple[Stretch, ...]:
    """Where wood cannot be put back, in the order of the table; at most one for each letter."""
    if comparison is None:
        return ()
    ring = comparison.port.outline.ring.points_mm
    found = _in_order(comparison.port)
    order = {walk.edge.name: k for k, walk in reversed([*enumerate(found)])}
    cuts = sorted((c for c in comparison.take_off if c.edge in order), key=lambda c: -c.most_mm)[
        :_LETTERS
    ]
    stretches = []
    for k, cut in enumerate(sorted(cuts, key=lambda c: (order[c.edge], c.from_mm))):
        walk = found[order[cut.edge]]
        points = ring[walk.points[_within(walk, cut)]]
        stretches.append(Stretch(letter=chr(ord("A") + k), cut=cut, points_mm=points))
    return tuple(stretches)


def _within(walk: Walk, cut: TakeOff) -> Bools:
    return np.asarray((walk.s_mm >= cut.from_mm - 1e-6) & (walk.s_mm <= cut.to_mm + 1e-6))


def fitted_alignment(comparison: SideComparison) -> Alignment:
    """The sides as they fit best: what one part for both is about, and what is known best."""
    return next(a for a in comparison.alignments if a.datum == "best fit")


def _in_order(pattern: RegisteredPattern) -> list[Walk]:
    """Edges at the outer corner first, the longer one before the other."""
    origin = pattern.origin_corner
    corner = None if origin is None else pattern.outline.corners[origin].index

    def key(walk: Walk) -> tuple[bool, float]:
        at_corner = corner in (walk.edge.start, walk.edge.stop)
        return not at_corner, -walk.length_mm

    return sorted(walks(pattern), key=key)


def _table(
    walk: Walk,
    pattern: RegisteredPattern,
    result: JobResult,
    pitch: float,
    stretches: Iterable[Stretch],
) -> EdgeTable:
    ring = pattern.outline.ring.points_mm
    normals = outward_normals(ring)
    comparison = result.comparison
    gap = u95 = None
    if comparison is not None:
        alignment = fitted_alignment(comparison)
        gap, u95 = alignment.gap_mm[walk.points], alignment.u95_mm[walk.points]

    def row(s: float, letter: str = "") -> Row:
        k = int(np.argmin(np.abs(walk.s_mm - s)))
        out = normals[walk.points[k]]
        # The very place: points stand most of a millimetre apart.
        x, y = (float(np.interp(s, walk.s_mm, ring[walk.points, axis])) for axis in (0, 1))
        return Row(
            s_mm=s,
            at_mm=(x, y),
            normal=(float(out[0]), float(out[1])),
            gap_mm=None if gap is None else float(gap[k]),
            u95_mm=0.0 if u95 is None else float(u95[k]),
            letter=letter,
            bevel=_bevel(result, pattern, walk.edge.name, s),
        )

    worst = []
    own = [s for s in stretches if s.cut.edge == walk.edge.name]
    for stretch in own:
        on = _within(walk, stretch.cut)
        size = np.zeros(len(on)) if gap is None else np.nan_to_num(np.abs(gap))
        k = int(np.argmax(np.where(on, size, -1.0)))
        worst.append(row(float(walk.s_mm[k]), stretch.letter))
    steps = np.arange(1, int(walk.length_mm / pitch) + 1) * pitch
    steps = steps[steps < walk.length_mm - _AT_END * pitch]
    for stretch in own:
        # Where wood comes off, stations stand closer.
        low, high = stretch.cut.from_mm, stretch.cut.to_mm
        fine = np.arange(math.ceil(low / pitch * _CLOSER), high / pitch * _CLOSER) * pitch / _CLOSER
        steps = np.union1d(steps, fine)
    even = [
        row(float(s))
        for s in steps
        if all(abs(s - w.s_mm) > _AT_END * pitch / _CLOSER for w in worst)
    ]
    if not even and not worst:
        even = [row(round(walk.length_mm / 2))]
    return EdgeTable(
        name=walk.edge.name,
        begins=walk.begins,
        length_mm=walk.length_mm,
        rows=tuple(sorted([*even, *worst], key=lambda r: r.s_mm)),
    )


def _bevel(result: JobResult, pattern: RegisteredPattern, edge: str, s_mm: float) -> str:
    """What was told of the bevel there; a box to write in stays empty without it.

    One column serves both sides, so a bevel stands in it only where it is theirs both.
    """
    sides = [pattern.side] if result.comparison is None else [Side.PORT, Side.STARBOARD]
    parts = [result.shop.parts.get(side) for side in sides]
    told = {"" if part is None else _told(part, edge, s_mm) for part in parts}
    return told.pop() if len(told) == 1 else UNLIKE


UNLIKE = "on templates"
"""In place of a bevel that is another on each side."""


def _told(part: PartShop, edge: str, s_mm: float) -> str:
    order = part.order
    mine = [b for b in order.bevels if b.edge.strip().lower() == edge]
    if not mine or order.stock_mm is None:
        return ""
    return bevel_words(bevel_at_deg(part.part.outline, order.stock_mm, mine[0], s_mm))


def thirty_seconds(mm: float) -> str:
    """A small length to the nearest thirty-second of an inch; never nothing for something."""
    return '< 1/32"' if 0.0 < mm / INCH_MM * 32 < 0.5 else format_inches(mm, 32)


def take_off_words(row: Row, side: Side) -> tuple[str, str]:
    """Wood to take off a part as large as both, to fit one side: mm, and thirty-seconds."""
    if row.gap_mm is None or not math.isfinite(row.gap_mm):
        return "not seen", ""
    off = row.gap_mm if side is Side.PORT else -row.gap_mm
    if off <= 0 or not row.proved:
        return "–", ""
    return f"{off:.1f}", thirty_seconds(off)
