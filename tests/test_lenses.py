"""Lenses measured from drawn photos whose lens is known, stored, and used again."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flat_benches import laid
from PIL import Image, TiffImagePlugin

from spilemark import cli
from spilemark.cards import shop_cards
from spilemark.conductor import read_photos, survey_photos
from spilemark.errors import UnreadableInput, UsageError, WouldOverwrite
from spilemark.jobfile import order_from
from spilemark.lens import LENS_NAMES
from spilemark.lenses import (
    LensProfile,
    find_lens,
    profile_of,
    read_lenses,
    sigmas,
    store_lens,
)
from spilemark.recipe import prepare, standard_recipe
from spilemark.records import CameraFacts, JobFacts, Photo, PlaneMap, Survey
from spilemark.results import JobRequest
from spilemark.testing.bench import look_at
from spilemark.testing.scenes import DrawnScene, Look, draw_scene
from spilemark_stages.undistort.exif_prior import Options, undistort

SIZE = (1600, 1200)
TRUE_LENS = np.array([1250.0, 1.0002, 806.0, 594.0, 0.09, -0.16, 3e-4, -2e-4, 0.0])
VIEWS = (
    # tilt, azimuth, roll (degrees), distance mm
    (2.0, 0.0, 0.0, 800.0),
    (22.0, 30.0, 4.0, 850.0),
    (20.0, 150.0, -5.0, 820.0),
    (24.0, 270.0, 92.0, 800.0),
)
PLACES = ((-250, 150), (0, 170), (250, 140), (-260, -150), (10, -165), (240, -150))


def shot(tilt: float, azimuth: float, roll: float, distance: float) -> PlaneMap:
    rotation, translation = look_at(np.zeros(3), distance, tilt, azimuth, roll)
    return PlaneMap(
        lens=TRUE_LENS,
        rotation_rad=rotation,
        translation_mm=translation,
        height_mm=0.0,
        gain=np.zeros((16, 0)),
    )


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The same six cards from four sides, by a phone that says what it is."""
    folder = tmp_path_factory.mktemp("lens")
    cards = [
        laid(name, at, float(np.degrees(0.3 * k)), lift_mm=0.1)
        for k, (name, at) in enumerate(zip("ABCDEF", PLACES, strict=True))
    ]
    paths = []
    for k, view in enumerate(VIEWS):
        scene = draw_scene([], shot(*view), SIZE, cards=cards, look=Look(noise=1.0, seed=k))
        paths.append(folder / f"{k}.jpg")
        _saved(paths[-1], scene)
    return paths


def _saved(path: Path, scene: DrawnScene) -> None:
    """A drawn photo as a file that says which phone took it."""
    exif = Image.Exif()
    exif[271], exif[272] = "Works", "Pocket 4"
    tags = exif.get_ifd(0x8769)
    tags[37386], tags[41989] = TiffImagePlugin.IFDRational(54, 10), 28
    Image.fromarray(scene.photo.pixels).save(path, quality=97, exif=exif)


@pytest.fixture(scope="module")
def store(photos: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("store") / "lenses.toml"
    words = ["lens", "measure", "pocket", *map(str, photos), "--file", str(path)]
    assert cli.main([*words, "--date", "2026-05-14", "--printed-bar", "100 x 100"]) == 0
    return path


@pytest.fixture
def as_settings(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SPILEMARK_CONFIG", str(store.parent))


def photo_like(profile: LensProfile, scale: float = 1.0, **facts: Any) -> Photo:
    size = (round(profile.height_px * scale), round(profile.width_px * scale))
    known = {"make": profile.make, "model": profile.model, "focal_mm": profile.focal_mm}
    camera = CameraFacts(**(known | {"focal_35mm": profile.focal_35mm} | facts))
    return Photo(
        path=Path("p.jpg"), sha256="ab" * 32, pixels=np.zeros(size, np.uint8), camera=camera
    )


def test_the_lens_is_found_within_what_it_says_of_itself(store: Path) -> None:
    profile = find_lens("pocket", store)
    off = np.array(profile.values) - TRUE_LENS
    doubt = np.sqrt(np.diag(profile.lens_for(photo_like(profile)).covariance))
    assert (np.abs(off) < 3.0 * doubt).all(), dict(zip(LENS_NAMES, off / doubt, strict=True))
    assert sigmas(profile)[0] / profile.values[0] < 0.004
    assert sigmas(profile)[2] < 8.0
    assert (profile.make, profile.model, profile.focal_35mm) == ("Works", "Pocket 4", 28.0)
    assert (profile.photos, profile.measured) == (4, dt.date(2026, 5, 14))


def test_what_is_stored_is_read_back(store: Path, tmp_path: Path) -> None:
    (profile,) = read_lenses(store)
    copy = tmp_path / "copy.toml"
    odd = replace(profile, name="Möwe 2", make='a "quoted" \\ one')
    store_lens(profile, copy)
    store_lens(odd, copy)
    assert read_lenses(copy) == tuple(sorted((profile, odd), key=lambda p: p.name))
    with pytest.raises(WouldOverwrite):
        store_lens(profile, copy)
    assert read_lenses(tmp_path / "none.toml") == ()


def test_a_photo_never_counts_as_better_known_than_focus_and_stabiliser_allow(
    store: Path,
) -> None:
    profile = find_lens("pocket", store)
    perfect = replace(profile, covariance=np.zeros((9, 9)).tolist())
    lens = perfect.lens_for(photo_like(perfect))
    assert np.sqrt(lens.covariance[0, 0]) / lens.values[0] == pytest.approx(0.003)
    assert np.sqrt(lens.covariance[2, 2]) == pytest.approx(6.0 * 1600 / 4032)
    assert np.linalg.eigvalsh(lens.covariance).min() > 0


def test_a_shrunk_photo_gets_the_lens_shrunk_alike(store: Path) -> None:
    """A point seen at (x, y) in the whole frame is seen at ((x + 0.5) / 2 - 0.5, ...) in its half."""
    profile = find_lens("pocket", store)
    whole = profile.lens_for(photo_like(profile))
    half = profile.lens_for(photo_like(profile, 0.5, make="", model="", focal_mm=None))
    assert half.values[0] == pytest.approx(whole.values[0] / 2)
    assert half.values[2:4] == pytest.approx((whole.values[2:4] + 0.5) / 2 - 0.5)
    assert half.values[4:] == pytest.approx(whole.values[4:])
    assert half.covariance[2, 2] == pytest.approx(whole.covariance[2, 2] / 4, rel=1e-6)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"model": "Pocket 5"}, "Pocket 5"),
        ({"focal_mm": 2.2}, "2.2 mm"),
        ({"focal_35mm": 13.0}, "13 mm"),
    ],
)
def test_another_lens_is_not_taken_for_it(
    store: Path, as_settings: None, facts: dict[str, Any], words: str
) -> None:
    profile = find_lens("pocket", store)
    photo = photo_like(profile, **facts)
    assert words in profile.fits(photo)
    straight = undistort(photo=photo, arm="port", job=JobFacts(lens="pocket"), options=Options())
    assert "stored-lens-not-used" in [note.code for note in straight.notes]
    assert "stored lens" not in straight.lens.basis


def test_a_frame_of_another_shape_or_standing_is_not_taken_for_it(store: Path) -> None:
    profile = find_lens("pocket", store)
    square = replace(photo_like(profile), pixels=np.zeros((1200, 1200), np.uint8))
    standing = replace(photo_like(profile), pixels=np.zeros((1600, 1200), np.uint8))
    assert "1200 x 1200" in profile.fits(square)
    assert "1200 x 1600" in profile.fits(standing)


def test_photos_that_fit_share_the_stored_lens(store: Path, as_settings: None) -> None:
    profile = find_lens("pocket", store)
    job = JobFacts(lens="pocket")
    one, other = (
        undistort(photo=photo_like(profile), arm=arm, job=job, options=Options())
        for arm in ("port", "starboard")
    )
    assert one.lens_group == other.lens_group
    assert one.lens.basis == "stored lens pocket"
    assert not one.notes


def test_an_update_starts_from_what_was_known(
    store: Path, photos: list[Path], tmp_path: Path
) -> None:
    path = tmp_path / "lenses.toml"
    # As stored before hashes were kept: nothing says that these photos were used.
    store_lens(replace(find_lens("pocket", store), used=[]), path)
    words = ["lens", "measure", "pocket", *map(str, photos[:3]), "--file", str(path)]
    assert cli.main(words) == 6
    assert cli.main([*words, "--update"]) == 0
    before, after = find_lens("pocket", store), find_lens("pocket", path)
    assert after.photos == before.photos + 3
    assert len(after.used) == 3
    alone = tmp_path / "alone.toml"
    assert cli.main([*words[:-1], str(alone)]) == 0
    assert sigmas(after)[0] < sigmas(find_lens("pocket", alone))[0]


def test_a_stored_lens_narrows_what_one_photo_says(
    store: Path, photos: list[Path], as_settings: None
) -> None:
    doubts = []
    for name in ("", "pocket"):
        order = order_from(
            {"port": {"photos": [str(photos[0])]}} | ({"lens": name} if name else {}), "here"
        )
        request = JobRequest(facts=order.facts, photos=order.photos, card_set=shop_cards())
        kitchen = prepare(standard_recipe())
        survey = survey_photos(request, kitchen, read_photos(request, kitchen))
        doubts.append(np.linalg.norm(survey.views[0].plane.gain[0]))
        assert "stored-lens-off" not in [note.code for note in survey.notes]
    assert doubts[1] < 0.5 * doubts[0]


def _surveyed(photo: Path, lens: str = "") -> Survey:
    order = order_from(
        {"port": {"photos": [str(photo)]}} | ({"lens": lens} if lens else {}), "here"
    )
    request = JobRequest(facts=order.facts, photos=order.photos, card_set=shop_cards())
    kitchen = prepare(standard_recipe())
    return survey_photos(request, kitchen, read_photos(request, kitchen))


def test_a_photo_by_another_lens_is_measured_as_if_none_were_stored(
    store: Path, photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No card is accused of what the lens did, and one note says what was done."""
    profile = find_lens("pocket", store)
    values = [*profile.values]
    values[4], values[5] = -0.05, 0.02
    store_lens(replace(profile, values=values), tmp_path / "lenses.toml")
    monkeypatch.setenv("SPILEMARK_CONFIG", str(tmp_path))
    told, plain = _surveyed(photos[1], "pocket"), _surveyed(photos[1])
    assert told.views[0].plane.lens == pytest.approx(plain.views[0].plane.lens, rel=1e-9)
    assert told.scale.sigma_relative == pytest.approx(plain.scale.sigma_relative)
    assert told.views[0].straight.lens.basis == plain.views[0].straight.lens.basis
    more = [note for note in told.notes if note.code not in {n.code for n in plain.notes}]
    assert [note.code for note in more] == ["stored-lens-not-used"]
    assert "another lens took it" in more[0].text
    assert not [n for n in told.notes if n.code.startswith("card-")]


@pytest.mark.parametrize(("by", "more"), [(0.994, -0.02), (1.006, 0.015), (0.99, -0.03)])
def test_a_lens_that_is_nearly_the_stored_one_costs_no_card(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by: float, more: float
) -> None:
    """Another phone of the same make: what its lens bends otherwise is not put down to a card."""
    values = [*find_lens("pocket", store).values]
    values[0], values[4] = by * values[0], values[4] + more
    store_lens(replace(find_lens("pocket", store), values=values), tmp_path / "lenses.toml")
    monkeypatch.setenv("SPILEMARK_CONFIG", str(tmp_path))
    cards = [
        laid(n, PLACES[k], 40.0 * k, lift_mm=0.1) for n, k in zip("ABEF", (0, 1, 4, 5), strict=True)
    ]
    photo = tmp_path / "few.jpg"
    _saved(photo, draw_scene([], shot(*VIEWS[0]), SIZE, cards=cards, look=Look(noise=1.0, seed=9)))
    told, plain = _surveyed(photo, "pocket"), _surveyed(photo)
    assert told.views[0].plane.lens == pytest.approx(plain.views[0].plane.lens, rel=1e-9)
    assert "stored-lens-not-used" in [note.code for note in told.notes]
    assert not [n for n in told.notes if n.code.startswith("card-")]


def test_a_lens_that_new_photos_do_not_bear_out_is_not_updated_by_them(
    store: Path, photos: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profile = find_lens("pocket", store)
    values = [*profile.values]
    values[4], values[5] = -0.05, 0.02
    path = tmp_path / "lenses.toml"
    store_lens(replace(profile, values=values, used=[]), path)
    before = path.read_bytes()
    words = ["lens", "measure", "pocket", *map(str, photos[:3]), "--file", str(path), "--update"]
    assert cli.main(words) == 2
    assert "does not look as if taken with the stored lens pocket" in capsys.readouterr().err
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["my/phone", "0.jpg"], 2, "letters, digits"),
        (["pocket", "0.jpg"], 6, "stored already"),
        (["new"], 2, "Name 3 or more photos"),
    ],
)
def test_a_name_that_cannot_be_kept_costs_no_work(
    words: list[str], code: int, said: str, store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The photos named do not even exist."""
    assert cli.main(["lens", "measure", *words, "--file", str(store)]) == code
    heard = capsys.readouterr().err
    assert said in heard
    assert "--port" not in heard
    assert "reading" not in heard


def test_grainy_photos_of_flat_cards_tell_a_lens_and_are_told(
    photos: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(5)
    grainy = []
    for path in photos[:3]:
        clean = Image.open(path)
        rough = np.asarray(clean) + rng.normal(0, 22, np.asarray(clean).shape)
        grainy.append(tmp_path / path.name)
        Image.fromarray(np.clip(rough, 0, 255).astype(np.uint8)).save(
            grainy[-1], quality=97, exif=clean.getexif()
        )
    out = tmp_path / "lenses.toml"
    words = ["lens", "measure", "rough", *map(str, grainy), "--file", str(out)]
    assert cli.main([*words, "--printed-bar", "100,100"]) == 0
    assert "The photos are grainy" in capsys.readouterr().out
    profile = find_lens("rough", out)
    assert abs(profile.values[0] - TRUE_LENS[0]) < 3.0 * sigmas(profile)[0]


def test_a_photo_counts_once_for_a_lens(
    store: Path, photos: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    before = store.read_bytes()
    words = ["lens", "measure", "pocket", "--file", str(store), "--update"]
    assert cli.main([*words, *map(str, photos[:2])]) == 2
    assert 'The lens "pocket" was measured by 0.jpg and 1.jpg already' in capsys.readouterr().err
    assert store.read_bytes() == before
    assert cli.main(["lens", "measure", "n", *map(str, [photos[0], photos[1], photos[0]])]) == 2
    heard = capsys.readouterr().err
    assert "The same photo was given twice: 0.jpg and 0.jpg. Give each photo once." in heard
    assert "--both" not in heard


def test_a_name_twice_in_a_file_of_lenses_is_told_before_one_is_lost(
    store: Path, tmp_path: Path
) -> None:
    twice = tmp_path / "lenses.toml"
    entry = store.read_text()[store.read_text().index("[[lens]]") :]
    twice.write_text(entry + "\n" + entry)
    for do in (read_lenses, lambda path: store_lens(find_lens("pocket", store), path, force=True)):
        with pytest.raises(UsageError, match='has 2 lenses of the name "pocket"'):
            do(twice)


def test_two_photos_cannot_tell_a_lens(photos: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "lenses.toml"
    words = ["lens", "measure", "two", *map(str, photos[:2]), "--file", str(out)]
    assert cli.main(words) == 2
    assert not out.exists()


def test_photos_of_two_lenses_are_told_apart(photos: list[Path], tmp_path: Path) -> None:
    other = tmp_path / "other.jpg"
    Image.open(photos[2]).save(other, quality=97)
    order = order_from({"port": {"photos": [*map(str, photos[:2]), str(other)]}}, "here")
    request = JobRequest(facts=order.facts, photos=order.photos, card_set=shop_cards())
    kitchen = prepare(standard_recipe())
    survey = survey_photos(request, kitchen, read_photos(request, kitchen))
    with pytest.raises(UsageError, match="not taken with the same lens"):
        profile_of("mixed", survey.views)


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [
        ("[[lens]]\nname = 1", UsageError, "name|missing"),
        ("lens = 3", UsageError, "no list of lenses"),
        ("[[lens", UnreadableInput, "slip of the pen"),
        ("[[glass]]\n", UsageError, "unknown key"),
    ],
)
def test_a_damaged_store_is_told(
    text: str, error: type[Exception], words: str, tmp_path: Path
) -> None:
    path = tmp_path / "lenses.toml"
    path.write_text(text)
    with pytest.raises(error, match=words):
        read_lenses(path)


def test_numbers_that_are_no_lens_are_refused(store: Path) -> None:
    profile = find_lens("pocket", store)
    negative = np.diag([-1.0] * 9).tolist()
    for wrong in ({"values": [1.0]}, {"covariance": negative}, {"name": "../x"}):
        with pytest.raises(ValueError, match=r"lens|covariance|numbers"):
            replace(profile, **wrong)


def test_an_unknown_lens_is_told_before_a_photo_is_read(as_settings: None) -> None:
    with pytest.raises(UsageError, match='Did you mean "pocket"'):
        order_from({"port": {"photos": ["x.jpg"]}, "lens": "poket"}, "here")


def test_the_list_of_lenses(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["lens", "list", "--file", str(store)]) == 0
    assert "Works Pocket 4  1600 x 1200 px  4 photos  2026-05-14" in capsys.readouterr().out


def test_of_several_taped_distances_the_longest_is_named_and_the_rest_counted(
    photos: list[Path],
) -> None:
    crosses = dict(zip("ABCDEF", np.array(PLACES, float), strict=True))
    taped = [
        f"{one}-{other} = {np.linalg.norm(crosses[one] - crosses[other]):.2f} mm"
        for one, other in (("A", "B"), ("A", "F"), ("C", "E"))
    ]
    order = order_from({"port": {"photos": [str(photos[1])]}, "distances": taped}, "here")
    request = JobRequest(facts=order.facts, photos=order.photos, card_set=shop_cards())
    kitchen = prepare(standard_recipe())
    survey = survey_photos(request, kitchen, read_photos(request, kitchen))
    assert survey.scale.words.startswith("taped A-F ")
    assert survey.scale.words.endswith(", and 2 more")
