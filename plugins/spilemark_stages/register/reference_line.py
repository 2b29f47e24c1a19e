"""Plug-in "reference-line": a traced outline laid in the boat frame, on its pencil line.

The line becomes the y direction (forward) and lies at x = 0, or, with
``centreline_offset_mm`` stated, that far outboard: at -offset for port, at
+offset for starboard.  y = 0 is the foot of the outer corner on the line.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from spilemark.corners import (
    OuterCorner,
    chord,
    corner_and_edge_functional,
    corner_functional,
    outer_corner_candidates,
    rivals,
)
from spilemark.errors import UsageError
from spilemark.hookspecs import hookimpl
from spilemark.names import BREASTHOOK, QUARTER_KNEE, name_parts
from spilemark.records import (
    Cause,
    Edge,
    Floats,
    JobFacts,
    Note,
    Outline,
    Polyline,
    RegisteredPattern,
    RigidMap,
    Side,
)
from spilemark.rigid import apply, move_outline
from spilemark.sides import forward_point
from spilemark.uncertainty import arc_weights, normals_of, rigid_columns
from spilemark_stages.register.findings import face_assumed, line_notes
from spilemark_stages.register.pencil import (
    LineDoubt,
    StraightLine,
    line_doubt,
    reference_line,
    straight_fit,
)

_OFF_LINE_SHARE = 0.15
"""A point given as forward must lie this far along the line to tell its ends apart."""


@dataclass(frozen=True)
class Options:
    """How far a person's pointing is trusted."""

    click_px: float = field(
        default=2.0,
        metadata={"help": "One sigma of the ends of a centreline typed in pixels.", "unit": "px"},
    )


@hookimpl
def declare_options() -> type:
    """Options of this plug-in."""
    return Options


@hookimpl
def register(outline: Outline, side: Side, job: JobFacts, options: Options) -> RegisteredPattern:
    """Lay one outline on its reference line."""
    arm = outline.views[0].straight.arm if outline.views else str(side)
    face = job.face.get(str(side), "up")
    notes = [] if str(side) in job.face else [face_assumed(side)]
    pencil = reference_line(outline, arm, job, options.click_px)
    outer, more = _outer_corner(outline)
    notes += more
    flipped = outline if face == "up" else move_outline(outline, _FLIP)
    if face == "down" and pencil is not None:
        pencil = move_outline(replace(outline, polylines=(outline.ring, pencil)), _FLIP).polylines[
            1
        ]
    if face == "down":
        outer, _ = _outer_corner(flipped)
    ahead = forward_point(outline, job, arm)
    if ahead is not None and face == "down":
        ahead = apply(_FLIP, ahead[None])[0]
    laid = _Laying(flipped, side, job, pencil, outer, ahead)
    pattern = laid.pattern(face, flipped=face == "down", notes=tuple(notes))
    return _named(pattern, laid.outer, job)


_FLIP = RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0), flipped=True)


def _outer_corner(outline: Outline) -> tuple[OuterCorner | None, list[Note]]:
    """The corner nearest to the hull's corner, by shape."""
    candidates = outer_corner_candidates(outline)
    if not candidates:
        return None, [
            Note(
                code="no-outer-corner",
                severity="info",
                text="No corner between two long outer edges was found: edges are numbered, and"
                " the place along the line is counted from the pattern's after end.",
            )
        ]
    return candidates[0], []


class _Laying:
    """One pattern on its way into the boat frame; face already turned up."""

    def __init__(
        self,
        outline: Outline,
        side: Side,
        job: JobFacts,
        pencil: Polyline | None,
        outer: OuterCorner | None,
        ahead: Floats | None,
    ) -> None:
        self.outline, self.side, self.job = outline, side, job
        self.pencil, self.outer = pencil, outer
        self.line = straight_fit(pencil) if pencil is not None else None
        self.notes: list[Note] = []
        self.forward = self._forward(ahead)

    def pattern(
        self, face: Literal["up", "down"], *, flipped: bool, notes: tuple[Note, ...]
    ) -> RegisteredPattern:
        motion = self._motion()
        moved = move_outline(self._with_line(), motion)
        if self.pencil is not None:
            doubt = line_doubt(moved.of_role("centreline")[0], self.job.line_doubt_mm)
        else:
            doubt = LineDoubt(np.zeros((2, len(moved.causes))), np.zeros((2, 2)))
        sensitivity, covariance, causes = self._datum(moved, doubt)
        outer = self.outer
        offset = self.job.centreline_offset_mm if self.pencil is not None else None
        return RegisteredPattern(
            outline=moved,
            side=self.side,
            face=face,
            datum="centreline" if self.pencil is not None else "corner and edge",
            frame="boat" if offset is not None or self._on_centreline() else "pattern",
            map=replace(motion, flipped=flipped),
            covariance=covariance,
            datum_causes=causes,
            datum_sensitivity_mm=sensitivity,
            origin_corner=None if outer is None else self._origin(outer),
            centreline_offset_mm=None if offset is None else self._line_x(),
            notes=(*notes, *self.notes, *line_notes(self.outline, self.side, self.line, self.job)),
        )

    def _on_centreline(self) -> bool:
        """A part that straddles the centreline carries the boat's own line."""
        return self.side is Side.SINGLE and self.pencil is not None

    def _with_line(self) -> Outline:
        """The outline with the line that it is laid on as its only centreline."""
        if self.pencil is None:
            return self.outline
        others = tuple(p for p in self.outline.polylines if p.role != "centreline")
        middle, along = self._line().middle_mm, self.forward
        reach = (self.pencil.points_mm - middle) @ along
        pencil = self.pencil
        if reach[-1] < reach[0]:
            pencil = replace(
                pencil,
                points_mm=pencil.points_mm[::-1],
                sigma_mm=pencil.sigma_mm[::-1],
                sensitivity_mm=-pencil.sensitivity_mm[::-1],
                seen=pencil.seen[::-1],
            )
        return replace(self.outline, polylines=(*others, pencil))

    def _line(self) -> StraightLine:
        if self.line is None:
            raise AssertionError("asked for the line of a pattern without one")
        return self.line

    def _line_x(self) -> float:
        """Where the line lies athwartships."""
        offset = self.job.centreline_offset_mm or 0.0
        return {Side.PORT: -offset, Side.STARBOARD: offset, Side.SINGLE: 0.0}[self.side]

    def _origin(self, outer: OuterCorner) -> int:
        """Corner that y is counted from: of a clipped one, the end on the edge laid along."""
        return outer.corners[0]

    def _corner_point(self) -> Floats:
        """The outer corner, or where there is none the pattern's after end."""
        ring = self.outline.ring.points_mm
        if self.outer is not None:
            index = self.outline.corners[self._origin(self.outer)].index
            return np.asarray(ring[index])
        return np.asarray(ring[int(np.argmin(ring @ self.forward))])

    def _motion(self) -> RigidMap:
        turn = float(np.pi / 2 - np.arctan2(self.forward[1], self.forward[0]))
        c, s = np.cos(turn), np.sin(turn)
        spin = np.array([[c, -s], [s, c]])
        corner = spin @ self._corner_point()
        if self.line is None:
            return RigidMap(turn_rad=turn, shift_mm=(float(-corner[0]), float(-corner[1])))
        middle = spin @ self.line.middle_mm
        return RigidMap(
            turn_rad=turn, shift_mm=(float(self._line_x() - middle[0]), float(-corner[1]))
        )

    def _forward(self, ahead: Floats | None) -> Floats:
        """Unit direction (2,) of the bow in the plane frame."""
        if self.line is None:
            return self._forward_without_line(ahead)
        along = self.line.along
        if ahead is not None:
            return self._pointed(along, ahead)
        return self._deduced(along)

    def _pointed(self, along: Floats, ahead: Floats) -> Floats:
        line = self._line()
        way = ahead - line.middle_mm
        share = float(way @ along) / max(float(np.linalg.norm(way)), 1e-9)
        if abs(share) < _OFF_LINE_SHARE:
            raise UsageError(
                f"The point given as forward for {self.side} lies beside the pencil line, not"
                " towards one of its ends.",
                "Point to the forward end of the line: --forward x,y in pixels of the photo as you"
                " see it.",
            )
        forward = np.asarray(along * np.sign(share))
        self._check_hand(forward)
        return forward

    def _check_hand(self, forward: Floats) -> None:
        """Suspect a face or side told wrongly when the outer corner lies inboard."""
        outboard = self._outboard(forward)
        if outboard is not None and outboard < 0:
            self.notes.append(
                Note(
                    code="wrong-hand",
                    severity="warn",
                    text=f"With forward as given, the outer corner of the {self.side} pattern lies"
                    " inboard of its line. Either the pattern lay face down (--face down), or the"
                    " sides are swapped, or forward was pointed the wrong way.",
                )
            )

    def _outboard(self, forward: Floats) -> float | None:
        """How far the outer corner lies outboard of the line, mm; None where that says nothing."""
        if self.outer is None or self.side is Side.SINGLE:
            return None
        starboard = np.array([forward[1], -forward[0]])
        x = float((self._corner_point() - self._line().middle_mm) @ starboard)
        return x if self.side is Side.STARBOARD else -x

    def _deduced(self, along: Floats) -> Floats:
        if self.side is Side.SINGLE:
            raise UsageError(
                "Nothing tells which end of the part on the centreline is forward.",
                "Point to it: --forward x,y in pixels of the photo as you see it.",
            )
        outboard = self._outboard(along)
        ambiguous = (
            self.outer is not None and len(rivals(outer_corner_candidates(self.outline))) > 1
        )
        if outboard is None or ambiguous:
            raise UsageError(
                f"Nothing tells which end of the {self.side} pattern's line is forward: its shape"
                " has no clear outer corner.",
                f"Point to it: --forward {self.side}:x,y in pixels of the photo as you see it.",
            )
        self.notes.append(
            Note(
                code="forward-deduced",
                severity="info",
                text=f"Forward of the {self.side} pattern was told by its outer corner, which must"
                " lie outboard of the line when the face is up (--forward to say it yourself).",
            )
        )
        return np.asarray(along if outboard >= 0 else -along)

    def _forward_without_line(self, ahead: Floats | None) -> Floats:
        """Without a line: the edge that runs most nearly fore and aft, else the longer edge."""
        if self.outer is None:
            if ahead is None:
                return np.array([0.0, 1.0])
            way = ahead - self.outline.ring.points_mm.mean(axis=0)
            return np.asarray(way / np.linalg.norm(way))
        before, after = self.outer.before, self.outer.after
        ways = (-chord(self.outline, before), chord(self.outline, after))
        if ahead is None:
            # Walked with the wood on the left, starboard's hull edge leaves the corner.
            pick = {Side.STARBOARD: 1, Side.PORT: 0}.get(
                self.side, int(after.chord_mm > before.chord_mm)
            )
        else:
            away = ahead - self._corner_point()
            pick = int(np.argmax([float(w @ away) / float(np.linalg.norm(w)) for w in ways]))
        way = ways[pick]
        return np.asarray(way / np.linalg.norm(way))

    def _datum(self, moved: Outline, doubt: LineDoubt) -> tuple[Floats, Floats, tuple[Cause, ...]]:
        """Sensitivity (N, K + 3) in the frame, covariance (3, 3) of the line's own, causes."""
        ring = moved.ring
        normals = normals_of(ring)
        columns = rigid_columns(ring.points_mm, normals)
        weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
        own = np.zeros((3, 3))
        if self.pencil is not None:
            # The frame turns and shifts with the line; y follows the corner's foot.
            corner = self._corner_row(moved, normals, weights)
            foot = corner @ ring.sensitivity_mm if corner is not None else 0.0
            at = self._corner_moved(moved)
            turn, shift = doubt.by_cause
            motion = np.stack([turn, shift, foot + turn * at[0]])
            own[:2, :2] = doubt.own
            own[2, 2] = float((corner**2) @ ring.sigma_mm**2) if corner is not None else 0.0
            own = _carry_foot(own, float(at[0]))
        else:
            row = self._corner_edge_row(moved, normals, weights)
            motion = row @ ring.sensitivity_mm
            own = np.asarray((row * ring.sigma_mm**2) @ row.T)
        shape = ring.sensitivity_mm - columns @ motion
        lower = _root(own)
        table = np.concatenate([shape, -columns @ lower], axis=1)
        who = str(self.side)
        kinds = "reference line" if self.pencil is not None else "corner and edge"
        causes = tuple(Cause(id=f"{name}:{who}", kind=kinds) for name in _OWN)
        return table, own, (*moved.causes, *causes)

    def _corner_moved(self, moved: Outline) -> Floats:
        if self.outer is None:
            ring = moved.ring.points_mm
            return np.asarray(ring[int(np.argmin(ring[:, 1]))])
        return np.asarray(moved.ring.points_mm[moved.corners[self._origin(self.outer)].index])

    def _corner_row(self, moved: Outline, normals: Floats, weights: Floats) -> Floats | None:
        """How the corner's place along y follows from changes of the ring (N,)."""
        if self.outer is None:
            return None
        index = moved.corners[self._origin(self.outer)].index
        return np.asarray(corner_functional(moved.ring.points_mm, normals, index, weights)[1])

    def _corner_edge_row(self, moved: Outline, normals: Floats, weights: Floats) -> Floats:
        count = len(weights)
        if self.outer is None or not moved.corners:
            return np.zeros((3, count))
        origin = self._origin(self.outer)
        index = moved.corners[origin].index
        before = moved.corners[origin - 1].index
        after = moved.corners[(origin + 1) % len(moved.corners)].index
        ring = moved.ring.points_mm
        edges = (
            Edge(name="", start=before, stop=index, length_mm=0.0, straight=True),
            Edge(name="", start=index, stop=after, length_mm=0.0, straight=True),
        )
        ways = [ring[before] - ring[index], ring[after] - ring[index]]
        along = [float(w[1] / max(np.linalg.norm(w), 1e-9)) for w in ways]
        first = int(np.argmax(along))
        return corner_and_edge_functional(
            ring, normals, weights, index, edges[first], edges[1 - first]
        )


_OWN = ("line-turn", "line-shift", "line-foot")


def _carry_foot(own: Floats, corner_x: float) -> Floats:
    """The origin follows the corner's foot when the frame turns about (0, 0)."""
    carry = np.eye(3)
    carry[2, 0] = corner_x
    return np.asarray(carry @ own @ carry.T)


def _root(covariance: Floats) -> Floats:
    """Matrix (3, 3) whose product with its transpose is the covariance."""
    sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(sigma, sigma))
    return np.asarray(sigma[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _named(
    pattern: RegisteredPattern, outer: OuterCorner | None, job: JobFacts
) -> RegisteredPattern:
    """Give edges and corners the trade's names."""
    outline = pattern.outline
    words = None
    if outer is not None:
        words = BREASTHOOK if pattern.side is Side.SINGLE else QUARTER_KNEE
    corners, edges = name_parts(
        outline,
        outer,
        pattern.origin_corner,
        words=words,
        forwards=pattern.side is not Side.PORT,
        renames=job.edge_names,
    )
    return replace(pattern, outline=replace(outline, corners=corners, edges=edges))
