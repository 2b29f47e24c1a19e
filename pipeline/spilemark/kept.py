"""Patterns read back from what a job wrote: a report, a template, or an outline file.

What stands in the files is less than what was known when they were made.  A
report keeps, besides the random error of each point, the largest *modes* of
what the points share (singular vectors of their sensitivities), so that lengths
and angles are not believed more than they deserve; what the modes leave out
counts as random.  Errors that two jobs share (one tape, one batten) are not
told apart any more: a comparison of kept patterns is a little too careful.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np

from spilemark.cubics import curve_points
from spilemark.errors import UnreadableInput, UsageError
from spilemark.frames import outward_normals
from spilemark.kept_pattern import assembled, believed
from spilemark.records import (
    Floats,
    RegisteredPattern,
    RigidMap,
    Side,
    Template,
)
from spilemark.rigid import move_outline
from spilemark.shop.files import REPORT, SCHEMA, read_json
from spilemark.uncertainty import (
    COVERAGE_FACTOR,
    after_fit,
    arc_weights,
    fit_functional,
    rigid_columns,
)
from spilemark.wording import doubt_of

MOST_MODES = 8
_MODE_SHARE = 0.01
"""Modes below this share of the largest one's length are left to the random part."""
_NOTE = "pattern: "
_STEP_MM = 0.5
_TOKEN = re.compile(r"[MLCZ]|-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """A pattern as a file holds it."""

    pattern: RegisteredPattern
    boat: str = ""
    part: str = ""
    date: str = ""
    units: str = "mm"
    scale: str = ""
    """Scale basis, empty where the file does not tell."""
    u95_mm: float | None = None
    """Half-width at its worst point as a shape, 95 %; None: the file tells of no doubt."""
    measured: bool = True
    """False for an outline that was reckoned, not photographed."""

    @property
    def side(self) -> Side:
        """Which side it is of."""
        return self.pattern.side


def modes(pattern: RegisteredPattern) -> tuple[Floats, Floats]:
    """What a report keeps of shared errors.

    Returns
    -------
    shape_mm, datum_mm : (R, N)
        Change of the ring's points along their normals by each of R independent
        unit errors: of the shape after the best rigid fit, and in the datum's
        frame with the datum's own doubt.

    Notes
    -----
    Truncated singular value decomposition of the sensitivities, both tables at
    once so that they share their errors: own derivation, checked against the
    full tables.
    """
    ring = pattern.outline.ring
    normals = outward_normals(ring.points_mm)
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    functional = fit_functional(ring.points_mm, normals, weights)
    shape = after_fit(ring.sensitivity_mm, rigid_columns(ring.points_mm, normals), functional)
    extra = pattern.datum_sensitivity_mm.shape[1] - shape.shape[1]
    both = np.concatenate([np.pad(shape, ((0, 0), (0, extra))), pattern.datum_sensitivity_mm])
    left, size, _ = np.linalg.svd(both, full_matrices=False)
    keep = int(min(MOST_MODES, (size > _MODE_SHARE * max(float(size[0]), 1e-12)).sum()))
    table = (left[:, :keep] * size[:keep]).T
    count = len(ring.points_mm)
    return table[:, :count], table[:, count:]


def template_note(template: Template) -> str:
    """What a template's SVG keeps for :func:`read_kept`, as one line."""
    pattern, facts = template.pattern, template.facts
    ring = pattern.outline.ring.points_mm
    doubt = doubt_of(pattern)
    names = {c.index: c.name for c in pattern.outline.corners}
    table = {
        "side": str(pattern.side),
        "boat": facts.boat if facts else "",
        "part": facts.part if facts else "",
        "date": facts.date.isoformat() if facts and facts.date else "",
        "units": facts.units if facts else "mm",
        "scale": str(template.scale.basis) if template.scale else "",
        "datum": pattern.datum,
        "frame": pattern.frame,
        "centreline_offset_mm": pattern.centreline_offset_mm,
        "u95_fit_mm": round(doubt.shape_mm, 4),
        "u95_datum_mm": round(doubt.frame_mm, 4),
        "left_mm": round(template.left_mm, 6),
        "top_mm": round(template.bottom_mm + template.height_mm, 6),
        "corners": [[names.get(e.start, ""), *(round(float(v), 4) for v in ring[e.start])]
                    for e in pattern.outline.edges],
        "edges": [e.name for e in pattern.outline.edges],
    }  # fmt: skip
    return _NOTE + json.dumps(table, ensure_ascii=False)


def read_kept(path: Path, side: Side | None = None) -> Kept:
    """Read a pattern that a job wrote.

    Parameters
    ----------
    path : Path
        A results folder, its ``report.json``, a template's ``.svg`` or an
        outline file.
    side : Side, optional
        Needed where a report holds more than one pattern.

    Raises
    ------
    UnreadableInput
        The file is none that this program wrote.
    UsageError
        It does not hold that side, or several and none was named.
    """
    path = path / REPORT if path.is_dir() else path
    try:
        kept = _from_svg(path) if path.suffix.lower() == ".svg" else _from_json(path, side)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise UnreadableInput(
            f"{path} lacks what a pattern needs ({type(error).__name__}: {error}).",
            "Take the report.json, template or outline file as spilemark wrote it.",
        ) from error
    if side is not None and kept.side is not side:
        raise UsageError(f"{path} holds a {kept.side} pattern, not a {side} one.", "")
    return kept


def sides_in(path: Path) -> tuple[Side, ...]:
    """Measured sides that a folder or file holds."""
    path = path / REPORT if path.is_dir() else path
    if path.suffix.lower() == ".svg":
        return (read_kept(path).side,)
    table = read_json(path, "report or outline file")
    if table.get("kind") == "outline":
        return (Side(table["side"]),)
    patterns = table.get("patterns")
    held = patterns if isinstance(patterns, dict) else {}
    return tuple(s for s in Side if held.get(str(s), {}).get("measured", False))


def on_their_lines(one: Kept, other: Kept) -> tuple[Kept, Kept]:
    """Both counted from their drawn lines, where only one tells how far that is from the centreline."""
    if one.pattern.frame == other.pattern.frame:
        return one, other
    return _on_its_line(one), _on_its_line(other)


def _on_its_line(kept: Kept) -> Kept:
    pattern = kept.pattern
    if pattern.frame == "pattern" or pattern.centreline_offset_mm is None:
        return kept
    motion = RigidMap(turn_rad=0.0, shift_mm=(-pattern.centreline_offset_mm, 0.0))
    moved = replace(
        pattern,
        outline=move_outline(pattern.outline, motion),
        frame="pattern",
        centreline_offset_mm=None,
    )
    return replace(kept, pattern=moved)


def _from_json(path: Path, side: Side | None) -> Kept:
    table = read_json(path, "report or outline file")
    if table.get("schema") != SCHEMA or table.get("units") != "mm":
        raise UnreadableInput(
            f"{path} is not a report or outline file of schema {SCHEMA} in mm.",
            "Take the report.json of a results folder.",
        )
    if table.get("kind") == "outline":
        return _outline_file(table)
    held = sides_in(path)
    if side is None and len(held) != 1:
        raise UsageError(
            f"{path} holds {len(held)} patterns.", "Name the side, for example --side port."
        )
    side = held[0] if side is None else side
    if str(side) not in table["patterns"]:
        listed = ", ".join(held) or "none"
        raise UsageError(f"{path} holds no {side} pattern.", f"It holds: {listed}.")
    return _of_report(table["patterns"][str(side)], side, table.get("job") or {})


def _of_report(table: dict[str, Any], side: Side, job: dict[str, Any]) -> Kept:
    points = np.asarray(table["outline_mm"], dtype=np.float64)
    found = table.get("modes_mm")
    random = np.asarray(table["sigma_mm"], np.float64)
    if found:
        shape, datum = (np.asarray(found[key], np.float64) for key in ("shape", "datum"))
    else:
        worst = float(table["u95_worst_fit_mm"]), float(table["u95_worst_datum_mm"])
        shape, datum, random = believed(points, *worst)
    total = np.asarray(table["u95_fit_mm"], np.float64) / COVERAGE_FACTOR
    # What the modes leave out of the whole counts as random.
    sigma = np.sqrt(np.maximum(random**2, total**2 - (shape**2).sum(axis=0)))
    pattern = assembled(
        points,
        _starts(table, points),
        [str(e["name"]) for e in table["edges"]],
        side,
        sigma=sigma,
        shape=shape,
        datum=datum,
        seen=np.asarray(table["seen"], dtype=bool),
        datum_kind=table["datum"],
        frame=table["frame"],
        offset_mm=table.get("centreline_offset_mm"),
        line_mm=table.get("centreline_mm"),
    )
    return Kept(
        pattern=pattern,
        boat=str(job.get("boat") or ""),
        part=str(job.get("part") or ""),
        date=str(job.get("date") or ""),
        units=str(job.get("units") or "mm"),
        scale=str((table.get("scale") or {}).get("basis", "")),
        u95_mm=table.get("u95_worst_fit_mm"),
    )


def _starts(table: dict[str, Any], points: Floats) -> list[tuple[str, Floats]]:
    """The corner where each edge begins, with its name; none for a ring without corners."""
    named = {name: np.asarray(at, np.float64) for name, at in table["corners_mm"].items()}
    if not named:
        return []
    found = []
    for edge in table["edges"]:
        at = points[int(edge["from"])]
        name = min(named, key=lambda n: float(np.linalg.norm(named[n] - at)))
        found.append((name, at))
    return found


def _outline_file(table: dict[str, Any]) -> Kept:
    points = np.asarray(table["outline_mm"], dtype=np.float64)
    none = np.zeros((0, len(points)))
    pattern = assembled(
        points,
        _starts(table, points),
        [str(e["name"]) for e in table["edges"]],
        Side(table["side"]),
        sigma=np.zeros(len(points)),
        shape=none,
        datum=none,
        seen=np.ones(len(points), dtype=bool),
        datum_kind="corner and edge",
        frame="pattern",
    )
    return Kept(
        pattern=pattern,
        boat=str(table.get("boat") or ""),
        part=str(table.get("part") or ""),
        date=str(table.get("date") or ""),
        scale=str((table.get("scale") or {}).get("basis", "")),
        measured=False,
    )


def _from_svg(path: Path) -> Kept:
    try:
        root = ElementTree.fromstring(path.read_bytes())
    except OSError as error:
        raise UnreadableInput(
            f"The template {path} cannot be read: {error.strerror or type(error).__name__}.",
            "Check its name and folder.",
        ) from error
    except ElementTree.ParseError as error:
        raise UnreadableInput(
            f"{path} is not SVG: {error}.", "Take the file as written."
        ) from error
    space = "{http://www.w3.org/2000/svg}"
    words = root.findtext(f"{space}desc") or ""
    group = next((g for g in root.iter(f"{space}g") if g.get("id") == "outline"), None)
    path_of = None if group is None else group.find(f"{space}path")
    if _NOTE not in words or path_of is None:
        raise UnreadableInput(
            f"{path} is not a template as spilemark writes it, or another program has saved it since.",
            "Take the report.json of its folder.",
        )
    note = json.loads(words.split(_NOTE, 1)[1])
    sheet = _path_points(path_of.get("d") or "")
    points = sheet * [1.0, -1.0] + [note["left_mm"], note["top_mm"]]
    shape, datum, sigma = believed(points, note["u95_fit_mm"], note["u95_datum_mm"])
    pattern = assembled(
        points,
        [(name, (x, y)) for name, x, y in note["corners"]],
        note["edges"],
        Side(note["side"]),
        sigma=sigma,
        shape=shape,
        datum=datum,
        seen=np.ones(len(points), dtype=bool),
        datum_kind=note["datum"],
        frame=note["frame"],
        offset_mm=note["centreline_offset_mm"],
    )
    return Kept(
        pattern=pattern,
        boat=note["boat"],
        part=note["part"],
        date=note["date"],
        units=note["units"],
        scale=note["scale"],
        u95_mm=note["u95_fit_mm"],
    )


def _path_points(text: str) -> Floats:
    """Points (N, 2) about every half millimetre along a path of lines and cubics, closed."""
    tokens = _TOKEN.findall(text)
    here, points, k = np.zeros(2), [], 0
    while k < len(tokens):
        letter, count = tokens[k], {"M": 1, "L": 1, "C": 3, "Z": 0}.get(tokens[k])
        if count is None:
            raise ValueError(f"path with {letter}")
        numbers = np.array(tokens[k + 1 : k + 1 + 2 * count], np.float64).reshape(-1, 2)
        k += 1 + 2 * count
        if letter == "M":
            here = numbers[0]
        elif count:
            points.append(_along(np.concatenate([here[None], numbers])))
            here = numbers[-1]
    return np.concatenate(points)


def _along(control: Floats) -> Floats:
    """Points of one line or cubic, its end left to the next."""
    length = float(np.linalg.norm(np.diff(control, axis=0), axis=1).sum())
    at = np.linspace(0.0, 1.0, max(1, math.ceil(length / _STEP_MM)), endpoint=False)
    if len(control) == 2:
        return np.asarray(control[0] + at[:, None] * (control[1] - control[0]))
    return np.asarray(curve_points(control[None], at[None])[0])


def labelled(kept: Kept, called: str) -> Kept:
    """The same under the name that words use for it, its errors its own."""
    pattern = kept.pattern
    own = {c: replace(c, id=f"{called}: {c.id}") for c in pattern.datum_causes}
    outline = replace(pattern.outline, causes=tuple(own[c] for c in pattern.outline.causes))
    renamed = replace(
        pattern,
        outline=outline,
        datum_causes=tuple(own[c] for c in pattern.datum_causes),
        called=called,
    )
    return replace(kept, pattern=renamed)
