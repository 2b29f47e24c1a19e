"""Stage undistort: the prior must hold what real cameras are, whatever their makers reckon by."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from spilemark.lens import LENS_NAMES
from spilemark.records import CameraFacts, JobFacts, Photo, StraightPhoto
from spilemark_stages.undistort.exif_prior import Options, undistort


def photo(width: int = 4032, height: int = 3024, sha: str = "ab" * 32, **camera: Any) -> Photo:
    facts = {"make": "Dunlin", "model": "D-1", "focal_mm": 4.25, "focal_35mm": 26.0} | camera
    pixels = np.broadcast_to(np.zeros(1, np.uint8), (height, width))
    return Photo(path=Path("p.jpg"), sha256=sha, pixels=pixels, camera=CameraFacts(**facts))


def bare(width: int = 1600, height: int = 1200, sha: str = "cd" * 32) -> Photo:
    return photo(width, height, sha, make="", model="", focal_mm=None, focal_35mm=None)


def lens(of: Photo, **options: float) -> tuple[dict[str, float], dict[str, float]]:
    proposed = propose(of, **options).lens
    sigma = np.sqrt(np.diag(proposed.covariance))
    return dict(zip(LENS_NAMES, proposed.values, strict=True)), dict(
        zip(LENS_NAMES, sigma, strict=True)
    )


def propose(of: Photo, **options: float) -> StraightPhoto:
    return undistort(photo=of, arm="port", job=JobFacts(), options=Options(**options))


def codes(of: Photo) -> list[str]:
    return [note.code for note in propose(of).notes]


def test_the_photo_is_handed_on_unchanged() -> None:
    given = photo()
    straight = propose(given)
    assert straight.photo is given
    assert straight.arm == "port"
    assert straight.notes == ()


def test_both_ways_of_reckoning_lie_within_the_prior() -> None:
    value, sigma = lens(photo())
    by_side = 26.0 / 36.0 * 4032
    by_diagonal = 26.0 / math.hypot(36, 24) * math.hypot(4032, 3024)
    assert by_side < value["f"] < by_diagonal
    assert abs(by_side - value["f"]) < sigma["f"]
    assert 0.025 < sigma["f"] / value["f"] < 0.04


def test_film_of_three_by_two_has_one_way_of_reckoning() -> None:
    value, sigma = lens(photo(6000, 4000, focal_35mm=50.0, focal_mm=50.0))
    # A 3:2 frame that a phone cut from 4:3 is the other reading.
    assert value["f"] == pytest.approx(50 / 36 * 6000, rel=0.025)
    assert sigma["f"] / value["f"] < 0.035


# Focal length by the frame's long side, measured on real phones: 0.73 to 0.76 (own measurements).
@pytest.mark.parametrize("by_long_side", [0.73, 0.76])
def test_a_main_phone_lens_lies_within_two_sigma(by_long_side: float) -> None:
    value, sigma = lens(photo())
    assert abs(by_long_side * 4032 - value["f"]) < 2 * sigma["f"]
    value, sigma = lens(bare())
    assert abs(by_long_side * 1600 - value["f"]) < sigma["f"]


@pytest.mark.parametrize(
    ("size", "whole_long"),
    [((4032, 2268), 4032), ((3024, 3024), 4032), ((2268, 4032), 4032), ((2016, 1512), 2016)],
)
def test_frames_cut_in_the_camera_or_shrunk_keep_the_truth_within(
    size: tuple[int, int], whole_long: int
) -> None:
    value, sigma = lens(photo(*size))
    for truth in (26 / 36 * whole_long, 26 / math.hypot(36, 24) * whole_long * 1.25):
        assert abs(truth - value["f"]) < 1.6 * sigma["f"]


def test_digital_zoom_may_or_may_not_be_in_the_stated_length() -> None:
    value, sigma = lens(photo(digital_zoom=2.0))
    for zoom in (1.0, 2.0):
        assert abs(26 / 36 * 4032 * zoom - value["f"]) < 1.2 * sigma["f"]


def test_centre_and_distortion_are_where_and_as_wide_as_documented() -> None:
    value, sigma = lens(photo())
    assert (value["cx"], value["cy"], value["aspect"]) == (2015.5, 1511.5, 1.0)
    assert all(value[k] == 0 for k in ("k1", "k2", "k3", "p1", "p2"))
    assert (sigma["cx"], sigma["cy"]) == pytest.approx((30, 30))
    assert [sigma[k] for k in ("aspect", "k1", "k2", "k3", "p1", "p2")] == pytest.approx(
        [5e-4, 0.15, 0.4, 0.6, 1e-3, 1e-3]
    )
    _, small = lens(photo(1008, 756))
    assert small["cx"] == pytest.approx(7.5)


def test_a_photo_without_exif_works_and_says_so() -> None:
    value, sigma = lens(bare())
    assert value["f"] == pytest.approx(0.75 * 1600)
    assert sigma["f"] == pytest.approx(0.2 * value["f"])
    (note,) = propose(bare()).notes
    assert (note.code, note.severity) == ("no-exif", "warn")
    assert "messenger" in note.text
    assert propose(bare()).lens.basis == "no EXIF, wide guess"


def test_a_photo_cut_afterwards_has_a_wide_centre() -> None:
    stated = photo(3000, 2900, size_px=(4032, 3024))
    odd = photo(3000, 1100)
    for cut in (stated, odd):
        assert codes(cut) == ["cropped"]
        _, sigma = lens(cut)
        assert sigma["cx"] > 300
    assert codes(photo(2016, 1512, size_px=(4032, 3024))) == []
    assert codes(photo(3024, 4032, size_px=(4032, 3024))) == []


def test_a_very_wide_lens_is_warned_of() -> None:
    assert codes(photo(focal_35mm=13.0)) == ["wide-lens"]


def test_photos_share_a_lens_only_when_all_facts_agree() -> None:
    same = propose(photo()).lens_group
    assert propose(photo(sha="ef" * 32)).lens_group == same
    for other in (
        photo(focal_35mm=52.0),
        photo(focal_mm=6.0),
        photo(model="D-2"),
        photo(2016, 1512),
        photo(digital_zoom=2.0),
    ):
        assert propose(other).lens_group != same
    assert propose(bare(sha="01" * 32)).lens_group != propose(bare(sha="02" * 32)).lens_group


def test_beliefs_are_options() -> None:
    _, sigma = lens(photo(), centre_px=60.0)
    assert sigma["cx"] == pytest.approx(60)
    _, wide = lens(bare(), guess_percent=40.0)
    assert wide["f"] == pytest.approx(0.4 * 1200)
