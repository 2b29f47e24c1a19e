"""Photographs of a printed grid of coded squares, read with the project's own hands.

A grid is described by a JSON file beside its photos (``NAME__...config.json``
describes the photos called ``NAME__...``; a file without ``__`` all of them):

    {"parameters": {"width": 6, "height": 4, "marker_size": 0.0309, "marker_spacing": 0.0077,
                    "dictionary_id": 10, "border_bits": 1, "enable_symm_corners": false,
                    "reverse_x": false, "reverse_y": false}}

in metres; ids run row by row from 0.  ``dictionary_id`` is OpenCV's number;
``enable_symm_corners`` says that small black squares join the corners of the
tags, which makes a crossing of each corner.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from printed_edges import PrintedLines, where_seen

from spilemark.cards import Card
from spilemark.errors import SpilemarkError
from spilemark.records import Bools, Floats, Photo
from spilemark_stages.read import file as reader
from spilemark_stages.rectify.crossings import refine_crossings
from spilemark_stages.rectify.detect import apply_homography
from spilemark_stages.rectify.measure import grey_of
from spilemark_stages.trace.photometry import LinearPhoto

PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic"}
SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
"""Corners of a tag, clockwise from its top left, in units of its side; y down."""
_OUTWARD = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
"""Of the sides that begin at these corners."""
_CHUNKS = 3
"""Parts of a side that are placed apart, so that a line can be laid through them."""
_NEAR_PX = 3.0
_FEWEST_TAGS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """What was printed; millimetres."""

    columns: int
    rows: int
    side_mm: float
    gap_mm: float
    dictionary: int
    border_bits: int = 1
    bits: int = 6
    joined: bool = False
    """Whether black squares in the gaps join the tags' corners."""
    from_right: bool = False
    from_below: bool = False

    @property
    def pitch_mm(self) -> float:
        """From one tag to the next."""
        return self.side_mm + self.gap_mm

    @property
    def border_mm(self) -> float:
        """Width of a tag's black rim."""
        return self.side_mm * self.border_bits / (self.bits + 2 * self.border_bits)

    def corners_mm(self, tag: int) -> Floats:
        """Corners (4, 2) of a tag, clockwise from its top left."""
        column, row = tag % self.columns, tag // self.columns
        column = self.columns - 1 - column if self.from_right else column
        row = self.rows - 1 - row if self.from_below else row
        return np.asarray(self.pitch_mm * np.array([column, row]) + self.side_mm * SQUARE)


@dataclass(frozen=True, slots=True, kw_only=True)
class GridCard(Card):
    """A grid as the joint solve takes a card: its points are centres of tags, or their corners."""

    grid: Grid

    @property
    def size_mm(self) -> tuple[float, float]:
        """All of the grid."""
        grid = self.grid
        width, height = (n * grid.pitch_mm - grid.gap_mm for n in (grid.columns, grid.rows))
        return width, height

    def crossings_mm(self) -> Floats:
        """Centres (N, 2) of the tags by number; where they are joined, corners (4 N, 2)."""
        tags = range(self.grid.columns * self.grid.rows)
        corners = np.array([self.grid.corners_mm(tag) for tag in tags])
        return corners.reshape(-1, 2) if self.grid.joined else corners.mean(axis=1)


def card_of(grid: Grid) -> GridCard:
    """The grid as a card."""
    return GridCard(
        name="A",
        columns=grid.columns,
        rows=grid.rows,
        square_mm=grid.pitch_mm,
        marker_mm=grid.side_mm,
        first_id=0,
        grid=grid,
    )


@dataclass(frozen=True, slots=True, eq=False)
class SeenGrid:
    """A grid in one photo."""

    grid: Grid
    photo: Photo
    tags: tuple[int, ...]
    """Tags of which all four sides were placed."""
    which: Floats
    """(M,) points of ``GridCard`` that were measured."""
    points_px: Floats
    """(M, 2) their places, immune to a shift of the borders."""


class CodedPhoto(LinearPhoto):
    """The same photo with its tone curve left as it is: values as stored, 0..1."""

    def _bilinear(self, maps: Any) -> Any:
        full = np.float32(np.iinfo(self._pixels.dtype).max)
        seen = cv2.remap(
            self._pixels, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(seen, np.float32).reshape(*maps.shape[:2], self.channels) / full


def grids_in(folder: Path) -> list[tuple[Grid, tuple[Path, ...]]]:
    """Each grid that a folder describes, with its photos."""
    every = sorted(p for p in folder.iterdir() if p.suffix.lower() in PICTURES)
    found = []
    for path in sorted(folder.glob("*config.json")):
        prefix = path.name.rpartition("__")[0]
        photos = tuple(p for p in every if p.name.startswith(prefix))
        found.append((grid_from(json.loads(path.read_text(encoding="utf-8"))), photos))
    return found


def grid_from(told: dict[str, Any]) -> Grid:
    """A grid from its description."""
    p = told["parameters"]
    number = int(p["dictionary_id"])
    return Grid(
        columns=int(p["width"]),
        rows=int(p["height"]),
        side_mm=1000.0 * p["marker_size"],
        gap_mm=1000.0 * p["marker_spacing"],
        dictionary=number,
        bits=int(cv2.aruco.getPredefinedDictionary(number).markerSize),
        border_bits=int(p.get("border_bits", 1)),
        joined=bool(p.get("enable_symm_corners", False)),
        from_right=bool(p.get("reverse_x", False)),
        from_below=bool(p.get("reverse_y", False)),
    )


def read(path: Path) -> Photo:
    """One photo, as the pipeline reads it."""
    return reader.read_source(path=path, is_scan=False, options=reader.Options())


def look(photo: Photo, grid: Grid) -> SeenGrid:
    """Find a grid in a photo and measure its points."""
    rough = _rough_corners(photo, grid)
    if len(rough) < _FEWEST_TAGS:
        raise SpilemarkError(
            f"{photo.path.name}: only {len(rough)} tags of the grid could be read.",
            "Is it the grid that the description tells?",
        )
    sharp = _by_sides(photo, grid, rough)
    if not grid.joined:
        which = np.array(sorted(sharp))
        centres = np.array([crossing_of_diagonals(sharp[tag]) for tag in which])
        return SeenGrid(grid, photo, tuple(which), which, centres)
    which, points = _crossings(photo, grid, sharp)
    return SeenGrid(grid, photo, tuple(sorted(sharp)), which, points)


def crossing_of_diagonals(corners: Floats) -> Floats:
    """Centre (2,) of a square seen in perspective, from its corners (4, 2)."""
    a, b, c, d = corners
    along = np.linalg.solve(np.stack([c - a, b - d], axis=-1), b - a)[0]
    return np.asarray(a + along * (c - a))


def _rough_corners(photo: Photo, grid: Grid) -> dict[int, Floats]:
    """Corners (4, 2) px by tag, to a px or so: only to know where to look."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.markerBorderBits = grid.border_bits
    dictionary = cv2.aruco.getPredefinedDictionary(grid.dictionary)
    quads, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(
        grey_of(photo.pixels)
    )
    known = range(grid.columns * grid.rows)
    read_ones = [
        (int(tag), np.asarray(quad, np.float64).reshape(4, 2))
        for tag, quad in zip(np.ravel(ids if ids is not None else []), quads, strict=True)
        if int(tag) in known
    ]
    if not read_ones:
        return {}
    flat = np.concatenate([grid.corners_mm(tag) for tag, _ in read_ones])
    seen = np.concatenate([quad for _, quad in read_ones])
    fitted, _ = cv2.findHomography(flat, seen, cv2.RANSAC, 8.0)
    if fitted is None:
        return {}
    away = np.linalg.norm(apply_homography(np.array(fitted), flat) - seen, axis=1)
    whole = away.reshape(-1, 4).max(axis=1) < 12.0
    return {tag: quad for (tag, quad), good in zip(read_ones, whole, strict=True) if good}


def side_lines(corners: Floats, clear_px: float, chunks: int = 1) -> PrintedLines:
    """The sides of tags with corners (T, 4, 2) px, each in ``chunks`` parts: T, side, part."""
    start, stop = corners, np.roll(corners, -1, axis=1)
    share = np.linspace(0.12, 0.88, chunks + 1) if chunks > 1 else np.array([0.0, 1.0])
    first, last = (
        start[:, :, None] + s[:, None] * (stop - start)[:, :, None] for s in (share[:-1], share[1:])
    )
    outward = start + stop - corners.sum(axis=1, keepdims=True) / 2
    return PrintedLines(
        start_px=first.reshape(-1, 2),
        stop_px=last.reshape(-1, 2),
        white_px=np.repeat(outward.reshape(-1, 2), chunks, axis=0),
        clear_px=clear_px,
    )


def clear_px(grid: Grid, corners: Floats) -> float:
    """How far black and white reach beside a tag's side, in the smallest tag of (T, 4, 2) px."""
    sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    return float(sides.min() / grid.side_mm * min(grid.gap_mm, grid.border_mm))


def _by_sides(photo: Photo, grid: Grid, rough: dict[int, Floats]) -> dict[int, Floats]:
    """Corners (4, 2) px by tag, where lines laid through its sides meet."""
    light = LinearPhoto(photo.pixels)
    corners = np.array(list(rough.values()))
    for _ in range(2):
        lines = side_lines(corners, clear_px(grid, corners), _CHUNKS)
        away = where_seen(light, lines)
        middle = 0.5 * (lines.start_px + lines.stop_px) + away[:, None] * lines.across_px
        met = [_meeting(parts) for parts in middle.reshape(-1, 4, _CHUNKS, 2)]
        # Where a side could not be placed its tag stays as it is, and is left out in the end.
        corners = np.where(np.isfinite(met).all(axis=(1, 2), keepdims=True), met, corners)
    whole = np.isfinite(met).all(axis=(1, 2))
    return {tag: quad for tag, quad, good in zip(rough, corners, whole, strict=True) if good}


def _meeting(sides: Floats) -> Floats:
    """Corners (4, 2) of a tag from points (4, P, 2) on its sides; NaN where one has none."""
    if not np.isfinite(sides).all():
        return np.full((4, 2), np.nan)
    lines = []
    for points in sides:
        middle = points.mean(axis=0)
        along = np.linalg.svd(points - middle)[2][0]
        normal = np.array([-along[1], along[0]])
        lines.append((normal, normal @ middle))
    normals, reach = (np.array(column) for column in zip(*lines, strict=True))
    pairs = [(k - 1, k) for k in range(4)]
    return np.array([np.linalg.solve(normals[list(p)], reach[list(p)]) for p in pairs])


def _crossings(photo: Photo, grid: Grid, tags: dict[int, Floats]) -> tuple[Floats, Floats]:
    """Numbers (M,) and places (M, 2) of the corners that small squares make crossings of."""
    which = np.concatenate([4 * tag + np.arange(4) for tag in tags])
    corners = np.array(list(tags.values()))
    side = (np.roll(corners, -1, axis=1) - corners) / grid.side_mm
    # Of the two sides that end at a corner, one runs about right or left, the other up or down.
    right = np.stack([side[:, 0], side[:, 0], -side[:, 2], -side[:, 2]], axis=1)
    down = np.stack([-side[:, 3], side[:, 1], side[:, 1], -side[:, 3]], axis=1)
    steps = grid.gap_mm * np.stack([right, down], axis=2).reshape(-1, 2, 2)
    # The nearest other edge is that of the code, or of the next tag.
    share = min(1.0, grid.border_mm / grid.gap_mm) * 0.8
    guess = corners.reshape(-1, 2)
    seen = refine_crossings(photo.pixels, guess, steps, share)
    good: Bools = seen.good & (np.linalg.norm(seen.points_px - guess, axis=1) < _NEAR_PX)
    return which[good], seen.points_px[good]
