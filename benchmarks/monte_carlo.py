"""Is the linear sigma that of real repetition?  Every input drawn anew, a thousand times.

    python benchmarks/monte_carlo.py [--draws 1000] [--seed 1] [--worlds 3]

JCGM 101:2008: all inputs of one survey (crossings, lens prior, lift and bow of
every card, print scale, tape, face height) are drawn from what is believed of
them, the whole solve is run again, and the scatter of the outline about the
truth, after the best rigid fit, is set beside the sigma of the linear
propagation (JCGM 100:2008).  rms over the outline; goal: within 15 %.
"""

from __future__ import annotations

import argparse
import dataclasses

import numpy as np
import tables
from simulated import observe

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.frames import outward_normals
from spilemark.records import Floats, PlaneMap
from spilemark.testing import shapes
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import World, WorldRules
from spilemark.uncertainty import after_fit, arc_weights, fit_functional, rigid_columns
from spilemark_stages.rectify.observations import Beliefs, CardObservation, PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import Solution, solve

RULES = WorldRules(
    lift_mean_mm=Beliefs().lift_mm,
    lift_sd_mm=0.0,
    bow_mean_mm=Beliefs().bow_mm,
    bow_sd_mm=0.0,
    crossing_noise_px=0.0,
    edge_noise_px=0.0,
    edge_bias_sd_px=0.0,
    outline_step_mm=10.0,
)
NOISE_PX = 0.07


def main() -> None:
    """Draw, solve, compare."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worlds", type=int, default=3)
    told = parser.parse_args()
    rows = [_row(k, told) for k in range(told.worlds)]
    tables.show(["world", "cards", "draws", "linear mm", "drawn mm", "ratio"], rows)


def _row(number: int, told: argparse.Namespace) -> list[object]:
    rng = np.random.default_rng([told.seed, number])
    world = draw_world(RULES, shapes.quarter_knee(), shop_cards(), rng)
    (photo,) = observe(world, dataclasses.replace(RULES, crossing_noise_px=NOISE_PX))
    beliefs = gather_beliefs(
        world.job, world.card_set, (photo,), nominal_sigma=0.005, bar_sigma_mm=0.08
    )
    errors, sigmas = [], []
    for _ in range(told.draws):
        drawn = _crossings(world, photo, beliefs, rng)
        believed = _beliefs(world, beliefs, rng)
        error, sigma = _outcome(world, solve((drawn,), believed))
        errors.append(error)
        sigmas.append(sigma)
    linear, real = (float(np.sqrt(np.mean(np.square(v)))) for v in (sigmas, errors))
    return [number + 1, len(world.cards), told.draws, linear, real, linear / real]


def _crossings(
    world: World, photo: PhotoObservation, beliefs: Beliefs, rng: np.random.Generator
) -> PhotoObservation:
    """The photo with every card's lift and bow, every crossing and the lens prior drawn."""
    shot = world.shots[0]
    laid = {card.card.name: card for card in world.cards}

    def drawn(seen: CardObservation) -> CardObservation:
        card = dataclasses.replace(
            laid[seen.card.name],
            lift_mm=beliefs.lift_mm + rng.normal(0, beliefs.lift_sigma_mm),
            bow_mm=beliefs.bow_mm + rng.normal(0, beliefs.bow_sigma_mm),
        )
        points = camera.project(
            card.to_world(seen.card.crossings_mm()),
            shot.lens,
            shot.rotation_rad,
            shot.translation_mm,
        )
        noisy = points + rng.normal(0, NOISE_PX, points.shape)
        return dataclasses.replace(seen, points_px=noisy[seen.which])

    # What is believed of the lens is the truth and an error of its own covariance.
    values = rng.multivariate_normal(shot.lens, photo.lens.covariance, method="cholesky")
    return dataclasses.replace(
        photo,
        lens=dataclasses.replace(photo.lens, values=values),
        cards=tuple(drawn(seen) for seen in photo.cards),
    )


def _beliefs(world: World, beliefs: Beliefs, rng: np.random.Generator) -> Beliefs:
    """What a person would have measured another time."""
    true = world.cards[0].print_scale
    crosses = {card.card.name: card.cross_world[:2] for card in world.cards}
    return dataclasses.replace(
        beliefs,
        print_scale=tuple(
            float(t + rng.normal(0, s)) for t, s in zip(true, beliefs.print_sigma, strict=True)
        ),
        height_mm=world.face_mm + float(rng.normal(0, beliefs.height_sigma_mm)),
        lengths=tuple(
            dataclasses.replace(
                length,
                mm=float(
                    np.linalg.norm(crosses[length.cards[0]] - crosses[length.cards[1]])
                    + rng.normal(0, length.sigma_mm)
                ),
            )
            for length in beliefs.lengths
        ),
    )


def _outcome(world: World, solution: Solution) -> tuple[Floats, Floats]:
    """Error and linear sigma along the normals, after the best rigid fit."""
    shot, view = world.shots[0], solution.views[0]
    plane = PlaneMap(
        lens=view.numbers[:9],
        rotation_rad=view.numbers[9:12],
        translation_mm=view.numbers[12:15],
        height_mm=float(view.numbers[15]),
        gain=view.gain,
    )
    points = camera.pixels_to_plane(shot.outline_px, plane)
    normals = outward_normals(points)
    weights = arc_weights(points, closed=True)
    functional, columns = fit_functional(points, normals, weights), rigid_columns(points, normals)
    table = after_fit(camera.plane_sensitivity(points, normals, plane), columns, functional)
    truth = _onto(world.outline_mm, points)
    off = np.einsum("ni,ni->n", points - truth, normals)
    return off - columns @ (functional @ off), np.linalg.norm(table, axis=1)


def _onto(truth: Floats, points: Floats) -> Floats:
    """The true outline laid on the measured one."""
    p, q = truth - truth.mean(0), points - points.mean(0)
    turn = np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum())
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(p @ np.array([[c, s], [-s, c]]) + points.mean(0))


if __name__ == "__main__":
    main()
