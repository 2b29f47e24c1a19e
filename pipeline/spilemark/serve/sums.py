"""The shop sums as small forms: tables ``[hull]``, ``[shop]``, ``[lamination]`` and ``[board]`` of a job."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import tomlkit

from spilemark.errors import UsageError
from spilemark.serve.typed import pair_with_unit, rows_in, with_unit

_ONE, _SEVERAL, _NUMBER, _WORD, _YES = "one", "several", "number", "word", "yes"
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
    "lamination": {
        "stack": _ONE,
        "strips": _ONE,
        "wood": _WORD,
        "width": _ONE,
        "form": _WORD,
        "block": _ONE,
    },
    "board": {"size": _ONE, "grain_within": _NUMBER, "saw": _ONE, "pair": _YES},
}
"""Keys that the forms hold, by table; "several" are parted by semicolons."""
_NEEDED = {"hull": "port_diagonal", "lamination": "stack", "board": "size"}
"""Without this key a table asks for nothing."""
_LISTS = ("strips", "wood")
"""One thing, or one for each strip."""
_BARE = r"[\d.,/ -]*\d"
_WITHIN = {
    "bevels": (rf"({_BARE})(?=\s*:)",),
    "scribe": (
        rf"(?<=[=\s])({_BARE})(?=\s+(?:square|outboard|inboard|port|starboard|forward|aft|at)\b)",
    ),
    "relief": (rf"(?<==)\s*({_BARE})(?=\s*(?:round|clip|$))",),
    "size": (rf"^\s*({_BARE})(?=\s*[x×]\s*{_BARE}\s*$)", rf"(?<=[x×])\s*({_BARE})(?=\s*$)"),
}
"""Where a bare length stands in texts of their own grammar."""


def form_of(table: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """What the forms show of a job."""
    inches = table.get("units") == "in"
    form: dict[str, dict[str, str]] = {}
    for name, keys in FIELDS.items():
        held = table.get(name)
        given = held if isinstance(held, dict) else {}
        form[name] = {
            key: _shown(given.get(key), metric=inches and _is_length(kind, key, given.get(key)))
            for key, kind in keys.items()
        }
    return form


def _is_length(kind: str, key: str, value: Any) -> bool:
    if kind not in (_ONE, _SEVERAL) or key in _WITHIN:
        return False
    return not (key == "strips" and isinstance(value, int))


def _shown(value: Any, *, metric: bool = False) -> str:
    """A value of a job file, in which bare numbers are millimetres whatever the form shows."""
    if value is None or value is False:
        return ""
    if value is True:
        return "yes"
    if isinstance(value, list):
        return "; ".join(_shown(v, metric=metric) for v in value)
    return f"{value} mm" if metric and re.fullmatch(r"[\d.,]+", str(value)) else str(value)


def tables_from(form: Mapping[str, Any], units: str) -> dict[str, dict[str, Any]]:
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


def tables_with(held: Mapping[str, Any], form: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The forms' tables over a job file's own: what the forms do not show, or leave as it was, counts too."""
    shown = form_of(held)
    tables = tables_from(form, str(held.get("units", "mm")))
    for name, told in tables.items():
        before = held.get(name)
        own = before if isinstance(before, dict) else {}
        kept = {
            key: value
            for key, value in own.items()
            if key not in shown[name] or form[name].get(key, "").strip() == shown[name][key]
        }
        tables[name] = told | kept
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
    if kind == _YES:
        return text == "yes"
    if key == "strips" and text.isdecimal():
        return int(text)
    rows = rows_in(text)
    if kind != _WORD:
        rows = [_in_unit(key, row, inches=inches) for row in rows]
    return rows if kind == _SEVERAL or (key in _LISTS and len(rows) > 1) else rows[0]


def _in_unit(key: str, row: str, *, inches: bool) -> str:
    """A text with the unit that the form shows, wherever a length stands bare in it."""
    if key not in _WITHIN:
        return pair_with_unit(with_unit(row, inches=inches), inches=inches)
    if inches:
        for place in _WITHIN[key]:
            row = re.sub(place, lambda m: f"{m[0]} in", row)
    return row


def lay_in(document: tomlkit.TOMLDocument, form: dict[str, Any], units: str) -> None:
    """Put the forms into a job file; keys that they do not show stay, and so do those unchanged."""
    tables = tables_from(form, units)
    before = form_of(document.unwrap())
    for name, told in tables.items():
        needed = _NEEDED.get(name)
        if needed and needed not in told and not _asks(name, told):
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


def _asks(name: str, told: dict[str, Any]) -> bool:
    """Whether anything was typed, not only chosen."""
    chosen = ("form", "pair") if name in ("lamination", "board") else ()
    return any(value for key, value in told.items() if key not in chosen)
