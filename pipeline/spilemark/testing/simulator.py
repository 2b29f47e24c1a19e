"""An exact camera without images.

Draws a world (lens, photos, cards with their lift, bow and print scale, a
pattern, and what a person measured of it) and hands on what a card finder and a
tracer would report: noisy crossings and noisy outline points in stored pixels.
So the survey and its claimed doubt can be tested on hundreds of worlds a minute.

Frame: bench top z = 0, z towards the camera, millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark import lens as camera
from spilemark.cards import CardSet
from spilemark.frames import left_normals, outward_normals
from spilemark.records import Floats, JobFacts
from spilemark.testing.bench import LaidCard, free_place, look_at
from spilemark.testing.parts import bend, drawn, lay, resampled, round_both, side_by_side, warp
from spilemark.testing.worlds import LensKind, Part, Shot, World, WorldRules


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
    part = lay(resampled(Part(ring_mm=ring_mm), rules), rng)
    bench = _draw_bench(rules, part.ring_mm, card_set, rng)
    solid = _solid(rules, part, bench, rng)
    shots = tuple(
        _shoot(rules, bench.this_photo(rules, rng), [solid], bench, rng)[0]
        for _ in range(rules.photos)
    )
    return bench.world(part, shots)


def draw_pair(
    rules: WorldRules,
    port: Part,
    starboard: Part,
    card_set: CardSet,
    rng: np.random.Generator,
    *,
    together: bool = False,
) -> tuple[World, World]:
    """Draw two patterns that are photographed among the same cards with the same phone.

    One after the other in the same place, ``rules.photos`` of each; or, with
    ``together``, side by side in the same photos.  Both worlds have the same
    cards and the same ``job``; with ``together`` their shots pair by pair are
    one photo, with the same crossings.
    """
    parts = [lay(drawn(resampled(p, rules), rules, rng), rng) for p in (port, starboard)]
    if together:
        parts = side_by_side(parts)
    bench = _draw_bench(rules, round_both(parts), card_set, rng)
    solids = [_solid(rules, part, bench, rng) for part in parts]
    groups = [solids] if together else [[solid] for solid in solids]
    shots: list[list[Shot]] = [[] for _ in parts]
    for number, group in enumerate(groups):
        for _ in range(rules.photos):
            taken = _shoot(rules, bench.this_photo(rules, rng), group, bench, rng)
            for k, shot in enumerate(taken):
                shots[number + k].append(shot)
    first, second = (bench.world(part, tuple(s)) for part, s in zip(parts, shots, strict=True))
    return first, second


@dataclass(frozen=True, slots=True, eq=False)
class _Bench:
    """What stays while photos are taken: phone, cards, thickness, the person's figures."""

    kind: LensKind
    phone: Floats
    remainder: Floats
    """(2, 4, 4) of ``_bent``."""
    exif_focal: float
    cards: tuple[LaidCard, ...]
    card_set: CardSet
    face_mm: float
    common_bias_px: float
    sawn_mm: float
    """What the saw left of "the edge", outwards: one saw, one hand."""
    job: JobFacts

    def this_photo(self, rules: WorldRules, rng: np.random.Generator) -> Floats:
        """The phone's lens as it is in one photo: focus and stabiliser move it."""
        lens = self.phone.copy()
        lens[0] *= 1 + rng.normal(0, rules.focal_per_photo_sd)
        lens[2:4] += rng.normal(0, rules.centre_per_photo_sd_px, 2)
        return lens

    def world(self, part: Part, shots: tuple[Shot, ...]) -> World:
        return World(
            kind=self.kind,
            card_set=CardSet(
                name=self.card_set.name,
                dictionary=self.card_set.dictionary,
                cards=tuple(laid.card for laid in self.cards),
            ),
            cards=self.cards,
            outline_mm=part.ring_mm,
            line_mm=part.line_mm,
            face_mm=self.face_mm,
            shots=shots,
            job=self.job,
        )


def _draw_bench(
    rules: WorldRules, round_mm: Floats, card_set: CardSet, rng: np.random.Generator
) -> _Bench:
    """Cards laid round a ring (N, 2), a phone, and a person with caliper and tape."""
    thickness = float(rng.uniform(*rules.thickness_mm))
    cards = _lay_cards(rules, round_mm, card_set, thickness, rng)
    kind = rules.lens_kinds[int(rng.integers(len(rules.lens_kinds)))]
    exif_focal = float(rng.uniform(*rules.focal_px))
    phone = _phone(kind, exif_focal, rules, rng)
    remainder = _remainder(rules, rng)
    common = float(rng.normal(0, rules.edge_bias_sd_px * np.sqrt(rules.edge_bias_common)))
    sawn = float(rng.normal(0, rules.sawn_edge_sd_mm))
    job = _person(rules, cards, thickness, rng)
    return _Bench(kind, phone, remainder, exif_focal, cards, card_set, thickness, common, sawn, job)


@dataclass(frozen=True, slots=True, eq=False)
class _Solid:
    """A pattern in space: edge (N, 3) and pencil line (M, 3)."""

    edge: Floats
    line: Floats


def _solid(rules: WorldRules, part: Part, bench: _Bench, rng: np.random.Generator) -> _Solid:
    """Lift a part to its face, warped and bent, its edge as the saw shows it."""
    both = np.concatenate([part.ring_mm, part.line_mm])
    rise = bench.face_mm + warp(both, rules.warp_mm, rng) + bend(both, rules.bend_sd_mm, rng)
    count = len(part.ring_mm)
    edge = part.ring_mm + outward_normals(part.ring_mm) * bench.sawn_mm
    return _Solid(
        np.column_stack([edge, rise[:count]]), np.column_stack([part.line_mm, rise[count:]])
    )


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


def phones(kind: LensKind, rules: WorldRules, count: int, rng: np.random.Generator) -> Floats:
    """Lenses (count, 9) of a kind as they are drawn, of focal length 1 by their EXIF."""
    return np.array([_phone(kind, 1.0, rules, rng) for _ in range(count)])


def _remainder(rules: WorldRules, rng: np.random.Generator) -> Floats:
    """Waves (2, 4, 4) across and along the frame of a lens that is no polynomial of the radius."""
    if not rules.lens_remainder_px:
        return np.zeros((2, 4, 4))
    order = np.add.outer(np.arange(4), np.arange(4))
    waves = rng.normal(0, 1.0, (2, 4, 4)) * ((order >= 2) & (order <= 3))
    grid = np.stack(np.meshgrid(*(np.linspace(0, n - 1, 33) for n in rules.frame_px)), -1)
    largest = np.linalg.norm(_bent(grid.reshape(-1, 2), waves, rules), axis=1).max()
    return np.asarray(rules.lens_remainder_px / largest * waves)


def _bent(pixels: Floats, waves: Floats, rules: WorldRules) -> Floats:
    """Shift (N, 2) of points (N, 2), px: sums of cosines of up to one and a half periods."""
    across, along = (
        np.cos(np.pi * np.outer(pixels[:, k] / rules.frame_px[k], np.arange(4))) for k in (0, 1)
    )
    return np.asarray(np.einsum("na,nb,iab->ni", across, along, waves))


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
    lifted = int(rng.integers(count)) if rules.one_lifted_mm else -1
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
                lift_mm=float(abs(rng.normal(rules.lift_mean_mm, rules.lift_sd_mm)))
                + (rules.one_lifted_mm if k == lifted else 0.0),
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
    solids: list[_Solid],
    bench: _Bench,
    rng: np.random.Generator,
) -> list[Shot]:
    """One photo of all solids, told as a shot of each."""
    boards = {c.card.name: c.to_world(c.card.crossings_mm()) for c in bench.cards}
    edges = [solid.edge for solid in solids]
    rotation, translation = _aim(rules, lens, np.concatenate([*edges, *boards.values()]), rng)
    crossings = {
        name: _blemish(_projected(p, lens, rotation, translation, bench, rules), rules, rng)
        for name, p in boards.items()
    }
    own = np.sqrt(1.0 - rules.edge_bias_common)
    bias = bench.common_bias_px + float(rng.normal(0, own * rules.edge_bias_sd_px))
    shots = []
    for solid in solids:
        edge = _projected(solid.edge, lens, rotation, translation, bench, rules)
        # The image is y down: a ring that is anticlockwise on the bench runs clockwise in pixels.
        outward = -outward_normals(edge)
        across = bias + rules.edge_noise_px * _edge_noise(solid.edge, rules, rng)
        shots.append(
            Shot(
                lens=lens,
                rotation_rad=rotation,
                translation_mm=translation,
                frame_px=rules.frame_px,
                exif_focal_px=bench.exif_focal,
                crossings_px=crossings,
                outline_px=edge + outward * across[:, None],
                line_px=_line_seen(solid.line, lens, rotation, translation, bench, rules, rng),
                edge_bias_px=bias,
            )
        )
    return shots


def _edge_noise(edge: Floats, rules: WorldRules, rng: np.random.Generator) -> Floats:
    """Standard normal noise (N,) of an evenly spaced ring's points."""
    noise = rng.normal(0, 1.0, len(edge))
    if not rules.edge_noise_together_mm:
        return noise
    step = float(np.median(np.linalg.norm(np.diff(edge, axis=0), axis=1)))
    fade = np.exp(-step * np.arange(len(edge)) / rules.edge_noise_together_mm)
    # Round the ring: each point remembers those behind it (an autoregressive process of first order).
    ringed = np.fft.irfft(np.fft.rfft(noise) * np.fft.rfft(fade), len(edge))
    return np.asarray(ringed / np.sqrt((fade**2).sum()))


def _projected(
    points: Floats,
    lens: Floats,
    rotation: Floats,
    translation: Floats,
    bench: _Bench,
    rules: WorldRules,
) -> Floats:
    """World points (N, 3) as the whole lens shows them (N, 2)."""
    pixels = camera.project(points, lens, rotation, translation)
    return np.asarray(pixels + _bent(pixels, bench.remainder, rules))


def _line_seen(
    line: Floats,
    lens: Floats,
    rotation: Floats,
    translation: Floats,
    bench: _Bench,
    rules: WorldRules,
    rng: np.random.Generator,
) -> Floats:
    """A pencil line (M, 3) as it is read in the picture (M, 2)."""
    if not len(line):
        return np.zeros((0, 2))
    seen = _projected(line, lens, rotation, translation, bench, rules)
    across = left_normals(seen, closed=False)
    return np.asarray(seen + across * rng.normal(0, rules.line_noise_px, len(seen))[:, None])


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
    slip = float(rng.choice([-1.0, 1.0])) * rules.caliper_slip_mm if rules.caliper_slip_mm else 0.0
    return JobFacts(
        thickness_mm=max(0.1, thickness + slip + float(rng.normal(0, rules.caliper_sd_mm))),
        thickness_sigma_mm=rules.caliper_sd_mm,
        cards_on=rules.cards_on,
        printed_bar_mm=(bars[0], bars[1]),
        distances=tuple(
            (a, b, d + float(rng.normal(0, rules.tape_sd_mm)), rules.tape_sd_mm)
            for d, a, b in longest
        ),
    )
