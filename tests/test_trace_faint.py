"""Patterns that look like their bench: drawn ply on ply, pale card on pale paper, and the parts."""

from __future__ import annotations

import itertools
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from drawn_benches import MAT, PLY, Bench, grained, plane, survey

from spilemark.cards import shop_cards
from spilemark.conductor import run_job
from spilemark.errors import NoOutline
from spilemark.jobfile import read_order
from spilemark.lens import pixels_to_plane
from spilemark.recipe import prepare, standard_recipe
from spilemark.records import JobFacts, Outline
from spilemark.results import JobRequest
from spilemark.testing.shapes import notched_plate
from spilemark.uncertainty import u95_fit
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.cutting import Patches, cuts, holes_in, patches, revised
from spilemark_stages.trace.edgemodel import grid
from spilemark_stages.trace.huemask import refined
from spilemark_stages.trace.seams import SeamMap
from spilemark_stages.trace.texture import Sides, row_evidence
from spilemark_stages.trace.tint import tint_evidence

SAMPLE = Path(__file__).parents[1] / "sample_images" / "quarter_knee" / "job.toml"
PLATE = notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)) - [105, 55]
OTHER_PLY = (0.50, 0.33, 0.165)
"""A twentieth less green and less blue than PLY: another sheet of about the same."""
BIG = (1600, 1240)


def trace(bench: Bench) -> Outline:
    found = survey(bench.view())
    (outline,) = cut_edge.trace(found, "port", JobFacts(), cut_edge.Options())
    return outline


def away(outline: Outline) -> np.ndarray:
    points = outline.ring.points_mm[outline.ring.seen]
    return shapely.distance(shapely.LinearRing(PLATE), shapely.points(points))


def ply_bench(colour=OTHER_PLY) -> Bench:
    bench = Bench(plane(BIG, height_mm=0.4), size=BIG, colour=colour)
    frame = np.array(
        [[-9, -9], [BIG[0] + 9, -9], [BIG[0] + 9, BIG[1] + 9], [-9, BIG[1] + 9]], float
    )
    grained(pixels_to_plane(frame, bench.plane), bench.plane, bench, colour, 5, turn_deg=60.0)
    bench.card("A", (-75, 110), 2)
    bench.card("B", (60, -105), 178)
    return bench


def test_ply_on_ply_is_found_by_its_grain_and_faint_hue():
    bench = ply_bench()
    grained(PLATE, bench.plane, bench, PLY, 9)
    outline = trace(bench)
    assert outline.ring.seen.mean() > 0.85
    assert "faint-edge" in [n.code for n in outline.notes]
    off = away(outline)  # no wall and no shade help here
    assert np.quantile(off, 0.95) < 0.7
    assert off.max() < 1.5
    assert [round(c.angle_deg / 90) for c in outline.corners].count(3) == 2


def test_pale_card_on_pale_paper():
    bench = Bench(plane(BIG, height_mm=0.4), size=BIG, colour=(0.84, 0.81, 0.75), grain=0.015)
    bench.lay([PLATE], (0.86, 0.85, 0.82))
    bench.card("A", (-75, 110), 2)
    bench.card("B", (60, -105), 178)
    outline = trace(bench)
    assert outline.ring.seen.mean() > 0.9
    off = away(outline)
    assert np.quantile(off, 0.95) < 0.5
    assert off.max() < 1.5


def test_bare_ply_holds_no_pattern():
    with pytest.raises(NoOutline):
        trace(ply_bench())


def test_grain_ends_at_the_edge_and_goes_on_across_a_shadow():
    rng = np.random.default_rng(3)
    where = grid(20.0, 20.0, 1.0, 8.0, 0.5)
    s = np.array(where.samples)
    count, edge = 120, 2.0
    walks = [np.cumsum(rng.normal(0, 0.01, (count, len(s))), axis=1) for _ in range(2)]
    rows = np.where(s < edge, walks[0], rng.normal(0, 0.06, (count, 1)) + walks[1])
    # A shadow's border six px outside is much the stronger step, but alike in every row.
    rows = rows - 0.3 * (s > 8.0) + rng.normal(0, 0.01, rows.shape)
    sides = Sides(s <= -10, s >= 12)
    evidence = row_evidence(
        rows, np.ones(count, bool), np.zeros(count), where, sides, 0.5, 30, closed=False
    )
    best = where.shifts[int(evidence.sum(axis=0).argmax())]
    assert abs(best - edge) <= 1.0


def _profiles(edge: float, shadow: float, hue: float) -> tuple[np.ndarray, np.ndarray]:
    s = np.arange(-20.0, 21.0)
    light = np.where(s > shadow, 0.4, 1.0)
    colour = (
        np.array(PLY)[None] * np.where(s > edge, 1.0, 0.0)[:, None] * [1.0, 1 - hue, 1 - 2 * hue]
    )
    colour += np.array(PLY)[None] * np.where(s > edge, 0.0, 1.0)[:, None]
    return s, (light[:, None] * colour)[None]


def test_a_faint_hue_places_the_edge_and_a_shadow_does_not():
    where = grid(20.0, 20.0, 1.0, 8.0, 0.5)
    s, profile = _profiles(edge=-3.0, shadow=6.0, hue=0.05)
    noise = np.random.default_rng(1).normal(0, 0.003, (1, len(s), 3))
    evidence = tint_evidence(profile + noise, np.zeros(1), where, s <= -10, s >= 12)[0]
    assert abs(where.shifts[int(evidence.argmax())] + 3.0) <= 1.5
    _, profile = _profiles(edge=-3.0, shadow=6.0, hue=0.0)
    plain = tint_evidence(profile + noise, np.zeros(1), where, s <= -10, s >= 12)[0]
    assert np.ptp(plain) < 0.3 * np.ptp(evidence)


def _cost(split: Patches, taken: np.ndarray, price: float) -> float:
    cut = taken[split.one] != taken[split.other]
    border = float((split.cost[cut] * split.length[cut]).sum())
    return border - price * float(split.areas[taken].sum())


def test_cuts_are_the_best_of_all_and_each_lies_within_the_next():
    # All subsets of a few patches, tried one by one.
    rng = np.random.default_rng(8)
    count = 9
    pairs = np.array(
        [(a, b) for a, b in itertools.combinations(range(count), 2) if rng.random() < 0.6]
    )
    labels = np.arange(count, dtype=np.int32)[None]
    bench = np.zeros(count, bool)
    bench[[0, 1]] = True
    split = Patches(
        labels,
        rng.uniform(20, 60, count),
        bench,
        pairs[:, 0],
        pairs[:, 1],
        rng.uniform(0.5, 2.0, len(pairs)),
        rng.uniform(0.01, 1.0, len(pairs)),
    )
    free = np.flatnonzero(~bench)
    last = np.zeros(count, bool)
    seen = 0
    for cut in cuts(split):
        taken = cut.inside[0]
        best = min(
            _cost(split, np.isin(np.arange(count), free[list(pick)]), cut.price)
            for k in range(len(free) + 1)
            for pick in itertools.combinations(range(len(free)), k)
        )
        assert _cost(split, taken, cut.price) == pytest.approx(best, abs=0.02)
        assert (taken | ~last).all()
        last, seen = taken, seen + 1
    assert seen >= 1


def test_a_closed_seam_with_a_gap_still_encloses():
    strength = np.random.default_rng(2).uniform(5, 15, (120, 160)).astype(np.float32)
    strength[30:91, [40, 41, 110, 111]] = 200.0
    strength[[30, 31, 90, 91], 40:111] = 200.0
    strength[30:32, 70:78] = 8.0  # a gap
    seams = SeamMap(
        strength, np.zeros(strength.shape, bool), np.zeros((*strength.shape, 6), np.float32), 2
    )
    inside = [c.inside for c in cuts(patches(seams))]
    wanted = np.zeros(strength.shape, bool)
    wanted[31:91, 41:111] = True
    overlap = [(i & wanted).sum() / (i | wanted).sum() for i in inside]
    assert max(overlap) > 0.93


def test_a_dark_mat_is_no_faint_bench():
    bench = Bench(plane(BIG, height_mm=0.4), size=BIG, colour=MAT, grain=0.05)
    grained(PLATE, bench.plane, bench, PLY, 9)
    bench.card("A", (-75, 110), 2)
    bench.card("B", (60, -105), 178)
    off = away(trace(bench))
    assert np.quantile(off, 0.95) < 0.12


def _drawn_seams() -> tuple[SeamMap, np.ndarray, np.ndarray, np.ndarray]:
    """A pattern with a notch, whose mouth a seam bridges, and a hole; the bench has another hue."""
    rng = np.random.default_rng(4)
    shape = (140, 180)
    y, x = np.mgrid[: shape[0], : shape[1]]
    whole = (x >= 40) & (x < 130) & (y >= 30) & (y < 110)
    notch = (x >= 70) & (x < 95) & (y >= 30) & (y < 50)
    hole = np.hypot(x - 100, y - 80) < 9
    strength = rng.uniform(5, 15, shape).astype(np.float32)
    for part in (whole, notch, hole):
        strength[
            cv2.morphologyEx(part.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3))) > 0
        ] = 200
    fields = rng.normal(0, 0.005, (*shape, 6)).astype(np.float32)
    fields[whole & ~notch & ~hole, 1] += 0.03
    return SeamMap(strength, np.zeros(shape, bool), fields, 2), whole, notch, hole


def test_a_notch_whose_mouth_a_seam_bridges_is_bench_by_its_look():
    seams, whole, notch, _ = _drawn_seams()
    split = patches(seams)
    cut = max(cuts(split), key=lambda c: (c.inside & whole).sum() - 2.0 * (c.inside & ~whole).sum())
    assert cut.inside[notch].mean() > 0.8
    again = revised(seams, split, cut)
    assert again.inside[notch].mean() < 0.3
    assert again.inside[whole & ~notch].mean() > 0.85


def test_a_closed_seam_within_that_looks_like_the_bench_is_a_hole():
    seams, whole, _, hole = _drawn_seams()
    found = holes_in(seams, patches(seams), whole)
    assert (found & hole).sum() / (found | hole).sum() > 0.6
    same = SeamMap(seams.strength, seams.hidden, np.zeros_like(seams.fields), 2)
    assert not holes_in(same, patches(same), whole).any()


def test_hue_moves_a_rough_rim_and_a_tinted_end_of_the_bench_does_not():
    rng = np.random.default_rng(6)
    true = np.zeros((200, 300), np.uint8)
    true[50:150, 60:240] = 1
    true[50:70, 130:160] = 0  # a notch that the rough mask bridges
    rough = np.zeros_like(true)
    rough[53:147, 63:237] = 1
    values = rng.normal(0, 0.01, (200, 300, 3)).astype(np.float32)
    values[true > 0, 1] += 0.05
    values[..., 1] += 0.06 * np.linspace(0, 1, 300)[None] ** 2  # glare at one end
    fine = refined(rough, values, np.zeros(true.shape, bool), 1.0)
    assert fine is not None
    assert (fine != true).sum() < 0.3 * (rough != true).sum()
    values[..., 1] = rng.normal(0, 0.01, true.shape)
    assert refined(rough, values, np.zeros(true.shape, bool), 1.0) is None


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_the_sample_stands_out_from_its_bench(side: str) -> None:
    """Light ply on a dark bench: a fifth of it in shade does not make it a faint one."""
    order = read_order(SAMPLE, {})
    request = JobRequest(
        facts=order.facts, photos={side: order.photos[side]}, card_set=shop_cards()
    )
    result = run_job(request, prepare(standard_recipe()))
    outline = next(iter(result.patterns.values())).outline
    assert "faint-edge" not in {note.code for note in outline.notes}
    assert np.median(u95_fit(outline.ring)) < 0.25
