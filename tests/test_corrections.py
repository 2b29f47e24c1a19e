"""What is put right by hand: where it goes, what it takes along, what is said of it."""

from __future__ import annotations

from dataclasses import replace

import drawn_jobs
import numpy as np
import pytest
import shapely
import shapes as zoo

from spilemark.corrections import (
    HAND_PX,
    LEFT_OUT,
    MADE_BY_HAND,
    REACH_MM,
    Correction,
    Follow,
    corrected,
    moved,
)
from spilemark.errors import NoEdge, UsageError
from spilemark.frames import stored_to_upright
from spilemark.jobfile import order_from
from spilemark.lens import plane_to_pixels
from spilemark.records import Outline, Survey
from spilemark.results import JobResult
from spilemark.rigid import RigidMap, move_outline
from spilemark.ring_edits import HAND, Stretch, spliced


def job(orientation: int = 1) -> JobResult:
    return drawn_jobs.result(sides=("port",), orientation=orientation)


def on_photo(result: JobResult, points_mm: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Places of the bench as a person sees them in the upright photo."""
    (view,) = result.survey.views
    photo = view.straight.photo
    stored = plane_to_pixels(points_mm, view.plane)
    upright = stored_to_upright(stored, photo.width_px, photo.height_px, photo.orientation)
    return tuple((float(x), float(y)) for x, y in upright)


def done(
    result: JobResult,
    do: str,
    points_mm: np.ndarray,
    photo: str | None = None,
    follow: Follow | None = None,
) -> tuple[Outline, list]:
    name = photo or result.survey.views[0].straight.photo.path.name
    one = Correction(do=do, photo=name, points=on_photo(result, points_mm))  # type: ignore[arg-type]
    facts = replace(result.facts, corrections={"port": (one,)})
    outlines, notes = corrected(result.outlines, result.survey, facts, follow)
    return outlines["port"][0], notes


def traced(result: JobResult) -> Outline:
    return result.outlines["port"][0]


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("k", [5, 120, 700])
def test_point_k_moves_to_where_it_was_taken_and_the_far_ones_stay(
    orientation: int, k: int
) -> None:
    result = job(orientation)
    before = traced(result).ring
    to = before.points_mm[k] + [1.5, -2.0]
    after, notes = done(result, "move", np.stack([before.points_mm[k], to]))
    assert notes == []
    ring = after.ring
    assert ring.points_mm[k] == pytest.approx(to, abs=1e-6)
    went = np.linalg.norm(ring.points_mm - before.points_mm, axis=1)
    assert went.max() == pytest.approx(2.5, abs=1e-6)
    assert int(went.argmax()) == k
    far = np.linalg.norm(before.points_mm - before.points_mm[k], axis=1) > REACH_MM
    assert np.all(went[far] == 0)
    assert np.array_equal(ring.by_hand, went > 0)
    assert [n.code for n in after.notes][-1] == MADE_BY_HAND
    assert after.notes[-1].at_mm == pytest.approx(tuple(to), abs=1e-6)


def test_the_share_falls_off_evenly_on_both_sides() -> None:
    ring = np.stack([np.cos(t := np.linspace(0, 2 * np.pi, 2000, endpoint=False)), np.sin(t)], 1)
    ring *= 200.0
    _, share = moved(ring, ring[0], ring[0] + [1.0, 0.0])
    assert share[0] == 1.0
    assert share[1:1000] == pytest.approx(share[:1000:-1], abs=1e-9)
    half = int(np.argmin(np.abs(share[:1000] - 0.5)))
    assert np.linalg.norm(ring[half] - ring[0]) == pytest.approx(REACH_MM / 2, abs=0.4)


def test_a_stretch_drawn_straight_lies_on_the_line() -> None:
    result = job()
    before = traced(result).ring.points_mm
    a, b = before[100], before[180]
    after, _ = done(result, "redraw", np.stack([a, b]))
    # Distances by another library.
    line = shapely.LineString([a, b])
    away = shapely.distance(shapely.points(after.ring.points_mm[100:181]), line)
    assert away.max() < 1e-6
    assert np.array_equal(after.ring.points_mm[:100], before[:100])
    assert np.array_equal(after.ring.points_mm[181:], before[181:])
    assert after.ring.by_hand[100:181].all()
    assert not after.ring.by_hand[:100].any()


def test_a_stretch_is_drawn_along_the_places_whichever_end_comes_first() -> None:
    result = job()
    before = traced(result).ring.points_mm
    bend = (before[100] + before[180]) / 2 + [8.0, 3.0]
    forth, _ = done(result, "redraw", np.stack([before[100], bend, before[180]]))
    back, _ = done(result, "redraw", np.stack([before[180], bend, before[100]]))
    line = shapely.LineString([before[100], bend, before[180]])
    for after in (forth, back):
        run = shapely.LineString(after.ring.points_mm[100:181])
        assert shapely.hausdorff_distance(run, line) < 1.0
    assert shapely.Polygon(forth.ring.points_mm).is_valid


def test_a_corner_within_a_stretch_goes_and_its_edges_become_one() -> None:
    result = job()
    outline = traced(result)
    corner = outline.corners[2]
    n = len(outline.ring.points_mm)
    span = [(corner.index - 15) % n, (corner.index + 15) % n]
    after, _ = done(result, "redraw", outline.ring.points_mm[span])
    assert len(after.corners) == len(outline.corners) - 1
    assert len(after.edges) == len(outline.edges) - 1
    assert {e.start for e in after.edges} == {c.index for c in after.corners}
    assert {e.stop for e in after.edges} == {c.index for c in after.corners}
    ring = after.ring.points_mm
    whole = np.linalg.norm(np.roll(ring, -1, 0) - ring, axis=1).sum()
    assert sum(e.length_mm for e in after.edges) == pytest.approx(whole, rel=0.001)


def test_a_corner_is_set_where_the_edge_bends_and_its_edge_becomes_two() -> None:
    result = job()
    outline = traced(result)
    gone, notes = done(
        result, "no-corner", outline.ring.points_mm[[outline.corners[2].index]] + [1.0, -2.0]
    )
    assert notes == []
    assert [c.index for c in gone.corners] == [
        c.index for k, c in enumerate(outline.corners) if k != 2
    ]
    assert len(gone.edges) == len(outline.edges) - 1
    assert "taken away" in gone.notes[-1].text
    assert gone.notes[-1].code == MADE_BY_HAND
    without = replace(result, outlines={"port": (gone,)})
    # Shown 2 mm beside: it is the bend that is meant.
    n = len(outline.ring.points_mm)
    near = outline.ring.points_mm[[(outline.corners[2].index + 4) % n]]
    back, notes = done(without, "corner", near)
    assert notes == []
    # But for the noise of the ring.
    for corner, was in zip(back.corners, outline.corners, strict=True):
        assert abs(corner.index - was.index) <= 1
    for edge, before in zip(back.edges, outline.edges, strict=True):
        assert edge.length_mm == pytest.approx(before.length_mm, abs=1.5)
    assert back.corners[2].angle_deg == pytest.approx(outline.corners[2].angle_deg, abs=3.0)
    assert np.array_equal(back.ring.points_mm, outline.ring.points_mm)


def test_a_corner_on_a_smooth_edge_stands_where_it_was_shown() -> None:
    result = job()
    outline = traced(result)
    edge = max(outline.edges, key=lambda e: e.length_mm)
    k = (edge.start + 90) % len(outline.ring.points_mm)
    after, _ = done(result, "corner", outline.ring.points_mm[[k]])
    assert k in [c.index for c in after.corners]
    assert len(after.edges) == len(outline.edges) + 1
    ring = outline.ring.points_mm
    whole = np.linalg.norm(np.roll(ring, -1, 0) - ring, axis=1).sum()
    assert sum(e.length_mm for e in after.edges) == pytest.approx(whole, abs=0.5)


@pytest.mark.parametrize(("do", "words"), [("corner", "already"), ("no-corner", "no corner")])
def test_a_corner_that_cannot_be_set_or_taken_is_told(do: str, words: str) -> None:
    result = job()
    outline = traced(result)
    at = outline.corners[1].index + (0 if do == "corner" else 60)
    after, notes = done(result, do, outline.ring.points_mm[[at % len(outline.ring.points_mm)]])
    assert after is outline
    assert [n.code for n in notes] == [LEFT_OUT]
    assert words in notes[0].text


def test_names_of_edges_follow_the_corners() -> None:
    result = job()
    outline = traced(result)
    before = {e.name for e in drawn_jobs.laid(outline).outline.edges}
    edge = max(outline.edges, key=lambda e: e.length_mm)
    k = (edge.start + 90) % len(outline.ring.points_mm)
    more, _ = done(result, "corner", outline.ring.points_mm[[k]])
    named = drawn_jobs.laid(more).outline
    assert len({e.name for e in named.edges}) == len(before) + 1
    assert len({c.name for c in named.corners}) == len(more.corners)
    less, _ = done(replace(result, outlines={"port": (more,)}), "no-corner", named_at(more, k))
    assert {e.name for e in drawn_jobs.laid(less).outline.edges} == before


def named_at(outline: Outline, k: int) -> np.ndarray:
    return outline.ring.points_mm[[k]]


def test_a_run_is_followed_by_what_the_tracer_has_for_it() -> None:
    result = job()
    before = traced(result).ring
    asked = []

    def follow(outline: Outline, view: object, places_px: np.ndarray) -> Outline:
        asked.append(places_px)
        span = np.arange(100, 181)
        points = outline.ring.points_mm[span][::2] + [0.0, -4.0]
        few = len(points)
        seen = np.arange(few) != few // 2
        return spliced(outline, span, Stretch(points, np.full(few, 0.02), seen))

    after, notes = done(result, "follow", before.points_mm[[100, 180]], follow=follow)
    assert notes == []
    # Asked in the photo's own pixels.
    assert asked[0].shape == (2, 2)
    (view,) = result.survey.views
    assert asked[0] == pytest.approx(plane_to_pixels(before.points_mm[[100, 180]], view.plane))
    assert len(after.ring.points_mm) == len(before.points_mm) - 40
    assert after.ring.by_hand.sum() == 41
    note = after.notes[-1]
    assert note.code == MADE_BY_HAND
    assert "followed anew" in note.text
    assert note.value == pytest.approx(4.0, abs=0.2)
    for edge in after.edges:
        assert {edge.start, edge.stop} <= {c.index for c in after.corners}


def test_a_tracer_that_cannot_follow_and_an_edge_that_cannot_be_told_leave_all_as_it_was() -> None:
    result = job()
    places = traced(result).ring.points_mm[[100, 180]]
    after, notes = done(result, "follow", places)
    assert after is traced(result)
    assert "cannot follow" in notes[0].text

    def none(outline: Outline, view: object, places_px: np.ndarray) -> Outline:
        raise NoEdge("p.jpg: no edge can be told between these two places.", "Draw it.")

    after, notes = done(result, "follow", places, follow=none)
    assert after is traced(result)
    assert [n.code for n in notes] == [LEFT_OUT]
    assert "no edge can be told" in notes[0].text


@pytest.mark.parametrize("start", [0, 300, 1000])
def test_a_run_that_is_exchanged_for_itself_changes_nothing(start: int) -> None:
    outline = traced(job())
    ring, n = outline.ring, len(outline.ring.points_mm)
    span = (start - 50 + np.arange(140)) % n
    same = Stretch(
        ring.points_mm[span],
        ring.sigma_mm[span],
        ring.seen[span],
        tuple(i for i, k in enumerate(span) if k in {c.index for c in outline.corners}),
    )
    after = spliced(outline, span, same)
    turn = int(np.argmin(np.linalg.norm(after.ring.points_mm - ring.points_mm[0], axis=1)))
    assert np.array_equal(np.roll(after.ring.points_mm, -turn, axis=0), ring.points_mm)
    assert sorted((c.index - turn) % n for c in after.corners) == [c.index for c in outline.corners]
    lengths = sorted(e.length_mm for e in after.edges)
    # The stand-in's lengths are without its noise.
    assert lengths == pytest.approx(sorted(e.length_mm for e in outline.edges), abs=0.4)
    table = np.roll(after.ring.sensitivity_mm, -turn, axis=0)
    assert table == pytest.approx(ring.sensitivity_mm, abs=0.1 * np.abs(ring.sensitivity_mm).max())


def test_what_is_said_to_be_guessed_is_no_longer_seen() -> None:
    result = job()
    before = traced(result).ring
    after, _ = done(result, "guess", before.points_mm[[300, 340]])
    assert not after.ring.seen[300:341].any()
    assert after.ring.seen[:300].all()
    assert np.array_equal(after.ring.points_mm, before.points_mm)
    assert after.seen_fraction < traced(result).seen_fraction


def test_the_doubt_of_a_hand_is_shared_by_what_it_drew() -> None:
    result = job()
    before = traced(result)
    after, _ = done(result, "redraw", before.ring.points_mm[[100, 180]])
    assert after.causes[:-1] == before.causes
    assert after.causes[-1].kind == HAND
    column = after.ring.sensitivity_mm[:, -1]
    (view,) = result.survey.views
    # A pixel on the bench, by projecting two points a millimetre apart.
    at = after.ring.points_mm[140]
    pair = plane_to_pixels(np.stack([at, at + [1.0, 0.0]]), view.plane)
    px_per_mm = float(np.linalg.norm(pair[1] - pair[0]))
    assert column[140] == pytest.approx(HAND_PX / px_per_mm, rel=0.1)
    assert np.all(column[:100] == 0)
    for line in after.polylines:
        assert line.sensitivity_mm.shape == (len(line.points_mm), len(after.causes))


def test_what_cannot_be_worked_in_is_told_and_stops_nothing() -> None:
    result = job()
    ring = traced(result).ring.points_mm
    after, notes = done(result, "move", ring[[5, 6]], photo="gone.jpg")
    assert after is traced(result)
    assert [n.code for n in notes] == [LEFT_OUT]
    after, notes = done(result, "move", ring[[5, 6]] + [500.0, 0.0])
    assert [n.code for n in notes] == [LEFT_OUT]
    assert "no edge lies near" in notes[0].text


def test_what_was_made_by_hand_stays_so_through_a_flip() -> None:
    result = job()
    before = traced(result).ring
    to = before.points_mm[40] + [0.0, 3.0]
    after, _ = done(result, "move", np.stack([before.points_mm[40], to]))
    flipped = move_outline(after, RigidMap(turn_rad=0.4, shift_mm=(3.0, 4.0), flipped=True))
    n = len(before.points_mm)
    assert flipped.ring.by_hand[n - 1 - 40]
    assert flipped.ring.by_hand.sum() == after.ring.by_hand.sum()


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"do": "move", "photo": "p.jpg", "points": [[1, 2]]}, "places"),
        ({"do": "redraw", "photo": "p.jpg", "points": [[1, 2]] * 501}, "places"),
        ({"do": "follow", "photo": "p.jpg", "points": [[1, 2]] * 21}, "places"),
        ({"do": "corner", "photo": "p.jpg", "points": [[1, 2], [3, 4]]}, "places"),
        ({"do": "guess", "photo": "p.jpg", "points": [[1, 2], [float("nan"), 3]]}, "not a number"),
        ({"do": "erase", "photo": "p.jpg", "points": [[1, 2], [2, 3]]}, "do"),
        ({"do": "move", "photo": "p.jpg", "points": [[1, 2, 3], [2, 3]]}, "points"),
        ({"do": "move", "photo": "p.jpg"}, "points"),
    ],
)
def test_a_correction_that_is_none_is_refused(table: dict, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        order_from({"port": {"photos": ["p.jpg"], "corrections": [table]}}, "This job")


def test_a_job_file_holds_corrections_in_order() -> None:
    rows = [
        {"do": "move", "photo": "p.jpg", "points": [[1, 2], [3, 4.5]]},
        {"do": "guess", "photo": "p.jpg", "points": [[1, 2], [3, 4]]},
    ]
    facts = order_from({"port": {"photos": ["p.jpg"], "corrections": rows}}, "This job").facts
    assert facts.corrections["port"] == (
        Correction(do="move", photo="p.jpg", points=((1.0, 2.0), (3.0, 4.5))),
        Correction(do="guess", photo="p.jpg", points=((1.0, 2.0), (3.0, 4.0))),
    )


def test_no_correction_changes_nothing() -> None:
    result = job()
    survey: Survey = result.survey
    outlines, notes = corrected(result.outlines, survey, result.facts)
    assert outlines["port"][0] is traced(result)
    assert notes == []
    assert not zoo.outline(zoo.knee(side="port")).ring.by_hand.any()
