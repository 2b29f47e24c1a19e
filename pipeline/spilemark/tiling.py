"""A true-size drawing over several sheets of office paper: how few will do, and where each lies.

Paper frame
    mm, x right, y up, with all sheets laid together; the drawing is turned by
    ``Layout.turn_rad`` about its own origin, and not moved.
Window
    What one sheet shows of the drawing.  Windows of neighbours overlap, and
    the join runs along the middle of the overlap.
Core
    A sheet's part of the assembled drawing: its window up to its joins.

The drawing may lie at any angle, and a sheet whose core would hold nothing of
it is left out.  Turns beyond 45 degrees need not be tried: turning by 90
degrees is the same as laying the paper the other way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from spilemark.records import Floats

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Turn = Literal["any", "none"]

_TURN_STEP_DEG = 1.5
_SAMPLE_MM = 3.0
"""Spacing of points along the edge of what must be shown."""
_LATTICE_MM = 25.0
"""Spacing of points inside it; far below the size of any sheet."""
_SHIFT_MM = 6.0
_MOST_SHIFTS = 10
_EPS = 1e-9


class Place(NamedTuple):
    """Which sheet; both count from 1, row 1 is the uppermost, column 1 the leftmost."""

    row: int
    column: int


class Box(NamedTuple):
    """An upright rectangle in the paper frame, mm."""

    left: float
    bottom: float
    right: float
    top: float

    def holds(self, points: Floats, margin_mm: float = 0.0) -> NDArray[np.bool_]:
        """Which points (..., 2) lie inside by at least ``margin_mm``."""
        p = np.asarray(points, dtype=np.float64)
        low = (p >= np.array([self.left, self.bottom]) + margin_mm).all(axis=-1)
        return np.asarray(low & (p <= np.array([self.right, self.top]) - margin_mm).all(axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """What one sheet of paper can show."""

    width_mm: float
    height_mm: float
    lying: bool = False
    """Whether the paper lies on its long edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the sheets lie over a drawing."""

    turn_rad: float
    """The drawing is turned so far anticlockwise about its own origin."""
    window: Window
    overlap_mm: float
    columns: int
    rows: int
    left_mm: float
    """Left side of the first column's windows."""
    top_mm: float
    """Upper side of the first row's windows."""
    places: tuple[Place, ...]
    """The sheets that hold something, row by row."""

    @property
    def pitch_mm(self) -> tuple[float, float]:
        """From one column to the next, and from one row to the next."""
        return self.window.width_mm - self.overlap_mm, self.window.height_mm - self.overlap_mm

    def turned(self, points: Floats) -> Floats:
        """Points (..., 2) of the drawing in the paper frame."""
        return turned(points, self.turn_rad)

    def neighbour(self, place: Place, down: int, right: int) -> Place | None:
        """The sheet so many rows below and columns to the right, if there is one."""
        other = Place(place.row + down, place.column + right)
        return other if other in self.places else None

    def window_box(self, place: Place) -> Box:
        """What a sheet shows."""
        across, down = self.pitch_mm
        left = self.left_mm + (place.column - 1) * across
        top = self.top_mm - (place.row - 1) * down
        return Box(left, top - self.window.height_mm, left + self.window.width_mm, top)

    def core_box(self, place: Place) -> Box:
        """What a sheet contributes: its window up to its joins."""
        left, bottom, right, top = self.window_box(place)
        half = self.overlap_mm / 2
        return Box(
            left + half * (self.neighbour(place, 0, -1) is not None),
            bottom + half * (self.neighbour(place, 1, 0) is not None),
            right - half * (self.neighbour(place, 0, 1) is not None),
            top - half * (self.neighbour(place, -1, 0) is not None),
        )


def turned(points: Floats, turn_rad: float) -> Floats:
    """Points (..., 2) turned anticlockwise about the origin."""
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return np.asarray(np.asarray(points, dtype=np.float64) @ np.array([[cos, sin], [-sin, cos]]))


def sheets_along(length_mm: float, window_mm: float, overlap_mm: float) -> int:
    """How many overlapping windows in a row span a length.

    Parameters
    ----------
    length_mm, window_mm : float
    overlap_mm : float
        Of two neighbours; below ``window_mm``.

    Notes
    -----
    n windows span n (w - o) + o, hence the least n is (L - o) / (w - o),
    rounded up.
    """
    if window_mm <= overlap_mm:
        raise ValueError(f"a window of {window_mm} mm is used up by an overlap of {overlap_mm} mm")
    return max(1, math.ceil((length_mm - overlap_mm) / (window_mm - overlap_mm) - _EPS))


def plan_layout(
    outline_mm: Floats,
    *,
    windows: Sequence[Window],
    overlap_mm: float,
    clearance_mm: float,
    lines_mm: Sequence[Floats] = (),
    turn: Turn = "any",
) -> Layout:
    """Lay as few sheets as possible over a drawing.

    Parameters
    ----------
    outline_mm : (N, 2)
        Ring around the part.
    windows : sequence of Window
        What a sheet shows, one for each way that the paper may lie.
    overlap_mm : float
        Of neighbouring windows.
    clearance_mm : float
        Everything drawn keeps at least this far from the outer edge of the
        sheets laid together.
    lines_mm : sequence of (M, 2)
        Other lines that must be shown; words by the corners of their box.
    turn : str
        ``"none"`` keeps the drawing's own up.

    Returns
    -------
    Layout
        The fewest sheets; among equals the drawing's own up, then the smallest
        turn, then the one with the least of the outline along its joins.
    """
    area = _needed(outline_mm, lines_mm, clearance_mm)
    points = _samples(area)
    found = []
    for angle in _turns(turn):
        there = turned(points, angle)
        for window in windows:
            score, layout = _best_shift(there, angle, window, overlap_mm)
            found.append((score, layout))
    found.sort(key=lambda pair: pair[0])
    return next((layout for _, layout in found if hangs_together(layout)), found[0][1])


def _needed(outline: Floats, lines: Sequence[Floats], clearance: float) -> BaseGeometry:
    """All that must be shown, with its clearance, in one piece.

    What stands apart from the wood, such as a word beside its edge, is tied to
    it by the shortest way, so that the sheets hang together.
    """
    from shapely import LineString, Polygon, shortest_line, union_all

    wood = Polygon(outline).buffer(0)
    others = [LineString(line) for line in lines]
    ties = [shortest_line(wood, line) for line in others if not wood.intersects(line)]
    area = union_all([shape.buffer(clearance) for shape in (wood, *others, *ties)])
    # An outline that crosses itself may fall apart.
    return area if area.geom_type == "Polygon" else area.convex_hull


def _samples(area: BaseGeometry) -> Floats:
    """Points so dense that no sheet can hold part of the area and none of them."""
    from shapely import contains_xy, get_coordinates, segmentize

    rim = get_coordinates(segmentize(area.boundary, _SAMPLE_MM))
    left, bottom, right, top = area.bounds
    x, y = np.meshgrid(
        np.arange(left, right, _LATTICE_MM), np.arange(bottom, top, _LATTICE_MM), indexing="ij"
    )
    inner = contains_xy(area, x, y)
    return np.concatenate([rim, np.stack([x[inner], y[inner]], axis=-1)])


def _turns(turn: Turn) -> Iterator[float]:
    yield 0.0
    if turn == "any":
        for step in range(1, round(45 / _TURN_STEP_DEG) + 1):
            yield math.radians(step * _TURN_STEP_DEG)
            yield -math.radians(step * _TURN_STEP_DEG)


Score = tuple[int, float, int, bool]


def _best_shift(
    points: Floats, angle: float, window: Window, overlap: float
) -> tuple[Score, Layout]:
    """Try the grid in several places under the points; the fewest sheets win."""
    low, high = points.min(axis=0), points.max(axis=0)
    size = (window.width_mm, window.height_mm)
    counts = [
        sheets_along(float(extent), w, overlap) for extent, w in zip(high - low, size, strict=True)
    ]
    starts, cells, near = [], [], []
    for axis in (0, 1):
        start = _starts(float(low[axis]), float(high[axis]), counts[axis], size[axis], overlap)
        at, close = _cells(points[:, axis], start, counts[axis], size[axis], overlap)
        starts.append(start)
        cells.append(at)
        near.append(close)
    columns, rows = counts
    used = _used(cells[0], cells[1], columns, rows)
    sheets = used.sum(axis=-1)
    along_joins = near[0][:, None] + near[1][None, :]
    order = np.lexsort((along_joins.ravel(), sheets.ravel()))
    kx, ky = np.unravel_index(int(order[0]), sheets.shape)
    # Rows are counted from the bottom while searching, from the top on paper.
    kept = np.argwhere(used[kx, ky].reshape(columns, rows))
    places = sorted(Place(rows - int(j), int(i) + 1) for i, j in kept)
    layout = Layout(
        turn_rad=angle,
        window=window,
        overlap_mm=overlap,
        columns=columns,
        rows=rows,
        left_mm=float(starts[0][kx]),
        top_mm=float(starts[1][ky]) + rows * (size[1] - overlap) + overlap,
        places=tuple(places),
    )
    score = (int(sheets[kx, ky]), abs(angle), int(along_joins[kx, ky]), window.lying)
    return score, layout


def _starts(low: float, high: float, count: int, window: float, overlap: float) -> Floats:
    """Where a row of ``count`` windows may begin so as to span low..high: the middle first."""
    slack = count * (window - overlap) + overlap - (high - low)
    steps = min(_MOST_SHIFTS, math.ceil(slack / _SHIFT_MM))
    spread = np.linspace(-0.5, 0.5, steps + 1) if steps else np.zeros(1)
    spread = spread[np.argsort(np.abs(spread), kind="stable")]
    return np.asarray(low - slack / 2 + slack * spread)


def _cells(
    at: Floats, starts: Floats, count: int, window: float, overlap: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which window of the row (S, P) owns each point, and how many points (S,) lie by a join."""
    pitch = window - overlap
    share = (at[None, :] - starts[:, None] - overlap / 2) / pitch
    cell = np.clip(np.floor(share), 0, count - 1).astype(np.intp)
    if count == 1:
        return cell, np.zeros(len(starts), dtype=np.intp)
    join = np.clip(np.round(share), 1, count - 1)
    near = (np.abs(share - join) * pitch < overlap).sum(axis=1)
    return cell, near.astype(np.intp)


def _used(
    across: NDArray[np.intp], up: NDArray[np.intp], columns: int, rows: int
) -> NDArray[np.bool_]:
    """Which cells (Sx, Sy, columns * rows) hold a point, for all pairs of shifts."""
    in_column = (across[:, None, :] == np.arange(columns)[:, None]).astype(np.float32)
    in_row = (up[:, None, :] == np.arange(rows)[:, None]).astype(np.float32)
    points = in_column.shape[-1]
    # Points in both, counted for every column of every shift with every row of every shift.
    both = in_column.reshape(-1, points) @ in_row.reshape(-1, points).T
    found = both.reshape(len(across), columns, len(up), rows) > 0
    return np.asarray(found.swapaxes(1, 2).reshape(len(across), len(up), columns * rows))


def hangs_together(layout: Layout) -> bool:
    """Whether every sheet can be reached from every other one over joins."""
    reached, edge = {layout.places[0]}, [layout.places[0]]
    while edge:
        place = edge.pop()
        for down, right in ((0, 1), (1, 0), (0, -1), (-1, 0)):
            other = layout.neighbour(place, down, right)
            if other is not None and other not in reached:
                reached.add(other)
                edge.append(other)
    return len(reached) == len(layout.places)
