"""Measured rings and lines put together to an outline, with what all its points share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from spilemark.frames import left_normals, outward_normals
from spilemark.lens import height_sensitivity, mm_per_px_across, plane_sensitivity
from spilemark.records import Cause, Corner, Edge, Floats, Polyline, Role, View
from spilemark_stages.trace.corners import inside_angle
from spilemark_stages.trace.traced_ring import TracedRing

SAWN_EDGE_MM = 0.04
"""What "the edge" of a sawn sheet is, one sigma."""
EDGE_PLACE = "edge-place"
OWN_SHARE = np.sqrt(0.5)
"""Of the doubt that the tone curve leaves of every edge, this is each photo's own, and as much common."""
SHEET_MODES = 5
"""Ways in which a sheet does not lie flat: bent along, across, twisted; tilted along, across."""
STRAIGHT_MM = 0.5
"""An edge that nowhere leaves its straight fit by more, noise apart, was meant to be straight."""


class Sensible(Protocol):
    """Whatever can say how points move with the causes."""

    def sensitivity(self, points: Floats, normals: Floats, *, edge: bool) -> Floats:
        """(N, K) mm along the normals per sigma."""


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """Sensitivity of points of one piece in one photo to everything that they share."""

    view: View
    edge_bias_px: float
    """Common to all photos."""
    own_bias_px: float
    """The photo's own; 0 where whoever puts photos together counts it."""
    shade_mm: float
    """Doubt, one sigma, of how much of the shade at its foot passes for the pattern."""
    flatness_mm: float
    centre: Floats
    """(2,) middle of the piece, mm."""
    axes: Floats
    """(2, 2) rows: the piece's long and short axis, each divided by half the piece's size along it."""
    causes: tuple[Cause, ...]
    sides: int = 0
    """Faint sides, each with a doubt of its own: the last causes, which nothing but they feel."""

    def sensitivity(self, points: Floats, normals: Floats, *, edge: bool) -> Floats:
        """(N, K) mm along the normals per sigma: survey, edge place, the photo's own, flatness, sides."""
        plane = self.view.plane
        survey = plane_sensitivity(points, normals, plane)
        place = np.zeros((len(points), 2 if self.own_bias_px else 1))
        if edge:
            across = mm_per_px_across(points, normals, plane)
            what_is_edge = np.hypot(SAWN_EDGE_MM, self.shade_mm)
            place[:, 0] = np.hypot(self.edge_bias_px * across, what_is_edge)
            place[:, 1:] = self.own_bias_px * across[:, None]
        u, v = ((points - self.centre) @ self.axes.T).T
        height = height_sensitivity(points, normals, plane) * self.flatness_mm
        modes = sheet_forms(u, v) * height[:, None]
        none = np.zeros((len(points), self.sides))
        return np.concatenate([survey, place, modes, none], axis=1)


def sheet_forms(u: Floats, v: Floats) -> Floats:
    """Height (N, SHEET_MODES) over a flat sheet, each way of not lying flat by one unit at its ends."""
    return np.stack([u * u, v * v, u * v, u, v], axis=-1)


def shared_by(
    view: View,
    causes: tuple[Cause, ...],
    ring: Floats,
    arm: str,
    piece: int,
    edge_bias_px: float,
    shade_mm: float,
    flatness_mm: float,
    sides: int = 0,
    *,
    alone: bool = True,
) -> Shared:
    """What the points of one piece share.

    Parameters
    ----------
    piece : int
        Counts the patterns of the arm from 0.
    edge_bias_px : float
        Doubt of where an edge is, one sigma.
    alone : bool
        The photo's own share of that is a cause of its own here: patterns in
        one photo share it, those of two photos do not.
    """
    centre = 0.5 * (ring.min(axis=0) + ring.max(axis=0))
    local = ring - centre
    axes = np.linalg.svd(local, full_matrices=False)[2]
    reach = np.maximum(np.abs(local @ axes.T).max(axis=0), 1.0)
    own = [Cause(id=EDGE_PLACE, kind="edge place")]
    share = OWN_SHARE * edge_bias_px
    if alone and share:
        name = view.straight.photo.path.name
        own.append(Cause(id=f"{EDGE_PLACE}:{arm}:{name}", kind="edge place"))
    own += [
        Cause(id=f"flatness:{arm}:{SHEET_MODES * piece + k + 1}", kind="flatness of the sheet")
        for k in range(SHEET_MODES)
    ]
    own += [
        Cause(id=f"faint-side:{arm}:{piece + 1}:{k + 1}", kind="edge place") for k in range(sides)
    ]
    return Shared(
        view=view,
        edge_bias_px=share,
        own_bias_px=share if alone else 0.0,
        shade_mm=shade_mm,
        flatness_mm=flatness_mm,
        centre=centre,
        axes=axes / reach[:, None],
        causes=(*causes, *own),
        sides=sides,
    )


def side_doubts(ring: TracedRing) -> Floats:
    """Doubt (N, J) that all of each faint side has in common, a column for each such side."""
    n = len(ring.points_mm)
    if ring.common_mm is None:
        return np.zeros((n, 0))
    starts = sorted(index for index, _ in ring.corners) or [0]
    side = np.searchsorted(starts, np.arange(n), side="right") % len(starts)
    columns = np.where(side[:, None] == np.arange(len(starts)), ring.common_mm[:, None], 0.0)
    return np.asarray(columns[:, columns.any(axis=0)])


def closed_polyline(
    ring: TracedRing, role: Role, shared: Shared, name: str = "", sides: Floats | None = None
) -> Polyline:
    """An edge or a hole as a record; ``sides`` (N, J) are the outer edge's ``side_doubts``."""
    normals = outward_normals(ring.points_mm)
    ring = ring if sides is not None else ring.with_all_doubt
    table = shared.sensitivity(ring.points_mm, normals, edge=True)
    if sides is not None:
        table[:, table.shape[1] - sides.shape[1] :] = sides
    return Polyline(
        role=role,
        points_mm=ring.points_mm,
        sigma_mm=ring.sigma_mm,
        sensitivity_mm=table,
        seen=ring.seen,
        name=name,
    )


def open_polyline(
    points: Floats, sigma: Floats, role: Role, shared: Sensible, name: str = ""
) -> Polyline:
    """A pencil line as a record."""
    normals = left_normals(points, closed=False)
    return Polyline(
        role=role,
        points_mm=points,
        sigma_mm=sigma,
        sensitivity_mm=shared.sensitivity(points, normals, edge=False),
        seen=np.ones(len(points), dtype=bool),
        name=name,
    )


def ring_corners(ring: TracedRing) -> tuple[Corner, ...]:
    """True corners: those that were seen."""
    n = len(ring.points_mm)
    found = []
    for index, _turn in ring.corners:
        near = (index + np.array([-1, 0, 1])) % n
        if not ring.seen[near].all():
            continue
        before = ring.points_mm[index] - ring.points_mm[index - 1]
        after = ring.points_mm[(index + 1) % n] - ring.points_mm[index]
        found.append(Corner(index=int(index), angle_deg=inside_angle(before, after)))
    return tuple(found)


def ring_edges(ring: TracedRing, corners: tuple[Corner, ...]) -> tuple[Edge, ...]:
    """Stretches between corners, numbered in ring order; none when there is no corner."""
    edges = []
    for k, corner in enumerate(corners):
        stop = corners[(k + 1) % len(corners)].index
        count = (stop - corner.index) % len(ring.points_mm) or len(ring.points_mm)
        index = (corner.index + np.arange(count + 1)) % len(ring.points_mm)
        points = ring.points_mm[index]
        edges.append(
            Edge(
                name=f"edge {k + 1}",
                start=corner.index,
                stop=stop,
                length_mm=float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum()),
                straight=_is_straight(points, ring.sigma_mm[index]),
            )
        )
    return tuple(edges)


def _is_straight(points: Floats, sigma: Floats) -> bool:
    """Whether points keep to a straight line, but for saw and noise."""
    local = points - points.mean(axis=0)
    across = np.linalg.svd(local, full_matrices=False)[2][1]
    away = np.abs(local @ across)
    return bool((away <= STRAIGHT_MM + 2 * sigma).mean() > 0.98)
