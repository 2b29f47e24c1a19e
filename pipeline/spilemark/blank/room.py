"""Room for words in a drawing: they lie within an area, off its lines and off each other."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from spilemark.blank.curves import Floats
from spilemark.layers import Layer, Lettering, word_box

_OFF_MM = 1.0
_GRID_MM = 6.0
_SIZES = (1.0, 0.8, 0.65, 0.5)
_LEADING = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a block of words."""

    text: str
    size_mm: float
    bold: bool = False


class Room:
    """An area that words are set into; each takes its own room away."""

    def __init__(self, area: Any) -> None:
        self._area = area

    def take(self, *shapes: Any) -> None:
        """Keep words off shapely shapes."""
        for shape in shapes:
            self._area = self._area.difference(shape.buffer(_OFF_MM))

    def keep_off(self, layers: Iterable[Layer]) -> None:
        """Keep words off the lines and the words of other layers."""
        from shapely import LinearRing, LineString, Polygon

        for layer in layers:
            for line in layer.lines:
                self.take((LinearRing if line.closed else LineString)(line.points_mm))
            self.take(*(Polygon(word_box(words)) for words in layer.words))

    def first(self, choices: Iterable[Lettering]) -> Lettering | None:
        """Set the first of several words that lies wholly in the room; None: none does."""
        for words in choices:
            box = _box([words])
            if self._area.contains(box):
                self.take(box)
                return words
        return None

    def block(
        self,
        rows: Sequence[Row],
        near: Floats,
        turns_deg: Sequence[float] = (0.0,),
        outside: Floats | None = None,
    ) -> tuple[Lettering, ...]:
        """Set rows under each other, as near to a place and as large as there is room for.

        Without room they stand at ``outside``, or small at that place all the same.
        """
        found = self._block(self._area, rows, near, turns_deg)
        if found:
            return found
        if outside is not None:
            return _stacked(rows, outside, 0.0, _SIZES[1])
        return _stacked(rows, near, turns_deg[0], _SIZES[-1])

    def block_outside(
        self, shun: Any, rows: Sequence[Row], near: Floats, turns_deg: Sequence[float]
    ) -> tuple[Lettering, ...]:
        """Set rows where the room lies outside of another area; nothing without room there."""
        return self._block(self._area.difference(shun.buffer(_OFF_MM)), rows, near, turns_deg)

    def _block(
        self, area: Any, rows: Sequence[Row], near: Floats, turns_deg: Sequence[float]
    ) -> tuple[Lettering, ...]:
        places = _places(area, near)
        for size in _SIZES:
            for turn in turns_deg:
                for place in places:
                    words = _stacked(rows, place, turn, size)
                    if area.contains(_box(words)):
                        self.take(_box(words))
                        return words
        return ()

    def spot(
        self, width_mm: float, height_mm: float, near: Floats, sizes: Sequence[float] = _SIZES
    ) -> tuple[Floats, float] | None:
        """Middle of an upright box, and by how much it had to shrink; None: no room."""
        from shapely import box

        places = _places(self._area, near)
        for size in sizes:
            half = 0.5 * size * np.array([width_mm, height_mm])
            for place in places:
                taken = box(*(place - half), *(place + half))
                if self._area.contains(taken):
                    self.take(taken)
                    return place, size
        return None


def _places(area: Any, near: Floats) -> Floats:
    """A grid over an area, the nearest to a place first."""
    from shapely import contains_xy, prepare

    if area.is_empty:
        return np.zeros((0, 2))
    prepare(area)
    left, bottom, right, top = area.bounds
    x, y = np.meshgrid(np.arange(left, right, _GRID_MM), np.arange(bottom, top, _GRID_MM))
    grid = np.vstack([near[None], np.column_stack([x.ravel(), y.ravel()])])
    grid = grid[contains_xy(area, grid)]
    return np.asarray(grid[np.argsort(np.linalg.norm(grid - near, axis=1), kind="stable")])


def _stacked(
    rows: Sequence[Row], middle: Floats, turn_deg: float, size: float = 1.0
) -> tuple[Lettering, ...]:
    """Rows under each other about a middle, readable along a direction."""
    angle = math.radians(turn_deg)
    up = np.array([-math.sin(angle), math.cos(angle)])
    heights = [_LEADING * size * row.size_mm for row in rows]
    y = 0.5 * sum(heights)
    found = []
    for row, height in zip(rows, heights, strict=True):
        y -= height
        at = middle + (y + 0.25 * height) * up
        found.append(
            Lettering(
                text=row.text,
                at_mm=(float(at[0]), float(at[1])),
                size_mm=size * row.size_mm,
                turn_deg=turn_deg,
                bold=row.bold,
            )
        )
    return tuple(found)


def _box(words: Sequence[Lettering]) -> Any:
    from shapely import Polygon, union_all

    return union_all([Polygon(word_box(w)) for w in words])
