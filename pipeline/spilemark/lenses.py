"""Lenses as measured: the nine numbers of one phone's lens with their covariance, kept by name.

A stored lens is where the next job starts from, no more: a phone focuses anew
and moves its stabiliser with each photo, so that much doubt is always added to
what was measured, however well it was.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from spilemark.errors import UsageError
from spilemark.named_store import NamedStore, check_name
from spilemark.records import CameraFacts, Floats, Lens, Photo, View

FEWEST_PHOTOS = 3
"""Fewer views of a flat field leave focal length and lens centre entangled (Sturm & Maybank, CVPR 1999)."""
REFOCUS = 0.003
"""One sigma of the focal length from photo to photo, relative: focus breathing of phones, from memory."""
STABILISER_PX = 6.0
"""One sigma of the lens centre from photo to photo in a frame 4032 px long: likewise."""
_STORED = "stored lens"
_RATIO = 0.01
"""Sides of a photo that was only shrunk keep their ratio to rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LensProfile:
    """One lens of one phone, as its photos of flat cards show it."""

    name: str
    make: str = ""
    model: str = ""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    """What the camera wrote of itself in the photos that it was measured by."""
    width_px: int
    height_px: int
    """As stored, before any turning."""
    values: list[float]
    """(9,) in the order of ``spilemark.lens.LENS_NAMES``."""
    covariance: list[list[float]]
    """(9, 9) of the values, without what changes from photo to photo."""
    photos: int
    """By how many it was measured."""
    measured: dt.date | None = None
    used: list[str] = field(default_factory=list)
    """Hashes (SHA-256, hex) of these photos: each may count once only."""

    def __post_init__(self) -> None:
        check_name(self.name, "lens")
        values = np.asarray(self.values, dtype=np.float64)
        covariance = np.asarray(self.covariance, dtype=np.float64)
        if values.shape != (9,) or covariance.shape != (9, 9):
            raise ValueError("a lens has nine values and nine rows of nine")
        if not (np.isfinite(values).all() and np.isfinite(covariance).all() and values[0] > 0):
            raise ValueError("its numbers are not those of a lens")
        scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
        correlation = covariance / np.outer(scale, scale)
        if np.linalg.eigvalsh(0.5 * (correlation + correlation.T)).min() < -1e-6:
            raise ValueError("its covariance is not that of anything")

    def fits(self, photo: Photo) -> str:
        """Why a photo cannot have been taken with this lens, or nothing."""
        mine = max(self.width_px, self.height_px) / min(self.width_px, self.height_px)
        long, short = max(photo.width_px, photo.height_px), min(photo.width_px, photo.height_px)
        if abs(long / short / mine - 1) > _RATIO or (photo.width_px > photo.height_px) != (
            self.width_px > self.height_px
        ):
            return (
                f"its frame is {photo.width_px} x {photo.height_px} px, the stored one "
                f"{self.width_px} x {self.height_px}"
            )
        camera = photo.camera
        if camera.model and self.model and (camera.make, camera.model) != (self.make, self.model):
            return f"it was taken with a {camera.model}, the stored lens is of a {self.model}"
        for mine_mm, its_mm in (
            (self.focal_mm, camera.focal_mm),
            (self.focal_35mm, camera.focal_35mm),
        ):
            if mine_mm and its_mm and abs(its_mm / mine_mm - 1) > 0.02:
                return f"it was taken at {its_mm:g} mm, the stored lens has {mine_mm:g} mm"
        if (
            self.digital_zoom
            and camera.digital_zoom
            and abs(camera.digital_zoom / self.digital_zoom - 1) > 0.02
        ):
            return f"it was zoomed {camera.digital_zoom:g} times"
        return ""

    def lens_for(self, photo: Photo) -> Lens:
        """What is known of the lens of a photo that fits: this, and a photo's own change of focus."""
        ratio = photo.width_px / self.width_px
        size = np.array([ratio, 1.0, ratio, ratio, 1, 1, 1, 1, 1])
        values = np.array(self.values) * size
        # Pixels are counted from the middle of the first one.
        values[2:4] += 0.5 * (ratio - 1.0)
        covariance = np.array(self.covariance) * np.outer(size, size)
        shift = STABILISER_PX * max(photo.width_px, photo.height_px) / 4032.0
        covariance += np.diag([(REFOCUS * values[0]) ** 2, 0, shift**2, shift**2, 0, 0, 0, 0, 0])
        # A measured number is never believed to a part in a million of a pixel's worth.
        covariance += np.diag([0, 1e-10, 0, 0, 1e-8, 1e-8, 1e-12, 1e-12, 1e-8])
        return Lens(values=values, covariance=covariance, basis=f"{_STORED} {self.name}")


def is_stored(lens: Lens) -> bool:
    """Whether a lens was measured before, and not told by a photo's file."""
    return lens.basis.startswith(_STORED)


def profile_of(name: str, views: Sequence[View], *, measured: dt.date | None = None) -> LensProfile:
    """What the photos of one survey tell of their lens.

    The mean of the photos' own numbers, with the covariance of that mean.

    Parameters
    ----------
    name : str
    views : sequence of View
        Photos by one lens.

    Raises
    ------
    UsageError
        Too few photos, or not all by one lens.
    """
    photos = [view.straight.photo for view in views]
    if len(photos) < FEWEST_PHOTOS:
        raise UsageError(
            f"{len(photos)} photo{'s' if len(photos) != 1 else ''} cannot tell a lens:"
            f" {FEWEST_PHOTOS} are the fewest, five are good.",
            "Photograph the cards from different sides, tilted by some 20 degrees, one photo with"
            " the phone turned a quarter.",
        )
    first = photos[0]
    for other in photos[1:]:
        if (other.width_px, other.height_px) != (first.width_px, first.height_px) or _lens_facts(
            other.camera
        ) != _lens_facts(first.camera):
            raise UsageError(
                f"{first.path.name} and {other.path.name} were not taken with the same lens and"
                " frame.",
                "Use the main lens (1x), without zoom, in one setting for all.",
            )
    gains = np.mean([view.plane.gain[:9] for view in views], axis=0)
    camera = first.camera
    return LensProfile(
        name=name,
        make=camera.make,
        model=camera.model,
        focal_mm=camera.focal_mm,
        focal_35mm=camera.focal_35mm,
        digital_zoom=camera.digital_zoom,
        width_px=first.width_px,
        height_px=first.height_px,
        values=[float(v) for v in np.mean([view.plane.lens for view in views], axis=0)],
        covariance=(gains @ gains.T).tolist(),
        photos=len(photos),
        measured=measured,
        used=[photo.sha256 for photo in photos],
    )


def _lens_facts(camera: CameraFacts) -> tuple[object, ...]:
    return (camera.make, camera.model, camera.focal_mm, camera.focal_35mm, camera.digital_zoom)


def sigmas(profile: LensProfile) -> Floats:
    """Standard deviations (9,) of a stored lens's numbers."""
    return np.asarray(np.sqrt(np.diag(np.array(profile.covariance))))


def _entry(profile: LensProfile) -> str:
    told = {
        "name": profile.name,
        "make": profile.make,
        "model": profile.model,
        "focal_mm": profile.focal_mm,
        "focal_35mm": profile.focal_35mm,
        "digital_zoom": profile.digital_zoom,
        "width_px": profile.width_px,
        "height_px": profile.height_px,
        "photos": profile.photos,
    }
    # A JSON text is a TOML text too (TOML 1.0, basic strings), once DEL is not in it.
    lines = ["\n[[lens]]", *(f"{k} = {json.dumps(v)}" for k, v in told.items() if v is not None)]
    if profile.measured is not None:
        lines.append(f"measured = {profile.measured.isoformat()}")
    if profile.used:
        hashes = ",\n".join(f"  {json.dumps(photo)}" for photo in profile.used)
        lines.append(f"used = [\n{hashes},\n]")
    lines.append("# f, aspect, cx, cy, k1, k2, p1, p2, k3")
    lines.append(f"values = {profile.values!r}")
    rows = ",\n".join(f"  {row!r}" for row in profile.covariance)
    lines.append(f"covariance = [\n{rows},\n]")
    return "\n".join(lines) + "\n"


_STORE = NamedStore(
    kind="lens",
    many="lenses",
    record=LensProfile,
    entry=_entry,
    again="Choose another name, add --update to start from it, or --force to replace it.",
)
read_lenses, find_lens, store_lens = _STORE.read, _STORE.find, _STORE.store
check_new_lens = _STORE.check_new
