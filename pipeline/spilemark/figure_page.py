"""A page of one figure, mm, y down: how it begins, how words are set on it, how it is kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from spilemark.errors import CannotWrite

FONT = "'Bitstream Vera Sans', 'DejaVu Sans', Verdana, Arial, sans-serif"


def blank_page(width_mm: float, height_mm: float) -> Any:
    """A white svgwrite.Drawing with user units of 1 mm."""
    import svgwrite

    drawing = svgwrite.Drawing(size=(f"{width_mm:g}mm", f"{height_mm:g}mm"), debug=False)
    drawing["viewBox"] = f"0 0 {width_mm:g} {height_mm:g}"
    drawing.add(drawing.rect((0, 0), (width_mm, height_mm), fill="white"))
    return drawing


def write_page(svg: str, path: Path) -> Path:
    """Write a figure's SVG text; hands back its path.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    text = '<?xml version="1.0" encoding="utf-8"?>\n' + svg + "\n"
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return path


class FigurePage:
    """Words on a page."""

    def __init__(self, drawing: Any) -> None:
        self.drawing = drawing

    def say(
        self, text: str, x: float, y: float, size: float, *, bold: bool = False, **style: Any
    ) -> None:
        """One line of words; ``y`` is its base line."""
        self.drawing.add(
            self.drawing.text(
                text,
                insert=(f"{x:.2f}", f"{y:.2f}"),
                font_size=size,
                font_family=FONT,
                font_weight="bold" if bold else "normal",
                **style,
            )
        )
