"""Sheets of ink as PDF or SVG, one user unit a millimetre, true size."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import lru_cache
from typing import IO, TYPE_CHECKING, Any

from spilemark.ink import Area, Clipped, Group, Loop, Mark, Sheet, Stroke, Words

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PT_PER_MM = 72 / 25.4
"""PDF's default user unit is 1/72 in: ISO 32000-1:2008, 8.3.2.3."""

_FACES = {False: ("Vera", "Vera.ttf"), True: ("VeraBd", "VeraBd.ttf")}
_SVG_FACES = "'Bitstream Vera Sans', 'DejaVu Sans', Verdana, sans-serif"


def pdf_bytes(sheets: Sequence[Sheet], title: str) -> bytes:
    """All sheets as one PDF.

    The file asks viewers not to scale (``/PrintScaling /None``, ISO
    32000-1:2008, table 150), embeds its fonts, and holds no clock, so that the
    same sheets give the same bytes.
    """
    store = io.BytesIO()
    canvas = new_canvas(store)
    canvas.setTitle(title)
    canvas.setAuthor("")
    canvas.setSubject("")
    canvas.setCreator("spilemark")
    canvas.setProducer("spilemark")
    canvas.setViewerPreference("PrintScaling", "None")
    for sheet in sheets:
        canvas.setPageSize((sheet.width_mm * PT_PER_MM, sheet.height_mm * PT_PER_MM))
        canvas.translate(0, sheet.height_mm * PT_PER_MM)
        canvas.scale(PT_PER_MM, PT_PER_MM)
        canvas.setLineJoin(1)
        for mark in sheet.marks:
            _pdf_mark(canvas, mark)
        canvas.showPage()
    canvas.save()
    return store.getvalue()


def new_canvas(store: IO[bytes], size_pt: tuple[float, float] | None = None) -> Canvas:
    """A PDF to draw on, with the embedded faces, whose bytes depend on nothing but the drawing.

    Streams are stored as they are, not spelled out in letters (ASCII85), which
    nothing has needed for decades and takes as long as the drawing.
    """
    from reportlab import rl_config
    from reportlab.pdfgen.canvas import Canvas

    register_faces()
    rl_config.useA85 = 0
    size = {} if size_pt is None else {"pagesize": size_pt}
    return Canvas(store, invariant=1, pageCompression=1, **size)


def svg_text(sheet: Sheet) -> str:
    """One sheet as SVG with millimetre width, height and viewBox."""
    import svgwrite

    size = (f"{sheet.width_mm:.6g}mm", f"{sheet.height_mm:.6g}mm")
    # svgwrite's checker reads each path with a slow parser; the drawing is ours.
    drawing = svgwrite.Drawing(size=size, debug=False)
    drawing.viewbox(0, 0, sheet.width_mm, sheet.height_mm)
    drawing.set_desc(title=sheet.title)
    for mark in sheet.marks:
        drawing.add(_svg_mark(drawing, mark))
    text: str = drawing.tostring()
    return '<?xml version="1.0" encoding="utf-8"?>\n' + text + "\n"


def text_width_mm(words: Words) -> float:
    """Length of the words as the PDF sets them."""
    return _width_em(words.text, bold=words.bold) * words.size_mm


@lru_cache(maxsize=4096)
def _width_em(text: str, *, bold: bool) -> float:
    """Length in font sizes; the same words are set many times on a job's sheets."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    register_faces()
    return float(stringWidth(text, _FACES[bold][0], 1.0))


def wrapped(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> list[str]:
    """Lines of at most ``width_mm``, broken at spaces; a no-break space keeps words together."""
    room, space = width_mm / size_mm, _width_em(" ", bold=bold)
    lines, used = [""], 0.0
    for word in text.split(" "):
        # Letters are set without kerning, so the widths of words add up.
        width = _width_em(word, bold=bold)
        if lines[-1] and used + space + width > room:
            lines.append(word)
            used = width
        else:
            lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
            used += width + (space if used else 0.0)
    return lines


def notes_below(
    notes: Sequence[str],
    at: tuple[float, float],
    column_mm: float,
    size_mm: float,
    line_mm: float,
    bold: int = 1,
) -> tuple[list[Mark], float]:
    """Notes under a drawing, the first ``bold`` of them in bold, and the y below them."""
    x, y = at
    marks: list[Mark] = []
    for k, note in enumerate(notes):
        for text in wrapped(note, column_mm, size_mm, bold=k < bold):
            marks.append(Words(text=text, at=(x, y), size_mm=size_mm, bold=k < bold))
            y += line_mm
        y += 0.4 * line_mm
    return marks, y


def register_faces() -> None:
    """Make the embedded faces known to reportlab: "Vera" and "VeraBd"."""
    from reportlab.pdfbase.pdfmetrics import getRegisteredFontNames, registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    for name, file in _FACES.values():
        if name not in getRegisteredFontNames():
            registerFont(TTFont(name, file))


def _pdf_mark(canvas: Canvas, mark: Mark) -> None:
    match mark:
        case Area():
            canvas.setFillGray(mark.grey)
            canvas.drawPath(_Path(mark.loops), stroke=0, fill=1, fillMode=0)
        case Stroke():
            canvas.setStrokeGray(mark.grey)
            canvas.setLineWidth(mark.width_mm)
            canvas.setDash(list(mark.dash_mm))
            path = _Path((mark.points,), closed=mark.closed)
            canvas.drawPath(path, stroke=1, fill=0)
        case Words():
            _pdf_words(canvas, mark)
        case Clipped():
            canvas.saveState()
            canvas.clipPath(_Path((mark.window,)), stroke=0, fill=0)
            for inner in mark.marks:
                _pdf_mark(canvas, inner)
            canvas.restoreState()
        case Group():
            for inner in mark.marks:
                _pdf_mark(canvas, inner)


class _Path:
    """A path for the canvas, its numbers written at once: to a ten-thousandth of a millimetre.

    Operators m, l and h: ISO 32000-1:2008, table 59.
    """

    def __init__(self, loops: Sequence[Loop], *, closed: bool = True) -> None:
        self._loops, self._closed = loops, closed

    def getCode(self) -> str:  # noqa: N802 - what the canvas asks a path for
        """The path's operators."""
        return " ".join(self._loop(loop) for loop in self._loops)

    def _loop(self, loop: Loop) -> str:
        (x0, y0), *rest = loop
        steps = [f"{x0:.4f} {-y0:.4f} m", *(f"{x:.4f} {-y:.4f} l" for x, y in rest)]
        return " ".join([*steps, "h"] if self._closed else steps)


def _pdf_words(canvas: Canvas, words: Words) -> None:
    canvas.saveState()
    canvas.setFillGray(words.grey)
    canvas.setFont(_FACES[words.bold][0], words.size_mm)
    canvas.translate(words.at[0], -words.at[1])
    canvas.rotate(_turn_deg(words))
    draw = {
        "start": canvas.drawString,
        "middle": canvas.drawCentredString,
        "end": canvas.drawRightString,
    }
    draw[words.anchor](0, 0, words.text)
    canvas.restoreState()


def _turn_deg(words: Words) -> float:
    return words.turn_deg + (90 if words.upwards else 0)


def _svg_mark(drawing: Any, mark: Mark) -> Any:
    match mark:
        case Area():
            steps = " ".join(
                "M" + " L".join(f"{_number(x)},{_number(y)}" for x, y in loop) + " Z"
                for loop in mark.loops
            )
            return drawing.path(d=steps, fill=_grey(mark.grey), fill_rule="evenodd")
        case Stroke():
            draw = drawing.polygon if mark.closed else drawing.polyline
            line = draw(
                points=[(float(_number(x)), float(_number(y))) for x, y in mark.points],
                fill="none",
                stroke=_grey(mark.grey),
                stroke_width=mark.width_mm,
                stroke_linejoin="round",
            )
            if mark.dash_mm:
                line.dasharray(list(mark.dash_mm))
            return line
        case Words():
            angle = _turn_deg(mark)
            turn = {"transform": f"rotate({-angle:g} {mark.at[0]:g} {mark.at[1]:g})"}
            return drawing.text(
                mark.text,
                insert=(float(_number(mark.at[0])), float(_number(mark.at[1]))),
                font_family=_SVG_FACES,
                font_size=mark.size_mm,
                font_weight="bold" if mark.bold else "normal",
                text_anchor=mark.anchor,
                fill=_grey(mark.grey),
                **(turn if angle else {}),
            )
        case Clipped():
            number = sum(e.elementname == "clipPath" for e in drawing.defs.elements) + 1
            window = drawing.defs.add(drawing.clipPath(id=f"window-{number}"))
            window.add(drawing.polygon(points=list(mark.window)))
            group = drawing.g(clip_path=f"url(#window-{number})")
            for inner in mark.marks:
                group.add(_svg_mark(drawing, inner))
            return group
        case Group():
            group = drawing.g(id=mark.name)
            for inner in mark.marks:
                group.add(_svg_mark(drawing, inner))
            return group


def _number(value: float) -> str:
    return f"{value:.7f}".rstrip("0").rstrip(".")


def _grey(grey: float) -> str:
    level = round(255 * grey)
    return f"#{level:02x}{level:02x}{level:02x}"
