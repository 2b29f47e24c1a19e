"""A tracer that takes the largest light thing in the photo for the pattern, edge at half light."""

from dataclasses import dataclass, field

import numpy as np
import shapely
from skimage.measure import find_contours

from spilemark.errors import NoOutline
from spilemark.hookspecs import hookimpl
from spilemark.lens import pixels_to_plane
from spilemark.records import Corner, Edge, JobFacts, Outline, Polyline, Survey
from spilemark.tone import linear_luma


@dataclass(frozen=True)
class Options:
    """How it looks."""

    level: float = field(
        default=0.5,
        metadata={"help": "Where between bench and pattern the edge is taken.", "unit": "share"},
    )
    sigma_mm: float = field(
        default=0.15, metadata={"help": "Believed error of each point.", "unit": "mm"}
    )


@hookimpl
def declare_options() -> type:
    return Options


@hookimpl
def trace(survey: Survey, arm: str, job: JobFacts, options: Options) -> tuple[Outline, ...]:
    view = next(v for v in survey.views if v.straight.arm == arm)
    light = linear_luma(view.straight.photo.pixels).astype(float)
    bench = np.median(light)
    face = np.quantile(light[light > 2 * bench], 0.5) if (light > 2 * bench).any() else 0.0
    # find_contours gives (row, column); image points are (x, y).
    rings = [c[:, ::-1] for c in find_contours(light, bench + options.level * (face - bench))]
    rings = [r for r in rings if len(r) > 400 and np.array_equal(r[0], r[-1])]
    if not rings:
        raise NoOutline("Nothing lighter than the bench lies in the photo.", "Use a dark bench.")
    ring = pixels_to_plane(max(rings, key=lambda r: shapely.Polygon(r).area)[:-1], view.plane)
    if shapely.Polygon(ring).exterior.is_ccw is False:
        ring = ring[::-1]
    ring = ring[::3]
    count = len(ring)
    edge = Polyline(
        role="edge",
        points_mm=ring,
        sigma_mm=np.full(count, options.sigma_mm),
        sensitivity_mm=np.zeros((count, len(survey.causes))),
        seen=np.ones(count, dtype=bool),
    )
    corners, edges = _corners(ring)
    outline = Outline(
        polylines=(edge,), corners=corners, edges=edges, causes=survey.causes, views=(view,)
    )
    return (outline,)


def _corners(ring: np.ndarray) -> tuple[tuple[Corner, ...], tuple[Edge, ...]]:
    """Where the direction changes by more than 30 degrees within 10 mm to both sides."""
    step = np.linalg.norm(np.diff(ring, axis=0), axis=1).mean()
    reach = max(2, round(10 / step))
    back, ahead = ring - np.roll(ring, reach, 0), np.roll(ring, -reach, 0) - ring
    turn = np.degrees(
        np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(1))
    )
    size, found = np.abs(turn), []
    for k in np.argsort(-size):
        if size[k] < 30:
            break
        if all(min((k - j) % len(ring), (j - k) % len(ring)) > reach for j in found):
            found.append(int(k))
    found.sort()
    corners = tuple(Corner(index=k, angle_deg=float(180 - turn[k])) for k in found)
    spans = zip(found, [*found[1:], found[0]], strict=True)
    edges = tuple(
        Edge(name="", start=a, stop=b, straight=False, length_mm=step * ((b - a) % len(ring)))
        for a, b in spans
    )
    return corners, edges
