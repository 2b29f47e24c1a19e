"""What a person says of a hull: the same words in a job file and on a command.

In a job file::

    [hull]                                  # see spilemark horn
    port_diagonal = "4049.9 mm"             # stem to the transom's port corner
    starboard_diagonal = "4039.6 mm"
    breadth = "1200 mm"                     # across the transom
    tape_class = "II"                       # what stands on the tape; or write ± behind a length
    heights = ["300 mm", "0", "0"]          # stem, port, starboard corner above one level
    middle = "5 mm starboard"               # transom's middle off the centreline wire
    line_from = "centreline"                # or "transom": what the pencil lines were set out from
    fixed = false                           # true: this hull cannot be moved any more
    date = 2026-05-14
    support = "upside down on three trestles"

A number without quotes is mm.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import msgspec

from spilemark.errors import UsageError
from spilemark.shop.horning import HullTapes
from spilemark.shop.hull_turn import LineFrom
from spilemark.shop.tapes import ClassName, Reading, class_sigma_mm
from spilemark.strict import convert
from spilemark.units import Measured, parse_length, parse_measured

Length = str | float
MIDDLE_SIGMA_MM = 1.0
"""Doubt of the transom's middle against a wire where none is given: common practice, no source."""

_LONGEST_MM = 100_000.0


class HullTable(msgspec.Struct, kw_only=True):
    """Table ``[hull]``."""

    port_diagonal: Length
    starboard_diagonal: Length
    breadth: Length
    tape_class: Literal["I", "II", "III"] = "II"
    heights: list[Length] = []
    middle: str | None = None
    line_from: Literal["centreline", "transom"] = "centreline"
    fixed: bool = False
    date: dt.date | None = None
    support: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HullOrder:
    """A hull as it was taped."""

    tapes: HullTapes
    fixed: bool
    line_from: LineFrom
    date: dt.date | None
    support: str


def hull_order(table: dict[str, Any], where: str = "The command") -> HullOrder:
    """Read the table ``[hull]``, or the options of a command in its words.

    Raises
    ------
    UsageError
        A key is missing or misspelt, or a value is impossible; the message names it.
    """
    for key in ("port_diagonal", "starboard_diagonal", "breadth"):
        if table.get(key) is None:
            raise UsageError(
                f"{where} does not say the {key.replace('_', ' ')}.",
                "Horning takes three tapes: from the stem to both transom corners, and across.",
            )
    said = convert({k: v for k, v in table.items() if v is not None}, HullTable, where)
    tapes = HullTapes(
        port=_taped(said.port_diagonal, "port diagonal", said.tape_class, where),
        starboard=_taped(said.starboard_diagonal, "starboard diagonal", said.tape_class, where),
        breadth=_taped(said.breadth, "breadth", said.tape_class, where),
        heights_mm=_heights(said.heights, where),
        middle=None if said.middle is None else _middle(said.middle, where),
    )
    return HullOrder(
        tapes=tapes,
        fixed=said.fixed,
        line_from=said.line_from,
        date=said.date,
        support=said.support,
    )


def _taped(value: Length, what: str, tape_class: ClassName, where: str) -> Reading:
    length = _read(value, what, where)
    sigma = length.sigma_mm
    return Reading(length.mm, class_sigma_mm(length.mm, tape_class) if sigma is None else sigma)


def _read(value: Length, what: str, where: str) -> Measured:
    try:
        length = parse_measured(value if isinstance(value, str) else f"{value} mm")
    except UsageError as error:
        raise UsageError(f"{where}, {what}: {error.what}", error.todo) from error
    if not 0.0 < length.mm <= _LONGEST_MM:
        raise UsageError(f"{where}: a {what} of {length.mm:g} mm is none.", "Check its unit.")
    return length


def _heights(values: Sequence[Length], where: str) -> tuple[float, float, float]:
    if not values:
        return 0.0, 0.0, 0.0
    if len(values) != 3:
        raise UsageError(
            f"{where}: {len(values)} heights are given.",
            "Heights are three: stem point, port corner, starboard corner, above one level.",
        )
    a, b, c = (v if isinstance(v, int | float) else parse_length(v) for v in values)
    return float(a), float(b), float(c)


def _middle(text: str, where: str) -> Reading:
    match = re.fullmatch(r"(?P<off>.+?)\s*(?P<side>port|starboard)", text.strip().lower())
    if match is None:
        raise UsageError(
            f'{where}: the middle "{text}" does not say to which side it stands.',
            'Write for example "5mm starboard": how far the transom\'s middle is off the wire.',
        )
    off = parse_measured(match["off"])
    sigma = MIDDLE_SIGMA_MM if off.sigma_mm is None else off.sigma_mm
    return Reading(off.mm if match["side"] == "starboard" else -off.mm, sigma)
