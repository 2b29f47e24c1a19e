"""Numbers as report.json holds them: rounded, and null for what is not known."""

from __future__ import annotations

import math

import numpy as np

from spilemark.records import Floats

_DIGITS = 4


def plain_points(points: Floats) -> list[list[float | None]]:
    """Places (N, 2), mm."""
    return plain_rows(points, _DIGITS)


def plain_numbers(values: Floats) -> list[float | None]:
    """A row of numbers (N,)."""
    return plain_rows(values[None], _DIGITS)[0]


def plain_rows(values: Floats, digits: int) -> list[list[float | None]]:
    """Rows of rounded numbers, null for what is not known; adding zero turns -0.0 into 0.0."""
    values = np.asarray(values, dtype=np.float64)
    rows: list[list[float | None]] = (np.round(values, digits) + 0.0).tolist()
    if np.isfinite(values).all():
        return rows
    return [[v if v is not None and math.isfinite(v) else None for v in row] for row in rows]


def plain_number(value: float | None, digits: int = _DIGITS) -> float | None:
    """One number, rounded; null where it is not known."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0
