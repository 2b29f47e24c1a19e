"""Where words fit: free rectangles on a piece of wood.

The wood is looked at on a grid of millimetres, less a strip along its edge and
along everything that is drawn on it.  A rectangle is free where a summed-area
table (Crow, "Summed-area tables for texture mapping", SIGGRAPH 1984) counts
nothing but free cells in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats

_CELL_MM = 1.0
_MOST_CELLS = 900
_BORDER = 2


class Room:
    """The free part of a piece of wood, in a frame turned by ``turn_deg``.

    Parameters
    ----------
    ring : (N, 2), mm
        Its edge.
    holes : iterable of (N, 2)
    lines : iterable of (N, 2)
        What is drawn on it and must stay clear.
    clear_mm : float
        How far words keep from all of these.
    turn_deg : float
        Direction in which words run.
    """

    def __init__(
        self,
        ring: Floats,
        holes: Iterable[Floats] = (),
        lines: Iterable[Floats] = (),
        *,
        clear_mm: float = 3.0,
        turn_deg: float = 0.0,
    ) -> None:
        from PIL import Image, ImageDraw

        angle = math.radians(turn_deg)
        self.turn_deg = turn_deg
        self._axes = np.array(
            [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]
        )
        turned = ring @ self._axes
        low, high = turned.min(axis=0), turned.max(axis=0)
        self._cell = max(_CELL_MM, float((high - low).max()) / _MOST_CELLS)
        self._low = low - _BORDER * self._cell
        columns, rows = np.ceil((high - low) / self._cell).astype(int) + 2 * _BORDER
        image = Image.new("L", (int(columns), int(rows)), 0)
        draw = ImageDraw.Draw(image)
        wide = math.ceil(2 * clear_mm / self._cell) + 1
        draw.polygon(self._cells(ring), fill=1)
        for hole in holes:
            draw.polygon(self._cells(hole), fill=0)
            draw.line([*self._cells(hole), self._cells(hole)[0]], fill=0, width=wide)
        draw.line([*self._cells(ring), self._cells(ring)[0]], fill=0, width=wide)
        for line in lines:
            draw.line(self._cells(line), fill=0, width=wide)
        self._free: NDArray[np.int32] = np.asarray(image, dtype=np.int32).copy()
        self._sum()

    def _cells(self, points: Floats) -> list[tuple[float, float]]:
        cells = (points @ self._axes - self._low) / self._cell
        # Points closer than a cell draw the same cells again.
        run = np.cumsum(np.linalg.norm(np.diff(cells, axis=0), axis=1))
        keep = np.concatenate([[True], np.diff(np.floor(run), prepend=0.0) > 0])
        keep[-1] = True
        return [tuple(p) for p in cells[keep].tolist()]

    def _sum(self) -> None:
        self._table = np.pad(
            self._free.cumsum(0, dtype=np.int32).cumsum(1, dtype=np.int32), ((1, 0), (1, 0))
        )

    def place(
        self, width_mm: float, height_mm: float, near: tuple[float, float] | None = None
    ) -> tuple[float, float] | None:
        """Middle of a free rectangle, nearest to a point or to the middle of all that are free.

        Returns
        -------
        (x, y) in mm in the unturned frame, or None where none is free.
        """
        wide, high = (math.ceil(v / self._cell) for v in (width_mm, height_mm))
        rows, columns = self._free.shape
        if wide > columns or high > rows:
            return None
        t = self._table
        full = t[high:, wide:] - t[:-high, wide:] - t[high:, :-wide] + t[:-high, :-wide]
        found = np.argwhere(full == wide * high).astype(np.float64)[:, ::-1]
        if not len(found):
            return None
        middles = found + 0.5 * np.array([wide, high])
        if near is None:
            aim = middles.mean(axis=0)
        else:
            aim = (np.array(near) @ self._axes - self._low) / self._cell
        best = middles[np.argmin(((middles - aim) ** 2).sum(axis=1))]
        x, y = (best * self._cell + self._low) @ self._axes.T
        return float(x), float(y)

    def is_free(self, corners: Floats) -> bool:
        """Whether a four-sided area (4, 2), mm, lies on free wood only."""
        u, v = np.meshgrid(np.linspace(0, 1, 40), np.linspace(0, 1, 12))
        a, b, c, d = corners
        across = (1 - u)[..., None] * a + u[..., None] * b
        other = (1 - u)[..., None] * d + u[..., None] * c
        points = ((1 - v)[..., None] * across + v[..., None] * other).reshape(-1, 2)
        cell = np.floor((points @ self._axes - self._low) / self._cell).astype(int)
        inside = ((cell >= 0) & (cell < self._free.shape[::-1])).all(axis=1)
        return bool(inside.all() and self._free[cell[:, 1], cell[:, 0]].all())

    def take(self, corners: Floats) -> None:
        """Mark a four-sided area (4, 2), mm, as no longer free."""
        from PIL import Image, ImageDraw

        image = Image.fromarray(self._free.astype(np.uint8))
        ImageDraw.Draw(image).polygon(self._cells(corners), fill=0, outline=0)
        self._free = np.asarray(image, dtype=np.int32).copy()
        self._sum()


def rectangle(
    middle: tuple[float, float], width_mm: float, height_mm: float, turn_deg: float = 0.0
) -> Floats:
    """Corners (4, 2) of a turned rectangle, anticlockwise from its lower left."""
    angle = math.radians(turn_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    up = np.array([-along[1], along[0]])
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (0.5 * width_mm, 0.5 * height_mm)
    return np.asarray(np.array(middle) + half[:, :1] * along + half[:, 1:] * up)
