"""The simulator is exact, hides nothing, and keeps to its rules."""

import dataclasses

import numpy as np
import pytest

from spilemark import lens
from spilemark.cards import shop_cards
from spilemark.testing import shapes
from spilemark.testing.bench import look_at
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import WorldRules

RULES = WorldRules(photos=2)
QUIET = dataclasses.replace(
    RULES, crossing_noise_px=0.0, edge_noise_px=0.0, edge_bias_sd_px=0.0, tape_sd_mm=0.0
)


def _draw(rules, seed=7):
    return draw_world(rules, shapes.quarter_knee(), shop_cards(), np.random.default_rng(seed))


def test_without_noise_the_pixels_are_the_projected_points():
    world = _draw(QUIET)
    for shot in world.shots:
        back = lens.pixels_to_plane(shot.outline_px, shot.plane(world.face_mm))
        assert back == pytest.approx(world.outline_mm, abs=1e-6)
        card = world.cards[0]
        crossings = card.to_world(card.card.crossings_mm())
        seen = lens.project(crossings, shot.lens, shot.rotation_rad, shot.translation_mm)
        assert shot.crossings_px[card.card.name] == pytest.approx(seen, abs=1e-9)


def test_everything_lies_in_the_frame_and_no_card_on_another():
    for seed in range(6):
        world = _draw(RULES, seed)
        for shot in world.shots:
            every = np.concatenate([shot.outline_px, *shot.crossings_px.values()])
            assert every.min() > 0
            assert (every < shot.frame_px).all()
        middles = np.array([c.centre_mm for c in world.cards])
        apart = np.linalg.norm(middles[:, None] - middles, axis=2) + 1e9 * np.eye(len(middles))
        assert apart.min() > 134  # the diagonal of a 120 x 60 mm chessboard


def test_tape_bars_and_caliper_tell_the_truth_within_a_persons_error():
    world = _draw(dataclasses.replace(QUIET, bar_sd_mm=0.0, caliper_sd_mm=0.0))
    crosses = {c.card.name: c.cross_world for c in world.cards}
    for a, b, mm, _ in world.job.distances:
        assert mm == pytest.approx(np.linalg.norm(crosses[a] - crosses[b]))
    assert world.job.printed_bar_mm == pytest.approx([100 * s for s in world.cards[0].print_scale])
    assert world.job.thickness_mm == pytest.approx(world.face_mm)


def test_noise_is_what_the_rules_say():
    loud = dataclasses.replace(RULES, crossing_noise_px=0.2, edge_bias_sd_px=0.0, cards=(8, 8))
    errors = []
    for seed in range(4):
        world, clean = _draw(loud, seed), _draw(loud, seed)
        for shot in world.shots:
            for card in world.cards:
                seen = lens.project(
                    card.to_world(card.card.crossings_mm()),
                    shot.lens,
                    shot.rotation_rad,
                    shot.translation_mm,
                )
                errors.append(shot.crossings_px[card.card.name] - seen)
        assert clean.shots[0].outline_px == pytest.approx(world.shots[0].outline_px)
    # 4 worlds, 2 photos, 8 cards, 21 crossings, 2 axes: 1.3 % standard error of the sd.
    assert np.std(np.concatenate(errors)) == pytest.approx(0.2, rel=0.06)


def test_warp_moves_the_outline_and_outliers_the_crossings():
    flat, bent = _draw(QUIET), _draw(dataclasses.replace(QUIET, warp_mm=2.0))
    apart = np.linalg.norm(flat.shots[0].outline_px - bent.shots[0].outline_px, axis=1)
    assert apart.max() > 0.5
    wild = _draw(dataclasses.replace(QUIET, outliers=0.2))
    name = wild.cards[0].card.name
    moved = np.linalg.norm(
        wild.shots[0].crossings_px[name] - _draw(QUIET).shots[0].crossings_px[name], axis=1
    )
    assert moved.max() > 1


def test_a_camera_that_looks_straight_down_keeps_right_right_and_forward_up():
    rotation, translation = look_at(np.zeros(3), 900.0, 0.0, -90.0, 0.0)
    straight = np.array([3000.0, 1, 2000, 1500, 0, 0, 0, 0, 0])
    points = np.array([[0.0, 0, 0], [90, 0, 0], [0, 90, 0]])
    seen = lens.project(points, straight, rotation, translation)
    assert seen == pytest.approx(np.array([[2000, 1500], [2300, 1500], [2000, 1200]]))
