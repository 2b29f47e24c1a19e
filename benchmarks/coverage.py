"""How honest are the intervals?  Simulated worlds through the real solve.

    python benchmarks/coverage.py [--worlds 300] [--photos 1] [--seed 1]
                                  [--basis taped|bar|nominal] [--outside]

Draws worlds with the exact camera simulator (lens, pose, cards with lift, bow
and print scale, face height, tape, bars and caliper with a person's errors,
edge noise and a common edge bias), runs the survey's own solve on the noisy
crossings, carries the noisy outline through the solved map, and counts how many
outline points lie within their claimed interval after the best rigid fit.

``--outside`` adds what the model does not contain: a sheet warped by 0.5 mm, a
print shear, and 2 % of crossings wrong by 1 to 30 px.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Iterator

import numpy as np
import tables
from judged import HALF, after_fit_error
from simulated import FLATNESS_MM, observe, put_pieces, traced_ring, view_of, without

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.errors import SpilemarkError
from spilemark.frames import outward_normals
from spilemark.records import Polyline, View
from spilemark.testing import shapes
from spilemark.testing.metrics import bootstrap
from spilemark.testing.simulator import draw_world
from spilemark.testing.worlds import World, WorldRules
from spilemark.uncertainty import COVERAGE_FACTOR, u95_fit
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import Solution, solve
from spilemark_stages.trace.outlines import SAWN_EDGE_MM
from spilemark_stages.trace.traced_ring import POINTS_MM


def main() -> None:
    """Draw, solve, count, print."""
    told = _arguments()
    rules = _rules(told)
    rows = [r for r in _worlds(rules, told) if r is not None]
    refused = told.worlds - len(rows)
    print(
        f"{len(rows)} simulated worlds, {told.photos} photo(s) each, basis {told.basis}"
        f"{', with what the model does not contain' if told.outside else ''}"
        f"{f'; {refused} refused' if refused else ''}\n"
    )
    tables.show(
        [
            "worlds of",
            "n",
            "within 95 %",
            "from",
            "to",
            "within 50 %",
            "rms",
            "sigma",
            "p95 mm",
            "u95",
        ],
        [_line(name, part) for name, part in _strata(rows)],
    )
    print("\nfrom, to: 95 % interval of the share within 95 %, by bootstrap over worlds.")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--worlds", type=int, default=300)
    parser.add_argument("--photos", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--basis", choices=("taped", "bar", "nominal"), default="taped")
    parser.add_argument("--outside", action="store_true")
    return parser.parse_args()


def _rules(told: argparse.Namespace) -> WorldRules:
    rules = WorldRules(photos=told.photos)
    if told.photos > 1:
        # What the tracer believes of sheets and saws, and one photo's claim here leaves out.
        rules = dataclasses.replace(
            rules,
            outline_step_mm=POINTS_MM,
            bend_sd_mm=FLATNESS_MM,
            sawn_edge_sd_mm=SAWN_EDGE_MM,
        )
    if told.outside:
        return dataclasses.replace(rules, warp_mm=0.5, print_shear_sd=0.001, outliers=0.02)
    return rules


@dataclasses.dataclass(frozen=True, slots=True)
class Row:
    """One world's outcome."""

    kind: str
    cards: int
    tilt_deg: float
    within_95: float
    within_50: float
    rms_mm: float
    sigma_mm: float
    p95_mm: float
    u95_mm: float


def _worlds(rules: WorldRules, told: argparse.Namespace) -> Iterator[Row | None]:
    specimens = [shapes.quarter_knee(), shapes.breasthook(), shapes.notched_plate()]
    specimens += [shapes.mirror(shapes.quarter_knee(angle_deg=104, hull_mm=340, transom_mm=300))]
    for k in range(told.worlds):
        rng = np.random.default_rng([told.seed, k])
        world = draw_world(rules, specimens[k % len(specimens)], shop_cards(), rng)
        try:
            job = without(world.job, told.basis)
            yield _judge(dataclasses.replace(world, job=job), rules)
        except SpilemarkError as error:
            print(f"world {k}: {error}")
            yield None


def _judge(world: World, rules: WorldRules) -> Row:
    observed = observe(world, rules)
    beliefs = gather_beliefs(
        world.job, world.card_set, observed, nominal_sigma=0.005, bar_sigma_mm=0.08
    )
    solution = solve(observed, beliefs)
    views = tuple(view_of(shot, k, solution) for k, shot in enumerate(world.shots))
    ring = _ring(world, views, solution, rules)
    error = after_fit_error(ring.points_mm, world.outline_mm)
    claim = u95_fit(ring)
    sigma = claim / COVERAGE_FACTOR
    down = camera.rotation_matrix(world.shots[0].rotation_rad)[2]
    return Row(
        kind=world.kind,
        cards=len(world.cards),
        tilt_deg=float(np.degrees(np.arccos(-down[2]))),
        within_95=float((np.abs(error) <= claim).mean()),
        within_50=float((np.abs(error) <= HALF * sigma).mean()),
        rms_mm=float(np.sqrt((error**2).mean())),
        sigma_mm=float(np.sqrt((sigma**2).mean())),
        p95_mm=float(np.percentile(np.abs(error), 95)),
        u95_mm=float(np.median(claim)),
    )


def _ring(world: World, views: tuple[View, ...], solution: Solution, rules: WorldRules) -> Polyline:
    """The outline with its doubts as a tracer hands it on."""
    rings = [
        traced_ring(shot, view.plane, rules) for shot, view in zip(world.shots, views, strict=True)
    ]
    if len(rings) > 1:
        fused = put_pieces(views, rings, solution.causes, "single", rules)
        if fused is not None:
            return fused.polyline(0, "edge")
    plane, points = views[0].plane, rings[0].points_mm
    normals = outward_normals(points)
    bias = rules.edge_bias_sd_px * camera.mm_per_px_across(points, normals, plane)
    shared = camera.plane_sensitivity(points, normals, plane)
    return Polyline(
        role="edge",
        points_mm=points,
        sigma_mm=rings[0].sigma_mm,
        sensitivity_mm=np.column_stack([shared, bias]),
        seen=rings[0].seen,
    )


def _strata(rows: list[Row]) -> list[tuple[str, list[Row]]]:
    parts = {
        "all": rows,
        "raw lens": [r for r in rows if r.kind == "raw"],
        "corrected lens": [r for r in rows if r.kind == "corrected"],
        "4 or 5 cards": [r for r in rows if r.cards <= 5],
        "6 to 8 cards": [r for r in rows if r.cards >= 6],
        "tilt below 7": [r for r in rows if r.tilt_deg < 7],
        "tilt 7 to 14": [r for r in rows if 7 <= r.tilt_deg < 14],
        "tilt over 14": [r for r in rows if r.tilt_deg >= 14],
    }
    return [(name, part) for name, part in parts.items() if part]


def _line(name: str, rows: list[Row]) -> list[object]:
    def column(key: str) -> list[float]:
        return [getattr(r, key) for r in rows]

    low, high = bootstrap(column("within_95"), lambda v: float(v.mean()))
    rms = float(np.sqrt(np.mean(np.square(column("rms_mm")))))
    sigma = float(np.sqrt(np.mean(np.square(column("sigma_mm")))))
    share = [100 * v for v in (float(np.mean(column("within_95"))), low, high)]
    half = 100 * float(np.mean(column("within_50")))
    p95, u95 = float(np.median(column("p95_mm"))), float(np.median(column("u95_mm")))
    return [name, len(rows), *share, half, rms, sigma, p95, u95]


if __name__ == "__main__":
    main()
