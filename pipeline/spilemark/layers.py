"""A true-size drawing in layers, as PDF, SVG with a group a layer, or DXF with a layer a layer.

Millimetres, x right, y up.  The sheets of ``spilemark.shop_sheet`` show one part;
here several things lie in one frame, each of which somebody may want alone.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from spilemark import ink_files
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.ink import Anchor, Group, Mark, Sheet, Stroke, Words, bar
from spilemark.storage import store_files

if TYPE_CHECKING:
    from ezdxf.document import Drawing as Dxf

Floats = NDArray[np.float64]

KINDS = (".svg", ".pdf", ".dxf")
_MARGIN_MM = 15.0
_LEAST_WIDTH_MM = 260.0
_TITLE_MM, _TEXT_MM, _LINE_MM = 6.0, 3.3, 4.7
_BAR_MM = 100.0
_BAR_SPACE_MM = 118.0
_SAMPLE_MM = 22.0
_GAP_MM = 14.0
_CAPITALS = 0.73
_HANGS = 0.24
_THIN_MM = 0.01
_SQUARE_AWAY_MM = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line through points (N, 2)."""

    points_mm: Floats
    closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lettering:
    """Words in the drawing."""

    text: str
    at_mm: tuple[float, float]
    size_mm: float = 4.0
    turn_deg: float = 0.0
    anchor: Anchor = "middle"
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """Lines of one meaning."""

    name: str
    """In lower case, hyphens between: the group's name, and in capitals the DXF layer's."""
    legend: str
    """What the lines are; empty: not listed."""
    lines: tuple[Line, ...] = ()
    words: tuple[Lettering, ...] = ()
    width_mm: float = 0.35
    dash_mm: tuple[float, ...] = ()
    grey: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayeredDrawing:
    """Layers in one frame, and what has to be said of them."""

    title: str
    layers: tuple[Layer, ...]
    notes: tuple[str, ...] = ()
    """Wrapped below the drawing, the first one bold."""
    warnings: tuple[str, ...] = ()
    """Stand behind the first note, in bold."""
    brief: tuple[str, ...] = ()
    """What every sheet of paper says where the drawing is cut into several."""

    def points_mm(self) -> Floats:
        """All drawn points and the ends of all words (M, 2)."""
        found = [line.points_mm for layer in self.layers for line in layer.lines]
        found += [word_box(words) for layer in self.layers for words in layer.words]
        return np.concatenate(found)

    def layer(self, name: str) -> Layer:
        """The layer of a name; it is there, or the caller is wrong."""
        return next(layer for layer in self.layers if layer.name == name)


def circle(centre: Floats | tuple[float, float], diameter_mm: float, steps: int = 48) -> Line:
    """A circle as a closed line."""
    turn = np.linspace(0.0, 2.0 * np.pi, steps, endpoint=False)
    ring = 0.5 * diameter_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    return Line(np.asarray(centre, np.float64) + ring, closed=True)


def arrow(middle: Floats, way_deg: float, length_mm: float) -> tuple[Line, ...]:
    """An arrow with two heads: grain runs both ways."""
    angle = np.radians(way_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    half, head = 0.5 * length_mm, min(6.0, 0.15 * length_mm)
    lines = [Line(np.array([middle - half * along, middle + half * along]))]
    for sign in (-1.0, 1.0):
        tip = middle + sign * half * along
        back = tip - sign * head * along
        lines.append(Line(np.array([back + 0.5 * head * across, tip, back - 0.5 * head * across])))
    return tuple(lines)


def thinned(drawing: LayeredDrawing) -> LayeredDrawing:
    """The same drawing with no more points than its lines need, within a hundredth of a millimetre."""
    from shapely import LineString

    def line(given: Line) -> Line:
        points = given.points_mm
        if len(points) < 8:
            return given
        ring = np.vstack([points, points[:1]]) if given.closed else points
        fewer = np.asarray(LineString(ring).simplify(_THIN_MM).coords)
        return Line(fewer[:-1] if given.closed else fewer, closed=given.closed)

    layers = [replace(layer, lines=tuple(map(line, layer.lines))) for layer in drawing.layers]
    return replace(drawing, layers=tuple(layers))


def inside_point(ring_mm: Floats) -> Floats:
    """Middle of the largest circle within a ring: where words have most room."""
    from shapely import Polygon, maximum_inscribed_circle

    radius = maximum_inscribed_circle(Polygon(ring_mm), tolerance=0.5)
    return np.asarray(radius.coords[0], np.float64)


def sheet_of(drawing: LayeredDrawing) -> Sheet:
    """Lay out a drawing on one sheet, as large as it needs: legend, notes and check bars below."""
    points = drawing.points_mm()
    low, high = points.min(axis=0), points.max(axis=0)
    wide = max(float(high[0] - low[0]) + _GAP_MM, _LEAST_WIDTH_MM)
    left = _MARGIN_MM + (wide - float(high[0] - low[0])) / 2.0 - float(low[0])
    title_size = min(_TITLE_MM, _TITLE_MM * wide / _title_width(drawing.title))
    top = _MARGIN_MM + 2.2 * _TITLE_MM + float(high[1])
    marks: list[Mark] = [
        Words(
            text=drawing.title,
            at=(_MARGIN_MM, _MARGIN_MM + _TITLE_MM),
            size_mm=title_size,
            bold=True,
        )
    ]
    marks += groups(drawing, left, top)
    under = top - float(low[1]) + _GAP_MM
    words, bottom = _below(drawing, under, wide)
    return Sheet(
        title=drawing.title,
        width_mm=round(wide + 2 * _MARGIN_MM, 1),
        height_mm=round(max(bottom, under + _BAR_SPACE_MM) + _MARGIN_MM, 1),
        marks=(*marks, *words),
    )


def groups(drawing: LayeredDrawing, left: float, top: float) -> list[Mark]:
    """Every layer as a group of ink; (left, top) is where the drawing's origin lies on the sheet."""
    found: list[Mark] = []
    for layer in drawing.layers:
        marks: list[Mark] = [
            Stroke(
                points=tuple((left + float(x), top - float(y)) for x, y in line.points_mm),
                width_mm=layer.width_mm,
                dash_mm=layer.dash_mm,
                grey=layer.grey,
                closed=line.closed,
            )
            for line in layer.lines
        ]
        marks += [
            Words(
                text=words.text,
                at=(left + words.at_mm[0], top - words.at_mm[1]),
                size_mm=words.size_mm,
                bold=words.bold,
                anchor=words.anchor,
                turn_deg=words.turn_deg,
            )
            for words in layer.words
        ]
        found.append(Group(name=layer.name, marks=tuple(marks)))
    return found


def dxf_bytes(drawing: LayeredDrawing) -> bytes:
    """The drawing as DXF R2000 in millimetres; the same drawing gives the same bytes.

    ``$INSUNITS`` 4 and ``$MEASUREMENT`` 1 say millimetres; a square of 100 mm
    stands beside it, since some programs ignore both.
    """
    import ezdxf

    options = ezdxf.options  # type: ignore[attr-defined]
    before = options.write_fixed_meta_data_for_testing
    # The library's own name for: no clock and no random identities in the file.
    options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.new("R2000", units=4)  # type: ignore[attr-defined]
        document.header["$MEASUREMENT"] = 1
        for layer in drawing.layers:
            _dxf_layer(document, layer)
        low, high = drawing.points_mm().min(axis=0), drawing.points_mm().max(axis=0)
        x, y = float(low[0]) - _SQUARE_AWAY_MM - _BAR_MM, float(low[1])
        document.layers.add("CHECK_SQUARE_100MM", color=8)
        corners = [(x, y), (x + _BAR_MM, y), (x + _BAR_MM, y + _BAR_MM), (x, y + _BAR_MM)]
        where = {"layer": "CHECK_SQUARE_100MM"}
        document.modelspace().add_lwpolyline(corners, close=True, dxfattribs=where)
        document.header["$EXTMIN"] = (x, y, 0.0)
        document.header["$EXTMAX"] = (float(high[0]), max(float(high[1]), y + _BAR_MM), 0.0)
        document.ezdxf_metadata()["TITLE"] = drawing.title
        stream = io.StringIO()
        document.write(stream)
        return bytes(document.encode(stream.getvalue()))
    finally:
        options.write_fixed_meta_data_for_testing = before


def content_of(drawing: LayeredDrawing, kind: str) -> bytes:
    """The bytes of a drawing as ``.svg``, ``.pdf`` or ``.dxf``."""
    if kind == ".dxf":
        return dxf_bytes(drawing)
    sheet = sheet_of(drawing)
    if kind == ".svg":
        return ink_files.svg_text(sheet).encode()
    return ink_files.pdf_bytes([sheet], drawing.title)


def write_drawing(path: Path, drawing: LayeredDrawing, *, force: bool = False) -> Path:
    """Write a drawing by the ending of its name.

    Raises
    ------
    UsageError
        Another ending than .svg, .pdf or .dxf.
    WouldOverwrite, CannotWrite
    """
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise UsageError(
            f"A drawing is not written as {path.name}.", "Let it end in .svg, .pdf or .dxf."
        )
    if path.exists() and not force:
        raise WouldOverwrite(
            f"{path} already exists.", "Choose another name, or add --force to replace it."
        )
    try:
        store_files({path: content_of(thinned(drawing), kind)})
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return path


def _dxf_layer(document: Dxf, layer: Layer) -> None:
    from ezdxf.enums import TextEntityAlignment

    name = layer.name.upper().replace("-", "_")
    linetype = "CONTINUOUS"
    if layer.dash_mm:
        linetype = f"{name}_DASHES"
        signed = [d if k % 2 == 0 else -d for k, d in enumerate(layer.dash_mm)]
        document.linetypes.add(linetype, pattern=[sum(layer.dash_mm), *signed])
    document.layers.add(name, color=8 if layer.grey > 0.3 else 7, linetype=linetype)
    space, where = document.modelspace(), {"layer": name}
    for line in layer.lines:
        points = [(float(x), float(y)) for x, y in line.points_mm]
        space.add_lwpolyline(points, close=line.closed, dxfattribs=where)
    sides = {
        "start": TextEntityAlignment.LEFT,
        "middle": TextEntityAlignment.CENTER,
        "end": TextEntityAlignment.RIGHT,
    }
    for words in layer.words:
        text = space.add_text(
            words.text,
            height=_CAPITALS * words.size_mm,
            rotation=words.turn_deg,
            dxfattribs=where,
        )
        text.set_placement(words.at_mm, align=sides[words.anchor])


def _below(drawing: LayeredDrawing, top: float, wide: float) -> tuple[list[Mark], float]:
    """Check bars at the right, legend and notes left of them; where the lowest line ends."""
    right = _MARGIN_MM + wide
    marks: list[Mark] = [
        *bar((right - _BAR_MM, top + 4.0), _BAR_MM, along=False),
        *bar((right - 4.0, top + 12.0), _BAR_MM, along=True),
        Words(
            text="100 mm, both ways", at=(right - 8.0, top + 12.0), size_mm=_TEXT_MM, anchor="end"
        ),
    ]
    y = top
    for layer in drawing.layers:
        if not layer.legend or not layer.lines:
            continue
        y += _LINE_MM
        ends = ((_MARGIN_MM, y - 1.2), (_MARGIN_MM + _SAMPLE_MM, y - 1.2))
        marks.append(
            Stroke(points=ends, width_mm=layer.width_mm, dash_mm=layer.dash_mm, grey=layer.grey)
        )
        at = _MARGIN_MM + _SAMPLE_MM + 4.0
        for text in ink_files.wrapped(layer.legend, wide - _BAR_MM - at + 5.0, _TEXT_MM):
            marks.append(Words(text=text, at=(at, y), size_mm=_TEXT_MM))
            y += _LINE_MM
        y -= _LINE_MM
    y = max(y + 1.6 * _LINE_MM, top + 20.0)
    notes = (*drawing.notes[:1], *drawing.warnings, *drawing.notes[1:])
    bold = 1 + len(drawing.warnings)
    rows, bottom = ink_files.notes_below(
        notes, (_MARGIN_MM, y), wide - 14.0, _TEXT_MM, _LINE_MM, bold
    )
    return [*marks, *rows], bottom


def _title_width(title: str) -> float:
    return ink_files.text_width_mm(Words(text=title, at=(0, 0), size_mm=_TITLE_MM, bold=True))


def word_box(words: Lettering) -> Floats:
    """Corners (4, 2) of the box that words fill, what hangs below their line among it."""
    probe = Words(text=words.text, at=(0, 0), size_mm=words.size_mm, bold=words.bold)
    length: Any = ink_files.text_width_mm(probe)
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor]
    angle = np.radians(words.turn_deg)
    along, up = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    start = np.asarray(words.at_mm) - share * length * along - _HANGS * words.size_mm * up
    ends = np.array([start, start + length * along])
    return np.vstack([ends, ends[::-1] + (_HANGS + _CAPITALS + 0.05) * words.size_mm * up])
