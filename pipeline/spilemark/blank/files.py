"""The drawings of a laminated knee as files: each at true size, the form over sheets of paper as well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from spilemark import ink_files
from spilemark.blank.curves import Floats
from spilemark.blank.knee import LaminatedKnee
from spilemark.blank.marks import PartMarks
from spilemark.blank.sheets import blank_sheet, block_sheet, form_sheet, layout_sheet
from spilemark.errors import CannotWrite, WouldOverwrite
from spilemark.layer_tiles import printed_sheets
from spilemark.layers import KINDS, Layer, LayeredDrawing, content_of, thinned
from spilemark.printers import PrinterProfile
from spilemark.shop.lengths import Show
from spilemark.storage import store_files

TILED = ("form", "corner_block")
"""Drawings that are printed to saw by, and so are cut into sheets of paper too."""


def knee_drawings(
    knee: LaminatedKnee,
    title: str,
    units: Show = "mm",
    line_mm: Floats | None = None,
    lines: Sequence[Layer] = (),
    marks: PartMarks | None = None,
) -> dict[str, LayeredDrawing]:
    """All drawings of a knee by name: form, lamination, corner_block where there is one, layout.

    ``marks`` are those of the part as it was measured; None: its shape was typed.
    """
    marks = PartMarks() if marks is None else marks
    block = block_sheet(knee, title, units, marks)
    found = {
        "form": form_sheet(knee, title, units, marks),
        "lamination": blank_sheet(knee, title, units),
    }
    if block is not None:
        found["corner_block"] = block
    found["layout"] = layout_sheet(
        knee, title, line_mm=line_mm, lines=lines, units=units, marks=marks
    )
    return found


def drawing_files(
    drawings: Mapping[str, LayeredDrawing],
    paper: str = "a4",
    ending: str = "",
    printer: PrinterProfile | None = None,
) -> dict[str, bytes]:
    """Contents by file name: SVG, PDF and DXF of each, and those to saw by over sheets of paper.

    Parameters
    ----------
    drawings : mapping of str to LayeredDrawing
    paper : str
        "a4", "letter", "a3" or "tabloid".
    ending : str
        Behind each name: "_port".
    printer : PrinterProfile, optional
        What the sheets of paper are made up for.
    """
    files: dict[str, bytes] = {}
    for name, drawn in drawings.items():
        drawing = thinned(drawn)
        for kind in KINDS:
            files[f"{name}{ending}{kind}"] = content_of(drawing, kind)
        if name in TILED:
            sheets = printed_sheets(drawing, paper, printer)
            files[f"{name}{ending}_tiled.pdf"] = ink_files.pdf_bytes(sheets, drawing.title)
    return files


def store_in(folder: Path, files: Mapping[str, bytes], *, force: bool) -> tuple[Path, ...]:
    """Put files into a folder that is made where it is not there, all or none.

    Raises
    ------
    WouldOverwrite
        One of them stands there, and ``force`` was not given.
    CannotWrite
    """
    there = [name for name in files if (folder / name).exists()]
    if there and not force:
        raise WouldOverwrite(
            f"{folder} already holds {there[0]}.", "Choose another folder, or add --force."
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        store_files({folder / name: content for name, content in files.items()})
    except OSError as error:
        raise CannotWrite.because(folder, error) from error
    return tuple(folder / name for name in files)
