"""The part of report.json that tells of a photo and of the cards that were read in it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spilemark.frames import stored_to_upright
from spilemark.records import View
from spilemark.report_numbers import plain_number, plain_rows


def view_table(view: View) -> dict[str, Any]:
    """One photo's camera, cards and tags as plain data."""
    return {
        "photo": view.straight.photo.path.name,
        "residual_rms_px": plain_number(view.residual_rms_px),
        "face_height_mm": plain_number(view.plane.height_mm),
        "lens": [plain_number(v, 7) for v in view.plane.lens],
        "rotation_rad": [plain_number(v, 9) for v in view.plane.rotation_rad],
        "translation_mm": [plain_number(v, 5) for v in view.plane.translation_mm],
        "cards": [
            {
                "name": card.name,
                "crossings": len(card.kept),
                "kept": int(card.kept.sum()),
                "residual_rms_px": plain_number(
                    float(np.sqrt((card.residuals_px[card.kept] ** 2).mean()))
                    if card.kept.any()
                    else math.nan
                ),
                "lift_mm": plain_number(card.lift_mm),
                "bow_mm": plain_number(card.bow_mm),
                "edge_shift_px": plain_number(card.edge_shift_px),
                "edge_shift_mm": plain_number(card.edge_shift_mm),
                "corners_px": _upright(view, card.outline_px),
            }
            for card in view.cards
        ],
        "tags": [
            {"name": tag.name, "says": tag.says, "corners_px": _upright(view, tag.outline_px)}
            for tag in view.tags
        ],
    }


def _upright(view: View, stored_px: NDArray[np.float64]) -> list[list[float | None]]:
    photo = view.straight.photo
    size = photo.width_px, photo.height_px
    return plain_rows(stored_to_upright(stored_px, *size, photo.orientation), 2)
