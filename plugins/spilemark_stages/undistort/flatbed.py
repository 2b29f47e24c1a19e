"""A flatbed scan: no lens, two scales, seen from straight above.

The glass is scanned line by line: across, a row of sensors sets the scale;
along, the motor's steps do.  The two differ, and what the file claims of them
may be any number: the cards in the scan decide both, and the claim is only
where the search starts.
"""

from __future__ import annotations

import numpy as np

from spilemark.errors import UsageError
from spilemark.lens import SCAN_DISTANCE_MM
from spilemark.records import Lens, Note, Photo, StraightPhoto
from spilemark.units import INCH_MM

_USUAL_DPI = 300.0
_SCALE_SIGMA = 1.0
"""Relative: so wide that a claim never pulls against cards, tape or check bars."""
_AXES_SIGMA = 0.01
"""How much the two scales differ beyond what the file claims."""


def propose(photo: Photo, arm: str, stored: str) -> StraightPhoto:
    """The nine lens numbers of a scan, as a camera very far away has them.

    Parameters
    ----------
    photo : Photo
    arm : str
    stored : str
        Name of the stored lens that was asked for, or nothing.

    Raises
    ------
    UsageError
        A camera took it.
    """
    _refuse_camera(photo)
    claimed = photo.claimed_dpi
    across, along = claimed or (_USUAL_DPI, _USUAL_DPI)
    focal = across / INCH_MM * SCAN_DISTANCE_MM
    centre = (photo.width_px - 1) / 2, (photo.height_px - 1) / 2
    # Where the scan lies in its own frame is a free unknown: the lens centre is a name for it.
    sigmas = [_SCALE_SIGMA * focal, _AXES_SIGMA, 1e-3, 1e-3, 1e-6, 1e-6, 1e-9, 1e-9, 1e-6]
    words = f"flatbed, the file claims {across:.0f} dpi" if claimed else "flatbed, no dpi claimed"
    if claimed and abs(across - along) > 0.5:
        words = f"flatbed, the file claims {across:.0f} x {along:.0f} dpi"
    return StraightPhoto(
        photo=photo,
        lens=Lens(
            values=np.array([focal, along / across, *centre, 0.0, 0.0, 0.0, 0.0, 0.0]),
            covariance=np.diag(np.square(sigmas)),
            basis=words,
        ),
        lens_group=f"scan {photo.sha256[:16]}",
        arm=arm,
        notes=_notes(photo, stored),
    )


def _refuse_camera(photo: Photo) -> None:
    camera = photo.camera
    if not camera.tells_lens:
        return
    by = f" ({camera.model})" if camera.model else ""
    raise UsageError(
        f"{photo.path.name} was said to be a flatbed scan, but a camera took it{by}.",
        "Leave out --scan for photos. Where one side is scanned and the other photographed, write"
        " a job file with scan = true under the scanned one.",
    )


def _notes(photo: Photo, stored: str) -> tuple[Note, ...]:
    if not stored:
        return ()
    return (
        Note(
            code="lens-not-for-scan",
            severity="info",
            text=f"A flatbed has no such lens: the stored lens {stored} was not used for the scan"
            f" {photo.path.name}.",
            photo=photo.path.name,
        ),
    )
