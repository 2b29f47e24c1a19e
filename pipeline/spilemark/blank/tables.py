"""Laminations and trial bends as plain data, for reports and ``--json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from spilemark.blank.bending import Bend
from spilemark.blank.curves import Floats
from spilemark.blank.knee import LaminatedKnee
from spilemark.blank.springback import ShopFactor
from spilemark.blank.trial import TrialFinding


def knee_table(knee: LaminatedKnee, lines: Sequence[str] = ()) -> dict[str, Any]:
    """A laminated knee as plain data, mm and degrees."""
    found, strips, form, block = knee.lamination, knee.strips, knee.form, knee.block
    more, less = found.toe_range_mm()
    return {
        "throat": knee.order.throat,
        "strips_mm": [round(t, 4) for t in found.strips.thicknesses_mm],
        "woods": [w.name for w in found.strips.woods],
        "bend_deg": found.bend_deg,
        "form_bend_deg": found.form_bend_deg,
        "form_corner_deg": found.form_corner_deg,
        "lost_share": found.springback.lost,
        "lost_share_by_sum": found.springback.ideal,
        "lost_share_u95": found.springback.u95,
        "factor": factor_table(found.springback.factor),
        "toe_range_mm": [more, less],
        "toe_without_overbend_mm": found.toe_without_overbend_mm(),
        "bends": [_bend(b) for b in found.tightest],
        "list": {
            "sawn": [{"number": n, "thickness_mm": t} for n, t in strips.sawn_mm],
            "length_mm": strips.length_mm,
            "width_mm": strips.width_mm,
            "board_width_mm": strips.board_width_needed_mm,
            "boards": strips.boards,
            "glue_lines": strips.glue_lines,
            "glue_area_mm2": strips.glue_area_mm2,
            "clamps": strips.clamps,
            "assembly_min": strips.assembly_min,
            "working_time_min": strips.working_time_min,
            "in_time": strips.in_time,
        },
        "form": {
            "kind": form.order.kind,
            "face_mm": _points(form.face.points_mm()),
            "body_mm": _points(form.body_mm),
            "clamp_holes_mm": _points(form.holes_mm),
            "tangents_mm": _points(form.tangents_mm),
            "centre_mm": _points(form.centre_mm[None])[0],
        },
        "lamination_mm": _points(knee.band_mm),
        "corner_block": None
        if block is None
        else {
            "net_mm": _points(block.net_mm),
            "cut_mm": _points(block.cut_mm),
            "grain_deg": block.grain_deg,
            "area_mm2": block.area_mm2,
        },
        "words": [*lines],
    }


def trial_table(found: TrialFinding, lines: Sequence[str] = ()) -> dict[str, Any]:
    """A trial bend and what it taught as plain data."""
    bend = found.bend
    return {
        "form_bend_deg": bend.form_bend_deg,
        "bend_deg": bend.bend_deg,
        "expected_bend_deg": found.expected_bend_deg,
        "expected_u95_deg": found.expected_u95_deg,
        "within": found.within,
        "lost_over_sum": bend.ratio,
        "factor": factor_table(found.after),
        "next_form_bend_deg": found.next_form_bend_deg,
        "words": [*lines],
    }


def factor_table(factor: ShopFactor) -> dict[str, Any]:
    """A shop's own factor as plain data."""
    return {
        "factor": factor.factor,
        "sigma": factor.factor_sigma,
        "scatter": factor.scatter,
        "bends": factor.bends,
    }


def _bend(bend: Bend) -> dict[str, Any]:
    return {
        "wood": bend.species.name,
        "source": bend.species.source,
        "thickness_mm": bend.thickness_mm,
        "inside_radius_mm": bend.inside_radius_mm,
        "ratio": bend.ratio,
        "strain": bend.strain,
        "stress_share": bend.stress_share,
        "below_every_limit": bend.below_every_limit,
        "limits": [
            {
                "name": rule.name,
                "rule": rule.rule,
                "kept": rule.kept,
                "thickest_mm": rule.thickest_mm,
                "strength_share": rule.factor,
            }
            for rule in bend.limits
        ],
    }


def _points(points: Floats) -> list[list[float]]:
    # Adding zero turns -0.0 into 0.0.
    return [[float(x), float(y)] for x, y in points.round(3) + 0.0]
