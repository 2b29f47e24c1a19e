"""Strict reading of what a person typed into a TOML file: a misspelt key is named."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

import msgspec

from spilemark.errors import UnreadableInput, UsageError

T = TypeVar("T")


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : Path
    what : str
        What the file is to the person, for messages: "job file".

    Raises
    ------
    UnreadableInput
        The file is missing, is not text, or breaks TOML's rules; the message
        holds the line.
    """
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UnreadableInput(
            f"The {what} {path} cannot be read: {reason}.", "Check its name and folder."
        ) from error
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"The {what} {path} is not plain text.", "Save it as UTF-8 text."
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise UnreadableInput(
            f"The {what} {path} has a slip of the pen: {error}.",
            'Texts stand in quotes, such as thickness = "3.1 mm".',
        ) from error


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `` Did you mean "x"?`` for the known word nearest to ``word``, or nothing."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f' Did you mean "{close[0]}"?' if close else ""


def check_keys(table: dict[str, Any], known: Iterable[str], where: str) -> None:
    """Refuse a key that nobody knows.

    Raises
    ------
    UsageError
        Names the key, the nearest right one, and all that are known.
    """
    right = tuple(known)
    for key in table:
        if key not in right:
            listed = ", ".join(right) if right else "none"
            raise UsageError(
                f'{where.rstrip(",")} has an unknown key "{key}".{nearest(key, right)}',
                f"Known here: {listed}.",
            )


def convert(table: dict[str, Any], kind: type[T], where: str) -> T:
    """Turn a table into a record, with types checked.

    Parameters
    ----------
    table : dict
        As read from TOML.
    kind : type
        A dataclass or msgspec struct.
    where : str
        For messages: 'Job file knee.toml, table "port"'.

    Raises
    ------
    UsageError
        A key is unknown or missing, or a value is of the wrong type.
    """
    check_keys(table, _names(kind), where)
    try:
        return msgspec.convert(table, type=kind, strict=True)
    except msgspec.ValidationError as error:
        what, todo = _told(str(error), kind)
        raise UsageError(f"{where.rstrip(',')}: {what}.", todo) from error


def _names(kind: Any) -> tuple[str, ...]:
    if issubclass(kind, msgspec.Struct):
        return tuple(kind.__struct_encode_fields__)
    return tuple(kind.__dataclass_fields__)


_KINDS = {
    "str": "text",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "date": "a date",
    "datetime": "a date with a time",
    "time": "a time",
}
_HOW = {
    "array": "Lists stand in square brackets, with commas between.",
    "str": "Texts stand in quotes.",
    "float": "Numbers stand without quotes, with a point before the decimals.",
    "int": "Numbers stand without quotes.",
    "bool": "Write true or false, without quotes.",
    "date": "Write it as 2026-05-14, without quotes.",
}
_BOUNDS = {">=": "of at least", ">": "above", "<=": "of at most", "<": "below"}


def _told(message: str, kind: Any) -> tuple[str, str]:
    """Put the validator's words into a builder's: what is wrong, and how it is written."""
    fault, _, path = message.partition(" - at `$")
    place = _place(path.rstrip("`").removeprefix("."))
    if found := re.fullmatch(r"Object missing required field `(.+)`", fault):
        return f'the key "{found[1]}" is missing', "Add it."
    if found := re.fullmatch(r"Invalid enum value (.+)", fault):
        return f"{place} = {found[1]} is not known", _choices(kind, path)
    if "date" in fault and fault.startswith("Invalid"):
        return f"{place} is not a date", _HOW["date"]
    if found := re.fullmatch(r"Expected `([^`]+)`(?:, got `([^`]+)`| (.+))", fault):
        wanted = [name for name in found[1].split(" | ") if name in _KINDS]
        words = " or ".join(_KINDS[name] for name in wanted) or found[1]
        got = f", not {_KINDS.get(found[2], found[2])}" if found[2] else _bound(found[3])
        return f"{place} must be {words}{got}", _HOW.get((wanted or [""])[0], "Correct it there.")
    return f"{place}: {fault}".replace("`", ""), "Correct the value there."


def _place(path: str) -> str:
    """`photos[0]` as "photos, number 1,"; what is wrong as a whole has no path."""
    if found := re.fullmatch(r"(.+)\[(\d+)\]", path):
        return f"{found[1]}, number {int(found[2]) + 1},"
    return path or "it"


def _bound(words: str) -> str:
    """What a value is bounded by: "> 0.0", "of length 2, got 3", "of length <= 40"."""
    if found := re.fullmatch(r"of length (\d+), got (\d+)", words):
        return f" of {found[1]} things, not {found[2]}"
    if found := re.fullmatch(r"of length (\S+) (\d+)", words):
        return f" {_BOUNDS.get(found[1], found[1])} {found[2]} letters"
    sign, _, number = words.partition(" ")
    return f" {_BOUNDS.get(sign, sign)} {number.removesuffix('.0')}"


def _choices(kind: Any, path: str) -> str:
    """The words that a key takes, where it takes a few only."""
    key = path.rstrip("`").removeprefix(".")
    hint = get_type_hints(kind).get(key)
    literals = [h for h in (hint, *get_args(hint)) if get_origin(h) is Literal]
    words = [str(word) for h in literals for word in get_args(h)]
    return f"Choose {', '.join(words)}." if words else "Correct the value there."
