"""Is trouble noticed, and none invented?  Faults one at a time, through the real survey.

    python benchmarks/faults.py [--trials 300] [--seed 1] [--only NAME ...]

Faults of cards are put into exactly simulated worlds (three photos, or one);
blur and glare into drawn pictures of cards.  "flagged" is the share of trials in
which a note names the fault (of a card: that card), a refusal counting as one;
"false" the share of trials without it that have a note of the kinds asked for.
"off" is how far the outline then comes out, beside how far it does without the
fault: median p95 over the trials, after the best rigid fit.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import fault_pictures
import numpy as np
import tables
from simulated import observe, straight_of

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.errors import SpilemarkError
from spilemark.frames import outward_normals
from spilemark.records import Floats, Note, Survey
from spilemark.rigid import apply, best_fit
from spilemark.testing import shapes
from spilemark.testing.bench import LaidCard
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import World, WorldRules
from spilemark_stages.rectify.card_survey import Options, survey_from
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation

CARD_CODES = {
    "card-of-another-print",
    "card-not-flat",
    "card-disagrees",
    "card-moved",
    "poor-fit",
    "grainy",
}
RULES = WorldRules(
    cards=(5, 8),
    outline_step_mm=6.0,
    lift_mean_mm=0.15,
    lift_sd_mm=0.1,
    bow_mean_mm=0.15,
    bow_sd_mm=0.1,
)
"""Cards without a fault lie flat to some tenths: more is what is to be flagged."""
NOISE_PX = RULES.crossing_noise_px

Change = Callable[[LaidCard, np.random.Generator], LaidCard]


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of trouble with a card."""

    name: str
    photos: int
    change: Change
    only_last: bool = False
    """In the last photo only: something happened in between."""


def _raised(low: float, high: float) -> Change:
    return lambda card, rng: dataclasses.replace(
        card, lift_mm=card.lift_mm + float(rng.uniform(low, high))
    )


def _printed(scale: float) -> Change:
    return lambda card, _: dataclasses.replace(
        card, print_scale=(card.print_scale[0] * scale, card.print_scale[1] * scale)
    )


def _moved(low: float, high: float) -> Change:
    def change(card: LaidCard, rng: np.random.Generator) -> LaidCard:
        way, far = rng.uniform(0, 2 * np.pi), rng.uniform(low, high)
        shift = far * np.array([np.cos(way), np.sin(way)])
        return dataclasses.replace(
            card,
            centre_mm=card.centre_mm + shift,
            turn_rad=card.turn_rad + float(rng.normal(0, 0.01)),
        )

    return change


FAULTS = (
    Fault("card lifted by 1 to 2 mm", 1, _raised(1.0, 2.0)),
    Fault("the same", 3, _raised(1.0, 2.0)),
    Fault("card on a block, 5 to 20 mm", 1, _raised(5.0, 20.0)),
    Fault("the same", 3, _raised(5.0, 20.0)),
    Fault("one card printed at 99 %", 1, _printed(0.99)),
    Fault("the same", 3, _printed(0.99)),
    Fault("card moved by 1 to 5 mm between photos", 3, _moved(1.0, 5.0), only_last=True),
    Fault("the same, two photos", 2, _moved(1.0, 5.0), only_last=True),
)


def main() -> None:
    """Draw, spoil, survey, count."""
    told = _arguments()
    rows = []
    for number, fault in enumerate(FAULTS):
        if told.only and not any(word in fault.name for word in told.only):
            continue
        rows.append(_card_row(fault, number, told))
        print(rows[-1], flush=True)
    if not told.only or "picture" in told.only:
        rows += fault_pictures.rows(told.trials, told.seed)
    print()
    head = ["fault", "photos", "n", "flagged %", "named %", "false %", "off", "off without"]
    tables.show(head, rows)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", help="words of a fault's name, or picture")
    return parser.parse_args()


def _card_row(fault: Fault, number: int, told: argparse.Namespace) -> list[object]:
    rules = dataclasses.replace(RULES, photos=fault.photos)
    flagged, named, false, off, off_without = [], [], [], [], []
    for k in range(told.trials):
        rng = np.random.default_rng([told.seed, number, k])
        world = draw_world(rules, shapes.quarter_knee(), shop_cards(), rng)
        victim = int(rng.integers(len(world.cards)))
        spoilt = fault.change(world.cards[victim], rng)
        notes, error = _outcome(world, observe(world, rules))
        false.append(bool(CARD_CODES & {n.code for n in notes}))
        off_without.append(error)
        seen = _with_card(world, observe(world, rules), spoilt, fault, rng)
        notes, error = _outcome(world, seen)
        found = [n for n in notes if n.code in CARD_CODES]
        flagged.append(bool(found))
        named.append(any(f"Card {spoilt.card.name} " in n.text for n in found))
        off.append(error)
    share = [100 * float(np.mean(v)) for v in (flagged, named, false)]
    return [
        fault.name,
        fault.photos,
        told.trials,
        *share,
        float(np.nanmedian(off)),
        float(np.nanmedian(off_without)),
    ]


def _with_card(
    world: World,
    photos: tuple[PhotoObservation, ...],
    spoilt: LaidCard,
    fault: Fault,
    rng: np.random.Generator,
) -> tuple[PhotoObservation, ...]:
    """The photos with one card as it lies after the fault."""
    changed = []
    for k, photo in enumerate(photos):
        if fault.only_last and k < len(photos) - 1:
            changed.append(photo)
            continue
        shot = world.shots[k]
        places = camera.project(
            spoilt.to_world(spoilt.card.crossings_mm()),
            shot.lens,
            shot.rotation_rad,
            shot.translation_mm,
        )
        noisy = places + rng.normal(0, NOISE_PX, places.shape)
        cards = tuple(
            _replaced(seen, noisy) if seen.card.name == spoilt.card.name else seen
            for seen in photo.cards
        )
        changed.append(dataclasses.replace(photo, cards=cards))
    return tuple(changed)


def _replaced(seen: CardObservation, places: Floats) -> CardObservation:
    return dataclasses.replace(seen, points_px=places[seen.which])


def _outcome(
    world: World, observed: tuple[PhotoObservation, ...]
) -> tuple[tuple[Note, ...], float]:
    """What is said of the photos, and how far the true outline's image comes out."""
    straight = tuple(straight_of(shot, k) for k, shot in enumerate(world.shots))
    job = dataclasses.replace(world.job, distances=())
    try:
        survey = survey_from(straight, observed, world.card_set, job, Options())
    except SpilemarkError as error:
        refusal = Note(code="poor-fit", severity="warn", text=error.what)
        return (refusal,), np.nan
    return survey.notes, _error(world, survey)


def _error(world: World, survey: Survey) -> float:
    shot = world.shots[0]
    pixels = camera.plane_to_pixels(world.outline_mm, shot.plane(world.face_mm))
    found = camera.pixels_to_plane(pixels, survey.views[0].plane)
    moved = apply(best_fit(found, world.outline_mm), found)
    across = np.sum((moved - world.outline_mm) * outward_normals(world.outline_mm), axis=1)
    return float(np.quantile(np.abs(across), 0.95))


if __name__ == "__main__":
    main()
