"""What a person says of a lamination: the same words in a job file and on a command.

In a job file::

    [lamination]
    throat = "throat curve"        # the edge that is the lamination's inside
    stack = "18 mm"                # thickness of the whole stack, across the throat
    strips = 9                     # or "2 mm", the thickest; or ["3 mm", "3 mm", "6 mm"], inside first
    wood = "white oak"             # or one for each strip; "iroko: 1.38, 12400, hardwood" (million psi, psi)
    width = "18 mm"                # of the finished part; the stock of [shop] where it is not told
    pair = true                    # one lamination for both sides, ripped
    side = "port"                  # whose throat it follows; all measured sides where it is not told
    form = "male"                  # or "female"
    arms = "60 mm"                 # straight wood past each toe, on form and blank
    body = "110 mm"                # depth of the form behind its face
    hole = "40 mm"                 # clamp holes; 0: none
    hole_in = "50 mm"              # their middles behind the face
    clamps = "100 mm"              # no farther apart than this
    kerf = "2 mm"                  # of your saw
    strip_planing = "1 mm"         # off each strip, both faces together
    edge_planing = "6 mm"          # off the glued stack's width
    trim = "50 mm"                 # longer than the outside face, both ends together
    board = "100 mm"               # width of the board that strips are ripped from
    working_time = 45              # minutes, from the glue's label at the day's temperature
    spread = 10                    # minutes to spread and stack a square metre of glue line
    block = "4 mm"                 # left on the corner block for fitting; 0: as it fills
    trials = "trials.toml"         # this shop's own trial bends

A number without quotes is mm, but for strips, working_time and spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec

from spilemark.blank.form import FormOrder
from spilemark.blank.lamination import Strips, equal_strips
from spilemark.blank.species import read_wood
from spilemark.blank.springback import ShopFactor, springback_of
from spilemark.blank.strip_list import Cutting
from spilemark.blank.trial import TrialBend, factor_from, read_trials
from spilemark.errors import UsageError
from spilemark.shop.outlines import SideName
from spilemark.strict import check_keys, convert
from spilemark.units import parse_length

Length = str | float


class LaminationTable(msgspec.Struct, kw_only=True):
    """Table ``[lamination]``."""

    throat: str = "throat curve"
    stack: Length | None = None
    strips: int | str | list[Length] | None = None
    wood: str | list[str] = ""
    width: Length | None = None
    pair: bool = False
    side: Literal["port", "starboard", "single"] | None = None
    form: Literal["male", "female"] = "male"
    arms: Length = 60.0
    body: Length = 110.0
    hole: Length = 40.0
    hole_in: Length = 50.0
    clamps: Length = 100.0
    kerf: Length = 2.0
    strip_planing: Length = 0.0
    edge_planing: Length = 6.0
    trim: Length = 50.0
    board: Length | None = None
    working_time: float | None = None
    spread: float = 10.0
    block: Length = 4.0
    trials: str | None = None


COMMAND = "The command"
"""What messages call an order that was typed; any other word names a file."""
LAMINATION_PATHS = ("trials",)
"""Keys that are paths, relative to the job file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaminationOrder:
    """A lamination as told, checked as far as words can be."""

    throat: str
    strips: Strips
    cutting: Cutting
    form: FormOrder
    arms_mm: float
    block_mm: float
    side: SideName | None
    factor: ShopFactor
    trials: tuple[TrialBend, ...] = ()


def lamination_order(
    table: dict[str, Any], where: str, stock_mm: float | None = None
) -> LaminationOrder:
    """Read the table ``[lamination]``.

    Parameters
    ----------
    table : dict
    where : str
        For messages: "The command".
    stock_mm : float, optional
        Thickness of the part where the table says nothing of its width.

    Raises
    ------
    UsageError
        A key is misspelt, something is missing, or a value is impossible.
    UnreadableInput
        The file of trial bends cannot be read.
    """
    check_keys(table, LaminationTable.__struct_fields__, where)
    told = convert(table, LaminationTable, where)
    width = _length(told.width, "width", where) if told.width is not None else stock_mm
    if width is None:
        raise UsageError(
            f"{where} does not say how wide the lamination is.",
            f"It is as wide as the part is thick. {_example(where, width='18 mm')}",
        )
    strips = _strips(told, where)
    cutting = Cutting(
        width_mm=_above(width, "width", where),
        pair=told.pair,
        kerf_mm=_not_below(told.kerf, "kerf", where),
        strip_planing_mm=_not_below(told.strip_planing, "strip_planing", where),
        edge_planing_mm=_not_below(told.edge_planing, "edge_planing", where),
        trim_mm=_not_below(told.trim, "trim", where),
        board_mm=None if told.board is None else _positive(told.board, "board", where),
        clamp_spacing_mm=_positive(told.clamps, "clamps", where),
        seconds_per_m2=60.0 * _above(told.spread, "spread", where),
        working_time_min=None
        if told.working_time is None
        else _above(told.working_time, "working_time", where),
    )
    form = FormOrder(
        kind=told.form,
        body_mm=_positive(told.body, "body", where),
        hole_mm=_not_below(told.hole, "hole", where),
        hole_in_mm=_positive(told.hole_in, "hole_in", where),
        clamp_spacing_mm=cutting.clamp_spacing_mm,
    )
    trials = read_trials(Path(told.trials)) if told.trials else ()
    factor = factor_from(trials)
    # Stacks that no form makes up for are told before a photo is read.
    springback_of(strips.thicknesses_mm, [w.moe_mpa for w in strips.woods], factor)
    return LaminationOrder(
        throat=told.throat,
        strips=strips,
        cutting=cutting,
        form=form,
        arms_mm=_not_below(told.arms, "arms", where),
        block_mm=_not_below(told.block, "block", where),
        side=told.side,
        factor=factor,
        trials=trials,
    )


def _example(where: str, **values: str | int) -> str:
    """What to write, in the way in which this order was given."""
    if where == COMMAND:
        words = [
            f"--{key} {value}" if isinstance(value, int) else f'--{key} "{value}"'
            for key, value in values.items()
        ]
        return f"Add for example {' '.join(words)}."
    written = [
        f"{key} = {value}" if isinstance(value, int) else f'{key} = "{value}"'
        for key, value in values.items()
    ]
    return f"Write for example {' and '.join(written)}."


def _strips(told: LaminationTable, where: str) -> Strips:
    if told.strips is None or not told.wood:
        missing = "strips" if told.strips is None else "wood"
        raise UsageError(
            f"{where} names no {missing}.", _example(where, strips=9, wood="white oak")
        )
    woods = [read_wood(w) for w in ([told.wood] if isinstance(told.wood, str) else told.wood)]
    if isinstance(told.strips, list):
        thick = tuple(_positive(t, "strips", where) for t in told.strips)
        whole = Strips(thicknesses_mm=thick, woods=(woods[0],) * len(thick))
        if told.stack is not None:
            stack = _positive(told.stack, "stack", where)
            if abs(stack - whole.stack_mm) > 0.05:
                raise UsageError(
                    f"{where} says a stack of {stack:g} mm, and strips that make {whole.stack_mm:g} mm.",
                    "Leave out stack where every strip is told.",
                )
    elif told.stack is None:
        raise UsageError(
            f"{where} does not say how thick the stack is.", _example(where, stack="18 mm")
        )
    else:
        stack = _positive(told.stack, "stack", where)
        if isinstance(told.strips, int):
            whole = equal_strips(stack, woods[0], number=told.strips)
        else:
            whole = equal_strips(stack, woods[0], strip_mm=_positive(told.strips, "strips", where))
    if len(woods) == 1:
        return whole
    if len(woods) != whole.count:
        raise UsageError(
            f"{where} names {len(woods)} woods for {whole.count} strips.",
            "Name one wood, or one for each strip, the inside first.",
        )
    return Strips(thicknesses_mm=whole.thicknesses_mm, woods=tuple(woods))


def _length(value: Length, key: str, where: str) -> float:
    if isinstance(value, int | float):
        return float(value)
    try:
        return parse_length(value)
    except UsageError as error:
        raise UsageError(f"{where}, {key}: {error.what}", error.todo) from error


def _above(value: float, key: str, where: str) -> float:
    if not 0.0 < value <= 100_000.0:
        raise UsageError(f"{where}: {key} = {value:g} cannot be.", "Give a number above 0.")
    return value


def _positive(value: Length, key: str, where: str) -> float:
    return _above(_length(value, key, where), key, where)


def _not_below(value: Length, key: str, where: str) -> float:
    length = _length(value, key, where)
    if not 0.0 <= length <= 100_000.0:
        raise UsageError(f"{where}: {key} = {length:g} cannot be.", "Give 0 or more.")
    return length
