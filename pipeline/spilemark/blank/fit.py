"""Does the part come out of the wood?  The place and turn that leave most to spare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from spilemark.blank.boards import BoardsToBuy, boards_for
from spilemark.blank.fit_refine import Problem, Track, best_of, refined
from spilemark.blank.fit_starts import starts
from spilemark.blank.shapes import Floats, Pose, Shape, area_of, shape_of, subdivided
from spilemark.errors import UsageError

_STARTS = 10
_ON_LINE_MM = 0.05
_TRUST_MM = 3.0
_SPARE_MM = 5.0
_STEP_MM = 8.0
"""How near each other the points on straight sides are that the search minds; the answer minds all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blank:
    """A piece of wood seen from above: photographed, drawn or laminated."""

    outline_mm: Any
    """(N, 2) ring, either way round."""
    defects_mm: tuple[Any, ...] = ()
    """Rings round knots, checks and sapwood to keep clear of."""
    grain_deg: float = 0.0
    """Direction of its grain, counted from x towards y."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guide:
    """A line of the part that must lie on a line of the blank, such as the throat on the lamination's inside."""

    points_mm: Any
    """(K, 2) along the part's line, in the part's frame."""
    line_mm: Any
    """(M, 2) along the blank's line."""
    tolerance_mm: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Short:
    """A stretch of the part's outline with too little wood."""

    from_mm: float
    """Along the outline from its first point."""
    to_mm: float
    by_mm: float
    """How much more wood it wants at its worst place."""
    at_mm: tuple[float, float]
    """That place, in the blank's frame."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement:
    """The best place that was found."""

    pose: Pose
    margin_mm: float
    """Least distance from the part to the edge of sound wood; below zero it runs out of it."""
    need_mm: float
    """What was asked for all round."""
    part_mm: Floats
    """(N, 2) the part's ring where it comes to lie, points put in where its sides are long."""
    spare_mm: Floats
    """(N,) wood beyond each of its points, less than zero where it lacks."""
    off_guide_mm: float
    """How far it is past the tolerance of its guides; zero within."""
    short: tuple[Short, ...]
    boards: BoardsToBuy
    """The smallest rectangles that would do, whatever this blank is."""

    @property
    def fits(self) -> bool:
        """Whether it comes out with what was asked, its guides kept."""
        return self.margin_mm >= self.need_mm - 1e-6 and self.off_guide_mm <= 1e-3

    @property
    def short_mm(self) -> float:
        """How much more wood it wants at its worst place; zero where it fits."""
        return max(0.0, self.need_mm - self.margin_mm)

    @property
    def turn_deg(self) -> float:
        """Turn from where it was given, anticlockwise, -180 to 180."""
        return (math.degrees(self.pose.turn_rad) + 180.0) % 360.0 - 180.0


def place_part(
    part_mm: Any,
    blank: Blank,
    *,
    saw_mm: float = 0.0,
    flip: bool = False,
    grain_deg: float | None = None,
    grain_within_deg: float = 180.0,
    guides: Sequence[Guide] = (),
    holes_mm: Sequence[Any] = (),
) -> Placement:
    """Lay a part in a blank so that the least distance to the edge of sound wood is largest.

    Parameters
    ----------
    part_mm : (N, 2) array-like
        Its ring, either way round; where bevelled, the larger outline.
    blank : Blank
    saw_mm : float
        What is wanted all round.
    flip : bool
        Whether it may be turned over; with bevels it may not.
    grain_deg : float, optional
        Direction of the grain in the part; None: any.
    grain_within_deg : float
        How far the blank's grain may lie off it.
    guides : sequence of Guide
        Lines to keep; the margin is not counted along them.
    holes_mm : sequence of rings
        In the part: a defect may lie in one.

    Raises
    ------
    UsageError
        An outline that is none, or a limit below zero.

    Notes
    -----
    Some 70 turns and 500 shifts each way up are judged by a map of depths, the best of
    them improved at random, and ten unlike ones refined by sequential linear programming.
    Own choice; checked against exhaustive search.
    """
    if saw_mm < 0.0 or grain_within_deg < 0.0:
        raise UsageError(
            "The room for the saw and the grain's limit are zero or more.", "Correct the number."
        )
    free = area_of(blank.outline_mm, blank.defects_mm)
    part = area_of(part_mm, holes_mm, what="part")
    ring = subdivided(_sides_of(part_mm), _SPARE_MM)
    centre = np.asarray(part.centroid.coords[0])
    problem = _problem(part, free, guides, centre, _turns(blank, grain_deg, grain_within_deg))
    flips = (False, True) if flip else (False,)
    begin = [*_laid_on(problem, flips), *starts(problem, flips=flips, count=_STARTS)]
    pose, _ = refined(problem, best_of(problem, begin, _TRUST_MM), 0.3)
    placed = pose.apply(ring - centre)
    spare = _spare(placed, free, guides)
    return Placement(
        pose=_about_origin(pose, centre),
        margin_mm=problem.exact_margin(pose),
        need_mm=saw_mm,
        part_mm=placed,
        spare_mm=spare,
        off_guide_mm=max(problem.off_track(pose), 0.0),
        short=_short(placed, spare, saw_mm),
        boards=boards_for(
            ring, around_mm=saw_mm, grain_deg=grain_deg, grain_within_deg=grain_within_deg
        ),
    )


def _problem(
    part: Any,
    free: Any,
    guides: Sequence[Guide],
    centre: Floats,
    turns: tuple[tuple[float, float], tuple[float, float]] | None,
) -> Problem:
    """Part about its centroid, and what of part and wood counts for the margin."""
    from shapely import prepare
    from shapely.affinity import translate

    about = shape_of(translate(part, -centre[0], -centre[1]))
    wood = shape_of(free)
    tracks = tuple(
        Track(_line_points(g.points_mm) - centre, _open_line(g.line_mm), g.tolerance_mm)
        for g in guides
    )
    points, pins = subdivided(about, _STEP_MM), subdivided(wood, _STEP_MM)
    part_side, wood_side = about, wood
    area = free
    for guide, track in zip(guides, tracks, strict=True):
        kept = _open_line(np.asarray(guide.points_mm, dtype=np.float64).reshape(-1, 2) - centre)
        points = points[kept.nearest(points)[0] >= _ON_LINE_MM]
        pins = pins[track.line.nearest(pins)[0] >= _ON_LINE_MM]
        part_side, wood_side = _off_line(part_side, kept), _off_line(wood_side, track.line)
        area = area.union(_band(guide, guide.tolerance_mm))
    if not len(points) or not len(part_side.starts) or not len(wood_side.starts):
        raise UsageError(
            "All of the part's outline, or all of the wood's, is to lie on a line.",
            "Name one edge of each: the rest must have wood to spare.",
        )
    areas = (area, translate(part, -centre[0], -centre[1]))
    for shape in areas:
        prepare(shape)
    return Problem(
        free=wood,
        part=about,
        edge_points=points,
        pins=pins,
        counted=part_side,
        wood=wood_side,
        areas=areas,
        tracks=tracks,
        turns_rad=turns,
    )


def _sides_of(ring_mm: Any) -> Shape:
    ring = np.asarray(ring_mm, dtype=np.float64).reshape(-1, 2)
    return Shape(ring, np.roll(ring, -1, axis=0))


def _off_line(shape: Shape, line: Shape) -> Shape:
    """A shape's sides without those that lie on a line."""
    first, last = (line.nearest(p)[0] < _ON_LINE_MM for p in (shape.starts, shape.ends))
    middle = line.nearest((shape.starts + shape.ends) / 2.0)[0] < _ON_LINE_MM
    off = ~(first & last & middle)
    return Shape(shape.starts[off], shape.ends[off])


def _turns(
    blank: Blank, grain_deg: float | None, within_deg: float
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Turns that bring the part's grain onto the blank's, as it lies and flipped."""
    if grain_deg is None or within_deg >= 90.0:
        return None
    way = [math.radians(blank.grain_deg - grain_deg), math.radians(blank.grain_deg + grain_deg)]
    half = math.radians(within_deg)
    return (way[0] - half, way[0] + half), (way[1] - half, way[1] + half)


def _laid_on(problem: Problem, flips: tuple[bool, ...]) -> list[Pose]:
    """Poses that lay the part's guided line on the blank's, either way along: a start few would hit."""
    poses = []
    for track in problem.tracks:
        sides = np.concatenate([track.line.starts, track.line.ends[-1:]])
        for flipped in flips:
            for line in (sides, sides[::-1]):
                here = track.points_mm * ([-1.0, 1.0] if flipped else [1.0, 1.0])
                pose = _laid(_evenly(here, 25), _evenly(line, 25), flipped)
                poses.append(Pose(problem.allowed(pose.turn_rad, pose), pose.shift_mm, flipped))
    return poses


def _laid(points: Floats, onto: Floats, flipped: bool) -> Pose:
    """Turn and shift of points onto others by least squares (Kabsch, 1976, in the plane)."""
    p, q = points - points.mean(axis=0), onto - onto.mean(axis=0)
    turn = math.atan2(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()), float((p * q).sum()))
    c, s = math.cos(turn), math.sin(turn)
    shift = onto.mean(axis=0) - points.mean(axis=0) @ np.array([[c, s], [-s, c]])
    return Pose(turn, (float(shift[0]), float(shift[1])), flipped)


def _evenly(points: Floats, count: int) -> Floats:
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(at, along, axis) for axis in points.T], axis=-1)


def _line_points(points: Any, most: int = 40) -> Floats:
    found = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    return _evenly(found, min(most, max(len(found), 12)))


def _open_line(points: Any) -> Shape:
    line = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if len(line) < 2:
        raise UsageError("A line to keep has fewer than two points.", "Give all of it.")
    return Shape(line[:-1], line[1:])


def _about_origin(pose: Pose, centre: Floats) -> Pose:
    """The same motion for points as they were given, not counted from the centroid."""
    at = pose.apply(-centre)
    return Pose(pose.turn_rad, (float(at[0]), float(at[1])), pose.flipped)


def _spare(placed: Floats, free: Any, guides: Sequence[Guide]) -> Floats:
    """Wood beyond each point, along guides to the edges that are none."""
    from shapely import contains_xy, distance
    from shapely import points as as_points

    edge = free.boundary
    for guide in guides:
        edge = edge.difference(_band(guide, 0.0))
    gap = distance(as_points(placed), edge)
    inside = contains_xy(free, placed[:, 0], placed[:, 1])
    for guide in guides:
        kept = _band(guide, guide.tolerance_mm)
        inside |= contains_xy(kept, placed[:, 0], placed[:, 1])
    return np.asarray(np.where(inside, gap, -gap))


def _band(guide: Guide, within_mm: float) -> Any:
    """All that lies on a guide's line, within a distance."""
    from shapely import LineString

    line = LineString(np.asarray(guide.line_mm, dtype=np.float64))
    return line.buffer(within_mm + _ON_LINE_MM)


def _short(placed: Floats, spare: Floats, need: float) -> tuple[Short, ...]:
    """Runs of points with less than what is asked, round the ring."""
    lacking = spare < need - 1e-6
    if not lacking.any():
        return ()
    count = len(placed)
    steps = np.linalg.norm(np.roll(placed, -1, axis=0) - placed, axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])[:count]
    first = 0 if lacking.all() else int(np.flatnonzero(lacking & ~np.roll(lacking, 1))[0])
    order = (first + np.arange(count)) % count
    found, run = [], []
    for k in (*order, -1):
        if k >= 0 and lacking[k]:
            run.append(int(k))
        elif run:
            worst = min(run, key=lambda i: float(spare[i]))
            x, y = placed[worst]
            found.append(
                Short(
                    from_mm=float(along[run[0]]),
                    to_mm=float(along[run[-1]]),
                    by_mm=need - float(spare[worst]),
                    at_mm=(float(x), float(y)),
                )
            )
            run = []
    return tuple(sorted(found, key=lambda s: -s.by_mm))
