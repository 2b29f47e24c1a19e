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
from pathlib import Path

import numpy as np
import tables

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.errors import SpilemarkError
from spilemark.frames import outward_normals
from spilemark.records import (
    CameraFacts,
    Floats,
    JobFacts,
    Lens,
    Photo,
    PlaneMap,
    Polyline,
    StraightPhoto,
    View,
)
from spilemark.rigid import apply, best_fit
from spilemark.testing import shapes
from spilemark.testing.metrics import bootstrap
from spilemark.testing.simulator import Shot, World, WorldRules, draw_world
from spilemark.uncertainty import (
    COVERAGE_FACTOR,
    arc_weights,
    fit_functional,
    rigid_columns,
    u95_fit,
)
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import Solution, solve
from spilemark_stages.trace.outlines import SAWN_EDGE_MM
from spilemark_stages.trace.regions import Region
from spilemark_stages.trace.several import Beliefs, put_together
from spilemark_stages.trace.traced_ring import POINTS_MM, TracedRing
from spilemark_stages.trace.traced_view import TracedPiece
from spilemark_stages.undistort import exif_prior

FILM_DIAGONAL_MM = float(np.hypot(36, 24))
FLATNESS_MM = 0.2
"""As the built-in tracer believes."""
HALF = 0.6744897501960817
"""Half-width of a 50 % interval in standard deviations."""


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
            yield _judge(_without(world, told.basis), rules)
        except SpilemarkError as error:
            print(f"world {k}: {error}")
            yield None


def _without(world: World, basis: str) -> World:
    """Take away what the person is not to have measured."""
    told = {"taped": {"distances": world.job.distances[:1]}, "bar": {"distances": ()}}
    less = told.get(basis, {"distances": (), "printed_bar_mm": None})
    return dataclasses.replace(world, job=dataclasses.replace(world.job, **less))


def observe(world: World, rules: WorldRules) -> tuple[PhotoObservation, ...]:
    """What a card finder would hand on, with the lens prior that the built-in plug-in proposes."""
    by_name = {c.name: c for c in world.card_set.cards}
    return tuple(
        PhotoObservation(
            name=f"single:{k}",
            arm="single",
            lens_group="phone",
            lens=_prior(shot),
            width_px=shot.frame_px[0],
            height_px=shot.frame_px[1],
            cards=tuple(
                CardObservation(
                    card=by_name[name],
                    which=np.arange(len(points)),
                    points_px=points,
                    sigma_px=np.full(len(points), rules.crossing_noise_px),
                )
                for name, points in shot.crossings_px.items()
            ),
        )
        for k, shot in enumerate(world.shots)
    )


def _prior(shot: Shot) -> Lens:
    width, height = shot.frame_px
    photo = Photo(
        path=Path("simulated.jpg"),
        sha256="",
        pixels=np.broadcast_to(np.uint8(0), (height, width)),
        camera=CameraFacts(
            make="Simulated",
            model="phone",
            focal_35mm=round(shot.exif_focal_px * FILM_DIAGONAL_MM / np.hypot(width, height)),
        ),
    )
    return exif_prior.undistort(photo, "single", JobFacts(), exif_prior.Options()).lens


def _judge(world: World, rules: WorldRules) -> Row:
    observed = observe(world, rules)
    beliefs = gather_beliefs(
        world.job, world.card_set, observed, nominal_sigma=0.005, bar_sigma_mm=0.08
    )
    solution = solve(observed, beliefs)
    views = tuple(_view(shot, k, solution) for k, shot in enumerate(world.shots))
    rings = [_ring(shot, view.plane, rules) for shot, view in zip(world.shots, views, strict=True)]
    ring = rings[0] if len(rings) == 1 else _together(views, rings, solution, rules)
    error = _after_fit(ring.points_mm, world.outline_mm)
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


def straight_of(shot: Shot, k: int) -> StraightPhoto:
    """A photo without pixels worth reading."""
    width, height = shot.frame_px
    photo = Photo(
        path=Path(f"{k}.jpg"), sha256="", pixels=np.broadcast_to(np.uint8(0), (height, width))
    )
    return StraightPhoto(photo=photo, lens=_prior(shot), lens_group="phone", arm="single")


def _view(shot: Shot, k: int, solution: Solution) -> View:
    """One photo as the survey hands it on, without its cards."""
    numbers = solution.views[k].numbers
    plane = PlaneMap(
        lens=numbers[:9],
        rotation_rad=numbers[9:12],
        translation_mm=numbers[12:15],
        height_mm=float(numbers[15]),
        gain=solution.views[k].gain,
    )
    return View(
        straight=straight_of(shot, k),
        plane=plane,
        cards=(),
        residual_rms_px=0.0,
        card_hull_mm=np.zeros((0, 2)),
    )


def _together(
    views: tuple[View, ...], rings: list[Polyline], solution: Solution, rules: WorldRules
) -> Polyline:
    """The outline put together from all photos as the tracer does it."""
    nothing = Region(np.zeros((0, 2)), (), cut_by_frame=False, area_mm2=0.0)
    pieces = [
        TracedPiece(
            view=view,
            photo=None,
            region=nothing,
            outer=TracedRing(ring.points_mm, ring.sigma_mm, ring.seen, ()),
            holes=(),
            doubtful=(),
            darker=False,
            thickness_mm=view.plane.height_mm,
            gap_mm=1.0,
        )
        for view, ring in zip(views, rings, strict=True)
    ]
    beliefs = Beliefs(edge_bias_px=rules.edge_bias_sd_px, shade_mm=0.0, flatness_mm=FLATNESS_MM)
    fused, used, _ = put_together(pieces, solution.causes, "single", 0, beliefs)
    return fused.polyline(0, "edge") if fused else rings[views.index(used[0].view)]


def _ring(shot: Shot, plane: PlaneMap, rules: WorldRules) -> Polyline:
    """The outline as a tracer hands it on: carried to the face, with its doubts."""
    points = camera.pixels_to_plane(shot.outline_px, plane)
    normals = outward_normals(points)
    across = camera.mm_per_px_across(points, normals, plane)
    bias = rules.edge_bias_sd_px * across
    shared = camera.plane_sensitivity(points, normals, plane)
    return Polyline(
        role="edge",
        points_mm=points,
        sigma_mm=rules.edge_noise_px * across,
        sensitivity_mm=np.column_stack([shared, bias]),
        seen=np.ones(len(points), dtype=bool),
    )


def _after_fit(points: Floats, truth: Floats) -> Floats:
    """Errors (N,) along the normals after the best rigid fit of paired points."""
    moved = apply(best_fit(points, truth), points)
    normals = outward_normals(truth)
    error = np.einsum("ni,ni->n", moved - truth, normals)
    functional = fit_functional(truth, normals, arc_weights(truth, closed=True))
    return np.asarray(error - rigid_columns(truth, normals) @ (functional @ error))


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
