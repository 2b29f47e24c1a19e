"""What stands on the part itself: side, boat, the way forward, and what its edges are called.

It stays with the wood when the sheet is cut up.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from spilemark import wording
from spilemark.corners import edge_span
from spilemark.frames import outward_normals
from spilemark.ink import Words
from spilemark.ink_files import text_width_mm, wrapped
from spilemark.lettering import Room, rectangle
from spilemark.records import Edge, Floats, JobFacts, Label, RegisteredPattern, Side, Stroke

_LARGEST_MM, _SMALLEST_MM = 26.0, 5.0
_TURNED_WORTH = 0.6
"""Upright words are taken unless turned ones could stand this much larger."""
_NAME_LETTERS = 10.0
"""A name is broken into lines when longer than the side's word, or than so many heights of its own."""
_ARROW_MM = (70.0, 18.0)
_CLEAR_MM = 3.0
_EDGE_NAME_MM = (4.0, 3.2)
_EDGE_CLEAR_MM = 2.0
_DEEPER_MM = (0.0, 4.0, 9.0)
"""How much farther in a name may stand where lines run along the edge."""


@dataclass(frozen=True, slots=True)
class _Line:
    text: str
    size_mm: float
    bold: bool = False
    dotted: bool = False
    """Led by the sign for "towards you": an arrow's tip, seen from in front."""

    @property
    def width_mm(self) -> float:
        words = Words(text=self.text, at=(0, 0), size_mm=self.size_mm, bold=self.bold)
        return text_width_mm(words) + (1.5 * self.size_mm if self.dotted else 0.0)


def letter_part(
    pattern: RegisteredPattern, facts: JobFacts, drawn: tuple[Floats, ...] = ()
) -> tuple[tuple[Stroke, ...], tuple[Label, ...]]:
    """Words and arrows on the wood, clear of its edge, holes and lines, and of what else is drawn.

    As large as the wood lets them be, upright if there is room, else turned;
    what finds no room is left out, and stands below the part only.
    """
    room = _room(pattern, drawn, 0.0)
    strokes: list[Stroke] = []
    labels: list[Label] = []
    block = _side_block(pattern, facts, drawn, room)
    if block is not None:
        strokes += block[0]
        labels += block[1]
    if pattern.forward_known:
        to_bow, words_of_arrow = _forward_arrow(room, None if block is None else block[2])
        strokes += to_bow
        labels += words_of_arrow
    labels += _edge_names(pattern, room)
    return tuple(strokes), tuple(labels)


def line_stroke(style: str, name: str, *points: tuple[float, float]) -> Stroke:
    """An open stroke of straight segments through points."""
    corners = np.array(points, dtype=np.float64)
    segments = tuple(np.stack(pair) for pair in itertools.pairwise(corners))
    return Stroke(style=style, segments=segments, closed=False, name=name)  # type: ignore[arg-type]


def arrow(tip: tuple[float, float], length_mm: float) -> list[Stroke]:
    """An arrow up the sheet, with a head that is filled by its own strokes' width."""
    x, y = tip
    wing = 0.16 * length_mm
    return [
        line_stroke("label", "forward", (x, y - length_mm), (x, y)),
        line_stroke(
            "label", "forward", (x - wing, y - 1.6 * wing), (x, y), (x + wing, y - 1.6 * wing)
        ),
    ]


def _room(pattern: RegisteredPattern, drawn: tuple[Floats, ...], turn_deg: float) -> Room:
    outline = pattern.outline
    lines = [*outline.of_role("centreline"), *outline.of_role("mark")]
    return Room(
        outline.ring.points_mm,
        [hole.points_mm for hole in outline.of_role("hole")],
        [*(line.points_mm for line in lines), *(np.concatenate([p, p[:1]]) for p in drawn)],
        clear_mm=_CLEAR_MM,
        turn_deg=turn_deg,
    )


def _lines(pattern: RegisteredPattern, facts: JobFacts, size: float) -> list[_Line]:
    """The words of the block when its side stands ``size`` mm high."""
    small = float(np.clip(0.36 * size, 3.0, 7.0))
    least = float(np.clip(0.3 * size, 2.6, 5.0))
    lines = [_Line(wording.SIDE_WORDS[pattern.side], size, bold=True)]
    longest = max(1.3 * lines[0].width_mm, _NAME_LETTERS * small)
    lines += [
        _Line(row, small)
        for text in (facts.part, facts.boat)
        if text
        for row in wrapped(text, longest, small)
    ]
    lines.append(_Line("UP: this face", small, dotted=True))
    if not pattern.forward_known:
        lines.append(_Line("FORWARD: not told", small, bold=True))
    if not pattern.outline.whole:
        lines.append(_Line("NOT WHOLE", small, bold=True))
    lines.append(_Line(wording.date_words(facts), least))
    if not pattern.measured:
        lines.append(_Line("MIRRORED COPY, not measured", small, bold=True))
    return lines


def _extent(lines: list[_Line]) -> tuple[float, float]:
    return max(line.width_mm for line in lines), sum(1.45 * line.size_mm for line in lines)


def _side_block(
    pattern: RegisteredPattern, facts: JobFacts, drawn: tuple[Floats, ...], upright: Room
) -> tuple[list[Stroke], list[Label], tuple[float, float]] | None:
    """The words, where and how large they stand best, and the middle of their place."""
    best: tuple[float, float, tuple[float, float], float] | None = None
    for turn in (0.0, *_directions(pattern)):
        room = upright if turn == 0.0 else _room(pattern, drawn, turn)
        found = _largest(pattern, facts, room)
        if found is None:
            continue
        size, middle = found
        worth = size * (1.0 if turn == 0.0 else _TURNED_WORTH)
        if best is None or worth > best[0]:
            best = (worth, size, middle, turn)
    if best is None:
        return None
    _, size, middle, turn = best
    lines = _lines(pattern, facts, size)
    upright.take(rectangle(middle, *_extent(lines), turn))
    strokes, labels = _set(lines, middle, turn)
    return strokes, labels, middle


def _directions(pattern: RegisteredPattern) -> list[float]:
    """Directions of the longest edges, so that words can run along an arm."""
    ring = pattern.outline.ring.points_mm
    longest = sorted(pattern.outline.edges, key=lambda e: -e.length_mm)[:3]
    found = [90.0]
    for edge in longest:
        chord = ring[edge.stop] - ring[edge.start]
        found.append(_readable(math.degrees(math.atan2(chord[1], chord[0]))))
    return found


def _readable(turn_deg: float) -> float:
    """The same direction, read from below or from the right."""
    return (turn_deg + 89.999) % 180.0 - 89.999


def _largest(
    pattern: RegisteredPattern, facts: JobFacts, room: Room
) -> tuple[float, tuple[float, float]] | None:
    """Largest size of the block that finds a place, by halving."""
    low, high = _SMALLEST_MM, _LARGEST_MM
    place = room.place(*_extent(_lines(pattern, facts, high)))
    if place is not None:
        return high, place
    place = room.place(*_extent(_lines(pattern, facts, low)))
    if place is None:
        return None
    for _ in range(6):
        middle = 0.5 * (low + high)
        found = room.place(*_extent(_lines(pattern, facts, middle)))
        if found is None:
            high = middle
        else:
            low, place = middle, found
    return low, place


def _set(
    lines: list[_Line], middle: tuple[float, float], turn_deg: float
) -> tuple[list[Stroke], list[Label]]:
    """Centred lines about a middle, running in a direction."""
    angle = math.radians(turn_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    up = np.array([-along[1], along[0]])
    _, height = _extent(lines)
    down = 0.5 * height
    strokes: list[Stroke] = []
    labels = []
    for line in lines:
        base = np.array(middle) + (down - 1.1 * line.size_mm) * up
        down -= 1.45 * line.size_mm
        if line.dotted:
            left = base - 0.5 * line.width_mm * along
            strokes += _towards_you(
                left + 0.5 * line.size_mm * along + 0.36 * line.size_mm * up, 0.46 * line.size_mm
            )
            base = base + 0.75 * line.size_mm * along
        labels.append(
            Label(
                text=line.text,
                at_mm=(float(base[0]), float(base[1])),
                height_mm=line.size_mm,
                turn_deg=turn_deg,
                anchor="middle",
                bold=line.bold,
            )
        )
    return strokes, labels


def _towards_you(middle: Floats, radius: float) -> list[Stroke]:
    """A circle with a dot: an arrow that points out of the sheet."""
    return [_circle(middle, radius), _circle(middle, 0.12 * radius)]


def _circle(middle: Floats, radius: float) -> Stroke:
    """Four cubics; 4 (sqrt 2 - 1) / 3 puts the middle of each on the circle."""
    k = 4.0 * (math.sqrt(2.0) - 1.0) / 3.0
    quarter = np.array([[1.0, 0.0], [1.0, k], [k, 1.0], [0.0, 1.0]])
    quarter_turn = np.array([[0.0, 1.0], [-1.0, 0.0]])
    segments = []
    for _ in range(4):
        segments.append(middle + radius * quarter)
        quarter = quarter @ quarter_turn
    return Stroke(style="label", segments=tuple(segments), closed=True, name="up")


def _forward_arrow(
    room: Room, near: tuple[float, float] | None
) -> tuple[list[Stroke], list[Label]]:
    """An arrow to the bow with its word, as long as fits, near the other words."""
    longest, shortest = _ARROW_MM
    length = longest
    while length >= shortest:
        size = float(np.clip(0.14 * length, 3.5, 8.0))
        word = Words(text="FWD", at=(0, 0), size_mm=size, bold=True)
        width = max(0.34 * length, text_width_mm(word))
        height = length + 1.5 * size
        middle = room.place(width + 2.0, height + 2.0, near)
        if middle is not None:
            room.take(rectangle(middle, width, height))
            x, top = middle[0], middle[1] + 0.5 * height
            foot = (x, top - length - 1.25 * size)
            label = Label(text="FWD", at_mm=foot, height_mm=size, anchor="middle", bold=True)
            return arrow((x, top), length), [label]
        length *= 0.85
    return [], []


def _edge_names(pattern: RegisteredPattern, room: Room) -> list[Label]:
    """Names along the edges, inside the wood, where they find room."""
    if pattern.side is Side.SINGLE and not pattern.outline.edges:
        return []
    ring = pattern.outline.ring.points_mm
    normals = outward_normals(ring)
    labels = []
    for edge in pattern.outline.edges:
        label = _edge_name(ring, normals, edge, room) if edge.name else None
        if label is not None:
            labels.append(label)
    return labels


def _edge_name(ring: Floats, normals: Floats, edge: Edge, room: Room) -> Label | None:
    span = edge_span(edge, len(ring))
    for size in _EDGE_NAME_MM:
        width = text_width_mm(Words(text=edge.name, at=(0, 0), size_mm=size))
        if width > 0.8 * edge.length_mm:
            continue
        for deeper, share in itertools.product(_DEEPER_MM, (0.5, 0.35, 0.65, 0.2, 0.8)):
            at = span[int(share * (len(span) - 1))]
            normal = normals[at]
            turn = _readable(math.degrees(math.atan2(normal[0], -normal[1])))
            inwards = _CLEAR_MM + _EDGE_CLEAR_MM + 0.5 * size + deeper
            middle = ring[at] - inwards * normal
            area = rectangle((float(middle[0]), float(middle[1])), width, 1.1 * size, turn)
            if room.is_free(area):
                room.take(area)
                up = np.array([-math.sin(math.radians(turn)), math.cos(math.radians(turn))])
                base = middle - 0.36 * size * up
                return Label(
                    text=edge.name,
                    at_mm=(float(base[0]), float(base[1])),
                    height_mm=size,
                    turn_deg=turn,
                    anchor="middle",
                )
    return None
