"""A pattern of two metres through photos in a chain: the interval has to grow as the error does.

    python benchmarks/chain.py [--worlds 60] [--photos 4] [--length 2000] [--seed 1]
                               [--basis taped|bar]

Cards lie along both long sides; each photo, from about 0.8 m, sees a part of the
bench and shares cards with the next.  All are solved at once, as a job's are.
True points along the pattern's middle, projected into the photo that shows them
best, are carried through the solved maps; printed is how far distances from
the first of them, and the bow of the row of them, are off, against what the
solve claims.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import tables

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.errors import SpilemarkError
from spilemark.records import Floats, JobFacts, Lens, PlaneMap
from spilemark.testing.bench import LaidCard, TrueCamera, look_at
from spilemark.testing.simulator import phones
from spilemark.testing.worlds import WorldRules
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation
from spilemark_stages.rectify.refusal import check_photos_connect
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import solve

RULES = WorldRules()
_COUNT = 9
_FACE_MM = 6.0


@dataclass(frozen=True, slots=True)
class Chain:
    """One world's outcome, by place along the pattern."""

    distance_mm: Floats
    error_mm: Floats
    sigma_mm: Floats
    bow_error_mm: float
    bow_sigma_mm: float


def main() -> None:
    """Draw, solve, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--worlds", type=int, default=60)
    parser.add_argument("--photos", type=int, default=4)
    parser.add_argument("--length", type=float, default=2000.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--basis", choices=("taped", "bar"), default="taped")
    told = parser.parse_args()
    found = []
    for k in range(told.worlds):
        rng = np.random.default_rng([told.seed, k])
        try:
            found.append(one_chain(told.length, told.photos, told.basis, rng))
        except SpilemarkError as error:
            print(f"world {k} refused: {error.what}")
    print(f"{len(found)} worlds, {told.length:g} mm, {told.photos} photos, basis {told.basis}\n")
    tables.show(["from the end, mm", "rms error", "claimed sigma", "within 95 %"], rows(found))


def rows(found: list[Chain]) -> list[list[object]]:
    """By distance, then the bow of the row."""
    table: list[list[object]] = []
    for k, distance in enumerate(found[0].distance_mm):
        error = np.array([chain.error_mm[k] for chain in found])
        sigma = np.array([chain.sigma_mm[k] for chain in found])
        table.append([f"{distance:.0f}", *summary(error, sigma)])
    error = np.array([chain.bow_error_mm for chain in found])
    sigma = np.array([chain.bow_sigma_mm for chain in found])
    return [*table, ["bow of the row", *summary(error, sigma)]]


def summary(error: Floats, sigma: Floats) -> tuple[float, float, float]:
    """Root mean square of errors and of claims, per cent within 95 %."""
    within = float((np.abs(error) < 1.96 * sigma).mean())
    return float(np.sqrt((error**2).mean())), float(np.sqrt((sigma**2).mean())), 100.0 * within


def one_chain(length_mm: float, photos: int, basis: str, rng: np.random.Generator) -> Chain:
    """Draw one world, solve it, and carry the points through."""
    cards = _lay(length_mm, rng)
    cameras = _cameras(length_mm, photos, rng)
    observed = tuple(_seen(k, shot, cards, rng) for k, shot in enumerate(cameras))
    check_photos_connect(observed)
    job = _told(cards, basis, rng)
    beliefs = gather_beliefs(job, shop_cards(), observed, nominal_sigma=0.005, bar_sigma_mm=0.08)
    solution = solve(observed, beliefs)
    planes = [
        PlaneMap(
            lens=v.numbers[:9],
            rotation_rad=v.numbers[9:12],
            translation_mm=v.numbers[12:15],
            height_mm=float(v.numbers[15]),
            gain=v.gain,
        )
        for v in solution.views
    ]
    truth = np.column_stack([np.linspace(-0.48, 0.48, _COUNT) * length_mm, np.zeros(_COUNT)])
    return _compare(truth, cameras, planes)


def _lay(length_mm: float, rng: np.random.Generator) -> list[LaidCard]:
    """Cards along both long sides, about one every 330 mm."""
    along = np.linspace(-0.47, 0.47, max(2, round(length_mm / 330.0))) * length_mm
    scale = 1 + rng.normal(0, RULES.print_scale_sd, 2)
    places = [(x, y) for x in along for y in (190.0, -190.0)]
    return [
        LaidCard(
            card=card,
            centre_mm=np.array(place) + rng.uniform(-15, 15, 2),
            turn_rad=float(rng.uniform(0, 2 * np.pi)),
            base_mm=0.0,
            lift_mm=float(abs(rng.normal(RULES.lift_mean_mm, RULES.lift_sd_mm))),
            bow_mm=float(rng.normal(RULES.bow_mean_mm, RULES.bow_sd_mm)),
            print_scale=(float(scale[0]), float(scale[1])),
            shear=0.0,
        )
        for card, place in zip(shop_cards().cards, places, strict=False)
    ]


def _cameras(length_mm: float, photos: int, rng: np.random.Generator) -> list[TrueCamera]:
    focal = float(rng.uniform(*RULES.focal_px))
    kind = RULES.lens_kinds[int(rng.integers(len(RULES.lens_kinds)))]
    phone = phones(kind, RULES, 1, rng)[0]
    phone[0] *= focal
    found = []
    for x in (np.arange(photos) + 0.5) / photos * length_mm - 0.5 * length_mm:
        lens = phone.copy()
        lens[0] *= 1 + rng.normal(0, RULES.focal_per_photo_sd)
        lens[2:4] += rng.normal(0, RULES.centre_per_photo_sd_px, 2)
        target = np.array([x + rng.uniform(-20, 20), rng.uniform(-20, 20), 0.0])
        pose = look_at(target, 820.0, float(rng.uniform(2, 18)), float(rng.uniform(0, 360)),
                       float(rng.uniform(-6, 6)))  # fmt: skip
        # Held the long way along the pattern.
        found.append(TrueCamera(lens=lens, rotation_rad=pose[0], translation_mm=pose[1]))
    return [_upright(shot) for shot in found]


def _upright(shot: TrueCamera) -> TrueCamera:
    """The phone turned about its axis until the bench's x runs along the picture's width."""
    away = camera.rotation_matrix(shot.rotation_rad) @ np.array([1.0, 0.0, 0.0])
    turn = -np.arctan2(away[1], away[0])
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return TrueCamera(
        lens=shot.lens,
        rotation_rad=camera.rotation_vector(spin @ camera.rotation_matrix(shot.rotation_rad)),
        translation_mm=spin @ shot.translation_mm,
    )


def _seen(
    number: int, shot: TrueCamera, cards: list[LaidCard], rng: np.random.Generator
) -> PhotoObservation:
    width, height = RULES.frame_px
    found = []
    for laid in cards:
        world = laid.to_world(laid.card.crossings_mm())
        points = camera.project(world, shot.lens, shot.rotation_rad, shot.translation_mm)
        points = points + rng.normal(0, RULES.crossing_noise_px, points.shape)
        if ((points > 30) & (points < [width - 30, height - 30])).all():
            found.append(
                CardObservation(
                    card=laid.card,
                    which=np.arange(len(points)),
                    points_px=points,
                    sigma_px=np.full(len(points), RULES.crossing_noise_px),
                )
            )
    return PhotoObservation(
        name=f"single:{number}",
        arm="single",
        lens_group="phone",
        lens=_prior(float(shot.lens[0])),
        width_px=width,
        height_px=height,
        cards=tuple(found),
    )


def _prior(focal_px: float) -> Lens:
    """What the EXIF of a phone leaves open, as the built-in plug-in believes it."""
    width, height = RULES.frame_px
    sigma = np.array([0.02 * focal_px, 5e-4, 30, 30, 0.15, 0.4, 1e-3, 1e-3, 0.6])
    values = np.array([focal_px, 1.0, (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0])
    return Lens(values=values, covariance=np.diag(sigma**2), basis="EXIF")


def _told(cards: list[LaidCard], basis: str, rng: np.random.Generator) -> JobFacts:
    """What a person measured: the thickness, the bars, and a tape between the two farthest cards."""
    bars = 100.0 * np.array(cards[0].print_scale) + rng.normal(0, RULES.bar_sd_mm, 2)
    first, last = cards[0], cards[-1]
    apart = float(np.linalg.norm((first.cross_world - last.cross_world)[:2]))
    tape = (first.card.name, last.card.name, apart + float(rng.normal(0, 0.3)), 0.3)
    return JobFacts(
        thickness_mm=_FACE_MM + float(rng.normal(0, RULES.caliper_sd_mm)),
        thickness_sigma_mm=RULES.caliper_sd_mm,
        printed_bar_mm=(float(bars[0]), float(bars[1])),
        distances=(tape,) if basis == "taped" else (),
    )


def _compare(truth: Floats, cameras: list[TrueCamera], planes: list[PlaneMap]) -> Chain:
    """Distances from the first point, and how far the middle one lies off the line of the ends."""
    measured, seen_in = [], []
    middle_px = 0.5 * np.array(RULES.frame_px)
    for place in truth:
        world = np.array([[*place, _FACE_MM]])
        pixels = [camera.project(world, c.lens, c.rotation_rad, c.translation_mm) for c in cameras]
        best = int(np.argmin([float(np.linalg.norm(p[0] - middle_px)) for p in pixels]))
        measured.append(camera.pixels_to_plane(pixels[best], planes[best]))
        seen_in.append(planes[best])
    points = np.concatenate(measured)
    chord = points[-1] - points[0]
    chord /= np.linalg.norm(chord)
    normal = np.array([-chord[1], chord[0]])
    along, across = (
        np.array(
            [
                camera.plane_sensitivity(at, way[None], plane)[0]
                for at, plane in zip(measured, seen_in, strict=True)
            ]
        )
        for way in (chord, normal)
    )
    true = np.linalg.norm(truth - truth[0], axis=1)
    found = np.linalg.norm(points - points[0], axis=1)
    spread = np.linalg.norm(along - along[0], axis=1)
    middle = len(truth) // 2
    bow = float((points[middle] - 0.5 * (points[0] + points[-1])) @ normal)
    bow_row = across[middle] - 0.5 * (across[0] + across[-1])
    return Chain(true[1:], (found - true)[1:], spread[1:], bow, float(np.linalg.norm(bow_row)))


if __name__ == "__main__":
    main()
