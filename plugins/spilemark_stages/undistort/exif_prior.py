"""Plug-in "exif-prior": what a photo file tells of its lens, and how far to trust that.

The focal length in pixels follows from the 35 mm equivalent, which some makers
reckon by the long side of the frame (36 mm) and others by its diagonal
(43.3 mm; the camera makers' association CIPA says diagonal, from memory): for a 4:3 sensor they
differ by 4 %.  All readings that are possible for a photo are listed; the
prior lies in their middle and is wide enough for each.  The survey refines it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from spilemark.hookspecs import hookimpl
from spilemark.lenses import LensProfile, find_lens
from spilemark.records import CameraFacts, Floats, JobFacts, Lens, Note, Photo, StraightPhoto
from spilemark_stages.undistort import flatbed

_FILM_LONG_MM = 36.0
_FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
_REFERENCE_LONG_PX = 4032.0
"""Long side of the 12 megapixel frames from which the spread of lens centres is known."""
_USUAL_RATIOS = (4 / 3, 3 / 2, 16 / 9, 1.0)
"""Long by short side of frames as cameras take them."""
_RATIO_TOLERANCE = 0.012
_ULTRA_WIDE_MM = 20.0


@dataclass(frozen=True)
class Options:
    """How wide the beliefs are, one standard deviation each."""

    focal_percent: float = field(
        default=2.0,
        metadata={
            "help": "Spread of the true focal length about the one stated, focusing included.",
            "unit": "%",
        },
    )
    guess_percent: float = field(
        default=20.0,
        metadata={"help": "Spread of the focal length when nothing is stated.", "unit": "%"},
    )
    guess_by_long_side: float = field(
        default=0.75,
        metadata={
            "help": "Focal length by the long side of the frame when nothing is stated.",
            "unit": "",
        },
    )
    centre_px: float = field(
        default=30.0,
        metadata={
            "help": "Spread of the lens centre about the frame's, for a frame 4032 pixels long.",
            "unit": "px",
        },
    )


@hookimpl
def declare_options() -> type:
    """Hand over the options of this plug-in."""
    return Options


@hookimpl
def undistort(photo: Photo, arm: str, job: JobFacts, options: Options) -> StraightPhoto:
    """Propose a lens for one photo, or the two scales of a scan."""
    if photo.is_scan:
        return flatbed.propose(photo, arm, job.lens)
    stored = find_lens(job.lens) if job.lens else None
    if stored is None:
        return _by_exif(photo, arm, options)
    if stored.fits(photo):
        without = _by_exif(photo, arm, options)
        return replace(without, notes=(*_not_that_lens(photo, stored), *without.notes))
    return StraightPhoto(
        photo=photo,
        lens=stored.lens_for(photo),
        lens_group=f"stored lens {stored.name} | {photo.width_px} x {photo.height_px}",
        arm=arm,
        otherwise=_by_exif(photo, arm, options),
    )


def _by_exif(photo: Photo, arm: str, options: Options) -> StraightPhoto:
    focal = _focal(photo, options)
    cropped = _is_cropped(photo)
    lens = Lens(
        values=_values(photo, focal.px),
        covariance=np.diag(_sigmas(photo, focal, options, cropped=cropped) ** 2),
        basis=focal.basis,
    )
    return StraightPhoto(
        photo=photo,
        lens=lens,
        lens_group=_group(photo),
        arm=arm,
        notes=tuple(_notes(photo, focal, cropped=cropped)),
    )


@dataclass(frozen=True, slots=True)
class _Focal:
    px: float
    sigma: float
    """Relative."""
    basis: str
    stated: bool


def _focal(photo: Photo, options: Options) -> _Focal:
    camera = photo.camera
    long_px = float(max(photo.width_px, photo.height_px))
    if camera.focal_35mm is None:
        guess = options.guess_by_long_side * long_px
        words = "focal length not stated, wide guess" if camera.model else "no EXIF, wide guess"
        return _Focal(guess, options.guess_percent / 100.0, words, stated=False)
    readings = np.log(_readings_px(photo, camera.focal_35mm))
    middle = float(readings.max() + readings.min()) / 2
    spread = float(readings.max() - readings.min()) / 2
    # Whole millimetres are stated: an even spread of half a millimetre either way.
    rounding = 0.5 / camera.focal_35mm / math.sqrt(3.0)
    sigma = math.hypot(spread, rounding, options.focal_percent / 100.0)
    return _Focal(math.exp(middle), sigma, f"EXIF {camera.focal_35mm:.0f} mm", stated=True)


def _readings_px(photo: Photo, focal_35mm: float) -> Floats:
    """Every focal length in px that the stated one can mean."""
    frames = {_frame(photo), _whole_frame(photo)}
    by_side = [focal_35mm * long / _FILM_LONG_MM for long, _ in frames]
    by_diagonal = [focal_35mm * math.hypot(*frame) / _FILM_DIAGONAL_MM for frame in frames]
    zoom = photo.camera.digital_zoom or 1.0
    zooms = [1.0, zoom] if zoom > 1.01 else [1.0]
    return np.array([f * z for f in (*by_side, *by_diagonal) for z in zooms])


def _frame(photo: Photo) -> tuple[float, float]:
    """Long and short side of the frame that the camera stored, in px of this photo."""
    long, short = sorted((photo.width_px, photo.height_px), reverse=True)
    taken = photo.camera.size_px
    if taken is None or not _is_cropped(photo) or min(taken) < short:
        return float(long), float(short)
    return float(max(taken)), float(min(taken))


def _whole_frame(photo: Photo) -> tuple[float, float]:
    """Extend a square or a wide frame to the 4:3 sensor that phones cut it from."""
    long, short = _frame(photo)
    if long / short < 4 / 3:
        return short * 4 / 3, short
    return long, max(short, long * 3 / 4)


def _is_cropped(photo: Photo) -> bool:
    """Whether somebody cut the photo after it was taken, as far as can be told."""
    ratio = _ratio(photo.width_px, photo.height_px)
    if photo.camera.size_px is not None:
        return abs(ratio / _ratio(*photo.camera.size_px) - 1) > _RATIO_TOLERANCE
    return all(abs(ratio / usual - 1) > _RATIO_TOLERANCE for usual in _USUAL_RATIOS)


def _ratio(width: int, height: int) -> float:
    return max(width, height) / min(width, height)


def _values(photo: Photo, focal_px: float) -> Floats:
    centre = (photo.width_px - 1) / 2, (photo.height_px - 1) / 2
    return np.array([focal_px, 1.0, *centre, 0.0, 0.0, 0.0, 0.0, 0.0])


def _sigmas(photo: Photo, focal: _Focal, options: Options, *, cropped: bool) -> Floats:
    """Standard deviations (9,) in the order of ``LENS_NAMES``.

    The distortion's spread covers phones whose lens was not straightened in the
    phone (k1 to +0.15, k2 to -0.4 on real ones) and those where it was.
    """
    centre = options.centre_px * max(photo.width_px, photo.height_px) / _REFERENCE_LONG_PX
    across, down = centre, centre
    relative = focal.sigma
    if cropped:
        # The cut may lie anywhere in a frame some sixth wider each way.
        across, down = photo.width_px / 6, photo.height_px / 6
        relative = max(relative, 0.15)
    return np.array(
        [relative * focal.px, 5e-4, across, down, 0.15, 0.4, 1e-3, 1e-3, 0.6], dtype=np.float64
    )


def _group(photo: Photo) -> str:
    """Name the lens: photos that cannot be told to share one stand alone."""
    camera = photo.camera
    if not camera.model or camera.focal_35mm is None or _is_cropped(photo):
        return f"photo {photo.sha256[:16]}"
    facts = (camera.make, camera.model, *_optics(camera), photo.width_px, photo.height_px)
    return " | ".join(str(fact) for fact in facts)


def _optics(camera: CameraFacts) -> tuple[str, str, str]:
    focal = f"{camera.focal_mm:.2f} mm" if camera.focal_mm else "-"
    return focal, f"as {camera.focal_35mm:.0f} mm", f"zoom {camera.digital_zoom or 1.0:.2f}"


def _not_that_lens(photo: Photo, stored: LensProfile) -> list[Note]:
    return [
        Note(
            code="stored-lens-not-used",
            severity="warn",
            text=f"The stored lens {stored.name} was not used for {photo.path.name}: "
            f"{stored.fits(photo)}.",
            photo=photo.path.name,
        )
    ]


def _notes(photo: Photo, focal: _Focal, *, cropped: bool) -> list[Note]:
    name = photo.path.name
    notes = []
    if not focal.stated:
        notes.append(
            Note(
                code="no-exif",
                severity="warn",
                text=f"{name} does not say which lens took it; a messenger may have shrunk it. "
                "Send the original file, as a document or by cable, for a closer result.",
                photo=name,
            )
        )
    if cropped:
        notes.append(
            Note(
                code="cropped",
                severity="warn",
                text=f"{name} seems to be cut from a larger photo, so the middle of its lens is "
                "not known. Give the whole photo.",
                photo=name,
            )
        )
    wide = photo.camera.focal_35mm
    if wide is not None and wide < _ULTRA_WIDE_MM:
        notes.append(
            Note(
                code="wide-lens",
                severity="warn",
                text=f"{name} was taken with a very wide lens ({wide:.0f} mm), which bends lines "
                "strongly. Use the phone's main lens (1x) from further away.",
                value=wide,
                unit="mm",
                photo=name,
            )
        )
    return notes
