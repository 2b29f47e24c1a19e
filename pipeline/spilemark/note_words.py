"""Notes as a person is told them: what holds alike for both sides is said once."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from spilemark.records import Note

_FOR_BOTH = frozenset(
    {"face-assumed", "forward-deduced", "forward-unknown", "offset-unknown", "no-reference-line"}
)
"""Notes that name their side and would mean the same of both."""
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


def _of_both(text: str) -> str:
    text = re.sub(r"\bon the (port|starboard) (\w+)", r"on either \2", text)
    text = re.sub(r"\bthe (port|starboard) (\w+)", r"both \2s", text)
    text = re.sub(r"\b(port|starboard):", "SIDE:", text)
    return _SIDE.sub("port and starboard", text)
