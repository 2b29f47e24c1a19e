"""What a person puts right on the page: an edit list in the job file, with undo and redo."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import tomlkit

from spilemark.corrections import Correction
from spilemark.errors import UsageError
from spilemark.results import ARMS
from spilemark.serve import edit_marks
from spilemark.serve.edit_marks import numbers
from spilemark.serve.entries import Entry, put_slip, read_slip
from spilemark.serve.shelf import Shelf

_MOST = 500


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
        "undoable": {
            arm: len(rows) + edit_marks.count_steps(entry, arm)
            for arm in ARMS
            if (rows := corrections_of(entry).get(arm, [])) or edit_marks.count_steps(entry, arm)
        },
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
    """Take back what was done last for an arm: a correction, a mark, a name."""
    listed = corrections_of(entry).get(arm, [])
    step = edit_marks.last_step(entry, arm, len(listed))
    if step is not None:
        changed, taken = edit_marks.take_back(shelf, entry, arm, step)
    elif listed:
        changed, taken = _relist(shelf, entry, arm, lambda rows: rows[:-1]), listed[-1]
    else:
        raise UsageError("There is nothing to take back.", "")
    _remember(entry, arm, [*undone_of(entry).get(arm, []), taken])
    return changed


def redo(shelf: Shelf, entry: Entry, arm: str) -> Entry:
    """Do again what was taken back last."""
    left = undone_of(entry).get(arm, [])
    if not left:
        raise UsageError("There is nothing to do again.", "")
    again = left[-1]
    if "key" in again:
        count = len(corrections_of(entry).get(arm, []))
        changed = edit_marks.put_again(shelf, entry, arm, again, count)
    else:
        changed = _relist(shelf, entry, arm, lambda listed: [*listed, again])
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
    """Say where the pencil line or forward is, or which face was photographed (``arm``, ``key``, ``value``).

    None: leave it to be found.
    """
    under = edit_marks.under_of(form)
    count = len(corrections_of(entry).get(under, []))
    changed = edit_marks.set_mark(shelf, entry, form, count)
    _remember(entry, under, [])
    return changed


def rename_edge(shelf: Shelf, entry: Entry, form: dict[str, Any]) -> Entry:
    """Call an edge by the builder's name; an empty name gives it its own one back.

    ``name``, ``to``, and the ``arm`` on which it can be taken back.
    """
    under = edit_marks.under_of(form)
    count = len(corrections_of(entry).get(under, []))
    changed = edit_marks.rename_edge(shelf, entry, form, count)
    if under in ARMS:
        _remember(entry, under, [])
    return changed


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
    return [numbers(point, 2) for point in value[: _MOST + 1]]
