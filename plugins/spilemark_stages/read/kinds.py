"""Which kinds of file are photos here, and clear words for those that are not."""

from __future__ import annotations

from pathlib import Path

# Importing a decoder enables it; MPO is reached through JPEG (phones write it).
from PIL import (
    Image,
    JpegImagePlugin,  # noqa: F401
    MpoImagePlugin,  # noqa: F401
    PngImagePlugin,  # noqa: F401
    TiffImagePlugin,  # noqa: F401
    WebPImagePlugin,  # noqa: F401
)

from spilemark.errors import MissingLibrary, UnreadableInput
from spilemark.records import Note

_ALWAYS = ("JPEG", "PNG", "TIFF", "WEBP")
SUFFIXES: dict[str, tuple[str, ...]] = {
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif"),
    "MPO": (".jpg", ".jpeg", ".jpe", ".mpo"),
    "PNG": (".png",),
    "TIFF": (".tif", ".tiff"),
    "WEBP": (".webp",),
    "HEIF": (".heic", ".heif", ".hif"),
}
_HEIF_BRANDS = frozenset(
    (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"hevm", b"hevs")
)
_RAW_SUFFIXES = frozenset(
    (".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".orf", ".rw2", ".raf", ".pef", ".srw")
)
_DNG_VERSION = 50706
"""TIFF tag that marks an Adobe DNG (DNG specification 1.4, chapter 4)."""


def formats() -> tuple[str, ...]:
    """List the only decoders that a file from outside may reach."""
    return (*_ALWAYS, "HEIF") if "HEIF" in Image.OPEN else _ALWAYS


def open_heif_too(path: Path, content: bytes) -> None:
    """Enable HEIC where the file is one.

    Raises
    ------
    MissingLibrary
        It is one, and the optional package for it is not installed.
    """
    if not _is_heif(content):
        return
    try:
        import pillow_heif
    except ImportError as error:
        raise MissingLibrary(
            f"{path.name} is a HEIC photo, and the package that reads them is not installed.",
            "Install it (pip install pillow-heif), or set the phone to JPEG "
            '("most compatible") and take the photo again.',
        ) from error
    if "HEIF" not in Image.OPEN:
        pillow_heif.register_heif_opener(thumbnails=False)


def _is_heif(content: bytes) -> bool:
    return content[4:8] == b"ftyp" and content[8:12] in _HEIF_BRANDS


def refuse_known_strangers(path: Path, content: bytes) -> None:
    """Say clearly what a file is when it is a well-known kind that is not read.

    Raises
    ------
    UnreadableInput
    """
    if path.suffix.lower() in _RAW_SUFFIXES:
        raise UnreadableInput(
            f"{path.name} is a camera's raw file.", "Export it as a JPEG or a 16-bit TIFF."
        )
    for start, words in _STRANGERS.items():
        if content.startswith(start):
            raise UnreadableInput(f"{path.name} is {words}.", "Give the photo itself, as a JPEG.")
    if content[4:12] in (b"ftypavif", b"ftypavis"):
        raise UnreadableInput(f"{path.name} is an AVIF picture.", "Export it as a JPEG.")


_STRANGERS = {
    b"GIF8": "a GIF picture, which holds too few colours to measure in",
    b"PK\x03\x04": "a ZIP archive or an office document, not a photo",
    b"<": "a web page or a drawing, not a photo",
    b"BM": "a BMP picture",
}


def still_of(path: Path, image: Image.Image) -> list[Note]:
    """Make sure that one still photo is read, and say where there were more.

    Raises
    ------
    UnreadableInput
        It is a camera's raw file in disguise, whose first picture is a thumbnail.
    """
    if image.format == "TIFF" and _DNG_VERSION in getattr(image, "tag_v2", {}):
        raise UnreadableInput(
            f"{path.name} is a camera's raw file.", "Export it as a JPEG or a 16-bit TIFF."
        )
    frames = int(getattr(image, "n_frames", 1))
    if frames < 2 or image.format in ("MPO", "HEIF"):
        # Behind the photo these carry previews and depth maps of the same shot.
        return []
    what = "pages" if image.format == "TIFF" else "pictures one after the other"
    return [
        Note(
            code="first-of-several",
            severity="warn",
            text=f"{path.name} holds {frames} {what}; only the first was read.",
            value=float(frames),
            photo=path.name,
        )
    ]
