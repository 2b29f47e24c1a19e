"""An exact camera without images.

Draws a world (lens, photos, cards with their lift, bow and print scale, a
pattern, and what a person measured of it) and hands on what a card finder and a
tracer would report: noisy crossings and noisy outline points in stored pixels.
So the survey and its claimed doubt can be tested on hundreds of worlds a minute.

Frame: bench top z = 0, z towards the camera, millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from spilemark import lens as camera
from spilemark.cards import CardSet
from spilemark.frames import outward_normals, signed_area
from spilemark.records import Floats, JobFacts, PlaneMap
from spilemark.testing.bench import LaidCard, free_place, look_at
from spilemark.testing.metrics import resample_ring

LensKind = Literal["raw", "corrected"]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldRules:
    """How worlds are drawn: ranges are even, ``_sd`` are one sigma of a normal spread.

    The defaults are phones and benches as they are; whatever the survey does
    not model (``print_shear_sd``, ``warp_mm``, ``outliers``) is off.
    """

    frame_px: tuple[int, int] = (4032, 3024)
    lens_kinds: tuple[LensKind, ...] = ("raw", "corrected")
    focal_px: Range = (2950.0, 3300.0)
    """What the file's EXIF says; the truth differs by ``focal_sd`` (relative)."""
    focal_sd: float = 0.01
    aspect_sd: float = 2e-4
    centre_sd_px: float = 12.0
    tangential_sd: float = 3e-4
    focal_per_photo_sd: float = 0.003
    centre_per_photo_sd_px: float = 6.0
    photos: int = 1
    tilt_deg: Range = (0.0, 20.0)
    nearest_mm: Range = (750.0, 1100.0)
    margin: float = 0.035
    """Free border of the frame round everything, as a share of the frame."""
    cards: tuple[int, int] = (4, 8)
    """Fewest and most."""
    cards_on: Literal["bench", "pattern"] = "bench"
    gap_mm: Range = (10.0, 40.0)
    print_scale_sd: float = 0.002
    print_shear_sd: float = 0.0
    lift_mean_mm: float = 0.2
    lift_sd_mm: float = 0.15
    bow_mean_mm: float = 0.2
    bow_sd_mm: float = 0.15
    thickness_mm: Range = (0.4, 6.0)
    warp_mm: float = 0.0
    """How far the pattern's far ends stand higher than its middle."""
    bend_sd_mm: float = 0.0
    """How far its ends stand off for each way of bending (along, across, twist) and of tilting."""
    sawn_edge_sd_mm: float = 0.0
    """What "the edge" of a sawn sheet is: the same in all photos."""
    crossing_noise_px: float = 0.07
    outliers: float = 0.0
    """Share of crossings that are wrong by 1 to 30 px."""
    outline_step_mm: float = 3.0
    edge_noise_px: float = 0.15
    """Independent from point to point, across the edge."""
    edge_bias_sd_px: float = 0.15
    """Common to a photo's whole outline, outwards."""
    edge_bias_common: float = 0.5
    """Share of its variance that all photos of a world have in common (one phone, one light)."""
    caliper_sd_mm: float = 0.05
    bar_sd_mm: float = 0.05
    tape_sd_mm: float = 0.2
    tapes: int = 2
    """How many of the longest card-to-card distances were taped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """One simulated photo: its true camera and what would be measured in it."""

    lens: Floats
    """(9,) true, in ``spilemark.lens.LENS_NAMES`` order."""
    rotation_rad: Floats
    translation_mm: Floats
    frame_px: tuple[int, int]
    exif_focal_px: float
    """What the file says of the focal length."""
    crossings_px: Mapping[str, Floats]
    """Card name to (M, 2), row by row, noisy."""
    outline_px: Floats
    """(N, 2), noisy, belonging point by point to ``World.outline_mm``."""
    edge_bias_px: float

    def plane(self, height_mm: float) -> PlaneMap:
        """The true map to the plane z = ``height_mm``, free of doubt."""
        return PlaneMap(
            lens=self.lens,
            rotation_rad=self.rotation_rad,
            translation_mm=self.translation_mm,
            height_mm=height_mm,
            gain=np.zeros((16, 0)),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class World:
    """One drawn world."""

    kind: LensKind
    card_set: CardSet
    """Only the cards that lie there."""
    cards: tuple[LaidCard, ...]
    outline_mm: Floats
    """(N, 2) true, on the pattern's face."""
    face_mm: float
    """Height of the face above the bench."""
    shots: tuple[Shot, ...]
    job: JobFacts
    """What the person measured, with a person's errors."""


def draw_world(
    rules: WorldRules, ring_mm: Floats, card_set: CardSet, rng: np.random.Generator
) -> World:
    """Draw one world.

    Parameters
    ----------
    ring_mm : (M, 2)
        Outer edge of the pattern, any place and turn; it is laid down at random.
    card_set
        Cards to choose from.
    """
    outline = _lay(resample_ring(ring_mm, rules.outline_step_mm), rng)
    thickness = float(rng.uniform(*rules.thickness_mm))
    cards = _lay_cards(rules, outline, card_set, thickness, rng)
    rise = _warp(outline, rules.warp_mm, rng) + _bend(outline, rules.bend_sd_mm, rng)
    solid = np.column_stack([_sawn(outline, rules.sawn_edge_sd_mm, rng), thickness + rise])
    kind = rules.lens_kinds[int(rng.integers(len(rules.lens_kinds)))]
    exif_focal = float(rng.uniform(*rules.focal_px))
    phone = _phone(kind, exif_focal, rules, rng)
    common = 0.0
    if rules.photos > 1:
        common = float(rng.normal(0, rules.edge_bias_sd_px * np.sqrt(rules.edge_bias_common)))
    shots = tuple(
        _shoot(rules, _this_photo(phone, rules, rng), exif_focal, solid, cards, common, rng)
        for _ in range(rules.photos)
    )
    return World(
        kind=kind,
        card_set=CardSet(
            name=card_set.name,
            dictionary=card_set.dictionary,
            cards=tuple(laid.card for laid in cards),
        ),
        cards=cards,
        outline_mm=outline,
        face_mm=thickness,
        shots=shots,
        job=_person(rules, cards, thickness, rng),
    )


def _lay(ring: Floats, rng: np.random.Generator) -> Floats:
    """Turn a ring at random, centre it, make it anticlockwise."""
    p = ring if signed_area(ring) > 0 else ring[::-1]
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray((p - p.mean(0)) @ np.array([[c, s], [-s, c]]))


def _warp(outline: Floats, warp_mm: float, rng: np.random.Generator) -> Floats:
    """Height (N,) of a sheet bent about a random line through its middle."""
    way = rng.uniform(0, 2 * np.pi)
    along = (outline - outline.mean(0)) @ np.array([np.cos(way), np.sin(way)])
    return np.asarray(warp_mm * (along / np.abs(along).max()) ** 2)


def _bend(outline: Floats, sd_mm: float, rng: np.random.Generator) -> Floats:
    """Height (N,) of a sheet bent and tilted a little in every way of low order."""
    if not sd_mm:
        return np.zeros(len(outline))
    local = outline - 0.5 * (outline.min(0) + outline.max(0))
    axes = np.linalg.svd(local, full_matrices=False)[2]
    u, v = (local @ axes.T / np.abs(local @ axes.T).max(0)).T
    ways = np.stack([u * u, v * v, u * v, u, v], axis=-1)
    return np.asarray(ways @ rng.normal(0, sd_mm, ways.shape[1]))


def _sawn(outline: Floats, sd_mm: float, rng: np.random.Generator) -> Floats:
    """The edge (N, 2) as the saw shows it."""
    if not sd_mm:
        return outline
    return np.asarray(outline + outward_normals(outline) * rng.normal(0, sd_mm))


def _phone(
    kind: LensKind, exif_focal: float, rules: WorldRules, rng: np.random.Generator
) -> Floats:
    """A lens (9,): as the glass draws it ("raw"), or as left over by the phone's own correction."""
    if kind == "raw":
        k1 = rng.uniform(0.05, 0.20)
        k2 = -k1 * rng.uniform(1.4, 2.3)
        k3 = -k2 * rng.uniform(0.2, 0.5)
    else:
        k1 = rng.uniform(-0.02, 0.02)
        k2 = -k1 * rng.uniform(0.2, 0.8)
        k3 = 0.0
    width, height = rules.frame_px
    p1, p2 = rng.normal(0, rules.tangential_sd, 2)
    return np.array(
        [
            exif_focal * (1 + rng.normal(0, rules.focal_sd)),
            1 + rng.normal(0, rules.aspect_sd),
            (width - 1) / 2 + rng.normal(0, rules.centre_sd_px),
            (height - 1) / 2 + rng.normal(0, rules.centre_sd_px),
            k1,
            k2,
            p1,
            p2,
            k3,
        ]
    )


def _this_photo(phone: Floats, rules: WorldRules, rng: np.random.Generator) -> Floats:
    """The phone's lens as it is in one photo: focus and stabiliser move it."""
    lens = phone.copy()
    lens[0] *= 1 + rng.normal(0, rules.focal_per_photo_sd)
    lens[2:4] += rng.normal(0, rules.centre_per_photo_sd_px, 2)
    return lens


def _lay_cards(
    rules: WorldRules,
    outline: Floats,
    card_set: CardSet,
    thickness: float,
    rng: np.random.Generator,
) -> tuple[LaidCard, ...]:
    """Cards spread round the pattern, each as near as its gap allows; none touches another."""
    few, most = rules.cards
    count = min(int(rng.integers(few, most + 1)), len(card_set.cards))
    scale = 1 + rng.normal(0, rules.print_scale_sd, 2)
    shear = float(rng.normal(0, rules.print_shear_sd))
    first = rng.uniform(0, 2 * np.pi)
    places: list[Floats] = []
    laid: list[LaidCard] = []
    for k, pick in enumerate(rng.permutation(len(card_set.cards))[:count]):
        card = card_set.cards[int(pick)]
        way = first + 2 * np.pi * k / count + rng.uniform(-0.2, 0.2)
        radius = 0.5 * float(np.hypot(*card.size_mm))
        centre = free_place(outline, places, way, radius, float(rng.uniform(*rules.gap_mm)))
        places.append(centre)
        laid.append(
            LaidCard(
                card=card,
                centre_mm=centre,
                turn_rad=float(rng.uniform(0, 2 * np.pi)),
                base_mm=thickness if rules.cards_on == "pattern" else 0.0,
                lift_mm=float(abs(rng.normal(rules.lift_mean_mm, rules.lift_sd_mm))),
                bow_mm=float(rng.normal(rules.bow_mean_mm, rules.bow_sd_mm)),
                print_scale=(float(scale[0]), float(scale[1])),
                shear=shear,
            )
        )
    return tuple(laid)


def _aim(
    rules: WorldRules, lens: Floats, points: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """A pose in which all points (N, 3) lie in the frame."""
    tilt = float(rng.uniform(*rules.tilt_deg))
    azimuth, roll = (float(v) for v in rng.uniform(0, 360, 2))
    target = 0.5 * (points.min(0) + points.max(0))
    distance = float(rng.uniform(*rules.nearest_mm))
    frame = np.array(rules.frame_px, dtype=np.float64)
    for _ in range(400):
        pose = look_at(target, distance, tilt, azimuth, roll)
        seen = camera.project(points, lens, *pose)
        low, high = seen.min(0), seen.max(0)
        if (low > rules.margin * frame).all() and (high < (1 - rules.margin) * frame).all():
            return pose
        off = ((low + high) / 2 - frame / 2) / lens[0] * distance
        target = target + camera.rotation_matrix(pose[0]).T @ np.array([off[0], off[1], 0.0]) * 0.5
        target[2] = 0.0
        distance *= 1.01
    raise ValueError("the pattern and its cards do not fit into the frame from any sane distance")


def _shoot(
    rules: WorldRules,
    lens: Floats,
    exif_focal: float,
    solid: Floats,
    cards: tuple[LaidCard, ...],
    common_bias_px: float,
    rng: np.random.Generator,
) -> Shot:
    boards = {c.card.name: c.to_world(c.card.crossings_mm()) for c in cards}
    rotation, translation = _aim(rules, lens, np.concatenate([solid, *boards.values()]), rng)
    crossings = {
        name: _blemish(camera.project(p, lens, rotation, translation), rules, rng)
        for name, p in boards.items()
    }
    edge = camera.project(solid, lens, rotation, translation)
    # The image is y down: a ring that is anticlockwise on the bench runs clockwise in pixels.
    outward = -outward_normals(edge)
    own = 1.0 if rules.photos == 1 else np.sqrt(1.0 - rules.edge_bias_common)
    bias = common_bias_px + float(rng.normal(0, own * rules.edge_bias_sd_px))
    across = bias + rng.normal(0, rules.edge_noise_px, len(edge))
    return Shot(
        lens=lens,
        rotation_rad=rotation,
        translation_mm=translation,
        frame_px=rules.frame_px,
        exif_focal_px=exif_focal,
        crossings_px=crossings,
        outline_px=edge + outward * across[:, None],
        edge_bias_px=bias,
    )


def _blemish(pixels: Floats, rules: WorldRules, rng: np.random.Generator) -> Floats:
    """Noise on every crossing, and gross errors on a few."""
    noisy = pixels + rng.normal(0, rules.crossing_noise_px, pixels.shape)
    wild = rng.random(len(pixels)) < rules.outliers
    way = rng.uniform(0, 2 * np.pi, len(pixels))
    far = rng.uniform(1, 30, len(pixels)) * wild
    return np.asarray(noisy + far[:, None] * np.stack([np.cos(way), np.sin(way)], axis=-1))


def _person(
    rules: WorldRules, cards: tuple[LaidCard, ...], thickness: float, rng: np.random.Generator
) -> JobFacts:
    """Caliper, check bars and tape, each read with a person's error."""
    scale = cards[0].print_scale
    bars = tuple(float(100.0 * s + rng.normal(0, rules.bar_sd_mm)) for s in scale)
    pairs = [
        (float(np.linalg.norm(a.cross_world - b.cross_world)), a.card.name, b.card.name)
        for k, a in enumerate(cards)
        for b in cards[k + 1 :]
    ]
    longest = sorted(pairs, reverse=True)[: rules.tapes]
    return JobFacts(
        thickness_mm=thickness + float(rng.normal(0, rules.caliper_sd_mm)),
        thickness_sigma_mm=rules.caliper_sd_mm,
        cards_on=rules.cards_on,
        printed_bar_mm=(bars[0], bars[1]),
        distances=tuple(
            (a, b, d + float(rng.normal(0, rules.tape_sd_mm)), rules.tape_sd_mm)
            for d, a, b in longest
        ),
    )
