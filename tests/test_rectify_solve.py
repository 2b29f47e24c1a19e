from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
import surveys

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.errors import NoScale, UsageError
from spilemark.frames import outward_normals
from spilemark.records import Floats, JobFacts
from spilemark.testing.worlds import World
from spilemark_stages.rectify.layout import lay_out
from spilemark_stages.rectify.model import gather_priors, photo_rows
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.scale import (
    check_cards_lay_still,
    check_lengths,
    gather_beliefs,
)
from spilemark_stages.rectify.solve import Solution, solve
from spilemark_stages.rectify.start import first_values
from spilemark_stages.rectify.whose_lens import solve_apart_if_need_be

QUIET = {"crossing_noise_px": 0.0, "edge_noise_px": 0.0, "edge_bias_sd_px": 0.0}


def shape_errors(world: World, solution: Solution, k: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Error of the true outline's image along the normal after the best fit, and its sigma."""
    shot = world.shots[k]
    pixels = camera.plane_to_pixels(world.outline_mm, shot.plane(world.face_mm))
    plane = surveys.plane_of(solution, k)
    found = camera.pixels_to_plane(pixels, plane)
    normals = outward_normals(found)
    project = surveys.shape_projector(found, normals)
    error = project @ (surveys.rigid_residual(found, world.outline_mm) * normals).sum(1)
    sigma = np.linalg.norm(project @ camera.plane_sensitivity(found, normals, plane), axis=1)
    return error, sigma


def exact(world: World) -> JobFacts:
    """The job of a person who measures without error."""
    scale = world.cards[0].print_scale
    across = {c.card.name: c.cross_world for c in world.cards}
    return dataclasses.replace(
        world.job,
        thickness_mm=world.face_mm,
        thickness_sigma_mm=0.01,
        printed_bar_mm=(100 * scale[0], 100 * scale[1]),
        distances=tuple(
            (a, b, float(np.linalg.norm(across[a] - across[b])), 0.01)
            for a, b, _, _ in world.job.distances
        ),
    )


@pytest.mark.parametrize("seed", range(4))
def test_without_noise_the_outline_comes_back(seed: int) -> None:
    world = surveys.draw(seed, cards=(6, 8), lift_sd_mm=0.0, bow_sd_mm=0.0, **QUIET)
    solution = surveys.solve_world(world, exact(world))
    error, _ = shape_errors(world, solution)
    # Lift and bow are believed a little off (0.2 and 0.1 mm), which is all that is left.
    assert np.abs(error).max() < 0.06


def test_derivatives_of_the_residuals_are_right() -> None:
    world = surveys.draw(5, cards=(3, 3), photos=2)
    photos = surveys.observe(world)
    beliefs = gather_beliefs(world.job, world.card_set, tuple(photos), 0.005, 0.08)
    other = ("port", world.cards[1].card.name)
    beliefs = dataclasses.replace(beliefs, reprinted=frozenset({other}))
    layout = lay_out(photos, beliefs)
    x = first_values(layout, photos, gather_priors(layout, photos, beliefs))
    x[layout.drift[1]] = [0.002, 3.0, -2.0]
    x[layout.print_shear], x[layout.own_print[other]] = 0.004, 0.985
    assert {layout.print_shear, layout.own_print[other]} <= set(layout.free)
    _, rows = photo_rows(x, layout, photos, 1)
    for index in layout.free:
        step = max(1e-6, 1e-6 * abs(x[index]))
        up, down = x.copy(), x.copy()
        up[index] += step
        down[index] -= step
        numeric = photo_rows(up, layout, photos, 1)[0] - photo_rows(down, layout, photos, 1)[0]
        np.testing.assert_allclose(rows[:, index], numeric / (2 * step), rtol=1e-4, atol=2e-3)


def test_intervals_cover() -> None:
    inside = []
    for seed in range(60):
        world = surveys.draw(seed, edge_noise_px=0.0, edge_bias_sd_px=0.0)
        error, sigma = shape_errors(world, surveys.solve_world(world))
        inside.append(np.mean(np.abs(error) < 1.96 * sigma))
    # Points of one photo go together: about four independent values each, so the mean of 60
    # photos has a spread of about 1.5 %.
    assert 0.90 < np.mean(inside) < 0.99


def test_gains_are_what_noise_does() -> None:
    """Monte Carlo over the crossings' noise (JCGM 101:2008) against the linear gains."""
    world = surveys.draw(11, cards=(5, 5), tilt_deg=(12.0, 20.0), **QUIET)
    clean = surveys.observe(world, sigma_px=0.07)
    beliefs = gather_beliefs(world.job, world.card_set, tuple(clean), 0.005, 0.08)
    base = solve(clean, beliefs)
    plane = surveys.plane_of(base)
    pixels = camera.plane_to_pixels(world.outline_mm, world.shots[0].plane(world.face_mm))
    points = camera.pixels_to_plane(pixels, plane)
    normals = outward_normals(points)
    project = surveys.shape_projector(points, normals)
    readings = [k for k, c in enumerate(base.causes) if c.kind == "reading of the crossings"]
    gains = project @ camera.plane_sensitivity(points, normals, plane)[:, readings]
    # Without noise the solve reports its floor of half the expected noise.
    claimed = 2 * np.linalg.norm(gains, axis=1)
    rng = np.random.default_rng(2)
    moved = []
    for _ in range(80):
        cards = tuple(
            dataclasses.replace(c, points_px=c.points_px + rng.normal(0, 0.07, c.points_px.shape))
            for c in clean[0].cards
        )
        noisy = solve([dataclasses.replace(clean[0], cards=cards)], beliefs)
        found = camera.pixels_to_plane(pixels, surveys.plane_of(noisy))
        moved.append(project @ (surveys.rigid_residual(found, points) * normals).sum(1))
    drawn = np.sqrt(np.mean(np.square(moved), axis=0))
    ratio = np.sqrt(np.mean(claimed**2) / np.mean(drawn**2))
    # 80 draws of about five independent shapes: the rms is known to some 4 %.
    assert ratio == pytest.approx(1.0, abs=0.15)


def test_agrees_with_opencv_calibration() -> None:
    # Reference library: OpenCV calibrateCamera on the same views of one flat, exactly printed field.
    world = surveys.draw(
        21,
        photos=5,
        cards=(8, 8),
        tilt_deg=(12.0, 25.0),
        lens_kinds=("raw",),
        print_scale_sd=0.0,
        lift_mean_mm=0.0,
        lift_sd_mm=0.0,
        bow_mean_mm=0.0,
        bow_sd_mm=0.0,
        aspect_sd=0.0,
        focal_per_photo_sd=0.0,
        centre_per_photo_sd_px=0.0,
    )
    field = {c.card.name: c.to_world(c.card.crossings_mm()) for c in world.cards}
    objects, images = [], []
    for photo in surveys.observe(world):
        objects.append(
            np.concatenate([field[c.card.name][c.which] for c in photo.cards]).astype("f4")
        )
        images.append(np.concatenate([c.points_px for c in photo.cards]).astype("f4"))
    start = np.array([[3100.0, 0, 2015.5], [0, 3100.0, 1511.5], [0, 0, 1.0]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO
    _, matrix, _, _, _ = cv2.calibrateCamera(
        objects, images, (4032, 3024), start, None, flags=flags
    )
    photos = surveys.observe(world)
    beliefs = Beliefs(
        print_sigma=(1e-5, 1e-5),
        lift_mm=0.0,
        lift_sigma_mm=0.01,
        bow_mm=0.0,
        bow_sigma_mm=0.01,
        drift_f=1e-5,
        drift_centre_px=0.05,
        height_mm=world.face_mm,
    )
    solved = solve(photos, beliefs).views[0]
    sigma = np.linalg.norm(solved.gain, axis=1)
    for index, theirs in ((0, matrix[0, 0]), (2, matrix[0, 2]), (3, matrix[1, 2])):
        # Both are estimates from the same data but for our loose cards: they differ by a
        # fraction of our own sigma, allowed here in full.
        assert abs(solved.numbers[index] - theirs) < 3 * sigma[index] + 0.5


def test_a_view_straight_down_does_not_know_the_focal_length() -> None:
    # Sturm & Maybank, "On Plane-Based Camera Calibration", CVPR 1999: a fronto-parallel view
    # of a plane gives no focal length; the sigma must stay that of the prior.
    world = surveys.draw(3, tilt_deg=(0.0, 0.0), cards=(6, 6))
    photos = surveys.observe(world)
    solution = surveys.solve_world(world, photos=photos)
    sigma = np.linalg.norm(solution.views[0].gain[0])
    believed = np.sqrt(photos[0].lens.covariance[0, 0])
    assert sigma > 0.95 * believed
    tilted = surveys.draw(3, tilt_deg=(20.0, 20.0), cards=(6, 6))
    assert np.linalg.norm(surveys.solve_world(tilted).views[0].gain[0]) < 0.75 * sigma


def test_bad_crossings_are_left_out() -> None:
    clean = surveys.draw(8, cards=(6, 6))
    photos = surveys.observe(clean)
    rng = np.random.default_rng(4)
    spoiled, cut = [], []
    for card in photos[0].cards:
        bad = rng.random(len(card.which)) < 0.2
        way = rng.normal(size=(len(bad), 2))
        way *= rng.uniform(1, 30, len(bad))[:, None] / np.linalg.norm(way, axis=1, keepdims=True)
        spoiled.append(dataclasses.replace(card, points_px=card.points_px + way * bad[:, None]))
        cut.append(
            dataclasses.replace(
                card,
                which=card.which[~bad],
                points_px=card.points_px[~bad],
                sigma_px=card.sigma_px[~bad],
            )
        )
    with_bad = surveys.solve_world(
        clean, photos=[dataclasses.replace(photos[0], cards=tuple(spoiled))]
    )
    without = surveys.solve_world(clean, photos=[dataclasses.replace(photos[0], cards=tuple(cut))])
    pixels = camera.plane_to_pixels(clean.outline_mm, clean.shots[0].plane(clean.face_mm))
    a, b = (camera.pixels_to_plane(pixels, surveys.plane_of(s)) for s in (with_bad, without))
    assert np.linalg.norm(surveys.rigid_residual(a, b), axis=1).max() < 0.02


def test_a_tape_finds_a_page_shrunk_to_fit() -> None:
    # A4 page into A4 less 4 mm edges prints 100 mm as 96.19 mm (derived: 202/210).
    world = surveys.draw(14, cards=(6, 6), print_scale_sd=0.0)
    job = dataclasses.replace(exact(world), printed_bar_mm=None)
    shrunk = [
        dataclasses.replace(
            job, distances=tuple((a, b, d * 0.9619, 0.2) for a, b, d, _ in job.distances)
        )
    ][0]
    solution = surveys.solve_world(world, shrunk)
    assert solution.print_scale.mean() == pytest.approx(0.9619, abs=0.001)


def test_an_impossible_tape_is_refused() -> None:
    world = surveys.draw(14, cards=(6, 6))
    a, b, d, s = world.job.distances[0]
    slip = dataclasses.replace(world.job, distances=((a, b, d - 200, s),), printed_bar_mm=None)
    solution = surveys.solve_world(world, slip)
    with pytest.raises(UsageError, match="does not fit the photo"):
        check_lengths(solution)


def test_an_unknown_card_in_a_distance_is_refused() -> None:
    world = surveys.draw(14, cards=(6, 6))
    slip = dataclasses.replace(world.job, distances=(("A", "ZZ", 700.0, 0.2),))
    with pytest.raises(UsageError, match='"ZZ"'):
        gather_beliefs(slip, shop_cards(), tuple(surveys.observe(world)), 0.005, 0.08)


def test_a_card_moved_between_the_photos_is_noticed() -> None:
    first = surveys.draw(31, cards=(6, 6))
    pair = first.job.distances[0]
    job = dataclasses.replace(first.job, distances=(pair,), printed_bar_mm=None)
    photos = [*surveys.observe(first, "port"), *surveys.observe(first, "starboard")]
    beliefs = gather_beliefs(job, first.card_set, tuple(photos), 0.005, 0.08)
    check_cards_lay_still(photos, beliefs)
    moved = [
        dataclasses.replace(laid, centre_mm=laid.centre_mm * 1.02)
        if laid.card.name == pair[0]
        else laid
        for laid in first.cards
    ]
    shot = first.shots[0]
    cards = []
    for card in photos[1].cards:
        laid = next(m for m in moved if m.card.name == card.card.name)
        space = laid.to_world(card.card.crossings_mm()[card.which])
        pixels = camera.project(space, shot.lens, shot.rotation_rad, shot.translation_mm)
        cards.append(dataclasses.replace(card, points_px=pixels))
    photos[1] = dataclasses.replace(photos[1], cards=tuple(cards))
    with pytest.raises(UsageError, match="was moved"):
        check_cards_lay_still(photos, beliefs)


def test_one_card_works_with_a_wide_interval() -> None:
    world = surveys.draw(17, cards=(6, 6))
    photos = surveys.observe(world)
    alone = dataclasses.replace(photos[0], cards=photos[0].cards[:1])
    error, sigma = shape_errors(world, surveys.solve_world(world, photos=[alone]))
    _, all_sigma = shape_errors(world, surveys.solve_world(world))
    assert np.median(sigma) > 4 * np.median(all_sigma)
    assert np.mean(np.abs(error) < 3 * sigma) > 0.9


def test_no_crossings_is_no_scale() -> None:
    world = surveys.draw(17, cards=(4, 4))
    empty = dataclasses.replace(surveys.observe(world)[0], cards=())
    with pytest.raises(NoScale):
        solve([empty], Beliefs())


def test_causes_are_shared_between_arms() -> None:
    first, second = surveys.draw(41, cards=(6, 6)), surveys.draw(42, cards=(6, 6))
    photos: list[PhotoObservation] = [
        *surveys.observe(first, "port"),
        *surveys.observe(second, "starboard"),
    ]
    solution = surveys.solve_world(first, dataclasses.replace(first.job, distances=()), photos)
    assert len({c.id for c in solution.causes}) == len(solution.causes)
    scale = [k for k, c in enumerate(solution.causes) if c.id.startswith("print-scale")]
    for view in solution.views:
        assert np.abs(view.gain[:, scale]).max() > 0


def test_photos_of_two_cameras_are_told_apart() -> None:
    first = surveys.draw(41, cards=(6, 6), lens_kinds=("raw",), print_scale_sd=0.0)
    second = surveys.draw(52, cards=(6, 6), lens_kinds=("corrected",), print_scale_sd=0.0)
    photos = (*surveys.observe(first, "port"), *surveys.observe(second, "starboard"))
    beliefs = gather_beliefs(
        dataclasses.replace(first.job, distances=()), shop_cards(), photos, 0.005, 0.08
    )
    _, solution, notes = solve_apart_if_need_be(photos, beliefs)
    assert [n.code for n in notes] == ["different-lenses"]
    assert solution.noise < 1.5
    one = surveys.draw(41, cards=(6, 6), photos=2)
    a, b = surveys.observe(one)
    same = (a, dataclasses.replace(b, arm="starboard", name="starboard:0"))
    assert not solve_apart_if_need_be(same, beliefs)[2]


@pytest.mark.parametrize("seed", [61, 62, 63])
def test_a_photo_that_was_zoomed_and_does_not_say_so_is_told_though_crossings_fit(
    seed: int,
) -> None:
    world = surveys.draw(seed, cards=(6, 6), photos=3, tilt_deg=(18.0, 24.0), lens_kinds=("raw",))
    beliefs = gather_beliefs(world.job, shop_cards(), surveys.observe(world), 0.005, 0.08)
    assert not solve_apart_if_need_be(surveys.observe(world), beliefs)[2]
    *same, last = world.shots
    middle = (np.array(last.frame_px) - 1) / 2

    def smaller(seen: Floats) -> Floats:
        return np.asarray(middle + 0.85 * (seen - middle))

    zoomed = dataclasses.replace(
        last, crossings_px={name: smaller(seen) for name, seen in last.crossings_px.items()}
    )
    observed = surveys.observe(dataclasses.replace(world, shots=(*same, zoomed)))
    solution = solve(observed, beliefs)
    _, freed, notes = solve_apart_if_need_be(observed, beliefs)
    assert [n.code for n in notes] == ["different-lenses"]
    true = 0.85 * world.shots[-1].lens[0]
    assert abs(freed.views[-1].numbers[0] - true) < abs(solution.views[-1].numbers[0] - true)


@pytest.mark.parametrize("photos", [1, 3])
def test_a_sheared_print_is_found_and_made_up_for(photos: int) -> None:
    for seed in range(3):
        world = surveys.draw(
            70 + seed, photos=photos, cards=(6, 6), print_shear_sd=0.005, edge_noise_px=0.0
        )
        solution = surveys.solve_world(world)
        # The world's own shear, drawn by the simulator, is the truth.
        assert abs(solution.print_shear - world.cards[0].shear) < 4 * solution.print_shear_sigma
        assert solution.print_shear_sigma < 3e-4
        error, sigma = shape_errors(world, solution)
        assert np.mean(np.abs(error) < 3 * sigma) > 0.9


def test_one_card_seen_from_straight_above_does_not_know_its_shear_well() -> None:
    # A parallelogram seen square-on and a rectangle under a tilt are told apart by perspective alone.
    world = surveys.draw(75, cards=(6, 6), tilt_deg=(0.0, 0.0))
    alone = dataclasses.replace(
        surveys.observe(world)[0], cards=surveys.observe(world)[0].cards[:1]
    )
    one, many = surveys.solve_world(world, photos=[alone]), surveys.solve_world(world)
    assert one.print_shear_sigma > 3 * many.print_shear_sigma
