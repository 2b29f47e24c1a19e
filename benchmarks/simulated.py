"""Simulated worlds as the survey and the tracer have them: observations, views, traced outlines."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from spilemark import lens as camera
from spilemark.frames import left_normals, outward_normals
from spilemark.records import (
    CameraFacts,
    Cause,
    Edge,
    Floats,
    JobFacts,
    Lens,
    Outline,
    Photo,
    PlaneMap,
    Polyline,
    StraightPhoto,
    View,
)
from spilemark.testing.worlds import Shot, World, WorldRules
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation
from spilemark_stages.rectify.solve import Solution
from spilemark_stages.trace.corners import crossing, fit_parabola
from spilemark_stages.trace.outlines import (
    closed_polyline,
    open_polyline,
    ring_corners,
    ring_edges,
    shared_by,
)
from spilemark_stages.trace.regions import Region
from spilemark_stages.trace.several import Beliefs, FusedPiece, put_together
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece
from spilemark_stages.undistort import exif_prior

FILM_DIAGONAL_MM = float(np.hypot(36, 24))
FLATNESS_MM = 0.2
"""As the built-in tracer believes."""
_SIDE = np.arange(2, 13)
"""Points beside a corner that tell how its sides run."""


def without(job: JobFacts, basis: str) -> JobFacts:
    """Take away what the person is not to have measured: "taped", "bar" or "nominal" is left."""
    if basis == "taped":
        return dataclasses.replace(job, distances=job.distances[:1])
    bar = job.printed_bar_mm if basis == "bar" else None
    return dataclasses.replace(job, distances=(), printed_bar_mm=bar)


def observe(world: World, rules: WorldRules, arm: str = "single") -> tuple[PhotoObservation, ...]:
    """What a card finder would hand on, with the lens prior that the built-in plug-in proposes."""
    by_name = {c.name: c for c in world.card_set.cards}
    return tuple(
        PhotoObservation(
            name=f"{arm}:{k}",
            arm=arm,
            lens_group="phone",
            lens=_prior(shot),
            width_px=shot.frame_px[0],
            height_px=shot.frame_px[1],
            cards=tuple(
                CardObservation(
                    card=by_name[name],
                    which=np.arange(len(points)),
                    points_px=points,
                    sigma_px=np.full(len(points), rules.crossing_noise_px),
                )
                for name, points in shot.crossings_px.items()
            ),
        )
        for k, shot in enumerate(world.shots)
    )


def _prior(shot: Shot) -> Lens:
    width, height = shot.frame_px
    photo = Photo(
        path=Path("simulated.jpg"),
        sha256="",
        pixels=np.broadcast_to(np.uint8(0), (height, width)),
        camera=CameraFacts(
            make="Simulated",
            model="phone",
            focal_35mm=round(shot.exif_focal_px * FILM_DIAGONAL_MM / np.hypot(width, height)),
        ),
    )
    return exif_prior.undistort(photo, "single", JobFacts(), exif_prior.Options()).lens


def straight_of(shot: Shot, k: int, arm: str = "single") -> StraightPhoto:
    """A photo without pixels worth reading."""
    width, height = shot.frame_px
    photo = Photo(
        path=Path(f"{k}.jpg"), sha256="", pixels=np.broadcast_to(np.uint8(0), (height, width))
    )
    return StraightPhoto(photo=photo, lens=_prior(shot), lens_group="phone", arm=arm)


def view_of(shot: Shot, k: int, solution: Solution, arm: str = "single") -> View:
    """One photo, the solve's number ``k``, as the survey hands it on, without its cards."""
    numbers = solution.views[k].numbers
    plane = PlaneMap(
        lens=numbers[:9],
        rotation_rad=numbers[9:12],
        translation_mm=numbers[12:15],
        height_mm=float(numbers[15]),
        gain=solution.views[k].gain,
    )
    return View(
        straight=straight_of(shot, k, arm),
        plane=plane,
        cards=(),
        residual_rms_px=0.0,
        card_hull_mm=np.zeros((0, 2)),
    )


def traced_ring(
    shot: Shot, plane: PlaneMap, rules: WorldRules, corners: tuple[tuple[int, float], ...] = ()
) -> TracedRing:
    """The outline as a tracer measures it in one photo."""
    points = _cornered(camera.pixels_to_plane(shot.outline_px, plane), corners)
    across = camera.mm_per_px_across(points, outward_normals(points), plane)
    return TracedRing(
        points, rules.edge_noise_px * across, np.ones(len(points), dtype=bool), corners
    )


def _cornered(points: Floats, corners: tuple[tuple[int, float], ...]) -> Floats:
    """The ring with its corners where the sides beside them cross, as a tracer sets them."""
    moved = points.copy()
    for index, _ in corners:
        before, after = (
            fit_parabola(points[(index + way * _SIDE) % len(points)]) for way in (-1, 1)
        )
        at = crossing(before, after, points[index])
        if at is not None:
            moved[index] = at
    return moved


def put_pieces(
    views: tuple[View, ...],
    rings: list[TracedRing],
    causes: tuple[Cause, ...],
    arm: str,
    rules: WorldRules,
) -> FusedPiece | None:
    """One pattern put together from all photos as the tracer does it."""
    nothing = Region(np.zeros((0, 2)), (), cut_by_frame=False, area_mm2=0.0, coarse_px=4.0)
    pieces = [
        TracedPiece(
            view=view,
            photo=None,  # type: ignore[arg-type]  # no pixels: nothing here reads them
            region=nothing,
            outer=ring,
            holes=(),
            doubtful=(),
            darker=False,
            thickness_mm=view.plane.height_mm,
            gap_mm=1.0,
        )
        for view, ring in zip(views, rings, strict=True)
    ]
    beliefs = Beliefs(edge_bias_px=rules.edge_bias_sd_px, shade_mm=0.0, flatness_mm=FLATNESS_MM)
    fused, _, _ = put_together(pieces, causes, arm, 0, beliefs)
    return fused


def traced_outline(
    world: World,
    views: tuple[View, ...],
    causes: tuple[Cause, ...],
    arm: str,
    rules: WorldRules,
    corners: tuple[tuple[int, float], ...],
    number: int = 0,
) -> Outline:
    """One pattern with its pencil line, from one photo or several, as the tracer hands it on."""
    rings = [
        traced_ring(shot, view.plane, rules, corners)
        for shot, view in zip(world.shots, views, strict=True)
    ]
    plane = views[0].plane
    line = camera.pixels_to_plane(world.shots[0].line_px, plane)
    line_sigma = np.full(len(line), rules.line_noise_px * plane_mm_per_px(plane, line))
    fused = put_pieces(views, rings, causes, arm, rules) if len(rings) > 1 else None
    if fused is None:
        shared = shared_by(
            views[0],
            causes,
            rings[0].points_mm,
            arm,
            number,
            rules.edge_bias_sd_px,
            0.0,
            FLATNESS_MM,
        )
        outer = rings[0]
        lines = (
            closed_polyline(outer, "edge", shared),
            open_polyline(line, line_sigma, "centreline", shared, "reference line"),
        )
        causes = shared.causes
    else:
        outer = fused.outer
        pencil = open_polyline(
            line, line_sigma, "centreline", fused.tables.seen_from(0), "reference line"
        )
        lines, causes = (fused.polyline(0, "edge"), fused.carried(pencil)), fused.causes
    found = ring_corners(outer)
    return Outline(
        polylines=lines,
        corners=found,
        edges=ring_edges(outer, found),
        causes=causes,
        views=views,
    )


def exact_outline(ring: Floats, line: Floats, corners: tuple[tuple[int, float], ...]) -> Outline:
    """A true outline with its line where it was meant, as if measured without any doubt."""
    traced = TracedRing(ring, np.full(len(ring), 1e-6), np.ones(len(ring), dtype=bool), corners)
    found = ring_corners(traced)

    def exact(points: Floats, role: str, name: str = "") -> Polyline:
        return Polyline(
            role="edge" if role == "edge" else "centreline",
            points_mm=points,
            sigma_mm=np.full(len(points), 1e-6),
            sensitivity_mm=np.zeros((len(points), 0)),
            seen=np.ones(len(points), dtype=bool),
            name=name,
        )

    edges: tuple[Edge, ...] = ring_edges(traced, found)
    return Outline(
        polylines=(exact(ring, "edge"), exact(line, "centreline", "reference line")),
        corners=found,
        edges=edges,
        causes=(),
        views=(),
    )


def plane_mm_per_px(plane: PlaneMap, points: Floats) -> float:
    """Mean size of a pixel along a line (M, 2) on the face, mm."""
    normals = left_normals(points, closed=False)
    return float(camera.mm_per_px_across(points, normals, plane).mean())
