"""Are intervals honest?  Where the model holds, and where it does not.

    python benchmarks/strata.py [--worlds 150] [--seed 1] [--only WORD ...] [--no-oracle]

Simulated worlds in strata: such as the solve believes in, and such as it does
not.  Each goes through the built-in survey with all its notes, the tracer's
doubts, and for several photos its fusion.  Phones, cards, sheets, saws and
people are drawn as ``spilemark.testing.worlds`` says; not from the solve's own
priors.

within 95 %, 50 %: share of the outline within its own interval after the best
rigid fit.  p50, p95: of all points' errors, worlds weighing equally; worst
tenth: mean p95 of the worst tenth of worlds.  wide: mean width of the claimed
intervals by that of an oracle that knows with which spreads the world was drawn
(only where the model holds).  named: share of worlds in which a note names the
trouble; quiet: coverage of the worlds in which none does.
"""

from __future__ import annotations

import argparse
import dataclasses
from dataclasses import dataclass

import numpy as np
import tables
from judged import BENCHES, Judged, judge

from spilemark.cards import shop_cards
from spilemark.records import JobFacts
from spilemark.testing import shapes
from spilemark.testing.metrics import bootstrap
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import World, WorldRules

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Stratum:
    """One kind of worlds."""

    name: str
    rules: WorldRules
    basis: str = "batten"
    codes: frozenset[str] = frozenset()
    """Notes that name its trouble."""

    @property
    def inside(self) -> bool:
        """Whether the solve believes in such worlds."""
        return not self.codes


def _benches(**told: object) -> WorldRules:
    return dataclasses.replace(BENCHES, **told)  # type: ignore[arg-type]


MANY, FEW = {"cards": (6, 8), "tape_sd_mm": 0.15}, {"cards": (4, 4)}
_CARDS = frozenset(
    {"card-of-another-print", "card-not-flat", "card-disagrees", "poor-fit", "cards-askew"}
)
_LENS = frozenset({"poor-fit", "different-lenses", "picture-changed"})
_SHEET = frozenset({"face-height", "sheet-not-flat"})

INSIDE = (
    Stratum("one photo, 6 to 8 cards, batten 0.15", _benches(**MANY)),
    Stratum("one photo, 4 cards, bars only", _benches(**FEW), "bar"),
    Stratum("two photos, 4 to 8 cards, batten 0.15", _benches(photos=2, tape_sd_mm=0.15)),
    Stratum("three photos, 6 to 8 cards, batten 0.15", _benches(photos=3, **MANY)),
    Stratum("five photos, 8 cards, batten 0.1", _benches(photos=5, cards=(8, 8), tape_sd_mm=0.1)),
)


def _outside(photos: int) -> tuple[Stratum, ...]:
    how = {"photos": photos, **MANY}
    count = "one photo" if photos == 1 else "three photos"
    strata = [
        Stratum(
            f"print 0.5 % and sheared by 0.5 %, {count}",
            _benches(print_scale_sd=0.005, print_shear_sd=0.005, **how),
            codes=_CARDS,
        ),
        Stratum(
            f"lens remainder of 1 px, {count}",
            _benches(lens_remainder_px=1.0, **how),
            codes=_LENS,
        ),
        Stratum(f"all cards 0.6 mm up, {count}", _benches(lift_mean_mm=0.6, **how), codes=_CARDS),
        Stratum(
            f"one card 0.6 mm higher, {count}", _benches(one_lifted_mm=0.6, **how), codes=_CARDS
        ),
        Stratum(
            f"thickness wrong by 0.5 mm, {count}",
            _benches(caliper_slip_mm=0.5, **how),
            codes=_SHEET,
        ),
        Stratum(
            f"2 % of crossings wrong by 1 to 30 px, {count}",
            _benches(outliers=0.02, **how),
            codes=_CARDS,
        ),
    ]
    if photos > 1:
        strata.append(
            Stratum(
                f"focus 0.9 %, centre 18 px from photo to photo, {count}",
                _benches(focal_per_photo_sd=0.009, centre_per_photo_sd_px=18.0, **how),
                codes=_LENS,
            )
        )
    return tuple(strata)


LIFTED = Stratum(
    "one card 1.5 mm higher, one photo", _benches(one_lifted_mm=1.5, **MANY), codes=_CARDS
)
STRATA = (*INSIDE, *_outside(1), *_outside(3), LIFTED)
THICKNESS_SIGMA_MM = 0.1
"""What is taken for a caliper's reading when nothing else is told."""


def main() -> None:
    """Draw, survey, count, print."""
    told = _arguments()
    inside, outside = [], []
    for number, stratum in enumerate(STRATA):
        if told.only and not any(word in stratum.name for word in told.only):
            continue
        good, refused = _run(stratum, number, told)
        row = _row(stratum, good, refused)
        print(*(tables.cell(v, 2) for v in row), sep=" | ", flush=True)
        (inside if stratum.inside else outside).append(row)
    head = ["worlds", "n", "refused", "within 95 %", "from", "to", "within 50 %"]
    head += ["p50", "p95", "worst tenth", "u95"]
    if inside:
        print("\nSuch as the solve believes in:")
        tables.show([*head, "wide"], [row[:12] for row in inside], digits=2)
    if outside:
        print("\nSuch as it does not:")
        tables.show([*head, "named %", "quiet 95 %"], [row[:11] + row[12:] for row in outside], 2)
    print("\nfrom, to: 95 % interval of the share within 95 %, by bootstrap over worlds.")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--worlds", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", help="words of a stratum's name")
    parser.add_argument("--no-oracle", action="store_true")
    return parser.parse_args()


def _run(stratum: Stratum, number: int, told: argparse.Namespace) -> tuple[list[Judged], int]:
    specimens = [shapes.quarter_knee(), shapes.breasthook(), shapes.notched_plate()]
    specimens += [shapes.mirror(shapes.quarter_knee(angle_deg=104, hull_mm=340, transom_mm=300))]
    good, refused = [], 0
    for k in range(told.worlds):
        rng = np.random.default_rng([told.seed, number, k])
        world = draw_world(stratum.rules, specimens[k % len(specimens)], shop_cards(), rng)
        outcome = judge(
            _told(world, stratum), stratum.rules, oracle=stratum.inside and not told.no_oracle
        )
        if isinstance(outcome, Judged):
            good.append(outcome)
        else:
            refused += 1
    return good, refused


def _told(world: World, stratum: Stratum) -> World:
    """The world with what its person says: a batten, or check bars."""
    job: JobFacts = world.job
    if stratum.basis == "batten":
        job = dataclasses.replace(job, distances=job.distances[:1], printed_bar_mm=None)
    else:
        job = dataclasses.replace(job, distances=())
    if stratum.rules.caliper_slip_mm:
        job = dataclasses.replace(job, thickness_sigma_mm=THICKNESS_SIGMA_MM)
    return dataclasses.replace(world, job=job)


def _row(stratum: Stratum, worlds: list[Judged], refused: int) -> list[object]:
    if not worlds:
        return [stratum.name, 0, refused, *[NAN] * 11]
    within = [100 * w.within_95 for w in worlds]
    low, high = bootstrap(within, lambda v: float(v.mean()))
    error = np.concatenate([np.abs(w.error_mm[::8]) for w in worlds])
    p95 = np.sort([w.p95_mm for w in worlds])
    wide = sum(float(w.u95_mm.mean()) for w in worlds) / sum(
        float(w.oracle_mm.mean()) for w in worlds
    )
    named = [bool(stratum.codes & {note.code for note in w.notes}) for w in worlds]
    quiet = [share for share, said in zip(within, named, strict=True) if not said]
    return [
        stratum.name,
        len(worlds),
        refused,
        float(np.mean(within)),
        low,
        high,
        100 * float(np.mean([w.within_50 for w in worlds])),
        float(np.percentile(error, 50)),
        float(np.percentile(error, 95)),
        float(p95[-max(1, len(p95) // 10) :].mean()),
        float(np.median([np.median(w.u95_mm) for w in worlds])),
        wide,
        100 * float(np.mean(named)),
        float(np.mean(quiet)) if quiet else NAN,
    ]


if __name__ == "__main__":
    main()
