"""What a person says of bevels and allowances: the same words in a job file and on a command.

In a job file::

    [shop]                                  # see spilemark bevel and spilemark allow
    stock = "18 mm"                         # thickness of the part
    pattern_on = "top"                      # or "bottom": the part's face that the pattern lay on
    angles = { flare = 15, rake = 12, plan = 8, tilt = 5 }
    bevels = ["hull edge = 0:10 under, 300:18 under"]
    saw = ["2 mm", "throat curve = 0"]      # without an edge: all edges
    plane = ["hull edge = 1 mm"]
    glue = ["hull edge = 2 mm", "transom edge = 2 mm"]
    scribe = ["hull edge = 8 mm outboard"]  # compass held one way; "8 mm square": a rolled block
    relief = ["outer corner = 12 mm"]       # fillet to clear; "12 mm round": with an arc
    fitted = "../knee/fitted.toml"          # start less what was planed off the last one

    [shop.port]                             # what differs on one side

A number without quotes is mm.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec

from spilemark.errors import UsageError
from spilemark.shop.allowances import (
    Allowances,
    CutLines,
    EdgeAllowance,
    ScribeGap,
    cut_lines,
)
from spilemark.shop.bevels import KneeAngles, PatternFace, compound_bevel, read_bevels
from spilemark.shop.fitted import Planed, read_fitted
from spilemark.shop.lengths import read_degrees
from spilemark.shop.outlines import ShopOutline, SideName
from spilemark.shop.relief import CornerRelief
from spilemark.shop.stations import Stations
from spilemark.strict import convert
from spilemark.units import parse_length

Length = str | float
SIDE_TABLES: tuple[SideName, ...] = ("port", "starboard", "single")

_THICKEST_MM = 200.0
_WAYS = {"starboard": 0.0, "forward": 90.0, "port": 180.0, "aft": 270.0}
_SIDEWAYS = {
    ("outboard", "port"): 180.0,
    ("outboard", "starboard"): 0.0,
    ("inboard", "port"): 0.0,
    ("inboard", "starboard"): 180.0,
}


class AnglesTable(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """Inline table ``angles``, degrees."""

    flare: float = 0.0
    rake: float = 0.0
    plan: float = 0.0
    tilt: float = 0.0


class ShopTable(msgspec.Struct, kw_only=True):
    """Table ``[shop]``."""

    stock: Length | None = None
    pattern_on: Literal["top", "bottom"] = "top"
    angles: AnglesTable | None = None
    bevels: list[str] = []
    saw: list[Length] = []
    plane: list[Length] = []
    glue: list[Length] = []
    scribe: list[str] = []
    relief: list[str] = []
    fitted: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopOrder:
    """Bevels and allowances as told, for one side."""

    stock_mm: float | None
    pattern_on: PatternFace
    angles: KneeAngles | None
    bevels: tuple[Stations, ...]
    """As seen from the face on which the pattern lay; those from ``angles`` among them."""
    saw: tuple[tuple[str, float], ...]
    """(edge, mm); an empty name stands for all edges."""
    plane: tuple[tuple[str, float], ...]
    glue: tuple[tuple[str, float], ...]
    scribes: tuple[ScribeGap, ...]
    reliefs: tuple[CornerRelief, ...]
    planed: tuple[Planed, ...] = ()
    """What was planed off the last part of the class; this one starts less that."""

    def allowances(self, outline: ShopOutline) -> Allowances:
        """Amounts by the edges of an outline.

        Raises
        ------
        UsageError
            An edge is not there, or is given twice.
        """
        saw, plane, glue = (_spread(outline, rows) for rows in (self.saw, self.plane, self.glue))
        named = [
            e.name for e in outline.edges if {e.name} & (saw.keys() | plane.keys() | glue.keys())
        ]
        rows = tuple(
            EdgeAllowance(
                edge=name,
                saw_mm=saw.get(name, 0.0),
                plane_off_mm=plane.get(name, 0.0),
                glue_gap_mm=glue.get(name, 0.0),
            )
            for name in named
        )
        return Allowances(edges=rows, scribes=self.scribes, reliefs=self.reliefs)

    def cut_lines(self, outline: ShopOutline) -> CutLines:
        """Finished and cutting line of an outline; raises as :func:`cut_lines` of the allowances."""
        return cut_lines(
            outline,
            self.allowances(outline),
            thickness_mm=self.stock_mm,
            bevels=self.bevels,
            planed=self.planed,
        )


def shop_order(
    table: dict[str, Any], side: SideName | None = None, where: str = "The command"
) -> ShopOrder:
    """Read the table ``[shop]`` for one side, or the options of a command in its words.

    Parameters
    ----------
    table : dict
        May hold a table for each side, laid over the rest.
    side : {"port", "starboard", "single"}, optional
    where : str
        For messages.

    Raises
    ------
    UsageError
        A key is misspelt, or a value is impossible; the message names it.
    """
    for key in SIDE_TABLES:
        if not isinstance(table.get(key, {}), dict):
            raise UsageError(f"{where} holds {key} as a value.", f"Write it as [shop.{key}].")
    flat = {k: v for k, v in table.items() if k not in SIDE_TABLES}
    flat |= table.get(side, {}) if side else {}
    try:
        return _shop_order(flat, side, where)
    except UsageError as error:
        if error.what.startswith(where.rstrip(",")):
            raise
        raise UsageError(f"{where.rstrip(',')} says: {error.what}", error.todo) from error


def _shop_order(flat: dict[str, Any], side: SideName | None, where: str) -> ShopOrder:
    said = convert({k: v for k, v in flat.items() if v is not None}, ShopTable, where)
    angles = None if said.angles is None else _angles(said.angles)
    return ShopOrder(
        stock_mm=None if said.stock is None else _stock(said.stock, where),
        pattern_on=said.pattern_on,
        angles=angles,
        bevels=_bevels(said, angles),
        saw=tuple(_amount(text, "saw") for text in said.saw),
        plane=tuple(_amount(text, "plane") for text in said.plane),
        glue=tuple(_amount(text, "glue") for text in said.glue),
        scribes=tuple(read_scribe(text, side) for text in said.scribe),
        reliefs=tuple(read_relief(text) for text in said.relief),
        planed=() if said.fitted is None else _planed(Path(said.fitted), side),
    )


def _planed(path: Path, side: SideName | None) -> tuple[Planed, ...]:
    return tuple(p for p in read_fitted(path).planed if side is None or p.side == side)


def read_scribe(text: str, side: SideName | None = None) -> ScribeGap:
    """Read ``hull edge = 8 mm outboard``, ``... aft``, ``... at 120`` or ``... square``.

    Raises
    ------
    UsageError
        It does not say how the gap was held.
    """
    edge, rest = _split(text, '"hull edge = 8mm outboard"')
    match = re.fullmatch(
        r"(?P<gap>.+?)\s+(?P<way>square|outboard|inboard|port|starboard|forward|aft|at\s+.+)", rest
    )
    if match is None:
        raise UsageError(
            f'The scribe "{text}" does not say how the gap was held.',
            'Write "hull edge = 8mm outboard" for a compass held one way (outboard, inboard, port, '
            'starboard, forward, aft, at 120), or "hull edge = 8mm square" for a rolled block.',
        )
    return ScribeGap(
        edge=edge, gap_mm=parse_length(match["gap"]), direction_deg=_direction(match["way"], side)
    )


def read_relief(text: str) -> CornerRelief:
    """Read ``outer corner = 12 mm`` or ``outer corner = 12 mm round``.

    Raises
    ------
    UsageError
        It is written otherwise.
    """
    corner, rest = _split(text, '"outer corner = 12mm"')
    shape: Literal["clip", "round"] = "round" if rest.endswith("round") else "clip"
    size = rest.removesuffix("round").removesuffix("clip").strip()
    return CornerRelief(corner=corner, radius_mm=parse_length(size), shape=shape)


def _direction(way: str, side: SideName | None) -> float | None:
    if way == "square":
        return None
    if way.startswith("at"):
        return read_degrees(way.removeprefix("at"))
    if way in _WAYS:
        return _WAYS[way]
    if side not in ("port", "starboard"):
        raise UsageError(
            f'"{way}" means nothing on a part of no side.', "Write port, starboard, forward or aft."
        )
    return _SIDEWAYS[way, side]


def _split(text: str, example: str) -> tuple[str, str]:
    name, equals, rest = text.partition("=")
    if not equals or not name.strip() or not rest.strip():
        raise UsageError(
            f'"{text}" is not a name with its amount.', f"Write for example {example}."
        )
    return name.strip().lower(), rest.strip().lower()


def _amount(value: Length, what: str) -> tuple[str, float]:
    if isinstance(value, int | float):
        return "", float(value)
    if "=" not in value:
        return "", parse_length(value)
    edge, rest = _split(value, f'{what} "hull edge = 2mm"')
    return edge, parse_length(rest)


def _spread(outline: ShopOutline, rows: Sequence[tuple[str, float]]) -> dict[str, float]:
    """Amounts by edge: what is said of all first, what is said of one over it."""
    found: dict[str, float] = {}
    for name, mm in rows:
        if not name:
            found |= {edge.name: mm for edge in outline.edges}
    own: dict[str, float] = {}
    for name, mm in rows:
        if name and outline.edge(name).name in own:
            raise UsageError(f'The edge "{name}" is given twice.', "Give it once.")
        if name:
            own[outline.edge(name).name] = mm
    return found | own


def _angles(said: AnglesTable) -> KneeAngles:
    return KneeAngles(
        flare_deg=said.flare, rake_deg=said.rake, plan_deg=said.plan, tilt_deg=said.tilt
    )


def _bevels(said: ShopTable, angles: KneeAngles | None) -> tuple[Stations, ...]:
    """Bevels as taken, and for edges without one those that follow from the hull's angles."""
    taken = read_bevels(said.bevels)
    if angles is None:
        return taken
    named = {stations.edge.lower() for stations in taken}
    derived = compound_bevel(angles).stations(said.pattern_on)
    return (*taken, *(s for s in derived if s.edge not in named))


def _stock(value: Length, where: str) -> float:
    mm = float(value) if isinstance(value, int | float) else parse_length(value)
    if not 0.1 <= mm <= _THICKEST_MM:
        raise UsageError(
            f"{where}: a stock of {mm:g} mm is not between 0.1 and {_THICKEST_MM:g} mm.",
            "Give the thickness of the part, not of the pattern.",
        )
    return mm
