"""Plug-in "file": one photo from a JPEG, PNG, TIFF, WebP or HEIC file, or a scan from these or a PDF."""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass, field
from pathlib import Path

from PIL import Image, ImageFile, UnidentifiedImageError

from spilemark.errors import UnreadableInput
from spilemark.hookspecs import hookimpl
from spilemark.records import Note, Photo, Pixels
from spilemark_stages.read import claims
from spilemark_stages.read.kinds import (
    SUFFIXES,
    formats,
    open_heif_too,
    refuse_known_strangers,
    still_of,
)
from spilemark_stages.read.pixels import pixels_of
from spilemark_stages.read.scanned_pdf import is_pdf, read_page


@dataclass(frozen=True)
class Options:
    """How large a photo may be."""

    largest_megapixels: float = field(
        default=120.0,
        metadata={
            "help": "Refuse photos with more pixels than this: they would fill the memory.",
            "unit": "megapixels",
        },
    )
    largest_megabytes: float = field(
        default=400.0,
        metadata={"help": "Refuse files larger than this.", "unit": "megabytes"},
    )


@hookimpl
def declare_options() -> type:
    """Hand over the options of this plug-in."""
    return Options


@hookimpl
def read_source(path: Path, is_scan: bool, options: Options) -> Photo:
    """Read one photo or scan, pixels as stored."""
    content = _bytes_of(path, options)
    if is_pdf(content):
        return _from_pdf(path, content, options, is_scan=is_scan)
    refuse_known_strangers(path, content)
    image = _open(path, content)
    _refuse_giant(path, image, options)
    several = _still(path, image)
    # Decoding comes before the claims: some decoders know their EXIF only then.
    pixels, converted = _decoded(path, content, image)
    orientation, unknown = claims.orientation(image, path)
    return Photo(
        path=path,
        sha256=hashlib.sha256(content).hexdigest(),
        pixels=claims.as_stored(pixels, image),
        orientation=orientation,
        is_scan=is_scan,
        camera=claims.camera(image),
        claimed_dpi=claims.dpi(image),
        notes=(*_lying_suffix(path, image), *several, *converted, *unknown),
    )


def _from_pdf(path: Path, content: bytes, options: Options, *, is_scan: bool) -> Photo:
    """A flatbed's PDF; whoever photographed has the photo itself."""
    if not is_scan:
        raise UnreadableInput(
            f"{path.name} is a PDF document, not a photo.",
            "If a flatbed scanner made it, say so with --scan. A phone's scanning app bends the"
            " picture: give the photo itself, as a JPEG.",
        )
    page = read_page(path, content, options.largest_megapixels)
    return Photo(
        path=path,
        sha256=hashlib.sha256(content).hexdigest(),
        pixels=page.pixels,
        orientation=page.orientation,
        is_scan=True,
        claimed_dpi=page.dpi,
        notes=page.notes,
    )


def _bytes_of(path: Path, options: Options) -> bytes:
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise UnreadableInput(f"{path} is not a file.", "Name a photo, not a folder.")
        if size > options.largest_megabytes * 1e6:
            raise UnreadableInput(
                f"{path.name} is {size / 1e6:.0f} MB large; photos up to "
                f"{options.largest_megabytes:.0f} MB are read.",
                "Export it as a JPEG of good quality.",
            )
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableInput(
            f"{path} cannot be read: {reason}.", "Check the name and the folder."
        ) from error
    if not content:
        raise UnreadableInput(f"{path.name} is empty.", "Copy it from the phone once more.")
    return content


def _open(path: Path, content: bytes) -> ImageFile.ImageFile:
    """Recognise the file by its content; nothing but still photos is tried."""
    open_heif_too(path, content)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Image.open(io.BytesIO(content), formats=formats())
    except Image.DecompressionBombError as error:
        raise UnreadableInput(
            f"{path.name} says that it holds a giant picture, larger than any phone's.",
            "Take the photo with the phone's usual setting, 12 to 50 megapixels.",
        ) from error
    except UnidentifiedImageError as error:
        raise UnreadableInput(
            f"{path.name} is not a photo that can be read, whatever its name says.",
            "JPEG, PNG, TIFF, WebP and HEIC are read: export it as a JPEG.",
        ) from error
    except Exception as error:
        raise _damaged(path, error) from error


def _refuse_giant(path: Path, image: ImageFile.ImageFile, options: Options) -> None:
    width, height = image.size
    megapixels = width * height / 1e6
    if megapixels > options.largest_megapixels:
        raise UnreadableInput(
            f"{path.name} has {width} x {height} pixels ({megapixels:.0f} megapixels); "
            f"up to {options.largest_megapixels:.0f} are read.",
            "Take the photo with the phone's usual setting, 12 to 50 megapixels.",
        )
    if min(width, height) < 64:
        raise UnreadableInput(
            f"{path.name} has only {width} x {height} pixels.",
            "Use the photo as the phone stored it, not a thumbnail.",
        )


def _still(path: Path, image: ImageFile.ImageFile) -> list[Note]:
    """Look for further pictures; damage behind the first one shows when they are counted."""
    try:
        return still_of(path, image)
    except UnreadableInput:
        raise
    except Exception as error:
        raise _damaged(path, error) from error


def _decoded(path: Path, content: bytes, image: ImageFile.ImageFile) -> tuple[Pixels, list[Note]]:
    """Decode all pixels; damage of any kind ends here in one kind of error."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return pixels_of(path, content, image)
    except UnreadableInput:
        raise
    except Exception as error:
        raise _damaged(path, error) from error


def _damaged(path: Path, error: Exception) -> UnreadableInput:
    if isinstance(error, MemoryError):
        return UnreadableInput(
            f"There is not enough memory to open {path.name}.",
            "Close other programs, or take the photo with fewer megapixels.",
        )
    return UnreadableInput(
        f"{path.name} is damaged or incomplete.",
        "Copy it from the phone once more, or take the photo again.",
    )


def _lying_suffix(path: Path, image: ImageFile.ImageFile) -> list[Note]:
    right = SUFFIXES.get(image.format or "", ())
    if not path.suffix or path.suffix.lower() in right:
        return []
    kind = {"MPO": "JPEG", "HEIF": "HEIC"}.get(image.format or "", image.format)
    return [
        Note(
            code="lying-extension",
            severity="info",
            text=f"{path.name} is really a {kind} file; it was read as one.",
            photo=path.name,
        )
    ]
