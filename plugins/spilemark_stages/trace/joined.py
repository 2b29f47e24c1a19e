"""One pattern of which every picture shows only a part: the parts joined on the face.

All pictures of a side are placed in one frame by the cards that they share, so
the parts only have to be laid on each other.  What one picture cuts off another
goes on with; where they overlap, the edge is put together as from several photos.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from scipy.spatial import KDTree

from spilemark.frames import signed_area
from spilemark.lens import pixels_to_plane
from spilemark.records import Bools, Floats
from spilemark_stages.trace.regions import Region
from spilemark_stages.trace.rings import resample
from spilemark_stages.trace.traced_ring import POINTS_MM, TracedRing
from spilemark_stages.trace.traced_view import TracedPiece
from spilemark_stages.trace.views import Look

_OVERLAP_MM2 = 900.0
"""Parts that share less face than a square of 30 mm are not held to be of one pattern."""
_CLEAR_MM = 6.0
"""A corner this near to where a picture ends may be the picture's."""
_SAME_CORNER_MM = 4.0
_ON_EDGE_MM = 2.0
_SEEN_SHARE = 0.6
_SMALL_GAP_MM = 12.0
"""Edge that no picture shows, up to which a pattern still counts as whole."""


def parts_beside(region: Region, look: Look, others: Sequence[Look]) -> list[tuple[Look, Region]]:
    """Regions of other pictures that go on where this one is cut off, and on from those."""
    whole = _face(region, look)
    left = [(other, r) for other in others for r in other.found.regions]
    found: list[tuple[Look, Region]] = []
    while True:
        joining = [
            (other, r)
            for other, r in left
            if whole.intersection(_face(r, other)).area > _OVERLAP_MM2
        ]
        if not joining:
            return found
        whole = shapely.union_all([whole, *(_face(r, other) for other, r in joining)])
        found += joining
        left = [pair for pair in left if not any(pair[1] is r for _, r in joining)]


def _face(region: Region, look: Look) -> shapely.Geometry:
    ring = pixels_to_plane(region.outer_px, look.view.plane)
    return shapely.Polygon(ring).buffer(0) if np.isfinite(ring).all() else shapely.Polygon()


def joined_ring(pieces: Sequence[TracedPiece]) -> TracedRing | None:
    """The outer edge of all parts together, evenly spaced; None where they do not join.

    Its points are a base to read the parts against, no measurement of their own.
    """
    faces = [shapely.Polygon(piece.outer.points_mm).buffer(0) for piece in pieces]
    whole = shapely.union_all(faces)
    if whole.geom_type != "Polygon":
        return None
    ring = np.array(whole.exterior.coords)[:-1]
    if signed_area(ring) < 0:
        ring = ring[::-1]
    corners = _corners(pieces, ring)
    if not corners:
        points = resample(ring, POINTS_MM, closed=True)
        return _base(points, pieces, ())
    return _between(ring, corners, pieces)


def _corners(pieces: Sequence[TracedPiece], ring: Floats) -> list[tuple[Floats, float]]:
    """(place (2,), turn in degrees) of the parts' corners that are the pattern's own."""
    edge = shapely.LinearRing(ring)
    found: list[tuple[Floats, float]] = []
    for piece in pieces:
        for index, turn in piece.outer.corners:
            at = piece.outer.points_mm[index]
            if not _well_seen(piece.outer, index):
                continue
            if shapely.distance(edge, shapely.Point(at)) > _ON_EDGE_MM:
                continue
            if all(np.linalg.norm(at - other) > _SAME_CORNER_MM for other, _ in found):
                found.append((at, turn))
    along = [float(edge.project(shapely.Point(at))) for at, _ in found]
    return [found[k] for k in np.argsort(along)]


def _well_seen(ring: TracedRing, index: int) -> bool:
    """Whether the edge was seen on both sides of a corner."""
    reach = round(_CLEAR_MM / POINTS_MM)
    count = len(ring.seen)
    before = ring.seen[(index - np.arange(1, reach + 1)) % count]
    after = ring.seen[(index + np.arange(1, reach + 1)) % count]
    return bool(before.mean() > _SEEN_SHARE and after.mean() > _SEEN_SHARE)


def _between(
    ring: Floats, corners: list[tuple[Floats, float]], pieces: Sequence[TracedPiece]
) -> TracedRing:
    """The ring anew with points evenly set from corner to corner."""
    edge = shapely.LinearRing(ring)
    at = [float(edge.project(shapely.Point(place))) for place, _ in corners]
    points: list[Floats] = []
    marks: list[tuple[int, float]] = []
    total = 0
    for k, start in enumerate(at):
        stop = at[(k + 1) % len(at)]
        length = (stop - start) % edge.length or edge.length
        count = max(2, round(length / POINTS_MM))
        places = (start + np.arange(count) * length / count) % edge.length
        side = shapely.get_coordinates(shapely.line_interpolate_point(edge, places))
        side[0] = corners[k][0]
        points.append(side)
        marks.append((total, corners[k][1]))
        total += count
    return _base(np.concatenate(points), pieces, tuple(marks))


def _base(
    points: Floats, pieces: Sequence[TracedPiece], corners: tuple[tuple[int, float], ...]
) -> TracedRing:
    """A ring whose points are seen where some part saw the edge there."""
    seen = np.zeros(len(points), dtype=bool)
    for piece in pieces:
        away, nearest = KDTree(piece.outer.points_mm).query(points)
        seen |= (away < POINTS_MM) & piece.outer.seen[nearest]
    return TracedRing(points, np.ones(len(points)), seen, corners)


def is_whole(ring: TracedRing, pieces: Sequence[TracedPiece]) -> bool:
    """Whether the parts together show a pattern all round, but for gaps as a card leaves them."""
    longest = _longest_run(~ring.seen) * POINTS_MM
    cut = any(piece.region.cut_by_frame for piece in pieces)
    return not cut or longest <= _SMALL_GAP_MM


def _longest_run(flags: Bools) -> int:
    """Most flags set in a row, round the ring."""
    if flags.all():
        return len(flags)
    start = int(np.argmin(flags))
    turned = np.roll(flags, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], turned, [False]]).astype(int)))
    return int(max(edges[1::2] - edges[::2], default=0))
