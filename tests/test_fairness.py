"""Bumps, hollows and changes of bend, as a batten shows them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo
from drawn_jobs import FACTS, pattern, result

from spilemark.fairness import Fairness, fairness
from spilemark.fairness_figure import edge_words, fairness_figure, write_fairness
from spilemark.records import Corner, Floats, Outline
from spilemark.report import report


def plate(top: Floats) -> tuple[Outline, int]:
    """A plate whose upper edge is a given line from right to left; and which edge that is."""
    right, left = top[0], top[-1]
    bottom = np.column_stack([np.linspace(left[0], right[0], 300), np.full(300, -150.0)])
    ring = np.vstack([top, bottom])
    corners = [0, len(top) - 1, len(top), len(ring) - 1]
    made = [Corner(index=k, angle_deg=90.0) for k in corners]
    return zoo.measured(ring, made, 0.01), 0


def upper(top: Floats) -> Fairness:
    outline, which = plate(top)
    name = outline.edges[which].name
    return next(f for f in fairness(outline) if f.edge == name)


X = np.linspace(500.0, 0.0, 900)


def test_an_arc_has_its_radius_everywhere_and_is_fair() -> None:
    """By hand: 900 mm of radius is 1.111 per metre."""
    top = np.column_stack([X, np.sqrt(900.0**2 - (X - 250.0) ** 2) - 900.0])
    found = upper(top)
    inner = slice(15, -15)
    assert found.curvature_per_m[inner] == pytest.approx(1000.0 / 900.0, rel=0.02)
    assert not found.findings
    assert edge_words(found, FACTS).startswith("nothing of 0.6 mm or more, shorter than 40 mm")
    hollow = upper(top * [1.0, -1.0] - [0.0, 60.0])
    assert hollow.curvature_per_m[inner] == pytest.approx(-1000.0 / 900.0, rel=0.02)


@pytest.mark.parametrize(("height", "kind"), [(0.9, "bump"), (-0.9, "hollow")])
def test_a_bump_and_a_hollow_are_found_where_they_are(height: float, kind: str) -> None:
    bump = height * np.exp(-0.5 * ((X - 180.0) / 14.0) ** 2)
    top = np.column_stack([X, np.sqrt(900.0**2 - (X - 250.0) ** 2) - 900.0 + bump])
    (found,) = [f for f in upper(top).findings if f.kind == kind and f.size_mm > 0.4]
    # Counted from the edge's start, at x = 500.
    assert found.at_mm == pytest.approx(320.0, abs=6.0)
    assert 0.5 * abs(height) < found.size_mm <= 1.05 * abs(height)
    assert found.from_mm < found.at_mm < found.to_mm


@pytest.mark.parametrize("sigma", [0.03, 0.08, 0.15])
@pytest.mark.parametrize("length", [20.0, 30.0, 39.0])
def test_what_is_said_to_show_is_found_on_noisy_edges_too(sigma: float, length: float) -> None:
    off = np.abs(X - 250.0)
    shape = np.where(off < length / 2, 0.5 + 0.5 * np.cos(2.0 * np.pi * off / length), 0.0)
    arc = np.sqrt(900.0**2 - (X - 250.0) ** 2) - 900.0
    noise = np.random.default_rng(5).normal(0.0, sigma, len(X))

    def read(height: float) -> Fairness:
        outline, which = plate(np.column_stack([X, arc + height * shape + noise]))
        line = outline.polylines[0]
        line = replace(line, sigma_mm=np.full(len(line.points_mm), sigma))
        outline = replace(outline, polylines=(line,))
        return next(f for f in fairness(outline) if f.edge == outline.edges[which].name)

    plain = read(0.0)
    assert not plain.findings
    assert any(abs(f.at_mm - 250.0) < 15.0 for f in read(plain.shown_mm).findings)


def test_an_edge_that_was_not_seen_is_not_called_fair() -> None:
    outline, which = plate(np.column_stack([X, np.zeros_like(X)]))
    line = outline.polylines[0]
    line = replace(line, seen=np.zeros(len(line.points_mm), dtype=bool))
    found = fairness(replace(outline, polylines=(line,)))
    edge = next(f for f in found if f.edge == outline.edges[which].name)
    assert edge_words(edge, FACTS) == "cannot tell: 100 % of it was not seen"


def test_an_s_has_one_inflection_and_an_arc_none() -> None:
    """A sine of one wave bends the other way at its middle."""
    top = np.column_stack([X, 12.0 * np.sin(2.0 * np.pi * X / 500.0)])
    turns = [f for f in upper(top).findings if f.kind == "inflection"]
    assert len(turns) == 1
    assert turns[0].at_mm == pytest.approx(250.0, abs=8.0)


def test_noise_makes_neither_bumps_nor_inflections() -> None:
    for seed in range(4):
        knee = pattern(zoo.knee(step_mm=0.7), sigma_mm=0.05, noise_seed=seed)
        for edge in fairness(knee.outline):
            assert not edge.findings, (seed, edge.edge)


def test_a_planted_bump_of_a_knee_is_told_at_its_place_along_the_hull_edge() -> None:
    for side in ("port", "starboard"):
        knee = pattern(zoo.knee(side=side, bump_mm=(240.0, 1.2, 50.0)), side, sigma_mm=0.03)
        hull = next(e for e in fairness(knee.outline) if e.edge == "hull edge")
        (bump,) = [f for f in hull.findings if f.kind == "bump"]
        # From the outer corner on, on either side.
        assert bump.at_mm == pytest.approx(240.0, abs=6.0)
        assert "bump of" in edge_words(hull, FACTS)


def test_the_figure_says_it_in_words_and_report_holds_it(tmp_path) -> None:
    job = result(sides=("port",), port=zoo.knee(bump_mm=(240.0, 1.2, 50.0)))
    (knee,) = job.patterns.values()
    text = fairness_figure(knee, FACTS)
    assert "bump of" in text
    assert "throat curve" in text
    assert write_fairness(knee, FACTS, tmp_path) == tmp_path / "fairness_port.svg"
    table = report(job)["patterns"]["port"]["fairness"]
    hull = next(row for row in table if row["edge"] == "hull edge")
    assert [f["kind"] for f in hull["findings"]] == ["bump"]
    assert 0.0 < hull["largest_raw_to_fair_mm"] < 0.3
