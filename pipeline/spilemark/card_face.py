"""The face of one cut-out scale card.

Card millimetres: origin at the paper's top-left corner, x right, y down.  The
chessboard's centre, the tape cross and the paper's centre are one point.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from spilemark.cards import SHOP_DICTIONARY, Card
from spilemark.errors import UsageError
from spilemark.ink import Area, Loop, Mark, Point, Stroke, Words, box

SIDE_MARGIN_MM = 12.0
"""Left and right of the chessboard: room for a name that is read at arm's length."""
TOP_MARGIN_MM = 7.0
BITS = 5
CODES_FILE = "card_codes.txt"

_HAIRLINE_MM = 0.2
_CROSS_MM = 0.12
_SMALL_MM = 2.6
_NAME_MM = 10.0


@cache
def marker_codes() -> tuple[str, ...]:
    """Bits of the coded squares, by id: 25 characters, row by row, 1 is white.

    The table holds the first ids of the dictionary that OpenCV calls
    ``DICT_5X5_1000``, written once from ``cv2.aruco.generateImageMarker`` so
    that drawing a card needs no OpenCV.
    """
    table = files("spilemark").joinpath(CODES_FILE).read_text(encoding="ascii")
    return tuple("".join(line.split()[1:]) for line in table.splitlines())


def card_size_mm(card: Card) -> tuple[float, float]:
    """Width and height of the cut-out card."""
    width, height = card.size_mm
    return width + 2 * SIDE_MARGIN_MM, height + 2 * TOP_MARGIN_MM


def card_face(card: Card) -> tuple[Mark, ...]:
    """Everything printed inside the card's cut line.

    Raises
    ------
    UsageError
        If the card's coded squares are not those of the built-in set.
    """
    return (
        *chessboard(card, (SIDE_MARGIN_MM, TOP_MARGIN_MM)),
        *_tape_cross(card),
        *_edge_ticks(card),
        *_words(card),
    )


def chessboard(card: Card, corner: Point) -> tuple[Mark, ...]:
    """The squares of a card or tag, its top-left one at ``corner``; raises as `card_face`."""
    return (
        Area(loops=_black_squares(card, corner)),
        *(Area(loops=_coded_square(card, corner, *place)) for place in card.marker_squares()),
    )


def _black_squares(card: Card, corner: Point) -> tuple[Loop, ...]:
    side = card.square_mm
    return tuple(
        box(corner[0] + c * side, corner[1] + r * side, side, side)
        for r in range(card.rows)
        for c in range(card.columns)
        if (c + r) % 2 == 0
    )


def _coded_square(
    card: Card, corner: Point, marker_id: int, column: int, row: int
) -> tuple[Loop, ...]:
    """The marker's black square and, as loops inside it, its white cells."""
    codes = marker_codes()
    if marker_id >= len(codes):
        raise UsageError(
            f"Card {card.name} asks for coded square {marker_id}, but only "
            f"{len(codes)} of {SHOP_DICTIONARY} can be printed.",
            "Print one of the built-in cards.",
        )
    inset = (card.square_mm - card.marker_mm) / 2
    x = corner[0] + column * card.square_mm + inset
    y = corner[1] + row * card.square_mm + inset
    cell = card.marker_mm / (BITS + 2)
    white = [divmod(k, BITS) for k, bit in enumerate(codes[marker_id]) if bit == "1"]
    return (
        box(x, y, card.marker_mm, card.marker_mm),
        *(box(x + (c + 1) * cell, y + (r + 1) * cell, cell, cell) for r, c in white),
    )


def _tape_cross(card: Card) -> tuple[Mark, ...]:
    """Fine diagonal cross on the middle crossing, and pointers that lead the eye to it.

    Each line has its twin turned by 180 degrees about the crossing, so that a
    symmetric saddle fit is not pulled.  The cross is finer than a pixel of a
    photo, and between cross and pointers the corner is as bare as any other:
    there its contrast is read.
    """
    x, y = (side / 2 for side in card_size_mm(card))
    # The square up and left of an even board's centre has the colour of the top-left one: black.
    black_slope = 1 if (card.columns // 2 + card.rows // 2) % 2 == 0 else -1
    cross, pointer = (0.35, 1.05), (0.2 * card.square_mm, 0.47 * card.square_mm)
    lines = (
        (black_slope, cross, _CROSS_MM, 1.0),
        (-black_slope, cross, _CROSS_MM, 0.0),
        (black_slope, pointer, _HAIRLINE_MM, 1.0),
    )
    return tuple(
        Stroke(
            points=(
                (x + sign * near, y + sign * slope * near),
                (x + sign * far, y + sign * slope * far),
            ),
            width_mm=width,
            grey=grey,
        )
        for slope, (near, far), width, grey in lines
        for sign in (1, -1)
    )


def _edge_ticks(card: Card) -> tuple[Mark, ...]:
    """Ticks at the four edges in line with the cross, for a tape laid over it."""
    width, height = card_size_mm(card)
    x, y = width / 2, height / 2
    long = 4.0
    ends = (
        ((x, 0.0), (x, long)),
        ((x, height - long), (x, height)),
        ((0.0, y), (long, y)),
        ((width - long, y), (width, y)),
    )
    return tuple(Stroke(points=pair, width_mm=_HAIRLINE_MM) for pair in ends)


def _words(card: Card) -> tuple[Mark, ...]:
    width, height = card_size_mm(card)
    left, right = SIDE_MARGIN_MM, width - SIDE_MARGIN_MM
    above, below = 4.1, height - 2.6
    name_at = 12.5
    names = tuple(
        Words(text=card.name, at=(x, y), size_mm=_NAME_MM, bold=True, anchor="middle")
        for x in (SIDE_MARGIN_MM / 2, width - SIDE_MARGIN_MM / 2)
        for y in (name_at, height - name_at + 0.73 * _NAME_MM)
    )
    tape = "tape from the fine cross in the middle"
    return (
        *names,
        Words(text=f"card {card.name}: lay flat", at=(left, above), size_mm=_SMALL_MM),
        Words(text=tape, at=(right, above), size_mm=_SMALL_MM, anchor="end"),
        Words(text=f"squares {card.square_mm:g} mm", at=(left, below), size_mm=_SMALL_MM),
        Words(text="across the sheet", at=(right - 12, below), size_mm=_SMALL_MM, anchor="end"),
        *_arrow(right - 10.5, right, below - 0.9),
    )


def _arrow(start: float, tip: float, y: float) -> tuple[Mark, ...]:
    head = 2.2
    return (
        Stroke(points=((start, y), (tip - head, y)), width_mm=_HAIRLINE_MM),
        Area(loops=(((tip, y), (tip - head, y - 0.7), (tip - head, y + 0.7)),)),
    )
