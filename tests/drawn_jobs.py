"""Whole jobs of drawn shapes, measured by nobody, for the tests of everything that comes out."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapes as zoo

from spilemark.cards import shop_cards
from spilemark.lens import plane_to_pixels
from spilemark.records import (
    CardSighting,
    JobFacts,
    Note,
    Outline,
    RegisteredPattern,
    ScaleBasis,
    ScaleStatement,
    Side,
    Survey,
    View,
)
from spilemark.results import JobResult
from spilemark_stages.compare.signed_gap import Options as GapOptions
from spilemark_stages.compare.signed_gap import compare
from spilemark_stages.mirror.centreline_mirror import mirror
from spilemark_stages.register.reference_line import Options as LineOptions
from spilemark_stages.register.reference_line import register

FACTS = JobFacts(
    boat="Curlew",
    part="quarter knee",
    date=dt.date(2026, 5, 14),
    thickness_mm=3.1,
    face={"port": "up", "starboard": "up", "single": "up"},
)
TAPED = ScaleStatement(
    basis=ScaleBasis.TAPED,
    words="taped A-H 742.5 mm",
    sigma_relative=2.7e-4,
    print_scale=(0.998, 0.999),
)
NOMINAL = ScaleStatement(
    basis=ScaleBasis.NOMINAL,
    words="cards taken as printed at 100 %",
    sigma_relative=5e-3,
    print_scale=(1.0, 1.0),
)


def unseen(outline: Outline, start: int, stop: int) -> Outline:
    """The same outline with the ring's points start..stop bridged."""
    seen = np.ones(len(outline.ring.points_mm), dtype=bool)
    seen[start:stop] = False
    lines = tuple(
        replace(line, seen=seen) if line.role == "edge" else line for line in outline.polylines
    )
    return replace(outline, polylines=lines)


def outline(drawn: zoo.Drawn, side: str = "port", **more: object) -> Outline:
    """As a tracer hands it on, on the bench, with noise."""
    facts: dict = {"turn_rad": 0.3, "shift_mm": (-30.0, -150.0), "noise_seed": 3} | more
    return zoo.outline(drawn, tag=side, **facts)


def pattern(
    drawn: zoo.Drawn | None = None, side: str = "port", facts: JobFacts = FACTS, **more: object
) -> RegisteredPattern:
    """One side, traced and laid on its line."""
    drawn = zoo.knee(side=side) if drawn is None else drawn
    return laid(outline(drawn, side, **more), side, facts)


def laid(traced: Outline, side: str = "port", facts: JobFacts = FACTS) -> RegisteredPattern:
    return register(outline=traced, side=Side(side), job=facts, options=LineOptions())


def sighting(name: str, at_mm: tuple[float, float], view: View) -> CardSighting:
    """A card of ours lying on the bench, all crossings read."""
    half = np.array([[-60.0, 30.0], [60.0, 30.0], [60.0, -30.0], [-60.0, -30.0]])
    corners = half + np.array(at_mm)
    rng = np.random.default_rng(len(name))
    kept = np.ones(21, dtype=bool)
    kept[3] = False
    return CardSighting(
        name=name,
        crossings_px=np.zeros((21, 2)),
        residuals_px=rng.normal(0.0, 0.05, (21, 2)),
        kept=kept,
        outline_px=plane_to_pixels(corners, view.plane, 0.0),
        outline_mm=corners,
        cross_mm=np.array(at_mm),
        lift_mm=0.12,
        edge_shift_px=-0.08,
        edge_shift_mm=-0.02,
        bow_mm=-0.05,
    )


def view_of(arm: str, *, causes: int, orientation: int = 1, name: str | None = None) -> View:
    bare = zoo.view(arm, orientation=orientation, name=name, causes=causes)
    cards = (sighting("A", (-280.0, 150.0), bare), sighting("H", (250.0, 210.0), bare))
    return replace(bare, cards=cards)


def result(
    *,
    port: zoo.Drawn | Outline | None = None,
    starboard: zoo.Drawn | Outline | None = None,
    sides: tuple[str, ...] = ("port", "starboard"),
    facts: JobFacts = FACTS,
    scale: ScaleStatement = TAPED,
    notes: tuple[Note, ...] = (),
    orientation: int = 1,
) -> JobResult:
    """A finished job, with one photo a side."""
    given = {"port": port, "starboard": starboard, "single": None}
    causes = len(zoo.all_fields("port"))
    outlines, patterns, views = {}, {}, []
    for side in sides:
        drawn = given[side]
        if drawn is None:
            drawn = zoo.knee(side="starboard" if side == "single" else side)
        traced = drawn if isinstance(drawn, Outline) else outline(drawn, side)
        views.append(view_of(side, causes=causes, orientation=orientation))
        traced = replace(traced, views=(views[-1],))
        outlines[side] = (traced,)
        patterns[Side(side)] = laid(traced, side, facts)
    comparison = None
    if {"port", "starboard"} <= set(sides):
        comparison = compare(
            port=patterns[Side.PORT],
            starboard_mirrored=mirror(pattern=patterns[Side.STARBOARD], options=None),
            job=facts,
            options=GapOptions(),
        )
    found = notes + (comparison.notes if comparison else ())
    return JobResult(
        facts=facts,
        card_set=shop_cards(),
        photos={view.straight.arm: (view.straight,) for view in views},
        survey=Survey(
            views=tuple(views), causes=patterns[Side(sides[0])].outline.causes, scale=scale
        ),
        outlines=outlines,
        patterns=patterns,
        comparison=comparison,
        notes=found,
        versions={"spilemark": "0.0.0", "python": "3", "trace: cut-edge": "0.0.0"},
        options={"trace: cut-edge": {"folder": Path("somewhere")}},
        timings_s={"trace": 1.0},
    )
