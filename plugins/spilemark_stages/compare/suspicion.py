"""Signs that a photo is not of what it was said to be."""

from __future__ import annotations

import numpy as np

from spilemark.fitting import RigidFit, fit_outline
from spilemark.records import Note, Polyline, RegisteredPattern, RigidMap
from spilemark.rigid import apply, compose, turned_about
from spilemark_stages.compare.pair import Laid

_FITS_MM = 1.5
"""Two photos of one pattern fit each other at least this well; so do the two sides of most boats."""
_CLEARLY = 3.0
_STARTS = 12


def suspicions(
    port: RegisteredPattern, mirrored: RegisteredPattern, best: Laid
) -> tuple[Note, ...]:
    """Say when starboard fits port clearly better *without* the mirror."""
    gap = np.abs(best.gap_mm[np.isfinite(best.gap_mm)])
    as_mirrored = float(np.median(gap)) if len(gap) else np.inf
    poorly = len(gap) < 0.6 * len(best.gap_mm) or as_mirrored > _FITS_MM / _CLEARLY
    if not poorly:
        return ()
    unmirrored = _best_unmirrored(port.outline.ring, mirrored.outline.ring)
    if unmirrored.median_mm > _FITS_MM or unmirrored.median_mm * _CLEARLY > as_mirrored:
        return ()
    return (
        Note(
            code="face-or-side",
            severity="warn",
            text="Starboard fits port much better without mirroring it"
            f" ({unmirrored.median_mm:.2f} mm against {as_mirrored:.1f} mm, typically): one of the"
            " two was photographed face down, or both photos show the same side's pattern. Look at"
            " the pictures; say --face starboard:down (or port:down) if that is so.",
            value=unmirrored.median_mm,
            unit="mm",
        ),
    )


def _best_unmirrored(port: Polyline, mirrored: Polyline) -> RigidFit:
    """The best of fits begun from several turns about the middle."""
    flip = RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0), flipped=True)
    middle = port.points_mm.mean(axis=0)
    fits = []
    for k in range(_STARTS):
        turn = turned_about(2 * np.pi * k / _STARTS, np.zeros(2))
        start = compose(turn, flip)
        offset = middle - apply(start, mirrored.points_mm).mean(axis=0)
        shifted = compose(
            RigidMap(turn_rad=0.0, shift_mm=(float(offset[0]), float(offset[1]))), start
        )
        fits.append(fit_outline(mirrored, port, start=shifted))
    return min(fits, key=lambda f: f.median_mm if np.isfinite(f.median_mm) else np.inf)
