"""A writer in ten lines: the outline's points as comma-separated millimetres."""

from pathlib import Path
from typing import Any

from spilemark.hookspecs import hookimpl
from spilemark.records import Template


@hookimpl
def write_template(template: Template, folder: Path, options: Any) -> tuple[Path, ...]:
    path = folder / f"{template.name}_points.csv"
    rows = (f"{x:.3f},{y:.3f}" for x, y in template.pattern.outline.ring.points_mm)
    path.write_text("x_mm,y_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return (path,)
