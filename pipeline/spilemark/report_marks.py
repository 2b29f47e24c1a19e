"""Marks, holes and the drawn edge of a pattern, as report.json holds them."""

from __future__ import annotations

from typing import Any

import numpy as np

from spilemark.circles import circle_of, is_closed_mark
from spilemark.fairness import fairness
from spilemark.records import Outline, Polyline
from spilemark.report_numbers import plain_number, plain_points
from spilemark.template import drawn_ring, straight_ends
from spilemark.uncertainty import u95_fit


def drawn_table(outline: Outline) -> dict[str, Any]:
    """How the outer edge is drawn: of how many pieces, and how far from the points measured."""
    drawn = drawn_ring(outline)
    return {
        "straight_lines": sum(len(segment) == 2 for segment in drawn.segments),
        "curves": sum(len(segment) == 4 for segment in drawn.segments),
        "largest_distance_mm": plain_number(drawn.deviation_mm),
    }


def fairness_table(outline: Outline) -> list[dict[str, Any]]:
    """What a batten shows of each long edge."""
    return [
        {
            "edge": edge.edge,
            "largest_raw_to_fair_mm": plain_number(float(np.abs(edge.raw_off_mm).max())),
            "findings": [
                {
                    "kind": found.kind,
                    "at_mm": plain_number(found.at_mm, 1),
                    "from_mm": plain_number(found.from_mm, 1),
                    "to_mm": plain_number(found.to_mm, 1),
                    "size_mm": plain_number(found.size_mm),
                }
                for found in edge.findings
            ],
        }
        for edge in fairness(outline)
    ]


def hole_table(hole: Polyline, ring: Polyline) -> dict[str, Any]:
    """A hole: where it is round, its circle."""
    return {"name": hole.name, **_circle(hole, ring)}


def _circle(line: Polyline, ring: Polyline) -> dict[str, Any]:
    circle = circle_of(line)
    if circle is None:
        return {"round": False, "centre_mm": None, "diameter_mm": None, "u95_mm": None}
    return {
        "round": True,
        "centre_mm": plain_points(circle.centre_mm[None])[0],
        "diameter_mm": plain_number(2.0 * circle.radius_mm),
        "u95_mm": plain_number(float(np.median(u95_fit(line, fitted_on=ring)))),
    }


def mark_table(mark: Polyline, ring: Polyline) -> dict[str, Any]:
    """A straight mark by its ends, a drawn circle by its middle."""
    if is_closed_mark(mark):
        return {"name": mark.name, "kind": "circle", **_circle(mark, ring)}
    ends = straight_ends(mark.points_mm)
    return {
        "name": mark.name,
        "kind": "line",
        "ends_mm": plain_points(ends),
        "length_mm": plain_number(float(np.linalg.norm(ends[1] - ends[0]))),
        "u95_mm": plain_number(float(u95_fit(mark, fitted_on=ring).max())),
    }
