"""What the readings of several photos of one pattern depend on, photo by photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.lens import height_sensitivity, mm_per_px_across
from spilemark.records import Cause, Floats
from spilemark_stages.trace.outlines import SHEET_MODES, Shared, sheet_forms

_STANDS = 0.25
"""How far the sheet as a whole may stand off, in units of its flatness; bends are one unit."""
_THIRD = 0.5
"""The same for the bend that is stronger at one end than at the other."""
MOTION_MM = 3.0
"""A pattern that was moved, was by about this."""
_EXTRA = ("stands off", "bend at one end")


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Sensitivities of several photos' readings on one list of causes.

    Columns: the survey's causes, edge place, the ways of not lying flat that a
    single photo has too, two more of them, each photo's own edge place; then,
    for the question whether the pattern was moved, three per photo that are no
    causes.
    """

    shared: tuple[Shared, ...]
    """One per photo, with the same axes; edge place at its common share."""
    flatness_mm: float
    causes: tuple[Cause, ...]
    """All but the motions."""

    @property
    def bends(self) -> list[int]:
        """Columns of everything that is about the sheet not lying flat."""
        first = len(self.shared[0].causes) - SHEET_MODES
        return list(range(first, first + SHEET_MODES + len(_EXTRA)))

    @property
    def motions(self) -> list[list[int]]:
        """By photo: columns of a pattern that was moved, per ``MOTION_MM``."""
        count = len(self.causes)
        return [[count + 3 * k + i for i in range(3)] for k in range(len(self.shared))]

    def of(self, k: int, points: Floats, normals: Floats, *, edge: bool) -> Floats:
        """Table (N, K) of photo ``k``: truth minus reading, mm along the normals."""
        shared = self.shared[k]
        common = shared.sensitivity(points, normals, edge=edge)
        plane = shared.view.plane
        height = height_sensitivity(points, normals, plane) * self.flatness_mm
        own = np.zeros((len(points), len(self.shared)))
        if edge:
            # As much is each photo's own as is common.
            own[:, k] = shared.edge_bias_px * mm_per_px_across(points, normals, plane)
        moved = np.zeros((len(points), 3 * len(self.shared)))
        local = points - shared.centre
        reach = 1.0 / np.linalg.norm(shared.axes[0])
        turn = (local[:, 0] * normals[:, 1] - local[:, 1] * normals[:, 0]) / reach
        moved[:, 3 * k : 3 * k + 3] = MOTION_MM * np.column_stack([normals, turn])
        forms = self.extra_forms(points) * height[:, None]
        return np.concatenate([common, forms, own, moved], axis=1)

    def extra_forms(self, points: Floats) -> Floats:
        """Height (N, 2) of the two more ways of not lying flat, in units of flatness."""
        u = (points - self.shared[0].centre) @ self.shared[0].axes[0]
        return np.stack([np.full(len(u), _STANDS), _THIRD * u**3], axis=-1)

    def heights(self, points: Floats) -> Floats:
        """Height (N, K) over the face as it was believed, mm per one sigma of each cause."""
        shared = self.shared[0]
        u, v = ((points - shared.centre) @ shared.axes.T).T
        out = np.zeros((len(points), len(self.causes) + 3 * len(self.shared)))
        out[:, : shared.view.plane.gain.shape[1]] = shared.view.plane.gain[15]
        forms = np.concatenate([sheet_forms(u, v), self.extra_forms(points)], axis=1)
        out[:, self.bends] = self.flatness_mm * forms
        return out

    def seen_from(self, k: int) -> OneTable:
        """The table of one photo, for lines that are measured in it alone."""
        return OneTable(self, k)


@dataclass(frozen=True, slots=True, eq=False)
class OneTable:
    """One photo's table in the form in which lines ask for it."""

    tables: Tables
    k: int

    def sensitivity(self, points: Floats, normals: Floats, *, edge: bool) -> Floats:
        """(N, K) mm along the normals per sigma."""
        return self.tables.of(self.k, points, normals, edge=edge)


def gather_tables(shared: Sequence[Shared], arm: str, piece: int, flatness_mm: float) -> Tables:
    """Tables of photos whose ``Shared`` have the common share of edge place."""
    causes = list(shared[0].causes)
    causes += [
        Cause(id=f"lies:{arm}:{piece + 1}:{name}", kind="flatness of the sheet") for name in _EXTRA
    ]
    causes += [
        Cause(id=f"edge-place:{arm}:{s.view.straight.photo.path.name}:{k}", kind="edge place")
        for k, s in enumerate(shared)
    ]
    return Tables(tuple(shared), flatness_mm, tuple(causes))
