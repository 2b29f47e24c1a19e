"""Where a photo passes from what a pattern's face looks like to what lies about it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from spilemark.records import Floats, View
from spilemark_stages.trace.bench import log_features, relative_to_bench
from spilemark_stages.trace.card_cover import paper_labels
from spilemark_stages.trace.densities import (
    STRAY_LOG_DENSITY,
    bin_of,
    log_density,
    shadow_log_density,
)
from spilemark_stages.trace.masks import disc
from spilemark_stages.trace.photometry import Float32, look_factor, reduced, to_small

_DEEP_PX = 3
"""So far from the outline its two sides are learnt."""
_MOST_ODDS = 6.0
_BLUR_PX = 0.8
_FEWEST = 300
_LEAST = 0.8
"""Change of log odds over the outline, as a rule, below which face and bench are too much alike to
tell a step by."""


@dataclass(frozen=True, slots=True, eq=False)
class SideSteps:
    """How the odds of face against all else change from pixel to pixel."""

    steps: Float32
    """(h, w) at reduced size: 1 where they change as they do along the outline as a rule."""
    factor: int

    def at(self, points_px: Floats) -> Float32:
        """Steps (N, M) at stored pixels (N, M, 2)."""
        small = to_small(points_px, self.factor).astype(np.float32)
        found = cv2.remap(
            self.steps,
            small[..., 0],
            small[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(found, dtype=np.float32)


def side_steps(view: View, ring_px: Floats, doubtful_px: Floats) -> SideSteps | None:
    """Learn both sides of a ring that lies right for the most part; None where they are too much alike.

    Parameters
    ----------
    ring_px : (N, 2)
        Stored px.
    doubtful_px : (M, 2)
        The run of it, and whatever else, near which nothing is learnt.
    """
    photo = view.straight.photo
    factor = look_factor(photo)
    picture = reduced(photo.pixels, factor)
    shape = picture.shape[:2]
    hidden = (paper_labels(view, shape, factor) > 0).astype(np.uint8)
    hidden = np.asarray(cv2.dilate(hidden, disc(2 * _DEEP_PX)), dtype=np.uint8)
    relative = relative_to_bench(log_features(picture), hidden > 0, even_light=photo.is_scan)
    face = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(face, [np.round(to_small(ring_px, factor)).astype(np.int32)], 1)
    known = hidden == 0
    near = np.ones(shape, dtype=np.uint8)
    cv2.polylines(
        near, [np.round(to_small(doubtful_px, factor)).astype(np.int32)], isClosed=False, color=0
    )
    known &= cv2.distanceTransform(near, cv2.DIST_L2, 3) > 3 * _DEEP_PX
    inside = known & (cv2.distanceTransform(face, cv2.DIST_L2, 3) > _DEEP_PX)
    outside = known & (cv2.distanceTransform(1 - face, cv2.DIST_L2, 3) > _DEEP_PX)
    if min(inside.sum(), outside.sum()) < _FEWEST:
        return None
    bins = bin_of(relative.values)
    on_face = log_density(bins[inside])
    off_face = np.logaddexp(
        log_density(bins[outside]),
        np.logaddexp(shadow_log_density(relative.spread), STRAY_LOG_DENSITY) - np.log(4.0),
    )
    odds = np.clip(on_face - off_face, -_MOST_ODDS, _MOST_ODDS).astype(np.float32)[bins]
    odds = np.asarray(cv2.GaussianBlur(odds, (0, 0), _BLUR_PX), dtype=np.float32)
    kernel = np.array([-1.0, -1.0, 0.0, 1.0, 1.0], dtype=np.float32) / 2.0
    even = np.full(3, 1 / 3, dtype=np.float32)
    across = cv2.sepFilter2D(odds, cv2.CV_32F, kernel, even)
    down = cv2.sepFilter2D(odds, cv2.CV_32F, even, kernel)
    found = SideSteps(np.hypot(across, down).astype(np.float32), factor)
    usual = float(np.median(found.at(ring_px[None])))
    if usual < _LEAST:
        return None
    return SideSteps(found.steps / np.float32(usual), factor)
