"""One simulated world through survey and tracer, judged against its truth and an oracle.

The oracle has the same observations, and knows with which spreads the world was
drawn: phone, cards, print, person, noise of every reading.  For normal errors no
interval that is honest can on average be narrower than its (Gauss-Markov).
"""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import numpy as np
from simulated import FLATNESS_MM, observe, put_pieces, straight_of, traced_ring, view_of

from spilemark import lens as camera
from spilemark.card_places import check_card_places
from spilemark.errors import SpilemarkError
from spilemark.frames import outward_normals
from spilemark.records import Cause, Floats, Lens, Note, Outline, Polyline, Survey, View
from spilemark.rigid import apply, best_fit
from spilemark.testing.simulator import phones
from spilemark.testing.worlds import LensKind, World, WorldRules
from spilemark.uncertainty import (
    COVERAGE_FACTOR,
    arc_weights,
    fit_functional,
    rigid_columns,
    u95_fit,
)
from spilemark.wording import thick_stock
from spilemark_stages.rectify.card_survey import Options, survey_from
from spilemark_stages.rectify.observations import Beliefs, PhotoObservation
from spilemark_stages.rectify.scale import gather_beliefs
from spilemark_stages.rectify.solve import solve
from spilemark_stages.trace.advice import outside_note
from spilemark_stages.trace.outlines import SAWN_EDGE_MM, shared_by
from spilemark_stages.trace.parallax import several_notes
from spilemark_stages.trace.several import FusedPiece
from spilemark_stages.trace.traced_ring import POINTS_MM, TracedRing

HALF = 0.6744897501960817
"""Half-width of a 50 % interval in standard deviations."""
BENCHES = WorldRules(
    outline_step_mm=POINTS_MM, bend_sd_mm=FLATNESS_MM, sawn_edge_sd_mm=SAWN_EDGE_MM
)
"""Sheets and saws as the tracer believes them to be."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One world's outcome; millimetres."""

    kind: LensKind
    error_mm: Floats
    """(N,) along the normals after the best rigid fit."""
    u95_mm: Floats
    """(N,) claimed."""
    oracle_mm: Floats
    """(N,) the oracle's."""
    notes: tuple[Note, ...]

    @property
    def within_95(self) -> float:
        """Share of the outline within its 95 % interval."""
        return float((np.abs(self.error_mm) <= self.u95_mm).mean())

    @property
    def within_50(self) -> float:
        """The same of the 50 % interval."""
        return float((np.abs(self.error_mm) <= HALF / COVERAGE_FACTOR * self.u95_mm).mean())

    @property
    def p95_mm(self) -> float:
        """95th percentile of the error's size."""
        return float(np.percentile(np.abs(self.error_mm), 95))


def judge(world: World, rules: WorldRules, *, oracle: bool = True) -> Judged | SpilemarkError:
    """Survey, trace, compare with the truth; a refusal is handed back."""
    observed = observe(world, rules)
    straight = tuple(straight_of(shot, k) for k, shot in enumerate(world.shots))
    try:
        survey = survey_from(straight, observed, world.card_set, world.job, Options())
    except SpilemarkError as error:
        return error
    ring, fused = _claimed(world, survey.views, survey.causes, rules)
    try:
        notes = _all_notes(world, survey, ring, fused)
    except SpilemarkError as error:
        return error
    knows = _oracle_u95(world, observed, rules) if oracle else np.full(len(ring.points_mm), np.nan)
    return Judged(
        world.kind, after_fit_error(ring.points_mm, world.outline_mm), u95_fit(ring), knows, notes
    )


def _all_notes(
    world: World, survey: Survey, ring: Polyline, fused: FusedPiece | None
) -> tuple[Note, ...]:
    """What survey, tracer and conductor say of such a job."""
    notes = [*survey.notes, *(several_notes(fused) if fused else ())]
    traced = TracedRing(ring.points_mm, ring.sigma_mm, ring.seen, ())
    notes += outside_note(traced, survey.views)
    asked = thick_stock(world.job)
    outline = Outline(
        polylines=(ring,),
        corners=(),
        edges=(),
        causes=tuple(Cause(id=str(k), kind="") for k in range(ring.sensitivity_mm.shape[1])),
        views=survey.views,
    )
    notes += check_card_places(survey, {"single": (outline,)}, world.job)
    return (*notes, asked) if asked is not None else tuple(notes)


def after_fit_error(points: Floats, truth: Floats) -> Floats:
    """Errors (N,) along the normals after the best rigid fit of paired points."""
    moved = apply(best_fit(points, truth), points)
    normals = outward_normals(truth)
    error = np.einsum("ni,ni->n", moved - truth, normals)
    functional = fit_functional(truth, normals, arc_weights(truth, closed=True))
    return np.asarray(error - rigid_columns(truth, normals) @ (functional @ error))


def _claimed(
    world: World, views: tuple[View, ...], causes: tuple[Cause, ...], rules: WorldRules
) -> tuple[Polyline, FusedPiece | None]:
    """The outline with its doubts as the built-in tracer hands it on."""
    rings = [
        traced_ring(shot, view.plane, rules) for shot, view in zip(world.shots, views, strict=True)
    ]
    fused = put_pieces(views, rings, causes, "single", rules) if len(rings) > 1 else None
    if fused is not None:
        return fused.polyline(0, "edge"), fused
    base = rings[0]
    shared = shared_by(
        views[0], causes, base.points_mm, "single", 0, rules.edge_bias_sd_px, 0.0, FLATNESS_MM
    )
    normals = outward_normals(base.points_mm)
    return _line(
        base.points_mm, base.sigma_mm, shared.sensitivity(base.points_mm, normals, edge=True)
    ), None


def _line(points: Floats, sigma: Floats, table: Floats) -> Polyline:
    return Polyline(
        role="edge",
        points_mm=points,
        sigma_mm=sigma,
        sensitivity_mm=table,
        seen=np.ones(len(points), dtype=bool),
    )


def _oracle_u95(world: World, observed: tuple[PhotoObservation, ...], rules: WorldRules) -> Floats:
    """Half-width (N,) of the interval of one who knows how the world was drawn."""
    believed = gather_beliefs(
        world.job, world.card_set, observed, nominal_sigma=0.005, bar_sigma_mm=rules.bar_sd_mm
    )
    told = tuple(
        dataclasses.replace(photo, lens=_lens_of(world, k, rules))
        for k, photo in enumerate(observed)
    )
    solution = solve(told, _as_drawn(believed, rules))
    views = tuple(view_of(shot, k, solution) for k, shot in enumerate(world.shots))
    points = camera.pixels_to_plane(world.shots[0].outline_px, views[0].plane)
    normals = outward_normals(points)
    tables, sigmas = [], []
    for k, view in enumerate(views):
        shared = shared_by(view, solution.causes, points, "single", 0, 0.0, 0.0, rules.bend_sd_mm)
        own = shared.sensitivity(points, normals, edge=False)
        across = camera.mm_per_px_across(points, normals, view.plane)
        bias = np.zeros((len(points), 2 + len(views)))
        bias[:, 0] = np.sqrt(rules.edge_bias_common) * rules.edge_bias_sd_px * across
        bias[:, 1] = rules.sawn_edge_sd_mm
        bias[:, 2 + k] = np.sqrt(1 - rules.edge_bias_common) * rules.edge_bias_sd_px * across
        tables.append(np.concatenate([own, bias], axis=1))
        sigmas.append(rules.edge_noise_px * across)
    table, sigma = _best_of(np.stack(tables), np.stack(sigmas))
    return u95_fit(_line(points, sigma, table))


def _best_of(tables: Floats, sigmas: Floats) -> tuple[Floats, Floats]:
    """Best linear estimate of points (N,) from photos (V, N): its table (N, K) and sigma (N,).

    The readings differ by the causes and by noise alone, so their differences
    tell of the causes; what each point is was not known beforehand.
    """
    weight = 1 / sigmas**2
    share = weight / weight.sum(axis=0)
    mean = np.einsum("vn,vnk->nk", share, tables)
    rows = ((tables - mean) * np.sqrt(weight)[..., None]).reshape(-1, tables.shape[2])
    left = np.linalg.inv(np.eye(tables.shape[2]) + rows.T @ rows)
    return mean @ np.linalg.cholesky(left), np.asarray(1 / np.sqrt(weight.sum(axis=0)))


def _as_drawn(beliefs: Beliefs, rules: WorldRules) -> Beliefs:
    if beliefs.print_common_sigma is not None:
        beliefs = dataclasses.replace(
            beliefs,
            print_common_sigma=max(rules.print_scale_sd, 1e-4) / np.sqrt(2),
            print_sigma=(max(rules.print_scale_sd, 1e-4) * np.sqrt(2),) * 2,
        )
    return dataclasses.replace(
        beliefs,
        lift_mm=rules.lift_mean_mm,
        lift_sigma_mm=max(rules.lift_sd_mm, 0.01),
        bow_mm=rules.bow_mean_mm,
        bow_sigma_mm=max(rules.bow_sd_mm, 0.01),
        drift_f=rules.focal_per_photo_sd,
        drift_centre_px=rules.centre_per_photo_sd_px,
    )


def _lens_of(world: World, k: int, rules: WorldRules) -> Lens:
    """What is true of all phones of a kind, about this one's EXIF."""
    values, covariance = _spread(world.kind, rules)
    focal = world.shots[k].exif_focal_px
    scale = np.ones(9)
    scale[0] = focal
    if len(world.shots) == 1:
        extra = np.zeros(9)
        extra[0], extra[2:4] = rules.focal_per_photo_sd, rules.centre_per_photo_sd_px
        covariance = covariance + np.diag(extra**2)
    return Lens(
        values=values * scale, covariance=covariance * np.outer(scale, scale), basis="oracle"
    )


@lru_cache(maxsize=8)
def _spread(kind: LensKind, rules: WorldRules) -> tuple[Floats, Floats]:
    """Mean (9,) and covariance (9, 9) of a kind of lens, focal length by EXIF's."""
    drawn = phones(kind, rules, 4000, np.random.default_rng(0))
    return drawn.mean(axis=0), np.cov(drawn.T) + np.diag(np.full(9, 1e-12))
