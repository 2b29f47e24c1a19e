"""What a file says of itself: orientation, camera, dots per inch.  Claims, not measurements."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from spilemark.frames import upright_pixels
from spilemark.records import CameraFacts, Note, Pixels

_EXIF_IFD = 0x8769
# Tags of EXIF 2.32 (CIPA DC-008-2019), sections 4.6.4 and 4.6.5.
_MAKE, _MODEL, _ORIENTATION = 271, 272, 274
_TAKEN, _FOCAL, _FOCAL_35 = 36867, 37386, 41989
_WIDTH, _HEIGHT, _ZOOM = 40962, 40963, 41988
_PLANE_RESOLUTION, _PLANE_UNIT = 41486, 41488
_MM_PER_PLANE_UNIT = {"2": 25.4, "3": 10.0, "4": 1.0, "5": 0.001}
_FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)


def _tags(read: Callable[[], Mapping[int, Any]]) -> dict[int, Any]:
    """Read a table of tags; a table that is nonsense counts as empty."""
    try:
        return dict(read())
    except Exception:
        return {}


def _main_tags(image: Image.Image) -> dict[int, Any]:
    return _tags(image.getexif)


def _camera_tags(image: Image.Image) -> dict[int, Any]:
    return _tags(lambda: image.getexif().get_ifd(_EXIF_IFD))


def orientation(image: Image.Image, path: Path) -> tuple[int, list[Note]]:
    """EXIF orientation, 1 to 8; 1, and a note, where the file holds nonsense."""
    if image.format == "HEIF":
        value: Any = image.info.get("original_orientation")
    else:
        value = _main_tags(image).get(_ORIENTATION)
    if value is None:
        return 1, []
    if isinstance(value, int) and 1 <= value <= 8:
        return value, []
    note = Note(
        code="orientation-unknown",
        severity="info",
        text=f"{path.name} does not say which way is up; it was taken as it is stored.",
        photo=path.name,
    )
    return 1, [note]


def as_stored(pixels: Pixels, image: Image.Image) -> Pixels:
    """Bring pixels that the decoder turned upright back to the way the sensor stored them.

    Only HEIC decoders turn; undoing it keeps the lens in the sensor's frame,
    where photos of one phone share it however the phone was held.
    """
    turned = image.info.get("original_orientation")
    if image.format != "HEIF" or turned is None or not 1 <= turned <= 8:
        return pixels
    back = {6: 8, 8: 6}.get(turned, turned)
    stored: Pixels = np.ascontiguousarray(upright_pixels(pixels, back))
    return stored


def camera(image: Image.Image) -> CameraFacts:
    """Read what the file says of the camera; whatever makes no sense is left out."""
    main, tags = _main_tags(image), _camera_tags(image)
    focal = _positive(tags.get(_FOCAL), 0.5, 2000.0)
    return CameraFacts(
        make=_text(main.get(_MAKE)),
        model=_text(main.get(_MODEL)),
        focal_mm=focal,
        focal_35mm=_positive(tags.get(_FOCAL_35), 5.0, 2000.0) or _equivalent(focal, tags),
        taken=_text(tags.get(_TAKEN)),
        digital_zoom=_positive(tags.get(_ZOOM), 0.1, 200.0),
        size_px=_size(tags),
    )


def dpi(image: Image.Image) -> tuple[float, float] | None:
    """Dots per inch that the file claims, across and down."""
    claimed = image.info.get("dpi")
    if not isinstance(claimed, tuple) or len(claimed) != 2:
        return None
    across, down = (_positive(v, 1.0, 100_000.0) for v in claimed)
    return (across, down) if across and down else None


def _equivalent(focal: float | None, tags: dict[int, Any]) -> float | None:
    """35 mm equivalent by the diagonal, from the sensor's pixels per unit of length."""
    per_unit = _positive(tags.get(_PLANE_RESOLUTION), 1e-3, 1e9)
    unit = tags.get(_PLANE_UNIT, 2)
    size = _size(tags)
    if focal is None or per_unit is None or size is None or str(unit) not in _MM_PER_PLANE_UNIT:
        return None
    diagonal_mm = math.hypot(*size) / per_unit * _MM_PER_PLANE_UNIT[str(unit)]
    return _positive(focal * _FILM_DIAGONAL_MM / diagonal_mm, 5.0, 2000.0)


def _size(tags: dict[int, Any]) -> tuple[int, int] | None:
    width = _positive(tags.get(_WIDTH), 1, 1e6)
    height = _positive(tags.get(_HEIGHT), 1, 1e6)
    return (int(width), int(height)) if width and height else None


def _positive(value: Any, low: float, high: float) -> float | None:
    """Turn a tag into a number within limits, or None: files hold 0/0, NaN, texts and lists."""
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if low <= number <= high else None


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value if c.isprintable()).strip()[:80]
