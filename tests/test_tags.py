"""Printed tags: drawn, read in photos, and what they say of a pattern."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import cv2
import drawn_benches as db
import numpy as np
import pypdfium2
import pytest
import shapes as zoo
from PIL import Image

from spilemark import cli
from spilemark.card_sheets import card_sheets
from spilemark.cards import Card, CardSet, shop_cards
from spilemark.errors import UsageError
from spilemark.ink_files import pdf_bytes
from spilemark.lens import plane_to_pixels
from spilemark.line_ways import chord_mm, line_ways
from spilemark.picking import pick_patterns
from spilemark.records import Floats, Outline, Polyline, Side, TagSighting, View
from spilemark.sides import assign_sides, forward_point
from spilemark.tags import (
    CENTRE_PER_CROSSING,
    TAG_DICTIONARY,
    TAG_HEIGHT_MM,
    TAG_LAID_MM,
    TAG_WIDTH_MM,
    TAGS,
    TICK_PER_CENTRE,
    TICK_REACH_MM,
    face_of,
    read_tags,
    tags_about,
    tags_free_of,
    tags_on,
)
from spilemark.testing import shapes
from spilemark.testing.scenes import simple_plane
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark_stages.rectify.detect import find_boards
from spilemark_stages.register.line_tags import line_of_tags, pencil_under
from spilemark_stages.register.reference_line import Options, register

SAYS = {tag.name: tag.says for tag in TAGS}


def sighted(name: str, view: View, at: Floats, turn: float) -> TagSighting:
    """A tag whose arrow points ``turn`` (rad) anticlockwise from y, where it lies on the face."""
    ahead = np.array([-np.sin(turn), np.cos(turn)])
    right = np.array([ahead[1], -ahead[0]])
    corners = np.array([at + 21.0 * (x * right + y * ahead) for x, y in CORNERS])
    return TagSighting(
        name=name,
        says=SAYS[name],
        axis_px=plane_to_pixels(np.array([at, at + 21.0 * ahead]), view.plane),
        sigma_px=0.03,
        outline_px=plane_to_pixels(corners, view.plane),
    )


CORNERS = ((-1, 1), (1, 1), (1, -1), (-1, -1))


def tagged(
    drawn: zoo.Drawn,
    *tags: tuple[str, tuple[float, float], float],
    side: str = "port",
    turn: float = 0.4,
    shift: tuple[float, float] = (20.0, -60.0),
    face_down: bool = False,
    arm: str = "",
) -> Outline:
    """A drawn pattern on the bench with tags on its face; their places in its own frame."""
    fields = zoo.all_fields(side)
    view = zoo.view(arm or side, causes=len(fields))
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s], [s, c]])
    flip = np.array([-1.0 if face_down else 1.0, 1.0])
    found = []
    for name, at, askew in tags:
        way = np.array([-np.sin(np.radians(askew)), np.cos(np.radians(askew))]) * flip
        lies = spin @ way
        place = spin @ (np.array(at) * flip) + shift
        found.append(sighted(name, view, place, float(np.arctan2(-lies[0], lies[1]))))
    views = (replace(view, tags=tuple(found)),)
    return zoo.outline(
        drawn, tag=side, turn_rad=turn, shift_mm=shift, face_down=face_down, views=views
    )


def bare(side: str = "port", **sizes: float) -> zoo.Drawn:
    return zoo.Drawn(zoo.knee(side=side, **sizes).ring_mm, None)


def laid(outline: Outline, side: str = "port", **facts: object):
    return register(outline=outline, side=Side(side), job=zoo.job(**facts), options=Options())


def codes(pattern) -> set[str]:
    return {note.code for note in pattern.notes}


# The sheet


@pytest.mark.parametrize("paper", ["a4", "letter", "a3", "tabloid"])
def test_the_printed_sheet_is_read_back_by_opencv_where_the_tags_stand(paper: str) -> None:
    """Outside: OpenCV's own reader on the page as pypdfium2 renders it."""
    (sheet,) = card_sheets(paper=paper, tags="only")
    page = pypdfium2.PdfDocument(BytesIO(pdf_bytes([sheet], "Tags")))[0]
    dpi = 150.0
    picture = np.ascontiguousarray(page.render(scale=dpi / 72, grayscale=True).to_numpy().squeeze())
    per_mm = picture.shape[1] / sheet.width_mm
    codes_of = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, TAG_DICTIONARY))
    quads, ids, _ = cv2.aruco.ArucoDetector(codes_of).detectMarkers(picture)
    seen = dict(zip(np.ravel(ids).tolist(), np.reshape(quads, (-1, 4, 2)), strict=True))
    centres = {}
    for tag in TAGS:
        middles = np.array([seen[number].mean(axis=0) + 0.5 for number in tag.board.marker_ids])
        centres[tag.name] = middles.mean(axis=0) / per_mm
        # Row by row: the first stands above the others, so no tag stands on its head.
        assert middles[0, 1] < middles[1:, 1].min()
    ours = {found.card.name for found in find_boards(picture, shop_cards()).tags}
    assert ours == set(SAYS)
    places = np.array(list(centres.values()))
    steps = (places - places[0]) / [TAG_WIDTH_MM, TAG_HEIGHT_MM]
    assert np.abs(steps - np.round(steps)).max() < 0.02


def test_tags_come_after_the_cards_alone_or_not_at_all() -> None:
    titles = [sheet.title for sheet in card_sheets(count=3)]
    assert titles == ["Scale cards, sheet 1 of 1", "Tags for patterns"]
    assert [sheet.title for sheet in card_sheets(count=3, tags="none")] == titles[:1]
    assert [sheet.title for sheet in card_sheets(count=3, tags="only")] == titles[1:]


def test_a_foreign_set_with_the_same_squares_keeps_them() -> None:
    last = TAGS[-1].board.first_id
    theirs = Card(name="X", columns=3, rows=3, square_mm=20, marker_mm=15, first_id=last)
    free = tags_free_of(TAG_DICTIONARY, [theirs])
    assert [tag.name for tag in TAGS if tag not in free] == [TAGS[-1].name]
    assert tags_free_of("DICT_4X4_50", [theirs]) == TAGS


def test_tags_are_read_beside_cards_of_another_dictionary() -> None:
    plane = db.plane((1400, 1000), height_mm=3.0)
    bench = db.Bench(plane, size=(1400, 1000), colour=db.PLY)
    bench.card("line 2", (30.0, -20.0), 33.0, base=3.0)
    bench.card("line 2", (-90.0, 60.0), 200.0, base=3.0)
    grey = bench.photo().pixels.mean(axis=2).astype(np.uint8)
    theirs = Card(name="X", columns=4, rows=3, square_mm=20, marker_mm=15, first_id=3)
    found = find_boards(grey, CardSet(name="x", dictionary="DICT_4X4_50", cards=(theirs,)))
    # A sheet printed twice: both are found.
    assert [f.card.name for f in found.tags] == ["line 2", "line 2"]
    assert not found.cards


# The line


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("face_down", [False, True])
def test_two_line_tags_lay_a_pattern_like_its_line(side: str, face_down: bool) -> None:
    tags = (("line 1", (0.0, 105.0), 0.0), ("line 3", (0.0, 35.0), 0.0))
    outline = tagged(bare(side), *tags, side=side, face_down=face_down)
    pattern = laid(outline, side, face={side: "down" if face_down else "up"})
    assert pattern.datum == "centreline"
    expected = zoo.knee(side=side).ring_mm[::9]
    away = np.linalg.norm(pattern.outline.ring.points_mm[:, None] - expected, axis=2)
    assert away.min(axis=0).max() < 1e-6
    line = pattern.outline.of_role("centreline")[0]
    assert line.name == "line tags"
    assert pattern.forward_known


def test_how_well_two_line_tags_tell_the_direction() -> None:
    """JCGM 100:2008, 5.1.2 by hand: each tag's middle is the mean of two ticks laid to 0.3 mm, on a
    line drawn to 0.15 mm; two middles 70 mm apart tell the turn to sqrt(2) times that over 70."""
    tags = (("line 1", (0.0, 105.0), 0.0), ("line 2", (0.0, 35.0), 0.0))
    pattern = laid(tagged(bare(), *tags), face={"port": "up"})
    by_hand = np.sqrt(2.0) * np.hypot(0.3 / np.sqrt(2.0), 0.15) / 70.0
    assert TAG_LAID_MM == 0.3
    assert np.sqrt(pattern.covariance[0, 0]) == pytest.approx(by_hand, rel=0.01)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_doubt_of_line_tags_is_what_laying_them_anew_scatters(count: int) -> None:
    """JCGM 101:2008: every tick laid anew 120 times; claimed and found turn within 20 %."""
    rng = np.random.default_rng(5)
    places = ([70.0], [35.0, 105.0], [30.0, 70.0, 110.0])[count - 1]
    turns, claimed = [], 0.0
    for _ in range(120):
        tags = []
        for k, y in enumerate(places):
            low, high = rng.normal(0.0, TAG_LAID_MM, 2)
            askew = np.degrees(np.arctan2(low - high, 2 * TICK_REACH_MM))
            tags.append((f"line {k + 1}", ((low + high) / 2, y), askew))
        pattern = laid(tagged(bare(step_mm=12.0), *tags), face={"port": "up"}, line_doubt_mm=0.0)
        corner = pattern.outline.ring.points_mm[pattern.outline.corners[0].index]
        turns.append(pattern.map.turn_rad)
        claimed = float(np.sqrt(pattern.covariance[0, 0]))
        assert np.isfinite(corner).all()
    assert claimed == pytest.approx(float(np.std(turns)), rel=0.2)


def test_what_reading_a_tag_leaves_in_doubt_is_what_its_crossings_scatter() -> None:
    """JCGM 101:2008, through OpenCV's homography: crossings read anew 2000 times, nothing laid anew;
    the claimed turn of one tag and the claimed place of its centre hold within 8 %."""
    noise_px, rng = 0.4, np.random.default_rng(11)
    outline = tagged(bare(), ("line 1", (0.0, 60.0), 0.0))
    (view,) = outline.views
    (tag,) = view.tags
    ends = np.array([[0, 0], [42, 0], [42, 42], [0, 42]], dtype=np.float64)
    to_photo, _ = cv2.findHomography(ends, tag.outline_px)
    board = next(t.board for t in TAGS if t.name == tag.name)
    crossings = board.crossings_mm()
    exact = cv2.perspectiveTransform(crossings[None], to_photo)[0]
    axis = np.array([[[21.0, 21.0], [21.0, 0.0]]])
    turns, aside, claimed = [], [], None
    for _ in range(2000):
        fitted, _ = cv2.findHomography(crossings, exact + rng.normal(0.0, noise_px, exact.shape))
        seen = cv2.perspectiveTransform(axis, fitted)[0]
        read = replace(tag, axis_px=seen, sigma_px=CENTRE_PER_CROSSING * noise_px)
        again = replace(outline, views=(replace(view, tags=(read,)),))
        laid_tag = tags_about(again)
        line = line_of_tags(again, laid_tag, 0.0)
        assert line is not None
        claimed = line.sigma_mm
        way = line.points_mm[1] - line.points_mm[0]
        turns.append(np.arctan2(way[1], way[0]))
        aside.append(laid_tag[0].at_mm)
    turn = np.sqrt((claimed**2).sum()) / (2 * TICK_REACH_MM)
    assert turn == pytest.approx(float(np.std(np.unwrap(turns))), rel=0.08)
    place = float(np.sqrt(np.var(aside, axis=0).mean()))
    assert claimed.mean() / TICK_PER_CENTRE == pytest.approx(place, rel=0.08)


def test_a_pencil_line_under_the_tags_is_measured_itself() -> None:
    tags = (("line 1", (0.4, 105.0), 0.0), ("line 2", (0.2, 35.0), 0.0))
    pattern = laid(tagged(zoo.knee(), *tags), face={"port": "up"})
    assert "tags-on-line" in codes(pattern)
    assert pattern.outline.of_role("centreline")[0].name != "line tags"
    away = np.abs(pattern.outline.ring.points_mm[:, None] - zoo.knee().ring_mm[::9]).sum(axis=2)
    assert away.min(axis=0).max() < 1e-6


def test_a_pencil_line_that_the_tags_hide_in_places_is_one_line() -> None:
    tags = (("line 1", (0.4, 105.0), 0.0), ("line 2", (0.2, 35.0), 0.0))
    outline = tagged(zoo.knee(), *tags)
    whole = outline.of_role("centreline")[0]
    straight = np.linspace(whole.points_mm[0], whole.points_mm[-1], 61)
    along = np.linalg.norm(straight - straight[0], axis=1)
    gap = (along > along[-1] * 0.4) & (along < along[-1] * 0.6)
    columns = whole.sensitivity_mm.shape[1]

    def piece(points: Floats, slope: float) -> Polyline:
        rows = np.zeros((len(points), columns))
        rows[:, -1] = slope
        count = len(points)
        return replace(
            whole,
            points_mm=points,
            sigma_mm=np.full(count, 0.05),
            sensitivity_mm=rows,
            seen=np.ones(count, dtype=bool),
            by_hand=np.zeros(count, dtype=bool),
        )

    before, after = ~gap & (along < along[-1] / 2), ~gap & (along > along[-1] / 2)
    # The second piece was followed the other way: its left normal, and slopes, point back.
    pieces = (piece(straight[before], 0.3), piece(straight[after][::-1], -0.3))
    others = tuple(line for line in outline.polylines if line is not whole)
    broken = replace(outline, polylines=(*others, *pieces))
    found = pencil_under(broken, line_of_tags(broken, tags_about(broken), 0.3))
    assert found is not None
    reach = np.linalg.norm(found.points_mm[-1] - found.points_mm[0])
    assert reach == pytest.approx(along[-1], abs=1e-9)
    assert len(set(np.sign(found.sensitivity_mm[:, -1]))) == 1
    # A second stroke beside the longer one is not mixed with it.
    beside = piece(straight[before][2:-2] + [0.0, 0.3], 0.3)
    again = replace(broken, polylines=(*broken.polylines, beside))
    same = pencil_under(again, line_of_tags(again, tags_about(again), 0.3))
    assert np.array_equal(same.points_mm, found.points_mm)


def test_tags_off_a_pencil_line_count_and_it_is_said() -> None:
    tags = (("line 1", (25.0, 95.0), 0.0), ("line 2", (25.0, 35.0), 0.0))
    pattern = laid(tagged(zoo.knee(), *tags), face={"port": "up"})
    assert "tags-off-line" in codes(pattern)
    assert pattern.outline.of_role("centreline")[0].name == "line tags"
    assert len(pattern.outline.of_role("mark")) == 1
    ignored = laid(tagged(zoo.knee(), *tags), face={"port": "up"}, tags="ignore")
    assert ignored.outline.of_role("centreline")[0].name != "line tags"


def test_a_tag_that_lies_askew_is_named() -> None:
    tags = (("line 1", (0.0, 105.0), 7.0), ("line 2", (0.0, 35.0), 0.0))
    pattern = laid(tagged(bare(), *tags), face={"port": "up"})
    note = next(n for n in pattern.notes if n.code == "tag-askew")
    assert "line 1" in note.text


def test_one_line_tag_is_a_tick_whose_direction_an_edge_may_tell() -> None:
    from spilemark.records import EdgeRule

    outline = tagged(bare(), ("line 1", (0.0, 60.0), 2.0))
    alone = laid(outline, face={"port": "up"})
    rule = EdgeRule(square=True, edge="transom edge")
    told = laid(outline, face={"port": "up"}, line_from_edge={"port": rule})
    assert told.covariance[0, 0] < 0.1 * alone.covariance[0, 0]
    assert np.degrees(np.sqrt(alone.covariance[0, 0])) == pytest.approx(
        np.degrees(np.sqrt(2) * np.hypot(0.3, 0.15) / (2 * TICK_REACH_MM)), rel=0.02
    )
    # The transom edge of the drawn knee is square to its line.
    assert abs(told.outline.of_role("centreline")[0].points_mm[:, 0].mean()) < 1e-6


def test_what_a_tick_of_30_mm_is_worth_is_in_the_report_s_table() -> None:
    """Half a degree: sqrt(2) x 0.15 / 30 rad is 0.405 degrees, one sigma, by hand."""
    pattern = laid(
        zoo.outline(zoo.knee(), views=(zoo.view("port", causes=9),)), face={"port": "up"}
    )
    ways = line_ways(pattern, zoo.job())
    used, full, two_tags, tick = ways
    assert used.used
    assert not tick.used
    assert "30 mm" in tick.words
    assert tick.turn_u95_deg / COVERAGE_FACTOR == pytest.approx(0.405, abs=0.001)
    ring = pattern.outline.ring.points_mm
    middle = pattern.outline.of_role("centreline")[0].points_mm[[0, -1]].mean(axis=0)
    far = max(float(np.hypot(*(p - middle))) for p in ring)
    assert tick.toe_u95_mm == pytest.approx(np.radians(tick.turn_u95_deg) * far, rel=1e-6)
    assert full.toe_u95_mm < two_tags.toe_u95_mm < tick.toe_u95_mm
    # The knee at x = 0: by shapely elsewhere; here by the crossings of its ring with x = 0.
    ring = zoo.knee().ring_mm
    sign = np.sign(ring[:, 0])
    crossing = [ring[k, 1] for k in range(len(ring)) if sign[k] != sign[(k + 1) % len(ring)]]
    assert chord_mm(ring, 0.0) == pytest.approx(max(crossing) - min(crossing), abs=1.0)


# What they say


def test_the_arrow_tells_forward_also_without_a_line() -> None:
    outline = tagged(bare(), ("forward 1", (-60.0, 60.0), 9.0), turn=2.5)
    pattern = laid(outline, face={"port": "up"})
    assert pattern.forward_known
    assert pattern.outline.ring.points_mm[:, 1].max() > 300.0
    point = forward_point(outline, zoo.job(), "port")
    assert point is not None
    way = point - outline.ring.points_mm.mean(axis=0)
    c, s = np.cos(2.5), np.sin(2.5)
    assert np.degrees(np.arccos(way @ [-s, c] / np.linalg.norm(way))) == pytest.approx(9.0, abs=0.1)


def test_arrows_that_contradict_are_asked_about() -> None:
    tags = (("forward 1", (-60.0, 60.0), 0.0), ("forward 2", (0.0, 40.0), 150.0))
    with pytest.raises(UsageError, match=r"forward 1 and forward 2 .* 150 degrees"):
        laid(tagged(bare(), *tags), face={"port": "up"})
    assert laid(tagged(bare(), *tags), face={"port": "up"}, tags="ignore").datum


def test_forward_as_told_against_the_arrow_is_an_error() -> None:
    outline = tagged(bare(), ("forward 1", (-60.0, 60.0), 0.0), turn=0.0, shift=(0.0, 0.0))
    aft = plane_to_pixels(np.array([[-60.0, -500.0]]), outline.views[0].plane)[0]
    with pytest.raises(UsageError, match="--forward"):
        laid(outline, face={"port": "up"}, forward_px={"port": tuple(aft)})


def test_face_down_is_undone_when_a_tag_says_it() -> None:
    tags = (
        ("this face down 1", (-60.0, 60.0), 20.0),
        ("line 1", (0.0, 105.0), 0.0),
        ("line 2", (0.0, 35.0), 0.0),
    )
    pattern = laid(tagged(bare(), *tags, face_down=True))
    assert pattern.face == "down"
    assert pattern.map.flipped
    assert "face-assumed" not in codes(pattern)
    away = np.abs(pattern.outline.ring.points_mm[:, None] - zoo.knee().ring_mm[::9]).sum(axis=2)
    assert away.min(axis=0).max() < 1e-6


def test_a_face_that_was_said_otherwise_is_an_error() -> None:
    outline = tagged(bare(), ("this face up 2", (-60.0, 60.0), 0.0))
    assert face_of(outline, "port", zoo.job()) == "up"
    with pytest.raises(UsageError, match="says FACE UP"):
        face_of(outline, "port", zoo.job(face={"port": "down"}))
    assert face_of(outline, "port", zoo.job(face={"port": "down"}, tags="ignore")) == "down"
    both = tagged(
        bare(), ("this face up 2", (-60.0, 60.0), 0.0), ("this face down 1", (0.0, 40.0), 0.0)
    )
    with pytest.raises(UsageError, match="Tags THIS FACE UP and THIS FACE DOWN"):
        face_of(both, "port", zoo.job())


def test_a_side_that_was_said_otherwise_is_an_error() -> None:
    outline = tagged(bare(), ("starboard", (-60.0, 60.0), 0.0))
    with pytest.raises(UsageError, match="STARBOARD") as error:
        pick_patterns((outline,), "port", zoo.job())
    assert "--starboard" in error.value.todo
    assert "--tags ignore" in error.value.todo
    picked, _ = pick_patterns((outline,), "starboard", zoo.job())
    assert picked[Side.STARBOARD] is outline
    with pytest.raises(UsageError, match="--single"):
        pick_patterns((outline,), "single", zoo.job())
    picked, _ = pick_patterns((outline,), "port", zoo.job(tags="ignore"))
    assert picked[Side.PORT] is outline


def pair(*tags: tuple[str, str]) -> tuple[Outline, Outline]:
    """Two knees without lines in one photo; ``tags``: which knee carries which tag."""
    found = []
    for side, shift in (("port", (-200.0, -100.0)), ("starboard", (200.0, -80.0))):
        sign = -1.0 if side == "port" else 1.0
        own = [(name, (sign * 60.0, 60.0), 30.0) for whose, name in tags if whose == side]
        found.append(tagged(bare(side), *own, side=side, turn=1.0, shift=shift, arm="both"))
    every = tuple(tag for outline in found for tag in outline.views[0].tags)
    views = (replace(found[0].views[0], tags=every),)
    return replace(found[0], views=views), replace(found[1], views=views)


@pytest.mark.parametrize(
    "tags",
    [
        (("port", "port"), ("starboard", "starboard")),
        (("port", "port"),),
        (("starboard", "starboard"),),
    ],
)
def test_two_patterns_in_one_photo_are_told_apart_by_tags(tags) -> None:
    port, starboard = pair(*tags)
    for order in ((port, starboard), (starboard, port)):
        picked, notes = assign_sides(order, zoo.job())
        assert picked[Side.PORT] is port
        assert picked[Side.STARBOARD] is starboard
        assert "tag" in notes[0].text
        with pytest.raises(UsageError, match="nothing tells"):
            assign_sides(order, zoo.job(tags="ignore"))


def test_one_of_two_patterns_is_the_one_whose_tag_says_so() -> None:
    port, starboard = pair(("port", "port"))
    assert pick_patterns((starboard, port), "port", zoo.job())[0][Side.PORT] is port
    assert pick_patterns((port, starboard), "starboard", zoo.job())[0][Side.STARBOARD] is starboard


def test_two_patterns_of_one_side_are_an_error() -> None:
    port, starboard = pair(("port", "port"))
    twice = tuple(
        replace(t, name="port", says="port")
        for t in (*port.views[0].tags, *pair(("starboard", "starboard"))[1].views[0].tags)
    )
    views = (replace(port.views[0], tags=twice),)
    with pytest.raises(UsageError, match="Two patterns in the photo carry"):
        assign_sides((replace(port, views=views), replace(starboard, views=views)), zoo.job())


def test_a_tag_beside_the_pattern_is_not_on_it() -> None:
    outline = tagged(bare(), ("starboard", (-400.0, 60.0), 0.0))
    assert not tags_on(outline)
    assert pick_patterns((outline,), "port", zoo.job())[0][Side.PORT] is outline


def test_a_tag_in_two_photos_lies_between_its_two_places() -> None:
    outline = tagged(bare(), ("line 1", (0.0, 60.0), 0.0), turn=0.0, shift=(0.0, 0.0))
    view = outline.views[0]
    other = replace(view, tags=(sighted("line 1", view, np.array([0.2, 60.0]), 0.0),))
    (tag,) = read_tags(replace(outline, views=(view, other)), zoo.job())
    assert tag.at_mm == pytest.approx([0.1, 60.0], abs=1e-6)
    assert len(tag.seen) == 2


# From a picture


def wide_knee(side: str) -> Floats:
    """A knee with room for tags on it, in its own frame."""
    ring = shapes.quarter_knee(transom_mm=260.0, hull_mm=330.0, end_mm=90.0, throat=0.25)
    return shapes.mirror(ring) if side == "port" else ring


def drawn_photo(path: Path, pieces: list[tuple[str, float, tuple[float, float], list]]) -> None:
    """A dark bench with ply knees, cards around, tags on their faces; the faces 3.1 mm high."""
    size = (2400, 1667)
    plane = simple_plane(
        width_px=size[0], height_px=size[1], mm_per_px=0.42, height_mm=3.1, tilt_deg=5.0
    )
    bench = db.Bench(plane, size=size)
    boards: list[tuple[str, tuple[float, float], float, float]] = []
    for side, turn, shift, tags in pieces:
        ring = wide_knee(side)
        c, s = np.cos(turn), np.sin(turn)
        spin = np.array([[c, -s], [s, c]])
        bench.lay([db.closely(ring @ spin.T + shift)], db.PLY, height_mm=3.1)
        boards += [
            (name, tuple(spin @ np.array(at) + shift), float(np.degrees(turn)) + askew, 3.1)
            for name, at, askew in tags
        ]
    places = ((-420.0, 270.0), (420.0, 265.0), (-420.0, -265.0), (415.0, -265.0), (0.0, -300.0))
    turns = (10.0, 100.0, -20.0, 175.0, 3.0)
    boards += [(n, at, turn, 0.0) for n, at, turn in zip("ABCDE", places, turns, strict=True)]
    bench.boards(boards)
    Image.fromarray(bench.photo(noise=1.5).pixels).save(path)


def test_tags_in_a_picture_tell_line_side_and_face(tmp_path: Path) -> None:
    """The whole job, from pixels: both patterns in one photo, no pencil line anywhere."""
    import json

    def of(sign: float, first: int, name: str) -> list:
        return [
            (f"line {first}", (0.0, 38.0), 0.0), (f"line {first + 1}", (0.0, 100.0), 0.0),
            (name, (sign * 50.0, 170.0), 40.0), (f"this face up {first // 2 + 1}", (sign * 62.0, 60.0), 90.0),
        ]  # fmt: skip

    drawn_photo(
        tmp_path / "bench.png",
        [
            ("starboard", 0.0, (-180.0, -130.0), of(1.0, 1, "starboard")),
            ("port", 0.15, (200.0, -170.0), of(-1.0, 3, "port")),
        ],
    )
    out = tmp_path / "out"
    code = cli.main(
        ["make", "--both", str(tmp_path / "bench.png"), "--thickness", "3.1mm",
         "--printed-bar", "100,100", "--out", str(out)]
    )  # fmt: skip
    assert code == 0
    report = json.loads((out / "report.json").read_text())
    told = {note["code"]: note["text"] for note in report["notes"]}
    assert "tag" in told["sides-told"]
    assert "face-assumed" not in told
    assert "line-unclear" not in told
    for side in ("port", "starboard"):
        found = report["patterns"][side]
        ring = wide_knee(side)
        corner = np.array(found["corners_mm"]["outer"])
        # The line through the tags as they were drawn, 0.3 mm of edge and cards included.
        assert corner == pytest.approx([100.0 if side == "starboard" else -100.0, 0.0], abs=0.35)
        gap = np.linalg.norm(np.array(found["outline_mm"])[:, None] - ring[::3], axis=2).min(axis=1)
        assert np.quantile(gap, 0.95) < 1.0
        assert found["marks_mm"] == []
        assert found["holes_mm"] == []
        assert "2 line tags" in found["registration"]["ways"][0]["way"]
        assert found["seen_percent"] > 97.0
    page = (out / "report.html").read_text()
    assert "by how it is told" in page
    assert "each way answers its own question" in page
