from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from surveys import lens_prior

from spilemark.cards import Card, CardSet, shop_cards
from spilemark.errors import NoScale
from spilemark.job import with_battens
from spilemark.jobfile import order_from
from spilemark.records import JobFacts, Photo, ScaleBasis, StraightPhoto
from spilemark.testing.bench import LaidCard
from spilemark.testing.scenes import DrawnScene, Look, draw_scene, simple_plane
from spilemark.testing.shapes import quarter_knee
from spilemark_stages.rectify.card_survey import Options, rectify
from spilemark_stages.rectify.measure import measure_photo
from spilemark_stages.rectify.sharpness import edge_width_px

SIZE = (1600, 1200)
PLACES = ((-250.0, 130.0, 0.3), (240.0, 150.0, -1.1), (-230.0, -150.0, 2.0), (225.0, -130.0, 0.1))


def laid(card_set: CardSet, count: int = 4) -> list[LaidCard]:
    return [
        LaidCard(
            card=card,
            centre_mm=np.array(place[:2]),
            turn_rad=place[2],
            base_mm=0.0,
            lift_mm=0.2,
            bow_mm=0.1,
            print_scale=(1.0, 1.0),
            shear=0.0,
        )
        for card, place in zip(card_set.cards, PLACES[:count], strict=False)
    ]


def straight(scene: DrawnScene, arm: str = "port") -> StraightPhoto:
    photo = scene.photo
    focal = float(scene.plane.lens[0]) * 1.02
    lens = lens_prior(focal, (photo.width_px, photo.height_px))
    return StraightPhoto(photo=photo, lens=lens, lens_group="phone", arm=arm)


def drawn(
    look: Look | None = None, tilt: float = 12.0, count: int = 4, **more: object
) -> DrawnScene:
    plane = simple_plane(width_px=SIZE[0], height_px=SIZE[1], mm_per_px=0.42, tilt_deg=tilt)
    knee = quarter_knee()
    knee = (knee - knee.mean(axis=0)) * 0.55
    return draw_scene([knee], plane, SIZE, cards=laid(shop_cards(), count), look=look, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("look", "most_px"),
    [
        (Look(blur_px=0.7), 0.04),
        (Look(blur_px=1.2, noise=2.0), 0.10),
        (Look(blur_px=0.8, falloff=0.5, noise=1.0), 0.06),
    ],
)
def test_crossings_are_where_they_were_drawn(look: Look, most_px: float) -> None:
    scene = drawn(look)
    seen = measure_photo(straight(scene), shop_cards(), "a")
    assert len(seen.cards) == 4
    errors = []
    for card in seen.cards:
        truth = scene.crossings_px(next(c for c in scene.cards if c.card.name == card.card.name))
        errors.append(card.points_px - truth[card.which])
        assert len(card.which) == len(truth)
    error = np.concatenate(errors)
    assert np.sqrt((error**2).mean()) < most_px
    # A bias would not average away: it must be far below the noise.
    assert np.abs(error.mean(axis=0)).max() < 0.02


def foreign(columns: int, rows: int) -> CardSet:
    square = 18.0
    cards = tuple(
        Card(
            name=name, columns=columns, rows=rows, square_mm=square, marker_mm=13.0, first_id=20 * k
        )
        for k, name in enumerate("WXYZ")
    )
    return CardSet(name="foreign", dictionary=shop_cards().dictionary, cards=cards)


@pytest.mark.parametrize(("columns", "rows"), [(9, 3), (9, 2), (5, 7)])
def test_boards_of_other_shapes(columns: int, rows: int) -> None:
    cards = foreign(columns, rows)
    plane = simple_plane(width_px=SIZE[0], height_px=SIZE[1], mm_per_px=0.45, tilt_deg=8.0)
    scene = draw_scene([], plane, SIZE, cards=laid(cards))
    survey = rectify((straight(scene),), cards, JobFacts(thickness_mm=3.0), Options())
    assert len(survey.views[0].cards) == 4
    assert survey.views[0].residual_rms_px < 0.1


def test_survey_of_a_drawn_photo() -> None:
    scene = drawn(count=4)
    cross = {c.card.name: c.cross_world for c in scene.cards}
    names = sorted(cross)
    apart = float(np.linalg.norm(cross[names[0]] - cross[names[3]]))
    job = JobFacts(
        thickness_mm=scene.plane.height_mm, distances=((names[0], names[3], apart, 0.2),)
    )
    survey = rectify((straight(scene),), shop_cards(), job, Options())
    assert survey.scale.basis is ScaleBasis.TAPED
    assert survey.scale.print_scale == pytest.approx((1.0, 1.0), abs=0.001)
    seen = {c.name: c for c in survey.views[0].cards}
    solved = float(np.linalg.norm(seen[names[0]].cross_mm - seen[names[3]].cross_mm))
    assert solved == pytest.approx(apart, abs=0.1)
    for card in survey.views[0].cards:
        # Drawn in true light: black edges are seen where their crossings put them.
        assert card.edge_shift_px == pytest.approx(0.0, abs=0.08)
        # A pixel is 0.42 mm in the middle of the picture, tilted by 12 degrees.
        assert card.edge_shift_mm == pytest.approx(0.42 * card.edge_shift_px, rel=0.15)
    assert not [n for n in survey.notes if n.severity == "warn"]


def test_each_side_is_measured_with_its_own_thickness_and_its_own_doubt() -> None:
    port = drawn(count=4)
    other = dataclasses.replace(straight(drawn(count=4)), arm="starboard")
    job = JobFacts(thickness_of_arm={"port": (6.18, 0.1), "starboard": (6.03, 0.1)})
    survey = rectify((straight(port), other), shop_cards(), job, Options())
    assert [round(v.plane.height_mm, 2) for v in survey.views] == [6.18, 6.03]
    assert not [n for n in survey.notes if n.code == "thickness-assumed"]
    kinds = [c.id for c in survey.causes if c.kind == "face height"]
    assert kinds == ["face-height:port", "face-height:starboard"]
    # One side alone may be told; of the other it is assumed, and said.
    half = JobFacts(thickness_of_arm={"port": (6.18, 0.1)})
    survey = rectify((straight(port), other), shop_cards(), half, Options())
    assert [round(v.plane.height_mm, 2) for v in survey.views] == [6.18, 3.0]
    assert [n for n in survey.notes if n.code == "thickness-assumed"]


def test_nothing_measured_is_said() -> None:
    survey = rectify((straight(drawn()),), shop_cards(), JobFacts(), Options())
    assert survey.scale.basis is ScaleBasis.NOMINAL
    assert {"scale-nominal", "thickness-assumed"} <= {n.code for n in survey.notes}


def test_a_batten_is_the_best_basis_and_said_without_many_digits() -> None:
    scene = drawn(count=4)
    cross = {c.card.name: c.cross_world for c in scene.cards}
    apart = float(np.linalg.norm(cross["A"] - cross["D"]))
    for text, basis, doubt in (
        ("battens", ScaleBasis.BATTEN, "give or take 0.1 mm"),
        ("distances", ScaleBasis.TAPED, "give or take 0.29 mm"),
    ):
        table = {"port": {"photos": ["p.jpg"]}, text: [f"A-D={apart:.3f}mm"], "thickness": 3.0}
        order = order_from(table, "The job file job.toml")
        cards = with_battens(shop_cards(), order.battens)
        survey = rectify((straight(scene),), cards, order.facts, Options())
        assert survey.scale.basis is basis
        assert survey.scale.words.endswith(doubt)


@pytest.mark.parametrize(
    ("distance", "words"),
    [
        (("A", "U"), "The distance A-U was not used: card U was not read in drawn.png."),
        (("T", "U"), "cards T and U were not read in drawn.png."),
        (("starboard:A", "B"), "there is no photo of starboard."),
    ],
)
def test_a_length_that_was_not_used_names_the_card_that_is_missing(
    distance: tuple[str, str], words: str
) -> None:
    job = JobFacts(thickness_mm=3.0, distances=((*distance, 700.0, 0.2),))
    survey = rectify((straight(drawn()),), shop_cards(), job, Options())
    (note,) = [n for n in survey.notes if n.code == "distance-not-seen"]
    assert words in note.text.replace(survey.views[0].straight.photo.path.name, "drawn.png")


def test_one_card_is_said() -> None:
    survey = rectify((straight(drawn(count=1)),), shop_cards(), JobFacts(), Options())
    assert "one-card" in {n.code for n in survey.notes}


def of_pixels(pixels: np.ndarray) -> StraightPhoto:
    scene = drawn(count=1)
    photo = Photo(path=scene.photo.path, sha256="", pixels=pixels)
    return dataclasses.replace(straight(scene), photo=photo)


@pytest.mark.parametrize("blur_px", [0.8, 1.5, 3.0])
def test_the_width_of_an_edge_is_told_whatever_its_height(blur_px: float) -> None:
    # A disc's rim has edges in every direction; its blur is drawn, so known.
    y, x = np.mgrid[:600, :600]
    rim = np.clip(200.5 - np.hypot(y - 300, x - 300), 0.0, 1.0)
    for height in (40.0, 160.0):
        grey = cv2.GaussianBlur(60 + height * rim, (0, 0), blur_px)
        found = edge_width_px(np.round(grey).astype(np.uint8))
        assert found == pytest.approx(blur_px, abs=0.3)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        # The cause stands first; that no card was read is what came of it.
        ("dark", r"^\S+ is very dark: no scale card"),
        ("white", r"^\S+ is washed out: no scale card"),
        ("blur", r"^\S+ is blurred: no scale card.*Rest the elbows"),
        ("moved", r"^\S+ is blurred: no scale card"),
        ("none", "--cards"),
        ("smooth bench", "^(?!.*blurred).*--cards"),
        ("grey", "Lay at least one printed card.*may be blurred"),
    ],
)
def test_no_card_says_why(case: str, words: str) -> None:
    rng = np.random.default_rng(1)
    texture = rng.integers(60, 190, (1200, 1600), dtype=np.uint8)
    pixels = {
        "dark": texture // 12,
        "white": np.full((1200, 1600), 253, np.uint8),
        "blur": drawn(Look(blur_px=14.0)).photo.pixels.copy(),
        "moved": cv2.blur(drawn(Look(blur_px=0.8)).photo.pixels, (25, 1)),
        "none": texture,
        # A smooth bench has little detail, and that says nothing of focus.
        "smooth bench": drawn(Look(blur_px=0.8, noise=1.0), count=0).photo.pixels,
        "grey": np.full((1200, 1600), 120, np.uint8),
    }[case]
    with pytest.raises(NoScale, match=words):
        rectify((of_pixels(pixels),), shop_cards(), JobFacts(), Options())
