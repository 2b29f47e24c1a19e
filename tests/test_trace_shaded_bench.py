"""A hard shadow over bench and pattern: no part of the pattern, and never called so."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from drawn_benches import CONCRETE, PLY, Bench, grained, plane, survey

from spilemark.errors import NoOutline
from spilemark.records import JobFacts, Outline
from spilemark.testing.shapes import disc, notched_plate
from spilemark_stages.trace import cut_edge, regions

PLATE = notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)) - [105, 55]
PERSON = np.array([[-215, -160], [-55, -160], [-55, 25], [-215, 25]], float)
SIZE = (1700, 1300)


def in_somebodys_shadow(steps: int = 9) -> Bench:
    """Half the light gone over a card on the bench and a corner of the pattern, with a penumbra."""
    bench = Bench(plane(SIZE, height_mm=3.0), SIZE, colour=CONCRETE, grain=0.05)
    grained(PLATE, bench.plane, bench, PLY, 9)
    bench.card("A", (-75, 102), 2)
    bench.card("B", (-130, -105), 178)
    bench.card("C", (60, -100), 178)
    middle = PERSON.mean(axis=0)
    for grow in np.linspace(0.97, 1.03, steps):
        bench.shade([middle + grow * (PERSON - middle)], 0.48 ** (1 / steps))
    return bench


def traced(bench: Bench) -> tuple[Outline, ...]:
    job = JobFacts(thickness_mm=3.0)
    return cut_edge.trace(survey(bench.view()), "port", job, cut_edge.Options())


def test_the_shaded_bench_is_no_part_of_the_pattern() -> None:
    (outline,) = traced(in_somebodys_shadow())
    ring = outline.ring
    off = shapely.distance(shapely.LinearRing(PLATE), shapely.points(ring.points_mm))
    assert off.max() < 1.0
    assert np.quantile(off[ring.seen], 0.95) < 0.3
    assert ring.seen.mean() > 0.8


def test_a_card_on_the_bench_inside_the_outline_denies_it(monkeypatch) -> None:
    # As if the shade could not be told from the face.
    monkeypatch.setattr(regions, "without_shaded_bench", lambda deep, *_: deep)
    with pytest.raises(NoOutline, match="card B lies on the bench") as error:
        traced(in_somebodys_shadow())
    assert "shadow" in error.value.todo


def test_a_card_that_stands_as_high_as_the_pattern_denies_nothing() -> None:
    bench = in_somebodys_shadow()
    bench.card("D", (40, -13), 0, base=3.0)
    (outline,) = traced(bench)
    assert outline.seen_fraction > 0.8


def test_a_knot_at_the_edge_is_no_notch_and_its_edge_is_a_guess() -> None:
    # On wood of nearly the face's hue a knot is as dark as a shadow on the bench.
    bench = Bench(plane(height_mm=3.0), colour=(0.40, 0.27, 0.15), grain=0.05)
    grained(PLATE, bench.plane, bench, (0.458, 0.36, 0.245), 9, turn_deg=50)
    at = shapely.Polygon(disc((-60.0, -51.0), 6.0)).intersection(shapely.Polygon(PLATE))
    bench.lay([np.array(at.exterior.coords)[:-1]], (0.289, 0.195, 0.126))
    bench.card("A", (-75, 102), 2)
    bench.card("B", (60, -100), 178)
    (outline,) = traced(bench)
    ring = outline.ring
    off = shapely.distance(shapely.LinearRing(PLATE), shapely.points(ring.points_mm))
    assert off.max() < 1.5
    assert off[ring.seen].max() < 0.6
    assert not ring.seen[np.linalg.norm(ring.points_mm - [-60.0, -55.0], axis=1) < 3.0].any()


def test_a_card_half_under_the_pattern_is_told_to_be_taken_out():
    bench = Bench(plane(SIZE, height_mm=3.0), SIZE, colour=CONCRETE, grain=0.05)
    for name, at in (("A", (-75, 102)), ("B", (60, -110)), ("C", (100, 0))):
        bench.card(name, at, 80 if name == "C" else 2)
    grained(PLATE, bench.plane, bench, PLY, 9)
    with pytest.raises(NoOutline, match=r"card C .* partly under the pattern") as told:
        cut_edge.trace(survey(bench.view()), "port", JobFacts(), cut_edge.Options())
    assert "Take cards out from under its edges" in told.value.todo
