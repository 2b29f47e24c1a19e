"""One pattern traced in several photos: rings held against each other and put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spilemark.frames import left_normals, outward_normals
from spilemark.records import Bools, Cause, Floats, Note, Polyline, Role
from spilemark.uncertainty import EDGE_NOISE
from spilemark_stages.trace.edge_shift import unexplained_px
from spilemark_stages.trace.fusion import Fused, Sighting, fuse
from spilemark_stages.trace.left_out import moved_note, parts_moved_note, unlike_note
from spilemark_stages.trace.moved_ring import moved_ring
from spilemark_stages.trace.offsets_between import Reading, own_reading, read_against
from spilemark_stages.trace.outlines import shared_by
from spilemark_stages.trace.profiles import placed
from spilemark_stages.trace.tables import MOTION_MM, Tables, gather_tables
from spilemark_stages.trace.told_height import JoiningHeight, height_note, joining_height
from spilemark_stages.trace.traced_ring import POINTS_MM, TracedRing
from spilemark_stages.trace.traced_view import TracedPiece

_WALL_SHARE = 0.08
"""Doubt, as a share of the width of cut wall that a photo sees beside the edge."""
_RAMP_MM = 6.0
"""A photo's word fades out over this length before what it does not show."""
_MOVED_ODDS = 8.0
"""Log odds from which on a pattern is held to have been moved ..."""
_MOVED_MM = 0.3
"""... when it was by at least this."""
_USUAL_BLUR_PX = 1.0
"""Of photos in focus; what is believed of a shift of edges is believed of these."""
_READ_SHARE = 0.6
_SAME_HOLE_MM = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """All rings of a pattern, outer first, with what each photo says of their points."""

    base: tuple[TracedRing, ...]
    readings: tuple[tuple[Reading, ...], ...]
    """By photo, by ring."""

    @property
    def starts(self) -> list[int]:
        """Where each ring begins among all points."""
        sizes = [len(ring.points_mm) for ring in self.base]
        return [0, *np.cumsum(sizes)[:-1].tolist()]

    @property
    def points(self) -> Floats:
        """(N, 2) of all rings."""
        return np.concatenate([ring.points_mm for ring in self.base])

    @property
    def normals(self) -> Floats:
        """(N, 2) outward of all rings."""
        return np.concatenate([outward_normals(ring.points_mm) for ring in self.base])


@dataclass(frozen=True, slots=True, eq=False)
class FusedPiece:
    """One pattern as all its photos together have it."""

    pieces: tuple[TracedPiece, ...]
    """The photos that were used, the base first."""
    outer: TracedRing
    holes: tuple[TracedRing, ...]
    sensitivity: tuple[Floats, ...]
    """By ring."""
    causes: tuple[Cause, ...]
    tables: Tables
    rings: Rings
    sightings: tuple[Sighting, ...]
    fused: Fused

    def polyline(self, number: int, role: Role, name: str = "") -> Polyline:
        """One ring as a record; 0 is the outer one."""
        ring = (self.outer, *self.holes)[number]
        return Polyline(
            role=role,
            points_mm=ring.points_mm,
            sigma_mm=ring.sigma_mm,
            sensitivity_mm=self.sensitivity[number],
            seen=ring.seen,
            name=name,
        )

    def carried(self, line: Polyline) -> Polyline:
        """A line measured in the base photo, moved and doubted by what all photos found."""
        normals = left_normals(line.points_mm, closed=False)
        shift, sensitivity = self.fused.carried(line.sensitivity_mm)
        return replace(
            line,
            points_mm=line.points_mm + normals * shift[:, None],
            sensitivity_mm=self.without_motions(sensitivity),
        )

    def without_motions(self, sensitivity: Floats) -> Floats:
        """Sensitivities without the columns that are no causes."""
        return without_motions(sensitivity, self.tables)


@dataclass(frozen=True, slots=True)
class Beliefs:
    """What is believed of sheet and edge before looking."""

    edge_bias_px: float
    shade_mm: float
    flatness_mm: float
    has_bright_side: bool = True
    """As a cut edge has, and a drawn line has not: what tones, blur and sharpening do shifts it."""

    def bias_px(self, piece: TracedPiece) -> float:
        """Doubt, one sigma, of how far a photo shows this edge off its place, px.

        A curve that is not the one undone shifts the half-way point of a blurred
        step by so many sigmas of the blur; and see ``edge_shift``.
        """
        if not self.has_bright_side:
            return self.edge_bias_px
        by_blur = self.edge_bias_px * max(1.0, piece.blur_px / _USUAL_BLUR_PX)
        return max(by_blur, unexplained_px(piece.view))


def put_together(
    pieces: Sequence[TracedPiece],
    survey_causes: tuple[Cause, ...],
    arm: str,
    number: int,
    beliefs: Beliefs,
    joined: TracedRing | None = None,
) -> tuple[FusedPiece | None, tuple[TracedPiece, ...], tuple[Note, ...]]:
    """Fuse one pattern's photos; leave out, with a note, those that show something else.

    Parameters
    ----------
    joined : TracedRing, optional
        The outer edge of parts that no photo shows all of: then none may be left out.

    Returns
    -------
    fused : FusedPiece or None
        None when only one photo is left.
    used : tuple of TracedPiece
        The base first.
    notes : tuple of Note
    """
    used = list(pieces)
    notes: list[Note] = []
    while len(used) > 1:
        rings = gather_rings(used, joined)
        odd = _unlike(rings) if joined is None else None
        if odd is not None:
            height = joining_height(used)
            if height is not None:
                return _by_told_height(used, height, notes)
            notes.append(unlike_note(used, odd))
            del used[odd]
            continue
        tables = _tables(used, rings, survey_causes, arm, number, beliefs)
        sightings = gather_sightings(used, rings, tables)
        fused = fuse(sightings, POINTS_MM, tables.bends, tables.motions, rings.starts)
        moved = _moved(fused)
        if moved is not None and joined is not None:
            notes.append(parts_moved_note(used, *moved))
        if moved is None or joined is not None:
            return (
                _finished(used, rings, tables, sightings, fused, arm, number),
                tuple(used),
                tuple(notes),
            )
        height = joining_height(used)
        if height is not None:
            return _by_told_height(used, height, notes)
        # Of two that contradict each other none is more to be believed but for its picture.
        odd, by_mm = (1, moved[1]) if len(used) == 2 else moved
        notes.append(moved_note(used, odd, by_mm))
        del used[odd]
    return None, tuple(used), tuple(notes)


def _by_told_height(
    pieces: list[TracedPiece], found: JoiningHeight, notes: list[Note]
) -> tuple[None, tuple[TracedPiece, ...], tuple[Note, ...]]:
    """One photo alone, the height of its face doubted as far as the photos contradict what was told."""
    base = replace(pieces[0], height_doubt_mm=found.doubt_mm)
    return None, (base,), (*notes, height_note(pieces, found))


def gather_rings(pieces: Sequence[TracedPiece], joined: TracedRing | None = None) -> Rings:
    """The base's rings, or those of parts joined, and every photo's readings of them."""
    holes = list(pieces[0].holes) if joined is None else _all_holes(pieces)
    base = [pieces[0].outer if joined is None else joined, *holes]
    own = [[piece.outer, *_paired_holes(base[1:], piece)] for piece in pieces]
    readings = tuple(
        tuple(_reading(ring, other) for ring, other in zip(base, rings, strict=True))
        for rings in own
    )
    return Rings(tuple(base), readings)


def _all_holes(pieces: Sequence[TracedPiece]) -> list[TracedRing]:
    """Each hole once, whichever parts show it."""
    found: list[TracedRing] = []
    for hole in (hole for piece in pieces for hole in piece.holes):
        middle = hole.points_mm.mean(axis=0)
        if all(np.linalg.norm(h.points_mm.mean(axis=0) - middle) > _SAME_HOLE_MM for h in found):
            found.append(hole)
    return found


def _paired_holes(holes: Sequence[TracedRing], piece: TracedPiece) -> list[TracedRing | None]:
    """Each hole of the base as this photo has it, or None."""
    found: list[TracedRing | None] = []
    for hole in holes:
        middle = hole.points_mm.mean(axis=0)
        near = [
            (float(np.linalg.norm(other.points_mm.mean(axis=0) - middle)), k)
            for k, other in enumerate(piece.holes)
        ]
        away, k = min(near, default=(np.inf, 0))
        found.append(piece.holes[k] if away < _SAME_HOLE_MM else None)
    return found


def _reading(ring: TracedRing, other: TracedRing | None) -> Reading:
    if other is ring:
        return own_reading(ring)
    if other is None:
        n = len(ring.points_mm)
        return Reading(np.zeros(n), np.ones(n), np.zeros(n, dtype=bool))
    return read_against(ring, other)


def _tables(
    pieces: Sequence[TracedPiece],
    rings: Rings,
    survey_causes: tuple[Cause, ...],
    arm: str,
    number: int,
    beliefs: Beliefs,
) -> Tables:
    darker = any(piece.darker for piece in pieces)
    shared = [
        shared_by(
            piece.view,
            survey_causes,
            rings.base[0].points_mm,
            arm,
            number,
            beliefs.bias_px(piece),
            beliefs.shade_mm if darker else 0.0,
            beliefs.flatness_mm,
            alone=False,
        )
        for piece in pieces
    ]
    return gather_tables(shared, arm, number, beliefs.flatness_mm)


def gather_sightings(
    pieces: Sequence[TracedPiece], rings: Rings, tables: Tables
) -> tuple[Sighting, ...]:
    """Every photo's readings with their doubts and what they depend on."""
    points, normals = rings.points, rings.normals
    found = []
    for k, piece in enumerate(pieces):
        readings = rings.readings[k]
        line = placed(points, normals, piece.view.plane, piece.thickness_mm)
        wall = _WALL_SHARE * np.maximum(line.wall_px * line.mm_per_px, 0.0)
        sigma = np.concatenate([reading.sigma_mm for reading in readings])
        found.append(
            Sighting(
                offset_mm=np.concatenate([reading.offset_mm for reading in readings]),
                sigma_mm=np.hypot(sigma, wall),
                trust=np.concatenate([_faded(reading.seen) for reading in readings]),
                table=tables.of(k, points, normals, edge=True),
            )
        )
    return tuple(found)


def _faded(seen: Bools) -> Floats:
    """0 where not seen, rising to 1 with the distance from there, round a ring."""
    unseen = np.flatnonzero(~seen)
    n = len(seen)
    if not len(unseen):
        return np.ones(n)
    at = np.arange(n)
    around = np.concatenate([unseen - n, unseen, unseen + n])
    place = np.searchsorted(around, at)
    away = np.minimum(at - around[np.maximum(place - 1, 0)], around[place] - at)
    return np.asarray(np.minimum(1.0, np.abs(away) * POINTS_MM / _RAMP_MM))


def without_motions(sensitivity: Floats, tables: Tables) -> Floats:
    """Sensitivities without the columns of motions, which are no causes."""
    count = len(tables.causes)
    return np.delete(sensitivity, np.arange(count, count + 3 * len(tables.shared)), axis=1)


def _finished(
    pieces: Sequence[TracedPiece],
    rings: Rings,
    tables: Tables,
    sightings: tuple[Sighting, ...],
    fused: Fused,
    arm: str,
    number: int,
) -> FusedPiece:
    sensitivity = without_motions(fused.carried(fused.table)[1], tables)
    seen = np.stack([s.trust for s in sightings]).max(axis=0) > 0.0
    cut = rings.starts[1:]
    moved = [
        moved_ring(ring, offset, sigma, shown, pieces[0].gap_mm)
        for ring, offset, sigma, shown in zip(
            rings.base,
            np.split(fused.offset_mm, cut),
            np.split(fused.sigma_mm, cut),
            np.split(seen, cut),
            strict=True,
        )
    ]
    own = tuple(
        Cause(id=f"parallax:{arm}:{number + 1}:{k}", kind=EDGE_NOISE)
        for k in range(fused.own.shape[1])
    )
    return FusedPiece(
        pieces=tuple(pieces),
        outer=moved[0],
        holes=tuple(moved[1:]),
        sensitivity=tuple(np.split(sensitivity, cut)),
        causes=(*tables.causes, *own),
        tables=tables,
        rings=rings,
        sightings=sightings,
        fused=fused,
    )


def _unlike(rings: Rings) -> int | None:
    """The photo in which least of the base's outline was met again, where that is too little."""
    base = rings.readings[0][0].seen
    read = [float(r[0].seen[base].mean()) if base.any() else 1.0 for r in rings.readings]
    worst = int(np.argmin(read))
    return worst if worst > 0 and read[worst] < _READ_SHARE else None


def _moved(fused: Fused) -> tuple[int, float] | None:
    """The photo in which the pattern most likely lay elsewhere, and by how much, mm."""
    k = int(np.argmax(fused.moved))
    x, y, turn = MOTION_MM * fused.moved_by[k]
    by = float(np.hypot(np.hypot(x, y), turn))
    return (k, by) if fused.moved[k] > _MOVED_ODDS and by > _MOVED_MM else None
