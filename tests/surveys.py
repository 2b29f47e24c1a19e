"""Simulated worlds turned into what the joint solve is given."""

from __future__ import annotations

import numpy as np

from spilemark.cards import shop_cards
from spilemark.records import Floats, JobFacts, Lens, PlaneMap
from spilemark.testing.shapes import quarter_knee
from spilemark.testing.simulator import World, WorldRules, draw_world
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import Solution, solve


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
