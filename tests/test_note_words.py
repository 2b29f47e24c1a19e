"""Words of notes: lengths in the units of the job."""

from __future__ import annotations

import pytest

from spilemark.note_words import in_inches, shown_in
from spilemark.records import Note


@pytest.mark.parametrize(
    ("metric", "inches"),
    [
        # 25.4 mm to the inch (yard of 0.9144 m, 1959); worked by hand.
        ("The pattern reaches 88 mm outside of the cards.", 'The pattern reaches 3.5" outside of the cards.'),
        ("it looks 1.9 mm higher (0.28 % larger) than", 'it looks 0.07" higher (0.28 % larger) than'),
        ("2.1 mm (give or take 0.4) above", '0.08" (give or take 0.02") above'),
        ("between ±0.12 and ±0.45 mm", 'between ±0.005" and ±0.018"'),
        ("lie about 300 mm apart", 'lie about 11.8" apart'),
        # The bars are called after their length as printed.
        ("the 100 mm bar along was told", "the 100 mm bar along was told"),
        ("by 0.31 pixels, 4 mmol", "by 0.31 pixels, 4 mmol"),
        ('0.243" (6.17 mm) thick', '0.243" (6.17 mm) thick'),
    ],
)  # fmt: skip
def test_a_note_of_a_job_in_inches_is_in_inches(metric: str, inches: str) -> None:
    assert in_inches(metric) == inches
    note = Note(code="outside-cards", severity="info", text=metric, value=88.0, unit="mm")
    assert shown_in(note, "in").text == inches
    assert shown_in(note, "in").value == 88.0
    assert shown_in(note, "mm") is note
