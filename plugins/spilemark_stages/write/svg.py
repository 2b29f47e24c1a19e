"""Plug-in "svg": a template as SVG, one user unit a millimetre.

``width``, ``height`` in mm and a ``viewBox`` in the same numbers: CSS fixes
1 in = 25.4 mm = 96 px (CSS Values and Units 4, 6.2), so no resolution enters.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import svgwrite

from spilemark.figure_page import FONT, write_page
from spilemark.frames import mm_to_svg
from spilemark.hookspecs import hookimpl
from spilemark.kept import template_note
from spilemark.records import Floats, Label, Stroke, Template
from spilemark_stages.write.styles import GROUPS, Options, pens


@hookimpl
def declare_options() -> type:
    """Hand over the options."""
    return Options


@hookimpl
def write_template(template: Template, folder: Path, options: Options) -> tuple[Path, ...]:
    """Write ``<name>.svg``."""
    return (write_page(svg_text(template, options), folder / f"{template.name}.svg"),)


def svg_text(template: Template, options: Options) -> str:
    """The drawing as SVG text; the same template gives the same text."""
    width, height = _number(template.width_mm), _number(template.height_mm)
    # svgwrite's checker parses each path slowly; the paths are ours.
    drawing = svgwrite.Drawing(size=(f"{width}mm", f"{height}mm"), debug=False)
    drawing["viewBox"] = f"0 0 {width} {height}"
    details = [f"{key}: {value}" for key, value in template.provenance.items()]
    # The last one lets "spilemark compare" read the pattern back.
    details.append(template_note(template))
    drawing.set_desc(title=template.title, desc="; ".join(details))
    chosen = pens(options)
    for name, styles in GROUPS:
        strokes = [s for s in template.strokes if s.style in styles]
        if not strokes and name not in ("outline", "holes", "centreline", "marks"):
            continue
        pen = chosen[styles[0]]
        group = drawing.g(
            id=name,
            fill="none",
            stroke=_grey(pen.grey),
            stroke_width=_number(pen.width_mm),
            stroke_linejoin="round",
        )
        if pen.dash_mm:
            group["stroke-dasharray"] = " ".join(_number(d) for d in pen.dash_mm)
        for stroke in strokes:
            path = drawing.path(d=_path(stroke, template))
            if stroke.name:
                path["data-name"] = stroke.name
            group.add(path)
        drawing.add(group)
    labels = drawing.g(id="labels", fill="black", stroke="none", font_family=FONT)
    for label in template.labels:
        labels.add(_text(drawing, label, template))
    drawing.add(labels)
    text: str = drawing.tostring()
    return text


def _path(stroke: Stroke, template: Template) -> str:
    parts = []
    for k, segment in enumerate(stroke.segments):
        points = _sheet(segment, template)
        if k == 0:
            parts.append(f"M{_pair(points[0])}")
        letter = "L" if len(points) == 2 else "C"
        parts.append(letter + " ".join(_pair(p) for p in points[1:]))
    return " ".join(parts) + (" Z" if stroke.closed else "")


def _text(drawing: Any, label: Label, template: Template) -> Any:
    (x, y) = _sheet(_row(label.at_mm), template)[0]
    text = drawing.text(label.text, insert=(_number(x), _number(y)))
    text["font-size"] = _number(label.height_mm)
    text["text-anchor"] = label.anchor
    if label.bold:
        text["font-weight"] = "bold"
    if label.turn_deg:
        text["transform"] = f"rotate({_number(-label.turn_deg)} {_number(x)} {_number(y)})"
    return text


def _row(point: tuple[float, float]) -> Floats:
    import numpy as np

    return np.array([point], dtype=np.float64)


def _sheet(points: Floats, template: Template) -> Floats:
    top = template.bottom_mm + template.height_mm
    return mm_to_svg(points, left_mm=template.left_mm, top_mm=top)


def _pair(point: Floats) -> str:
    return f"{_number(point[0])},{_number(point[1])}"


def _number(value: float) -> str:
    """A number to a millionth of a millimetre, without needless zeros."""
    text = f"{float(value):.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _grey(share: float) -> str:
    level = round(255 * share)
    return f"#{level:02x}{level:02x}{level:02x}"
