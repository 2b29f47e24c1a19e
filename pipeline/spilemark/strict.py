"""Strict reading of what a person typed into a TOML file: a misspelt key is named."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

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
                f'{where} has an unknown key "{key}".{nearest(key, right)}',
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
        raise UsageError(f"{where}: {_plain(str(error))}.", "Correct the value there.") from error


def _names(kind: Any) -> tuple[str, ...]:
    if issubclass(kind, msgspec.Struct):
        return tuple(kind.__struct_encode_fields__)
    return tuple(kind.__dataclass_fields__)


def _plain(message: str) -> str:
    """Put the validator's words into a person's: `$.port.photos` is port.photos."""
    words = {
        "`str`": "text",
        "`float`": "a number",
        "`int`": "a whole number",
        "`bool`": "true or false",
        "`array`": "a list",
        "`object`": "a table",
    }
    for code, word in words.items():
        message = message.replace(code, word)
    return message.replace("`$.", "`").replace(" - at `", ", at `").replace("`", "")
