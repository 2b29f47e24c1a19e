"""What a form says of a job, in the words of a job file, and back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tomlkit

from spilemark.errors import SpilemarkError, UsageError
from spilemark.jobfile import order_from as check_order
from spilemark.results import ARMS
from spilemark.serve.form_errors import PLACE, FieldError, FormWrong, field_error
from spilemark.serve.typed import as_metric, bars_in, pairs_in, with_unit

_TEXTS = ("boat", "part")
_LENGTHS = ("thickness", "centreline_offset", "tolerance")
_CHOICES = ("units", "paper", "cards_on", "edge")
_BETWEEN = ("battens", "distances")
_TOP = (*_TEXTS, *_LENGTHS, *_CHOICES, *_BETWEEN, "printed_bar", "date")
SIDES = ("port", "starboard")
_OF_SIDE = tuple(f"{side}_{key}" for side in SIDES for key in ("thickness", "distances"))
FIELDS: tuple[str, ...] = (*_TOP, *_OF_SIDE)
"""What the form of a job asks, by the keys of a job file; what differs by side begins with the side."""
PRINTER = "printer:"
"""Before the name of a printer that was measured, where a paper is chosen: it has its own."""


def table_from(form: dict[str, Any]) -> dict[str, Any]:
    """A job's top keys from a form; an empty field is left out.

    Raises
    ------
    UsageError
        A field that is not one of :data:`FIELDS`, or is not a text.
    FormWrong
        Fields whose answers are not understood, all of them at once.
    """
    strange = [key for key in form if key not in FIELDS]
    if strange or not all(isinstance(value, str) for value in form.values()):
        raise UsageError("The form was not filled in on this page.", "Load the page again.")
    said = {key: value.strip() for key, value in form.items() if value.strip()}
    inches = said.get("units") == "in"
    table: dict[str, Any] = {}
    wrong: list[FieldError] = []
    for key in FIELDS:
        if key not in said:
            continue
        try:
            told = _told(key, said[key], inches=inches)
            if key not in _CHOICES:  # these are not typed, and may rest on what a job file holds
                check_order(told, PLACE)
        except SpilemarkError as error:
            wrong.append(field_error(key, said[key], error))
            continue
        _lay_over(table, told)
    if wrong:
        raise FormWrong(wrong)
    # A key that followed a table would be within it.
    return dict(sorted(table.items(), key=lambda item: isinstance(item[1], dict)))


def _told(key: str, text: str, *, inches: bool) -> dict[str, Any]:
    """One field in the words of a job file."""
    side, _, rest = key.partition("_")
    if key in _OF_SIDE and rest == "thickness":
        return {side: {"thickness": with_unit(text, inches=inches)}}
    if key in _OF_SIDE:
        return {"distances": [f"{side}:{pair}" for pair in pairs_in(text, inches=inches)]}
    if key in _LENGTHS:
        return {key: with_unit(text, inches=inches)}
    if key in _BETWEEN:
        return {key: pairs_in(text, inches=inches)}
    if key == "date":
        return {key: _date(text)}
    if key == "paper" and text.startswith(PRINTER):
        return {"printer": text.removeprefix(PRINTER)}
    return {key: bars_in(text) if key == "printed_bar" else text}


def _lay_over(table: dict[str, Any], told: Mapping[str, Any]) -> None:
    for key, value in told.items():
        if key in _BETWEEN:
            table[key] = [*table.get(key, []), *value]
        else:
            table[key] = value


def form_of(table: dict[str, Any]) -> dict[str, str]:
    """The fields of a form that hold what a job file says."""
    form: dict[str, str] = {}
    shown = as_metric if table.get("units") == "in" else str
    for key in _TOP:
        value = table.get(key)
        if value is None:
            form[key] = ""
        elif key in _BETWEEN and isinstance(value, list):
            form[key] = "; ".join(shown(str(v)) for v in value if not _side_of(v))
        elif key == "printed_bar" and isinstance(value, list):
            form[key] = " x ".join(f"{v:g}" for v in value)
        else:
            form[key] = shown(str(value)) if key in _LENGTHS else str(value)
    listed = table.get("distances")
    rows = [str(v) for v in listed] if isinstance(listed, list) else []
    for side in SIDES:
        own = table.get(side)
        thick = own.get("thickness") if isinstance(own, dict) else None
        form[f"{side}_thickness"] = "" if thick is None else shown(str(thick))
        mine = [shown(row.partition(":")[2].strip()) for row in rows if _side_of(row) == side]
        form[f"{side}_distances"] = "; ".join(mine)
    if table.get("printer"):
        form["paper"] = f"{PRINTER}{table['printer']}"
    return form


def _side_of(row: object) -> str:
    """The side whose photos a taped distance is of; empty where it is of all."""
    side, colon, _ = str(row).partition(":")
    return side.strip() if colon and side.strip() in SIDES else ""


def lay_in(document: tomlkit.TOMLDocument, table: dict[str, Any]) -> None:
    """Put a form's answers into a job file; what the form leaves empty is taken out."""
    for side in SIDES:
        thick = table.get(side, {}).get("thickness")
        own: Any = document.get(side)
        if thick is not None and own is None:
            document[side] = {"photos": [], "thickness": thick}
        elif thick is not None and own.get("thickness") != thick:
            own["thickness"] = thick
        elif thick is None and own is not None:
            own.pop("thickness", None)
    for key in (*_TOP, "printer"):
        if key == "paper" and "printer" in table and document.get("printer") == table["printer"]:
            # Said beside a printer it is that printer's own.
            continue
        if key not in table:
            document.pop(key, None)
        elif document.get(key) != table[key]:
            document[key] = table[key]
    # tomlkit adds new keys at the end, which would be within the last table.
    _top_first(document)


def lay_paper(document: tomlkit.TOMLDocument, chosen: str) -> None:
    """Put a paper, or a printer with its own, into a job file."""
    for key in ("paper", "printer"):
        document.pop(key, None)
    if chosen.startswith(PRINTER):
        document["printer"] = chosen.removeprefix(PRINTER)
    else:
        document["paper"] = chosen
    _top_first(document)


def _top_first(document: tomlkit.TOMLDocument) -> None:
    plain = [k for k, v in document.items() if not isinstance(v, dict)]
    tables = [k for k, v in document.items() if isinstance(v, dict)]
    if list(document) == [*plain, *tables]:
        return
    held = {key: document[key] for key in tables}
    for key in tables:
        document.remove(key)
    for key in tables:
        document[key] = held[key]


def arms_of(table: dict[str, Any]) -> list[str]:
    """Arms that have photos."""
    return [a for a in ARMS if isinstance(table.get(a), dict) and table[a].get("photos")]


def arms_open(table: dict[str, Any]) -> list[str]:
    """Arms that a further photo may be of."""
    has = arms_of(table)
    if not has:
        return [*ARMS]
    if "both" in has or "single" in has:
        return has
    return ["port", "starboard"]


def _date(text: str) -> Any:
    import datetime as dt

    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text} is not a date.", "Write for example 2026-05-14.") from error
