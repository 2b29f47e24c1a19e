"""Outlines from and to files: a ``report.json``, its folder, or an outline file.

An outline file is JSON: the fields of one pattern of ``report.json`` that
matter here, with ``"kind": "outline"``.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.errors import CannotWrite, UnreadableInput, UsageError, WouldOverwrite
from spilemark.shop.horning import Horning
from spilemark.shop.hull_turn import (
    HullAgainstPatterns,
    LineFrom,
    hull_against_patterns,
    transom_turn_deg,
)
from spilemark.shop.outlines import ShopEdge, ShopOutline, SideName, make_outline

SCHEMA = 1
REPORT = "report.json"
_DIGITS = 4
OUTER = ("outer", "outer corner")
"""Names of a comparison's outer corners."""
_SIDES: tuple[SideName, ...] = ("port", "starboard", "single")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A pattern with what is known of its job."""

    outline: ShopOutline
    boat: str = ""
    part: str = ""
    date: str = ""
    """ISO date of the job, or empty."""
    units: str = "mm"
    scale: str = ""
    """Scale basis of a measured pattern ("taped" ...), empty where not told."""
    doubt: str = ""
    """In fixed words, how well it was measured."""
    forward_known: bool = True
    """Whether forward is up the sheet; told of the pattern, not found."""
    outer_deg: float | None = None
    """Angle of its outer corner, as a sliding bevel reads it."""


def read_json(path: Path, what: str) -> dict[str, Any]:
    """Read a JSON file that holds a table.

    Raises
    ------
    UnreadableInput
        It is missing, or is no such file.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableInput(
            f"The {what} {path} cannot be read: {error.strerror or type(error).__name__}.",
            "Check its name and folder.",
        ) from error
    except ValueError as error:
        raise UnreadableInput(
            f"The {what} {path} is not JSON: {error}.", "Take the one that spilemark wrote."
        ) from error
    if not isinstance(content, dict):
        raise UnreadableInput(f"The {what} {path} holds no table.", "")
    return content


def read_part(path: Path, side: SideName | None = None) -> Part:
    """Read a pattern.

    Parameters
    ----------
    path : Path
        A results folder, its ``report.json``, or an outline file.
    side : {"port", "starboard", "single"}, optional
        Needed where the report holds more than one pattern.

    Raises
    ------
    UnreadableInput
        The file cannot be read as such.
    UsageError
        It does not hold the side, or holds several and none was named.
    """
    path = path / REPORT if path.is_dir() else path
    table = read_json(path, "report or outline file")
    if table.get("schema") != SCHEMA or table.get("units") != "mm":
        raise UnreadableInput(
            f"{path} is not a report or outline file of schema {SCHEMA} in mm.",
            "Take the report.json of a results folder.",
        )
    try:
        if table.get("kind") == "outline":
            return _part(table, table["side"], table)
        patterns, job = table["patterns"], table.get("job") or {}
        found = _chosen(patterns, side, path)
        return _part(patterns[found], found, job)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise UnreadableInput(
            f"{path} lacks what an outline needs ({type(error).__name__}: {error}).",
            "Take the file that spilemark wrote.",
        ) from error


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What a comparison found that a hull could explain."""

    corners: tuple[tuple[str, float, float], ...]
    """Outer corner: name, starboard's angle less port's for the arms as a whole, its 95 % half-width,
    degrees."""
    turn_deg: float | None
    """Mirrored starboard's transom edge against port's, on their pencil lines; None where it was
    not measured."""
    turn_u95_deg: float


def compared(path: Path) -> Compared:
    """Read the comparison of a ``report.json`` or its folder.

    Raises
    ------
    UnreadableInput
        There is none in it.
    """
    path = path / REPORT if path.is_dir() else path
    found = read_json(path, "report").get("comparison")
    if not isinstance(found, dict):
        raise UnreadableInput(
            f"{path} compares no two sides.", "Take the report of a job with port and starboard."
        )
    try:
        outer = [c for c in found.get("corners", []) if c["name"] in OUTER]
        rigid = found.get("rigid") or {}
        turn = None
        if found.get("datum") == "centreline":
            turn = transom_turn_deg(
                *(read_part(path, side).outline for side in ("port", "starboard"))
            )
        return Compared(
            corners=tuple(
                (
                    c["name"],
                    c.get("difference_whole_deg", c["starboard_deg"] - c["port_deg"]),
                    c["difference_u95_deg"],
                )
                for c in outer
                if None not in (c["port_deg"], c["starboard_deg"], c["difference_u95_deg"])
            ),
            turn_deg=turn,
            turn_u95_deg=math.hypot(
                float(rigid.get("turn_u95_deg") or 0.0),
                *(float(c.get("difference_u95_deg") or 0.0) for c in outer),
            ),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise UnreadableInput(
            f"{path} lacks what a comparison holds ({type(error).__name__}: {error}).",
            "Take the report.json that spilemark wrote.",
        ) from error


def hull_beside_report(
    hull: Horning, path: Path, line_from: LineFrom
) -> list[tuple[str, HullAgainstPatterns]]:
    """Set a hull beside the comparison of a report: what is compared, and how much the hull explains.

    Raises as :func:`compared`.
    """
    report = compared(path)
    turn = None if report.turn_deg is None else (report.turn_deg, report.turn_u95_deg)
    return hull_against_patterns(hull, report.corners, turn, line_from)


def write_outline(path: Path, part: Part, *, force: bool = False) -> Path:
    """Write an outline file.

    Raises
    ------
    WouldOverwrite, CannotWrite
    """
    outline = part.outline
    table = {
        "schema": SCHEMA,
        "kind": "outline",
        "units": "mm",
        "side": outline.side,
        "boat": part.boat,
        "part": part.part,
        "date": part.date,
        "scale": {"basis": part.scale},
        "fixed_words": part.doubt,
        "forward_known": part.forward_known,
        "outline_mm": _points(outline.points_mm),
        "holes_mm": [_points(hole) for hole in outline.holes_mm],
        "edges": [
            {"name": e.name, "from": e.start, "to": e.stop, "from_end": e.from_end}
            for e in outline.edges
        ],
        "corners_mm": {name: _points(outline.points_mm[[k]])[0] for name, k in outline.corners},
    }
    text = json.dumps(table, ensure_ascii=False, allow_nan=False) + "\n"
    return write_text(path, text, force=force)


def write_text(path: Path, text: str, *, force: bool) -> Path:
    """Write a small text file.

    Raises
    ------
    WouldOverwrite, CannotWrite
    """
    if path.exists() and not force:
        raise WouldOverwrite(
            f"{path} already exists.", "Choose another name, or add --force to replace it."
        )
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite(
            f"{path} cannot be written: {error.strerror}.", "Check that its folder exists."
        ) from error
    return path


def fingerprint(outline: ShopOutline) -> str:
    """Short hash that tells one pattern from another; rounded to a ten-thousandth of a mm."""
    text = json.dumps(_points(outline.points_mm))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _chosen(patterns: dict[str, Any], side: SideName | None, path: Path) -> SideName:
    held = [s for s in _SIDES if s in patterns]
    if side is not None and side not in held:
        raise UsageError(
            f"{path} holds no {side} pattern.", f"It holds: {', '.join(held) or 'none'}."
        )
    if side is not None:
        return side
    measured = [s for s in held if patterns[s].get("measured", True)]
    if len(measured) != 1:
        raise UsageError(
            f"{path} holds {len(measured)} patterns.", "Name one: --side port or --side starboard."
        )
    return measured[0]


def _part(table: dict[str, Any], side: str, job: dict[str, Any]) -> Part:
    if side not in _SIDES:
        raise ValueError(side)
    points = np.asarray(table["outline_mm"], dtype=np.float64)
    edges = [
        ShopEdge(
            name=str(e["name"]),
            start=int(e["from"]),
            stop=int(e["to"]),
            from_end=bool(e.get("from_end", False)),
        )
        for e in table["edges"]
    ]
    corners = {
        name: int(np.argmin(np.linalg.norm(points - np.asarray(at, np.float64), axis=1)))
        for name, at in table.get("corners_mm", {}).items()
    }
    boat, part = str(job.get("boat") or ""), str(job.get("part") or "")
    named = " ".join(word for word in (part, "" if side == "single" else side) if word)
    outline = make_outline(
        points,
        edges,
        corners=corners,
        holes_mm=[np.asarray(hole, np.float64) for hole in table.get("holes_mm") or []],
        side=side,
        name=named or side,
    )
    date = str(job.get("date") or "")
    angles = table.get("corner_angles_deg") or {}
    return Part(
        outline=outline,
        boat=boat,
        part=part,
        date=date,
        units=str(job.get("units") or "mm"),
        scale=str((table.get("scale") or {}).get("basis", "")),
        doubt=str(table.get("fixed_words") or ""),
        forward_known=bool(table.get("forward_known", True)),
        outer_deg=next(
            (float(deg) for name, deg in angles.items() if name in OUTER and deg is not None), None
        ),
    )


def _points(points: Any) -> list[list[float]]:
    # Adding zero turns -0.0 into 0.0, so that equal outlines have equal fingerprints.
    return [[round(float(x), _DIGITS) + 0.0, round(float(y), _DIGITS) + 0.0] for x, y in points]
