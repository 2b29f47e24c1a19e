"""What a person puts right on the page: an edit list in the job file, with undo and redo."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import tomlkit

from spilemark.corrections import Correction
from spilemark.errors import UsageError
from spilemark.results import ARMS
from spilemark.serve.entries import Entry, put_slip, read_slip
from spilemark.serve.shelf import Shelf

_MARKS = {"centreline": 4, "forward": 2}
_MOST = 500
_LONGEST_NAME = 60


def corrections_of(entry: Entry) -> dict[str, list[dict[str, Any]]]:
    """The edit list, by arm, as the job file holds it."""
    found: dict[str, list[dict[str, Any]]] = {}
    for arm in ARMS:
        table = entry.table.get(arm)
        listed = table.get("corrections") if isinstance(table, dict) else None
        if isinstance(listed, list) and listed:
            found[arm] = listed
    return found


def correction_of(row: dict[str, Any]) -> Correction:
    """A row of the edit list as the pipeline works it in.

    Raises
    ------
    UsageError
        It is none.
    """
    try:
        return msgspec.convert(row, Correction)
    except msgspec.ValidationError as error:
        raise UsageError(f"That cannot be put right: {error}.", "Load the page again.") from error


def undone_of(entry: Entry) -> dict[str, list[dict[str, Any]]]:
    """What was taken back and may be done again, by arm."""
    return read_slip(_undone(entry)) or {}


def edits_told(entry: Entry) -> dict[str, Any]:
    """The edit list as a page shows it, photos by their ids."""
    ids = {(p.arm, p.path.name): p.id for p in entry.photos}
    return {
        "edits": {
            arm: [{**row, "photo": ids.get((arm, str(row.get("photo"))), "")} for row in rows]
            for arm, rows in corrections_of(entry).items()
        },
        "undone": {arm: len(rows) for arm, rows in undone_of(entry).items()},
        "marks": {
            arm: {k: v for k, v in table.items() if k in ("centreline", "forward", "face")}
            for arm, table in entry.table.items()
            if arm in ARMS and isinstance(table, dict)
        },
    }


def _undone(entry: Entry) -> Path:
    return entry.bench / "undone.json"


def row_of(entry: Entry, form: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """An arm, and a row of its edit list as a page tells it: ``arm``, ``do``, ``photo`` (an id), ``points``.

    Raises
    ------
    UsageError
        It cannot be one.
    """
    arm, photo_id = str(form.get("arm")), str(form.get("photo"))
    photo = entry.photo(photo_id)
    if photo.arm != arm:
        raise UsageError("That photo is of another side.", "Load the page again.")
    row = {
        "do": str(form.get("do")),
        "photo": photo.path.name,
        "points": _points(form.get("points")),
    }
    return arm, row


def add_correction(shelf: Shelf, entry: Entry, form: dict[str, Any]) -> Entry:
    """Add one correction (:func:`row_of`); raises alike, and then the job stays as it was."""
    arm, row = row_of(entry, form)

    def add(listed: list[Any]) -> list[Any]:
        if len(listed) >= _MOST:
            raise UsageError(f"{_MOST} things were put right already.", "Is this the right photo?")
        return [*listed, row]

    changed = _relist(shelf, entry, arm, add)
    _remember(entry, arm, [])
    return changed


def undo(shelf: Shelf, entry: Entry, arm: str) -> Entry:
    """Take the last correction of an arm back."""
    taken: list[Any] = []

    def less(listed: list[Any]) -> list[Any]:
        if not listed:
            raise UsageError("There is nothing to take back.", "")
        taken.append(listed[-1])
        return listed[:-1]

    changed = _relist(shelf, entry, arm, less)
    _remember(entry, arm, [*undone_of(entry).get(arm, []), *taken])
    return changed


def redo(shelf: Shelf, entry: Entry, arm: str) -> Entry:
    """Do again what was taken back last."""
    left = undone_of(entry).get(arm, [])
    if not left:
        raise UsageError("There is nothing to do again.", "")
    changed = _relist(shelf, entry, arm, lambda listed: [*listed, left[-1]])
    _remember(entry, arm, left[:-1])
    return changed


def back_to_traced(shelf: Shelf, entry: Entry, arm: str) -> Entry:
    """Take all corrections of an arm back; each can be done again."""
    taken: list[Any] = []

    def none(listed: list[Any]) -> list[Any]:
        taken.extend(reversed(listed))
        return []

    changed = _relist(shelf, entry, arm, none)
    _remember(entry, arm, [*undone_of(entry).get(arm, []), *taken])
    return changed


def set_mark(shelf: Shelf, entry: Entry, form: dict[str, Any]) -> Entry:
    """Say where the pencil line or forward is, or which face was photographed; None: leave it to be found."""
    arm, key, value = str(form.get("arm")), str(form.get("key")), form.get("value")
    if arm not in ARMS or key not in (*_MARKS, "face"):
        raise UsageError("That cannot be marked.", "Load the page again.")
    if value is not None and key in _MARKS:
        value = _numbers(value, _MARKS[key])
    if value is not None and key == "face" and value not in ("up", "down"):
        raise UsageError("A face is up or down.", "")

    def put(document: tomlkit.TOMLDocument) -> None:
        table: Any = document.setdefault(arm, {})
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value

    return shelf.change(entry, put)


def rename_edge(shelf: Shelf, entry: Entry, form: dict[str, Any]) -> Entry:
    """Call an edge by the builder's name; an empty name gives it its own one back."""
    old, new = form.get("name"), form.get("to")
    if not isinstance(old, str) or not isinstance(new, str) or len(new) > _LONGEST_NAME:
        raise UsageError("That is no name for an edge.", f"Up to {_LONGEST_NAME} letters.")

    def put(document: tomlkit.TOMLDocument) -> None:
        names: Any = document.setdefault("edge_names", {})
        own = next((k for k, v in names.items() if v == old), old)
        if new.strip() and new.strip() != own:
            names[own] = new.strip()
        else:
            names.pop(own, None)
        if not names:
            document.pop("edge_names")

    return shelf.change(entry, put)


def _relist(shelf: Shelf, entry: Entry, arm: str, edit: Callable[[list[Any]], list[Any]]) -> Entry:
    if arm not in ARMS:
        raise UsageError("There is no such side.", "Load the page again.")

    def put(document: tomlkit.TOMLDocument) -> None:
        table: Any = document.get(arm)
        if table is None:
            raise UsageError("This side has no photos.", "")
        listed = [dict(row) for row in table.unwrap().get("corrections", [])]
        rows = edit(listed)
        table.pop("corrections", None)
        if rows:
            table["corrections"] = rows

    return shelf.change(entry, put)


def _remember(entry: Entry, arm: str, rows: list[Any]) -> None:
    table = {**undone_of(entry), arm: rows}
    put_slip(_undone(entry), table)


def _points(value: Any) -> list[list[float]]:
    if not isinstance(value, list):
        raise UsageError("The page sent no places.", "Load it again.")
    return [_numbers(point, 2) for point in value[: _MOST + 1]]


def _numbers(value: Any, count: int) -> list[float]:
    right = (
        isinstance(value, list)
        and len(value) == count
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        and all(math.isfinite(v) and abs(v) < 1e6 for v in value)
    )
    if not right:
        raise UsageError("The page sent a place that is none.", "Load it again.")
    return [round(float(v), 2) for v in value]
