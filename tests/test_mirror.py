"""Mirroring across the centreline."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo
from hypothesis import given, settings
from hypothesis import strategies as st

from spilemark.frames import outward_normals, signed_area
from spilemark.records import Note, RegisteredPattern, Side
from spilemark.rigid import apply
from spilemark_stages.mirror.centreline_mirror import mirror
from spilemark_stages.register.reference_line import Options, register


def registered(side: str = "starboard", **facts: object) -> RegisteredPattern:
    outline = zoo.outline(
        zoo.knee(side=side, step_mm=4.0, hole=True, notch_mm=(240.0, 40.0, 24.0)),
        tag=side,
        turn_rad=1.1,
        noise_seed=4,
    )
    return register(
        outline=outline, side=Side(side), job=zoo.job(face={side: "up"}, **facts), options=Options()
    )


def mirrored(pattern: RegisteredPattern) -> RegisteredPattern:
    return mirror(pattern=pattern, options=None)


def perimeter(ring: np.ndarray) -> float:
    return float(np.linalg.norm(np.roll(ring, -1, 0) - ring, axis=1).sum())


@pytest.mark.parametrize("side", ["port", "starboard", "single"])
def test_twice_is_the_pattern_again(side: str) -> None:
    pattern = replace(registered(), side=Side(side), centreline_offset_mm=410.0)
    twice = mirrored(mirrored(pattern))
    for before, after in zip(pattern.outline.polylines, twice.outline.polylines, strict=True):
        assert np.array_equal(before.points_mm, after.points_mm)
        assert np.array_equal(before.sensitivity_mm, after.sensitivity_mm)
        assert np.array_equal(before.sigma_mm, after.sigma_mm)
        assert np.array_equal(before.seen, after.seen)
    assert [(c.index, c.name) for c in twice.outline.corners] == [
        (c.index, c.name) for c in pattern.outline.corners
    ]
    assert [(e.start, e.stop, e.name) for e in twice.outline.edges] == [
        (e.start, e.stop, e.name) for e in pattern.outline.edges
    ]
    assert np.array_equal(twice.datum_sensitivity_mm, pattern.datum_sensitivity_mm)
    assert np.array_equal(twice.covariance, pattern.covariance)
    assert (twice.map.turn_rad, twice.map.shift_mm, twice.map.flipped) == (
        pattern.map.turn_rad,
        pattern.map.shift_mm,
        pattern.map.flipped,
    )
    assert twice.side is pattern.side
    assert twice.origin_corner == pattern.origin_corner
    assert twice.centreline_offset_mm == 410.0
    assert not twice.measured


def test_x_changes_sign_and_the_sides_swap() -> None:
    pattern = registered()
    copy = mirrored(pattern)
    assert copy.side is Side.PORT
    assert not copy.measured
    flipped = pattern.outline.ring.points_mm[::-1] * [-1.0, 1.0]
    assert np.array_equal(copy.outline.ring.points_mm, flipped)
    assert mirrored(replace(pattern, side=Side.SINGLE)).side is Side.SINGLE


def test_winding_area_and_perimeter_stay() -> None:
    pattern = registered()
    copy = mirrored(pattern)
    for before, after in zip(pattern.outline.polylines, copy.outline.polylines, strict=True):
        if not before.closed:
            continue
        area, mirrored_area = signed_area(before.points_mm), signed_area(after.points_mm)
        assert mirrored_area == pytest.approx(area)
        # The same points in their old order run the other way round.
        assert signed_area(before.points_mm * [-1.0, 1.0]) == pytest.approx(-area)
        assert perimeter(after.points_mm) == pytest.approx(perimeter(before.points_mm))


def test_corners_and_edges_keep_their_names_and_places() -> None:
    pattern, copy = registered(), mirrored(registered())
    places = {c.name: pattern.outline.ring.points_mm[c.index] for c in pattern.outline.corners}
    for corner in copy.outline.corners:
        at = copy.outline.ring.points_mm[corner.index]
        assert at == pytest.approx(places[corner.name] * [-1.0, 1.0])
    assert copy.outline.corners[copy.origin_corner or 0].name == "outer"
    spans = {e.name: (e.start, e.stop) for e in copy.outline.edges}
    last = len(pattern.outline.ring.points_mm) - 1
    for edge in pattern.outline.edges:
        assert spans[edge.name] == (last - edge.stop, last - edge.start)


def test_a_mirrored_pattern_is_named_as_the_other_side_would_be() -> None:
    copy, port = mirrored(registered("starboard")), registered("port")
    assert {e.name for e in copy.outline.edges} == {e.name for e in port.outline.edges}


@given(st.integers(0, 8), st.floats(-2, 2))
@settings(max_examples=12, deadline=None)
def test_a_cause_moves_the_copy_as_it_moves_the_pattern(cause: int, amplitude: float) -> None:
    pattern = registered()
    copy = mirrored(pattern)
    moved = []
    for p in (pattern, copy):
        ring = p.outline.ring
        across = ring.sensitivity_mm[:, [cause]] * amplitude
        moved.append(ring.points_mm + across * outward_normals(ring.points_mm))
    assert moved[1] == pytest.approx(moved[0][::-1] * [-1.0, 1.0], abs=1e-12)


def test_the_copys_map_leads_from_the_bench_to_the_copy() -> None:
    outline = zoo.outline(zoo.knee(side="starboard"), tag="starboard", turn_rad=0.3)
    pattern = register(
        outline=outline,
        side=Side.STARBOARD,
        job=zoo.job(face={"starboard": "up"}),
        options=Options(),
    )
    copy = mirrored(pattern)
    assert apply(copy.map, outline.ring.points_mm)[::-1] == pytest.approx(
        copy.outline.ring.points_mm, abs=1e-9
    )


def test_notes_and_covariance_are_mirrored() -> None:
    note = Note(code="a", severity="info", text="", at_mm=(3.0, 4.0))
    pattern = replace(registered(), notes=(note,))
    copy = mirrored(pattern)
    assert copy.notes[0].at_mm == (-3.0, 4.0)
    sign = np.diag([-1.0, -1.0, 1.0])
    assert copy.covariance == pytest.approx(sign @ pattern.covariance @ sign)
    assert np.all(np.diag(copy.covariance) == np.diag(pattern.covariance))
