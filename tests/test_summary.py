"""The terminal's words: verdict first, plain letters, what to do."""

from __future__ import annotations

import io
import sys
from dataclasses import replace

import drawn_jobs
import pytest
import shapes as zoo

from spilemark import cli, wording
from spilemark.letters import ERRORS, ascii_words
from spilemark.note_words import merged
from spilemark.records import Note, Side
from spilemark.summary import advice_for, summary_lines, summary_text
from spilemark.uncertainty import budget


@pytest.fixture(scope="module")
def fuller():
    bumped = zoo.knee(side="starboard", bump_mm=(200.0, 4.0, 60.0))
    told = Note(code="x", severity="warn", text="Größe ½ unklar.", photo="port.jpg")
    facts = replace(drawn_jobs.FACTS, boat="Ängla")
    return drawn_jobs.result(starboard=bumped, notes=(told,), facts=facts)


def test_the_verdict_comes_first(fuller):
    text = " ".join(summary_text(fuller).split())
    assert text.startswith(fuller.comparison.verdict)
    assert "One part does not serve both sides" in text


def test_numbers_come_before_notes_and_the_check_bars_last(fuller):
    text = " ".join(summary_text(fuller).split())
    order = [
        text.index(words)
        for words in (
            "One part does not serve",
            "A part made as large as both would lose",
            "Port: ±",
            "Starboard: ±",
            "Scale: taped A-H 742.5 mm",
            "Mind:",
            "Measure the check bars in both directions",
        )
    ]
    assert order == sorted(order)


def test_each_side_has_its_figure_with_the_fixed_words_and_what_would_help(fuller):
    text = " ".join(summary_text(fuller).split())
    for side in (Side.PORT, Side.STARBOARD):
        pattern = fuller.patterns[side]
        words = wording.doubt_words(pattern, fuller.facts, fuller.survey.scale)
        assert f"{str(side).capitalize()}: {words}" in text
        largest = budget(pattern, after="fit")[0].cause
        assert f"comes from: {largest}" in text
        assert advice_for(largest) in text


def test_wood_to_take_off_is_told_by_edge(fuller):
    text = summary_text(fuller)
    deepest = max(fuller.comparison.take_off, key=lambda t: t.most_mm)
    line = next(row for row in text.splitlines() if f"{deepest.most_mm:.1f} mm to fit" in row)
    assert str(deepest.side) in line
    assert deepest.edge in line


def test_only_differences_that_pass_the_tolerance_are_listed(fuller):
    slight = Note(code="difference-seen", severity="info", text="Port is 0.5 mm fuller.")
    more = Note(code="differences-more", severity="info", text="7 more differences.")
    large = Note(code="difference-seen", severity="warn", text="Port is 4.5 mm fuller.")
    text = summary_text(replace(fuller, notes=(slight, more, large)))
    assert "Port is 4.5 mm fuller." in text
    assert "Port is 0.5 mm fuller." not in text
    assert "7 more differences" not in text


def test_equal_sides_lose_no_wood():
    job = drawn_jobs.result()
    same = replace(job, comparison=replace(job.comparison, one_part_serves_both=True))
    text = summary_text(same)
    assert "serves both sides within the tolerance" in text
    assert "would lose" not in text
    unsure = replace(job, comparison=replace(job.comparison, one_part_serves_both=None))
    assert "cannot be told" in summary_text(unsure)


def test_lines_are_no_wider_than_a_terminal(fuller):
    assert all(len(line) <= 96 for line in summary_lines(fuller))


@pytest.mark.parametrize(
    ("encoding", "shown"), [("utf-8", "±"), ("cp1252", "±"), ("cp437", "±"), ("ascii", "+-")]
)
def test_signs_stand_where_the_terminal_has_them_and_letters_where_not(fuller, encoding, shown):
    # ± is in code pages 437 and 1252 (Unicode Consortium's mapping tables), and not in ASCII.
    terminal = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors=ERRORS)
    terminal.write(summary_text(fuller))
    terminal.flush()
    text = terminal.buffer.getvalue().decode(encoding)
    assert f"Port: {shown}" in text
    assert "?" not in text.replace("photographed?", "")


@pytest.mark.parametrize(
    "arguments",
    [
        [
            "horn",
            "--port-diagonal",
            "3667mm",
            "--starboard-diagonal",
            "3663.8mm",
            "--breadth",
            "1240mm",
        ]
    ],
)
def test_every_command_writes_signs_in_one_way(arguments, monkeypatch):
    # Neither sign is in ISO 8859-6 (Unicode Consortium's mapping tables).
    said = {}
    for encoding in ("utf-8", "iso8859-6"):
        terminal = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
        monkeypatch.setattr(sys, "stdout", terminal)
        assert cli.main(arguments) == 0
        terminal.flush()
        said[encoding] = terminal.buffer.getvalue().decode(encoding)
    assert "±" in said["utf-8"]
    assert "°" in said["utf-8"]
    assert said["iso8859-6"] == ascii_words(said["utf-8"])
    assert "+-" in said["iso8859-6"]


def test_what_holds_for_both_sides_is_noted_once():
    facts = replace(drawn_jobs.FACTS, face={})
    result = drawn_jobs.result(facts=facts)
    notes = tuple(n for p in result.patterns.values() for n in p.notes)
    told = merged(notes)
    codes = [n.code for n in notes]
    assert codes.count("face-assumed") == codes.count("forward-deduced") == 2
    assert len({n.code for n in told}) == len(told)
    face = next(n for n in told if n.code == "face-assumed")
    assert face.text == (
        "The upper face of both patterns was taken as the one in the picture (--face SIDE:down if not)."
    )
    text = " ".join(summary_text(replace(result, notes=notes)).split())
    assert text.count("upper face") == 1
    # What is of one side only keeps its name.
    (alone,) = merged([n for n in notes if n.code == "face-assumed"][:1])
    assert "the port pattern" in alone.text
    # Two that differ in a number stay two.
    short = [Note(code="line-short", severity="info", text=f"The {s} line is {k} mm")
             for s, k in (("port", 3), ("starboard", 4))]  # fmt: skip
    assert len(merged(short)) == 2


def test_a_lost_point_in_the_thickness_is_asked_about():
    facts = replace(drawn_jobs.FACTS, thickness_mm=31.0)
    text = " ".join(summary_text(drawn_jobs.result(facts=facts)).split())
    assert "Thickness of the pattern: 31 mm, as told. Pattern stock that thick?" in text
    note = wording.thick_stock(facts)
    assert note is not None
    assert note.severity == "warn"
    assert "31 for 3.1" in note.text
    assert wording.thick_stock(drawn_jobs.FACTS) is None
    assert wording.thick_stock(replace(facts, cards_on="pattern")) is None


def test_words_keep_their_sense_in_plain_letters():
    assert ascii_words("±0.3° − 2 × 4 mm²") == "+-0.3 deg - 2 x 4 mm2"
    assert ascii_words("Ängla, Åse, \u2693") == "Angla, Ase, ?"


def test_one_side_says_that_there_is_no_comparison():
    text = summary_text(drawn_jobs.result(sides=("starboard",)))
    assert text.startswith("One pattern was measured (starboard): a template, and no comparison.")


def test_without_a_size_no_figure_is_given():
    text = summary_text(drawn_jobs.result(sides=("port",), scale=drawn_jobs.NOMINAL))
    assert "NO ABSOLUTE SIZE IS CLAIMED" in text
    assert "±" not in text


def test_inches_where_they_were_asked_for():
    facts = replace(drawn_jobs.FACTS, units="in")
    text = " ".join(summary_text(drawn_jobs.result(facts=facts)).split())
    assert '" (95 %) for the pattern' in text


def test_what_helps_is_known_for_every_cause_that_the_rooms_name():
    for cause in (
        "card print scale", "measured check bars", "taped distance", "scale batten",
        "face height", "cards not lying flat", "lens", "reading of the crossings",
        "reference line", "flatness of the sheet", "edge place", "edge noise",
    ):  # fmt: skip
        assert advice_for(cause)
    assert advice_for("something else") == ""
