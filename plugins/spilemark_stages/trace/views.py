"""Which photo of an arm to trace first, and which others show the same pattern."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from spilemark.lens import mm_per_px_across, pixels_to_plane
from spilemark.records import Note, View
from spilemark_stages.trace.regions import Found, Region, find_patterns

_SAME_PLACE = 0.5
"""Overlap of two outlines, as a share of both together, from which on they are one pattern's."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One photo and what was found in it."""

    view: View
    found: Found
    cost: float
    """About the doubt it would leave; infinite where nothing was found."""

    @property
    def name(self) -> str:
        """File name of the photo."""
        return self.view.straight.photo.path.name


def looks_at(views: tuple[View, ...]) -> list[Look]:
    """All photos of an arm, the one that shows the pattern best first.

    Wholly in the frame first; then by the doubt it would leave: pixel size,
    grown by the residual of its solve and by how much of the pattern lies
    outside of the cards.
    """
    found = [find_patterns(view) for view in views]
    if len(views) == 1:
        return [Look(views[0], found[0], 0.0)]
    looks = [Look(v, what, _cost(v, what)) for v, what in zip(views, found, strict=True)]
    return sorted(looks, key=lambda look: look.cost)


def same_region(region: Region, view: View, other: Look) -> Region | None:
    """What in another photo lies where a pattern lies in this one."""
    here = _shape(region, view)
    best, most = None, _SAME_PLACE
    for candidate in other.found.regions:
        there = _shape(candidate, other.view)
        both = here.intersection(there).area
        share = both / max(here.area + there.area - both, 1e-9)
        if share > most:
            best, most = candidate, share
    return best


def only_one_note(view: View, count: int) -> Note:
    """Said when there was a choice, but only one photo could be traced."""
    name = view.straight.photo.path.name
    return Note(
        code="traced-in",
        severity="info",
        text=f"Of {count} photos the outline was traced in {name} only; the others helped to"
        " place cards and camera.",
        value=float(count),
        unit="photos",
        photo=name,
    )


def _shape(region: Region, view: View) -> shapely.Geometry:
    ring = pixels_to_plane(region.outer_px, view.plane)
    return shapely.Polygon(ring).buffer(0) if np.isfinite(ring).all() else shapely.Polygon()


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
