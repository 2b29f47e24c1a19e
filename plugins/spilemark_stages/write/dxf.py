"""Plug-in "dxf": a template for CAD and cutting machines, R2000, one unit a millimetre.

Coordinates are those of the pattern's own frame: x to starboard, y forward.
DXF numbers have no unit; ``$INSUNITS`` 4 and ``$MEASUREMENT`` 1 say
millimetres, and because some programs ignore both, a square of 100 mm stands
beside the part on a layer of its own.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from spilemark.errors import CannotWrite
from spilemark.hookspecs import hookimpl
from spilemark.records import Label, Stroke, Template
from spilemark_stages.write.dxf_curves import Circle, shape_of
from spilemark_stages.write.styles import GROUPS, PENS

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

SLOW_IMPORTS = ("ezdxf",)
"""A third of a second: better while the photos are decoded."""

SQUARE_MM = 100.0
SQUARE_LAYER = "CHECK_SQUARE_100MM"
WORDS_LAYER, PAGE_LAYER = "WORDS", "PAGE_WORDS"
_SQUARE_AWAY_MM = 20.0
_CAPITALS = 0.73
"""Height of capitals, which DXF asks for, as a share of the size of letters."""
_COLOURS = {"guessed": 1, "centreline": 5, "marks": 3, "checks": 8, "arrows": 8, "ticks": 8}
"""AutoCAD colour numbers: 1 red, 3 green, 5 blue, 8 grey; all else 7, black or white."""
_WEIGHTS = (13, 15, 18, 20, 25, 30, 35, 40, 50, 53, 60, 70, 80, 90, 100)
"""Line weights that the format knows, 1/100 mm."""


@dataclass(frozen=True)
class Options:
    """How the file is made."""

    tolerance_mm: float = field(
        default=0.02,
        metadata={
            "help": "Farthest that lines and arcs may keep off the drawn curves, 0.001 to 0.5.",
            "unit": "mm",
        },
    )

    def __post_init__(self) -> None:
        if not 0.001 <= self.tolerance_mm <= 0.5:
            raise ValueError("tolerance_mm is 0.001 to 0.5")


@hookimpl
def declare_options() -> type:
    """Hand over the options."""
    return Options


@hookimpl
def write_template(template: Template, folder: Path, options: Options) -> tuple[Path, ...]:
    """Write ``<name>.dxf``."""
    path = folder / f"{template.name}.dxf"
    try:
        path.write_bytes(dxf_bytes(template, options))
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return (path,)


def dxf_bytes(template: Template, options: Options) -> bytes:
    """The drawing as DXF; the same template gives the same bytes."""
    import ezdxf

    with _no_clock():
        # Group 70 of $MEASUREMENT 1: metric line types; $INSUNITS 4: millimetres.
        document = ezdxf.new("R2000", units=4)  # type: ignore[attr-defined]
        document.header["$MEASUREMENT"] = 1
        _layers(document)
        space = document.modelspace()
        for name, styles in GROUPS:
            for stroke in template.strokes:
                if stroke.style in styles:
                    _stroke(space, stroke, _layer(name), options.tolerance_mm)
        floor = -math.inf if template.block_top_mm is None else template.block_top_mm
        for label in template.labels:
            _words(space, label, WORDS_LAYER if label.at_mm[1] > floor else PAGE_LAYER)
        _square(space, template.left_mm - _SQUARE_AWAY_MM - SQUARE_MM, template.bottom_mm)
        low = (template.left_mm - _SQUARE_AWAY_MM - SQUARE_MM, template.bottom_mm)
        high = (template.left_mm + template.width_mm, template.bottom_mm + template.height_mm)
        document.header["$EXTMIN"], document.header["$EXTMAX"] = (*low, 0.0), (*high, 0.0)
        document.set_modelspace_vport(
            height=high[1] - low[1], center=((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
        )
        facts = document.ezdxf_metadata()
        facts["TITLE"] = template.title
        for key, value in template.provenance.items():
            facts[key] = value
        stream = io.StringIO()
        document.write(stream)
        return document.encode(stream.getvalue())


@contextmanager
def _no_clock() -> Iterator[None]:
    """Keep times and random identities out of the file, so that equal drawings stay equal."""
    import ezdxf

    options = ezdxf.options  # type: ignore[attr-defined]
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def _layer(group: str) -> str:
    return group.upper().replace("-", "_")


def _layers(document: Drawing) -> None:
    for name, styles in GROUPS:
        pen = PENS[styles[0]]
        linetype = "CONTINUOUS"
        if pen.dash_mm:
            linetype = f"{_layer(name)}_DASHES"
            signed = [d if k % 2 == 0 else -d for k, d in enumerate(pen.dash_mm)]
            document.linetypes.add(linetype, pattern=[sum(pen.dash_mm), *signed])
        document.layers.add(
            _layer(name),
            color=_COLOURS.get(name, 7),
            linetype=linetype,
            lineweight=min(_WEIGHTS, key=lambda w: abs(w - 100 * pen.width_mm)),
        )
    for name in (WORDS_LAYER, PAGE_LAYER, SQUARE_LAYER):
        document.layers.add(name, color=8)


def _stroke(space: Modelspace, stroke: Stroke, layer: str, tolerance: float) -> None:
    shape = shape_of(stroke, tolerance)
    where = {"layer": layer}
    if isinstance(shape, Circle):
        if shape.from_rad is None or shape.to_rad is None:
            space.add_circle(shape.centre, shape.radius_mm, dxfattribs=where)
        else:
            ends = (math.degrees(shape.from_rad), math.degrees(shape.to_rad))
            space.add_arc(shape.centre, shape.radius_mm, *ends, dxfattribs=where)
    elif len(shape.vertices) == 2 and not shape.closed and shape.vertices[0][2] == 0:
        start, stop = (vertex[:2] for vertex in shape.vertices)
        space.add_line(start, stop, dxfattribs=where)
    else:
        space.add_lwpolyline(shape.vertices, format="xyb", close=shape.closed, dxfattribs=where)


def _words(space: Modelspace, label: Label, layer: str) -> None:
    from ezdxf.enums import TextEntityAlignment

    sides = {
        "start": TextEntityAlignment.LEFT,
        "middle": TextEntityAlignment.CENTER,
        "end": TextEntityAlignment.RIGHT,
    }
    text = space.add_text(
        label.text,
        height=_CAPITALS * label.height_mm,
        rotation=label.turn_deg,
        dxfattribs={"layer": layer},
    )
    text.set_placement(label.at_mm, align=sides[label.anchor])


def _square(space: Modelspace, left: float, bottom: float) -> None:
    """The square to measure in whatever program opens the file."""
    from ezdxf.enums import TextEntityAlignment

    where = {"layer": SQUARE_LAYER}
    corners = [(0.0, 0.0), (SQUARE_MM, 0.0), (SQUARE_MM, SQUARE_MM), (0.0, SQUARE_MM)]
    space.add_lwpolyline([(left + x, bottom + y) for x, y in corners], close=True, dxfattribs=where)
    lines = ("100 mm square", "Measure it before cutting:", "if it is not 100 mm, do not cut.")
    for k, line in enumerate(lines):
        text = space.add_text(line, height=4.0, dxfattribs=where)
        at = (left + SQUARE_MM / 2, bottom + 58.0 - 8.0 * k)
        text.set_placement(at, align=TextEntityAlignment.CENTER)
