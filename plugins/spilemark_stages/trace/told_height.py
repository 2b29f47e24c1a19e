"""Photos of one pattern that do not agree: whether they would, if its face lay at another height.

A face at another height is seen moved from each place of the camera, in its own
direction and by as much as the foot points of the cameras lie apart.  So a wrong
thickness sets photos apart as a pattern does that was moved; with one height
that brings all of them together, it is the likelier slip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import KDTree

from spilemark.lens import camera_centre
from spilemark.records import Floats, Note, View
from spilemark_stages.trace.traced_view import TracedPiece

_HIGHEST_MM = 60.0
_COARSE_MM, _FINE_MM = 1.0, 0.1
_TOGETHER_MM = 0.5
"""Rings of one edge lie no farther apart than this (three quarters of their points) ..."""
_BETTER = 0.4
"""... and no farther than this share of what they do at the height that was told."""
_NOTABLE_MM = 0.8
_EITHER = 0.6
"""One sigma of what lies between two (an even spread: 0.58)."""
_THIN = 3


@dataclass(frozen=True, slots=True)
class JoiningHeight:
    """The height of the face at which photos show one outline."""

    height_mm: float
    told_mm: float

    @property
    def doubt_mm(self) -> float:
        """One sigma of the height where either may be right."""
        return _EITHER * abs(self.height_mm - self.told_mm)


def joining_height(pieces: Sequence[TracedPiece]) -> JoiningHeight | None:
    """The height that brings the outer edges of all photos together; None where none does.

    Also None where the height that was told does as well.
    """
    told = pieces[0].view.plane.height_mm
    coarse = np.arange(0.0, _HIGHEST_MM, _COARSE_MM)
    best = float(coarse[int(np.argmin([_apart(pieces, h) for h in coarse]))])
    fine = best + np.arange(-_COARSE_MM, _COARSE_MM + _FINE_MM, _FINE_MM)
    apart = [_apart(pieces, h) for h in fine]
    k = int(np.argmin(apart))
    good = apart[k] < min(_TOGETHER_MM, _BETTER * _apart(pieces, told))
    height = max(float(fine[k]), 0.0)
    return JoiningHeight(height, told) if good and abs(height - told) > _NOTABLE_MM else None


def _apart(pieces: Sequence[TracedPiece], height_mm: float) -> float:
    """How far, mm, the photos' rings lie apart where the face lies so high: the worst photo's."""
    rings = [_at_height(piece, height_mm) for piece in pieces]
    tree = KDTree(rings[0])
    return max(float(np.quantile(tree.query(ring[::_THIN])[0], 0.75)) for ring in rings[1:])


def _at_height(piece: TracedPiece, height_mm: float) -> Floats:
    """The seen points (N, 2) of a ring, carried along their rays to another height."""
    plane, ring = piece.view.plane, piece.outer
    centre = camera_centre(plane)
    share = (centre[2] - height_mm) / (centre[2] - plane.height_mm)
    return np.asarray(centre[:2] + (ring.points_mm[ring.seen] - centre[:2]) * share)


def doubted_height(view: View, doubt_mm: float) -> View:
    """A view whose face height has this doubt, mm, one sigma, beside its own."""
    gain = view.plane.gain.copy()
    own = float(np.linalg.norm(gain[15]))
    if own > 0.0:
        gain[15] *= np.hypot(own, doubt_mm) / own
    return replace(view, plane=replace(view.plane, gain=gain))


def height_note(pieces: Sequence[TracedPiece], found: JoiningHeight) -> Note:
    """What the photos say of the height, and what to do."""
    base, *others = (piece.view.straight.photo.path.name for piece in pieces)
    *first, last = sorted((base, *others))
    return Note(
        code="thickness-contradicted",
        severity="warn",
        text=f"{', '.join(first)} and {last} show one and the same outline if its face lies about"
        f" {found.height_mm:.1f} mm above the cards; it was taken to lie {found.told_mm:.1f} mm above"
        " them. Most likely the thickness was mistyped, or something lies under the sheet or under"
        f" the cards; or else the pattern was moved between the photos. Only {base} was used, and the"
        " outline is doubted by as much as the two heights differ: measure the thickness, tell it"
        " (--thickness), and run it again.",
        value=found.height_mm,
        unit="mm",
        photo=base,
    )
