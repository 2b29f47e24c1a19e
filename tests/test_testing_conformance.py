"""The built-ins pass the checks that strangers' plug-ins are given; spoilt ones do not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from stand_ins import source

from spilemark.hookspecs import STAGES, hookimpl
from spilemark.plugins import Plugins, installed, load_plugins
from spilemark.recipe import standard_recipe
from spilemark.testing.conformance import NotConforming, check_plugin

SHIPPED = [(stage, name) for stage in STAGES for name in standard_recipe().stages[stage]]


@pytest.mark.parametrize(("stage", "name"), SHIPPED)
def test_the_built_ins_conform(stage: str, name: str, tmp_path: Path) -> None:
    check_plugin(stage, name, folder=tmp_path)


def beside(plugin: object) -> Plugins:
    """A spoilt plug-in among the installed ones."""
    return load_plugins([*installed(), source("spoilt", plugin)])


def module(**hooks: Any) -> ModuleType:
    """A module with these hooks."""
    made = ModuleType("spoilt")
    vars(made).update(hooks)
    return made


def shipped(stage: str) -> Any:
    """The shipped plug-in's own function of a stage."""
    name = standard_recipe().stages[stage][0]
    return getattr(next(s for s in installed() if s.name == name).load(), stage)


def test_a_tracer_that_is_too_large_is_told_by_how_much(tmp_path: Path) -> None:
    from spilemark_stages.trace.cut_edge import Options

    @hookimpl
    def trace(survey: Any, arm: Any, job: Any, options: Any) -> Any:
        outlines = shipped("trace")(survey=survey, arm=arm, job=job, options=Options())
        return tuple(
            replace(
                o, polylines=tuple(replace(p, points_mm=1.004 * p.points_mm) for p in o.polylines)
            )
            for o in outlines
        )

    with pytest.raises(NotConforming, match=r"within 0\.3 mm; it is"):
        check_plugin("trace", "spoilt", folder=tmp_path, plugins=beside(module(trace=trace)))


def test_a_mirror_that_moves_what_it_mirrors(tmp_path: Path) -> None:
    from spilemark.records import RigidMap
    from spilemark.rigid import move_outline

    @hookimpl
    def mirror(pattern: Any, options: Any) -> Any:
        made = shipped("mirror")(pattern=pattern, options=None)
        aside = RigidMap(turn_rad=0.0, shift_mm=(0.5, 0.0))
        return replace(made, outline=move_outline(made.outline, aside))

    with pytest.raises(NotConforming, match="x must change sign"):
        check_plugin("mirror", "spoilt", folder=tmp_path, plugins=beside(module(mirror=mirror)))


def test_a_writer_that_writes_elsewhere(tmp_path: Path) -> None:
    @hookimpl
    def write_template(template: Any, folder: Path, options: Any) -> Any:
        (folder.parent / "stray.txt").write_text("x")
        path = folder / f"{template.name}.txt"
        path.write_text("x")
        return (path,)

    with pytest.raises(NotConforming, match="beside the folder"):
        check_plugin(
            "write_template",
            "spoilt",
            folder=tmp_path,
            plugins=beside(module(write_template=write_template)),
        )


def test_a_stage_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="is no stage"):
        check_plugin("tracing", "cut-edge", folder=tmp_path)


def test_a_writer_that_reads_the_clock(tmp_path: Path) -> None:
    import time

    @hookimpl
    def write_job(result: Any, folder: Path) -> Any:
        path = folder / "note.txt"
        path.write_text(str(time.perf_counter_ns()))
        return (path,)

    with pytest.raises(NotConforming, match="differs when made again"):
        check_plugin(
            "write_job", "spoilt", folder=tmp_path, plugins=beside(module(write_job=write_job))
        )
