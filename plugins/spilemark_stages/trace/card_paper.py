"""How far the paper of a card reaches where it is as white as the pattern beside it."""

from __future__ import annotations

import cv2
import numpy as np

from spilemark.records import Floats
from spilemark_stages.trace.masks import Mask

_FROM_MM, _TO_MM = 2.5, 15.0
"""Where a paper's rim is sought, from the chessboard's: nobody leaves wider margins."""
_STEP = 0.5
"""Pixels of the reduced picture."""
_ALIKE_MM = 4.0
"""Margins of opposite sides, cut by hand along a printed line, differ by less."""
_SIDES = 3
"""Sides at which a rim must be met: fewer may be the edge of the pattern that the card lies on."""
_ALONG = np.linspace(0.1, 0.9, 17)


def paper_mask(white: Mask, corners_px: Floats, mm: float) -> Mask | None:
    """What a card's paper covers; None where it shows no rim of its own.

    Parameters
    ----------
    white : array (h, w)
        1 where the picture is as white as face or paper.
    corners_px : array (4, 2)
        The chessboard's corners in that picture, in turn.
    mm : float
        Size of its pixels.

    Returns
    -------
    array (h, w) of 0 and 1, or None
        None too where white goes on beyond two sides or more: the card lies on
        the pattern, or over its edge.
    """
    middle = corners_px.mean(axis=0)
    sides = [_Side(corners_px[k], corners_px[(k + 1) % 4], middle) for k in range(4)]
    margins = [side.margin_px(white, mm) for side in sides]
    if sum(m is not None for m in margins) < _SIDES:
        return None
    for one, other in ((0, 2), (1, 3)):
        here, there = margins[one], margins[other]
        if here is not None and there is not None and abs(here - there) * mm > _ALIKE_MM:
            # The nearer one is its rim; beyond the other, white of another thing touches it.
            margins[one] = margins[other] = min(here, there)
        elif here is None or there is None:
            margins[one] = margins[other] = there if here is None else here
    ring = [
        _meet(sides[k - 1].line(margins[k - 1] or 0.0), sides[k].line(margins[k] or 0.0))
        for k in range(4)
    ]
    mask = np.zeros(white.shape, dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.round(ring).astype(np.int32), 1)
    return mask


class _Side:
    """One side of a chessboard."""

    def __init__(self, start: Floats, stop: Floats, middle: Floats) -> None:
        along = (stop - start) / max(float(np.linalg.norm(stop - start)), 1e-9)
        outward = np.array([along[1], -along[0]])
        self.start, self.stop, self.along = start, stop, along
        self.outward = outward if outward @ (0.5 * (start + stop) - middle) > 0 else -outward

    def margin_px(self, white: Mask, mm: float) -> float | None:
        """Middle of the distances outward at which white ends; None where it mostly goes on."""
        steps = np.arange(_FROM_MM / mm, _TO_MM / mm, _STEP)
        feet = self.start + _ALONG[:, None] * (self.stop - self.start)
        at = np.round(feet[:, None] + steps[:, None] * self.outward).astype(int)
        height, width = white.shape
        inside = (at >= 0).all(axis=-1) & (at[..., 0] < width) & (at[..., 1] < height)
        held = np.clip(at, 0, (width - 1, height - 1))
        dark = (white[held[..., 1], held[..., 0]] == 0) & inside
        met = dark.any(axis=1)
        if met.mean() < 0.6:
            return None
        return float(np.median(steps[np.argmax(dark, axis=1)][met]))

    def line(self, margin_px: float) -> tuple[Floats, Floats]:
        """A point of the side moved outward, and its direction."""
        return self.start + margin_px * self.outward, self.along


def _meet(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> Floats:
    """Where two lines cross (2,)."""
    (p, d), (q, e) = one, other
    t = np.linalg.lstsq(np.column_stack([d, -e]), q - p, rcond=None)[0][0]
    return np.asarray(p + t * d)
