"""All files of a job: which ones, and that they are complete and the same every time."""

from __future__ import annotations

from pathlib import Path

import drawn_jobs
import pytest
import shapes as zoo

from spilemark.outputs import write_outputs
from spilemark.records import Template
from spilemark_stages.write import pdf, svg
from spilemark_stages.write.styles import Options


def both_writers(template: Template, folder: Path) -> list[Path]:
    return [
        path
        for writer in (svg, pdf)
        for path in writer.write_template(template=template, folder=folder, options=Options())
    ]


def names(job, folder: Path) -> list[str]:
    files = write_outputs(job, folder, both_writers)
    assert sorted(files) == sorted(folder.iterdir())
    assert all(path.stat().st_size > 500 for path in files)
    return [path.name for path in files]


def test_two_sides_give_templates_figure_overlays_and_report(tmp_path):
    assert names(drawn_jobs.result(), tmp_path) == [
        "port.svg", "port.pdf", "starboard.svg", "starboard.pdf",
        "difference.svg", "fairness_port.svg", "fairness_starboard.svg",
        "overlay_port.jpg", "overlay_starboard.jpg", "report.json",
    ]  # fmt: skip


@pytest.mark.parametrize("side", ["port", "starboard", "single"])
def test_one_side_has_no_figure_of_differences(tmp_path, side):
    assert names(drawn_jobs.result(sides=(side,)), tmp_path) == [
        f"{side}.svg", f"{side}.pdf", f"fairness_{side}.svg", f"overlay_{side}.jpg", "report.json",
    ]  # fmt: skip


def test_equal_results_give_equal_files(tmp_path):
    bumped = zoo.knee(side="starboard", bump_mm=(200.0, 4.0, 60.0))
    contents = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        names(drawn_jobs.result(starboard=bumped), folder)
        contents.append({p.name: p.read_bytes() for p in folder.iterdir()})
    assert contents[0] == contents[1]
