"""Notes as a person is told them: what holds alike for both sides is said once."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from spilemark.records import Note
from spilemark.units import INCH_MM, Units

_FOR_BOTH = frozenset(
    {"face-assumed", "forward-deduced", "forward-unknown", "offset-unknown", "no-reference-line"}
)
"""Notes that name their side and would mean the same of both."""
_NUMBER = r"±?\d+(?:\.\d+)?"
_LENGTH = re.compile(
    rf"(?<![\w.(±])(?P<one>{_NUMBER})(?:(?P<joint> and | to | ± )(?P<two>{_NUMBER}))?"
    rf"\u00a0?\s?mm\b(?! (?:check )?bar)(?: \(give or take (?P<doubt>{_NUMBER})(?=\)))?"
)
_SIDE = re.compile(r"\b(port|starboard)\b")


def merged(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Join notes that say the same of port and of starboard, word for word; all others stay."""
    found: list[Note] = []
    told: dict[tuple[str, str], int] = {}
    for note in notes:
        key = (note.code, _SIDE.sub("", note.text))
        if note.code not in _FOR_BOTH or key not in told:
            told.setdefault(key, len(found))
            found.append(note)
        elif found[told[key]].text != note.text:
            found[told[key]] = replace(note, text=_of_both(note.text))
    return tuple(found)


def in_inches(text: str) -> str:
    """A note's words with its lengths in inches; the printed 100 mm bars keep their name.

    Each length keeps its precision: one decimal more than in mm.
    """
    return _LENGTH.sub(_inches, text)


def shown_in(note: Note, units: Units) -> Note:
    """A note in the words of a job in these units; value and unit stay as they are."""
    if units == "mm":
        return note
    text = in_inches(note.text)
    return note if text == note.text else replace(note, text=text)


def _inches(found: re.Match[str]) -> str:
    first, joint, second, doubt = found.group("one", "joint", "two", "doubt")
    words = f"{_inch(first)}{joint}{_inch(second)}" if second else _inch(first)
    return f"{words} (give or take {_inch(doubt)}" if doubt else words


def _inch(number: str) -> str:
    sign, bare = ("±", number[1:]) if number.startswith("±") else ("", number)
    digits = len(bare.partition(".")[2]) + 1
    return f'{sign}{float(bare) / INCH_MM:.{digits}f}"'


def _of_both(text: str) -> str:
    text = re.sub(r"\bon the (port|starboard) (\w+)", r"on either \2", text)
    text = re.sub(r"\bthe (port|starboard) (\w+)", r"both \2s", text)
    text = re.sub(r"\b(port|starboard):", "SIDE:", text)
    return _SIDE.sub("port and starboard", text)
