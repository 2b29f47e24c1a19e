"""The outer corner, and what a builder calls edges and corners."""

from __future__ import annotations

import numpy as np
import pytest
import shapes as zoo

from spilemark.corners import (
    corner_and_edge_functional,
    corner_functional,
    edges_at,
    outer_corner_candidates,
    rivals,
)
from spilemark.frames import outward_normals
from spilemark.names import BREASTHOOK, OUTER, QUARTER_KNEE, name_parts
from spilemark.records import Outline
from spilemark.testing import shapes
from spilemark.uncertainty import arc_weights, rigid_columns


def named(outline: Outline, *, starboard: bool, renames: dict[str, str] | None = None) -> Outline:
    outer = outer_corner_candidates(outline)[0]
    corners, edges = name_parts(
        outline,
        outer,
        outer.corners[0 if starboard else -1],
        words=QUARTER_KNEE,
        forwards=starboard,
        renames=renames or {},
    )
    return Outline(
        polylines=outline.polylines,
        corners=corners,
        edges=edges,
        causes=outline.causes,
        views=outline.views,
    )


KNEES = [
    {},
    {"notch_mm": (240.0, 28.0, 20.0)},
    {"notch_mm": (40.0, 20.0, 15.0)},
    {"notch_mm": (370.0, 20.0, 15.0)},
    {"clip_mm": 20.0},
    {"sag_mm": 12.0, "angle_deg": 84.0},
    {"sag_mm": -8.0, "angle_deg": 105.0},
    {"hull_mm": 300.0, "transom_mm": 420.0, "end_mm": 30.0},
]


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("sizes", KNEES)
def test_the_outer_corner_is_where_hull_and_transom_meet(side: str, sizes: dict) -> None:
    drawn = zoo.knee(side=side, **sizes)
    outline = zoo.outline(drawn, turn_rad=2.0, shift_mm=(50.0, 10.0))
    candidates = outer_corner_candidates(outline)
    assert len(rivals(candidates)) == 1
    index = outline.corners[candidates[0].corners[0]].index
    sign = -1.0 if side == "port" else 1.0
    assert drawn.ring_mm[index] == pytest.approx([sign * 100.0, 0.0], abs=0.01)


@pytest.mark.parametrize("sizes", KNEES)
def test_both_sides_call_their_edges_alike(sizes: dict) -> None:
    port, starboard = (
        named(zoo.outline(zoo.knee(side=s, **sizes)), starboard=s == "starboard")
        for s in ("port", "starboard")
    )
    lengths = [{e.name: e.length_mm for e in o.edges} for o in (port, starboard)]
    assert lengths[0].keys() == lengths[1].keys()
    assert len(lengths[0]) == len(port.edges)
    for name, length in lengths[0].items():
        assert lengths[1][name] == pytest.approx(length, abs=0.5)
    assert {c.name for c in port.corners} == {c.name for c in starboard.corners}
    assert len({c.name for c in port.corners}) == len(port.corners)


def test_a_plain_knee_has_the_trades_names() -> None:
    outline = named(zoo.outline(zoo.knee(side="starboard")), starboard=True)
    assert [e.name for e in outline.edges] == [
        "hull edge",
        "hull arm end",
        "throat curve",
        "transom arm end",
        "transom edge",
    ]
    assert [c.name for c in outline.corners] == [
        OUTER,
        "hull arm outer",
        "hull arm inner",
        "transom arm inner",
        "transom arm outer",
    ]
    assert {e.name: round(e.length_mm) for e in outline.edges}["transom edge"] == 330


def test_a_notch_does_not_make_another_hull_edge() -> None:
    drawn = zoo.knee(notch_mm=(240.0, 28.0, 20.0))
    outline = named(zoo.outline(drawn), starboard=False)
    lengths = {e.name: round(e.length_mm) for e in outline.edges}
    assert lengths["hull edge"] == 226
    assert lengths["hull edge beyond the notch"] == 145
    assert (lengths["notch near side"], lengths["notch far side"]) == (20, 20)
    assert lengths["notch floor"] == 29
    assert sum("notch corner" in c.name for c in outline.corners) == 4


def test_a_clipped_outer_corner_keeps_its_place_on_the_transom_edge() -> None:
    for side in ("port", "starboard"):
        knee = zoo.knee(side=side)
        sign = -1.0 if side == "port" else 1.0
        ring = zoo.even(zoo.cut(knee.ring_mm, np.array([sign * 100.0, 0.0]), 15.0), 1.0)
        outline = named(zoo.outline(zoo.Drawn(ring, None)), starboard=side == "starboard")
        names = {e.name: e for e in outline.edges}
        assert "corner clip" in names
        outer = next(c for c in outline.corners if c.name == OUTER)
        transom = names["transom edge"]
        assert outer.index in (transom.start, transom.stop)
        assert ring[outer.index] == pytest.approx([sign * 85.0, 0.0], abs=0.1)


def test_the_builders_own_names_are_used() -> None:
    outline = named(
        zoo.outline(zoo.knee(side="starboard")),
        starboard=True,
        renames={"hull edge": "planking", "throat curve": "inside sweep"},
    )
    names = [e.name for e in outline.edges]
    assert names[0] == "planking"
    assert names[2] == "inside sweep"


def test_a_breasthook_is_walked_from_its_nose() -> None:
    ring = zoo.even(shapes.breasthook(), 1.0)
    outline = zoo.outline(zoo.Drawn(ring, None))
    outer = outer_corner_candidates(outline)[0]
    assert len(outer.corners) == 2  # its nose is flat
    corners, edges = name_parts(
        outline, outer, outer.corners[-1], words=BREASTHOOK, forwards=False, renames={}
    )
    for edge in edges:
        span = np.arange(edge.start, edge.stop + (len(ring) if edge.stop <= edge.start else 0))
        x = ring[span % len(ring), 0].mean()
        if edge.name.startswith("starboard"):
            assert x > 50
        if edge.name.startswith("port"):
            assert x < -50
    assert {e.name for e in edges} == {
        "corner clip",
        "starboard edge",
        "starboard arm end",
        "throat curve",
        "port arm end",
        "port edge",
    }
    assert OUTER in {c.name for c in corners}


def test_a_plate_has_four_corners_that_shape_cannot_tell_apart() -> None:
    outline = zoo.outline(zoo.Drawn(zoo.even(shapes.notched_plate(), 1.0), None))
    assert len(rivals(outer_corner_candidates(outline))) == 4


def test_a_disc_has_no_outer_corner() -> None:
    outline = zoo.outline(zoo.Drawn(shapes.disc((0.0, 0.0), 150.0, hole=False), None))
    assert outer_corner_candidates(outline) == ()


def test_a_corner_follows_its_two_edges() -> None:
    outline = zoo.outline(zoo.knee())
    ring = outline.ring.points_mm
    normals = outward_normals(ring)
    weights = arc_weights(ring, closed=True)
    k = outer_corner_candidates(outline)[0].corners[0]
    before, after = edges_at(outline, k)
    rows = corner_functional(
        ring, normals, outline.corners[k].index, weights, limits=(before.start, after.stop)
    )
    shift = np.array([0.7, -0.4])
    assert rows @ (normals @ shift) == pytest.approx(shift, abs=0.02)


def test_laying_on_corner_and_edge_takes_a_motion_out_exactly() -> None:
    outline = zoo.outline(zoo.knee(sag_mm=0.0))
    ring = outline.ring.points_mm
    normals = outward_normals(ring)
    k = outer_corner_candidates(outline)[0].corners[0]
    before, after = edges_at(outline, k)
    functional = corner_and_edge_functional(
        ring,
        normals,
        arc_weights(ring, closed=True),
        outline.corners[k].index,
        after,
        before,
    )
    motion = np.array([0.001, 0.3, -0.2])
    change = rigid_columns(ring, normals) @ motion
    assert functional @ change == pytest.approx(motion, abs=1e-3)


def test_slender_knees_with_shallow_throats_have_their_outer_corner_too() -> None:
    # The throat is hardly hollow, and the corner across from it is nearly square as well.
    for sizes in (
        {"hull_mm": 555.0, "transom_mm": 157.0, "angle_deg": 87.0, "end_mm": 26.0, "throat": 0.4},
        {"hull_mm": 333.0, "transom_mm": 192.0, "angle_deg": 83.0, "end_mm": 77.0, "throat": 0.2},
        {"hull_mm": 174.0, "transom_mm": 598.0, "angle_deg": 92.0, "end_mm": 33.0, "throat": 0.3},
    ):
        drawn = zoo.knee(side="starboard", **sizes)
        best = outer_corner_candidates(zoo.outline(drawn))[0]
        index = zoo.outline(drawn).corners[best.corners[0]].index
        assert drawn.ring_mm[index] == pytest.approx([100.0, 0.0], abs=0.01)
