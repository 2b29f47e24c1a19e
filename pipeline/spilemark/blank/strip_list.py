"""What to cut and to have ready for a lamination: strips, board, glue, clamps, time."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spilemark.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutting:
    """How strips are sawn, and how the stack is put together."""

    width_mm: float
    """Finished width of the lamination, which is the thickness of the part."""
    pair: bool = False
    """Whether one lamination is made wide enough for both sides and ripped."""
    kerf_mm: float = 2.0
    """Of the user's own saw."""
    strip_planing_mm: float = 0.0
    """Planed off each strip after sawing, both faces together."""
    edge_planing_mm: float = 6.0
    """Planed off the glued stack's width, both edges together."""
    trim_mm: float = 50.0
    """Longer than the outside face, both ends together."""
    board_mm: float | None = None
    """Width of the board that strips are ripped from."""
    clamp_spacing_mm: float = 100.0
    seconds_per_m2: float = 600.0
    """Spreading glue on both faces and stacking: ten minutes a square metre; common practice, no source."""
    seconds_per_clamp: float = 45.0
    """Setting and tightening: common practice, no source."""
    working_time_min: float | None = None
    """From the glue's label, at the day's temperature."""
    glue_g_per_m2: float = 250.0
    """For each glue line: common practice, no source; the label knows better."""

    @property
    def stack_width_mm(self) -> float:
        """Width of the stack as glued."""
        ripped = 2.0 * self.width_mm + self.kerf_mm if self.pair else self.width_mm
        return ripped + self.edge_planing_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class StripList:
    """What to cut and have ready."""

    count: int
    sawn_mm: tuple[tuple[int, float], ...]
    """How many strips of which thickness off the saw."""
    length_mm: float
    width_mm: float
    per_board: int | None
    """Strips of the thickest kind from one board's width."""
    boards: int | None
    board_width_needed_mm: float
    """If all strips are ripped from one width."""
    glue_lines: int
    glue_area_mm2: float
    glue_g: float
    clamps: int
    assembly_min: float
    working_time_min: float | None

    @property
    def in_time(self) -> bool | None:
        """Whether the assembly fits the glue's working time; None where that was not told."""
        return None if self.working_time_min is None else self.assembly_min <= self.working_time_min


def strips_from_board(board_mm: float, strip_mm: float, planing_mm: float, kerf_mm: float) -> int:
    """How many strips a width gives: floor((W + kerf)/(t + planing + kerf)); own derivation."""
    return math.floor((board_mm + kerf_mm) / (strip_mm + planing_mm + kerf_mm) + 1e-9)


def glue_area_mm2(count: int, length_mm: float, width_mm: float) -> float:
    """Area of the n - 1 glue lines."""
    return (count - 1) * length_mm * width_mm


def strip_list(
    thicknesses_mm: tuple[float, ...], outside_length_mm: float, clamps: int, cutting: Cutting
) -> StripList:
    """List what a lamination needs.

    All strips are cut to the outside length plus trim: the inner ones end up
    as much too long as bend angle times depth.

    Raises
    ------
    UsageError
        The board is too narrow for one strip.
    """
    length = outside_length_mm + cutting.trim_mm
    kinds: dict[float, int] = {}
    for t in thicknesses_mm:
        sawn = round(t + cutting.strip_planing_mm, 6)
        kinds[sawn] = kinds.get(sawn, 0) + 1
    needed = sum(n * (t + cutting.kerf_mm) for t, n in kinds.items()) - cutting.kerf_mm
    per_board = boards = None
    if cutting.board_mm is not None:
        per_board, boards = _boards(thicknesses_mm, cutting.board_mm, cutting)
    width = cutting.stack_width_mm
    area = glue_area_mm2(len(thicknesses_mm), length, width)
    seconds = area / 1e6 * cutting.seconds_per_m2 + clamps * cutting.seconds_per_clamp
    return StripList(
        count=len(thicknesses_mm),
        sawn_mm=tuple((n, t) for t, n in kinds.items()),
        length_mm=length,
        width_mm=width,
        per_board=per_board,
        boards=boards,
        board_width_needed_mm=needed,
        glue_lines=len(thicknesses_mm) - 1,
        glue_area_mm2=area,
        glue_g=area / 1e6 * cutting.glue_g_per_m2,
        clamps=clamps,
        assembly_min=seconds / 60.0,
        working_time_min=cutting.working_time_min,
    )


def _boards(
    thicknesses_mm: tuple[float, ...], board_mm: float, cutting: Cutting
) -> tuple[int, int]:
    """Strips of the thickest kind from one board, and boards for all: the thickest laid first."""
    per_board = strips_from_board(
        board_mm, max(thicknesses_mm), cutting.strip_planing_mm, cutting.kerf_mm
    )
    if per_board < 1:
        raise UsageError(
            f"A board {board_mm:g} mm wide gives no strip of {max(thicknesses_mm):g} mm.",
            "Use a wider board or thinner strips.",
        )
    left: list[float] = []
    for t in sorted(thicknesses_mm, reverse=True):
        # A strip costs its thickness and a cut; the last of a board needs no cut.
        need = t + cutting.strip_planing_mm + cutting.kerf_mm
        for k, room in enumerate(left):
            if need <= room + 1e-9:
                left[k] -= need
                break
        else:
            left.append(board_mm + cutting.kerf_mm - need)
    return per_board, len(left)
