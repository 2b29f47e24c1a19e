"""What is doubtful after a fit or in a frame, against draws of the errors themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo
from scipy.special import ndtri

from spilemark.frames import outward_normals
from spilemark.records import Cause, Floats, Outline, RegisteredPattern, Side
from spilemark.uncertainty import (
    COVERAGE_FACTOR,
    align_causes,
    arc_weights,
    budget,
    fit_functional,
    rigid_columns,
    simultaneous_factor,
    u95_datum,
    u95_fit,
)
from spilemark_stages.register.reference_line import Options, register

DRAWS = 2000


def drawn_errors(outline: Outline, seed: int, *, tag: str = "port") -> tuple[Floats, Floats]:
    """Moved ring and pencil line, (DRAWS, N, 2) each: fields, edge bias and noise."""
    rng = np.random.default_rng(seed)
    fields = zoo.all_fields(tag)
    amplitudes = rng.standard_normal((DRAWS, len(fields)))
    ring, line = outline.ring, outline.of_role("centreline")[0]
    moved = []
    for part, outwards in ((ring, True), (line, False)):
        p = part.points_mm
        bend = np.stack([f.displacement(p) for f in fields])
        points = p + np.einsum("dk,kni->dni", amplitudes, bend)
        normal = outward_normals(p) if outwards else np.array([[-1.0, 0.0]]) + 0 * p
        across = rng.standard_normal((DRAWS, len(p))) * part.sigma_mm
        if outwards:
            across = across + amplitudes @ np.array([f.outwards_mm for f in fields])[:, None]
        moved.append(points + across[..., None] * normal)
    return moved[0], moved[1]


def on_line(side: str = "port", **sizes: float) -> RegisteredPattern:
    outline = zoo.outline(zoo.knee(side=side, step_mm=4.0, **sizes), tag=side)
    return register(
        outline=outline, side=Side(side), job=zoo.job(face={side: "up"}), options=Options()
    )


def test_u95_fit_is_what_is_left_after_really_fitting() -> None:
    outline = zoo.outline(zoo.knee(step_mm=4.0), sigma_mm=0.03)
    truth = outline.ring.points_mm
    measured, _ = drawn_errors(outline, seed=11)
    normals = outward_normals(truth)
    weights = arc_weights(truth, closed=True)
    # Gauss-Newton on the distances along the true normals, all draws at once.
    points = measured
    for _ in range(3):
        gap = np.einsum("dni,ni->dn", points - truth, normals)
        turned = np.stack([-points[..., 1], points[..., 0]], axis=-1)
        jacobian = np.concatenate(
            [
                np.einsum("dni,ni->dn", turned, normals)[..., None],
                np.broadcast_to(normals, (DRAWS, *normals.shape)),
            ],
            axis=2,
        )
        weighted = jacobian * weights[:, None]
        step = np.linalg.solve(
            np.einsum("dni,dnj->dij", weighted, jacobian),
            np.einsum("dni,dn->di", weighted, -gap)[..., None],
        )[..., 0]
        c, s = np.cos(step[:, 0]), np.sin(step[:, 0])
        spin = np.stack([np.stack([c, s], -1), np.stack([-s, c], -1)], axis=1)
        points = points @ spin + step[:, None, 1:]
    left = np.einsum("dni,ni->dn", points - truth, normals)
    claimed = u95_fit(outline.ring)
    assert COVERAGE_FACTOR * left.std(axis=0) == pytest.approx(claimed, rel=0.10)
    assert np.mean(np.abs(left) <= claimed) == pytest.approx(0.95, abs=0.01)


def corner_by_edges(points: Floats, at: Floats, before: Floats, after: Floats) -> Floats:
    """Corner (D, 2) where straight fits of the edges on both sides meet."""
    lines = []
    for index in (before, after):
        p = points[:, index]
        middle = p.mean(axis=1, keepdims=True)
        direction = np.linalg.svd(p - middle)[2][:, 0]
        normal = np.stack([-direction[:, 1], direction[:, 0]], -1)
        lines.append((normal, (normal * middle[:, 0]).sum(1)))
    matrix = np.stack([lines[0][0], lines[1][0]], axis=1)
    value = np.stack([lines[0][1], lines[1][1]], axis=1)
    return np.linalg.solve(matrix, value[..., None])[..., 0]


def test_u95_datum_is_what_really_registering_gives() -> None:
    doubt = 0.15
    pattern = on_line()
    drawn = zoo.outline(zoo.knee(step_mm=4.0))
    truth, pencil = drawn.ring.points_mm, drawn.of_role("centreline")[0].points_mm
    measured, line = drawn_errors(drawn, seed=12)
    rng = np.random.default_rng(13)
    share = (pencil[:, 1] - pencil[0, 1]) / np.ptp(pencil[:, 1])
    ends = rng.normal(0.0, doubt, (DRAWS, 2))
    line = line + np.stack(
        [ends[:, :1] * (1 - share) + ends[:, 1:] * share, np.zeros((DRAWS, len(share)))], -1
    )
    # The frame: y along a least-squares line, origin at the foot of the corner of both edges.
    outer = pattern.outline.corners[pattern.origin_corner or 0].index
    away = np.linalg.norm(truth - truth[outer], axis=1)
    near = np.flatnonzero((away > 2.0) & (away < 41.0))
    before = near[(outer - near) % len(truth) < 30]
    after = near[(near - outer) % len(truth) < 30]
    corner = corner_by_edges(measured, truth[outer], before, after)
    exact = corner_by_edges(truth[None], truth[outer], before, after)[0]
    middle = line.mean(axis=1)
    y = line[..., 1] - middle[:, 1:]
    lean = (y * (line[..., 0] - middle[:, :1])).sum(1) / (y**2).sum(1)
    turn = np.arctan(lean)
    c, s = np.cos(turn), np.sin(turn)
    spin = np.stack([np.stack([c, s], -1), np.stack([-s, c], -1)], axis=1)
    at_line = np.einsum("di,dij->dj", middle, spin)[:, 0]
    foot = np.einsum("di,dij->dj", corner, spin)[:, 1] - exact[1]
    # The exact line lies on x = 0.
    placed = measured @ spin - np.stack([at_line, foot], -1)[:, None]
    left = np.einsum("dni,ni->dn", placed - truth, outward_normals(truth))
    claimed = u95_datum(pattern)
    # Corners themselves are stated along bisectors; and the noise of the points that the origin
    # was fitted to is counted twice, once their own and once the origin's: never too small.
    plain = np.ones(len(truth), dtype=bool)
    plain[[c.index for c in pattern.outline.corners]] = False
    plain[np.concatenate([before, after])] = False
    spread = COVERAGE_FACTOR * left.std(axis=0)
    assert np.allclose(pattern.outline.ring.points_mm, truth, atol=1e-9)
    assert spread[plain] == pytest.approx(claimed[plain], rel=0.10)
    assert np.mean(np.abs(left) <= claimed) == pytest.approx(0.95, abs=0.012)


def test_a_rigid_error_leaves_no_doubt_of_shape() -> None:
    ring = zoo.outline(zoo.knee(), fields=(), sigma_mm=0.0).ring
    columns = rigid_columns(ring.points_mm, outward_normals(ring.points_mm))
    moved = replace(ring, sensitivity_mm=columns * [0.01, 5.0, 5.0])
    assert u95_fit(moved).max() < 1e-9


def test_a_hole_is_judged_after_the_fit_of_the_edge() -> None:
    outline = zoo.outline(zoo.knee(hole=True), sigma_mm=0.0)
    hole = outline.of_role("hole")[0]
    alone, on_ring = u95_fit(hole), u95_fit(hole, fitted_on=outline.ring)
    # By itself a small hole is a small circle; where it sits is another question.
    assert alone.max() < on_ring.max()


def test_the_turn_of_a_disc_stays_open() -> None:
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    points = 50.0 * np.stack([np.cos(turn), np.sin(turn)], -1) + [300.0, 0.0]
    normals = outward_normals(points)
    functional = fit_functional(points, normals, np.ones(60))
    assert functional @ (normals @ [1.0, 0.0]) == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)


def test_shared_causes_cancel_by_identity() -> None:
    a = (Cause(id="print-x", kind="print"), Cause(id="height:1", kind="height"))
    b = (Cause(id="height:2", kind="height"), Cause(id="print-x", kind="print"))
    aligned = align_causes(a, b)
    assert [c.id for c in aligned.causes] == ["print-x", "height:1", "height:2"]
    of_a, of_b = np.array([[3.0, 1.0]]), np.array([[2.0, 3.0]])
    assert aligned.difference(of_a, of_b).tolist() == [[0.0, -1.0, 2.0]]
    assert aligned.spread_a(of_a).tolist() == [[3.0, 1.0, 0.0]]
    assert aligned.spread_b(of_b).tolist() == [[3.0, 0.0, 2.0]]


def test_simultaneous_factor_of_independent_points_has_a_closed_form() -> None:
    for count in (1, 10, 300, 2000):
        exact = ndtri(0.5 + 0.5 * 0.95 ** (1 / count))
        found = simultaneous_factor(np.zeros((count, 0)), np.ones(count), draws=8000)
        assert found == pytest.approx(exact, rel=0.02)


def test_simultaneous_factor_of_one_common_error_is_that_of_one_point() -> None:
    found = simultaneous_factor(np.linspace(0.1, 1.0, 500)[:, None], np.zeros(500), draws=8000)
    assert found == pytest.approx(COVERAGE_FACTOR, rel=0.02)
    assert simultaneous_factor(np.zeros((5, 2)), np.zeros(5)) == pytest.approx(COVERAGE_FACTOR)


def test_a_simultaneous_band_holds_everywhere_at_once() -> None:
    ring = zoo.outline(zoo.knee(step_mm=2.0), sigma_mm=0.05).ring
    rng = np.random.default_rng(5)
    table, sigma = ring.sensitivity_mm, ring.sigma_mm
    errors = rng.standard_normal((4000, table.shape[1])) @ table.T
    errors += rng.standard_normal(errors.shape) * sigma
    band = simultaneous_factor(table, sigma) * np.sqrt((table**2).sum(1) + sigma**2)
    assert np.mean((np.abs(errors) <= band).all(axis=1)) == pytest.approx(0.95, abs=0.015)


def test_the_budget_adds_up_to_the_worst_point_and_names_the_largest_first() -> None:
    pattern = on_line()
    for after, whole in (("datum", u95_datum(pattern)), ("fit", u95_fit(pattern.outline.ring))):
        parts = budget(pattern, after=after)  # type: ignore[arg-type]
        sizes = [p.u95_mm for p in parts]
        assert sizes == sorted(sizes, reverse=True)
        assert np.sqrt(np.sum(np.square(sizes))) == pytest.approx(whole.max())
    kinds = {p.cause for p in budget(pattern)}
    assert {"card print scale", "lens", "taped distance", "reference line", "edge noise"} <= kinds
    assert "reference line" not in {p.cause for p in budget(pattern, after="fit")}


def test_same_seed_same_factor() -> None:
    ring = zoo.outline(zoo.knee(step_mm=4.0)).ring
    first, again = (simultaneous_factor(ring.sensitivity_mm, ring.sigma_mm) for _ in range(2))
    assert first == again


def test_four_inputs_of_one_add_up_as_the_guide_works_out() -> None:
    """JCGM 101:2008, 9.2 (additive model), from memory: y = x1 + x2 + x3 + x4, each of mean 0 and
    standard uncertainty 1, has u(y) = 2.0 and, by the law of propagation, the 95 % interval
    [-3.92, 3.92]; the guide's own Monte Carlo finds [-3.88, 3.88] where the inputs are rectangular.
    """
    base = zoo.outline(zoo.knee(step_mm=4.0), sigma_mm=0.0).ring
    still = replace(base, sensitivity_mm=np.zeros((len(base.points_mm), 4)))
    summed = replace(base, sensitivity_mm=np.ones((len(base.points_mm), 4)))
    # Judged after the fit of a line that does not move: nothing is fitted away.
    claimed = u95_fit(summed, fitted_on=still)
    assert claimed == pytest.approx(3.92, abs=0.005)
    drawn = np.random.default_rng(101).uniform(-np.sqrt(3), np.sqrt(3), (200_000, 4)).sum(axis=1)
    assert np.quantile(np.abs(drawn), 0.95) == pytest.approx(3.88, abs=0.02)
    assert np.mean(np.abs(drawn) < claimed[0]) > 0.95
