"""Which photo of an arm to trace in."""

from __future__ import annotations

import numpy as np
import shapely

from spilemark.lens import mm_per_px_across, pixels_to_plane
from spilemark.records import Note, View
from spilemark_stages.trace.regions import Found, find_patterns


def best_view(views: tuple[View, ...]) -> tuple[View, Found, tuple[Note, ...]]:
    """The photo that shows the pattern best, what was found in it, and a note when there was a choice.

    Wholly in the frame first; then by the doubt it would leave: pixel size,
    grown by the residual of its solve and by how much of the pattern lies
    outside of the cards.
    """
    found = [find_patterns(view) for view in views]
    if len(views) == 1:
        return views[0], found[0], ()
    costs = [_cost(view, what) for view, what in zip(views, found, strict=True)]
    best = int(np.argmin(costs))
    name = views[best].straight.photo.path.name
    note = Note(
        code="traced-in",
        severity="info",
        text=f"Of {len(views)} photos the outline was traced in {name}, which shows it best; the "
        "others helped to place cards and camera.",
        value=float(len(views)),
        unit="photos",
        photo=name,
    )
    return views[best], found[best], (note,)


def _cost(view: View, found: Found) -> float:
    if not found.regions:
        return np.inf
    region = found.regions[0]
    ring = pixels_to_plane(region.outer_px, view.plane)
    middle = ring.mean(axis=0, keepdims=True)
    across = [
        float(mm_per_px_across(middle, np.array([n]), view.plane)[0])
        for n in ((1.0, 0.0), (0.0, 1.0))
    ]
    covered = 0.0
    if len(view.card_hull_mm) >= 3:
        hull = shapely.Polygon(view.card_hull_mm).buffer(0)
        covered = float(shapely.contains_xy(hull, ring[:, 0], ring[:, 1]).mean())
    cost = max(across) * (1.0 + view.residual_rms_px) * (2.0 - covered)
    return cost * (10.0 if region.cut_by_frame else 1.0)
