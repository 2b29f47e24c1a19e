"""Simulated worlds turned into what the joint solve is given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.frames import outward_normals
from spilemark.records import (
    CardSighting,
    Floats,
    JobFacts,
    Lens,
    Photo,
    PlaneMap,
    StraightPhoto,
    Survey,
    View,
)
from spilemark.testing.shapes import quarter_knee
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import Shot, World, WorldRules
from spilemark_stages.rectify.card_survey import Options, survey_from
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import Solution, solve
from spilemark_stages.trace.regions import Region
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece


def lens_prior(focal_px: float, frame_px: tuple[int, int]) -> Lens:
    sigma = np.array([0.03 * focal_px, 5e-4, 30, 30, 0.15, 0.4, 1e-3, 1e-3, 0.6])
    centre = (np.array(frame_px) - 1) / 2
    values = np.array([focal_px, 1.0, *centre, 0, 0, 0, 0, 0])
    return Lens(values=values, covariance=np.diag(sigma**2), basis="EXIF")


def observe(world: World, arm: str = "port", sigma_px: float = 0.07) -> list[PhotoObservation]:
    photos = []
    for k, shot in enumerate(world.shots):
        width, height = shot.frame_px
        cards = []
        for laid in world.cards:
            points = shot.crossings_px[laid.card.name]
            inside = ((points > 8) & (points < [width - 9, height - 9])).all(axis=1)
            if inside.sum() < 4:
                continue
            cards.append(
                CardObservation(
                    card=laid.card,
                    which=np.flatnonzero(inside),
                    points_px=points[inside],
                    sigma_px=np.full(int(inside.sum()), sigma_px),
                )
            )
        photos.append(
            PhotoObservation(
                name=f"{arm}:{k}",
                arm=arm,
                lens_group="phone",
                lens=lens_prior(shot.exif_focal_px, shot.frame_px),
                width_px=width,
                height_px=height,
                cards=tuple(cards),
            )
        )
    return photos


def draw(seed: int, **rules: object) -> World:
    settings = WorldRules(**rules)  # type: ignore[arg-type]
    return draw_world(settings, quarter_knee(), shop_cards(), np.random.default_rng(seed))


def solve_world(
    world: World, job: JobFacts | None = None, photos: list[PhotoObservation] | None = None
) -> Solution:
    photos = photos if photos is not None else observe(world)
    facts = job if job is not None else world.job
    beliefs = gather_beliefs(facts, world.card_set, tuple(photos), 0.005, 0.08)
    return solve(photos, beliefs)


def plane_of(solution: Solution, k: int = 0) -> PlaneMap:
    numbers = solution.views[k].numbers
    return PlaneMap(
        lens=numbers[:9],
        rotation_rad=numbers[9:12],
        translation_mm=numbers[12:15],
        height_mm=float(numbers[15]),
        gain=solution.views[k].gain,
    )


def shape_projector(points: Floats, normals: Floats) -> Floats:
    """Takes the best rigid motion out of changes along the normals."""
    arm = np.sum(normals * np.column_stack([-points[:, 1], points[:, 0]]), axis=1)
    motions = np.column_stack([normals, arm])
    return np.asarray(np.eye(len(points)) - motions @ np.linalg.pinv(motions))


def rigid_residual(measured: Floats, truth: Floats) -> Floats:
    """Measured minus truth after the best rigid fit, point by point."""
    p, q = truth - truth.mean(0), measured - measured.mean(0)
    turn = np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum())
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(q - p @ np.array([[c, s], [-s, c]]))


def photo_of(shot: Shot, k: int) -> Photo:
    """A photo without pixels worth reading."""
    width, height = shot.frame_px
    return Photo(
        path=Path(f"{k}.jpg"), sha256="", pixels=np.broadcast_to(np.uint8(0), (height, width))
    )


def surveyed(world: World, observed: Sequence[PhotoObservation], job: JobFacts) -> Survey:
    """What the stage makes of photos in which this was observed."""
    straight = tuple(
        StraightPhoto(photo=photo_of(shot, k), lens=seen.lens, lens_group="phone", arm="port")
        for k, (shot, seen) in enumerate(zip(world.shots, observed, strict=True))
    )
    named = tuple(replace(seen, name=f"port:{k}.jpg") for k, seen in enumerate(observed))
    return survey_from(straight, named, world.card_set, job, Options())


def view_of(world: World, solution: Solution, k: int) -> View:
    """One photo as the survey hands it on, with its cards' places and no picture."""
    shot = world.shots[k]
    photo = photo_of(shot, k)
    lens = lens_prior(shot.exif_focal_px, shot.frame_px)
    cards = tuple(
        CardSighting(
            name=name,
            crossings_px=np.zeros((0, 2)),
            residuals_px=np.zeros((0, 2)),
            kept=np.zeros(0, dtype=bool),
            outline_px=np.zeros((4, 2)),
            outline_mm=np.zeros((4, 2)),
            cross_mm=place[:2],
            lift_mm=float(place[3]),
            bow_mm=float(place[4]),
        )
        for (_, name), place in solution.places.items()
    )
    return View(
        straight=StraightPhoto(photo=photo, lens=lens, lens_group="phone", arm="port"),
        plane=plane_of(solution, k),
        cards=cards,
        residual_rms_px=0.1,
        card_hull_mm=np.zeros((0, 2)),
    )


def pieces_of(world: World, solution: Solution, edge_noise_px: float = 0.15) -> list[TracedPiece]:
    """The outline as it would be traced in each photo, points in the order of the true one."""
    pieces = []
    for k, shot in enumerate(world.shots):
        view = view_of(world, solution, k)
        points = camera.pixels_to_plane(shot.outline_px, view.plane)
        across = camera.mm_per_px_across(points, outward_normals(points), view.plane)
        pieces.append(
            TracedPiece(
                view=view,
                photo=None,
                region=Region(
                    np.zeros((0, 2)), (), cut_by_frame=False, area_mm2=0.0, coarse_px=4.0
                ),
                outer=TracedRing(
                    points, edge_noise_px * across, np.ones(len(points), dtype=bool), ()
                ),
                holes=(),
                doubtful=(),
                darker=False,
                thickness_mm=view.plane.height_mm,
                gap_mm=1.0,
            )
        )
    return pieces
