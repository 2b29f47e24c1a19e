"""How far do bad crossings move the result?  Beside the solve without them.

    python benchmarks/bad_crossings.py [--worlds 100] [--seed 1] [--nearest 1.0]

In simulated worlds of four to eight cards a share of all crossings is moved by 1
(``--nearest``) to 30 px, any way; the same world is solved with exactly these taken out.  moved:
how far the true outline's image comes out elsewhere, along the normals after the
best rigid fit, at its 95th percentile and at most; kept: bad crossings that were
not noticed; lost: good ones that were left out.
"""

from __future__ import annotations

import argparse
import dataclasses

import numpy as np
import tables
from judged import after_fit_error
from simulated import observe, view_of

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.records import Bools, Floats
from spilemark.testing import shapes
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import World, WorldRules
from spilemark_stages.rectify.observations import PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import Solution, solve

SHARES = (0.05, 0.1, 0.2)
FARTHEST_PX = 30.0
GOAL_MM = 0.02


def main() -> None:
    """Draw, spoil, solve twice, compare."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--worlds", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nearest", type=float, default=1.0, help="least error of a bad one, px")
    told = parser.parse_args()
    rows = [_row(share, photos, told) for photos in (1, 3) for share in SHARES]
    head = ["bad %", "photos", "worlds", "moved p95", "moved median", "moved worst"]
    tables.show([*head, f"within {GOAL_MM} %", "kept %", "lost %"], rows)


def _row(share: float, photos: int, told: argparse.Namespace) -> list[object]:
    rules = WorldRules(photos=photos, outline_step_mm=6.0)
    moved, kept, lost = [], [], []
    for k in range(told.worlds):
        rng = np.random.default_rng([told.seed, photos, round(100 * share), k])
        world = draw_world(rules, shapes.quarter_knee(), shop_cards(), rng)
        observed = observe(world, rules)
        bad = [[rng.random(len(c.which)) < share for c in photo.cards] for photo in observed]
        beliefs = gather_beliefs(
            world.job, world.card_set, observed, nominal_sigma=0.005, bar_sigma_mm=0.08
        )
        spoilt = solve(_spoilt(observed, bad, told.nearest, rng), beliefs)
        clean = solve(_without(observed, bad), beliefs)
        moved.append(float(np.abs(_apart(world, spoilt, clean)).max()))
        heard = np.concatenate([np.concatenate(view.kept) for view in spoilt.views])
        wrong = np.concatenate([np.concatenate(cards) for cards in bad])
        kept.append(heard[wrong].mean() if wrong.any() else 0.0)
        lost.append((~heard[~wrong]).mean())
    return [
        f"{100 * share:.0f}",
        photos,
        told.worlds,
        float(np.percentile(moved, 95)),
        float(np.median(moved)),
        max(moved),
        100 * float(np.mean(np.array(moved) < GOAL_MM)),
        100 * float(np.mean(kept)),
        100 * float(np.mean(lost)),
    ]


def _spoilt(
    photos: tuple[PhotoObservation, ...],
    bad: list[list[Bools]],
    nearest_px: float,
    rng: np.random.Generator,
) -> tuple[PhotoObservation, ...]:
    def moved(points: Floats, which: Bools) -> Floats:
        way = rng.uniform(0, 2 * np.pi, len(points))
        far = rng.uniform(nearest_px, FARTHEST_PX, len(points)) * which
        return np.asarray(points + far[:, None] * np.stack([np.cos(way), np.sin(way)], axis=-1))

    return tuple(
        dataclasses.replace(
            photo,
            cards=tuple(
                dataclasses.replace(card, points_px=moved(card.points_px, which))
                for card, which in zip(photo.cards, cards, strict=True)
            ),
        )
        for photo, cards in zip(photos, bad, strict=True)
    )


def _without(
    photos: tuple[PhotoObservation, ...], bad: list[list[Bools]]
) -> tuple[PhotoObservation, ...]:
    return tuple(
        dataclasses.replace(
            photo,
            cards=tuple(
                dataclasses.replace(
                    card,
                    which=card.which[~which],
                    points_px=card.points_px[~which],
                    sigma_px=card.sigma_px[~which],
                )
                for card, which in zip(photo.cards, cards, strict=True)
            ),
        )
        for photo, cards in zip(photos, bad, strict=True)
    )


def _apart(world: World, one: Solution, other: Solution) -> Floats:
    """How far (N,) the outline comes out elsewhere."""
    shot = world.shots[0]
    pixels = camera.plane_to_pixels(world.outline_mm, shot.plane(world.face_mm))
    found = [
        camera.pixels_to_plane(pixels, view_of(shot, 0, solution).plane)
        for solution in (one, other)
    ]
    return after_fit_error(found[0], found[1])


if __name__ == "__main__":
    main()
