"""The shop sums as small forms: tables ``[hull]``, ``[shop]``, ``[lamination]`` and ``[board]`` of a job."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import tomlkit

from spilemark.errors import SpilemarkError, UsageError
from spilemark.serve.sheet import pair_with_unit, rows_in, with_unit

_ONE, _SEVERAL, _NUMBER = "one", "several", "number"
FIELDS: dict[str, dict[str, str]] = {
    "hull": {"port_diagonal": _ONE, "starboard_diagonal": _ONE, "breadth": _ONE},
    "shop": {
        "stock": _ONE,
        "bevels": _SEVERAL,
        "scribe": _SEVERAL,
        "glue": _SEVERAL,
        "saw": _SEVERAL,
        "plane": _SEVERAL,
        "relief": _SEVERAL,
    },
    "lamination": {"stack": _ONE, "strips": _ONE, "wood": _ONE},
    "board": {"size": _ONE, "grain_within": _NUMBER},
}
"""Keys that the forms hold, by table; "several" are parted by semicolons."""
_NEEDED = {"hull": "port_diagonal", "lamination": "stack", "board": "size"}
"""Without this key a table asks for nothing."""
_AS_TOLD = ("bevels", "scribe", "relief", "wood", "size")
"""Texts of their own grammar: no unit is added to their numbers."""


def form_of(table: dict[str, Any]) -> dict[str, dict[str, str]]:
    """What the forms show of a job."""
    form: dict[str, dict[str, str]] = {}
    for name, keys in FIELDS.items():
        held = table.get(name)
        given = held if isinstance(held, dict) else {}
        form[name] = {key: _shown(given.get(key)) for key in keys}
    return form


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return "; ".join(str(v) for v in value)
    return str(value)


def tables_from(form: dict[str, Any], units: str) -> dict[str, dict[str, Any]]:
    """Tables of a job file from the forms; what is empty is left out.

    Raises
    ------
    UsageError
        A form or field that is not of :data:`FIELDS`.
    """
    tables: dict[str, dict[str, Any]] = {}
    for name, given in form.items():
        if name not in FIELDS or not isinstance(given, dict):
            raise UsageError("The form was not filled in on this page.", "Load the page again.")
        tables[name] = {}
        for key, text in given.items():
            if key not in FIELDS[name] or not isinstance(text, str):
                raise UsageError("The form was not filled in on this page.", "Load it again.")
            if rows_in(text):
                tables[name][key] = _value(name, key, text.strip(), inches=units == "in")
    return tables


def _value(name: str, key: str, text: str, *, inches: bool) -> Any:
    kind = FIELDS[name][key]
    if kind == _NUMBER:
        try:
            return float(text.replace(",", "."))
        except ValueError as error:
            raise UsageError(
                f"{key}: {text} is not a number.", "Write degrees, such as 20."
            ) from error
    if key == "strips" and text.isdecimal():
        return int(text)
    rows = rows_in(text)
    if key not in _AS_TOLD:
        rows = [pair_with_unit(with_unit(row, inches=inches), inches=inches) for row in rows]
    return rows if kind == _SEVERAL or (key == "strips" and len(rows) > 1) else rows[0]


def lay_in(document: tomlkit.TOMLDocument, form: dict[str, Any], units: str) -> None:
    """Put the forms into a job file; keys that they do not show stay, and so do those unchanged."""
    tables = tables_from(form, units)
    before = form_of(document.unwrap())
    for name, told in tables.items():
        needed = _NEEDED.get(name)
        if needed and needed not in told and not any(told.values()):
            document.pop(name, None)
            continue
        table: Any = document.setdefault(name, {})
        for key in FIELDS[name]:
            if form[name].get(key, "").strip() == before[name][key]:
                continue
            if key in told:
                table[key] = told[key]
            else:
                table.pop(key, None)
        if not table:
            document.pop(name)


def tried(task: dict[str, Any]) -> dict[str, Any]:
    """What the sums say now, by the command line's own functions; done in a worker.

    Parameters
    ----------
    task : dict
        ``tables`` in the words of a job file, ``units``, ``results`` (the folder) and ``side``.

    Returns
    -------
    dict
        ``hull`` and ``part``: sentences; ``lines``: rings, mm, y forward; ``wrong``: by table,
        what is missing or impossible.
    """
    tables, units = task["tables"], task["units"]
    told: dict[str, Any] = {"hull": [], "part": [], "lines": {}, "wrong": {}}
    if tables.get("hull"):
        try:
            told["hull"] = _hull(tables["hull"], Path(task["results"]), units)
        except UsageError as error:
            told["wrong"]["hull"] = str(error)
    try:
        told["part"], told["lines"] = _part(tables.get("shop") or {}, task)
    except UsageError as error:
        told["wrong"]["shop"] = str(error)
    return told


def _hull(table: dict[str, Any], results: Path, units: Any) -> list[str]:
    from spilemark.shop.files import hull_beside_report
    from spilemark.shop.horning import horn
    from spilemark.shop.orders import hull_order
    from spilemark.shop_parts import hull_words

    order = hull_order(table, "These tapes")
    hull = horn(order.tapes)
    try:
        beside = hull_beside_report(hull, results, order.line_from)
    except SpilemarkError:
        # One side only, or not measured yet.
        beside = []
    return [*hull_words(order, hull, beside, units)]


def _part(table: dict[str, Any], task: dict[str, Any]) -> tuple[list[str], dict[str, Any]]:
    from spilemark.shop.files import read_part
    from spilemark.shop.orders import shop_order
    from spilemark.shop_parts import cut_notes

    side = cast("Any", task["side"])
    part = read_part(Path(task["results"]), side)
    order = shop_order(table, side, "This form")
    lines = order.cut_lines(part.outline)
    drawn = {
        "outline": part.outline,
        "finished": lines.finished,
        "second-face": lines.second_face,
        "cutting": lines.cutting,
    }
    rings = {
        name: ring.points_mm.round(2).tolist() for name, ring in drawn.items() if ring is not None
    }
    return cut_notes(part, order, lines, (), task["units"]), rings
