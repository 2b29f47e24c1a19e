"""Plug-in "reference-line": the outline laid on its pencil line, forward up.

The line becomes the y direction (forward) and lies at x = 0, or, with
``centreline_offset_mm`` stated, that far outboard: at -offset for port, at
+offset for starboard and for a part on the centreline.  y = 0 is the foot of
the outer corner on the line.  Without a line, the outer corner is (0, 0) and
the straight edge that meets it lies along an axis.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from spilemark.corners import corner_and_edge_functional, corner_functional, edges_at
from spilemark.errors import UsageError
from spilemark.hookspecs import hookimpl
from spilemark.names import name_parts
from spilemark.records import (
    Cause,
    EdgeRule,
    Floats,
    JobFacts,
    Note,
    Outline,
    Polyline,
    RegisteredPattern,
    RigidMap,
    Side,
)
from spilemark.rigid import IDENTITY, apply, compose, move_outline, rotation
from spilemark.sides import forward_point
from spilemark.tags import TAG_LAID_MM, face_of, read_tags
from spilemark.uncertainty import (
    COVERAGE_FACTOR,
    arc_weights,
    fit_functional,
    normals_of,
    rigid_columns,
)
from spilemark_stages.register import findings
from spilemark_stages.register.edge_direction import (
    EdgeDirection,
    edge_direction,
    rule_for,
    tick_doubt,
)
from spilemark_stages.register.halves import symmetry_notes
from spilemark_stages.register.line_tags import line_of_tags, pencil_under, tag_notes
from spilemark_stages.register.pencil import (
    line_doubt,
    reference_line,
    straight_fit,
    with_line,
)
from spilemark_stages.register.pose import Pose, pose_on_line, pose_without_line

_FLIP = RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0), flipped=True)


@dataclass(frozen=True)
class Options:
    """How far a person's pointing is trusted."""

    click_px: float = field(
        default=2.0,
        metadata={"help": "One sigma of the ends of a centreline typed in pixels.", "unit": "px"},
    )
    tag_laid_mm: float = field(
        default=TAG_LAID_MM,
        metadata={
            "help": "One sigma of how far beside the pencil line each tick of a line tag is laid.",
            "unit": "mm",
        },
    )


@hookimpl
def declare_options() -> type:
    """Options of this plug-in."""
    return Options


@hookimpl
def register(outline: Outline, side: Side, job: JobFacts, options: Options) -> RegisteredPattern:
    """Lay one outline on its reference line; shape and doubt of shape stay as traced."""
    arm = outline.views[0].straight.arm if outline.views else str(side)
    told = face_of(outline, str(side), job)
    face = told or "up"
    notes: list[Note] = [findings.face_assumed(side)] if told is None else []
    line, found = _line(outline, side, arm, job, options)
    notes += found
    outline = with_line(outline, line)
    ahead = forward_point(outline, job, str(side), arm)
    turned_up = IDENTITY
    if face == "down":
        turned_up = _FLIP
        outline = move_outline(outline, _FLIP)
        ahead = None if ahead is None else apply(_FLIP, ahead[None])[0]
    lines = outline.of_role("centreline")
    if lines:
        rule = rule_for(job, side, arm)
        return _on_line(outline, lines[0], side, job, face, turned_up, ahead, notes, rule)
    return _without_line(outline, side, job, face, turned_up, ahead, notes)


def _line(
    outline: Outline, side: Side, arm: str, job: JobFacts, options: Options
) -> tuple[Polyline | None, list[Note]]:
    """The line to lay a pattern on: by hand, on or by line tags, as traced."""
    line = reference_line(outline, side, arm, job, options.click_px)
    tags = read_tags(outline, job)
    tagged = line_of_tags(outline, tags, options.tag_laid_mm)
    if tagged is None:
        return line, []
    by_hand = line is not None and (
        line.by_hand.any() or arm in job.centreline_px or str(side) in job.centreline_px
    )
    taken = line if by_hand else pencil_under(outline, tagged) or tagged
    assert taken is not None
    traced = next(iter(outline.of_role("centreline")), None)
    return taken, tag_notes(side, tags, tagged, taken, traced)


def _on_line(
    outline: Outline,
    pencil: Polyline,
    side: Side,
    job: JobFacts,
    face: Literal["up", "down"],
    turned_up: RigidMap,
    ahead: Floats | None,
    notes: list[Note],
    rule: EdgeRule | None,
) -> RegisteredPattern:
    line = straight_fit(pencil)
    pose = pose_on_line(outline, side, line, ahead)
    told = None
    if rule is not None:
        told = edge_direction(_named(outline, pose, side, job), rule, pose.forward)
        pose = replace(pose, forward=told.forward)
    offset = _line_x(side, job)
    turn = _turn(pose)
    spin = rotation(turn)
    place = (offset or 0.0) - float((spin @ line.middle_mm)[0])
    foot = float((spin @ _origin_point(outline, pose))[1])
    motion = RigidMap(turn_rad=turn, shift_mm=(place, -foot))
    moved = _pencil_forward(move_outline(outline, motion))
    moving, own = _line_motion(moved, pose, job, told)
    sensitivity = _datum_table(moved, moving, own)
    toe = float(COVERAGE_FACTOR * np.sqrt((sensitivity[:, -3:] ** 2).sum(axis=1)).max())
    named = _named(moved, pose, side, job)
    return RegisteredPattern(
        outline=named,
        side=side,
        face=face,
        datum="centreline",
        frame="pattern" if offset is None and side is not Side.SINGLE else "boat",
        map=compose(motion, turned_up),
        covariance=own,
        datum_causes=_datum_causes(moved, side, "reference line"),
        datum_sensitivity_mm=sensitivity,
        origin_corner=pose.corner,
        forward_known=pose.forward_known,
        centreline_offset_mm=offset,
        notes=(
            *notes,
            *pose.notes,
            *findings.line_notes(
                side, line, pencil.name, toe, float(np.sqrt(own[0, 0])), job, told
            ),
            *symmetry_notes(named, sensitivity, job),
        ),
    )


def _line_x(side: Side, job: JobFacts) -> float | None:
    """Where the line lies athwartships in the boat, mm; None when that was not stated."""
    offset = job.centreline_offset_mm
    if offset is None:
        return None
    if offset < 0 and side is not Side.SINGLE:
        raise UsageError(
            f"A centreline offset of {offset:g} mm is less than nothing.",
            "Give the distance from the boat's centreline to the line, the same for both sides.",
        )
    return 0.0 - offset if side is Side.PORT else offset


def _turn(pose: Pose) -> float:
    """Turn that brings forward to the y direction."""
    return float(np.pi / 2 - np.arctan2(pose.forward[1], pose.forward[0]))


def _origin_point(outline: Outline, pose: Pose) -> Floats:
    """The outer corner, or where there is none the pattern's after end (2,)."""
    ring = outline.ring.points_mm
    if pose.corner is None:
        return np.asarray(ring[int(np.argmin(ring @ pose.forward))])
    return np.asarray(ring[outline.corners[pose.corner].index])


def _pencil_forward(outline: Outline) -> Outline:
    """The pencil line's points in order from aft forward."""
    pencil = outline.of_role("centreline")[0]
    if pencil.points_mm[-1, 1] >= pencil.points_mm[0, 1]:
        return outline
    turned = replace(
        pencil,
        points_mm=pencil.points_mm[::-1],
        sigma_mm=pencil.sigma_mm[::-1],
        # Its left is now the other side.
        sensitivity_mm=-pencil.sensitivity_mm[::-1],
        seen=pencil.seen[::-1],
    )
    lines = tuple(turned if p is pencil else p for p in outline.polylines)
    return replace(outline, polylines=lines)


def _line_motion(
    outline: Outline, pose: Pose, job: JobFacts, told: EdgeDirection | None
) -> tuple[Floats, Floats]:
    """How the frame moves with line and corner: (3, K) by the causes, (3, 3) covariance of its own.

    Turn (rad) about (0, 0) and shift (mm): turn and x with the pencil line (the
    turn with an edge where one tells it), y so that the origin corner's foot
    stays at y = 0.
    """
    ring = outline.ring
    pencil = outline.of_role("centreline")[0]
    if told is None:
        doubt = line_doubt(pencil, job.line_doubt_mm)
    else:
        doubt = tick_doubt(pencil, told, ring, job.line_doubt_mm)
    row, corner_x = _foot_row(outline, pose)
    turn, shift = doubt.by_cause
    moving = np.stack([turn, shift, row @ ring.sensitivity_mm - turn * corner_x])
    own = np.zeros((3, 3))
    own[:2, :2] = doubt.own
    own[2, 2] = float(row**2 @ ring.sigma_mm**2)
    carry = np.eye(3)
    carry[2, 0] = -corner_x
    return moving, carry @ own @ carry.T


def _foot_row(outline: Outline, pose: Pose) -> tuple[Floats, float]:
    """How the origin's y follows from changes of the ring (N,), and the origin's x."""
    ring = outline.ring
    normals = normals_of(ring)
    if pose.corner is None:
        after_end = int(np.argmin(ring.points_mm[:, 1]))
        row = np.zeros(len(normals))
        row[after_end] = normals[after_end, 1]
        return row, float(ring.points_mm[after_end, 0])
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    before, after = edges_at(outline, pose.corner)
    index = outline.corners[pose.corner].index
    rows = corner_functional(
        ring.points_mm, normals, index, weights, limits=(before.start, after.stop)
    )
    return np.asarray(rows[1]), float(ring.points_mm[index, 0])


def _without_line(
    outline: Outline,
    side: Side,
    job: JobFacts,
    face: Literal["up", "down"],
    turned_up: RigidMap,
    ahead: Floats | None,
    notes: list[Note],
) -> RegisteredPattern:
    pose = pose_without_line(outline, side, ahead)
    turn = _turn(pose)
    origin = rotation(turn) @ _origin_point(outline, pose)
    motion = RigidMap(turn_rad=turn, shift_mm=(0.0 - float(origin[0]), 0.0 - float(origin[1])))
    moved = move_outline(outline, motion)
    ring = moved.ring
    normals = normals_of(ring)
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    if pose.laid_on is None or pose.corner is None:
        functional = fit_functional(ring.points_mm, normals, weights)
    else:
        index = moved.corners[pose.corner].index
        functional = corner_and_edge_functional(
            ring.points_mm, normals, weights, index, *pose.laid_on
        )
    own = np.asarray((functional * ring.sigma_mm**2) @ functional.T)
    return RegisteredPattern(
        outline=_named(moved, pose, side, job),
        side=side,
        face=face,
        datum="corner and edge",
        frame="pattern",
        map=compose(motion, turned_up),
        covariance=own,
        datum_causes=_datum_causes(moved, side, "corner and edge"),
        datum_sensitivity_mm=_datum_table(moved, functional @ ring.sensitivity_mm, own),
        origin_corner=pose.corner,
        forward_known=pose.forward_known,
        notes=(*notes, findings.no_line(side), *pose.notes),
    )


def _datum_table(outline: Outline, moving: Floats, own: Floats) -> Floats:
    """Change (N, K + 3) of the ring along its normals in a frame that itself moves."""
    ring = outline.ring
    columns = rigid_columns(ring.points_mm, normals_of(ring))
    shape = ring.sensitivity_mm - columns @ moving
    return np.concatenate([shape, -columns @ _lower_root(own)], axis=1)


def _lower_root(covariance: Floats) -> Floats:
    """Lower triangular (3, 3) whose product with its transpose is the covariance.

    Cholesky's, but a quantity without doubt keeps a column of zeros.  So the
    first cause is the turn with what goes with it, the second what is left of
    the sideways doubt, the third what is left of the origin's.
    """
    lower = np.zeros_like(covariance)
    for j in range(len(covariance)):
        pivot = covariance[j, j] - lower[j] @ lower[j]
        if pivot > 1e-12 * covariance[j, j]:
            lower[j:, j] = (covariance[j:, j] - lower[j:] @ lower[j]) / np.sqrt(pivot)
    return lower


def _datum_causes(outline: Outline, side: Side, kind: str) -> tuple[Cause, ...]:
    names = ("datum-turn", "datum-sideways", "datum-origin")
    own = tuple(Cause(id=f"{name}:{side}", kind=kind) for name in names)
    return (*outline.causes, *own)


def _named(outline: Outline, pose: Pose, side: Side, job: JobFacts) -> Outline:
    """Give corners and edges the trade's names; numbered ones run alike on mirrored sides."""
    hull_first = pose.hull_first if pose.words is not None else side is not Side.STARBOARD
    corners, edges = name_parts(
        outline,
        pose.outer,
        pose.corner,
        words=pose.words,
        forwards=hull_first,
        renames=job.edge_names,
    )
    return replace(outline, corners=corners, edges=edges)
