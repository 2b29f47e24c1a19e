"""overlay_<arm>.jpg: the photo as a person sees it, with everything that was found drawn on it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from spilemark.corners import edge_span
from spilemark.errors import CannotWrite
from spilemark.frames import mirror_across_centreline, outward_normals
from spilemark.overlay_canvas import BLUE, ORANGE, WHITE, YELLOW, Canvas, letters_per_line
from spilemark.records import Floats, Note, Outline, RegisteredPattern, Side, View
from spilemark.results import JobResult
from spilemark.rigid import apply, inverse
from spilemark.wording import SIDE_WORDS

if TYPE_CHECKING:
    from PIL import Image

_QUALITY = 85
_MOST_NOTES = 6
_LETTER_WIDTH = 0.49
"""Of its height, on the average of a sentence and some to spare."""
_LEGEND = (
    (YELLOW, False, "edge as measured; dots: corners"),
    (WHITE, True, "not seen, bridged"),
    (ORANGE, False, "reference line"),
    (BLUE, False, "scale cards: name and misfit"),
    (WHITE, False, "arrow: towards the bow; other lines on the face"),
)
_SAMPLE_LETTERS = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A note and where it lies in one photo."""

    note: Note
    at_mm: Floats | None
    """(2,) on the face, plane frame."""
    at_px: Floats | None
    """(2,) upright px, where it was told of the photo itself."""


def write_overlays(result: JobResult, folder: Path) -> tuple[Path, ...]:
    """Write ``overlay_<arm>.jpg`` for the first photo of each arm, ``overlay_<arm>_2.jpg`` for the next.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    files = []
    views = iter(result.survey.views)
    for arm, photos in result.photos.items():
        for k in range(len(photos)):
            picture = overlay(next(views), arm, result)
            path = folder / (f"overlay_{arm}.jpg" if k == 0 else f"overlay_{arm}_{k + 1}.jpg")
            try:
                picture.save(path, "JPEG", quality=_QUALITY)
            except OSError as error:
                raise CannotWrite.because(path, error) from error
            files.append(path)
    return tuple(files)


def overlay(view: View, arm: str, result: JobResult) -> Image.Image:
    """One photo with edges, lines, corners, cards, the way forward and the notes at their place."""
    outlines = result.outlines.get(arm, ())
    patterns = [p for p in result.patterns.values() if p.outline.views[0].straight.arm == arm]
    notes = _notes(view, patterns, result)
    room = letters_per_line(view.straight.photo)
    listed = [row for k, note in enumerate(notes) for row in _rows(k, note.note, room)]
    legend = _legend_places(room)
    legend_rows = legend[-1][0] + 1
    canvas = Canvas(view, legend_rows + len(listed))
    for card in view.cards:
        corners = canvas.stored(card.outline_px)
        kept = card.residuals_px[card.kept]
        misfit = f"  {np.sqrt((kept**2).mean()):.2f} px" if len(kept) else "  not used"
        canvas.path(corners, BLUE, closed=True)
        canvas.words(corners.mean(axis=0), f"{card.name}{misfit}", BLUE)
    for outline in outlines:
        _draw_outline(canvas, outline)
    for pattern in patterns:
        _draw_names(canvas, pattern)
    for k, note in enumerate(notes):
        at = canvas.upright(note.at_px) if note.at_px is not None else None
        if note.at_mm is not None:
            at = canvas.on_face(note.at_mm[None])[0]
        if at is not None:
            canvas.dot(at, ORANGE, 4.0)
            # Notes that lie together have their numbers on both sides of the place.
            aside = np.array([1.5, -1.1]) * canvas.letter * (1 if k % 2 else -1)
            canvas.words(at + aside, str(k + 1), ORANGE)
    for (row, x), (colour, dashed, text) in zip(legend, _LEGEND, strict=True):
        canvas.sample(row, x, colour, dashed=dashed)
        canvas.line_below(row, text, x=x + _SAMPLE_LETTERS)
    for row, text in enumerate(listed):
        canvas.line_below(legend_rows + row, text, ORANGE)
    return canvas.image


def _draw_outline(canvas: Canvas, outline: Outline) -> None:
    for line in (*outline.of_role("hole"), outline.ring):
        canvas.ring(canvas.on_face(line.points_mm), line.seen)
    for line in outline.of_role("mark"):
        canvas.path(canvas.on_face(line.points_mm), WHITE)
    for line in outline.of_role("centreline"):
        canvas.path(canvas.on_face(line.points_mm), ORANGE, wide=2)
    ring = canvas.on_face(outline.ring.points_mm)
    for corner in outline.corners:
        canvas.dot(ring[corner.index], YELLOW)


def _draw_names(canvas: Canvas, pattern: RegisteredPattern) -> None:
    """Side, arrow to the bow, and names along the edges, outside the wood."""
    from shapely import Polygon, maximum_inscribed_circle

    back = inverse(pattern.map)
    ring = pattern.outline.ring.points_mm
    holes = [hole.points_mm for hole in pattern.outline.of_role("hole")]
    circle = maximum_inscribed_circle(Polygon(ring, holes).buffer(0), tolerance=2.0)
    middle, rim = np.array(circle.coords)
    reach = float(np.linalg.norm(rim - middle))
    along = np.array([0.0, reach])
    places = np.array([middle - 0.1 * along, middle + 0.9 * along, middle - 0.45 * along])
    foot, tip, below = canvas.on_face(apply(back, places))
    canvas.arrow(foot, tip, WHITE)
    canvas.words(below, SIDE_WORDS[pattern.side])
    normals = outward_normals(ring)
    for edge in pattern.outline.edges:
        span = edge_span(edge, len(ring))
        at = span[len(span) // 2]
        if edge.name:
            place = canvas.on_face(apply(back, ring[at : at + 1]))[0]
            beside = canvas.on_face(apply(back, ring[at : at + 1] + 2.0 * normals[at]))[0]
            out = (beside - place) / max(float(np.linalg.norm(beside - place)), 1e-9)
            width = 0.3 * canvas.letter * len(edge.name)
            shift = np.array([width * out[0], 0.6 * canvas.letter * out[1]])
            canvas.words(place + shift + 0.9 * canvas.letter * out, edge.name, YELLOW)


def _notes(view: View, patterns: list[RegisteredPattern], result: JobResult) -> list[_Placed]:
    """Notes that have a place in this photo, warnings first."""
    found = list(_placed(view, patterns, result))
    unique = list({id(p.note): p for p in found}.values())
    unique.sort(key=lambda p: p.note.severity != "warn")
    return unique[:_MOST_NOTES]


def _placed(view: View, patterns: list[RegisteredPattern], result: JobResult) -> Iterator[_Placed]:
    name = view.straight.photo.path.name
    for note in result.notes:
        if note.photo == name and note.at_px is not None:
            yield _Placed(note, None, np.array(note.at_px))
    comparison = result.comparison.notes if result.comparison is not None else ()
    for pattern in patterns:
        back = inverse(pattern.map)
        for note in (*pattern.outline.notes, *pattern.notes):
            if note.at_mm is not None:
                yield _Placed(note, apply(back, np.array([note.at_mm]))[0], None)
        for note in comparison:
            if note.at_mm is not None:
                # A comparison is told on port's edge; starboard has its like across the boat.
                at = np.array([note.at_mm])
                if pattern.side is Side.STARBOARD:
                    at = mirror_across_centreline(at)
                yield _Placed(note, apply(back, at)[0], None)


def _rows(number: int, note: Note, room: float) -> list[str]:
    return textwrap.wrap(
        note.text,
        max(20, int(room / _LETTER_WIDTH)),
        initial_indent=f"{number + 1}  ",
        subsequent_indent="    ",
    )


def _legend_places(room: float) -> list[tuple[int, float]]:
    """Row and place, in letters from the left, of each sample."""
    row, x = 0, 0.0
    places = []
    for _, _, text in _LEGEND:
        width = _SAMPLE_LETTERS + _LETTER_WIDTH * len(text) + 2.0
        if x > 0 and x + width > room:
            row, x = row + 1, 0.0
        places.append((row, x))
        x += width
    return places
