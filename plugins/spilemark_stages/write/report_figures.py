"""Pictures of report.html: photos with what was found, and each pattern with its doubt and notes."""

from __future__ import annotations

import base64
import io
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from spilemark.difference_figure import figure
from spilemark.difference_panel import BAND
from spilemark.fairness_figure import fairness_figure
from spilemark.figure_page import FONT
from spilemark.frames import outward_normals
from spilemark.overlay import overlay
from spilemark.records import Floats, RegisteredPattern
from spilemark.results import JobResult
from spilemark.template import straight_ends
from spilemark.uncertainty import u95_fit

if TYPE_CHECKING:
    from PIL import Image

_WIDTH_MM, _HEIGHT_MM, _MARGIN_MM = 180.0, 120.0, 13.0
_BAND_MM = 4.0
"""The band of doubt is drawn about so wide at its widest."""
_FACTORS = (1, 2, 3, 5, 10, 20, 30, 50, 100, 200)
_STEP_MM = 0.5
_DOT_MM = 3.1
_MOST_PHOTOS = 8
_QUALITY, _LOW_QUALITY = 76, 62


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo for the page."""

    name: str
    data: str
    """Of a ``data:`` address: JPEG, base64."""
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing for the page, as the text of an ``svg`` element, and how its doubt was enlarged."""

    svg: str
    factor: int = 1


def photos(result: JobResult, folder: Path) -> tuple[Picture, ...]:
    """Overlays of the first photos at half their size: the page stays light.

    Taken from the job's own overlays where these stand in the folder.
    """
    from PIL import Image

    every = [(arm, k) for arm, group in result.photos.items() for k in range(len(group))]
    shown = every[:_MOST_PHOTOS]
    quality = _QUALITY if len(shown) <= 4 else _LOW_QUALITY
    pictures = []
    for view, (arm, k) in zip(result.survey.views, shown, strict=False):
        path = folder / (f"overlay_{arm}.jpg" if k == 0 else f"overlay_{arm}_{k + 1}.jpg")
        image = Image.open(path) if path.is_file() else overlay(view, arm, result)
        pictures.append(_picture(image, view.straight.photo.path.name, quality))
    return tuple(pictures)


def _picture(image: Image.Image, name: str, quality: int) -> Picture:
    half = (max(1, image.width // 2), max(1, image.height // 2))
    # A JPEG decoder halves for nothing.
    image.draft("RGB", half)
    small = image.convert("RGB")
    if small.width > half[0] + 1:
        small = small.reduce(2)
    store = io.BytesIO()
    small.save(store, "JPEG", quality=quality)
    data = base64.b64encode(store.getvalue()).decode("ascii")
    return Picture(name, data, small.width, small.height)


def difference(result: JobResult, folder: Path) -> str:
    """The job's difference figure as an ``svg`` element; empty without a comparison.

    Of a part on the centreline: that of its halves.
    """
    comparison, name = result.comparison, "difference.svg"
    if comparison is None and result.halves is not None:
        comparison, name = result.halves.comparison, "halves.svg"
    if comparison is None:
        return ""
    path = folder / name
    text = path.read_text(encoding="utf-8") if path.is_file() else figure(comparison, result.facts)
    return text[text.index("<svg") :].strip()


def fair_edges(result: JobResult) -> list[str]:
    """How fair the edges of each pattern are, as ``svg`` elements."""
    drawn = (fairness_figure(pattern, result.facts) for pattern in result.patterns.values())
    return [text for text in drawn if text]


def doubt_figure(
    pattern: RegisteredPattern, numbered: Sequence[tuple[int, tuple[float, float]]]
) -> Figure:
    """One pattern with the band in which its edge lies, enlarged, and numbers of notes.

    Parameters
    ----------
    pattern : RegisteredPattern
    numbered : sequence of (number, (x, y) in the pattern's frame, mm)
    """
    import svgwrite

    ring = pattern.outline.ring
    points = ring.points_mm
    low, high = points.min(axis=0), points.max(axis=0)
    room = np.array([_WIDTH_MM, _HEIGHT_MM]) - 2 * _MARGIN_MM
    scale = float((room / np.maximum(high - low, 1e-6)).min())
    middle = (low + high) / 2
    height = float((high - low)[1]) * scale + 2 * _MARGIN_MM

    def paper(p: Floats) -> Floats:
        flipped = (np.asarray(p) - middle) * [scale, -scale]
        return np.asarray(flipped + [_WIDTH_MM / 2, height / 2])

    doubt = u95_fit(ring)
    factor = max(
        [f for f in _FACTORS if f * float(np.quantile(doubt, 0.98)) <= _BAND_MM], default=1
    )
    drawing = svgwrite.Drawing(size=("100%", "auto"), debug=False)
    drawing.viewbox(0, 0, _WIDTH_MM, round(height, 2))
    drawing["role"] = "img"
    del drawing.attribs["height"]
    keep = _thinned(paper(points))
    edge = paper(points)[keep]
    normals = (outward_normals(points) * [1.0, -1.0])[keep]
    reach = (factor * doubt[keep])[:, None] * normals
    band = f"{_path(edge + reach)} {_path((edge - reach)[::-1])}"
    drawing.add(drawing.path(d=band, fill=BAND, fill_rule="evenodd"))
    for hole in pattern.outline.of_role("hole"):
        drawing.add(_line(drawing, paper(hole.points_mm), 0.4))
    for line in pattern.outline.of_role("centreline"):
        ends = paper(straight_ends(line.points_mm))
        drawing.add(
            drawing.path(
                d=_path(ends, closed=False),
                stroke="black",
                stroke_width=0.3,
                stroke_dasharray="5 1.2 1.2 1.2",
                fill="none",
            )
        )
    drawing.add(_line(drawing, edge, 0.5))
    unseen = ~ring.seen[keep]
    for a, b in itertools.pairwise([*range(len(edge)), 0]):
        if unseen[a] or unseen[b]:
            drawing.add(
                drawing.line(edge[a].tolist(), edge[b].tolist(), stroke="white", stroke_width=0.3)
            )
    for number, at in numbered:
        x, y = (round(float(v), 2) for v in paper(np.array(at)))
        drawing.add(
            drawing.circle((x, y), _DOT_MM, fill="white", stroke="black", stroke_width=0.35)
        )
        drawing.add(
            drawing.text(
                str(number),
                insert=(x, round(y + 1.25, 2)),
                font_size=3.6 if number < 100 else 2.6,
                font_family=FONT,
                font_weight="bold",
                text_anchor="middle",
            )
        )
    text: str = drawing.tostring()
    return Figure(text, factor)


def _line(drawing: object, points: Floats, width: float) -> object:
    return drawing.path(  # type: ignore[attr-defined]
        d=_path(points), stroke="black", stroke_width=width, stroke_linejoin="round", fill="none"
    )


def _path(points: Floats, *, closed: bool = True) -> str:
    moves = " L".join(f"{x:.2f},{y:.2f}" for x, y in points)
    return f"M{moves}{' Z' if closed else ''}"


def _thinned(points: Floats) -> NDArray[np.intp]:
    """Indices of points that lie a step apart."""
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    keep = np.concatenate([[True], np.diff(np.floor(run / _STEP_MM)) > 0])
    return np.flatnonzero(keep)
