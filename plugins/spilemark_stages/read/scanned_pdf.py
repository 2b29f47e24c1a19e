"""A flatbed's PDF: the one picture that fills its page, pixels as the scanner stored them.

Taken out of the file, not drawn: drawing would resample it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.errors import UnreadableInput
from spilemark.records import Floats, Note, Pixels

_POINTS_PER_INCH = 72.0
_WHOLE_PAGE = 0.6
"""Share of the page that a scan's picture covers at least; scanners may leave white margins."""
_DEEP = 4
_TURNED = {0: 1, 90: 6, 180: 3, 270: 8}
"""EXIF orientation for a picture that must be turned clockwise by so many degrees to be upright."""
_AS_IMAGE = "Scan to JPEG, PNG or TIFF instead, in grey or colour, without text recognition."


@dataclass(frozen=True, slots=True, eq=False)
class ScannedPage:
    """What a PDF holds of a scan."""

    pixels: Pixels
    orientation: int
    dpi: tuple[float, float] | None
    notes: tuple[Note, ...]


def is_pdf(content: bytes) -> bool:
    """Whether a file is a PDF: its mark stands within the first kilobyte (ISO 32000-1, annex H)."""
    return b"%PDF-" in content[:1024]


def read_page(path: Path, content: bytes, largest_megapixels: float) -> ScannedPage:
    """Take the scan out of a PDF of one page.

    Raises
    ------
    UnreadableInput
        Damaged, locked, several pages, or not the picture of a flatbed.
    """
    # Loading the library takes longer than reading many a photo.
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(content)
    except pypdfium2.PdfiumError as error:
        raise UnreadableInput(
            f"{path.name} is a PDF that cannot be opened: it is damaged or locked by a password.",
            _AS_IMAGE,
        ) from error
    try:
        if len(document) != 1:
            raise UnreadableInput(
                f"{path.name} has {len(document)} pages; a scan is read from a PDF of one page.",
                "Scan each sheet to a file of its own.",
            )
        return _page(path, document[0], largest_megapixels)
    except pypdfium2.PdfiumError as error:
        raise UnreadableInput(
            f"{path.name} is a damaged PDF.", "Copy it once more, or scan again."
        ) from error
    finally:
        document.close()


def _page(path: Path, page: Any, largest_megapixels: float) -> ScannedPage:
    import pypdfium2.raw as pdfium

    images = list(page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_IMAGE], max_depth=_DEEP))
    if len(images) != 1:
        what = "no picture" if not images else f"{len(images)} pictures"
        raise UnreadableInput(
            f"{path.name} holds {what} on its page, not the one picture of a plain scan"
            f"{' (text recognition and strong compression cut a scan up)' if images else ''}.",
            _AS_IMAGE,
        )
    image = images[0]
    sides = _sides(image)
    page_points = page.get_width() * page.get_height()
    if not abs(np.linalg.det(sides)) >= _WHOLE_PAGE * page_points > 0:
        raise UnreadableInput(
            f"{path.name}: its picture covers only a part of the page; that is no plain scan.",
            _AS_IMAGE,
        )
    width, height = image.get_px_size()
    if width * height / 1e6 > largest_megapixels:
        raise UnreadableInput(
            f"{path.name} holds a picture of {width} x {height} pixels; up to"
            f" {largest_megapixels:.0f} megapixels are read.",
            "Scan with fewer dots per inch: 300 is plenty.",
        )
    if min(width, height) < 64:
        raise UnreadableInput(
            f"{path.name} holds a picture of only {width} x {height} pixels.", _AS_IMAGE
        )
    pixels: Pixels = _pixels(image)
    if len(np.unique(pixels[::3, ::3])) <= 2:
        raise UnreadableInput(
            f"{path.name} is pure black and white; edges cannot be placed between its pixels.",
            "Scan in grey or colour.",
        )
    if np.linalg.det(sides) < 0:
        # Placed upside down and mirrored on the page: as it is seen, it is not mirrored.
        pixels, sides = pixels[::-1].copy(), sides * [[1.0], [-1.0]]
    return ScannedPage(
        pixels=pixels,
        orientation=_orientation(sides, page.get_rotation()),
        dpi=_dpi(pixels, sides, path),
        notes=(),
    )


def _sides(image: Any) -> Floats:
    """The picture's x and y axis on the page (2, 2), points.

    Within a form (ISO 32000-1, 8.10) an object's matrix leads to the form's space only: that of
    each form around it leads on.
    """
    sides = np.eye(2)
    while image is not None:
        matrix = np.array(image.get_matrix().get()[:4], dtype=np.float64).reshape(2, 2)
        sides, image = sides @ matrix, image.container
    return sides


def _pixels(image: Any) -> Pixels:
    """Grey (H, W) or colours (H, W, 3), 8 bit, as stored."""
    found = image.get_bitmap(render=False)
    pixels: NDArray[np.uint8] = np.array(found.to_numpy(), dtype=np.uint8)
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        return np.ascontiguousarray(pixels[:, :, 0])
    if pixels.ndim == 3:
        # The library stores blue first.
        return np.ascontiguousarray(pixels[:, :, 2::-1])
    return pixels


def _dpi(pixels: Pixels, sides: Floats, path: Path) -> tuple[float, float]:
    """Pixels by the inches that they take on the page."""
    across, along = (
        count / length * _POINTS_PER_INCH
        for count, length in zip(
            (pixels.shape[1], pixels.shape[0]), np.linalg.norm(sides, axis=1), strict=True
        )
    )
    if not (1.0 < across < 100_000.0 and 1.0 < along < 100_000.0):
        raise UnreadableInput(f"{path.name} is a damaged PDF.", _AS_IMAGE)
    return float(across), float(along)


def _orientation(sides: Floats, page_turn_deg: int) -> int:
    """EXIF orientation of a picture whose x axis points along ``sides[0]`` on the page, y up."""
    anticlockwise = round(math.degrees(math.atan2(sides[0, 1], sides[0, 0])) / 90.0) * 90
    return _TURNED[(page_turn_deg - anticlockwise) % 360]
