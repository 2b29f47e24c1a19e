"""Measured patterns at the bench: as parts, on sheets, and beside a horned hull."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo
from test_compare import compared
from test_shop_horning import built

from spilemark.ink_files import pdf_bytes
from spilemark.records import ScaleBasis, ScaleStatement
from spilemark.shop.allowances import cut_lines
from spilemark.shop.bevels import KneeAngles, compound_bevel
from spilemark.shop.horning import horn
from spilemark.shop.horning_words import against_patterns
from spilemark.shop.hull_orders import hull_order
from spilemark.shop.hull_turn import TURN, HullShare
from spilemark.shop.orders import shop_order
from spilemark.shop.part_words import compound_lines
from spilemark.shop_job import hull_beside, part_of
from spilemark.shop_parts import card_table, cut_notes, cut_sheet, hull_table, hull_words

SCALE = ScaleStatement(
    basis=ScaleBasis.TAPED, words="taped A-H 742.5 mm", sigma_relative=1e-4, print_scale=(1.0, 1.0)
)


def test_a_registered_pattern_becomes_a_part_with_its_sheet() -> None:
    comparison = compared(step_mm=2.0, boat="Dunlin 14", part="quarter knee")
    facts = zoo.job(boat="Dunlin 14", part="quarter knee")
    for pattern in (comparison.port, comparison.starboard_mirrored):
        part = part_of(pattern, facts, SCALE)
        outline = part.outline
        assert {"hull edge", "transom edge"} <= {e.name for e in outline.edges}
        # Both count from the outer corner, whichever way round the ring runs.
        corner = outline.points_mm[outline.corner("outer")]
        for name in ("hull edge", "transom edge"):
            edge = outline.edge(name)
            nearest = outline.points_mm[outline.indices(edge)][np.argmin(outline.stations_mm(edge))]
            assert nearest == pytest.approx(corner)
    order = shop_order(
        {"stock": "18 mm", "saw": ["2 mm"], "scribe": ["hull edge = 8 mm outboard"],
         "angles": {"flare": 15.0, "rake": 12.0}, "relief": ["outer = 10 mm"]},
        "port",
    )  # fmt: skip
    part = part_of(comparison.port, facts, SCALE)
    lines = cut_lines(
        part.outline,
        order.allowances(part.outline),
        thickness_mm=order.stock_mm,
        bevels=order.bevels,
    )
    notes = cut_notes(part, order, lines)
    assert any("±" in note for note in notes)
    sheet = cut_sheet(part, order, lines, notes)
    assert sheet.title.startswith("Dunlin 14, quarter knee port")
    # Equal parts give equal bytes: nothing reads the clock.
    assert pdf_bytes([sheet], sheet.title) == pdf_bytes([sheet], sheet.title)
    assert json.dumps(card_table(())) == "[]"


def turned(side: str, degrees: float) -> zoo.Drawn:
    """A knee turned against its pencil line, anticlockwise in the boat."""
    drawn = zoo.knee(side=side, step_mm=1.0, line_mm=(5.0, 300.0), line_inboard_mm=30.0)
    a = math.radians(degrees)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return replace(drawn, ring_mm=drawn.ring_mm @ turn.T)


def test_a_hull_turned_aft_explains_the_turn_of_its_patterns() -> None:
    # Own derivation, here from drawn knees through register, mirror and compare: the quarters of a
    # hull whose port corner is aft by phi are turned anticlockwise by phi, both of them.
    skew = 0.8
    comparison = compared(turned("port", skew), turned("starboard", skew))
    hull = horn(built(4000, 1200, skew))
    beside = dict(hull_beside(hull, comparison))
    assert beside[TURN].found_deg == pytest.approx(-2 * skew, abs=0.25)
    assert beside[TURN].expected_deg == pytest.approx(-2 * skew)
    assert beside[TURN].share is HullShare.EXPLAINS
    other = dict(hull_beside(horn(built(4000, 1200, -skew)), comparison))
    assert other[TURN].share is HullShare.DOES_NOT


def racked(side: str, skew: float) -> zoo.Drawn:
    """A knee of a hull whose sides run true to the centreline while its transom edge turns by skew."""
    angle = 98.0 - skew if side == "port" else 98.0 + skew
    drawn = zoo.knee(side=side, angle_deg=angle, step_mm=1.0, line_mm=(5.0, 300.0),
                     line_inboard_mm=30.0)  # fmt: skip
    # Drawn with its transom edge square to the line: turned until the hull edge runs as it did.
    a = math.radians(skew)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return replace(drawn, ring_mm=drawn.ring_mm @ turn.T)


@pytest.mark.parametrize("skew", [0.8, -1.1])
def test_a_racked_hull_explains_unlike_corners_and_the_turn_of_the_transom_edges(
    skew: float,
) -> None:
    # Own derivation, from drawn knees: sides parallel to the centreline, the transom alone turned.
    comparison = compared(racked("port", skew), racked("starboard", skew))
    beside = dict(hull_beside(horn(built(4000, 1200, skew)), comparison))
    corner = beside["angle at the outer corner"]
    assert corner.found_deg == pytest.approx(2 * skew, abs=0.15)
    assert corner.share is HullShare.EXPLAINS
    # Both tell of one hull; the best fit of the whole outlines is turned by less.
    assert beside[TURN].found_deg == pytest.approx(-2 * skew, abs=0.15)
    assert beside[TURN].share is HullShare.EXPLAINS
    assert abs(comparison.rigid.turn_deg) < 1.7 * abs(skew)
    # Lines squared off the transom say nothing that the corner does not.
    beside = hull_beside(horn(built(4000, 1200, skew)), comparison, "transom")
    assert [what for what, _ in beside] == ["angle at the outer corner"]


def test_a_corner_that_kept_its_angle_asks_after_the_sides() -> None:
    skew = 0.8
    comparison = compared(turned("port", skew), turned("starboard", skew))
    beside = dict(hull_beside(horn(built(4000, 1200, skew, sigma=0.3)), comparison))
    what = "angle at the outer corner"
    assert "whether the sides swung with the transom" in against_patterns(beside[what], what)


def test_a_horning_as_words_and_as_data() -> None:
    order = hull_order(
        {"port_diagonal": 4049.9, "starboard_diagonal": 4039.6, "breadth": 1200.0, "fixed": True}
    )
    hull = horn(order.tapes)
    lines = hull_words(order, hull)
    assert "its own pattern" in " ".join(lines)
    table = hull_table(order, hull, (), lines)
    assert json.loads(json.dumps(table))["words"] == [*lines]


@pytest.mark.parametrize(("plan", "words"), [(8.0, "they agree"), (4.0, "look again")])
def test_the_pattern_s_own_corner_bears_the_hull_s_angles_out(plan: float, words: str) -> None:
    # Without tilt the knee's corner is 90 degrees and the plan angle: derived, as in the table of
    # compound bevels.  The knee is drawn with straight edges that meet at 98.
    comparison = compared({"angle_deg": 98.0, "sag_mm": 0.0}, {"angle_deg": 98.0, "sag_mm": 0.0})
    part = part_of(comparison.port, zoo.job(), SCALE)
    assert part.outer_deg == pytest.approx(98.0, abs=0.1)
    found = compound_bevel(KneeAngles(flare_deg=15.0, rake_deg=12.0, plan_deg=plan))
    said = compound_lines(found, "top", part.outer_deg)[-1]
    assert "outer corner measures 98.0°" in said
    assert words in said
    assert len(compound_lines(found, "top")) == 3
