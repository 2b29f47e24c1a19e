"""A breasthook against its own mirror image about its line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes as zoo
from drawn_jobs import FACTS, result

from spilemark.cards import shop_cards
from spilemark.conductor import _Run
from spilemark.difference_figure import figure
from spilemark.lens import plane_to_pixels
from spilemark.outputs import write_outputs
from spilemark.own_mirror import OwnMirror, axis_words, has_own_mirror
from spilemark.recipe import prepare, standard_recipe
from spilemark.records import JobFacts, RegisteredPattern, Side, Verdict
from spilemark.report import report
from spilemark.results import JobRequest
from spilemark.summary import summary_lines
from spilemark.testing import shapes
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark_stages.register.reference_line import Options, register
from spilemark_stages.write.report_content import content_of

LINE = ((0.0, 170.0), (0.0, 295.0))


def hook(line=LINE, *, bump_mm: float = 0.0, throat_line: bool = True) -> zoo.Drawn:
    """A breasthook, nose forward, with its pencil line; ``bump_mm`` stands out of its starboard edge."""
    ring = shapes.breasthook()
    if bump_mm:
        ring = shapes.bulge(ring, at_mm=(180.0, 110.0), height_mm=bump_mm, width_mm=90.0)
    start, stop = np.array(line)
    points = start + np.linspace(0.0, 1.0, 24)[:, None] * (stop - start)
    return zoo.Drawn(zoo.even(ring, 1.5), points, ())


def laid(drawn: zoo.Drawn, **facts: object) -> tuple[RegisteredPattern, JobFacts]:
    outline = zoo.outline(drawn, tag="single", noise_seed=3)
    view = zoo.view("single", causes=len(outline.causes))
    bow = plane_to_pixels(np.array([[0.0, 600.0]]), view.plane)[0]
    told = replace(FACTS, forward_px={"single": tuple(bow)}, **facts)  # type: ignore[arg-type]
    outline = replace(outline, views=(view,))
    return register(outline=outline, side=Side.SINGLE, job=told, options=Options()), told


def halves_of(pattern: RegisteredPattern, facts: JobFacts) -> OwnMirror:
    """As a job finds them: by the stages that the standard recipe names."""
    request = JobRequest(facts=facts, photos={}, card_set=shop_cards())
    run = _Run(request, prepare(standard_recipe()), lambda _words: None)
    found = run.halves({Side.SINGLE: pattern})
    assert found is not None
    return found


def test_a_symmetric_part_is_the_same_about_its_line() -> None:
    found = halves_of(*laid(hook(), line_doubt_mm=0.02))
    for alignment in found.comparison.alignments:
        assert {s.verdict for s in alignment.stations} == {Verdict.SAME}
        assert all(s.at_mm[0] >= 0 for s in alignment.stations)
    assert "the same within 1.5 mm" in found.verdict
    assert not found.notes
    assert abs(found.axis_turn_deg) < found.axis_turn_u95_deg
    assert abs(found.axis_offset_mm) < found.axis_offset_u95_mm


def test_a_bump_on_one_half_is_found_there_with_its_sign_and_size() -> None:
    found = halves_of(*laid(hook(bump_mm=3.0), line_doubt_mm=0.02))
    for alignment in found.comparison.alignments:
        worst = max(alignment.stations, key=lambda s: abs(s.gap_mm))
        # Own derivation: the mirror image lies 3 mm inside where starboard stands out by 3 mm.
        assert worst.gap_mm == pytest.approx(-3.0, abs=0.15)
        assert worst.verdict is Verdict.DIFFERENT
        # y is counted from the nose, which was drawn at 300.
        assert np.hypot(worst.at_mm[0] - 180.0, worst.at_mm[1] - (110.0 - 300.0)) < 25.0
    (note,) = found.notes
    assert note.code == "halves-differ"
    assert "starboard is 3.0 mm" in note.text
    other = hook(bump_mm=3.0)
    port = zoo.Drawn(shapes.mirror(other.ring_mm), other.line_mm, ())
    assert "port is 3.0 mm" in halves_of(*laid(port, line_doubt_mm=0.02)).notes[0].text


def test_a_line_beside_the_middle_is_told_from_a_lopsided_part() -> None:
    """The line drawn 1.2 mm to starboard at the nose, and 0.25 degrees askew: by hand."""
    line = ((0.65, 170.0), (1.2, 295.0))
    found = halves_of(*laid(hook(line), line_doubt_mm=0.02))
    askew = np.degrees(np.arctan2(0.55, 125.0))
    at_nose = np.interp(300.0, (170.0, 295.0), (0.65, 1.2)) + 5.0 * 0.55 / 125.0
    assert found.axis_turn_deg == pytest.approx(askew, abs=0.01)
    assert found.axis_offset_mm == pytest.approx(-at_nose, abs=0.05)
    words = axis_words(found, FACTS)
    assert "to port of the drawn one" in words
    assert "to port from it" in words
    fitted = found.comparison.alignments[-1]
    assert {s.verdict for s in fitted.stations} == {Verdict.SAME}


def test_the_lines_own_doubt_is_the_axis_s() -> None:
    """By hand: ends 125 mm apart, each good to 0.15 mm, tell the turn to sqrt(2) 0.15 / 125."""
    found = halves_of(*laid(hook()))
    by_hand = np.degrees(COVERAGE_FACTOR * np.sqrt(2.0) * 0.15 / 125.0)
    assert found.axis_turn_u95_deg == pytest.approx(by_hand, rel=0.05)


def test_a_common_size_error_does_not_part_the_halves() -> None:
    """What stretches both halves alike cancels: the band of the shape is far below that of size."""
    pattern, facts = laid(hook())
    fitted = halves_of(pattern, facts).comparison.alignments[-1]
    known = fitted.u95_mm[np.isfinite(fitted.gap_mm)]
    assert np.median(known) < 0.5


def test_only_a_whole_part_on_the_boats_centreline_is_asked() -> None:
    pattern, _ = laid(hook())
    assert has_own_mirror(pattern)
    assert not has_own_mirror(replace(pattern, side=Side.PORT))
    assert not has_own_mirror(replace(pattern, datum="corner and edge"))
    assert not has_own_mirror(replace(pattern, centreline_offset_mm=100.0))
    assert not has_own_mirror(replace(pattern, outline=replace(pattern.outline, whole=False)))


def test_it_reaches_terminal_report_and_figure(tmp_path) -> None:
    pattern, facts = laid(hook(bump_mm=3.0))
    halves = halves_of(pattern, facts)
    job = replace(
        result(sides=("single",)), patterns={Side.SINGLE: pattern}, facts=facts, halves=halves
    )
    told = " ".join(summary_lines(job))
    assert "the two halves" in told
    assert "no comparison" not in told
    table = report(job)["halves"]
    assert table["axis_turn_u95_deg"] > 0
    assert {a["datum"] for a in table["alignments"]} == {"centreline", "best fit"}
    content = content_of(job)
    assert "Its own middle line" in content.verdict
    titles = [t.title for t in content.tables]
    assert any("two halves" in title for title in titles)
    text = figure(halves.comparison, facts)
    assert "starboard half against port half" in text
    assert "About its own middle line" in text
    files = write_outputs(job, tmp_path, lambda template, folder: ())
    assert "halves.svg" in {path.name for path in files}
