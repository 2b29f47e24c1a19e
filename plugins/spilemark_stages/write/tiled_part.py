"""The part itself as ink, without the block of words that a page of its own carries."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.cubics import curve_points
from spilemark.ink import Mark, Point, Words
from spilemark.ink import Stroke as InkStroke
from spilemark.ink_files import register_faces, text_width_mm
from spilemark.records import Floats, Label, Stroke, Template
from spilemark.tiling import turned
from spilemark_stages.write.pdf import in_face
from spilemark_stages.write.styles import Pen

FLAT_MM = 0.004
"""Curves are drawn as chords that stay this close: a tenth of a dot at 600 dpi."""
_RISE, _DROP = 0.76, 0.24
"""How far letters reach above and below their base line, in shares of their size."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """What of a template has to be on the sheets; template frame, mm, y up."""

    outline_mm: Floats
    """(N, 2) the outer ring as drawn."""
    lines_mm: tuple[Floats, ...]
    """Everything else that must be shown: lines, and the boxes of words as rings."""
    strokes: tuple[tuple[Stroke, Floats], ...]
    """Each stroke with its points."""
    labels: tuple[Label, ...]


def part_of(template: Template) -> Part:
    """Take the part out of a template: its lines, and the words that stand on it."""
    floor = -math.inf if template.block_top_mm is None else template.block_top_mm
    drawn = [(s, flat(s.segments)) for s in template.strokes if s.style != "check"]
    kept = [(stroke, points) for stroke, points in drawn if points[:, 1].max() > floor]
    labels = tuple(label for label in template.labels if label.at_mm[1] > floor)
    ring = next(points for stroke, points in kept if stroke.style == "outline")
    lines = [points for stroke, points in kept if stroke.style != "outline"]
    return Part(
        outline_mm=ring,
        lines_mm=(*lines, *(label_box(label) for label in labels)),
        strokes=tuple(kept),
        labels=labels,
    )


def flat(segments: Sequence[Floats], tolerance_mm: float = FLAT_MM) -> Floats:
    """Points (N, 2) of joined segments, chords within ``tolerance_mm`` of the curves.

    Notes
    -----
    A chord over a step h of the parameter is off by at most h^2 / 8 times the
    largest second derivative, which for a cubic Bezier curve is six times the
    larger second difference of its control points.
    """
    pieces = [segments[0][:1]]
    for segment in segments:
        if len(segment) == 2:
            pieces.append(segment[1:])
            continue
        bend = float(np.linalg.norm(np.diff(segment, 2, axis=0), axis=1).max())
        steps = max(1, math.ceil(math.sqrt(6 * bend / (8 * tolerance_mm))))
        at = np.linspace(0, 1, steps + 1)[None, :]
        pieces.append(curve_points(segment[None], at)[0, 1:])
    return np.concatenate(pieces)


def label_box(label: Label) -> Floats:
    """Corners (5, 2) around a line of words, closed."""
    length = text_width_mm(_words(label, 0.0))
    before = length * {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor]
    x0, x1 = -before, length - before
    y0, y1 = -_DROP * label.height_mm, _RISE * label.height_mm
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]])
    there = turned(corners, math.radians(label.turn_deg))
    return np.asarray(there + np.asarray(label.at_mm))


def part_marks(part: Part, turn_rad: float, pens: dict[str, Pen]) -> tuple[Mark, ...]:
    """The part as ink, turned; x right and *y up* still."""
    strokes = [
        _ink(stroke, turned(points, turn_rad), pens[stroke.style])
        for stroke, points in part.strokes
    ]
    return (*strokes, *(_words(label, turn_rad) for label in part.labels))


def _ink(stroke: Stroke, points: Floats, pen: Pen) -> InkStroke:
    return InkStroke(
        points=tuple((float(x), float(y)) for x, y in points),
        width_mm=pen.width_mm,
        grey=pen.grey,
        dash_mm=pen.dash_mm,
        closed=stroke.closed,
    )


def legible(text: str, *, bold: bool = False) -> str:
    """The text with letters that the embedded face has."""
    register_faces()
    return in_face(text, "VeraBd" if bold else "Vera")


def _words(label: Label, turn_rad: float) -> Words:
    x, y = turned(np.array(label.at_mm), turn_rad)
    at: Point = (float(x), float(y))
    return Words(
        text=legible(label.text, bold=label.bold),
        at=at,
        size_mm=label.height_mm,
        bold=label.bold,
        anchor=label.anchor,
        turn_deg=label.turn_deg + math.degrees(turn_rad),
    )
