"""The shop sums as they stand in the forms, reckoned and drawn in a worker.

Every answer comes from the functions that the command line calls, and every
drawing is the one that it writes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

from spilemark.blank_job import PartLines, extra_layers, lines_of
from spilemark.errors import SpilemarkError
from spilemark.ink import Point
from spilemark.records import Floats
from spilemark.serve.drawn import as_drawing, layered
from spilemark.serve.page_words import plain_words
from spilemark.shop.files import read_part
from spilemark.shop.lengths import Show
from spilemark.shop.orders import shop_order

SECTIONS = ("hull", "shop", "lamination", "board")
"""What may be asked for; a lamination brings its corner block."""
DRAWINGS = ("form", "lamination", "layout")
"""What may be drawn of a lamination."""
_WHERE = "This form"


def tried(task: dict[str, Any]) -> dict[str, Any]:
    """What the sums say now.

    Parameters
    ----------
    task : dict
        ``tables`` in the words of a job file, ``units``, ``results`` (the folder), ``side``,
        ``what`` (some of :data:`SECTIONS`) and ``draw`` (one of :data:`DRAWINGS`).

    Returns
    -------
    dict
        By section ``words``, ``dangers`` (those of the words by which somebody could be hurt or wood
        be lost), ``wrong`` (why there is no answer, or empty) and ``drawing`` (as
        :func:`spilemark.serve.drawn.as_drawing` makes it, or None); "block" as well where a
        lamination was asked.
    """
    told: dict[str, Any] = {}
    for section in task["what"]:
        try:
            told |= _SUMS[section](task)
        except SpilemarkError as error:
            told |= unanswered([section], plain_words(str(error)))
    return told


def unanswered(sections: Iterable[str], why: str) -> dict[str, Any]:
    """What stands at sums that have no answer."""
    told = {section: _answer((), None) | {"wrong": why} for section in sections}
    if "lamination" in told:
        told["block"] = _answer((), None)
    return told


def _answer(
    words: Iterable[str], drawing: dict[str, Any] | None, dangers: Iterable[str] = ()
) -> dict[str, Any]:
    return {"words": [*words], "dangers": [*dangers], "wrong": "", "drawing": drawing}


def _hull(task: dict[str, Any]) -> dict[str, Any]:
    from spilemark.horning_figure import horning_figure
    from spilemark.shop.files import hull_beside_report
    from spilemark.shop.horning import horn
    from spilemark.shop.hull_orders import hull_order
    from spilemark.shop_parts import hull_words

    order = hull_order(task["tables"]["hull"], "These tapes")
    hull = horn(order.tapes)
    try:
        beside = hull_beside_report(hull, Path(task["results"]), order.line_from)
    except SpilemarkError:
        # One side only, or not measured yet.
        beside = []
    figure = horning_figure(hull, task["units"])
    return {
        "hull": {
            **_answer(hull_words(order, hull, beside, task["units"]), layered(figure)),
            "note": " ".join(figure.notes),
        }
    }


def _lines(task: dict[str, Any]) -> PartLines:
    """The part as the wood has to hold it; reckoned once for what is asked of it."""
    report = Path(task["results"]) / "report.json"
    stamp = report.stat().st_mtime_ns if report.is_file() else 0
    shop = json.dumps(task["tables"].get("shop") or {}, default=str, sort_keys=True)
    return _lines_of(task["results"], stamp, task["side"], shop)


@lru_cache(maxsize=4)
def _lines_of(results: str, stamp: int, side: str, shop: str) -> PartLines:  # noqa: ARG001
    part = read_part(Path(results), cast("Any", side))
    return lines_of(part, shop_order(json.loads(shop), part.outline.side, _WHERE))


def _shop(task: dict[str, Any]) -> dict[str, Any]:
    from spilemark.shop.faces import bevel_card
    from spilemark.shop_parts import card_rows, cut_drawn, cut_notes
    from spilemark.shop_sheet import part_groups

    laid = _lines(task)
    order = laid.order
    assert order is not None
    units: Show = task["units"]
    lines = order.cut_lines(laid.part.outline)
    card = (
        bevel_card(laid.part.outline, order.stock_mm or 0.0, order.bevels) if order.bevels else ()
    )
    drawn = cut_drawn(order, lines)
    found = part_groups(drawn, card, _place)
    legend = [(line.name, line.legend) for line in drawn]
    words = cut_notes(laid.part, order, lines, (), units)
    return {
        "shop": {
            **_answer(words, as_drawing(found, legend)),
            "card": [[*row] for row in card_rows(card, units)],
        }
    }


def _place(point: Floats) -> Point:
    return float(point[0]), -float(point[1])


def _lamination(task: dict[str, Any]) -> dict[str, Any]:
    from spilemark.blank.knee import laminate_part
    from spilemark.blank.marks import marks_of
    from spilemark.blank.orders import lamination_order
    from spilemark.blank.sheets import blank_sheet, block_sheet, form_sheet, layout_sheet
    from spilemark.blank.words import block_lines, danger_lines, lamination_lines
    from spilemark.units import parse_length

    tables, units = task["tables"], task["units"]
    stock = (tables.get("shop") or {}).get("stock")
    order = lamination_order(
        tables["lamination"], _WHERE, None if stock is None else parse_length(str(stock))
    )
    laid = _lines(task)
    knee = laminate_part(laid.finished, order, laid.cutting.points_mm)
    marks = marks_of(laid.part, laid.order)
    match task["draw"]:
        case "lamination":
            sheet = blank_sheet(knee, "", units)
        case "layout":
            extra = extra_layers(laid, order.throat)
            sheet = layout_sheet(knee, "", lines=extra, units=units, marks=marks)
        case _:
            sheet = form_sheet(knee, "", units, marks)
    block = block_sheet(knee, "", units, marks)
    none = ["The lamination fills the corner: no block is needed."]
    return {
        "lamination": _answer(
            lamination_lines(knee, units), layered(sheet), danger_lines(knee, units)
        ),
        "block": _answer(none, None)
        if block is None
        else _answer(block_lines(knee, units), layered(block)),
    }


def _board(task: dict[str, Any]) -> dict[str, Any]:
    from spilemark.blank.board import board_order, lay
    from spilemark.blank.board_words import board_dangers, board_lines, board_sheet
    from spilemark.blank.marks import marks_of

    units = task["units"]
    order = board_order(task["tables"].get("board") or {}, _WHERE)
    laid = _lines(task)
    found = lay(laid.finished, order, laid.cutting.points_mm, bevelled=laid.bevelled)
    sheet = board_sheet(found, "", units, marks_of(laid.part, laid.order))
    drawing = None if sheet is None else layered(sheet)
    return {"board": _answer(board_lines(found, units), drawing, board_dangers(found))}


_SUMS = {"hull": _hull, "shop": _shop, "lamination": _lamination, "board": _board}
