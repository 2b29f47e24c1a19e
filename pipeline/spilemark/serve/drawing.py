"""A report as lines on its photos: what the page shows, taken from ``report.json`` alone."""

from __future__ import annotations

from typing import Any

import numpy as np

from spilemark.rigid import apply, inverse
from spilemark.serve.entries import Entry
from spilemark.serve.reread import laid_of, on_photo, plane_of


def photo_drawings(report: dict[str, Any], entry: Entry) -> list[dict[str, Any]]:
    """What was found in each photo, upright px; none for a report of an earlier version.

    Parameters
    ----------
    report : dict
        ``report.json``, schema 1.
    entry : Entry
        The job that it is of: its photos' ids are handed on.
    """
    ids = {(p.arm, p.path.name): p.id for p in entry.photos}
    drawings = []
    for photo, cards in zip(report["provenance"]["photos"], report["cards"], strict=True):
        photo_id = ids.get((photo["arm"], photo["name"]))
        if photo_id is None or "rotation_rad" not in cards:
            continue
        drawings.append(_one(photo, cards, report, photo_id))
    return drawings


def _one(
    photo: dict[str, Any], cards: dict[str, Any], report: dict[str, Any], photo_id: str
) -> dict[str, Any]:
    sides = [
        (side, pattern)
        for side, pattern in report["patterns"].items()
        if photo["arm"] in (side, "both") and photo["name"] in pattern["photos"]
    ]
    turned = photo["orientation"] >= 5
    return {
        "photo": photo_id,
        "arm": photo["arm"],
        "name": photo["name"],
        "width": photo["height_px"] if turned else photo["width_px"],
        "height": photo["width_px"] if turned else photo["height_px"],
        "cards": cards["cards"],
        "patterns": [_pattern(side, p, photo, cards) for side, p in sides],
    }


def _pattern(
    side: str, pattern: dict[str, Any], photo: dict[str, Any], cards: dict[str, Any]
) -> dict[str, Any]:
    back, plane = inverse(laid_of(pattern)), plane_of(cards)
    size = photo["width_px"], photo["height_px"]

    def lines(points: Any) -> list[list[float]]:
        on_face = apply(back, np.array(points, dtype=np.float64))
        return on_photo(on_face, plane, size, photo["orientation"])

    return {
        "side": side,
        "ring": lines(pattern["outline_mm"]),
        "ring_mm": pattern["outline_mm"],
        "seen": pattern["seen"],
        "by_hand": pattern.get("by_hand", []),
        "u95_mm": pattern["u95_fit_mm"],
        "holes": [lines(hole) for hole in pattern["holes_mm"]],
        "marks": [lines(mark) for mark in pattern["marks_mm"]],
        "line": lines(pattern["centreline_mm"]) if pattern["centreline_mm"] else None,
        "corners": [
            {"name": name, "at": lines([at])[0], "deg": pattern["corner_angles_deg"].get(name)}
            for name, at in pattern["corners_mm"].items()
        ],
        "edges": pattern["edges"],
        "seen_percent": pattern["seen_percent"],
    }
