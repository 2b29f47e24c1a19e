"""What a form says of a job, in the words of a job file, and back."""

from __future__ import annotations

import re
from typing import Any

import tomlkit

from spilemark.errors import UsageError
from spilemark.results import ARMS

_TEXTS = ("boat", "part")
_LENGTHS = ("thickness", "centreline_offset", "tolerance")
_CHOICES = ("units", "paper", "cards_on", "edge")
_BETWEEN = ("battens", "distances")
FIELDS: tuple[str, ...] = (*_TEXTS, *_LENGTHS, *_CHOICES, *_BETWEEN, "printed_bar", "date")
"""What the form of a job asks, by the keys of a job file."""
PRINTER = "printer:"
"""Before the name of a printer that was measured, where a paper is chosen: it has its own."""
_BARE = re.compile(r"[\d\s.,/±+-]*\d[\d\s.,/±+-]*")


def table_from(form: dict[str, Any]) -> dict[str, Any]:
    """A job's top keys from a form; an empty field is left out.

    Raises
    ------
    UsageError
        A field that is not one of :data:`FIELDS`, or is not a text.
    """
    strange = [key for key in form if key not in FIELDS]
    if strange or not all(isinstance(value, str) for value in form.values()):
        raise UsageError("The form was not filled in on this page.", "Load the page again.")
    said = {key: value.strip() for key, value in form.items() if value.strip()}
    inches = said.get("units") == "in"
    table: dict[str, Any] = {}
    for key in FIELDS:
        if key not in said:
            continue
        text = said[key]
        if key in _LENGTHS:
            table[key] = with_unit(text, inches=inches)
        elif key in _BETWEEN:
            table[key] = [pair_with_unit(pair, inches=inches) for pair in rows_in(text)]
        elif key == "date":
            table[key] = _date(text)
        elif key == "paper" and text.startswith(PRINTER):
            table["printer"] = text.removeprefix(PRINTER)
        else:
            table[key] = text
    return table


def form_of(table: dict[str, Any]) -> dict[str, str]:
    """The fields of a form that hold what a job file says."""
    form: dict[str, str] = {}
    for key in FIELDS:
        value = table.get(key)
        if value is None:
            form[key] = ""
        elif key in _BETWEEN and isinstance(value, list):
            form[key] = "; ".join(str(v) for v in value)
        elif key == "printed_bar" and isinstance(value, list):
            form[key] = " x ".join(f"{v:g}" for v in value)
        else:
            form[key] = str(value)
    if table.get("printer"):
        form["paper"] = f"{PRINTER}{table['printer']}"
    return form


def lay_in(document: tomlkit.TOMLDocument, table: dict[str, Any]) -> None:
    """Put a form's answers into a job file; what the form leaves empty is taken out."""
    for key in (*FIELDS, "printer"):
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


def with_unit(text: str, *, inches: bool) -> str:
    """A length as typed: a bare number is meant in the unit that the form shows."""
    return f"{text} in" if inches and _BARE.fullmatch(text) else text


def pair_with_unit(text: str, *, inches: bool) -> str:
    """The same of "cards = length" or "edge = length"; any other text stays as it is."""
    name, equal, length = text.partition("=")
    return f"{name.strip()} = {with_unit(length.strip(), inches=inches)}" if equal else text


def rows_in(text: str) -> list[str]:
    """Several things that were typed in one field, parted by semicolons or line ends."""
    return [row.strip() for row in re.split(r"[;\n]", text) if row.strip()]


def _date(text: str) -> Any:
    import datetime as dt

    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text} is not a date.", "Write for example 2026-05-14.") from error
