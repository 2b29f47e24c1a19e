"""Rigid motions: turn, shift, and the flip of a pattern that lay face down.

A part is true size, so a fit may never scale, and never mirror unasked:
Procrustes superposition (``scipy.spatial.procrustes``) does both and would hide
a wrong scale or a forgotten mirror.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from spilemark.records import Corner, Edge, Floats, Note, Outline, Polyline, RigidMap

IDENTITY = RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0))


def rotation(turn_rad: float) -> Floats:
    """Matrix (2, 2) that turns column vectors anticlockwise."""
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return np.array([[cos, -sin], [sin, cos]])


def apply(motion: RigidMap, points_mm: Floats) -> Floats:
    """Move points (N, 2): flip of x where ``flipped``, then turn, then shift."""
    return np.asarray(turn_vectors(motion, points_mm) + np.asarray(motion.shift_mm))


def turn_vectors(motion: RigidMap, vectors: Floats) -> Floats:
    """Turn (and flip) directions (N, 2); the shift does not touch them."""
    v = np.asarray(vectors, dtype=np.float64)
    if motion.flipped:
        v = v * np.array([-1.0, 1.0])
    return np.asarray(v @ rotation(motion.turn_rad).T)


def compose(outer: RigidMap, inner: RigidMap) -> RigidMap:
    """One map that does ``inner`` first and ``outer`` after it."""
    # A turn seen through a flip runs the other way: F R(a) = R(-a) F.
    turn = outer.turn_rad + (-inner.turn_rad if outer.flipped else inner.turn_rad)
    x, y = apply(outer, np.array([inner.shift_mm]))[0]
    return RigidMap(
        turn_rad=turn, shift_mm=(float(x), float(y)), flipped=outer.flipped != inner.flipped
    )


def inverse(motion: RigidMap) -> RigidMap:
    """Undo a map."""
    turn = motion.turn_rad if motion.flipped else -motion.turn_rad
    back = RigidMap(turn_rad=turn, shift_mm=(0.0, 0.0), flipped=motion.flipped)
    x, y = -turn_vectors(back, np.array([motion.shift_mm]))[0]
    return replace(back, shift_mm=(float(x), float(y)))


def turned_about(turn_rad: float, pivot_mm: Floats) -> RigidMap:
    """A turn about a point."""
    pivot = np.asarray(pivot_mm, dtype=np.float64)
    x, y = pivot - rotation(turn_rad) @ pivot
    return RigidMap(turn_rad=turn_rad, shift_mm=(float(x), float(y)))


def best_fit(source_mm: Floats, target_mm: Floats, weights: Floats | None = None) -> RigidMap:
    """Rigid motion that brings paired points closest, weighted least squares.

    Parameters
    ----------
    source_mm, target_mm : (N, 2)
        Paired points.
    weights : (N,), optional

    Notes
    -----
    Kabsch, "A solution for the best rotation to relate two sets of vectors",
    Acta Crystallographica A32, 1976; in the plane the turn is the argument of
    one complex sum, so that a reflection (determinant -1) cannot come out.
    """
    p, q = np.asarray(source_mm, np.float64), np.asarray(target_mm, np.float64)
    w = np.ones(len(p)) if weights is None else np.asarray(weights, np.float64)
    w = w / w.sum()
    p0, q0 = w @ p, w @ q
    a, b = p - p0, q - q0
    along = float(w @ (a * b).sum(1))
    across = float(w @ (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))
    turn = float(np.arctan2(across, along))
    x, y = q0 - rotation(turn) @ p0
    return RigidMap(turn_rad=turn, shift_mm=(float(x), float(y)))


def move_outline(outline: Outline, motion: RigidMap) -> Outline:
    """Carry a traced outline, with corners, edges and notes, through a rigid map.

    Outward normals stay outward normals, so sigma and sensitivities are carried
    unchanged.  A flip reverses the order of the points of *every* line: closed
    ones keep their winding, and the left normal of an open one stays the same
    side of the pencil.
    """
    if not motion.flipped:
        return replace(
            outline,
            polylines=tuple(_moved(line, motion) for line in outline.polylines),
            notes=move_notes(outline.notes, motion),
        )
    last = len(outline.ring.points_mm) - 1
    return replace(
        outline,
        polylines=tuple(_moved(line, motion) for line in outline.polylines),
        corners=tuple(_reversed_corner(c, last) for c in reversed(outline.corners)),
        edges=_reversed_edges(outline.edges, last),
        notes=move_notes(outline.notes, motion),
    )


def move_notes(notes: tuple[Note, ...], motion: RigidMap) -> tuple[Note, ...]:
    """Carry the places of notes; a note without a place is handed on as it is."""
    return tuple(note if note.at_mm is None else _moved_note(note, motion) for note in notes)


def _moved_note(note: Note, motion: RigidMap) -> Note:
    x, y = apply(motion, np.array([note.at_mm]))[0]
    return replace(note, at_mm=(float(x), float(y)))


def _moved(line: Polyline, motion: RigidMap) -> Polyline:
    step = -1 if motion.flipped else 1
    return replace(
        line,
        points_mm=apply(motion, line.points_mm)[::step],
        sigma_mm=line.sigma_mm[::step],
        sensitivity_mm=line.sensitivity_mm[::step],
        seen=line.seen[::step],
        by_hand=line.by_hand[::step],
    )


def _reversed_corner(corner: Corner, last: int) -> Corner:
    return replace(corner, index=last - corner.index)


def _reversed_edges(edges: tuple[Edge, ...], last: int) -> tuple[Edge, ...]:
    """The edges of a reversed ring, the edge after each corner again at the corner's place."""
    turned = [replace(e, start=last - e.stop, stop=last - e.start) for e in edges]
    return (*turned[-2::-1], *turned[-1:])
