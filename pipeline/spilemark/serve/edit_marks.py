"""What is said by hand of a photo beside its edge: line, bow, face, names; each can be taken back.

The job file holds what is so now.  What was so before stands in a slip, with how many corrections
there were then, so that undo walks back through both in the order in which they were made.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import tomlkit

from spilemark.errors import UsageError
from spilemark.results import ARMS
from spilemark.serve.entries import Entry, put_slip, read_slip
from spilemark.serve.shelf import Shelf

MARKS = {"centreline": 4, "forward": 2}
"""Numbers of each, px of an arm's first photo."""
NAMES = "edge_names"
_LONGEST_NAME = 60
_MOST_STEPS = 200

Step = dict[str, Any]


def count_steps(entry: Entry, arm: str) -> int:
    """How many marks and names can be taken back."""
    return len(_steps(entry).get(arm, []))


def last_step(entry: Entry, arm: str, corrections: int) -> Step | None:
    """What was said last of an arm; None where its last correction was made after that."""
    steps = _steps(entry).get(arm, [])
    return steps[-1] if steps and steps[-1]["after"] >= corrections else None


def take_back(shelf: Shelf, entry: Entry, under: str, step: Step) -> tuple[Entry, Step]:
    """Make it as it was before a step; hands back what would do it again."""
    arm, key = step["arm"], step["key"]
    again = {"key": key, "arm": arm, "value": _now(entry, arm, key)}
    changed = shelf.change(entry, _putting(arm, key, step["was"]))
    _keep(entry, under, _steps(entry).get(under, [])[:-1])
    return changed, again


def put_again(shelf: Shelf, entry: Entry, under: str, again: Step, corrections: int) -> Entry:
    """Do a step again that was taken back."""
    return _step(shelf, entry, (again["arm"], under), again["key"], again["value"], corrections)


def set_mark(shelf: Shelf, entry: Entry, form: dict[str, Any], corrections: int) -> Entry:
    """Set a mark of an arm as a page tells it, or leave it to be found.

    Raises
    ------
    UsageError
        It cannot be one; the job stays as it was.
    """
    arm, key, value = str(form.get("arm")), str(form.get("key")), form.get("value")
    if arm not in ARMS or key not in (*MARKS, "face"):
        raise UsageError("That cannot be marked.", "Load the page again.")
    if value is not None and key in MARKS:
        value = numbers(value, MARKS[key])
    if value is not None and key == "face" and value not in ("up", "down"):
        raise UsageError("A face is up or down.", "")
    return _step(shelf, entry, (arm, under_of(form)), key, value, corrections)


def rename_edge(shelf: Shelf, entry: Entry, form: dict[str, Any], corrections: int) -> Entry:
    """Rename an edge as a page tells it; raises alike."""
    old, new = form.get("name"), form.get("to")
    if not isinstance(old, str) or not isinstance(new, str) or len(new) > _LONGEST_NAME:
        raise UsageError("That is no name for an edge.", f"Up to {_LONGEST_NAME} letters.")
    names = dict(_now(entry, "", NAMES) or {})
    own = next((k for k, v in names.items() if v == old), old)
    names.pop(own, None)
    if new.strip() and new.strip() != own:
        names[own] = new.strip()
    where = str(form.get("arm")), under_of(form)
    return _step(shelf, entry, where, NAMES, names or None, corrections)


def under_of(form: dict[str, Any]) -> str:
    """The arm in whose list a step stands: in a photo of both sides, theirs together."""
    return str(form.get("under") or form.get("arm"))


def _step(
    shelf: Shelf, entry: Entry, where: tuple[str, str], key: str, value: Any, corrections: int
) -> Entry:
    """Change the job file, and remember how it was; ``where``: its table, and whose list this is of."""
    arm, under = where
    was = _now(entry, arm, key)
    changed = shelf.change(entry, _putting(arm, key, value))
    if under in ARMS:
        step = {
            "after": corrections,
            "arm": arm,
            "key": key,
            "was": was,
            "of": _first_photo(entry, under),
        }
        _keep(entry, under, [*_steps(entry).get(under, []), step][-_MOST_STEPS:])
    return changed


def _now(entry: Entry, arm: str, key: str) -> Any:
    """What the job file says now, as plain data."""
    table = entry.table if key == NAMES else entry.table.get(arm)
    return table.get(key) if isinstance(table, dict) else None


def _putting(arm: str, key: str, value: Any) -> Callable[[tomlkit.TOMLDocument], None]:
    def put(document: tomlkit.TOMLDocument) -> None:
        table: Any = document if key == NAMES else document.setdefault(arm, {})
        if value is None:
            table.pop(key, None)
        elif key == NAMES and key in table:
            # Comments beside the names that stay are the person's.
            for name in [name for name in table[key] if name not in value]:
                table[key].pop(name)
            for name, called in value.items():
                table[key][name] = called
        else:
            table[key] = value

    return put


def _slip(entry: Entry) -> Path:
    return entry.bench / "steps.json"


def _steps(entry: Entry) -> dict[str, list[Step]]:
    """By arm; what was said of the pixels of a photo that is no longer the first counts no more."""
    held = read_slip(_slip(entry)) or {}
    return {
        arm: [s for s in steps if s["key"] not in MARKS or s["of"] == _first_photo(entry, arm)]
        for arm, steps in held.items()
    }


def _keep(entry: Entry, arm: str, steps: list[Step]) -> None:
    put_slip(_slip(entry), {**_steps(entry), arm: steps})


def _first_photo(entry: Entry, arm: str) -> str:
    return next((photo.path.name for photo in entry.photos if photo.arm == arm), "")


def numbers(value: Any, count: int) -> list[float]:
    """So many plain numbers, two decimals each; raises ``UsageError``."""
    right = (
        isinstance(value, list)
        and len(value) == count
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        and all(math.isfinite(v) and abs(v) < 1e6 for v in value)
    )
    if not right:
        raise UsageError("The page sent a place that is none.", "Load it again.")
    return [round(float(v), 2) for v in value]
