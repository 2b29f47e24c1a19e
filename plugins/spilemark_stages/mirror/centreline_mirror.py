"""Plug-in "centreline-mirror": starboard's pattern flipped across the centreline, to lie as port's."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from spilemark.hookspecs import hookimpl
from spilemark.records import RegisteredPattern, RigidMap, Side
from spilemark.rigid import compose, move_notes, move_outline

ACROSS = RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0), flipped=True)
_OTHER = {Side.PORT: Side.STARBOARD, Side.STARBOARD: Side.PORT, Side.SINGLE: Side.SINGLE}


@hookimpl
def mirror(pattern: RegisteredPattern, options: Any) -> RegisteredPattern:  # noqa: ARG001 - has none
    """Mirror: x changes sign, y stays.

    Rings keep their winding, so the order of their points is reversed, and
    corners and edges are numbered anew.  A change along an outward normal is a
    change along the mirrored normal, so all sensitivities keep their signs;
    their causes keep their identities, since the copy carries the errors of
    the pattern that it was made from.
    """
    outline = move_outline(pattern.outline, ACROSS)
    offset = pattern.centreline_offset_mm
    corner = pattern.origin_corner
    sign = np.array([-1.0, -1.0, 1.0])
    return replace(
        pattern,
        outline=outline,
        side=_OTHER[pattern.side],
        map=compose(ACROSS, pattern.map),
        # Turn and sideways shift change sign under the mirror.
        covariance=pattern.covariance * np.outer(sign, sign),
        datum_sensitivity_mm=pattern.datum_sensitivity_mm[::-1],
        origin_corner=None if corner is None else len(outline.corners) - 1 - corner,
        centreline_offset_mm=None if offset is None else 0.0 - offset,
        measured=False,
        notes=move_notes(pattern.notes, ACROSS),
    )
