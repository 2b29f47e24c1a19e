"""Plug-in "pdf": a template as one true-size PDF page, as large as the part needs.

Asks viewers not to scale (``/PrintScaling /None``, ISO 32000-1:2008, table
150), embeds its fonts and holds no clock: equal templates give equal bytes.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Container
from pathlib import Path

import numpy as np
from reportlab.pdfbase.pdfmetrics import getFont
from reportlab.pdfgen.canvas import Canvas

from spilemark.errors import CannotWrite
from spilemark.frames import mm_to_pdf
from spilemark.hookspecs import hookimpl
from spilemark.ink_files import PT_PER_MM, new_canvas
from spilemark.records import Floats, Label, Stroke, Template
from spilemark_stages.write.styles import Options, Pen, pens

_FACES = {False: "Vera", True: "VeraBd"}


@hookimpl
def declare_options() -> type:
    """Hand over the options."""
    return Options


@hookimpl
def write_template(template: Template, folder: Path, options: Options) -> tuple[Path, ...]:
    """Write ``<name>.pdf``."""
    path = folder / f"{template.name}.pdf"
    try:
        path.write_bytes(pdf_bytes(template, options))
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return (path,)


def pdf_bytes(template: Template, options: Options) -> bytes:
    """The drawing as a PDF of one page."""
    size = (template.width_mm * PT_PER_MM, template.height_mm * PT_PER_MM)
    store = io.BytesIO()
    canvas = new_canvas(store, size)
    canvas.setTitle(template.title)
    canvas.setAuthor("")
    canvas.setCreator("spilemark")
    canvas.setProducer("spilemark")
    canvas.setSubject("; ".join(f"{k}: {v}" for k, v in template.provenance.items()))
    canvas.setViewerPreference("PrintScaling", "None")
    chosen = pens(options)
    for stroke in template.strokes:
        draw_stroke(canvas, stroke, chosen[stroke.style], template)
    for label in template.labels:
        draw_label(canvas, label, template)
    canvas.showPage()
    canvas.save()
    return store.getvalue()


def draw_stroke(canvas: Canvas, stroke: Stroke, pen: Pen, template: Template) -> None:
    """Ink one stroke."""
    canvas.setStrokeGray(pen.grey)
    canvas.setLineWidth(pen.width_mm * PT_PER_MM)
    canvas.setLineJoin(1)
    canvas.setDash([d * PT_PER_MM for d in pen.dash_mm])
    path = canvas.beginPath()
    for k, segment in enumerate(stroke.segments):
        points = _page(segment, template)
        if k == 0:
            path.moveTo(*points[0])
        if len(points) == 2:
            path.lineTo(*points[1])
        else:
            path.curveTo(*points[1:].ravel())
    if stroke.closed:
        path.close()
    canvas.drawPath(path, stroke=1, fill=0)


def draw_label(canvas: Canvas, label: Label, template: Template) -> None:
    """Set one line of words."""
    x, y = _page(np.array([label.at_mm]), template)[0]
    canvas.saveState()
    canvas.setFillGray(0)
    canvas.setFont(_FACES[label.bold], label.height_mm * PT_PER_MM)
    canvas.translate(x, y)
    canvas.rotate(label.turn_deg)
    draw = {
        "start": canvas.drawString,
        "middle": canvas.drawCentredString,
        "end": canvas.drawRightString,
    }
    draw[label.anchor](0, 0, in_face(label.text, _FACES[label.bold]))
    canvas.restoreState()


def in_face(text: str, face: str) -> str:
    """The text with letters that the face has: without their accents, or a question mark, else."""
    glyphs = getFont(face).face.charToGlyph
    return "".join(
        letter if ord(letter) in glyphs else _plainer(letter, glyphs)
        for letter in unicodedata.normalize("NFC", text)
    )


def _plainer(letter: str, glyphs: Container[int]) -> str:
    parts = unicodedata.normalize("NFKD", letter)
    return "".join(p for p in parts if not unicodedata.combining(p) and ord(p) in glyphs) or "?"


def _page(points: Floats, template: Template) -> Floats:
    return mm_to_pdf(points, left_mm=template.left_mm, bottom_mm=template.bottom_mm)
