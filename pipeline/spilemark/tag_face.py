"""The face of one cut-out tag.

Tag millimetres: origin at the paper's top-left corner, x right, y down.  The
board's centre and the paper's centre are one point; the axis runs up the middle.
"""

from __future__ import annotations

from spilemark.card_face import chessboard
from spilemark.ink import Area, Mark, Stroke, Words
from spilemark.tags import TAG_HEIGHT_MM, TAG_SQUARE_MM, TAG_SQUARES, TAG_WIDTH_MM, Tag

_BOARD_MM = TAG_SQUARES * TAG_SQUARE_MM
_SIDE_MM = (TAG_WIDTH_MM - _BOARD_MM) / 2
_TOP_MM = (TAG_HEIGHT_MM - _BOARD_MM) / 2
_MIDDLE_MM = TAG_WIDTH_MM / 2
_TICK_MM = 0.25
_ABOVE_MM, _BELOW_MM = 4.9, TAG_HEIGHT_MM - 2.2
"""Base lines of the words above and below the board."""


def tag_face(tag: Tag) -> tuple[Mark, ...]:
    """Everything printed inside the tag's cut line."""
    marks = chessboard(tag.board, (_SIDE_MM, _TOP_MM))
    match tag.says:
        case "line":
            return (*marks, *_ticks(), *_arrow(2.4), *_line_words(tag))
        case "forward":
            return (*marks, *_arrow(4.5), _big("FORWARD", _BELOW_MM), *_to_the_bow())
        case "port" | "starboard":
            return (*marks, _big(tag.says.upper(), _ABOVE_MM), _low("on the pattern of this side"))
        case "face up":
            return (
                *marks,
                _big("THIS FACE UP", _ABOVE_MM),
                _low("in the boat: the face you see is up"),
            )
        case "face down":
            return (
                *marks,
                _big("THIS FACE DOWN", _ABOVE_MM),
                _low("in the boat: the face you see is down"),
            )


def _ticks() -> tuple[Mark, ...]:
    """From the board to both edges of the paper: they lie on the pencil line."""
    ends = ((0.0, _TOP_MM - 0.8), (TAG_HEIGHT_MM - _TOP_MM + 0.8, TAG_HEIGHT_MM))
    return tuple(
        Stroke(points=((_MIDDLE_MM, low), (_MIDDLE_MM, high)), width_mm=_TICK_MM)
        for low, high in ends
    )


def _arrow(half_mm: float) -> tuple[Mark, ...]:
    """An arrow's head towards the bow, its tip short of the paper's edge."""
    foot, tip = _TOP_MM - 1.4, 1.2
    corners = ((_MIDDLE_MM, tip), (_MIDDLE_MM + half_mm, foot), (_MIDDLE_MM - half_mm, foot))
    return (Area(loops=(corners,)),)


def _line_words(tag: Tag) -> tuple[Mark, ...]:
    left, right = _SIDE_MM, TAG_WIDTH_MM - _SIDE_MM
    return (
        Words(text=tag.name.upper(), at=(left, _ABOVE_MM), size_mm=4.0, bold=True),
        Words(text="BOW", at=(right, _ABOVE_MM), size_mm=4.0, bold=True, anchor="end"),
        Words(text="both ticks on", at=(left, _BELOW_MM), size_mm=2.6),
        Words(text="the pencil line", at=(right, _BELOW_MM), size_mm=2.6, anchor="end"),
    )


def _big(text: str, y: float) -> Words:
    size = 4.6 if len(text) < 13 else 4.2
    return Words(text=text, at=(_MIDDLE_MM, y), size_mm=size, bold=True, anchor="middle")


def _low(text: str) -> Words:
    return Words(text=text, at=(_MIDDLE_MM, _BELOW_MM), size_mm=2.4, anchor="middle")


def _to_the_bow() -> tuple[Mark, ...]:
    left, right = _SIDE_MM, TAG_WIDTH_MM - _SIDE_MM
    return (
        Words(text="to the", at=(left, _ABOVE_MM), size_mm=4.0, bold=True),
        Words(text="BOW", at=(right, _ABOVE_MM), size_mm=4.0, bold=True, anchor="end"),
    )
