"""The smallest records that keep every promise, and a plug-in a stage that hands them over."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.cards import Card, CardSet
from spilemark.frames import mirror_across_centreline
from spilemark.hookspecs import STAGES, hookimpl
from spilemark.plugins import Source, load_plugins
from spilemark.recipe import Kitchen, Recipe, equip
from spilemark.records import (
    Alignment,
    Cause,
    Lens,
    Outline,
    Photo,
    PlaneMap,
    Polyline,
    RegisteredPattern,
    RigidDifference,
    RigidMap,
    ScaleBasis,
    ScaleStatement,
    Side,
    SideComparison,
    StraightPhoto,
    Survey,
    View,
)
from spilemark.results import JobResult

CAUSES = (Cause(id="print-scale-x", kind="card print scale"),)
SQUARE = np.array([[0.0, 0.0], [200.0, 0.0], [200.0, 100.0], [0.0, 100.0]])
CARD_SET = CardSet(
    name="two cards",
    dictionary="DICT_5X5_1000",
    cards=tuple(
        Card(name=n, columns=8, rows=4, square_mm=15.0, marker_mm=11.0, first_id=16 * k)
        for k, n in enumerate("AB")
    ),
)


def photo_of(path: Path, **facts: Any) -> Photo:
    content = path.read_bytes() if path.is_file() else str(path).encode()
    return Photo(
        path=path,
        sha256=hashlib.sha256(content).hexdigest(),
        pixels=np.zeros((300, 400), np.uint8),
        **facts,
    )


def straight_of(photo: Photo, arm: str) -> StraightPhoto:
    lens = Lens(
        values=np.array([300.0, 1, 199.5, 149.5, 0, 0, 0, 0, 0]), covariance=np.eye(9), basis="test"
    )
    return StraightPhoto(photo=photo, lens=lens, lens_group="test", arm=arm)


def view_of(straight: StraightPhoto) -> View:
    """A camera 300 mm above the bench: one pixel is one millimetre, y up."""
    plane = PlaneMap(
        lens=straight.lens.values,
        rotation_rad=np.array([np.pi, 0, 0]),
        translation_mm=np.array([-100.0, 50.0, 300.0]),
        height_mm=0.0,
        gain=np.zeros((16, len(CAUSES))),
    )
    return View(
        straight=straight,
        plane=plane,
        cards=(),
        residual_rms_px=0.05,
        card_hull_mm=np.array([[0.0, 0], [1, 0], [0, 1]]),
    )


def survey_of(photos: tuple[StraightPhoto, ...], basis: ScaleBasis = ScaleBasis.TAPED) -> Survey:
    scale = ScaleStatement(
        basis=basis, words="taped A-B 300 mm", sigma_relative=3e-4, print_scale=(1.0, 1.0)
    )
    return Survey(views=tuple(view_of(p) for p in photos), causes=CAUSES, scale=scale)


def outline_of(views: tuple[View, ...], ring: Any = SQUARE, **facts: Any) -> Outline:
    count = len(ring)
    edge = Polyline(
        role="edge",
        points_mm=ring,
        sigma_mm=np.full(count, 0.05),
        sensitivity_mm=np.zeros((count, len(CAUSES))),
        seen=np.ones(count, bool),
    )
    return Outline(polylines=(edge,), corners=(), edges=(), causes=CAUSES, views=views, **facts)


def pattern_of(outline: Outline, side: Side) -> RegisteredPattern:
    own = tuple(Cause(id=f"line:{side}:{k}", kind="reference line") for k in range(3))
    return RegisteredPattern(
        outline=outline,
        side=side,
        face="up",
        datum="centreline",
        frame="pattern",
        map=RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0)),
        covariance=np.eye(3) * 1e-6,
        datum_causes=(*outline.causes, *own),
        datum_sensitivity_mm=np.zeros((len(outline.ring.points_mm), len(outline.causes) + 3)),
        origin_corner=None,
    )


def mirrored(pattern: RegisteredPattern) -> RegisteredPattern:
    other = {Side.PORT: Side.STARBOARD, Side.STARBOARD: Side.PORT, Side.SINGLE: Side.SINGLE}
    ring = mirror_across_centreline(pattern.outline.ring.points_mm)[::-1]
    outline = outline_of(pattern.outline.views, ring)
    return replace(pattern, outline=outline, side=other[pattern.side], measured=False)


def comparison_of(port: RegisteredPattern, other: RegisteredPattern) -> SideComparison:
    count = len(port.outline.ring.points_mm)
    fit = Alignment(
        datum="best fit",
        turn_rad=0.0,
        shift_mm=(0.0, 0.0),
        gap_mm=np.zeros(count),
        u95_mm=np.full(count, 0.2),
        stations=(),
    )
    rigid = RigidDifference(
        turn_deg=0.0,
        turn_u95_deg=0.1,
        shift_mm=(0.0, 0.0),
        shift_u95_mm=(0.1, 0.1),
        rack_named=False,
    )
    return SideComparison(
        port=port,
        starboard_mirrored=other,
        tolerance_mm=1.5,
        alignments=(fit,),
        rigid=rigid,
        edges=(),
        corners=(),
        area_mm2=(2e4, 2e4),
        verdict="The sides are the same.",
        one_part_serves_both=True,
        take_off=(),
    )


@dataclass(eq=False)
class Stage:
    """A plug-in that keeps every promise; tests replace one method at a time."""

    calls: list[str] = field(default_factory=list)
    basis: ScaleBasis = ScaleBasis.TAPED
    rings: tuple[Any, ...] = (SQUARE,)

    @hookimpl
    def read_source(self, path: Path) -> Photo:
        self.calls.append(f"read {path.name}")
        return photo_of(path)

    @hookimpl
    def undistort(self, photo: Photo, arm: str) -> StraightPhoto:
        self.calls.append(f"undistort {arm}")
        return straight_of(photo, arm)

    @hookimpl
    def rectify(self, photos: tuple[StraightPhoto, ...]) -> Survey:
        self.calls.append(f"rectify {len(photos)}")
        return survey_of(photos, self.basis)

    @hookimpl
    def trace(self, survey: Survey, arm: str) -> tuple[Outline, ...]:
        self.calls.append(f"trace {arm}")
        views = tuple(v for v in survey.views if v.straight.arm == arm)
        return tuple(outline_of(views, ring) for ring in self.rings)

    @hookimpl
    def register(self, outline: Outline, side: Side) -> RegisteredPattern:
        self.calls.append(f"register {side}")
        return pattern_of(outline, side)

    @hookimpl
    def mirror(self, pattern: RegisteredPattern) -> RegisteredPattern:
        self.calls.append(f"mirror {pattern.side}")
        return mirrored(pattern)

    @hookimpl
    def compare(
        self, port: RegisteredPattern, starboard_mirrored: RegisteredPattern
    ) -> SideComparison:
        self.calls.append("compare")
        return comparison_of(port, starboard_mirrored)

    @hookimpl
    def write_template(self, folder: Path) -> tuple[Path, ...]:
        path = folder / "drawn.txt"
        path.write_text("drawn")
        return (path,)

    @hookimpl
    def write_job(self, result: JobResult, folder: Path) -> tuple[Path, ...]:
        path = folder / "whole.txt"
        path.write_text(", ".join(result.patterns))
        return (path,)


def source(
    name: str, plugin: object, distribution: str = "somebody", version: str = "1.2"
) -> Source:
    """A plug-in as if it were installed."""
    return Source(name=name, distribution=distribution, version=version, load=lambda: plugin)


STAGES_BY_STAND_IN: dict[str, tuple[str, ...]] = dict.fromkeys(STAGES, ("stand-in",))


def kitchen_of(plugin: object, *more: Source, **recipe: Any) -> Kitchen:
    """A kitchen in which one plug-in does every stage, and others stand by."""
    stages = STAGES_BY_STAND_IN | recipe.pop("stages", {})
    plugins = load_plugins([source("stand-in", plugin), *more])
    return equip(Recipe(stages=stages, **recipe), plugins)
