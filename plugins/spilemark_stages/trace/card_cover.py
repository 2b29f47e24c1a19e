"""What cards and tags cover in a reduced picture, and what lies under them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from spilemark.records import Bools, Floats, View
from spilemark_stages.trace.card_paper import paper_mask
from spilemark_stages.trace.masks import Mask, disc, grown, nearest_seen
from spilemark_stages.trace.photometry import Float32, to_small

_RIM_MM = 1.5
"""From here to twice as far beyond its paper, what lies round a card is asked."""
_PAPER_REACH_MM = 15.0
"""Usual margin of a cut-out card, with some to spare."""
_ALIKE = np.array([0.6, 0.15, 0.2])
"""How far log light and two log hues of paper are off its own median."""


@dataclass(frozen=True, slots=True, eq=False)
class Paper:
    """One card in the reduced picture."""

    box: tuple[slice, slice]
    core: Mask
    """Its chessboard, within the box."""
    like: Mask
    """What beside it may be its paper."""
    corners: Floats | None
    """(4, 2) of its chessboard, px of the box; None of a tag, which lies on the face."""


def paper_labels(view: View, shape: tuple[int, ...], factor: int, rim_px: int = 0) -> Mask:
    """K + 1 where the chessboard of paper k lies, grown by a rim, in a reduced picture."""
    labels = np.zeros(shape, dtype=np.uint8)
    for k, card in enumerate(view.papers[:254]):
        corners = np.round(to_small(card.outline_px, factor)).astype(np.int32)
        cv2.fillConvexPoly(labels, corners, k + 1)
        if rim_px:
            cv2.polylines(labels, [corners], isClosed=True, color=k + 1, thickness=2 * rim_px + 1)
    return labels


def papers_in(values: Float32, labels: Mask, boards_px: Sequence[Floats], mm: float) -> list[Paper]:
    """The papers: chessboards, and beside them what is as light and as grey as paper.

    Parameters
    ----------
    values : (h, w, 3)
        Log light and two log hues, less the bench's.
    labels : (h, w)
        As ``paper_labels`` has them.
    boards_px : sequence of (4, 2)
        Corners of the cards, which come before the tags.
    mm : float
        Size of a pixel.
    """
    margin = round((_PAPER_REACH_MM + 4 * _RIM_MM) / mm) + 4
    height, width = labels.shape
    found = []
    for k in np.unique(labels[labels > 0]):
        x, y, w, h = cv2.boundingRect((labels == k).astype(np.uint8))
        box = (
            slice(max(0, y - margin), min(height, y + h + margin)),
            slice(max(0, x - margin), min(width, x + w + margin)),
        )
        core = (labels[box] == k).astype(np.uint8)
        like = grown(core, _PAPER_REACH_MM / mm) & _paper_like(values[box], core)
        board = boards_px[k - 1] if k <= len(boards_px) else None
        corners = None if board is None else board - (box[1].start, box[0].start)
        found.append(Paper(box, core, like, corners))
    return found


def fill_cards(papers: list[Paper], mm: float, face: Mask, stray: Mask) -> tuple[Mask, Bools]:
    """Decide what lies under each card; also where cards and their paper lie."""
    face = face.copy()
    covered = np.zeros(face.shape, dtype=bool)
    for one in papers:
        box, core, part = one.box, one.core, face[one.box]
        paper = stray[box] & one.like
        _, parts = cv2.connectedComponents((paper | core).astype(np.uint8))
        card = np.isin(parts, np.unique(parts[core > 0])).astype(np.uint8)
        blurred, share = _beyond(card, part, mm)
        if share > 0.5 and one.corners is not None:
            # A card of white stock is as white as the paper: then the paper's own rim tells.
            sheet = paper_mask(part | card, one.corners, mm)
            if sheet is not None:
                card |= sheet
                blurred, share = _beyond(card, part, mm)
        covered[box] |= cv2.dilate(card, disc(1.0 / mm)) > 0
        if share > 0.9:
            part[card > 0] = 1
        elif share > 0.1:
            part[card > 0] = part.ravel()[nearest_seen(blurred > 0)[card > 0]]
        else:
            part[card > 0] = 0
    return face, covered


def _beyond(card: Mask, face: Mask, mm: float) -> tuple[Mask, float]:
    """A card with the blur of its edge, and how much of what lies round that is face."""
    blurred = np.asarray(cv2.dilate(card, disc(_RIM_MM / mm)), dtype=np.uint8)
    rim = np.asarray(cv2.dilate(blurred, disc(_RIM_MM / mm)) > 0) & (blurred == 0)
    return blurred, float(face[rim].mean()) if rim.any() else 0.0


def _paper_like(values: Float32, core: Mask) -> Mask:
    """Pixels (h, w) of features (h, w, 3) as light and as grey as a card's own paper."""
    own = values[core > 0]
    white = own[own[:, 0] >= np.quantile(own[:, 0], 0.7)]
    middle = np.median(white, axis=0)
    like = np.asarray(cv2.inRange(values, middle - _ALIKE, middle + _ALIKE))
    return (like > 0).astype(np.uint8)
