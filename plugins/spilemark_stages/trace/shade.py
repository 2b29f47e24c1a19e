"""A pattern that is darker than its bench, and the shade at its foot that passes for it.

A sheet keeps light from the bench beside it.  Beside a light pattern that shade
makes the edge clearer; beside a dark one it grows together with it, and the
outline comes out too large.  On rendered photos of 3 to 4 mm dark ply on a
light bench that was 0.1 to 0.2 mm (benchmarks/accuracy.py); it is carried as
doubt, not taken off, because light and bench decide how much it is.
"""

from __future__ import annotations

import numpy as np

from spilemark.frames import outward_normals
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, Note, View
from spilemark_stages.light import LUMA_WEIGHTS
from spilemark_stages.trace.photometry import LinearPhoto

_ASIDE_MM = (3.0, 4.0, 5.0)
"""Face and bench are asked this far inside and outside of the edge, the shade left out."""
_CLEARLY = 1.2


def darker_than_bench(photo: LinearPhoto, view: View, ring_mm: Floats, thickness_mm: float) -> bool:
    """Whether the face is clearly darker than the open bench round it."""
    normals = outward_normals(ring_mm)
    inside = np.stack([ring_mm - d * normals for d in _ASIDE_MM], axis=1)
    clear = max(1.0, thickness_mm)
    outside = np.stack([ring_mm + d * clear * normals for d in _ASIDE_MM], axis=1)
    face, bench = (_typical_light(photo, view, points) for points in (inside, outside))
    return bench > _CLEARLY * face


def _typical_light(photo: LinearPhoto, view: View, points_mm: Floats) -> float:
    flat = plane_to_pixels(points_mm.reshape(-1, 2), view.plane)
    values = photo.sample(flat.reshape(points_mm.shape))
    light = values[..., 0] if values.shape[-1] == 1 else values @ LUMA_WEIGHTS
    return float(np.median(light))


def dark_pattern_note(view: View, shade_mm: float) -> Note:
    """What to do about it."""
    name = view.straight.photo.path.name
    if view.straight.photo.is_scan:
        behind = "what lies behind it"
        todo = "A sheet of about its own brightness but another colour behind it would be better."
    else:
        behind = "its bench"
        todo = (
            "A bench of about its own brightness but another colour, and soft light from all sides,"
            " would be better."
        )
    return Note(
        code="dark-on-light",
        severity="info",
        text=f"The pattern in {name} is darker than {behind}: the shade at its foot can pass for"
        f" wood, so the doubt was widened by {shade_mm:g} mm (one sigma). {todo}",
        value=shade_mm,
        unit="mm",
        photo=name,
    )
