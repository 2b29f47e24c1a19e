"""The blank of a job: what is asked before the photos are read, what comes of it after.

The tables ``[lamination]`` and ``[board]`` meet the measured patterns here, as
``[hull]`` and ``[shop]`` do in ``spilemark.shop_job``.  Nothing of
``spilemark.blank`` is imported by a job that asks for none of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from spilemark.errors import UsageError
from spilemark.records import Floats, JobFacts, Note, RegisteredPattern, ScaleStatement, Side
from spilemark.shop.files import Part
from spilemark.shop.orders import ShopOrder
from spilemark.shop.outlines import ShopOutline
from spilemark.shop_job import ShopResult, part_of

if TYPE_CHECKING:
    from spilemark.blank.board import BoardOrder, Laid
    from spilemark.blank.knee import LaminatedKnee
    from spilemark.blank.orders import LaminationOrder
    from spilemark.layers import Layer

TABLES = ("lamination", "board")
_PATHS = {"lamination": ("trials",), "board": ("blank",)}


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankRequest:
    """What a job asks of its wood; empty: nothing."""

    lamination: LaminationOrder | None = None
    board: BoardOrder | None = None

    def __bool__(self) -> bool:
        return self.lamination is not None or self.board is not None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartLines:
    """A measured part as the wood has to hold it."""

    part: Part
    finished: ShopOutline
    cutting: ShopOutline
    """What has to come out of the wood: with saw, plane and the larger face."""
    bevelled: bool
    line_mm: Floats | None
    """Its reference line (N, 2), where it has one."""
    order: ShopOrder | None = None
    """Bevels and allowances; None: neither."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlankResult:
    """What was worked out for the wood of a job."""

    parts: Mapping[Side, PartLines] = field(default_factory=dict)
    knees: Mapping[Side, LaminatedKnee] = field(default_factory=dict)
    laid: Mapping[Side, Laid] = field(default_factory=dict)
    differ_mm: float | None = None
    """How far the toes of the two sides' throats differ, both laid on one form."""
    left_out: tuple[Side, ...] = ()

    @property
    def below(self) -> bool:
        """Whether something was left out, or a part does not come out of its wood."""
        return bool(self.left_out) or any(laid.fits is False for laid in self.laid.values())

    def __bool__(self) -> bool:
        return bool(self.knees) or bool(self.laid) or bool(self.left_out)


def rooted(table: dict[str, Any], name: str, folder: Any) -> dict[str, Any]:
    """A table with its paths, which are relative to its file, as seen from here."""
    paths = {k: str(folder / table[k]) for k in _PATHS[name] if isinstance(table.get(k), str)}
    return {**table, **paths}


def blank_request(
    lamination: dict[str, Any], board: dict[str, Any], stock: Any, where: str
) -> BlankRequest:
    """Read the tables ``[lamination]`` and ``[board]``, empty where they are not there.

    ``stock`` is what ``[shop]`` says of the part's thickness.

    Raises
    ------
    UsageError
        A key is misspelt, or a value is impossible.
    UnreadableInput
        A file that they name cannot be read.
    """
    laminated = on_board = None
    if lamination:
        from spilemark.blank.orders import lamination_order
        from spilemark.units import parse_length

        stock_mm = None if stock is None else parse_length(str(stock))
        laminated = lamination_order(lamination, f"{where}, [lamination],", stock_mm)
    if board:
        from spilemark.blank.board import board_order

        on_board = board_order(board, f"{where}, [board],")
    return BlankRequest(lamination=laminated, board=on_board)


def part_lines(
    patterns: Mapping[Side, RegisteredPattern],
    shop: ShopResult,
    facts: JobFacts,
    scale: ScaleStatement,
) -> tuple[dict[Side, PartLines], tuple[Note, ...]]:
    """Take every pattern as the wood has to hold it: with bevels and allowances where there are any.

    A pattern whose outline crosses itself is left out with a note.
    """
    found: dict[Side, PartLines] = {}
    notes: list[Note] = []
    for side, pattern in patterns.items():
        done = shop.parts.get(side)
        try:
            part = part_of(pattern, facts, scale) if done is None else done.part
        except UsageError as error:
            notes.append(_left_out(side, error))
            continue
        lines = pattern.outline.of_role("centreline")
        found[side] = PartLines(
            part=part,
            finished=part.outline if done is None else done.lines.finished,
            cutting=part.outline if done is None else done.lines.cutting,
            bevelled=done is not None and bool(done.order.bevels),
            line_mm=lines[0].points_mm[[0, -1]] if lines else None,
            order=None if done is None else done.order,
        )
    return found, tuple(notes)


def lines_of(part: Part, order: ShopOrder | None) -> PartLines:
    """Take a part that was read from a file as the wood has to hold it.

    Parameters
    ----------
    part : Part
    order : ShopOrder, optional
        What a job's ``[shop]`` says; None: neither bevels nor allowances.

    Raises
    ------
    UsageError
        The order names an edge that the part has not.
    """
    if order is None:
        return PartLines(
            part=part, finished=part.outline, cutting=part.outline, bevelled=False, line_mm=None
        )
    lines = order.cut_lines(part.outline)
    return PartLines(
        part=part,
        finished=lines.finished,
        cutting=lines.cutting,
        bevelled=bool(order.bevels),
        line_mm=None,
        order=order,
    )


def blank_sums(
    request: BlankRequest, parts: Mapping[Side, PartLines]
) -> tuple[BlankResult, tuple[Note, ...]]:
    """Work out lamination and board of every part; one that cannot be is left out with a note."""
    knees: dict[Side, LaminatedKnee] = {}
    laid: dict[Side, Laid] = {}
    notes: list[Note] = []
    left_out: list[Side] = []
    for side, lines in parts.items():
        try:
            wanted = request.lamination
            if wanted is not None and wanted.side in (None, str(side)):
                from spilemark.blank.knee import laminate_part

                knees[side] = laminate_part(lines.finished, wanted, lines.cutting.points_mm)
                notes += _bend_notes(side, knees[side])
            if request.board is not None:
                from spilemark.blank.board import lay

                laid[side] = lay(
                    lines.finished, request.board, lines.cutting.points_mm, bevelled=lines.bevelled
                )
                notes += _board_notes(side, laid[side])
        except UsageError as error:
            left_out.append(side)
            notes.append(_left_out(side, error))
    result = BlankResult(
        parts=parts,
        knees=knees,
        laid=laid,
        differ_mm=_differ_mm(knees),
        left_out=tuple(left_out),
    )
    return result, tuple(notes)


def extra_layers(lines: PartLines, throat: str) -> tuple[Layer, ...]:
    """Lines of a laminated part that stand in the layout beside its finished one."""
    from spilemark.blank.throat import less_beyond_throat
    from spilemark.layers import Layer, Line

    if np.array_equal(lines.cutting.points_mm, lines.finished.points_mm):
        return ()
    # Beyond the lamination's inside there is no wood to cut.
    ring, _ = less_beyond_throat(lines.cutting.points_mm, lines.finished, throat)
    return (
        Layer(
            name="cutting",
            legend="CUTTING LINE of the knee",
            lines=(Line(ring, closed=True),),
            width_mm=0.5,
            dash_mm=(9.0, 1.6, 1.0, 1.6),
        ),
    )


def _left_out(side: Side, error: UsageError) -> Note:
    return Note(
        code="blank-left-out",
        severity="warn",
        text=f"The wood of {side} is not all worked out. {error.what} {error.todo}",
    )


def _differ_mm(knees: Mapping[Side, LaminatedKnee]) -> float | None:
    """Distance of the toes of the two throats, one mirrored, first arms laid on each other."""
    if not {Side.PORT, Side.STARBOARD} <= knees.keys():
        return None
    # Both turn to the left by now; one of them ran the other way along its edge.
    port, starboard = knees[Side.PORT].lamination, knees[Side.STARBOARD].lamination
    turned = starboard.wanted
    mirrored = type(turned)(
        s_mm=turned.length_mm - turned.s_mm[::-1],
        theta_rad=turned.theta_rad[-1] - turned.theta_rad[::-1],
    )
    laid = mirrored.laid_on(port.wanted, 0.0)
    end = min(laid.length_mm, port.wanted.length_mm)
    return float(np.linalg.norm(laid.at(end) - port.wanted.at(end)))


def _bend_notes(side: Side, knee: LaminatedKnee) -> list[Note]:
    from spilemark.blank.words import bend_lines

    found = []
    for bend in knee.lamination.tightest:
        if bend.below_every_limit or bend.stress_share > 1.0:
            words = next(w for w in bend_lines([bend]) if w.startswith("WARNING"))
            found.append(
                Note(
                    code="bend-too-tight",
                    severity="warn",
                    text=f"Lamination of {side}: {words.removeprefix('WARNING: ')}",
                    value=bend.ratio,
                )
            )
    if knee.strips.in_time is False:
        found.append(
            Note(
                code="glue-too-quick",
                severity="warn",
                text=f"Lamination of {side}: about {knee.strips.assembly_min:.0f} minutes to spread and clamp, "
                f"and the glue's label allows {knee.strips.working_time_min:.0f}.",
            )
        )
    return found


def _board_notes(side: Side, laid: Laid) -> list[Note]:
    from spilemark.blank.board_words import board_lines

    if laid.fits is not False:
        return []
    words = board_lines(laid)
    return [Note(code="blank-too-small", severity="warn", text=f"{side}: {' '.join(words[:2])}")]
