"""What is wrong in the form of a job, told at each field in the words of the form."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from spilemark.errors import SpilemarkError, UsageError

PLACE = "§"
"""Stands for the place in messages of the job file's checks, to be taken off again."""
_BETWEEN = "Write each as two cards and a length, cross to cross, such as A-H = 742.5"
_THICK = "Write for example 3.1, 3.1 ± 0.05 or 1/8 in."
_HOW = {
    "thickness": _THICK,
    "port_thickness": _THICK,
    "starboard_thickness": _THICK,
    "battens": f"{_BETWEEN}.",
    "distances": f"{_BETWEEN}.",
    "port_distances": f"{_BETWEEN}.",
    "starboard_distances": f"{_BETWEEN}.",
    "printed_bar": "Write for example 100.4 across, 99.9 along. The bars are 100 mm as drawn.",
    "centreline_offset": "Write for example 410, or 16 1/8 in.",
    "tolerance": "Write for example 1.5, or 1/16 in.",
    "date": "Write for example 2026-05-14.",
}
"""What to write instead, by field."""
LABELS = {
    "boat": "Boat",
    "part": "Part",
    "thickness": "Thickness of the pattern's stock",
    "port_thickness": "Thickness, port",
    "starboard_thickness": "Thickness, starboard",
    "battens": "Batten",
    "distances": "Taped distance",
    "port_distances": "Taped distance, port",
    "starboard_distances": "Taped distance, starboard",
    "printed_bar": "The printed 100 mm bars",
    "centreline_offset": "From the pencil line to the boat's centreline",
    "tolerance": "What still counts as the same",
    "date": "Date on the templates",
}


@dataclass(frozen=True, slots=True)
class FieldError:
    """One field whose answer is not understood."""

    field: str
    words: str


class FormWrong(UsageError):
    """A form of which some answers are not understood.

    Parameters
    ----------
    fields : sequence of FieldError
        In the order of the form.
    """

    def __init__(self, fields: Sequence[FieldError]) -> None:
        self.fields = tuple(fields)
        names = [LABELS.get(f.field, f.field) for f in fields]
        count = "This answer is" if len(names) == 1 else f"These {len(names)} answers are"
        super().__init__(
            f"{count} not understood: {'; '.join(names)}.", "What is wrong stands at each."
        )


def field_error(field: str, said: str, error: SpilemarkError) -> FieldError:
    """An error of the job file's checks, as its field tells it."""
    key = field.partition("_")[2] if field.startswith(("port_", "starboard_")) else field
    words = re.sub(rf"^{PLACE}[,:]?\s*(?:\[\w+\],?[,:]?\s*)*", "", error.what)
    words = re.sub(rf"^{key}(?:: | = )", "", words)
    words = re.sub(r"\b(?:port|starboard):(?=[A-Za-z])", "", words)
    if not words.startswith(said):
        words = words[:1].upper() + words[1:]
    return FieldError(field, f"{words} {_HOW.get(field, error.todo)}".strip())
