"""Drawn edges of measured patterns: how many curves, how far from the points, how many wiggles.

    python benchmarks/curves.py REPORT.json ...

Takes ``report.json`` of measured jobs.  Per pattern: the length that is drawn in
cubics and how much of it each takes, before and after the edge is made fair (the
same tolerance), the largest distance from the points measured, and how often the
drawn edge changes between rounding out and rounding in within one edge by more
than a hundredth of a millimetre of sag.
"""

from __future__ import annotations

import itertools
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import tables
from scipy.spatial import cKDTree

from spilemark.cubics import curve_slopes
from spilemark.curves import FittedLine, fit_polyline, segments_to_polyline
from spilemark.fairing import faired
from spilemark.records import Floats

TOLERANCE_MM = 0.1
_LEAST_SAG_MM = 0.01


def main() -> None:
    """Read, draw, count, print."""
    if not sys.argv[1:]:
        sys.exit((__doc__ or "").strip())
    rows: list[list[object]] = []
    for name in sys.argv[1:]:
        report = json.loads(Path(name).read_text(encoding="utf-8"))
        for side, pattern in report["patterns"].items():
            rows.append([f"{Path(name).parent.name} {side}", *_row(pattern)])
    head = ["pattern", "sigma mm", "cubics raw", "mm each", "wiggles", "cubics fair", "mm each",
            "wiggles", "largest mm"]  # fmt: skip
    tables.show(head, rows, digits=2)


def _row(pattern: dict[str, Any]) -> list[object]:
    points = np.array(pattern["outline_mm"])
    sigma = np.array(pattern["sigma_mm"])
    corners = sorted({edge[end] for edge in pattern["edges"] for end in ("from", "to")})
    raw = fit_polyline(points, corners=corners, closed=True, tolerance_mm=TOLERANCE_MM)
    moved = faired(points, sigma, corners, closed=True)
    fair = fit_polyline(moved, corners=corners, closed=True, tolerance_mm=TOLERANCE_MM)
    dense = segments_to_polyline(fair.segments, spacing_mm=0.1)
    far = float(cKDTree(dense).query(points)[0].max())
    at = points[corners]
    return [float(np.median(sigma)), *_count(raw, at), *_count(fair, at), far]


def _count(drawn: FittedLine, corners: Floats) -> tuple[int, float, int]:
    """Cubics, mm of them each, and wiggles."""
    cubics = [s for s in drawn.segments if len(s) == 4]
    length = sum(float(np.linalg.norm(np.diff(s, axis=0), axis=1).sum()) for s in cubics)
    return len(cubics), length / max(len(cubics), 1), _wiggles(drawn, corners)


def _wiggles(drawn: FittedLine, corners: Floats) -> int:
    """Changes of bend between two stretches that both sag by more than a trifle, within an edge."""
    total, lobes = 0, [(0.0, 0.0)]
    for segment in drawn.segments:
        if np.linalg.norm(corners - segment[0], axis=1).min() < 1e-6:
            total += _changes(lobes)
            lobes = [(0.0, 0.0)]
        if len(segment) == 2:
            continue
        at = np.linspace(0.0, 1.0, 60)[None]
        first, second = (d[0] for d in curve_slopes(segment[None], at))
        speed = np.linalg.norm(first, axis=1)
        turn = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / speed**2 / 59.0
        for angle, step in zip(turn, speed / 59.0, strict=True):
            turned, length = lobes[-1]
            if turned and np.sign(turned) != np.sign(angle):
                lobes.append((float(angle), float(step)))
            else:
                lobes[-1] = (turned + float(angle), length + float(step))
    return total + _changes(lobes)


def _changes(lobes: list[tuple[float, float]]) -> int:
    """Of (turning, length): a flat arc sags by its turning times its length over eight."""
    signs = [np.sign(t) for t, length in lobes if abs(t) * length / 8.0 > _LEAST_SAG_MM]
    return sum(a != b for a, b in itertools.pairwise(signs))


if __name__ == "__main__":
    main()
