"""report.json, schema 1: everything that was measured, for other programs and for later.

Lengths are millimetres rounded to a ten-thousandth, rings do not repeat their
first point, what is not known is null.  Equal results give equal bytes.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.blank_parts import blank_table
from spilemark.corner_angles import corner_angle_deg
from spilemark.errors import CannotWrite
from spilemark.kept import modes
from spilemark.line_ways import line_ways
from spilemark.own_mirror import OwnMirror
from spilemark.records import (
    Alignment,
    Edge,
    JobFacts,
    Note,
    RegisteredPattern,
    SideComparison,
)
from spilemark.report_cards import view_table
from spilemark.report_marks import drawn_table, fairness_table, hole_table, mark_table
from spilemark.report_numbers import plain_number, plain_numbers, plain_points, plain_rows
from spilemark.results import JobResult
from spilemark.shop_parts import shop_table
from spilemark.template import straight_ends
from spilemark.uncertainty import EDGE_NOISE, budget, u95_datum, u95_fit
from spilemark.wording import CAUTIONS, doubt_of, doubt_words

SCHEMA = 1
_MODE_DIGITS = 3


def write_report(result: JobResult, folder: Path) -> Path:
    """Write ``report.json``.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    path = folder / "report.json"
    text = json.dumps(report(result), ensure_ascii=False, allow_nan=False, indent=None)
    try:
        path.write_text(text + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return path


def report(result: JobResult) -> dict[str, Any]:
    """The whole report as plain data."""
    frames = {p.frame for p in result.patterns.values()}
    return {
        "schema": SCHEMA,
        "units": "mm",
        "frame": frames.pop() if len(frames) == 1 else "pattern",
        "job": _job(result.facts),
        "patterns": {str(side): _pattern(p, result) for side, p in result.patterns.items()},
        **({"traced": _traced(result)} if result.traced else {}),
        "comparison": None if result.comparison is None else comparison_table(result.comparison),
        "halves": None if result.halves is None else _halves(result.halves),
        "shop": shop_table(result.shop, result.facts),
        "blank": blank_table(result.blank, result.facts),
        "cards": _cards(result),
        "notes": [note_table(note) for note in result.notes],
        "cautions": list(CAUTIONS),
        "provenance": {
            "photos": [
                {
                    "name": straight.photo.path.name,
                    "sha256": straight.photo.sha256,
                    "arm": arm,
                    "width_px": straight.photo.width_px,
                    "height_px": straight.photo.height_px,
                    "orientation": straight.photo.orientation,
                    "lens_from": straight.lens.basis,
                }
                for arm, group in result.photos.items()
                for straight in group
            ],
            "options": _plain(result.options),
            "versions": dict(result.versions),
            "card_set": result.card_set.name,
        },
    }


def _job(facts: JobFacts) -> dict[str, Any]:
    table = {f.name: getattr(facts, f.name) for f in dataclasses.fields(facts)}
    return {key: _plain(value) for key, value in table.items()}


def _pattern(pattern: RegisteredPattern, result: JobResult) -> dict[str, Any]:
    outline, ring = pattern.outline, pattern.outline.ring
    scale = result.survey.scale
    doubt = doubt_of(pattern)
    lines = outline.of_role("centreline")
    drawn = drawn_table(outline)
    spread = np.sqrt(np.maximum(np.diag(pattern.covariance), 0.0))
    return {
        "measured": pattern.measured,
        "whole": pattern.outline.whole,
        "drawn_width_mm": plain_number(pattern.outline.drawn_width_mm),
        "forward_known": pattern.forward_known,
        "face": pattern.face,
        "frame": pattern.frame,
        "datum": pattern.datum,
        "outline_mm": plain_points(ring.points_mm),
        "sigma_mm": plain_numbers(ring.sigma_mm),
        "u95_fit_mm": plain_numbers(u95_fit(ring)),
        "u95_datum_mm": plain_numbers(u95_datum(pattern)),
        "modes_mm": _modes(pattern),
        "seen": [bool(flag) for flag in ring.seen],
        "by_hand": [bool(flag) for flag in ring.by_hand] if ring.by_hand.any() else [],
        "holes_mm": [plain_points(hole.points_mm) for hole in outline.of_role("hole")],
        "holes_u95_fit_mm": [
            plain_numbers(u95_fit(hole, fitted_on=ring)) for hole in outline.of_role("hole")
        ],
        "holes": [hole_table(hole, ring) for hole in outline.of_role("hole")],
        "marks_mm": [_ends(mark.points_mm) for mark in outline.of_role("mark")],
        "marks": [mark_table(mark, ring) for mark in outline.of_role("mark")],
        "centreline_mm": plain_points(straight_ends(lines[0].points_mm)) if lines else None,
        "centreline_offset_mm": plain_number(pattern.centreline_offset_mm),
        "laid": {
            "turn_rad": plain_number(pattern.map.turn_rad, 9),
            "shift_mm": [plain_number(v, 5) for v in pattern.map.shift_mm],
            "flipped": pattern.map.flipped,
        },
        "corners_mm": _corners(pattern),
        "corner_angles_deg": {
            name: plain_number(corner_angle_deg(outline, k), 2)
            for k, name in enumerate(_corners(pattern))
        },
        "edges": [_edge(edge) for edge in outline.edges],
        "scale": {
            "basis": str(scale.basis),
            "words": scale.words,
            "sigma_relative": plain_number(scale.sigma_relative, 7),
            "print_scale": [plain_number(v, 6) for v in scale.print_scale],
        },
        "registration": {
            "angle_sigma_rad": plain_number(spread[0], 7),
            "offset_sigma_mm": plain_number(spread[1]),
            "along_sigma_mm": plain_number(spread[2]),
            "ways": [
                {
                    "way": way.words,
                    "turn_u95_deg": plain_number(way.turn_u95_deg),
                    "toe_u95_mm": plain_number(way.toe_u95_mm),
                    "used": way.used,
                }
                for way in line_ways(pattern, result.facts)
            ],
        },
        "seen_percent": plain_number(100 * outline.seen_fraction, 2),
        "u95_worst_fit_mm": plain_number(doubt.shape_mm),
        "u95_worst_datum_mm": plain_number(doubt.frame_mm),
        "fixed_words": doubt_words(pattern, result.facts, scale),
        "curve_tolerance_mm": drawn["largest_distance_mm"],
        "drawn": drawn,
        "fairness": fairness_table(outline),
        "photos": [view.straight.photo.path.name for view in outline.views],
        "budget": _budget(pattern, "datum"),
        "budget_fit": _budget(pattern, "fit"),
    }


def _traced(result: JobResult) -> dict[str, list[dict[str, Any]]]:
    """By arm, on the bench: the outlines before anything was put right by hand."""
    return {
        arm: [
            {
                "outline_mm": plain_points(outline.ring.points_mm),
                "seen": [bool(flag) for flag in outline.ring.seen],
                "corners": [corner.index for corner in outline.corners],
                "edges": [_edge(edge) for edge in outline.edges],
                "whole": outline.whole,
                "drawn_width_mm": plain_number(outline.drawn_width_mm),
                "photos": [view.straight.photo.path.name for view in outline.views],
            }
            for outline in outlines
        ]
        for arm, outlines in result.traced.items()
    }


def _modes(pattern: RegisteredPattern) -> dict[str, Any]:
    """The largest shared errors, for comparing this pattern with others later."""
    shape, datum = modes(pattern)
    return {
        name: plain_rows(table, _MODE_DIGITS)
        for name, table in (("shape", shape), ("datum", datum))
    }


def _budget(pattern: RegisteredPattern, after: Any) -> list[dict[str, Any]]:
    return [
        {
            "cause": c.cause,
            "u95_mm_at_worst": plain_number(c.u95_mm),
            "shared": c.cause != EDGE_NOISE,
        }
        for c in budget(pattern, after=after)
    ]


def _corners(pattern: RegisteredPattern) -> dict[str, list[float | None]]:
    """Corners by name; corners without one of their own are numbered."""
    found: dict[str, list[float | None]] = {}
    for k, corner in enumerate(pattern.outline.corners):
        name = corner.name or f"corner {k + 1}"
        if name in found:
            name = f"{name} ({k + 1})"
        found[name] = plain_points(pattern.outline.ring.points_mm[corner.index][None])[0]
    return found


def _edge(edge: Edge) -> dict[str, Any]:
    return {
        "name": edge.name,
        "from": edge.start,
        "to": edge.stop,
        "length_mm": plain_number(edge.length_mm),
        "straight": edge.straight,
    }


def comparison_table(comparison: SideComparison) -> dict[str, Any]:
    """A comparison as plain data."""
    first, rigid = comparison.alignments[0], comparison.rigid
    return {
        "datum": first.datum,
        "tolerance_mm": plain_number(comparison.tolerance_mm),
        "stations": _stations(first),
        "rigid": {
            "turn_deg": plain_number(rigid.turn_deg, 5),
            "turn_u95_deg": plain_number(rigid.turn_u95_deg, 5),
            "shift_mm": [plain_number(v) for v in rigid.shift_mm],
            "shift_u95_mm": [plain_number(v) for v in rigid.shift_u95_mm],
            "rack_named": rigid.rack_named,
        },
        "verdict": comparison.verdict,
        "one_part_serves_both": comparison.one_part_serves_both,
        "take_off": [
            {
                "side": str(t.side),
                "edge": t.edge,
                "from_mm": plain_number(t.from_mm, 1),
                "to_mm": plain_number(t.to_mm, 1),
                "most_mm": plain_number(t.most_mm),
            }
            for t in comparison.take_off
        ],
        "alignments": [
            {
                "datum": a.datum,
                "turn_deg": plain_number(math.degrees(a.turn_rad), 5),
                "shift_mm": [plain_number(v) for v in a.shift_mm],
                "gap_mm": plain_numbers(a.gap_mm),
                "u95_mm": plain_numbers(a.u95_mm),
                "stations": _stations(a),
            }
            for a in comparison.alignments
        ],
        "edges": [
            {
                "name": e.name,
                "port_length_mm": plain_number(e.port_length_mm),
                "starboard_length_mm": plain_number(e.starboard_length_mm),
                "difference_u95_mm": plain_number(e.u95_mm),
            }
            for e in comparison.edges
        ],
        "corners": [
            {
                "name": c.name,
                "port_deg": plain_number(c.port_deg, 3),
                "starboard_deg": plain_number(c.starboard_deg, 3),
                "difference_u95_deg": plain_number(c.u95_deg, 3),
                "difference_whole_deg": plain_number(c.whole_deg, 3),
            }
            for c in comparison.corners
        ],
        "area_mm2": [plain_number(a, 1) for a in comparison.area_mm2],
    }


def _halves(found: OwnMirror) -> dict[str, Any]:
    """A part against its own mirror image, looked at on its starboard half."""
    return {
        "verdict": found.verdict,
        "axis_turn_deg": plain_number(found.axis_turn_deg, 4),
        "axis_turn_u95_deg": plain_number(found.axis_turn_u95_deg, 4),
        "axis_offset_mm": plain_number(found.axis_offset_mm),
        "axis_offset_u95_mm": plain_number(found.axis_offset_u95_mm),
        "alignments": [
            {"datum": a.datum, "stations": _stations(a)} for a in found.comparison.alignments
        ],
    }


def _stations(alignment: Alignment) -> list[dict[str, Any]]:
    return [
        {
            "s_mm": plain_number(s.s_mm, 1),
            "edge": s.edge,
            "at_mm": [plain_number(v) for v in s.at_mm],
            "gap_mm": plain_number(s.gap_mm),
            "u95_mm": plain_number(s.u95_mm),
            "verdict": str(s.verdict),
        }
        for s in alignment.stations
    ]


def _cards(result: JobResult) -> list[dict[str, Any]]:
    return [view_table(view) for view in result.survey.views]


def note_table(note: Note) -> dict[str, Any]:
    """A note as plain data."""
    return {
        "code": note.code,
        "severity": note.severity,
        "text": note.text,
        "value": plain_number(note.value),
        "unit": note.unit,
        "at_mm": None if note.at_mm is None else [plain_number(v) for v in note.at_mm],
        "at_px": None if note.at_px is None else [plain_number(v, 1) for v in note.at_px],
        "photo": note.photo or None,
    }


def _ends(points: NDArray[np.float64]) -> list[list[float | None]]:
    return plain_points(points[[0, -1]])


def _plain(value: Any) -> Any:
    """Dates, paths, enumerations and tuples as JSON has them."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool | int):
        return str(value) if isinstance(value, str) else value
    if isinstance(value, float):
        return plain_number(value, 6)
    if isinstance(value, Sequence):
        return [_plain(v) for v in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _plain(dataclasses.asdict(value))
    return str(value)
