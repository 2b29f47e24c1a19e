"""What the cards' own black edges do to the doubt of a pattern's edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_benches import MAT, PLY, Bench, plane, survey

from spilemark.frames import outward_normals
from spilemark.lens import mm_per_px_across
from spilemark.records import JobFacts, Outline, View
from spilemark.testing.shapes import notched_plate
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.edge_shift import edge_shift_notes, shift_of, unexplained_px
from spilemark_stages.trace.outlines import SAWN_EDGE_MM
from spilemark_stages.trace.regions import Region
from spilemark_stages.trace.scribed import LINE_BIAS_PX
from spilemark_stages.trace.several import Beliefs
from spilemark_stages.trace.traced_ring import TracedRing
from spilemark_stages.trace.traced_view import TracedPiece

PLATE = notched_plate(width_mm=210, height_mm=110, notch_mm=(36, 20)) - [105, 55]


@pytest.fixture(scope="module")
def view() -> View:
    bench = Bench(plane(height_mm=0.4), colour=MAT, grain=0.05)
    bench.lay([PLATE], PLY)
    bench.card("A", (-75, 100), 2)
    bench.card("B", (70, -100), 178)
    return bench.view()


def shown(view: View, *shifts_px: float | None) -> View:
    """The view with its cards' edges seen shifted, at 4 px a mm."""
    cards = [
        replace(card, edge_shift_px=px, edge_shift_mm=None if px is None else px / 4.0)
        for card, px in zip(view.cards, shifts_px, strict=True)
    ]
    return replace(view, cards=tuple(cards))


def traced(*views: View) -> Outline:
    (outline,) = cut_edge.trace(survey(*views), "port", JobFacts(), cut_edge.Options())
    return outline


def place_px(outline: Outline, view: View) -> float:
    """One sigma of what all points share of where edges are seen, px, by the outline's own table."""
    ring = outline.ring
    columns = [k for k, cause in enumerate(outline.causes) if cause.id.startswith("edge-place")]
    place = np.linalg.norm(ring.sensitivity_mm[:, columns], axis=1)
    across = mm_per_px_across(ring.points_mm, outward_normals(ring.points_mm), view.plane)
    # What "the edge" of a sawn sheet is stands in it too.
    return float(np.median(np.sqrt(np.maximum(place**2 - SAWN_EDGE_MM**2, 0.0)) / across))


@pytest.mark.parametrize(
    ("shift_px", "left_px"),
    [
        (-0.5, 0.5),  # black smaller: ink never shrinks
        (0.3, 0.0),  # 0.075 mm larger: ink may do that
        (0.6, 0.6 - 4.0 * 0.09),  # 0.15 mm: all but 0.09 mm of it
    ],
)
def test_ink_explains_black_that_is_a_little_larger_and_nothing_else(
    view: View, shift_px: float, left_px: float
) -> None:
    assert unexplained_px(shown(view, shift_px, shift_px)) == pytest.approx(left_px, abs=1e-9)


def test_cards_that_cannot_tell_are_not_asked(view: View) -> None:
    assert shift_of(shown(view, None, None)) is None
    assert unexplained_px(shown(view, None, None)) == 0.0
    assert shift_of(shown(view, None, -0.2)) == pytest.approx((-0.2, -0.05))


def test_a_large_shift_widens_the_doubt_and_is_said(view: View) -> None:
    plain, shifted = traced(view), traced(shown(view, -0.4, -0.5))
    believed = cut_edge.Options().edge_bias_px
    # Drawn with a blur of 0.9 px, which a pixel's own width makes a little larger.
    assert believed - 1e-9 <= place_px(plain, view) < 1.2 * believed
    assert place_px(shifted, view) == pytest.approx(0.45, rel=1e-3)
    # Nothing is moved by it: which way the pattern's edge goes nobody knows.
    assert np.array_equal(plain.ring.points_mm, shifted.ring.points_mm)
    (note,) = [n for n in shifted.notes if n.code == "edges-shifted"]
    assert "0.11 mm smaller" in note.text
    assert note.value == pytest.approx(-0.45 / 4)
    assert not [n for n in plain.notes if n.code == "edges-shifted"]


def test_what_is_within_the_belief_is_not_said(view: View) -> None:
    believed = cut_edge.Options().edge_bias_px
    assert not edge_shift_notes((shown(view, -1.9 * believed, -1.9 * believed),), believed)
    assert edge_shift_notes((shown(view, -2.1 * believed, -2.1 * believed),), believed)


def test_of_several_photos_only_the_shifted_one_is_believed_less(view: View) -> None:
    """The doubt of two photos together: half of it common, half each photo's own (``OWN_SHARE``)."""
    one = place_px(traced(shown(view, -0.5, -0.5)), view)
    both = traced(shown(view, -0.5, -0.5), view)
    assert [n.code for n in both.notes].count("edges-shifted") == 1
    # The good photo has nearly all the say.
    assert place_px(both, view) < 0.4 * one


def piece_in(view: View, blur_px: float) -> TracedPiece:
    ring = TracedRing(PLATE, np.full(len(PLATE), 0.03), np.ones(len(PLATE), dtype=bool), ())
    return TracedPiece(
        view=view,
        photo=None,
        region=Region(PLATE, (), cut_by_frame=False, area_mm2=1.0, coarse_px=4.0),
        outer=ring,
        holes=(),
        doubtful=(),
        darker=False,
        thickness_mm=0.4,
        gap_mm=1.0,
        blur_px=blur_px,
    )


def test_a_shift_by_tones_grows_as_the_blur_does(view: View) -> None:
    """From the definition: under any curve the half-way level of a step blurred by a Gaussian lies
    at a fixed share of its swing, so at a fixed number of sigmas from its place."""
    beliefs = Beliefs(edge_bias_px=0.12, shade_mm=0.1, flatness_mm=0.2)
    assert beliefs.bias_px(piece_in(view, 0.7)) == 0.12
    wide, wider = (beliefs.bias_px(piece_in(view, blur)) for blur in (1.5, 3.0))
    assert wider == pytest.approx(2 * wide)
    assert wide > 0.12
    assert beliefs.bias_px(piece_in(shown(view, -0.5, -0.5), 1.5)) == 0.5


def test_a_drawn_line_has_no_bright_side(view: View) -> None:
    beliefs = Beliefs(LINE_BIAS_PX, 0.1, 0.2, has_bright_side=False)
    assert beliefs.bias_px(piece_in(shown(view, -0.5, -0.5), 2.0)) == LINE_BIAS_PX


def test_words_for_a_scan_are_those_of_a_scanner(view: View) -> None:
    photo = replace(view.straight.photo, is_scan=True)
    scan = replace(shown(view, -0.5, -0.5), straight=replace(view.straight, photo=photo))
    (note,) = edge_shift_notes((scan,), 0.12)
    assert "scanner" in note.text
    assert "focus" not in note.text
