"""What views of one flat board tell of a lens, against a reference library and against theory."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import pytest

from spilemark import lens as camera
from spilemark.cards import Card
from spilemark.records import Floats, Lens
from spilemark_stages.rectify.observations import Beliefs, CardObservation, PhotoObservation
from spilemark_stages.rectify.solve import Solution, solve

BOARD = Card(name="A", columns=15, rows=11, square_mm=30.0, marker_mm=22.0, first_id=0)
SIZE = (4032, 3024)
NOISE_PX = 0.07
LENS = np.array([3100.0, 1.0, 2030.0, 1490.0, 0.09, -0.21, 4e-4, -3e-4, 0.11])
PLAIN = np.array([3000.0, 1.0, 2015.5, 1511.5, 0.0, 0.0, 0.0, 0.0, 0.0])
EXACT = Beliefs(
    print_sigma=(1e-8, 1e-8),
    print_shear_sigma=1e-8,
    lift_mm=0.0,
    lift_sigma_mm=1e-5,
    bow_mm=0.0,
    bow_sigma_mm=1e-5,
    drift_f=1e-9,
    drift_centre_px=1e-6,
)
"""The board is flat, printed exactly, and one lens took all views: as calibrations assume."""
HELD = 1e-9


def about(axis: str, degrees: float) -> Floats:
    """Rotation matrix about an axis of the camera: x to the right, y down, z ahead."""
    vector = np.radians(degrees) * np.eye(3)["xyz".index(axis)]
    return camera.rotation_matrix(vector)


def observed(
    views: Sequence[Floats],
    lens: Floats,
    sigma: Sequence[float],
    *,
    at_mm: Sequence[tuple[float, float, float]] | None = None,
) -> list[PhotoObservation]:
    """The board seen from straight above and then turned by each view's matrix; nine sigmas of the lens."""
    rng = np.random.default_rng(5)
    flat = BOARD.crossings_mm()
    world = np.c_[(flat - np.array(BOARD.size_mm) / 2) * [1.0, -1.0], np.zeros(len(flat))]
    photos = []
    for k, turn in enumerate(views):
        rotation = camera.rotation_vector(turn @ np.diag([1.0, -1.0, -1.0]))
        away = np.array((0.0, 0.0, 700.0) if at_mm is None else at_mm[k])
        points = camera.project(world, lens, rotation, away)
        card = CardObservation(
            card=BOARD,
            which=np.arange(len(flat)),
            points_px=points + rng.normal(0, NOISE_PX, points.shape),
            sigma_px=np.full(len(flat), NOISE_PX),
        )
        believed = Lens(values=lens.copy(), covariance=np.diag(np.square(sigma)), basis="told")
        photos.append(
            PhotoObservation(
                name=f"port:{k}",
                arm="port",
                lens_group="phone",
                lens=believed,
                width_px=SIZE[0],
                height_px=SIZE[1],
                cards=(card,),
            )
        )
    return photos


def sigmas(solution: Solution) -> Floats:
    """One sigma (9,) of the lens numbers."""
    at = solution.layout.lens["phone"]
    return np.sqrt(np.diag(solution.covariance[at, at]))


def test_lens_and_its_sigmas_are_those_of_opencv() -> None:
    # Reference library: OpenCV calibrateCameraExtended, the same crossings, no beliefs worth the name.
    views = [about("x", 0) @ about("z", 10)]
    views += [about("x", tilt) @ about("z", 30 * k) for k, tilt in enumerate((20, -18))]
    views += [about("y", tilt) @ about("z", 20 + 40 * k) for k, tilt in enumerate((22, -25))]
    loose = [1000, HELD, 1000, 1000, 10, 10, 1, 1, 10]
    photos = observed(views, LENS, loose)
    solution = solve(photos, EXACT)
    ours, spread = solution.unknowns[solution.layout.lens["phone"]], sigmas(solution)
    flat = BOARD.crossings_mm()
    field = np.c_[(flat - np.array(BOARD.size_mm) / 2) * [1.0, -1.0], np.zeros(len(flat))]
    start = np.array([[3000.0, 0, 2015.5], [0, 3000.0, 1511.5], [0, 0, 1.0]])
    _, matrix, bend, _, _, theirs_spread, _, _ = cv2.calibrateCameraExtended(
        [field.astype(np.float32)] * len(views),
        [photo.cards[0].points_px.astype(np.float32) for photo in photos],
        SIZE,
        start,
        np.zeros(5),
        flags=cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO,
    )
    theirs = np.array([matrix[0, 0], matrix[0, 2], matrix[1, 2], *np.ravel(bend)[:5]])
    claimed = np.ravel(theirs_spread)[[1, 2, 3, 4, 5, 6, 7, 8]]
    pick = [0, 2, 3, 4, 5, 6, 7, 8]
    assert (np.abs(ours[pick] - theirs) < 0.2 * spread[pick]).all()
    np.testing.assert_allclose(spread[pick], claimed, rtol=0.1)
    # And the truth, which the simulator knows, lies where both say.
    assert (np.abs(ours - LENS)[pick] < 4 * spread[pick]).all()


def test_parallel_planes_add_nothing() -> None:
    # Zhang, "A Flexible New Technique for Camera Calibration", IEEE TPAMI 22(11), 2000, section 4
    # (degenerate configurations): a board that is only shifted and turned within its plane gives no
    # new constraint on the lens.  Centre and focal length stay entangled, however many such views.
    places = [(0.0, 0.0, 700.0), (40.0, 25.0, 640.0), (-35.0, 20.0, 760.0), (20.0, -40.0, 690.0)]
    unknown = [900, HELD, 900, 900, HELD, HELD, HELD, HELD, HELD]
    tilt = about("x", 18) @ about("y", 14)
    parallel = [tilt @ about("z", turn) for turn in (0, 35, 100, 160)]
    across = [tilt, about("x", -20), about("y", 21), about("x", 15) @ about("y", -17)]
    one = sigmas(solve(observed(parallel[:1], PLAIN, unknown, at_mm=places[:1]), EXACT))
    many = sigmas(solve(observed(parallel, PLAIN, unknown, at_mm=places), EXACT))
    others = sigmas(solve(observed(across, PLAIN, unknown, at_mm=places), EXACT))
    for number in (0, 2, 3):
        # Twice the noise's worth at most, and of what is entangled not even that.
        assert many[number] > 0.5 * one[number]
        assert others[number] < 0.1 * many[number]


@pytest.mark.parametrize("views", [1, 3])
def test_boards_parallel_to_the_picture_give_no_focal_length(views: int) -> None:
    # Sturm & Maybank, "On Plane-Based Camera Calibration", CVPR 1999: a plane parallel to the image
    # plane is singular for the focal length; and see Zhang above for several of them.
    turns = [about("z", turn) for turn in (0.0, 60.0, 130.0)[:views]]
    places = [(0.0, 0.0, 700.0), (30.0, 20.0, 650.0), (-30.0, 25.0, 760.0)][:views]
    prior = [90, HELD, HELD, HELD, 0.15, 0.4, HELD, HELD, 0.6]
    found = solve(observed(turns, PLAIN, prior, at_mm=places), EXACT)
    assert sigmas(found)[0] > 0.98 * 90
    # Radial distortion shows in such a view all the same: straight lines stay straight without it.
    assert sigmas(found)[4] < 0.1 * 0.15
    tilted = solve(observed([about("x", 20.0) @ about("y", 15.0)], PLAIN, prior), EXACT)
    assert sigmas(tilted)[0] < 0.25 * 90


@pytest.mark.parametrize("tilt_deg", [15.0, 30.0])
def test_a_tilt_about_one_axis_leaves_focal_length_and_aspect_entangled(tilt_deg: float) -> None:
    """Sturm & Maybank 1999: a plane that holds an axis of the picture is singular for both at once.

    Own derivation from their constraints: with the board's first axis along the picture's x, the
    columns of the homography are (fx, 0, 0) and (0, fy cos t, sin t); that both are of one length
    in any other camera asks (1 - a) = (1 - b) cos^2 t + sin^2 t to first order, a and b relative
    changes of fx and fy, so b = a / cos^2 t, and the aspect may change by a tan^2 t with a free.
    """
    t = np.radians(tilt_deg)
    of_f, of_aspect = 0.03, 0.004
    prior = [of_f * PLAIN[0], of_aspect, *[HELD] * 7]
    solution = solve(observed([about("x", tilt_deg)], PLAIN, prior), EXACT)
    at = solution.layout.lens["phone"]
    covariance = solution.covariance[at, at][:2, :2]
    relative = covariance / np.outer([PLAIN[0], 1.0], [PLAIN[0], 1.0])
    left = 1 / np.sqrt(1 / of_f**2 + np.tan(t) ** 4 / of_aspect**2)
    assert np.sqrt(relative[0, 0]) == pytest.approx(left, rel=0.05)
    assert relative[0, 1] / relative[0, 0] == pytest.approx(np.tan(t) ** 2, rel=0.03)
    # A plane that is tilted about an axis between the picture's two tells both.
    freed = solve(observed([about("x", tilt_deg) @ about("y", tilt_deg)], PLAIN, prior), EXACT)
    assert sigmas(freed)[0] < 0.5 * np.sqrt(covariance[0, 0])
