"""Does the part come out of the wood that there is?  What a person says of it, and the answer.

In a job file::

    [board]
    size = "600 x 200 mm"          # length and width, grain along its length; or
    blank = "blank/"               # results of a photo of the wood, or an outline file; or
    points = [[0, 0], [600, 0], [590, 210], [0, 200]]   # drawn, mm
    defects = ["120, 40, 15"]      # knots to keep clear of: x, y and radius in mm, on the blank
    grain = 0                      # degrees from x on the blank
    grain_part = 45                # degrees from x on the part; where not told from toe to toe of
                                   # the throat, without one the way the part is longest
    grain_within = 20              # degrees that the two may differ
    saw = "3 mm"                   # wood wanted outside the line all round
    kerf = "3 mm"                  # least between the two of a pair, where twice the saw is less
    flip = false                   # whether the part may be turned over; never where it is bevelled
    pair = false                   # part and mirror image on one board
    throat = "throat curve"        # the part's inside edge
    follow = "throat curve"        # edge of the blank on which that must lie, such as a lamination's
    follow_within = "1 mm"

Without size, blank or points the smallest boards to buy are told.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from spilemark.blank.boards import BoardsToBuy, boards_for
from spilemark.blank.curves import Floats
from spilemark.blank.fit import Blank, Guide, Placement, place_part
from spilemark.blank.nest import NestedPair, nest_pair
from spilemark.blank.throat import less_beyond_throat
from spilemark.errors import UsageError
from spilemark.grain import Grain, grain_of
from spilemark.shop.files import read_part
from spilemark.shop.outlines import ShopOutline, SideName
from spilemark.strict import check_keys, convert
from spilemark.units import parse_length

Length = str | float


class BoardTable(msgspec.Struct, kw_only=True):
    """Table ``[board]``."""

    size: str | None = None
    blank: str | None = None
    points: list[list[float]] = []
    defects: list[str] = []
    grain: float = 0.0
    grain_part: float | None = None
    grain_within: float = 90.0
    saw: Length = 3.0
    kerf: Length = 3.0
    flip: bool = False
    pair: bool = False
    throat: str = "throat curve"
    follow: str | None = None
    follow_within: Length = 1.0


BOARD_PATHS = ("blank",)
"""Keys that are paths, relative to the job file."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardOrder:
    """The wood that there is, and how a part may lie in it."""

    blank: Blank | None
    size_mm: tuple[float, float] | None
    """Length and width where it is a board."""
    grain_part_deg: float | None
    grain_within_deg: float
    saw_mm: float
    kerf_mm: float
    flip: bool
    pair: bool
    throat: str
    follow_mm: Floats | None = None
    follow_within_mm: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """A part laid in the wood, or what to buy for it."""

    name: str
    side: SideName
    order: BoardOrder
    part_mm: Floats
    """The ring that was laid, as it was given."""
    placement: Placement | None
    """None without a blank, or where a pair was asked."""
    pair: NestedPair | None
    boards: BoardsToBuy
    grain: Grain
    """Its way in the part."""

    @property
    def fits(self) -> bool | None:
        """Whether it comes out; None where there is no blank."""
        if self.pair is not None:
            return self.pair.fits if self.pair.board_mm is not None else None
        return None if self.placement is None else self.placement.fits


def board_order(table: dict[str, Any], where: str) -> BoardOrder:
    """Read the table ``[board]``.

    Raises
    ------
    UsageError
        A key is misspelt, or a value is impossible.
    UnreadableInput
        The file of the blank cannot be read.
    """
    check_keys(table, BoardTable.__struct_fields__, where)
    told = convert(table, BoardTable, where)
    given = [n for n in ("size", "blank", "points") if getattr(told, n)]
    if len(given) > 1:
        raise UsageError(f"{where} tells the wood by {' and by '.join(given)}.", "Keep one.")
    defects = tuple(_defect(text, where) for text in told.defects)
    size = _size(told.size, where) if told.size else None
    follow = None
    ring: Any = None
    if size is not None:
        ring = np.array([[0.0, 0.0], [size[0], 0.0], size, [0.0, size[1]]])
    elif told.blank:
        outline = read_part(Path(told.blank)).outline
        ring = outline.points_mm
        defects += outline.holes_mm
        if told.follow:
            follow = outline.points_mm[outline.indices(outline.edge(told.follow))]
    elif told.points:
        ring = _ring(told.points, where)
    if told.follow and follow is None:
        raise UsageError(
            f"{where}: follow names an edge, and the wood has none with a name.",
            "Give blank: the results of a photo of it, or an outline file.",
        )
    if told.pair and size is None and ring is not None:
        raise UsageError(
            f"{where}: a pair is laid on a straight board.", 'Give size = "1200 x 250 mm".'
        )
    if told.pair and defects:
        raise UsageError(
            f"{where}: defects are not minded where a pair is laid.",
            "Lay the two parts one by one, or cut the board clear of defects first.",
        )
    blank = None
    if ring is not None:
        blank = Blank(outline_mm=ring, defects_mm=defects, grain_deg=told.grain)
    return BoardOrder(
        blank=blank,
        size_mm=size,
        grain_part_deg=told.grain_part,
        grain_within_deg=_angle(told.grain_within, where),
        saw_mm=_not_below(told.saw, "saw", where),
        kerf_mm=_not_below(told.kerf, "kerf", where),
        flip=told.flip,
        pair=told.pair,
        throat=told.throat,
        follow_mm=follow,
        follow_within_mm=_not_below(told.follow_within, "follow_within", where),
    )


def lay(
    outline: ShopOutline,
    order: BoardOrder,
    ring_mm: Floats | None = None,
    *,
    bevelled: bool = False,
) -> Laid:
    """Lay a part in the wood as ordered.

    Parameters
    ----------
    outline : ShopOutline
        Its edges give grain and throat.
    order : BoardOrder
    ring_mm : ndarray of float, shape (N, 2), optional
        What has to come out of the wood in the outline's frame, such as the
        cutting line; default: the outline.
    bevelled : bool
        Then it is never turned over.

    Raises
    ------
    UsageError
        The part has no edge of the name told, or an outline is none.
    """
    ring = np.asarray(outline.points_mm if ring_mm is None else ring_mm)
    way = grain_of(
        outline.points_mm, outline.edges, told_deg=order.grain_part_deg, throat=order.throat
    )
    grain = way.degrees
    boards = boards_for(
        ring, around_mm=order.saw_mm, grain_deg=grain, grain_within_deg=order.grain_within_deg
    )
    placement = pair = None
    if order.pair:
        pair = nest_pair(
            ring,
            # Each wants its own room for the saw, and one cut takes part of both.
            kerf_mm=max(order.kerf_mm, 2.0 * order.saw_mm),
            around_mm=order.saw_mm,
            board_mm=order.size_mm,
            grain_deg=grain,
            grain_within_deg=order.grain_within_deg,
        )
    elif order.blank is not None:
        guides: tuple[Guide, ...] = ()
        if order.follow_mm is not None:
            ring, line = less_beyond_throat(ring, outline, order.throat)
            guides = (
                Guide(
                    points_mm=line,
                    line_mm=order.follow_mm,
                    tolerance_mm=order.follow_within_mm,
                ),
            )
        placement = place_part(
            ring,
            order.blank,
            saw_mm=order.saw_mm,
            flip=order.flip and not bevelled,
            grain_deg=grain,
            grain_within_deg=order.grain_within_deg,
            guides=guides,
            holes_mm=outline.holes_mm,
        )
    return Laid(
        name=outline.name,
        side=outline.side,
        order=order,
        part_mm=ring,
        placement=placement,
        pair=pair,
        boards=boards,
        grain=way,
    )


def _size(text: str, where: str) -> tuple[float, float]:
    parts = [p.strip() for p in re.split(r"[x×]", text)]
    if len(parts) != 2 or not all(parts):
        raise UsageError(
            f'{where}: size "{text}" is no length and width.', 'Write for example "600 x 200 mm".'
        )
    unit = re.search(r"(mm|cm|m|in|inch|inches|ft|\"|')$", parts[1])
    if unit and not re.search(r"(mm|cm|m|in|inch|inches|ft|\"|')$", parts[0]):
        parts[0] = f"{parts[0]} {unit.group(1)}"
    length, width = (parse_length(p) for p in parts)
    if not (1.0 <= width <= 50_000.0 and 1.0 <= length <= 50_000.0):
        raise UsageError(f'{where}: a board of "{text}" cannot be.', "Check the numbers.")
    return length, width


def _defect(text: str, where: str) -> Floats:
    try:
        x, y, radius = (float(v) for v in text.split(","))
    except ValueError as error:
        raise UsageError(
            f'{where}: the defect "{text}" is not x, y and radius.',
            'Write for example "120, 40, 15".',
        ) from error
    if not (radius > 0.0 and math.isfinite(x + y + radius)):
        raise UsageError(f'{where}: the defect "{text}" has no size.', "Give a radius above 0.")
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    # A ring of straight sides around the circle, not within it.
    reach = radius / math.cos(math.pi / 24.0)
    return np.array([x, y]) + reach * np.column_stack([np.cos(turn), np.sin(turn)])


def _ring(points: list[list[float]], where: str) -> Floats:
    if len(points) < 3 or not all(len(p) == 2 and all(map(math.isfinite, p)) for p in points):
        raise UsageError(
            f"{where}: points are three or more pairs of numbers.",
            "Write [[0, 0], [600, 0], [0, 200]].",
        )
    return np.array(points, np.float64)


def _angle(value: float, where: str) -> float:
    # Grain has no head and no tail: it is never more than 90 degrees off.
    if not 0.0 <= value <= 90.0:
        raise UsageError(
            f"{where}: grain_within = {value:g} cannot be.",
            "Give 0 to 90 degrees, or leave it out where any direction will do.",
        )
    return value


def _not_below(value: Length, key: str, where: str) -> float:
    length = float(value) if isinstance(value, int | float) else parse_length(value)
    if not 0.0 <= length <= 10_000.0:
        raise UsageError(f"{where}: {key} = {value} cannot be.", "Give 0 or more.")
    return length
