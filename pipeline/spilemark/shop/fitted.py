"""What was planed off when a part was fitted, so that the next pattern starts from it.

The record is a TOML file beside the job::

    schema = 1
    boat = "Dunlin 14"
    part = "quarter knee"

    [[planed]]
    side = "port"
    edge = "hull edge"
    at_mm = [0.0, 60.0, 120.0]     # along the edge, from its end nearer to the outer corner
    off_mm = [0.0, 1.2, 0.0]       # taken off; negative where it was short
    outline = "0f3c..."            # of which pattern
    date = "2026-05-14"            # optional
    note = "proud at the chine"    # optional
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.errors import UsageError
from spilemark.shop.faces import POINTS_MM
from spilemark.shop.files import REPORT, SCHEMA, fingerprint, read_json, write_text
from spilemark.shop.offsets import EdgeMove, densified, move_edges
from spilemark.shop.outlines import Floats, ShopEdge, ShopOutline
from spilemark.shop.stations import PAST_END_MM, Stations, fair

FILE_NAME = "fitted.toml"

TAPER_MM = 50.0
"""Past the first and last station the cut runs out over this length: a plane cannot stop dead
(common practice, no source)."""

OTHER_BOAT = 0.1
"""Two boats of a class are as alike as this: past it, an edge is another edge (common practice, no
source)."""

MOST_OFF_MM = 30.0
_PLANED = ("side", "edge", "at_mm", "off_mm", "outline", "date", "note")
_HEAD = ("schema", "boat", "part", "planed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Planed:
    """What came off one edge of one fitted part."""

    side: str
    off: Stations
    """mm by station; negative where the part was short."""
    outline: str
    """Fingerprint of the pattern that the part was made from."""
    date: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedRecord:
    """Everything planed off the parts of one job."""

    boat: str = ""
    part: str = ""
    planed: tuple[Planed, ...] = ()


def next_pattern(outline: ShopOutline, planed: Sequence[Planed]) -> ShopOutline:
    """The pattern for the next boat of the class: this one less what had to come off.

    Entries of one edge add up; those of other sides are left alone.

    Raises
    ------
    UsageError
        An entry was made for another pattern, an edge is not there, or the
        outline would cross itself.

    Notes
    -----
    A fair line (PCHIP) through the amounts, square to the edge, running out
    over 50 mm past the first and last: own derivation, checked by planing known
    amounts off known outlines.
    """
    mine = [p for p in planed if p.side == outline.side]
    stranger = next((p for p in mine if p.outline != fingerprint(outline)), None)
    if stranger is not None:
        raise UsageError(
            f'What was planed off "{stranger.off.edge}" was noted for another {outline.side} '
            "pattern than this one.",
            "Start from the pattern that the fitted part was made from.",
        )
    return less_planed(outline, mine)


def less_planed(outline: ShopOutline, planed: Sequence[Planed]) -> ShopOutline:
    """An outline less what was planed off a part of another pattern of the same class.

    Raises and reckons as :func:`next_pattern`, but takes entries of any pattern.
    A station past the end of an edge that is up to a tenth shorter on this boat
    counts as far as the edge goes.
    """
    mine = [p for p in planed if p.side == outline.side]
    dense = densified(outline, POINTS_MM)
    amounts: dict[str, Floats] = {}
    for entry in mine:
        edge = dense.edge(entry.off.edge)
        past = OTHER_BOAT * dense.length_mm(edge)
        off = planed_off_mm(dense, edge, entry.off, past_end_mm=max(past, PAST_END_MM))
        amounts[edge.name] = amounts.get(edge.name, np.zeros(len(off))) + off
    return move_edges(dense, {name: EdgeMove(-off) for name, off in amounts.items()})


def planed_off_mm(
    outline: ShopOutline, edge: ShopEdge, off: Stations, past_end_mm: float = PAST_END_MM
) -> Floats:
    """Amount at each point of an edge; one value without stations counts all along.

    Raises
    ------
    UsageError
        A station lies farther past the end of the edge than ``past_end_mm``.
    """
    length = outline.length_mm(edge)
    if len(off.at_mm) > 1 or off.at_mm[0] > 0:
        off = _run_out(off, length)
    return fair(off, outline.stations_mm(edge), edge_length_mm=length, past_end_mm=past_end_mm)


def checked(off: Stations) -> Stations:
    """Hand amounts on if a plane can have taken them.

    Raises
    ------
    UsageError
        One is past 30 mm.
    """
    for mm in off.values:
        if not abs(mm) <= MOST_OFF_MM:
            raise UsageError(
                f'{mm:g} mm off "{off.edge}" is more than fitting takes.',
                "Check the number and its unit; no unit means mm. For more, make a new pattern.",
            )
    return off


def read_fitted(path: Path) -> FittedRecord:
    """Read a record.

    Raises
    ------
    UnreadableInput
        It cannot be read as TOML.
    UsageError
        A key or value in it is wrong.
    """
    from spilemark.strict import check_keys, read_toml

    table = read_toml(path, "record of fitting")
    where = f"The record of fitting {path}"
    check_keys(table, _HEAD, where)
    if table.get("schema") != SCHEMA:
        raise UsageError(
            f"{where} is not of schema {SCHEMA}.", f"It begins with schema = {SCHEMA}."
        )
    rows = table.get("planed", [])
    return FittedRecord(
        boat=str(table.get("boat", "")),
        part=str(table.get("part", "")),
        planed=tuple(_entry(row, where) for row in rows),
    )


def write_fitted(path: Path, record: FittedRecord) -> Path:
    """Write a record; one that is there is replaced, so add to what was read from it.

    Raises
    ------
    CannotWrite
    """
    lines = [
        "# What was planed off when the parts were fitted; spilemark fitted adds to it.",
        f"schema = {SCHEMA}",
        f"boat = {_text(record.boat)}",
        f"part = {_text(record.part)}",
    ]
    for entry in record.planed:
        lines += [
            "",
            "[[planed]]",
            f"side = {_text(entry.side)}",
            f"edge = {_text(entry.off.edge)}",
            f"at_mm = {_numbers(entry.off.at_mm)}",
            f"off_mm = {_numbers(entry.off.values)}",
            f"outline = {_text(entry.outline)}",
        ]
        lines += [
            f"{key} = {_text(v)}" for key, v in (("date", entry.date), ("note", entry.note)) if v
        ]
    return write_text(path, "\n".join(lines) + "\n", force=True)


def planed_before(path: Path, outline: ShopOutline) -> tuple[Planed, ...]:
    """What a pattern's job had already left off, as the last part of the class was fitted.

    Amounts planed off this part count from the finished line, which started less
    that; the next one starts less both.

    Parameters
    ----------
    path : Path
        A results folder, its report, or an outline file.
    outline : ShopOutline
        The pattern.

    Raises
    ------
    UnreadableInput, UsageError
    """
    path = path / REPORT if path.is_dir() else path
    shop = read_json(path, "report or outline file").get("shop") or {}
    rows = ((shop.get("parts") or {}).get(str(outline.side)) or {}).get("planed") or []
    mark = fingerprint(outline)
    return tuple(
        _entry(row | {"side": str(outline.side), "outline": mark}, f"The report {path}")
        for row in rows
    )


def _run_out(off: Stations, length_mm: float) -> Stations:
    """Add where the cut has run out to nothing, where the edge is long enough for it."""
    pairs = list(zip(off.at_mm, off.values, strict=True))
    first, last = pairs[0], pairs[-1]
    if first[1] and first[0] > PAST_END_MM:
        pairs.insert(0, (max(0.0, first[0] - TAPER_MM), 0.0))
    if last[1] and last[0] < length_mm - PAST_END_MM:
        pairs.append((min(length_mm, last[0] + TAPER_MM), 0.0))
    return replace(off, at_mm=tuple(s for s, _ in pairs), values=tuple(v for _, v in pairs))


def _entry(row: Any, where: str) -> Planed:
    from spilemark.strict import check_keys

    if not isinstance(row, dict):
        raise UsageError(f"{where}: planed is a list of tables.", "Write each as [[planed]].")
    check_keys(row, _PLANED, f"{where}, [[planed]],")
    try:
        at, off = (tuple(float(v) for v in row[key]) for key in ("at_mm", "off_mm"))
        stations = checked(Stations(str(row["edge"]), at, off))
        return Planed(
            side=str(row["side"]),
            off=stations,
            outline=str(row["outline"]),
            date=str(row.get("date", "")),
            note=str(row.get("note", "")),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"{where}: an entry lacks or garbles {error}.",
            "An entry has side, edge, at_mm, off_mm and outline.",
        ) from error


def _text(value: str) -> str:
    # A JSON string is a TOML basic string, but for DEL.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _numbers(values: Sequence[float]) -> str:
    return "[" + ", ".join(str(float(round(v, 4))) for v in values) + "]"
