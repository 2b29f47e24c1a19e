"""Can it be made to give a confident wrong number?  Slips and traps, each alone.

    python benchmarks/attacks.py [--worlds 40] [--seed 1] [--only WORD ...]

Each trap is set in simulated worlds of six to eight cards and a batten of 0.15
mm, unless its name says otherwise; phones, sheets and people beside are drawn as
everywhere.  refused: share of worlds in which no result was given; named: share
in which a note warns of the trap; quiet: of the rest, the share of the outline
within its 95 % interval after the best rigid fit.  A trap has caught the program where
many worlds are quiet and their share is low.  p95: of all errors; warned: what
was said most often, whatever it names.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import tables
from judged import BENCHES, Judged, judge

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.records import Floats, JobFacts
from spilemark.testing import shapes
from spilemark.testing.bench import LaidCard
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import World

NAN = float("nan")
Rng = np.random.Generator
Trap = Callable[[World, Rng], World]
RULES = dataclasses.replace(BENCHES, cards=(6, 8), tape_sd_mm=0.15)
SIZE_CODES = {"cards-printed-small", "cards-printed-large", "lengths-disagree", "scale-nominal"}
CARD_CODES = {
    "card-of-another-print",
    "card-not-flat",
    "card-disagrees",
    "card-moved",
    "cards-askew",
    "poor-fit",
}
LENS_CODES = {
    "poor-fit", "different-lenses", "wide-lens", "picture-changed", "no-exif", "cropped"
}  # fmt: skip
SHEET_CODES = {"thick-stock", "face-height", "sheet-not-flat", "photo-left-out"}


@dataclass(frozen=True, slots=True)
class Attack:
    """One trap."""

    name: str
    trap: Trap
    codes: set[str]
    photos: int = 1
    basis: str = "batten"


def _lay(
    world: World, lay: Callable[[LaidCard, int], LaidCard], rng: Rng, rise: object = None
) -> World:
    """The world with its cards otherwise, and photographed again."""
    cards = tuple(lay(card, k) for k, card in enumerate(world.cards))
    shots = []
    for shot in world.shots:
        crossings = dict(shot.crossings_px)
        for card in cards:
            space = card.to_world(card.card.crossings_mm())
            if callable(rise):
                space[:, 2] += rise(space[:, :2])
            seen = camera.project(space, shot.lens, shot.rotation_rad, shot.translation_mm)
            crossings[card.card.name] = seen + rng.normal(0, RULES.crossing_noise_px, seen.shape)
        shots.append(dataclasses.replace(shot, crossings_px=crossings))
    return dataclasses.replace(world, cards=cards, shots=tuple(shots))


def _taped(world: World, rng: Rng) -> World:
    """The batten measured again, where its cards now lie."""
    across = {c.card.name: c.cross_world for c in world.cards}
    (a, b, _, sigma), *rest = world.job.distances
    far = float(np.linalg.norm(across[a] - across[b])) + float(rng.normal(0, sigma))
    return _said(world, distances=((a, b, far, sigma), *rest))


def _said(world: World, **told: object) -> World:
    return dataclasses.replace(world, job=dataclasses.replace(world.job, **told))  # type: ignore[arg-type]


def _scaled(card: LaidCard, by: float) -> LaidCard:
    return dataclasses.replace(
        card, print_scale=(card.print_scale[0] * by, card.print_scale[1] * by)
    )


def _bent(world: World, bend: Callable[[Floats], Floats], which: Callable[[int], bool]) -> World:
    """Some photos with every pixel moved."""
    shots = [
        dataclasses.replace(
            shot,
            crossings_px={name: bend(p) for name, p in shot.crossings_px.items()},
            outline_px=bend(shot.outline_px),
        )
        if which(k)
        else shot
        for k, shot in enumerate(world.shots)
    ]
    return dataclasses.replace(world, shots=tuple(shots))


def _every(_: int) -> bool:
    return True


def two_prints(by: float) -> Trap:
    """Half of the cards come from another printer."""
    return lambda w, rng: _taped(_lay(w, lambda c, k: _scaled(c, by) if k % 2 else c, rng), rng)


def copied(by: float) -> Trap:
    """One card was copied smaller."""
    return lambda w, rng: _taped(_lay(w, lambda c, k: _scaled(c, by) if k == 2 else c, rng), rng)


def curved(sag_mm: float) -> Trap:
    """The board bends away under the cards; the stiff pattern does not."""

    def trap(world: World, rng: Rng) -> World:
        way = rng.uniform(0, np.pi)
        along = np.array([np.cos(way), np.sin(way)])
        return _lay(world, lambda c, _: c, rng, lambda xy: -sag_mm * ((xy @ along) / 400.0) ** 2)

    return trap


def placed(middle: Callable[[int, int, float], tuple[float, float]]) -> Trap:
    """Cards where they should not lie: beside the pattern's right end, by number and half its size."""

    def trap(world: World, rng: Rng) -> World:
        reach = float(np.abs(world.outline_mm).max())
        count = len(world.cards)

        def lay(card: LaidCard, k: int) -> LaidCard:
            return dataclasses.replace(card, centre_mm=np.array(middle(k, count, reach)))

        return _taped(_lay(world, lay, rng), rng)

    return trap


def _in_line(k: int, count: int, reach: float) -> tuple[float, float]:
    return (k - 0.5 * (count - 1)) * 160.0, -reach - 60.0


def _at_one_side(k: int, _: int, reach: float) -> tuple[float, float]:
    return reach + 90.0 + 160.0 * (k % 2), (k // 2 - 1.5) * 90.0


def mistyped(change: Callable[[float], float]) -> Trap:
    """The batten's length is told wrong."""

    def trap(world: World, _: Rng) -> World:
        ((a, b, mm, sigma), *rest) = world.job.distances
        return _said(world, distances=((a, b, change(mm), sigma), *rest))

    return trap


def wrong_cards(world: World, _: Rng) -> World:
    """The batten's length is told of another pair."""
    (a, _b, mm, sigma), *_rest = world.job.distances
    other = next(c.card.name for c in world.cards if c.card.name not in (a, _b))
    return _said(world, distances=((a, other, mm, sigma),))


def thick(world: World, _: Rng) -> World:
    """A decimal point is lost."""
    assert world.job.thickness_mm is not None
    return _said(world, thickness_mm=10 * world.job.thickness_mm)


def wide_lens(world: World, rng: Rng) -> World:
    """A strong barrel, which the file's EXIF does not own up to."""
    k1, k2 = rng.uniform(-0.35, -0.2), rng.uniform(0.02, 0.12)
    shots = []
    for shot in world.shots:
        lens = shot.lens.copy()
        lens[4:6], lens[8] = (k1, k2), 0.0
        flat = camera.undistort_pixels(shot.outline_px, shot.lens)
        crossings = {
            name: _shown(camera.undistort_pixels(p, shot.lens), lens)
            for name, p in shot.crossings_px.items()
        }
        shots.append(
            dataclasses.replace(
                shot, lens=lens, outline_px=_shown(flat, lens), crossings_px=crossings
            )
        )
    return dataclasses.replace(world, shots=tuple(shots))


def _shown(flat: Floats, lens: Floats) -> Floats:
    bent = camera.distort(flat, lens)[0]
    return np.asarray(bent * [lens[0], lens[0] * lens[1]] + lens[2:4])


def cropped(world: World, _: Rng) -> World:
    """Cut to a smaller frame of the usual form, off the middle; EXIF stays."""
    cut, left, top = 0.8, 0.18, 0.02
    shots = []
    for shot in world.shots:
        width, height = shot.frame_px
        off = np.array([left * width, top * height])
        shots.append(
            dataclasses.replace(
                shot,
                frame_px=(int(cut * width), int(cut * height)),
                exif_focal_px=shot.exif_focal_px * cut,
                crossings_px={name: p - off for name, p in shot.crossings_px.items()},
                outline_px=shot.outline_px - off,
            )
        )
    return dataclasses.replace(world, shots=tuple(shots))


def squeezed(by: float) -> Trap:
    """Rescaled otherwise across than along."""
    return lambda w, _: _bent(w, lambda p: p * [by, 1.0], _every)


def leaning(by: float) -> Trap:
    """The phone moved while its sensor was read row by row."""
    return lambda w, _: _bent(w, lambda p: p + by * (p[:, 1:] - 1511.5) * [1.0, 0.0], _every)


def straightened(world: World, _: Rng) -> World:
    """An app has made the picture look square: every pixel moved by a map of planes."""

    def bend(p: Floats) -> Floats:
        flat = (p - [2015.5, 1511.5]) / 4032
        return np.asarray([2015.5, 1511.5] + 4032 * flat / (1 + 0.15 * flat[:, 1:]))

    return _bent(world, bend, _every)


def lying_exif(by: float) -> Trap:
    """The file tells another focal length."""

    def trap(world: World, _: Rng) -> World:
        shots = [dataclasses.replace(s, exif_focal_px=s.exif_focal_px * by) for s in world.shots]
        return dataclasses.replace(world, shots=tuple(shots))

    return trap


def zoomed(world: World, _: Rng) -> World:
    """The last photo with another zoom, of which the file says nothing."""
    middle = np.array([2015.5, 1511.5])
    return _bent(world, lambda p: middle + 0.8 * (p - middle), lambda k: k == len(world.shots) - 1)


def repeated(world: World, _: Rng) -> World:
    """One photo three times."""
    return dataclasses.replace(world, shots=(world.shots[0],) * len(world.shots))


def bars_of_another(world: World, _: Rng) -> World:
    """Check bars of another sheet: 1 % off."""
    assert world.job.printed_bar_mm is not None
    across, along = world.job.printed_bar_mm
    return _said(world, printed_bar_mm=(1.01 * across, 1.01 * along))


def on_the_pattern(world: World, _: Rng) -> World:
    """Cards lie on the bench, and are said to lie on the pattern."""
    return _said(world, cards_on="pattern")


ATTACKS = (
    Attack("nothing wrong", lambda w, _: w, set()),
    Attack("two prints mixed, 0.4 % apart", two_prints(0.996), SIZE_CODES | CARD_CODES),
    Attack("two prints mixed, 2 % apart", two_prints(0.98), SIZE_CODES | CARD_CODES),
    Attack("one card copied at 98 %", copied(0.98), CARD_CODES),
    Attack("cards on a board curved by 3 mm", curved(3.0), CARD_CODES),
    Attack("the same, three photos", curved(3.0), CARD_CODES | SHEET_CODES, photos=3),
    Attack("all cards in one line", placed(_in_line), {"outside-cards"}),
    Attack("all cards at one end", placed(_at_one_side), {"outside-cards"}),
    Attack("batten mistyped by 1 %", mistyped(lambda mm: 1.01 * mm), SIZE_CODES),
    Attack("the same, bars measured", mistyped(lambda mm: 1.01 * mm), SIZE_CODES, basis="both"),
    Attack("batten mistyped by 10 mm", mistyped(lambda mm: mm + 10.0), SIZE_CODES),
    Attack("batten in inches", mistyped(lambda mm: mm / 25.4), SIZE_CODES),
    Attack("batten told of another pair", wrong_cards, SIZE_CODES),
    Attack("check bars of another print, 1 %", bars_of_another, SIZE_CODES, basis="both"),
    Attack("thickness ten times", thick, SHEET_CODES),
    Attack("the same, three photos", thick, SHEET_CODES, photos=3),
    Attack("cards said to lie on the pattern", on_the_pattern, SHEET_CODES),
    Attack("the same, three photos", on_the_pattern, SHEET_CODES, photos=3),
    Attack("strong barrel, EXIF of a main lens", wide_lens, LENS_CODES),
    Attack("cropped off the middle, usual form", cropped, LENS_CODES),
    Attack("the same, three photos", cropped, LENS_CODES, photos=3),
    Attack("squeezed by 3 % across", squeezed(0.97), LENS_CODES),
    Attack("squeezed by 0.5 % across", squeezed(0.995), LENS_CODES),
    Attack("sheared by 0.2 % in the sensor", leaning(0.002), LENS_CODES | {"cards-askew"}),
    Attack("straightened by an app", straightened, LENS_CODES),
    Attack("EXIF tells twice the focal length", lying_exif(2.0), LENS_CODES),
    Attack("EXIF tells 10 % more", lying_exif(1.1), LENS_CODES),
    Attack("one of three photos zoomed", zoomed, LENS_CODES, photos=3),
    Attack("one photo given three times", repeated, {"same-picture"}, photos=3),
)


def main() -> None:
    """Set each trap, count how it ended."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--worlds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", help="words of a trap's name")
    told = parser.parse_args()
    rows = []
    for number, attack in enumerate(ATTACKS):
        if told.only and not any(word in attack.name for word in told.only):
            continue
        rows.append(_row(attack, number, told))
        print(*(tables.cell(v, 2) for v in rows[-1]), sep=" | ", flush=True)
    print()
    head = ["trap", "photos", "n", "refused %", "named %", "quiet n", "quiet 95 %", "p95", "u95"]
    tables.show([*head, "warned"], rows, digits=2)


def _row(attack: Attack, number: int, told: argparse.Namespace) -> list[object]:
    rules = dataclasses.replace(RULES, photos=attack.photos)
    specimens = [shapes.quarter_knee(), shapes.breasthook(), shapes.notched_plate()]
    refused, judged = Counter[str](), []
    for k in range(told.worlds):
        rng = np.random.default_rng([told.seed, number, k])
        world = draw_world(rules, specimens[k % len(specimens)], shop_cards(), rng)
        outcome = judge(attack.trap(_basis(world, attack), rng), rules, oracle=False)
        if isinstance(outcome, Judged):
            judged.append(outcome)
        else:
            refused[f"refused: {outcome.what}"[:60]] += 1
    named = [bool(attack.codes & {n.code for n in j.notes}) for j in judged]
    quiet = [100 * j.within_95 for j, said in zip(judged, named, strict=True) if not said]
    said = Counter(n.code for j in judged for n in j.notes if n.severity == "warn") + refused
    errors = np.concatenate([np.abs(j.error_mm) for j in judged]) if judged else np.array([NAN])
    return [
        attack.name,
        attack.photos,
        told.worlds,
        100 * refused.total() / told.worlds,
        100 * sum(named) / told.worlds,
        len(quiet),
        float(np.mean(quiet)) if quiet else NAN,
        float(np.percentile(errors, 95)),
        float(np.median([np.median(j.u95_mm) for j in judged])) if judged else NAN,
        ", ".join(f"{code} {count}" for code, count in said.most_common(2)),
    ]


def _basis(world: World, attack: Attack) -> World:
    job: JobFacts = dataclasses.replace(world.job, distances=world.job.distances[:1])
    if attack.basis == "batten":
        job = dataclasses.replace(job, printed_bar_mm=None)
    return dataclasses.replace(world, job=job)


if __name__ == "__main__":
    main()
