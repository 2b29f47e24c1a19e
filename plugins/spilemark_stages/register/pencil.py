"""The pencil line: the measured one, or the one that was typed in, and how it lies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from spilemark.circles import is_closed_mark
from spilemark.errors import UsageError
from spilemark.frames import left_normals
from spilemark.lens import mm_per_px_across, plane_sensitivity
from spilemark.records import Floats, JobFacts, Outline, Polyline, Side
from spilemark.sides import holds_line, plane_points
from spilemark.uncertainty import arc_weights, normals_of

BENT_MM = 0.3
"""A line that leaves its straight fit by more than this is called bent."""


def reference_line(
    outline: Outline, side: Side, arm: str, job: JobFacts, click_px: float
) -> Polyline | None:
    """The line to lay the pattern on: as traced, else as typed with ``--centreline``, else None.

    Where an edge tells its direction, a pattern's only straight mark is it.

    Raises
    ------
    UsageError
        The typed line does not lie on the pattern.
    """
    traced = [line for line in outline.of_role("centreline") if len(line.points_mm) >= 2]
    if traced:
        return max(traced, key=_length)
    if not outline.views:
        return None
    told = str(side) if str(side) in job.centreline_px else arm
    typed = job.centreline_px.get(told)
    if typed is None:
        marks = [m for m in outline.of_role("mark") if not is_closed_mark(m)]
        by_edge = str(side) in job.line_from_edge or arm in job.line_from_edge
        return marks[0] if by_edge and len(marks) == 1 else None
    if holds_line(outline, typed):
        return _typed_line(outline, typed, click_px)
    if told == "both":
        return None  # it lies on the other pattern
    raise UsageError(
        f"The centreline given for {told} does not lie on the pattern.",
        "Give both its ends in pixels of the first photo as you see it upright: "
        f"--centreline {told}:x1,y1,x2,y2.",
    )


def with_line(outline: Outline, line: Polyline | None) -> Outline:
    """The outline with this line as its only centreline; other candidates stay as marks."""
    kept = [p for p in outline.polylines if p is not line and p.role != "centreline"]
    other = [replace(p, role="mark") for p in outline.of_role("centreline") if p is not line]
    lines = (*kept, *other) if line is None else (*kept, *other, replace(line, role="centreline"))
    return replace(outline, polylines=lines)


def _length(line: Polyline) -> float:
    return float(np.linalg.norm(line.points_mm[-1] - line.points_mm[0]))


def _typed_line(
    outline: Outline, ends_px: tuple[float, float, float, float], click_px: float
) -> Polyline:
    plane = outline.views[0].plane
    points = plane_points(outline, np.array(ends_px, dtype=np.float64).reshape(2, 2))
    if float(np.linalg.norm(points[1] - points[0])) < 1.0:
        raise UsageError("The centreline's two ends lie on each other.", "Give two ends apart.")
    normals = left_normals(points, closed=False)
    by_cause = plane_sensitivity(points, normals, plane)
    # The survey's causes come first; what a tracer adds behind them does not move typed points.
    sensitivity = np.zeros((2, len(outline.causes)))
    sensitivity[:, : by_cause.shape[1]] = by_cause
    return Polyline(
        role="centreline",
        points_mm=points,
        sigma_mm=click_px * mm_per_px_across(points, normals, plane),
        sensitivity_mm=sensitivity,
        seen=np.ones(2, dtype=bool),
        name="given",
    )


@dataclass(frozen=True, slots=True, eq=False)
class StraightLine:
    """Straight fit of a pencil line."""

    middle_mm: Floats
    """(2,)"""
    along: Floats
    """(2,) unit direction, either way."""
    length_mm: float
    bow_mm: float
    """Largest distance of a measured point from the fit."""


def straight_fit(line: Polyline) -> StraightLine:
    """Fit a straight line by total least squares, each point by the length it stands for."""
    points = line.points_mm
    weights = arc_weights(points, closed=False, seen=line.seen)
    middle = weights @ points / weights.sum()
    away = (points - middle) * np.sqrt(weights)[:, None]
    along = np.linalg.svd(away, full_matrices=False)[2][0]
    along = along * np.sign(along @ (points[-1] - points[0]) or 1.0)
    bow = np.abs((points - middle) @ np.array([-along[1], along[0]]))[weights > 0].max()
    reach = (points - middle) @ along
    return StraightLine(middle, along, float(np.ptp(reach)), float(bow))


@dataclass(frozen=True, slots=True, eq=False)
class LineDoubt:
    """How a line on the y direction moves the frame that is laid on it.

    Turn (rad) about (0, 0) and sideways shift (mm) of the line.
    """

    by_cause: Floats
    """(2, K) per sigma of each cause."""
    own: Floats
    """(2, 2) covariance of what belongs to this line alone."""


def line_doubt(line: Polyline, drawn_sigma_mm: float) -> LineDoubt:
    """Propagate a line's doubt, the line lying along y in the frame of its points.

    Parameters
    ----------
    line : Polyline
        In the boat frame.
    drawn_sigma_mm : float
        How far each end may have been drawn beside its true place, one sigma;
        the two ends are independent.
    """
    y = line.points_mm[:, 1]
    weights = arc_weights(line.points_mm, closed=False, seen=line.seen)
    # Sideways change x = shift - turn * y.
    root = np.sqrt(weights)[:, None]
    columns: Floats = np.stack([-y, np.ones_like(y)], axis=-1)
    functional: Floats = np.asarray(
        np.linalg.pinv(root * columns, rcond=1e-12) * root.T, np.float64
    )
    sideways = normals_of(line)[:, 0]
    by_cause = functional @ (sideways[:, None] * line.sensitivity_mm)
    measured = (functional * _variance(line, functional, columns)) @ functional.T
    low, high = float(y.min()), float(y.max())
    # Ends e1 at low, e2 at high: turn -(e2 - e1) / L, shift (e1 high - e2 low) / L.
    by_end = np.array([[1.0, -1.0], [high, -low]]) / (high - low)
    drawn = drawn_sigma_mm**2 * (by_end @ by_end.T)
    return LineDoubt(by_cause, np.asarray(measured + drawn))


def _variance(line: Polyline, functional: Floats, columns: Floats) -> Floats:
    """Variance (N,) of the points, enlarged where they scatter more than they claim."""
    x = line.points_mm[:, 0]
    left = x - columns @ (functional @ x)
    expected = float((line.sigma_mm**2).mean())
    found = float((left**2).mean())
    excess = found / expected if expected > 0 else 1.0
    variance = line.sigma_mm**2 * max(1.0, excess)
    return np.asarray(np.maximum(variance, 0.0))
