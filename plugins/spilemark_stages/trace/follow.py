"""A run of an outline followed anew between places that a person set, in one photo.

The way is found in the picture (``edge_path``), takes the place of the run in the ring, and the
ring is then measured in that photo as every ring is: corners, cut wall, shadow, doubt and all.
Of that only the run is handed on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from scipy.spatial import KDTree

from spilemark.corners import Indices, ring_span
from spilemark.corrections import stretch_between
from spilemark.errors import NoEdge
from spilemark.frames import outward_normals
from spilemark.lens import pixels_to_plane, plane_to_pixels
from spilemark.records import Cause, Floats, Note, Outline, View
from spilemark.ring_edits import Stretch, spliced
from spilemark_stages.trace.edge_path import edge_path
from spilemark_stages.trace.photometry import LinearPhoto, to_small
from spilemark_stages.trace.profiles import placed
from spilemark_stages.trace.rings import blurred_ring, lengths_along, resample, right_normals
from spilemark_stages.trace.scribed_ring import ScribedTracer
from spilemark_stages.trace.side_steps import SideSteps, side_steps
from spilemark_stages.trace.snap import mean_scale
from spilemark_stages.trace.stretches import Sheet
from spilemark_stages.trace.traced_ring import RingTracer, TracedRing

_COVER = 4
"""Cards are kept as a mask of a photo at this part of its size."""
_PAPER_MM = 6.0
"""White paper round a card's chessboard."""
_COARSE_MM = 0.4
_DRAWN_BLUR_PX = 1.0
_STRAY_MM = 3.0
"""An edge measured farther than this from the way that was found is not that one."""
_WINDOW_MM = 12.0
"""Length over which it is asked whether there is an edge."""
_ASIDE_PX = (-44.0, -34.0, -24.0, -16.0, 24.0, 34.0, 44.0)
"""Lines beside it, on which there should be none."""
_CLEAR, _SEEN = 3.0, 1.5
"""How many times as great as theirs its step is where there clearly is one, and where it counts as seen:
own judgement; ``benchmarks/followed.py`` says what comes of it."""
_LEAST_STEP = 0.004
_PARTS, _SIDES_POINTS = 0.25, 9
"""Of what parts face and bench as a rule, so much must do so there; over so many points."""
_LEAST_CLEAR = 0.5
"""Share of a run that must be clear."""
_SHORTEST_MM = 4.0
_FLANK_MM = 60.0
"""What photos together say of the edge beside the run tells what they would say of the run."""
_FLANK_FEWEST, _FLANK_FARTHEST_MM = 8, 1.0
_PHOTOS_MM = 0.03
"""One photo never agrees better with several than this, one sigma ..."""
_ALONE_MM = 0.2
"""... and by no more than about this where nothing beside the run tells: own judgement, no source."""
_APART_MM = 1.0
APART = "followed-apart"


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """What is followed: a run of a ring, and the way of its edge."""

    outline: Outline
    view: View
    span: Indices
    way_px: Floats
    """(W, 2) stored px, in ring order."""
    sides: SideSteps | None
    """Where face gives way to bench, where these can be told apart."""

    @property
    def ends(self) -> tuple[Floats, Floats]:
        """Where the run begins and ends on the outline."""
        ring = self.outline.ring.points_mm
        return ring[self.span[0]], ring[self.span[-1]]

    def exchanged(self) -> Floats:
        """The whole ring (N, 2), stored px, with the way in the run's place."""
        n = len(self.outline.ring.points_mm)
        rest = (int(self.span[-1]) + 1 + np.arange(n - len(self.span))) % n
        old = plane_to_pixels(self.outline.ring.points_mm[rest], self.view.plane)
        return np.vstack([self.way_px, old])


def followed(
    outline: Outline, view: View, places_px: Floats, thickness_mm: float, number: int
) -> Outline:
    """The outline with its edge followed anew.

    Parameters
    ----------
    outline : Outline
        Plane frame.
    view : View
        The photo in which it is followed.
    places_px : (M, 2)
        Stored px; the first and the last on the outline.
    thickness_mm : float
        Height of the face above what lies about it.
    number : int
        Tells this doubt from others of its kind.

    Raises
    ------
    NoEdge
        None can be told there; the outline stays as it was.
    """
    run = _run(outline, view, places_px)
    drawn = outline.drawn_width_mm is not None
    photo = _photo_of(view)
    scale = mean_scale(run.exchanged(), view.plane)
    tracer: RingTracer
    if drawn:
        tracer = ScribedTracer(photo, view.plane, _DRAWN_BLUR_PX)
        ring = pixels_to_plane(run.exchanged(), view.plane)
        even = blurred_ring(resample(ring, 2 * _COARSE_MM, closed=True), 1.0)
        traced = tracer.follow(even, scale)
    else:
        tracer = RingTracer(photo, view.plane, Sheet(thickness_mm))
        traced = tracer.trace(run.exchanged(), max(1.0, _COARSE_MM / scale))
    traced = traced.with_all_doubt
    stretch = _cut_out(run, traced)
    if not drawn:
        stretch = _believed(run, stretch, photo, thickness_mm)
    if stretch.seen.mean() < _LEAST_CLEAR:
        raise _none_there(view)
    notes = _apart_note(run, stretch)
    own = None
    if not _alone(outline, view):
        stretch, own_mm = _anchored(run, traced, stretch)
        cause = Cause(
            id=f"followed:{view.straight.photo.path.name}:{number}", kind="edge followed by hand"
        )
        own = cause, np.full(len(stretch.points_mm), own_mm)
    changed = spliced(outline, run.span, stretch, own)
    if not shapely.Polygon(changed.ring.points_mm).is_valid:
        raise NoEdge(
            "The edge that was followed crosses the rest of the outline.",
            "Set the two places nearer to each other, or draw it by points.",
        )
    return replace(changed, notes=(*changed.notes, *notes))


def _run(outline: Outline, view: View, places_px: Floats) -> _Run:
    """The way between the places, and the run of the ring that it replaces."""
    scale = mean_scale(plane_to_pixels(outline.ring.points_mm, view.plane), view.plane)
    ends = pixels_to_plane(places_px, view.plane)
    if np.linalg.norm(ends[-1] - ends[0]) < _SHORTEST_MM:
        raise NoEdge(
            "The two places lie too near to each other to follow an edge between them.",
            f"Set them {_SHORTEST_MM:.0f} mm apart or more.",
        )
    pixels, drawn = view.straight.photo.pixels, outline.drawn_width_mm is not None
    ring_px = plane_to_pixels(outline.ring.points_mm, view.plane)
    sides = None if drawn else side_steps(view, ring_px, ring_px[stretch_between(outline, ends)])
    way = edge_path(pixels, places_px, scale, drawn=drawn, sides=sides)
    way_mm = pixels_to_plane(way, view.plane)
    picked = way_mm[np.linspace(0, len(way) - 1, 24).astype(int)]
    span = stretch_between(outline, picked)
    ring = outline.ring.points_mm
    if len(span) > len(ring) - 8:
        raise NoEdge("Almost all of the outline lies between the two places.", "Follow less of it.")
    backwards = np.linalg.norm(ring[span[0]] - way_mm[0]) > np.linalg.norm(
        ring[span[0]] - way_mm[-1]
    )
    return _Run(outline, view, span, way[::-1] if backwards else way, sides)


def _photo_of(view: View) -> LinearPhoto:
    """The photo as light, with what its cards hide."""
    photo = view.straight.photo
    covered = np.zeros((photo.height_px // _COVER + 1, photo.width_px // _COVER + 1), np.uint8)
    for card in view.papers:
        corners = card.outline_px
        mm = mean_scale(np.vstack([corners, corners[:1]]), view.plane)
        off = corners - corners.mean(axis=0)
        more = 1.0 + np.sqrt(2.0) * _PAPER_MM / mm / np.maximum(np.linalg.norm(off, axis=1), 1.0)
        grown = corners.mean(axis=0) + off * more[:, None]
        cv2.fillConvexPoly(covered, np.round(to_small(grown, _COVER)).astype(np.int32), 1)
    return LinearPhoto(photo.pixels, covered > 0, _COVER)


def _cut_out(run: _Run, traced: TracedRing) -> Stretch:
    """The run of a measured ring that takes the old one's place."""
    start, stop = (
        int(np.argmin(np.linalg.norm(traced.points_mm - end, axis=1))) for end in run.ends
    )
    picked = ring_span(start, stop, len(traced.points_mm))
    points = traced.points_mm[picked]
    way = shapely.LineString(pixels_to_plane(run.way_px, run.view.plane))
    near = shapely.distance(way, shapely.points(points)) < _STRAY_MM
    place = {int(k): i for i, k in enumerate(picked)}
    corners = tuple(place[k] for k, _ in traced.corners if k in place)
    if len(points) < 4 or near.mean() < _LEAST_CLEAR:
        raise _none_there(run.view)
    return Stretch(points, traced.sigma_mm[picked], traced.seen[picked] & near, corners)


def _believed(run: _Run, stretch: Stretch, photo: LinearPhoto, thickness_mm: float) -> Stretch:
    """The measured run with only that of it seen where face and bench part."""
    ratio = _steps(photo, run.view, stretch.points_mm, thickness_mm)
    clear, seen = ratio > _CLEAR, stretch.seen & (ratio > _SEEN)
    if run.sides is not None:
        at = plane_to_pixels(stretch.points_mm, run.view.plane)
        parts = _running(run.sides.at(at[None])[0].astype(np.float64), _SIDES_POINTS)
        clear &= parts > _PARTS
        seen &= parts > _PARTS
    if clear.mean() < _LEAST_CLEAR:
        raise _none_there(run.view)
    return replace(stretch, seen=seen)


def _steps(photo: LinearPhoto, view: View, points: Floats, thickness_mm: float) -> Floats:
    """The step (N,) across a line, against those across lines beside it.

    As the eye sees light (its cube root), in all channels, face to bench past the cut wall, means
    over ``_WINDOW_MM``: a line that the search pieced together from specks has no lasting step.
    """
    even = resample(points, 0.5, closed=False)
    smooth = np.stack([_running(even[:, k], 9) for k in (0, 1)], axis=-1)
    line = placed(smooth, right_normals(smooth, closed=False), view.plane, thickness_mm)
    wall = np.clip(line.wall_px, 0.0, 12.0)
    inner, outer = np.arange(-8.0, -1.9), np.arange(2.0, 8.1)

    def step(aside: float) -> Floats:
        past = outer[None] + aside + (wall[:, None] if aside >= 0 else 0.0)
        within = np.broadcast_to(inner[None] + aside, (len(smooth), len(inner)))
        sides = [
            np.cbrt(photo.sample(line.at_px[:, None] + line.across_px[:, None] * s[..., None]))
            for s in (within, past)
        ]
        jump = np.asarray(sides[1].mean(axis=1) - sides[0].mean(axis=1), dtype=np.float64)
        window = round(_WINDOW_MM / 0.5)
        mean = [_running(jump[:, c], window) for c in range(jump.shape[1])]
        return np.asarray(np.linalg.norm(np.stack(mean), axis=0))

    beside = np.median(np.stack([step(aside) for aside in _ASIDE_PX]), axis=0)
    ratio = step(0.0) / np.maximum(beside, _LEAST_STEP)
    nearest = KDTree(even).query(points)[1]
    return np.asarray(ratio[nearest])


def _running(values: Floats, count: int) -> Floats:
    """Running mean (N,) over ``count`` values, the ends held."""
    half = count // 2
    padded = np.pad(values, (half, count - 1 - half), mode="edge")
    return np.convolve(padded, np.full(count, 1.0 / count), mode="valid")


def _alone(outline: Outline, view: View) -> bool:
    """Whether the outline was traced in this photo and no other."""
    names = {v.straight.photo.path.name for v in outline.views}
    return names == {view.straight.photo.path.name}


def _anchored(run: _Run, traced: TracedRing, stretch: Stretch) -> tuple[Stretch, float]:
    """The run moved to where all photos together would have it, and what is left in doubt, mm.

    One photo sees the edge a little beside where several put it (height, bend of the sheet).  By
    how much is read off on both flanks of the run, and taken away along it.
    """
    ring = run.outline.ring
    n = len(ring.points_mm)
    spacing = float(np.median(np.linalg.norm(np.diff(ring.points_mm, axis=0), axis=1)))
    count = min(round(_FLANK_MM / spacing), (n - len(run.span)) // 2)
    normals = outward_normals(ring.points_mm)
    tree = KDTree(resample(traced.points_mm, 0.1, closed=True))
    found: list[Floats | None] = []
    left = [_PHOTOS_MM]
    for first in (int(run.span[0]) - count, int(run.span[-1]) + 1):
        near = (first + np.arange(count)) % n
        near = near[ring.seen[near] & ~ring.by_hand[near]]
        off = tree.data[tree.query(ring.points_mm[near])[1]] - ring.points_mm[near]
        over = (off * normals[near]).sum(axis=1)
        use = np.abs(over) < _FLANK_FARTHEST_MM
        if use.sum() < _FLANK_FEWEST:
            found.append(None)
            continue
        rows, over = normals[near][use], over[use]
        # A straight flank says nothing of the way along itself.
        square = rows.T @ rows + 0.05 * len(rows) * np.eye(2)
        shift = np.linalg.solve(square, rows.T @ over)
        left.append(float(np.sqrt(np.mean((rows @ shift - over) ** 2))))
        found.append(shift)
    known = [shift for shift in found if shift is not None]
    if not known:
        return stretch, _ALONE_MM
    before, after = (shift if shift is not None else known[0] for shift in found)
    left.append(0.5 * float(np.linalg.norm(before - after)))
    along = lengths_along(stretch.points_mm, closed=False)
    share = (along / max(float(along[-1]), 1e-9))[:, None]
    points = stretch.points_mm - (1 - share) * before - share * after
    moved = Stretch(points, stretch.sigma_mm, stretch.seen, stretch.corners)
    return moved, float(np.linalg.norm(left))


def _apart_note(run: _Run, stretch: Stretch) -> tuple[Note, ...]:
    """Said where the run does not meet the rest of the outline."""
    gaps = [
        float(np.linalg.norm(end - point))
        for end, point in zip(run.ends, stretch.points_mm[[0, -1]], strict=True)
    ]
    if max(gaps) < _APART_MM:
        return ()
    at = stretch.points_mm[0 if gaps[0] > gaps[1] else -1]
    return (
        Note(
            code=APART,
            severity="warn",
            text=f"The edge that was followed ends {max(gaps):.1f} mm beside the outline: begin and"
            " end where the outline lies on the edge, or follow on from there.",
            value=max(gaps),
            unit="mm",
            at_mm=(float(at[0]), float(at[1])),
            photo=run.view.straight.photo.path.name,
        ),
    )


def _none_there(view: View) -> NoEdge:
    return NoEdge(
        f"{view.straight.photo.path.name}: no edge can be told between these two places.",
        "Draw it straight or by points, or set the places nearer to each other.",
    )
