"""The two faces of a bevelled part, and the bevel card."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spilemark.errors import UsageError
from spilemark.shop.bevels import Kind, bevel_offset_mm, checked, kind, sliding_deg
from spilemark.shop.offsets import EdgeMove, densified, move_edges
from spilemark.shop.outlines import Floats, ShopOutline
from spilemark.shop.stations import Stations, fair

POINTS_MM = 1.0
"""An edge is looked at this often along its length."""

STATION_MM = 300.0
"""The card has a station about every foot: boatdesign.net, "cutting a changing bevel"."""

_NEAR_MM = 15.0
"""An end of an edge needs no row of its own so near to a station."""

MOST_TILT_DEG = 45.0
"""Saw tables tilt so far, most of them: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaceLines:
    """What is drawn for a bevelled part; all three in the pattern's frame, seen from its face."""

    pattern_face: ShopOutline
    second_face: ShopOutline
    large: ShopOutline
    """The outer of the two everywhere: cut square to this and no wood is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardRow:
    """One station of the bevel card."""

    edge: str
    s_mm: float
    """Along the edge, from its end that is nearer to the outer corner."""
    at_mm: tuple[float, float]
    """On the pattern's face."""
    bevel_deg: float
    """Positive standing, negative under, seen from the pattern's face."""
    offset_mm: float
    """From the pattern's line to the second face's, positive outwards."""
    throughout: bool = False
    """The same all along its edge."""

    @property
    def kind(self) -> Kind:
        """Under, standing or square."""
        return kind(self.bevel_deg)

    @property
    def sliding_deg(self) -> float:
        """What the sliding bevel reads from the pattern's face."""
        return sliding_deg(self.bevel_deg)

    @property
    def cut_sliding_deg(self) -> float:
        """What it reads from the large face, which lies up on the saw: never over 90."""
        return 90.0 - abs(self.bevel_deg)

    @property
    def table_tilt_deg(self) -> float:
        """Tilt of the saw table, or of the saw, from square."""
        return abs(self.bevel_deg)


def face_lines(outline: ShopOutline, thickness_mm: float, bevels: Sequence[Stations]) -> FaceLines:
    """Draw the second face of a part from the bevels of its edges.

    Parameters
    ----------
    outline : ShopOutline
        The face on which the pattern lay.
    thickness_mm : float
        Of the part, not of the pattern.
    bevels : sequence of Stations
        By edge, degrees from square, positive standing; edges not named are square.

    Raises
    ------
    UsageError
        An edge is not there or named twice, a bevel is past 60 degrees, or a
        face would cross itself; the message says where.

    Notes
    -----
    The second line lies T tan b(s) off the first, square to it, and corners are
    where two such lines meet: own derivation.  Marks for the offset are faired
    as a batten fairs them, not the angles (see :func:`bevel_offsets_mm`).
    """
    outline = densified(outline, POINTS_MM)
    by_edge = _by_edge(outline, bevels)
    offsets = {
        name: bevel_offsets_mm(outline, stations, thickness_mm)
        for name, stations in by_edge.items()
    }
    second = move_edges(outline, {n: EdgeMove(off) for n, off in offsets.items()})
    large = move_edges(outline, {n: EdgeMove(np.maximum(off, 0.0)) for n, off in offsets.items()})
    title = f"{outline.name}, second face".strip(", ")
    return FaceLines(
        pattern_face=outline,
        second_face=replace(second, name=title),
        large=replace(large, name=f"{outline.name}, larger outline".strip(", ")),
    )


def bevel_offsets_mm(outline: ShopOutline, bevels: Stations, thickness_mm: float) -> Floats:
    """Offset of the second face at each point of an edge, in ring order, positive outwards.

    T tan b at the stations, and a fair line (PCHIP) through these marks.
    """
    edge = outline.edge(bevels.edge)
    marks = tuple(bevel_offset_mm(thickness_mm, b) for b in bevels.values)
    return fair(
        replace(bevels, values=marks),
        outline.stations_mm(edge),
        edge_length_mm=outline.length_mm(edge),
    )


def bevel_at_deg(outline: ShopOutline, thickness_mm: float, bevels: Stations, s_mm: float) -> float:
    """Bevel at one place of an edge, on the fair line through the marks; held level past its end."""
    length = outline.length_mm(outline.edge(bevels.edge))
    marks = tuple(bevel_offset_mm(thickness_mm, b) for b in bevels.values)
    at = np.array([min(max(s_mm, 0.0), length)])
    offset = float(fair(replace(bevels, values=marks), at, edge_length_mm=length)[0])
    return math.degrees(math.atan2(offset, thickness_mm))


def bevel_card(
    outline: ShopOutline,
    thickness_mm: float,
    bevels: Sequence[Stations],
    *,
    station_mm: float = STATION_MM,
) -> tuple[CardRow, ...]:
    """Rows for the bench: at the stations that were taken, and about every foot between.

    Raises
    ------
    UsageError
        As :func:`face_lines`.
    """
    outline = densified(outline, POINTS_MM)
    rows: list[CardRow] = []
    for stations in _by_edge(outline, bevels).values():
        edge = outline.edge(stations.edge)
        along = outline.stations_mm(edge)
        offsets = bevel_offsets_mm(outline, stations, thickness_mm)
        points = outline.points_mm[outline.indices(edge)]
        if edge.from_end:
            along, offsets, points = along[::-1], offsets[::-1], points[::-1]
        for s in _card_stations(stations, float(along[-1]), station_mm):
            offset = float(np.interp(s, along, offsets))
            x, y = (float(np.interp(s, along, axis)) for axis in points.T)
            rows.append(
                CardRow(
                    edge=edge.name,
                    s_mm=s,
                    at_mm=(x, y),
                    bevel_deg=checked(math.degrees(math.atan2(offset, thickness_mm))),
                    offset_mm=offset,
                    throughout=not stations.changes,
                )
            )
    return tuple(rows)


def _card_stations(stations: Stations, length_mm: float, every_mm: float) -> list[float]:
    """Those that were taken, both ends of the edge, and what is needed to leave no wide gap."""
    if not stations.changes:
        return [length_mm / 2.0]
    marks = {min(at, length_mm) for at in stations.at_mm}
    ends = {end for end in (0.0, length_mm) if all(abs(end - at) > _NEAR_MM for at in marks)}
    taken = sorted(marks | ends)
    found = [taken[0]]
    for begin, end in itertools.pairwise(taken):
        parts = max(1, math.ceil((end - begin) / every_mm))
        found += [begin + (end - begin) * k / parts for k in range(1, parts + 1)]
    return found


def _by_edge(outline: ShopOutline, bevels: Sequence[Stations]) -> dict[str, Stations]:
    found: dict[str, Stations] = {}
    for stations in bevels:
        name = outline.edge(stations.edge).name
        if name in found:
            raise UsageError(
                f'The edge "{name}" is given twice.',
                f'Write all its stations in one: "{name} = 0:10 under, 300:18 under".',
            )
        for value in stations.values:
            checked(value)
        found[name] = replace(stations, edge=name)
    return found
