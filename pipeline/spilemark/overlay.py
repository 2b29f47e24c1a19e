"""overlay_<arm>.jpg: the photo as a person sees it, with everything that was found drawn on it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from spilemark.corners import edge_span
from spilemark.errors import CannotWrite
from spilemark.frames import mirror_across_centreline, outward_normals
from spilemark.overlay_canvas import (
    BLUE,
    ORANGE,
    PALE,
    WHITE,
    YELLOW,
    Canvas,
    Colour,
    letters_per_line,
)
from spilemark.overlay_plates import Plates
from spilemark.records import CardSighting, Floats, Note, Outline, RegisteredPattern, Side, View
from spilemark.results import JobResult
from spilemark.rigid import apply, inverse
from spilemark.wording import SIDE_WORDS

if TYPE_CHECKING:
    from PIL import Image

_QUALITY = 85
_MOST_NOTES = 6
_LETTER_WIDTH = 0.49
"""Of its height, on the average of a sentence and some to spare."""
_Key = tuple[Colour, bool, str]
"""One entry of the legend: colour, dashed or not, words."""
_SAMPLE_LETTERS = 3.0
_FIT = ((0.25, "good"), (0.6, "fair"))
"""Misfit of a card's crossings, px, up to which it is called so; one in a sharp photo has 0.1."""
_PAPER = 1.25
"""A card's paper over its chessboard."""
_ALONG = (0.5, 0.35, 0.65, 0.2, 0.8)
"""Shares of an edge's length beside which its name may stand."""


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
    laid = any(p.outline.of_role("centreline") for p in patterns)
    keys = _keys(view, outlines, laid=laid, numbered=bool(notes))
    legend = _legend_places(keys, room)
    legend_rows = legend[-1][0] + 1
    canvas = Canvas(view, legend_rows + len(listed))
    for paper in view.papers:
        canvas.path(canvas.stored(paper.outline_px), BLUE, closed=True)
    places = [_place_of(note, canvas) for note in notes]
    for at in places:
        if at is not None:
            canvas.circle(at, ORANGE)
    for outline in outlines:
        _draw_outline(canvas, outline)
    plates = Plates(canvas, _occupied(canvas, view, outlines))
    for pattern in patterns:
        for line in pattern.outline.of_role("centreline"):
            ends = apply(inverse(pattern.map), line.points_mm)
            canvas.path(canvas.on_face(ends), ORANGE, wide=2)
        _draw_side(canvas, pattern)
        _name_edges(canvas, plates, pattern)
    for k, at in enumerate(places):
        if at is not None:
            plates.around(str(k + 1), at, ORANGE)
    for card in view.cards:
        # Beside the card: on it the words would hide the cross, and what was read.
        _name_card(canvas, plates, card)
    for (row, x), (colour, dashed, text) in zip(legend, keys, strict=True):
        canvas.sample(row, x, colour, dashed=dashed)
        canvas.line_below(row, text, x=x + _SAMPLE_LETTERS)
    for row, text in enumerate(listed):
        canvas.line_below(legend_rows + row, text, ORANGE)
    return canvas.image


def _keys(
    view: View, outlines: Iterable[Outline], *, laid: bool = False, numbered: bool
) -> list[_Key]:
    """What the legend has to explain: only what is drawn."""
    drawn = {line.role for outline in outlines for line in outline.polylines}
    bridged = any(not line.seen.all() for o in outlines for line in o.of_role("hole"))
    bridged = bridged or any(not o.ring.seen.all() for o in outlines)
    keys: list[_Key] = [(YELLOW, False, "edge as measured; dots: corners")] if outlines else []
    if bridged:
        keys.append((WHITE, True, "not seen, bridged"))
    if laid or "centreline" in drawn:
        keys.append((ORANGE, False, "pencil line"))
    if view.cards:
        keys.append((BLUE, False, "scale card and how well it fits"))
    if view.tags:
        keys.append((BLUE, False, "printed tag: " + ", ".join(tag.name for tag in view.tags)))
    if "mark" in drawn:
        keys.append((WHITE, False, "other lines on the face"))
    if numbered:
        keys.append((ORANGE, False, "rings with numbers: see below"))
    return keys or [(YELLOW, False, "nothing was found")]


def _name_card(canvas: Canvas, plates: Plates, card: CardSighting) -> None:
    board = canvas.stored(card.outline_px)
    middle = board.mean(axis=0)
    paper = middle + _PAPER * (board - middle)
    sides = (paper + np.roll(paper, -1, axis=0)) / 2
    spots = [(side, side - middle) for side in sorted(sides, key=lambda s: -s[1])]
    plates.name(f"{card.name}  {_fit_word(card)}", spots, BLUE)


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


def _fit_word(card: CardSighting) -> str:
    """How well a card's crossings fit, in a word."""
    kept = card.residuals_px[card.kept]
    if not len(kept):
        return "not used"
    misfit = float(np.sqrt((kept**2).mean()))
    return next((word for most, word in _FIT if misfit <= most), "poor")


def _place_of(note: _Placed, canvas: Canvas) -> Floats | None:
    """Where a note is marked in the picture."""
    if note.at_mm is not None:
        return np.asarray(canvas.on_face(note.at_mm[None])[0])
    return canvas.upright(note.at_px) if note.at_px is not None else None


def _occupied(canvas: Canvas, view: View, outlines: Iterable[Outline]) -> list[Floats]:
    """What no plate should cover: cards and wood."""
    cards = []
    for card in view.papers:
        board = canvas.stored(card.outline_px)
        middle = board.mean(axis=0)
        # The paper round a board carries its name.
        cards.append(middle + _PAPER * (board - middle))
    return [*cards, *(canvas.on_face(o.ring.points_mm) for o in outlines)]


def _draw_side(canvas: Canvas, pattern: RegisteredPattern) -> None:
    """Side and the way forward, in the middle of the wood."""
    from shapely import Polygon, maximum_inscribed_circle

    back = inverse(pattern.map)
    ring = pattern.outline.ring.points_mm
    holes = [hole.points_mm for hole in pattern.outline.of_role("hole")]
    circle = maximum_inscribed_circle(Polygon(ring, holes).buffer(0), tolerance=2.0)
    middle, rim = np.array(circle.coords)
    along = np.array([0.0, float(np.linalg.norm(rim - middle))])
    side = SIDE_WORDS[pattern.side]
    if not pattern.forward_known:
        canvas.words(canvas.on_face(apply(back, middle[None]))[0], side, PALE)
        return
    foot, tip = canvas.on_face(apply(back, np.stack([middle - 0.2 * along, middle + 0.5 * along])))
    canvas.arrow(foot, tip, WHITE)
    canvas.words(canvas.beside("FWD", tip, tip - foot, 0.4), "FWD", PALE)
    canvas.words(_on_wood(canvas, pattern, side, foot, tip), side, PALE)


def _on_wood(
    canvas: Canvas, pattern: RegisteredPattern, text: str, foot: Floats, tip: Floats
) -> Floats:
    """Where words near an arrow hide least: behind it or on either side, on the wood, off its lines."""
    from shapely import LineString, Polygon, box

    outline = pattern.outline
    wood = Polygon(canvas.on_face(outline.ring.points_mm)).buffer(-canvas.letter / 4)
    lines = [LineString([foot, tip])]
    lines += [LineString(canvas.on_face(x.points_mm)) for x in outline.of_role("centreline")]
    along = tip - foot
    across = np.array([-along[1], along[0]])
    places = [
        canvas.beside(text, place, way, 0.5)
        for place in (foot, (foot + tip) / 2)
        for way in (-along, across, -across, across - along, -across - along)
    ]

    def hidden(at: Floats) -> float:
        plate = box(*canvas.plate(at, text))
        crossed = sum(plate.intersection(line.buffer(canvas.letter / 4)).area for line in lines)
        return float(plate.difference(wood).area + 4 * crossed)

    return min(places, key=hidden)


def _name_edges(canvas: Canvas, plates: Plates, pattern: RegisteredPattern) -> None:
    """Names beside the edges, outside the wood, the shortest edge first: it has the least choice."""
    back = inverse(pattern.map)
    ring = pattern.outline.ring.points_mm
    normals = outward_normals(ring)
    for edge in sorted(pattern.outline.edges, key=lambda e: e.length_mm):
        if not edge.name:
            continue
        span = edge_span(edge, len(ring))
        at = span[[round(share * (len(span) - 1)) for share in _ALONG]]
        here = canvas.on_face(apply(back, ring[at]))
        beside = canvas.on_face(apply(back, ring[at] + 2.0 * normals[at]))
        plates.name(edge.name, [*zip(here, beside - here, strict=True)], YELLOW)


def _notes(view: View, patterns: list[RegisteredPattern], result: JobResult) -> list[_Placed]:
    """Notes that have a place in this photo, warnings first."""
    found = [p for p in _placed(view, patterns, result) if not _slight(p.note)]
    unique = list({id(p.note): p for p in found}.values())
    unique.sort(key=lambda p: p.note.severity != "warn")
    return unique[:_MOST_NOTES]


def _slight(note: Note) -> bool:
    """Whether it tells of a difference that is not proved to pass the tolerance."""
    return note.code == "difference-seen" and note.severity == "info"


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


def _legend_places(keys: Sequence[_Key], room: float) -> list[tuple[int, float]]:
    """Row and place, in letters from the left, of each sample."""
    row, x = 0, 0.0
    places = []
    for _, _, text in keys:
        width = _SAMPLE_LETTERS + _LETTER_WIDTH * len(text) + 2.0
        if x > 0 and x + width > room:
            row, x = row + 1, 0.0
        places.append((row, x))
        x += width
    return places
