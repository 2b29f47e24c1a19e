"""Where the sides differ, and whether that is more than can be seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo
from shapely import LinearRing, Polygon

from spilemark.errors import UsageError
from spilemark.frames import outward_normals
from spilemark.records import (
    Alignment,
    Floats,
    JobFacts,
    Note,
    Outline,
    RegisteredPattern,
    Side,
    SideComparison,
    Verdict,
)
from spilemark.testing import shapes
from spilemark_stages.compare import words
from spilemark_stages.compare.signed_gap import Options, compare
from spilemark_stages.compare.stretches import Difference, profile_value_mm, walks
from spilemark_stages.mirror.centreline_mirror import mirror
from spilemark_stages.register.reference_line import Options as LineOptions
from spilemark_stages.register.reference_line import register

LONG_LINE = {"line_mm": (5.0, 300.0), "line_inboard_mm": 30.0}
"""A pencil line that runs up most of a wide hull arm: long enough to be worth something."""


def registered(outline: Outline, side: str, job: JobFacts) -> RegisteredPattern:
    facts = replace(job, face={"port": "up", "starboard": "up"})
    return register(outline=outline, side=Side(side), job=facts, options=LineOptions())


def compared(
    port: dict | zoo.Drawn | None = None,
    starboard: dict | zoo.Drawn | None = None,
    *,
    step_mm: float = 1.0,
    noise: bool = True,
    **facts: object,
) -> SideComparison:
    """Both sides drawn, traced with noise, laid and compared."""
    job = zoo.job(**facts)
    patterns = []
    for side, kind, turn, seed in (("port", port, 0.4, 21), ("starboard", starboard, -1.9, 22)):
        drawn = (
            kind
            if isinstance(kind, zoo.Drawn)
            else zoo.knee(side=side, step_mm=step_mm, **(kind or {}))
        )
        outline = zoo.outline(
            drawn,
            tag=side,
            turn_rad=turn,
            shift_mm=(40.0, -15.0),
            noise_seed=seed if noise else None,
            fields=None if noise else (),
            sigma_mm=0.02 if noise else 0.0,
        )
        patterns.append(registered(outline, side, job))
    return against(*patterns, job)


def against(port: RegisteredPattern, starboard: RegisteredPattern, job: JobFacts) -> SideComparison:
    return compare(
        port=port,
        starboard_mirrored=mirror(pattern=starboard, options=None),
        job=job,
        options=Options(),
    )


def by(comparison: SideComparison, datum: str) -> Alignment:
    return next(a for a in comparison.alignments if a.datum == datum)


def notes(comparison: SideComparison, code: str) -> list[Note]:
    return [n for n in comparison.notes if n.code == code]


def stations_of(alignment: Alignment, edge: str) -> list:
    return [s for s in alignment.stations if s.edge == edge]


@pytest.mark.parametrize("height", [1.0, -1.0])
@pytest.mark.parametrize("at", [120.0, 240.0, 350.0])
def test_a_planted_millimetre_over_thirty_is_found_in_its_place(height: float, at: float) -> None:
    found = compared(starboard={"bump_mm": (at, height, 30.0)})
    seen = notes(found, "difference-seen")
    assert len(seen) == 1
    assert seen[0].value == pytest.approx(height, abs=0.2)
    text = seen[0].text
    assert ("Starboard" if height > 0 else "Port") in text
    assert "along the hull edge" in text
    assert "within your tolerance of 1.5 mm" in text
    place = float(text.split(" mm from the outer corner")[0].rsplit(" ", 1)[-1])
    assert place == pytest.approx(at, abs=5.0)
    fitted = by(found, "best fit")
    k = int(np.nanargmax(np.abs(fitted.gap_mm)))
    assert abs(fitted.gap_mm[k]) > fitted.u95_mm[k]
    assert found.port.outline.ring.points_mm[k] == pytest.approx(seen[0].at_mm, abs=3.0)


def test_nothing_is_found_where_nothing_was_planted() -> None:
    found = compared()
    assert notes(found, "difference-seen") == []
    assert notes(found, "face-or-side") == []
    for alignment in found.alignments:
        assert Verdict.DIFFERENT not in {s.verdict for s in alignment.stations}
        assert np.all(np.abs(alignment.gap_mm) <= alignment.u95_mm)
    assert found.one_part_serves_both is True
    assert found.take_off == ()


def really_measured(side: str, shared: Floats, rng: np.random.Generator, doubt: float) -> Outline:
    """An outline whose points are really moved by its causes, and whose line was really drawn off."""
    exact = zoo.outline(
        zoo.knee(side=side, step_mm=4.0, **LONG_LINE), tag=side, turn_rad=rng.uniform(-3, 3)
    )
    fields = zoo.all_fields(side)
    amplitude = np.concatenate([shared, rng.standard_normal(len(fields) - len(shared))])
    moved = []
    for line in exact.polylines:
        p = line.points_mm
        points = p + sum(a * f.displacement(p) for a, f in zip(amplitude, fields, strict=True))
        if line.closed:
            across = sum(a * f.outwards_mm for a, f in zip(amplitude, fields, strict=True))
            noise = rng.standard_normal((len(p), 1)) * line.sigma_mm[:, None]
            points = points + outward_normals(p) * (across + noise)
        else:
            ends = rng.normal(0.0, doubt, 2)
            along = (p[-1] - p[0]) / np.linalg.norm(p[-1] - p[0])
            share = np.linspace(0, 1, len(p))[:, None]
            points = points + np.array([-along[1], along[0]]) * (
                ends[0] * (1 - share) + ends[1] * share
            )
        moved.append(replace(line, points_mm=points))
    return replace(exact, polylines=tuple(moved))


def test_the_simultaneous_bands_hold_over_whole_outlines() -> None:
    job, pairs = zoo.job(), 60
    rng = np.random.default_rng(7)
    broken: dict[str, int] = {}
    for _ in range(pairs):
        shared = rng.standard_normal(len(zoo.shared_fields()))
        port, starboard = (
            registered(really_measured(s, shared, rng, job.line_doubt_mm), s, job)
            for s in ("port", "starboard")
        )
        for alignment in against(port, starboard, job).alignments:
            outside = np.abs(alignment.gap_mm) > alignment.u95_mm
            broken[alignment.datum] = broken.get(alignment.datum, 0) + bool(outside.any())
    # 95 % bands of 60 pairs: three are expected to break, more than eight hardly ever do.
    assert set(broken) == {"centreline", "corner and edge", "best fit"}
    assert max(broken.values()) <= 8


@pytest.mark.parametrize("grown", [-0.8, 0.02, 1.2])
def test_gaps_are_those_of_shapelys_offset(grown: float) -> None:
    port = zoo.knee(side="port")
    larger = np.array(Polygon(port.ring_mm).buffer(grown, join_style="mitre").exterior.coords)[:-1]
    larger = larger if LinearRing(larger).is_ccw else larger[::-1]
    starboard = zoo.Drawn(shapes.mirror(zoo.even(larger, 1.0)), port.line_mm)
    found = compared(port, starboard, noise=False)
    assert by(found, "best fit").gap_mm == pytest.approx(grown, abs=0.02)
    assert by(found, "best fit").u95_mm == pytest.approx(0.0, abs=1e-9)


def angle_bracket(opened_deg: float) -> zoo.Drawn:
    """Two arms of 300 mm along a corner at (0, 0), 40 mm wide, straight: a starboard knee's mirror."""
    a = np.radians(90.0 + opened_deg)
    u = np.array([np.cos(a), np.sin(a)])
    inward = np.array([u[1], -u[0]])
    inner = 40.0 * inward + u * (40.0 - 40.0 * inward[1]) / u[1]
    ring = np.array(
        [[0.0, 0.0], [300.0, 0.0], [300.0, 40.0], inner, 300.0 * u + 40.0 * inward, 300.0 * u]
    )
    return zoo.Drawn(zoo.even(ring, 1.0), None)


def test_a_deviation_has_no_meaning_without_its_datum() -> None:
    # Two knees identical but for a corner opened by 1 degree, arms of 300 mm: laid on one arm the
    # other is 300 tan 1 = 5.236 mm off; laid on the bisector each is 300 tan 0.5 = 2.618 mm off.
    found = compared(angle_bracket(0.0), angle_bracket(1.0).mirrored(), noise=False)
    on_arm = by(found, "corner and edge")
    ring = found.port.outline.ring.points_mm
    hull = (np.abs(ring[:, 0]) < 1e-6) & (ring[:, 1] > 1.0)
    transom = (np.abs(ring[:, 1]) < 1e-6) & (ring[:, 0] > 1.0)
    assert np.abs(on_arm.gap_mm[transom]).max() < 2e-3
    far = hull & (ring[:, 1] < 299.5)
    slope = np.abs(on_arm.gap_mm[far]) / ring[far, 1]
    assert 300.0 * slope == pytest.approx(5.236, abs=2e-3)
    # Half a turn back lays it on the bisector.
    half = np.radians(0.5) * np.sign(on_arm.gap_mm[far].mean())
    assert 300.0 * np.abs(np.tan(np.arctan(slope) - abs(half))) == pytest.approx(2.618, abs=2e-3)
    outer = next(c for c in found.corners if c.name == "outer")
    assert outer.starboard_deg - outer.port_deg == pytest.approx(1.0, abs=1e-6)
    # The best fit may shift too, so it hides more than either.
    assert np.nanmax(np.abs(by(found, "best fit").gap_mm[far])) < 2.618


@pytest.mark.parametrize(("bump", "verdict"), [(0.49, Verdict.SAME), (0.51, Verdict.DIFFERENT)])
def test_a_profile_zone_is_as_wide_as_twice_the_deviation(bump: float, verdict: Verdict) -> None:
    # Line profile, ISO 1101: a zone of 1.0 mm lies 0.5 mm to each side of the nominal, so that a
    # deviation of 0.49 passes and one of 0.51 fails.
    flat = {"sag_mm": 0.0}
    found = compared(
        flat,
        flat | {"bump_mm": (200.0, bump, 120.0)},
        noise=False,
        tolerance_mm=0.5,
        line_doubt_mm=0.0,
    )
    alignment = by(found, "centreline")
    # The running median takes 0.2 % off the top of a bump as wide as that.
    assert profile_value_mm(alignment.gap_mm) == pytest.approx(2 * bump, abs=3e-3)
    worst = max(alignment.stations, key=lambda s: abs(s.gap_mm))
    assert worst.verdict is verdict


def test_each_stretch_is_judged_by_its_gap_and_band() -> None:
    found = compared(starboard={"bump_mm": (240.0, 3.0, 90.0)}, tolerance_mm=1.0)
    for alignment in found.alignments:
        for s in alignment.stations:
            if s.verdict is Verdict.SAME:
                assert abs(s.gap_mm) + s.u95_mm <= 1.0 + 1e-9
            if s.verdict is Verdict.DIFFERENT:
                assert abs(s.gap_mm) + s.u95_mm > 1.0
    fitted = by(found, "best fit")
    hull = stations_of(fitted, "hull edge")
    assert len(hull) == round(400 / 30)
    # Distances are counted from the outer corner.
    outer = found.port.outline.corners[found.port.origin_corner or 0].index
    corner = found.port.outline.ring.points_mm[outer]
    for s in hull:
        assert np.linalg.norm(np.array(s.at_mm) - corner) == pytest.approx(s.s_mm, abs=17.0)
    different = [s.s_mm for s in fitted.stations if s.verdict is Verdict.DIFFERENT]
    assert different
    assert all(180 < s < 300 for s in different)
    assert found.one_part_serves_both is False
    assert "3.0 mm fuller" in found.verdict
    assert "Laid as they fit best" in found.verdict


def test_a_verdict_of_difference_tells_of_the_other_stretches_too() -> None:
    found = compared(starboard={"bump_mm": (240.0, 4.0, 90.0)})
    first, fitted = found.alignments[0], by(found, "best fit")
    on_line, best = found.verdict.split("Laid as they fit best")
    for alignment, said in ((first, on_line), (fitted, best)):
        tally = Counter(s.verdict for s in alignment.stations)
        assert tally[Verdict.DIFFERENT]
        if tally[Verdict.CANNOT_TELL]:
            assert f"on {tally[Verdict.CANNOT_TELL]} it cannot be told" in said
        assert f"on {tally[Verdict.SAME]} they are the same" in said
    assert Counter(s.verdict for s in first.stations)[Verdict.CANNOT_TELL] > 5


def test_more_differences_than_are_listed_still_warn_of_those_beyond_the_tolerance() -> None:
    found = compared(starboard={"bump_mm": (240.0, 4.0, 90.0)})
    worst = words.difference_notes(
        [_difference(found, mm) for mm in (9.0, 8.0, 7.0, 6.0, 5.0, 4.0, -3.0, 0.5)], zoo.job()
    )
    assert worst[-1].code == "differences-more"
    assert worst[-1].severity == "warn"
    assert worst[-1].text.startswith("2 more differences can be seen, none above 3.0 mm, 1 of them")
    slight = words.difference_notes([_difference(found, 0.5)] * 8, zoo.job())
    assert {n.severity for n in slight} == {"info"}


def _difference(found: SideComparison, most_mm: float) -> Difference:
    walk = walks(found.port)[0]
    return Difference(
        walk=walk,
        from_mm=0.0,
        to_mm=20.0,
        most_mm=most_mm,
        u95_mm=0.2,
        worst_mm=10.0,
        at_mm=(0.0, 0.0),
    )


def test_what_was_not_seen_is_never_the_same() -> None:
    job = zoo.job()
    patterns = []
    for side in ("port", "starboard"):
        outline = zoo.outline(zoo.knee(side=side), tag=side, noise_seed=3)
        ring = outline.ring
        hidden = np.linalg.norm(ring.points_mm - ring.points_mm[700], axis=1) < 60
        if side == "starboard":
            hidden = np.zeros_like(hidden)
            far = next(i for i in range(len(hidden)) if ring.points_mm[i, 1] > 300)
            hidden[far : far + 80] = True
        ring = replace(ring, seen=~hidden)
        outline = replace(outline, polylines=(ring, *outline.polylines[1:]))
        patterns.append(registered(outline, side, job))
    found = against(*patterns, job)
    for alignment in found.alignments:
        assert np.isnan(alignment.gap_mm[~found.port.outline.ring.seen]).all()
        assert np.isnan(alignment.gap_mm).sum() > (~found.port.outline.ring.seen).sum()
        blind = [s for s in alignment.stations if np.isnan(s.gap_mm)]
        assert blind
        assert {s.verdict for s in blind} == {Verdict.CANNOT_TELL}
    assert found.one_part_serves_both is None


def test_what_both_sides_share_cancels() -> None:
    job = zoo.job()

    def doubt(tags: Sequence[str]) -> float:
        patterns = []
        for side, tag in zip(("port", "starboard"), tags, strict=True):
            fields = [
                zoo.Field(replace(f.cause, id=f"{f.cause.id}:{tag}"), f.displacement, f.outwards_mm)
                for f in zoo.shared_fields()
            ]
            # Mirror images on the bench: what scale does to one it does to the other.
            outline = zoo.outline(zoo.knee(side=side), tag=side, fields=fields)
            patterns.append(registered(outline, side, job))
        return float(by(against(*patterns, job), "best fit").u95_mm.max())

    shared, apart = doubt(["same", "same"]), doubt(["one", "other"])
    assert shared < 0.15 * apart


def test_where_the_lines_are_short_the_verdict_says_so() -> None:
    found = compared()
    assert found.alignments[0].datum == "centreline"
    assert found.verdict.startswith("Laid on their pencil lines")
    assert "pencil lines themselves are not certain enough" in found.verdict
    assert "Laid as they fit best, port and starboard are the same within 1.5 mm" in found.verdict
    certain = compared(line_doubt_mm=0.01)
    assert "not certain enough" not in certain.verdict


def turned(drawn: zoo.Drawn, degrees: float) -> zoo.Drawn:
    """The part turned under its line: what a hull out of square does to a pattern."""
    a = np.radians(degrees)
    spin = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    middle = drawn.ring_mm.mean(axis=0)
    return replace(drawn, ring_mm=(drawn.ring_mm - middle) @ spin + middle)


def test_rack_is_named_beyond_measurement_and_line() -> None:
    starboard = turned(zoo.knee(side="starboard", **LONG_LINE), 0.8)
    found = compared(zoo.knee(side="port", **LONG_LINE), starboard)
    # Starboard turned anticlockwise comes out of the mirror turned clockwise.
    assert found.rigid.turn_deg == pytest.approx(-0.8, abs=0.03)
    assert found.rigid.turn_u95_deg < 0.3
    assert found.rigid.rack_named
    rack = notes(found, "rack")[0]
    assert rack.severity == "warn"
    assert "diagonals" in rack.text
    assert found.one_part_serves_both is True
    assert by(found, "best fit").turn_rad == pytest.approx(np.radians(0.8), abs=6e-4)


def test_rack_is_not_named_within_the_lines_doubt() -> None:
    starboard = turned(zoo.knee(side="starboard"), 0.2)
    found = compared(zoo.knee(side="port"), starboard)
    assert abs(found.rigid.turn_deg) > 0.15
    assert not found.rigid.rack_named
    assert notes(found, "no-rack")
    assert not notes(found, "rack")


def test_a_wider_corner_is_not_called_rack() -> None:
    found = compared(LONG_LINE, LONG_LINE | {"angle_deg": 99.0})
    outer = next(c for c in found.corners if c.name == "outer")
    assert outer.starboard_deg - outer.port_deg == pytest.approx(1.0, abs=0.05)
    assert outer.u95_deg < 0.35
    assert not found.rigid.rack_named
    said = notes(found, "corner-differs")[0].text
    assert "wider on starboard" in said
    assert f"{(outer.starboard_deg - outer.port_deg) / 2:.2f}° out of square" in said


def test_a_bump_near_the_corner_racks_no_hull() -> None:
    # Hull edge bulged from 40 to 200 mm, toes as drawn: what the angle next to the corner times
    # the arm's length would be at the toe is not there.
    found = compared(LONG_LINE, LONG_LINE | {"bump_mm": (120.0, 2.5, 160.0)})
    outer = next(c for c in found.corners if c.name == "outer")
    assert abs(outer.opened_deg) > outer.u95_deg
    assert np.radians(abs(outer.opened_deg)) * 400.0 > 1.5
    assert outer.through_toes_deg == pytest.approx(0.0, abs=0.06)
    assert outer.is_local
    assert not notes(found, "corner-differs")
    said = notes(found, "corner-uneven")[0]
    assert said.severity == "info"
    assert "bump or a hollow near the corner" in said.text
    away = float(said.text.split("meet within ")[1].split(" mm")[0])
    assert away <= 0.4
    assert not any("out of square does that" in n.text for n in found.notes)


def test_a_wider_corner_says_how_far_the_toes_lie_apart() -> None:
    # Two straight arms of 300 mm opened by 1 degree: 300 tan 1 = 5.24 mm at the toe.
    job = zoo.job()
    found = compared(angle_bracket(0.0), angle_bracket(1.0).mirrored(), noise=False)
    outer = next(c for c in found.corners if c.name == "outer")
    assert outer.through_toes_deg == pytest.approx(1.0, abs=1e-3)
    opened = words.Opened(outer, 300.0)
    assert opened.seen_at_toe_mm == pytest.approx(5.236, abs=0.01)
    assert "the toes lie 5.2 mm apart" in words.rigid_note(found.rigid, opened, job).text


def test_a_gap_at_an_arms_end_is_said_to_be_the_arms_length() -> None:
    found = compared(LONG_LINE | {"hull_mm": 404.4}, LONG_LINE)
    said = [n.text for n in notes(found, "difference-seen") if "hull arm" in n.text]
    assert len(said) == 1
    assert said[0].startswith("Port's hull arm is 4.")
    assert " longer (±" in said[0]
    assert "fuller" not in said[0]
    assert "port's hull arm is 4." in found.verdict
    assert "fuller" not in found.verdict


def test_the_turns_doubt_is_that_of_the_two_lines() -> None:
    found = compared(LONG_LINE, LONG_LINE, noise=False, line_doubt_mm=0.15)
    one = np.degrees(np.sqrt(2) * 0.15 / 295.0)
    assert found.rigid.turn_u95_deg == pytest.approx(1.96 * np.sqrt(2) * one, rel=1e-3)
    assert compared(LONG_LINE, LONG_LINE, noise=False, line_doubt_mm=0.0).rigid.turn_u95_deg < 1e-9


def test_a_shift_is_the_outer_corners() -> None:
    port = zoo.knee(side="port", **LONG_LINE)
    starboard = zoo.knee(side="starboard", **LONG_LINE)
    moved = replace(starboard, ring_mm=starboard.ring_mm + [0.6, 0.0])
    found = compared(port, moved, noise=False)
    # Starboard's lies further outboard: to port of port's, once mirrored.
    assert found.rigid.shift_mm == pytest.approx((-0.6, 0.0), abs=0.01)


def test_lengths_angles_and_areas_need_no_datum() -> None:
    found = compared({"hull_mm": 400.0}, {"hull_mm": 403.0, "end_mm": 52.0})
    lengths = {e.name: e.starboard_length_mm - e.port_length_mm for e in found.edges}
    assert lengths["hull edge"] == pytest.approx(3.0, abs=0.1)
    assert lengths["transom edge"] == pytest.approx(0.0, abs=0.1)
    assert lengths["hull arm end"] == pytest.approx(2.0, abs=0.1)
    assert len(found.corners) == 5
    areas = [
        abs(Polygon(p.outline.ring.points_mm).area) for p in (found.port, found.starboard_mirrored)
    ]
    assert found.area_mm2 == pytest.approx(areas)


def test_holes_are_not_wood() -> None:
    found = compared({"hole": True}, {}, noise=False)
    assert found.area_mm2[1] - found.area_mm2[0] == pytest.approx(np.pi * 81.0, rel=5e-3)


def test_a_lengths_doubt_is_that_of_scale() -> None:
    job, size = zoo.job(), 1e-3
    patterns = []
    for side in ("port", "starboard"):
        scale = zoo.Field(zoo.Cause(id=f"scale:{side}", kind="scale"), lambda p: size * p)
        outline = zoo.outline(zoo.knee(side=side), tag=side, fields=[scale], sigma_mm=0.0)
        patterns.append(registered(outline, side, job))
    found = against(*patterns, job)
    for edge in found.edges:
        exact = 1.96 * size * np.hypot(edge.port_length_mm, edge.starboard_length_mm)
        assert edge.u95_mm == pytest.approx(exact, rel=0.02)
    for corner in found.corners:
        assert corner.u95_deg < 0.02  # scale opens no angle


def test_an_edge_cut_short_by_a_notch_is_not_compared_with_a_whole_one() -> None:
    found = compared(starboard={"notch_mm": (240.0, 28.0, 20.0)})
    assert "hull edge" not in {e.name for e in found.edges}
    assert "transom edge" in {e.name for e in found.edges}
    assert found.take_off[0].side is Side.STARBOARD
    assert found.take_off[0].most_mm == pytest.approx(20.0, abs=0.2)
    # It is the notch that differs, not the rest of the part.
    assert len(notes(found, "difference-seen")) == 1


def test_a_notch_that_sits_a_little_further_on_is_not_called_deeper() -> None:
    # Off the end of its floor there is the other notch's floor, drawn on, and not its mouth.
    found = compared({"notch_mm": (240.0, 28.0, 20.0)}, {"notch_mm": (242.0, 28.0, 20.0)})
    fitted = by(found, "best fit")
    assert np.nanmax(np.abs(fitted.gap_mm)) < 2.6
    walls = [s.gap_mm for s in fitted.stations if s.edge in ("notch near side", "notch far side")]
    assert sorted(walls) == pytest.approx([-2.0, 2.0], abs=0.25)
    floor = stations_of(fitted, "notch floor")
    assert max(abs(s.gap_mm) for s in floor) < 0.3


def test_a_narrow_notch_on_one_side_only_is_not_bridged() -> None:
    found = compared(starboard={"notch_mm": (240.0, 7.0, 20.0)})
    assert np.nanmin(by(found, "best fit").gap_mm) == pytest.approx(-20.0, abs=0.2)


def test_one_part_is_the_larger_outline_and_loses_wood() -> None:
    found = compared(
        {"bump_mm": (120.0, 2.5, 60.0)}, {"bump_mm": (300.0, 2.5, 60.0)}, tolerance_mm=1.0
    )
    assert found.one_part_serves_both is False
    cuts = {t.side: t for t in found.take_off}
    # Where port is fuller the part that fits both must be planed to fit starboard, and so on.
    assert cuts[Side.STARBOARD].from_mm < 120.0 < cuts[Side.STARBOARD].to_mm
    assert cuts[Side.PORT].from_mm < 300.0 < cuts[Side.PORT].to_mm
    for cut in found.take_off:
        assert cut.edge == "hull edge"
        assert cut.most_mm == pytest.approx(2.5, abs=0.2)


def test_one_part_cannot_be_told_when_the_band_is_as_wide_as_the_tolerance() -> None:
    assert compared(tolerance_mm=0.5).one_part_serves_both is None
    assert compared(tolerance_mm=1.5).one_part_serves_both is True


def test_the_same_pattern_photographed_twice_is_suspected() -> None:
    # Port's pattern again, said to be starboard's: without forward it is laid turned end for end.
    twice = zoo.knee(side="port")
    found = compared(twice, zoo.Drawn(-twice.ring_mm, -twice.line_mm))  # type: ignore[operator]
    said = notes(found, "face-or-side")[0]
    assert said.severity == "warn"
    assert "same pattern" in said.text
    assert found.verdict.startswith("No verdict")
    assert found.one_part_serves_both is None
    assert not notes(found, "difference-seen")
    assert not notes(found, "rack")


def test_a_pattern_that_lay_face_down_is_suspected() -> None:
    job = zoo.job()
    rng = np.random.default_rng(3)
    port, starboard = zoo.knee(side="port"), zoo.knee(side="starboard", angle_deg=98.3, sag_mm=6.0)
    outlines = [
        zoo.outline(port, tag="port", noise_seed=1),
        zoo.outline(starboard, tag="starboard", face_down=True, turn_rad=rng.uniform(-3, 3)),
    ]
    patterns = [registered(o, s, job) for o, s in zip(outlines, ("port", "starboard"), strict=True)]
    said = notes(against(*patterns, job), "face-or-side")[0]
    assert "face down" in said.text
    told = register(
        outline=outlines[1],
        side=Side.STARBOARD,
        job=zoo.job(face={"starboard": "down"}),
        options=LineOptions(),
    )
    assert not notes(against(patterns[0], told, job), "face-or-side")


def test_swapped_sides_are_suspected() -> None:
    job = zoo.job()
    patterns = [
        replace(p, notes=(Note(code="wrong-hand", severity="warn", text=""),))
        for p in (
            compared().port,
            registered(zoo.outline(zoo.knee(side="starboard"), tag="starboard"), "starboard", job),
        )
    ]
    assert notes(against(*patterns, job), "sides-swapped")


def test_real_differences_of_a_true_pair_raise_no_suspicion() -> None:
    found = compared(starboard={"angle_deg": 99.5, "hull_mm": 395.0})
    assert not notes(found, "face-or-side")
    assert notes(found, "difference-seen")


@pytest.mark.parametrize(
    "starboard",
    [
        {"hull_mm": 300.0, "angle_deg": 106.0},
        {"sag_mm": 60.0},
        {"hull_mm": 250.0, "transom_mm": 330.0},
    ],
)
def test_another_part_is_not_compared_without_a_word(starboard: dict) -> None:
    found = compared(starboard=starboard)
    said = notes(found, "other-part")[0]
    assert said.severity == "warn"
    assert "probably not the two sides of one part" in said.text
    assert found.verdict.startswith("No verdict")
    assert found.take_off == ()
    assert found.one_part_serves_both is None
    assert {n.code for n in found.notes}.isdisjoint({"rack", "corner-differs", "difference-seen"})


@pytest.mark.parametrize(
    "starboard",
    [
        {"notch_mm": (200.0, 60.0, 30.0)},
        {"bump_mm": (200.0, 12.0, 120.0)},
        {"hull_mm": 430.0},
        {"angle_deg": 100.0},
        {"clip_mm": 40.0},
    ],
)
def test_a_pair_that_differs_in_one_thing_is_still_a_pair(starboard: dict) -> None:
    found = compared(starboard=starboard)
    assert not notes(found, "other-part")
    assert not notes(found, "turned-apart")
    assert not found.verdict.startswith("No verdict")


@pytest.mark.parametrize("degrees", [20.0, 90.0])
def test_a_line_taken_wrongly_is_no_hull_out_of_square(degrees: float) -> None:
    starboard = turned(zoo.knee(side="starboard", **LONG_LINE), degrees)
    found = compared(zoo.knee(side="port", **LONG_LINE), starboard)
    said = notes(found, "turned-apart")[0]
    assert f"{degrees:.0f}°" in said.text
    assert "--forward" in said.text
    assert "fit best, port and starboard are the same" in found.verdict
    assert found.take_off == ()
    assert {n.code for n in found.notes}.isdisjoint({"rack", "corner-differs"})


def test_without_lines_shape_comes_first() -> None:
    bare = {"line_mm": None}
    found = compared(bare, bare | {"bump_mm": (240.0, 1.0, 30.0)})
    assert [a.datum for a in found.alignments] == ["best fit", "corner and edge"]
    assert not found.rigid.rack_named
    assert not notes(found, "rack")
    assert found.verdict.startswith("Laid as they fit best")
    assert len(notes(found, "difference-seen")) == 1


def test_a_line_on_one_side_only_lays_nothing() -> None:
    found = compared({"line_mm": None}, {})
    assert [a.datum for a in found.alignments] == ["best fit", "corner and edge"]
    assert np.nanmax(np.abs(found.alignments[0].gap_mm)) < 0.1


def test_shapes_without_an_outer_corner_are_fitted_from_all_round() -> None:
    turn = np.linspace(0, 2 * np.pi, 700, endpoint=False)
    radius = 120.0 + 25.0 * np.cos(turn) + 18.0 * np.sin(3 * turn)
    port = zoo.Drawn(radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], -1), None)
    found = compared(port, port.mirrored())
    assert [a.datum for a in found.alignments] == ["best fit"]
    assert np.nanmax(np.abs(found.alignments[0].gap_mm)) < 0.15
    assert found.corners == ()


def test_a_tolerance_of_nothing_is_refused() -> None:
    with pytest.raises(UsageError, match="tolerance"):
        compared(tolerance_mm=0.0)


def test_inches_where_the_builder_thinks_in_inches() -> None:
    found = compared(starboard={"bump_mm": (240.0, 2.54, 40.0)}, units="in")
    text = notes(found, "difference-seen")[0].text
    assert '0.10" fuller' in text
    assert "mm" not in text
    assert "mm" not in found.verdict


def test_a_cut_that_no_edge_of_ports_faces_is_told() -> None:
    # A saw kerf, half a millimetre wide, into starboard's hull edge.
    ring = zoo.knee(side="starboard", step_mm=1.0).ring_mm
    kerf = zoo.notch(ring, np.array([100.0, 0.0]) + 200.0 * np.array([-0.139, 0.990]), 0.9, 30.0)
    starboard = zoo.Drawn(kerf, zoo.knee(side="starboard").line_mm)
    found = compared(None, starboard, step_mm=3.0)
    assert notes(found, "starboard-alone") or any(
        abs(t.most_mm - 30.0) < 3.0 for t in found.take_off
    )
    assert found.one_part_serves_both is not True


def test_repeated_comparisons_say_the_same() -> None:
    one, again = compared(), compared()
    for a, b in zip(one.alignments, again.alignments, strict=True):
        assert np.array_equal(a.u95_mm, b.u95_mm)
        assert np.array_equal(a.gap_mm, b.gap_mm)
    assert one.verdict == again.verdict
