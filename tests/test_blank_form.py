"""The form point by point, curves that are no arcs, kinks, and the trial-bend loop."""

from __future__ import annotations

import datetime as dt
import itertools
import math

import numpy as np
import pytest
from shapely import LinearRing, LineString, Point, Polygon

from spilemark.blank.curves import Curve, arc, check_kinks, faired, from_curvature
from spilemark.blank.form import FormOrder, bend_ends, make_form
from spilemark.blank.lamination import Strips, equal_strips, laminate
from spilemark.blank.species import species_called
from spilemark.blank.springback import ShopFactor, kept_of_equal
from spilemark.blank.trial import (
    TrialBend,
    check_bend,
    check_opened,
    factor_from,
    judge,
    read_trials,
    trials_text,
)
from spilemark.blank.words import trial_lines
from spilemark.errors import UnreadableInput, UsageError

OAK = species_called("white oak")


def raised_cosine(length: float = 400.0, begin: float = 120.0, over: float = 160.0) -> Curve:
    """A bend of 90° whose curvature rises and falls as a raised cosine: no arc anywhere."""
    s = np.linspace(0.0, length, 4001)
    u = (s - begin) / over
    inside = (u > 0) & (u < 1)
    k = np.where(inside, (math.pi / 2) * (1 - np.cos(2 * math.pi * u)) / over, 0.0)
    return from_curvature(s, k)


def test_a_bend_that_is_no_arc():
    # Own derivation: six strips; turn, tightest radius and the toe.
    wanted = raised_cosine()
    form = wanted.bent(1 / kept_of_equal(6))
    assert math.degrees(form.turn_rad) == pytest.approx(92.5714, abs=1e-3)
    assert wanted.tightest()[0] == pytest.approx(50.930, abs=1e-2)
    assert form.tightest()[0] == pytest.approx(49.515, abs=1e-2)
    toe = np.linalg.norm(form.points_mm()[-1] - wanted.points_mm()[-1])
    assert toe == pytest.approx(8.609, abs=1e-2)


def integrated_back(points: np.ndarray, kept: float) -> np.ndarray:
    """Scale the turns of a drawn line's chords, and walk them again; knows nothing of curves."""
    steps = np.diff(points, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    back = heading[0] + kept * (heading - heading[0])
    walked = np.cumsum(lengths[:, None] * np.column_stack([np.cos(back), np.sin(back)]), axis=0)
    return np.vstack([[0.0, 0.0], walked])


def laid_on(points: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Best rigid laying, by singular values (Kabsch)."""
    a, b = points - points.mean(axis=0), other - other.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return a @ turn + other.mean(axis=0)


def test_the_form_integrated_back_is_the_wanted_curve():
    """Self-consistency only: it shows that the drawing holds the law, not that wood does."""
    throat = raised_cosine(500.0, 150.0, 200.0)
    knee = laminate(throat, equal_strips(18.0, OAK, number=9), arms_mm=(50.0, 50.0))
    assert knee.form.length_mm > 600.0
    back = integrated_back(knee.form.points_mm(), knee.springback.kept)
    wanted = knee.wanted.points_mm()
    assert np.linalg.norm(laid_on(back, wanted) - wanted, axis=1).max() < 0.05


def test_arms_stay_straight_and_the_middle_stays_in_place():
    knee = laminate(
        arc(160.0, math.radians(82.0)), equal_strips(18.0, OAK, number=6), arms_mm=(80.0, 60.0)
    )
    assert knee.arms_mm == (80.0, 60.0)
    middle = knee.wanted.middle_mm()
    assert middle == pytest.approx(80.0 + 169.0 * math.radians(41.0), abs=1e-6)
    assert knee.form.at(middle) == pytest.approx(knee.wanted.at(middle), abs=1e-9)
    points = knee.form.points_mm()
    for arm in (
        points[knee.form.s_mm <= 80.0],
        points[knee.form.s_mm >= knee.form.length_mm - 60.0],
    ):
        off = LineString(arm[[0, -1]]).distance(LineString(arm))
        assert off < 1e-9
    first = np.linalg.norm(points[knee.form.s_mm <= 80.0][-1] - points[0])
    assert first == pytest.approx(80.0, abs=1e-9)


def test_a_curve_that_turns_right_is_the_same_knee():
    left = arc(160.0, math.radians(82.0))
    right = Curve(s_mm=left.s_mm, theta_rad=-left.theta_rad)
    one, other = (laminate(c, equal_strips(18.0, OAK, number=9)) for c in (left, right))
    assert other.form_bend_deg == pytest.approx(one.form_bend_deg)
    # Its inside face is still the throat that was given.
    assert (
        LineString(right.points_mm()).hausdorff_distance(LineString(other.inside().points_mm()))
        < 1e-6
    )


def test_unequal_strips_of_several_woods():
    khaya = species_called("khaya")
    strips = Strips(thicknesses_mm=(3.0, 3.0, 3.0, 3.0), woods=(OAK, khaya, khaya, OAK))
    knee = laminate(arc(300.0, math.pi / 2), strips)
    assert knee.springback.kept == pytest.approx(0.942641, abs=1e-5)
    # Every kind of strip is judged where it is, the outer ones on a larger radius.
    assert [b.species.name for b in knee.tightest] == ["white oak", "khaya"]
    assert knee.tightest[1].inside_radius_mm == pytest.approx(
        knee.tightest[0].inside_radius_mm + 3.0
    )


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_every_strip_of_a_reverse_curve_is_judged_on_its_own_hollow_face(way):
    """An ogee: 120 mm at 1/120 one way, 400 mm at 1/250 the other; nine strips of 2 mm."""
    s = np.linspace(0.0, 520.0, 5201)
    throat = from_curvature(s, way * np.where(s < 120.0, -1 / 120.0, 1 / 250.0))
    knee = laminate(throat, equal_strips(18.0, OAK, number=9))
    (worst,) = knee.tightest
    # Own derivation.  The stack lies outside of the greater turn, 1.6 rad, and so on the hollow
    # side of the other: there its mid-line is at 120 - 9, on the form at 80/81 of that.
    outermost = 80.0 / 81.0 * (120.0 - 9.0) - 9.0
    innermost = 80.0 / 81.0 * (250.0 + 9.0) - 9.0
    assert worst.strip == 9
    assert worst.inside_radius_mm == pytest.approx(outermost, rel=1e-3)
    assert worst.inside_radius_mm < innermost
    assert worst.stress_share > 1.0
    # The same from the drawn form alone: circles through three points of each face of each strip.
    for number, low, high in ((1, 9.0, 7.0), (9, -7.0, -9.0)):
        least = min(
            drawn_radius(knee.form.moved_left(low).points_mm(), 1.0),
            drawn_radius(knee.form.moved_left(high).points_mm(), -1.0),
        )
        assert worst.inside_radius_mm <= least * 1.002
        assert number == 1 or worst.inside_radius_mm == pytest.approx(least, rel=2e-3)


def drawn_radius(points: np.ndarray, way: float, over: int = 60) -> float:
    """Least radius of circles through three points that turn one way."""
    a, b, c = points[: -2 * over], points[over:-over], points[2 * over :]
    (ux, uy), (vx, vy) = (b - a).T, (c - a).T
    cross = way * (ux * vy - uy * vx)
    sides = [np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))]
    return float(
        np.min(np.where(cross > 1e-9, np.prod(sides, axis=0), np.inf) / np.maximum(2 * cross, 1e-9))
    )


def test_toe_range_holds_the_ends_of_the_expected_springback():
    knee = laminate(arc(160.0, math.pi / 2, 250.0), equal_strips(18.0, OAK, number=6))
    for kept, off in zip(knee.springback.kept_range, knee.toe_range_mm(), strict=True):
        turned = math.radians(knee.form_bend_deg) * abs(kept - knee.springback.kept)
        # The arm of 250 mm, and the bend before it, swing through the angle.
        assert 250.0 * turned < off < (250.0 + 300.0) * turned
    # Own derivation: a form made to 90° itself opens 2.5°, 2.5/180·π·250 at the end of the arm alone.
    assert knee.toe_without_overbend_mm() > 250.0 * math.radians(2.5) - 0.1


@pytest.mark.parametrize("kind", ["male", "female"])
def test_the_form_lies_on_its_side_of_the_stack(kind):
    knee = laminate(
        arc(160.0, math.radians(82.0)), equal_strips(18.0, OAK, number=9), arms_mm=(90.0, 90.0)
    )
    form = make_form(knee, FormOrder(kind=kind))
    body = Polygon(form.body_mm)
    assert body.is_valid
    stack = LineString(knee.form.points_mm()).buffer(8.9, cap_style="flat")
    # The stack touches the form, and lies nowhere in it.
    assert body.intersection(stack).area < 1e-6
    assert body.distance(stack) == pytest.approx(0.1, abs=0.02)
    radius = 166.9136 + (-9.0 if kind == "male" else 9.0)
    assert form.face.tightest()[0] == pytest.approx(radius, abs=1e-3)
    # The sign stands away from the form.
    assert not body.contains(Point(form.centre_mm + 2.0 * form.centre_normal))
    assert body.contains(Point(form.centre_mm - 2.0 * form.centre_normal))
    begin, end = bend_ends(form.face)
    assert begin == pytest.approx(90.0, abs=1e-6)
    assert end == pytest.approx(form.face.length_mm - 90.0, abs=1e-6)
    holes = [Point(h).buffer(20.0) for h in form.holes_mm]
    assert len(holes) >= 3
    assert all(body.contains(hole) for hole in holes)
    for one, other in itertools.combinations(holes, 2):
        assert one.disjoint(other)
    gaps = np.linalg.norm(np.diff(form.clamps_mm, axis=0), axis=1)
    assert gaps.max() <= 100.0 + 1e-6


@pytest.mark.parametrize("kind", ["male", "female"])
@pytest.mark.parametrize("arm", [0.0, 60.0, 200.0])
@pytest.mark.parametrize("radius", [40.0, 60.0, 300.0])
@pytest.mark.parametrize("corner", [30, 60, 80, 110, 150])
def test_a_form_of_any_throat_keeps_off_the_strips_and_has_no_teeth(corner, radius, arm, kind):
    """Everything measured by shapely from the drawn rings alone."""
    throat = arc(radius, math.radians(180.0 - corner))
    knee = laminate(throat, equal_strips(18.0, OAK, number=6), arms_mm=(arm, arm))
    form = make_form(knee, FormOrder(kind=kind))
    body = Polygon(form.body_mm)
    assert body.is_valid
    # Strips lie against all of the face, and run on past its ends by their trim.
    strips = LineString(knee.form.extended(25.0, 25.0).points_mm()).buffer(8.99, cap_style="flat")
    assert body.intersection(strips).area < 1e-6
    face = LineString(form.face.points_mm())
    assert face.within(body.boundary.buffer(1e-5))
    # Face, two ends, and a back that is no longer than an even one.
    back = face.length + (math.radians(knee.form_bend_deg) * 110.0 if kind == "female" else 0.0)
    assert body.length < face.length + 220.0 + back + 1.0
    # No slot or notch: a disc of 50 mm rolls along the back.
    rolled = body.buffer(50.0, quad_segs=64).buffer(-50.0, quad_segs=64)
    behind = rolled.difference(body).difference(face.buffer(60.0, cap_style="flat"))
    assert behind.area < 1.0
    holes = [Point(h).buffer(20.0, quad_segs=64) for h in form.holes_mm]
    assert all(body.exterior.distance(hole) > 10.0 - 0.01 for hole in holes)
    assert all(body.contains(hole) for hole in holes)
    for one, other in itertools.combinations(holes, 2):
        assert one.distance(other) > 19.9
    assert form.narrowed is (len(holes) < len(form.clamps_mm))


def test_a_bend_that_no_form_can_have_is_refused():
    # Own derivation: 175° of two strips wants 175·4/3 = 233.3° on the form.
    with pytest.raises(UsageError, match=r"turn through 233\.3°"):
        laminate(arc(160.0, math.radians(175.0)), equal_strips(18.0, OAK, number=2))
    # A hook of 250° that runs across its own first arm, then back by 126°.
    s = np.linspace(0.0, 860.0, 1721)
    hook = from_curvature(s, np.where(s < 436.0, 0.01, np.where(s > 640.0, -0.01, 0.0)))
    with pytest.raises(UsageError, match="run into itself"):
        laminate(hook, equal_strips(18.0, OAK, number=9), arms_mm=(300.0, 300.0))


def test_a_form_without_room_for_its_holes_is_refused():
    with pytest.raises(UsageError, match="cannot be drawn"):
        FormOrder(hole_mm=60.0, hole_in_mm=20.0)
    assert (
        len(
            make_form(
                laminate(arc(160.0, 1.4), equal_strips(18.0, OAK, number=9)), FormOrder(hole_mm=0.0)
            ).holes_mm
        )
        == 0
    )


def test_measured_points_are_faired():
    rng = np.random.default_rng(7)
    knee = arc(160.0, math.radians(82.0), 40.0)
    s = np.arange(0.0, knee.length_mm, 0.5)
    true = Curve(s_mm=s, theta_rad=np.interp(s, knee.s_mm, knee.theta_rad))
    points = true.points_mm() + rng.normal(0.0, 0.06, (len(true.s_mm), 2))
    found = faired(points)
    # The farthest of points that scatter by 0.06 mm each way.
    assert 0.15 < found.off_mm < 0.4
    # Where an arc begins in a straight arm its curvature steps, and no fair line follows a step:
    # half a degree of bias, and a quarter of scatter, over 16 seeds.
    assert math.degrees(found.curve.turn_rad) == pytest.approx(82.0, abs=1.2)
    # A cubic has no sudden arc: it rounds the two tangent points.
    assert found.curve.tightest()[0] == pytest.approx(160.0, rel=0.12)
    off = LineString(found.curve.points_mm()).hausdorff_distance(LineString(true.points_mm()))
    assert off < 0.25


def test_typed_points_are_stations_of_a_batten():
    true = arc(200.0, math.radians(90.0), step_mm=25.0)
    found = faired(true.points_mm())
    line = LineString(found.curve.points_mm())
    assert max(line.distance(Point(p)) for p in true.points_mm()) < 0.01
    assert found.curve.tightest()[0] == pytest.approx(200.0, rel=0.1)


@pytest.mark.parametrize("spacing", [0.5, 5.0, 25.0])
@pytest.mark.parametrize("turn_deg", [15.0, 40.0])
def test_a_kink_is_found_and_placed(spacing, turn_deg):
    one = arc(400.0, 0.5, step_mm=spacing).points_mm()
    way = 0.5 + math.radians(turn_deg)
    ahead = np.arange(spacing, 150.0, spacing)[:, None] * [math.cos(way), math.sin(way)]
    with pytest.raises(UsageError, match="kink") as told:
        check_kinks(np.vstack([one, one[-1] + ahead]))
    x, y = (float(v) for v in told.value.what.split("(")[1].split(")")[0].split(","))
    assert math.hypot(x - one[-1, 0], y - one[-1, 1]) < max(10.0, 1.5 * spacing)


@pytest.mark.parametrize("radius", [30.0, 60.0, 160.0])
@pytest.mark.parametrize("spacing", [0.5, 4.0, 10.0])
def test_a_fair_bend_is_no_kink(radius, spacing):
    check_kinks(arc(radius, math.radians(90.0), 60.0, step_mm=spacing).points_mm())


@pytest.mark.parametrize("count", [4, 5, 6, 7, 8, 10])
@pytest.mark.parametrize("turn_deg", [40.0, 82.0, 110.0])
def test_a_few_even_points_of_a_fair_curve_are_no_kink(count, turn_deg):
    # Points of a circle, and of a parabola y = x²/400, by their own formulas.
    along = np.linspace(0.0, math.radians(turn_deg), count)
    check_kinks(160.0 * np.column_stack([np.sin(along), 1.0 - np.cos(along)]))
    x = np.linspace(0.0, 300.0, count)
    check_kinks(np.column_stack([x, x**2 / 400.0]))


@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_an_elbow_of_a_few_points_is_a_kink(count):
    arm = np.linspace(0.0, 100.0, count)
    first = np.column_stack([arm, 0.0 * arm])
    second = np.column_stack([100.0 + 0.0 * arm, arm])[1:]
    points = (
        np.vstack([first, second]) if count > 2 else np.vstack([first, second, [[100.0, 190.0]]])
    )
    with pytest.raises(UsageError, match="kink of 90"):
        check_kinks(points)


def test_what_cannot_be_laminated_is_told():
    with pytest.raises(UsageError, match="no bend"):
        laminate(arc(1e6, 1e-4), equal_strips(18.0, OAK, number=9))
    with pytest.raises(UsageError, match="springs back straight"):
        laminate(arc(160.0, 1.4), equal_strips(18.0, OAK, number=1))
    with pytest.raises(UsageError, match="four or more"):
        faired(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 1.0]]))
    for wrong in ({}, {"number": 3, "strip_mm": 2.0}, {"number": 500}):
        with pytest.raises(UsageError):
            equal_strips(18.0, OAK, **wrong)
    # A stack that reaches farther into an S than it is round folds there.
    with pytest.raises(UsageError, match="folds"):
        arc(10.0, 1.4).moved_left(12.0)


def bend(lost: float, strips: int = 6, **more) -> TrialBend:
    return TrialBend(
        strips=strips,
        ideal=1 / strips**2,
        form_bend_deg=92.5714,
        bend_deg=92.5714 * (1 - lost),
        **more,
    )


def test_a_bend_as_reckoned_keeps_the_factor_and_lessens_its_doubt():
    found = judge(bend(1 / 36, wanted_deg=90.0), ())
    assert found.within
    assert found.expected_bend_deg == pytest.approx(90.0, abs=1e-3)
    assert found.after.factor == pytest.approx(1.0, abs=1e-6)
    assert found.after.factor_sigma < found.before.factor_sigma
    assert found.next_form_bend_deg == pytest.approx(92.5714, abs=1e-3)


def test_a_shop_learns_its_own_factor():
    """Forty bends of a shop that loses 1.4 times the reckoned share, ±0.3 % from bend to bend."""
    rng = np.random.default_rng(3)
    strips = rng.integers(4, 9, 40)
    lost = 1.4 / strips**2 + rng.normal(0.0, 0.003, 40)
    bends = [bend(float(x), int(n)) for x, n in zip(lost, strips, strict=True)]
    found = factor_from(bends)
    assert found.factor == pytest.approx(1.4, abs=3 * found.factor_sigma)
    assert found.factor_sigma < 0.05
    assert 0.002 < found.scatter < 0.006
    assert found.bends == 40


def test_the_stated_range_holds_what_comes():
    """Shops drawn from the prior, each with three bends: the fourth lies in the range 95 of 100 times."""
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(400):
        factor = rng.normal(1.0, 0.5)
        lost = factor / 25 + rng.normal(0.0, 0.01, 4)
        sigma = rng.normal(0.0, 0.25 / 92.5714, 4)
        bends = [bend(float(x), 5) for x in lost + sigma]
        inside += judge(bends[3], bends[:3]).within
    assert 0.91 < inside / 400 < 0.985


def test_one_odd_bend_does_not_move_a_form_by_all_of_it():
    found = judge(bend(3 / 36, wanted_deg=90.0), ())
    assert not found.within
    assert 1.0 < found.after.factor < 3.0
    assert found.after.scatter > found.before.scatter


def test_the_next_form_is_for_the_knee_that_was_told_even_by_an_earlier_bend():
    first, second = bend(0.02, wanted_deg=80.0), bend(0.025)
    told = judge(bend(0.025, wanted_deg=80.0), (first,))
    earlier = judge(second, (first,))
    assert (told.wanted_from, earlier.wanted_from) == ("told", "an earlier bend")
    assert earlier.next_form_bend_deg == pytest.approx(told.next_form_bend_deg)
    untold = judge(second, ())
    assert untold.wanted_from == "the form"
    assert any("WAS NOT TOLD" in line for line in trial_lines(untold))
    assert any("for a knee of 80.00°" in line for line in trial_lines(earlier))


def test_corners_typed_as_bends_are_asked_about():
    with pytest.raises(UsageError, match="Were these corners"):
        check_opened(TrialBend(strips=6, ideal=1 / 36, form_bend_deg=97.7, bend_deg=99.4))
    check_opened(TrialBend(strips=6, ideal=1 / 36, form_bend_deg=82.3, bend_deg=82.6))


@pytest.mark.parametrize(("radius", "bend_deg"), [(160.0, 77.43), (160.0, 82.0), (100.0, 90.0)])
@pytest.mark.parametrize("scatter", [0.0, 0.02, 0.04])
def test_an_arc_without_arms_keeps_its_bend(radius, bend_deg, scatter):
    """A compass throat from toe to toe: a spline that is straight at its ends reads it 4 to 6° short."""
    rng = np.random.default_rng(5)
    turn = np.linspace(0.0, math.radians(bend_deg), int(radius * math.radians(bend_deg) / 0.8))
    points = radius * np.stack([np.sin(turn), 1.0 - np.cos(turn)], axis=-1)
    rough = np.convolve(rng.normal(0.0, 1.0, len(turn) + 6), np.ones(7), "valid") / math.sqrt(7)
    points += scatter * rough[:, None] * np.stack([-np.sin(turn), np.cos(turn)], axis=-1)
    found = faired(points)
    assert math.degrees(found.curve.turn_rad) == pytest.approx(bend_deg, abs=0.3 + 25 * scatter)
    assert 1.0 / np.abs(found.curve.curvature_per_mm).max() > radius * (1.0 - 0.01 - 3 * scatter)


def test_a_file_of_bends_reads_back(tmp_path):
    bends = (
        bend(1 / 36, wood="white oak", date=dt.date(2026, 5, 20), note='Anna\'s "dry" run\nday 2'),
        bend(0.05),
    )
    path = tmp_path / "trials.toml"
    path.write_text(trials_text(bends), encoding="utf-8")
    assert read_trials(path) == bends
    path.write_text("schema = 1\n", encoding="utf-8")
    with pytest.raises(UnreadableInput, match="no file of trial bends"):
        read_trials(path)


def test_bends_that_cannot_have_been():
    check_bend(bend(0.03))
    for wrong in (
        bend(0.95),
        bend(-0.5),
        TrialBend(strips=1, ideal=0.5, form_bend_deg=90, bend_deg=80),
        TrialBend(strips=4, ideal=1 / 16, form_bend_deg=0.0, bend_deg=80),
        bend(0.03, sigma_deg=0.0),
    ):
        with pytest.raises(UsageError):
            check_bend(wrong)


def test_the_factor_moves_the_form():
    throat, strips = arc(160.0, math.radians(82.0)), equal_strips(18.0, OAK, number=6)
    plain = laminate(throat, strips)
    own = laminate(throat, strips, factor=ShopFactor(factor=1.5, factor_sigma=0.1, bends=3))
    assert own.form_bend_deg == pytest.approx(82.0 / (1 - 1.5 / 36))
    assert own.form_bend_deg > plain.form_bend_deg
    ring = LinearRing(make_form(own).body_mm)
    assert ring.is_simple
