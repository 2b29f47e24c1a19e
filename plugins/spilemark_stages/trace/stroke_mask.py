"""Which strokes on a face are dark enough for pencil, in its picture from above."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely

from spilemark.records import Bools, Floats
from spilemark_stages.trace.pencil_search import FaceView
from spilemark_stages.trace.photometry import Float32
from spilemark_stages.trace.scribed_search import strokes

_ALONG_MM = 2.0
_PENCIL = 0.45
"""Share of known pencil's ridge from which on a stroke is pencil too."""
_OWN = 0.5
"""Share of that level which a pixel has itself, whatever its neighbours have."""
_ABOVE_GRAIN = 3.0
"""The same, of the face's own strong ridges, where no pencil is known."""
_KNOWN_MM = 1.5
"""What lies nearer to a line that is known belongs to it."""


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """Short dark strokes of a face, whatever drew them."""

    view: FaceView
    along: Float32
    """(h, w) mean ridge along each of them; 0 where there is none."""
    wide: Float32
    """(h, w) ridge, the best of three pixels each way."""
    grain: float
    """Ridge that no stroke is below, whatever pencil is known."""

    @classmethod
    def of(cls, view: FaceView) -> Strokes:
        """Those of a view."""
        wide = cv2.dilate(view.ridge, np.ones((3, 3), np.uint8))
        grain = _ABOVE_GRAIN * (float(np.quantile(view.ridge[view.inside][::7], 0.9)) + 1e-9)
        along = strokes(view, _ALONG_MM, _OWN * grain)
        return cls(view, along, np.asarray(wide, dtype=np.float32), grain)

    def pencil(self, known: list[Floats]) -> Bools:
        """Where (h, w) pencil runs that is not known yet; not the spurs that noise adds to it.

        ``known`` are lines (N, 2), mm, that are on the face.
        """
        level = self._level(known)
        own = self.view.ridge > _OWN * level
        return np.asarray((self.along > level) & own & ~_near(self.view, known))

    def _level(self, known: list[Floats]) -> float:
        """Ridge from which on a stroke is taken for pencil."""
        drawn = [self._ridge_along(line) for line in known]
        values = np.concatenate(drawn) if drawn else np.zeros(0)
        values = values[values > 0]
        few = len(values) <= 20
        return self.grain if few else max(self.grain, _PENCIL * float(np.median(values)))

    def _ridge_along(self, line: Floats) -> Floats:
        """Ridge at points along a line."""
        dense = np.array(shapely.LineString(line).segmentize(1.0).coords)
        at = np.round(self.view.to_px(dense)).astype(np.int64)
        height, width = self.wide.shape
        ok = (at >= 1).all(axis=1) & (at[:, 0] < width - 1) & (at[:, 1] < height - 1)
        return np.asarray(self.wide[at[ok, 1], at[ok, 0]], dtype=np.float64)


def _near(view: FaceView, known: list[Floats]) -> Bools:
    canvas = np.zeros(view.ridge.shape, dtype=np.uint8)
    thick = 2 * round(_KNOWN_MM / view.step_mm) + 1
    for line in known:
        at = np.round(view.to_px(line)).astype(np.int32)
        cv2.polylines(canvas, [at], isClosed=False, color=1, thickness=thick)
    return canvas > 0
