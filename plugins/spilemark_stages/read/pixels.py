"""From whatever a file stores to grey or RGB pixels of 8 or 16 bit, said aloud."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageFile

from spilemark.errors import UnreadableInput
from spilemark.records import Note, Pixels
from spilemark_stages.read.kinds import formats

_SWAPPED = {"L": "B", "B": "L"}


def pixels_of(path: Path, content: bytes, image: ImageFile.ImageFile) -> tuple[Pixels, list[Note]]:
    """Decode a photo.

    Parameters
    ----------
    path : Path
        For messages.
    content : bytes
        The whole file.
    image : ImageFile
        The same, opened but not yet decoded.

    Returns
    -------
    pixels : (H, W) or (H, W, 3) array, uint8 or uint16
    notes : list of Note
        What had to be converted.

    Raises
    ------
    UnreadableInput
        A kind of pixels in which nothing can be measured.
    """
    if image.mode.startswith("I;16"):
        return _sixteen_bit_grey(image), []
    if _has_sixteen_bit_colour(image):
        return _sixteen_bit_colour(content, image), []
    if image.mode in ("I", "F"):
        raise UnreadableInput(
            f"{path.name} has pixels of 32 bit.", "Export it with 8 or 16 bit per colour."
        )
    if image.mode == "1":
        raise UnreadableInput(
            f"{path.name} is pure black and white; edges cannot be placed between its pixels.",
            "Scan or photograph in grey or colour.",
        )
    return _eight_bit(path, image)


def _sixteen_bit_grey(image: ImageFile.ImageFile) -> Pixels:
    pixels: Pixels = np.asarray(image).astype(np.uint16, copy=False)
    return pixels


def _has_sixteen_bit_colour(image: ImageFile.ImageFile) -> bool:
    """Whether the decoder would throw away the low byte of each colour."""
    return re.fullmatch(r"RGB.?;16[BLN]", _raw_mode(image)) is not None


def _raw_mode(image: ImageFile.ImageFile) -> str:
    arguments = image.tile[0][3] if image.tile else ""
    first: Any = arguments[0] if isinstance(arguments, tuple) and arguments else arguments
    return str(first)


def _sixteen_bit_colour(content: bytes, image: ImageFile.ImageFile) -> Pixels:
    """Read both bytes of each colour.

    Pillow keeps the high byte only.  Told that the file's byte order is the
    other one, it hands over the low byte: two readings make the whole.
    """
    again = Image.open(io.BytesIO(content), formats=formats())
    high = np.asarray(image.convert("RGB"))
    again.tile = [_other_byte_order(tile) for tile in again.tile]
    low = np.asarray(again.convert("RGB"))
    pixels: Pixels = (high.astype(np.uint16) << 8) | low
    return pixels


def _other_byte_order(tile: Any) -> Any:
    arguments = tile[3]
    whole = isinstance(arguments, tuple)
    mode = str(arguments[0] if whole else arguments)
    # Through libtiff samples arrive in the machine's own order, which Pillow calls N.
    order = mode[-1] if mode[-1] != "N" else ("L" if np.little_endian else "B")
    other = mode[:-1] + _SWAPPED[order]
    return tile._replace(args=(other, *arguments[1:]) if whole else other)


def _eight_bit(path: Path, image: ImageFile.ImageFile) -> tuple[Pixels, list[Note]]:
    if image.mode in ("RGB", "L"):
        return _as_array(image), []
    words = _CONVERTED.get(image.mode, f"stored in the unusual way {image.mode}")
    note = Note(
        code="converted",
        severity="info",
        text=f"{path.name} is {words}; it was turned into plain colours to be read.",
        photo=path.name,
    )
    if _shows_through(image):
        page = Image.new("RGBA", image.size, "white")
        page.alpha_composite(image.convert("RGBA"))
        return np.asarray(page.convert("RGB")), [note]
    silent = image.mode in ("RGBA", "RGBX", "LA")
    return np.asarray(image.convert("RGB")), [] if silent else [note]


class _Sink:
    """Where Pillow writes a picture as a portable pixmap: straight into one array.

    Pillow's own way to numpy gathers the picture in pieces and then joins them,
    which takes longer than decoding half of a JPEG.
    """

    def __init__(self, size: int) -> None:
        self.bytes = np.empty(size + _LONGEST_HEADER, dtype=np.uint8)
        self.used = 0

    def write(self, data: bytes) -> int:
        self.bytes[self.used : self.used + len(data)] = np.frombuffer(data, dtype=np.uint8)
        self.used += len(data)
        return len(data)

    def flush(self) -> None:
        """Nothing is held back."""


_LONGEST_HEADER = 64


def _as_array(image: Image.Image) -> Pixels:
    """An RGB or L picture as (H, W, 3) or (H, W), 8 bit."""
    shape = (image.height, image.width, 3) if image.mode == "RGB" else (image.height, image.width)
    size = int(np.prod(shape))
    # Pillow copies what it has to decode while it saves; what is decoded before, it does not.
    image.load()
    sink: Any = _Sink(size)
    image.save(sink, "PPM")
    # The header comes first and is as long as its numbers are.
    pixels: Pixels = sink.bytes[sink.used - size : sink.used].reshape(shape)
    return pixels


_CONVERTED = {
    "CMYK": "stored in printing colours",
    "YCbCr": "stored in television colours",
    "LAB": "stored in Lab colours",
    "HSV": "stored in HSV colours",
    "P": "stored with a palette of few colours",
    "PA": "stored with a palette of few colours",
    "RGBA": "see-through in places (white was put behind it)",
    "LA": "see-through in places (white was put behind it)",
}


def _shows_through(image: ImageFile.ImageFile) -> bool:
    if image.mode in ("RGBA", "LA", "PA"):
        least: Any = image.getchannel("A").getextrema()[0]
        return bool(least < 255)
    return "transparency" in image.info and image.mode == "P"
