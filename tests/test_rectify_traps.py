"""Slips and traps that must not end in a confident wrong number."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
import surveys

from spilemark import lens as camera
from spilemark.errors import UsageError
from spilemark.frames import outward_normals
from spilemark.records import Floats, JobFacts, Survey
from spilemark.testing.worlds import World
from spilemark_stages.rectify.model import cross_place, length_rows
from spilemark_stages.rectify.observations import PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import solve

FLAT = {"lift_mean_mm": 0.15, "lift_sd_mm": 0.05, "bow_mean_mm": 0.1, "bow_sd_mm": 0.05}


def world_of(seed: int, **told: object) -> World:
    how = {"cards": (6, 6), "tilt_deg": (8.0, 18.0), "tapes": 1, **FLAT, **told}
    return surveys.draw(seed, **how)


def share_within(world: World, survey: Survey) -> float:
    """Share of the outline within its 95 % interval after the best rigid fit."""
    plane = survey.views[0].plane
    pixels = camera.plane_to_pixels(world.outline_mm, world.shots[0].plane(world.face_mm))
    found = camera.pixels_to_plane(pixels, plane)
    normals = outward_normals(found)
    project = surveys.shape_projector(found, normals)
    error = project @ (surveys.rigid_residual(found, world.outline_mm) * normals).sum(1)
    sigma = np.linalg.norm(project @ camera.plane_sensitivity(found, normals, plane), axis=1)
    return float((np.abs(error) < 1.96 * sigma).mean())


def warned(survey: Survey) -> set[str]:
    return {n.code for n in survey.notes if n.severity == "warn"}


def moved(photo: PhotoObservation, by: float | Floats) -> PhotoObservation:
    cards = tuple(dataclasses.replace(c, points_px=c.points_px * by) for c in photo.cards)
    return dataclasses.replace(photo, cards=cards)


def batten_only(world: World, factor: float = 1.0) -> JobFacts:
    ((a, b, mm, sigma),) = world.job.distances
    return dataclasses.replace(
        world.job, printed_bar_mm=None, distances=((a, b, factor * mm, sigma),)
    )


def test_a_batten_that_the_bars_contradict_is_named_and_the_interval_holds_either() -> None:
    for seed in range(3):
        world = world_of(seed)
        ((a, b, mm, sigma),) = world.job.distances
        slip = dataclasses.replace(world.job, distances=((a, b, 1.01 * mm, sigma),))
        wrong = surveys.surveyed(world, surveys.observe(world), slip)
        assert "lengths-disagree" in warned(wrong)
        assert share_within(world, wrong) > 0.8
        right = surveys.surveyed(world, surveys.observe(world), world.job)
        assert "lengths-disagree" not in warned(right)


def test_what_the_others_say_of_a_batten_does_not_hang_on_how_noisy_the_crossings_seem() -> None:
    """1 % wrong by construction: by the others it is so much less, also where the crossings scatter
    seven times what was expected of them."""
    world = world_of(0)
    ((a, b, mm, sigma),) = world.job.distances
    slip = dataclasses.replace(world.job, distances=((a, b, 1.01 * mm, sigma),))
    for expected_px in (0.07, 0.01):
        survey = surveys.surveyed(world, surveys.observe(world, sigma_px=expected_px), slip)
        (note,) = [n for n in survey.notes if n.code == "lengths-disagree"]
        assert note.value == pytest.approx(0.01 * mm, rel=0.06)


def test_a_batten_by_which_no_printer_prints_is_asked_about() -> None:
    world = world_of(4, print_scale_sd=0.001)
    survey = surveys.surveyed(world, surveys.observe(world), batten_only(world, 1.012))
    (note,) = [n for n in survey.notes if n.code == "cards-printed-large"]
    assert "measure again" in note.text
    straight = surveys.surveyed(world, surveys.observe(world), batten_only(world))
    assert "cards-printed-large" not in warned(straight)


def test_a_card_copied_smaller_may_hold_the_batten() -> None:
    for seed in range(3):
        world = world_of(10 + seed)
        name = world.job.distances[0][0]
        laid = next(c for c in world.cards if c.card.name == name)
        small = dataclasses.replace(laid, print_scale=tuple(0.98 * s for s in laid.print_scale))
        shot = world.shots[0]
        space = small.to_world(small.card.crossings_mm())
        places = camera.project(space, shot.lens, shot.rotation_rad, shot.translation_mm)
        places += np.random.default_rng(seed).normal(0, 0.07, places.shape)
        (photo,) = surveys.observe(world)
        cards = tuple(
            dataclasses.replace(c, points_px=places[c.which]) if c.card.name == name else c
            for c in photo.cards
        )
        survey = surveys.surveyed(
            world, [dataclasses.replace(photo, cards=cards)], batten_only(world)
        )
        (note,) = [n for n in survey.notes if n.code == "card-of-another-print"]
        assert note.value == pytest.approx(-2.0, abs=0.2)
        assert share_within(world, survey) > 0.7


def test_a_squeezed_picture_is_told_and_made_up_for() -> None:
    for seed in range(2):
        world = world_of(20 + seed)
        (photo,) = surveys.observe(world)
        survey = surveys.surveyed(world, [moved(photo, np.array([0.97, 1.0]))], world.job)
        (note,) = [n for n in survey.notes if n.code == "picture-changed"]
        assert re.search("squeezed by about [2345] %", note.text)
        plane = survey.views[0].plane
        assert abs(plane.lens[1] - 1 / 0.97) < 3 * np.linalg.norm(plane.gain[1])


def test_a_file_that_tells_of_another_lens_is_not_believed() -> None:
    world = world_of(30, tilt_deg=(14.0, 18.0))
    (photo,) = surveys.observe(world)
    lens = surveys.lens_prior(2.0 * world.shots[0].exif_focal_px, world.shots[0].frame_px)
    survey = surveys.surveyed(world, [dataclasses.replace(photo, lens=lens)], world.job)
    (note,) = [n for n in survey.notes if n.code == "picture-changed"]
    assert "focal length" in note.text
    plane = survey.views[0].plane
    assert abs(plane.lens[0] - world.shots[0].lens[0]) < 3 * np.linalg.norm(plane.gain[0])
    assert plane.lens[0] == pytest.approx(world.shots[0].lens[0], rel=0.15)


def test_true_photos_are_not_called_changed() -> None:
    for seed in range(6):
        world = world_of(40 + seed)
        assert "picture-changed" not in warned(
            surveys.surveyed(world, surveys.observe(world), world.job)
        )


def test_a_tape_of_another_class_leaves_as_much_doubt_as_the_directive_lets_it() -> None:
    # Directive 2014/32/EU, annex X (MI-008), table 1: maximum permissible error a + b L of tapes, L
    # in m rounded up: class I 0.1 + 0.1 L, II 0.3 + 0.2 L, III 0.6 + 0.4 L mm (figures as makers and
    # verifying offices give them).  An even spread within it has sigma mpe / sqrt 3 (JCGM 100, 4.3.7).
    world = world_of(50, print_scale_sd=0.0)
    ((a, b, mm, _),) = world.job.distances
    relative = []
    for one, per_metre in ((0.1, 0.1), (0.3, 0.2), (0.6, 0.4)):
        sigma = (one + per_metre * np.ceil(mm / 1000)) / np.sqrt(3)
        job = dataclasses.replace(
            world.job, printed_bar_mm=None, distances=((a, b, mm, float(sigma)),)
        )
        survey = surveys.surveyed(world, surveys.observe(world), job)
        relative.append(survey.scale.sigma_relative)
        assert survey.scale.sigma_relative > sigma / mm
    assert relative[0] < relative[1] < relative[2]
    assert relative[2] == pytest.approx((0.6 + 0.4) / np.sqrt(3) / mm, rel=0.15)


def test_a_measured_length_has_true_derivatives_of_its_cards_prints() -> None:
    """Against central differences."""
    world = world_of(60)
    photos = surveys.observe(world)
    beliefs = gather_beliefs(world.job, world.card_set, tuple(photos), 0.005, 0.08)
    name = world.job.distances[0][0]
    beliefs = dataclasses.replace(beliefs, reprinted=frozenset({("port", name)}))
    solution = solve(photos, beliefs)
    x, layout = solution.unknowns.copy(), solution.layout
    cards = {c.card.name: c.card for c in world.cards}
    x[layout.print_shear] = 0.003
    rows = length_rows(x, layout, cards)[1]
    by = cross_place(x, layout, "port", cards[name])[1]
    for index in (layout.print_shear, layout.print_scale.start, layout.own_print["port", name]):
        ends = []
        for step in (1e-6, -1e-6):
            at = x.copy()
            at[index] += step
            ends.append(
                (length_rows(at, layout, cards)[0], cross_place(at, layout, "port", cards[name])[0])
            )
        np.testing.assert_allclose(rows[:, index], (ends[0][0] - ends[1][0]) / 2e-6, atol=1e-3)
        np.testing.assert_allclose(by[:, index], (ends[0][1] - ends[1][1]) / 2e-6, atol=1e-5)


@pytest.mark.parametrize("by", [1.085, 1.16, 0.8])
def test_a_length_far_off_beside_measured_bars_is_refused_before_it_bends_the_solve(
    by: float,
) -> None:
    world = world_of(3)
    (a, b, mm, sigma), *rest = world.job.distances
    job = dataclasses.replace(
        world.job, printed_bar_mm=(100.0, 100.0), distances=((a, b, by * mm, sigma), *rest)
    )
    with pytest.raises(UsageError, match="does not fit the photo: by the cards as designed"):
        surveys.surveyed(world, surveys.observe(world), job)
