"""Patterns read back from reports, templates and outline files, and laid on each other."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import drawn_jobs
import numpy as np
import pytest
import shapes as zoo
from click.testing import CliRunner

from spilemark.commands.compare import compare
from spilemark.errors import EXIT_BELOW_LIMIT, UnreadableInput, UsageError, WouldOverwrite
from spilemark.frames import outward_normals
from spilemark.kept import Kept, labelled, modes, on_their_lines, read_kept, sides_in
from spilemark.pairing import Pairing, pair_up, pairing_lines, pairing_table
from spilemark.records import JobFacts, Side
from spilemark.report import report
from spilemark.results import JobResult
from spilemark.shop.files import read_part, write_outline
from spilemark.template import build_templates
from spilemark.uncertainty import (
    after_fit,
    arc_weights,
    fit_functional,
    rigid_columns,
    u95_datum,
    u95_fit,
)
from spilemark_stages.write import svg


@cache
def job(**more: Any) -> JobResult:
    return drawn_jobs.result(**more)


def kept_in(folder: Path, result: JobResult, name: str = "knee") -> Path:
    home = folder / name
    home.mkdir()
    (home / "report.json").write_text(json.dumps(report(result)), encoding="utf-8")
    for template in build_templates(result):
        svg.write_template(template=template, folder=home, options=svg.Options())
    return home


def test_modes_hold_nearly_all_of_what_points_share() -> None:
    pattern = job().patterns[Side.PORT]
    ring = pattern.outline.ring
    normals = outward_normals(ring.points_mm)
    weights = arc_weights(ring.points_mm, closed=True, seen=ring.seen)
    functional = fit_functional(ring.points_mm, normals, weights)
    full = after_fit(ring.sensitivity_mm, rigid_columns(ring.points_mm, normals), functional)
    shape, datum = modes(pattern)
    whole, held = (full**2).sum(axis=1), (shape**2).sum(axis=0)
    assert held.max() <= whole.max() * (1 + 1e-9)
    assert np.abs(whole - held).max() < 0.05 * whole.max()
    all_of_it = (pattern.datum_sensitivity_mm**2).sum(axis=1)
    assert (datum**2).sum(axis=0) == pytest.approx(
        all_of_it, rel=0.05, abs=0.02 * float(all_of_it.max())
    )


def test_a_report_comes_back(tmp_path: Path) -> None:
    result = job()
    home = kept_in(tmp_path, result)
    assert sides_in(home) == (Side.PORT, Side.STARBOARD)
    for side, pattern in result.patterns.items():
        kept = read_kept(home, side)
        assert (kept.boat, kept.part, kept.date, kept.scale) == (
            "Curlew", "quarter knee", "2026-05-14", "taped",
        )  # fmt: skip
        back, ring = kept.pattern, pattern.outline.ring
        assert back.outline.ring.points_mm == pytest.approx(ring.points_mm, abs=1e-4)
        assert [(c.index, c.name) for c in back.outline.corners] == [
            (e.start, {c.index: c.name for c in pattern.outline.corners}[e.start])
            for e in pattern.outline.edges
        ]
        assert [(e.name, e.start, e.stop) for e in back.outline.edges] == [
            (e.name, e.start, e.stop) for e in pattern.outline.edges
        ]
        # No point is believed to be better known than it was, nor much worse.
        told, was = u95_fit(back.outline.ring), u95_fit(ring)
        assert (told > 0.97 * was).all()
        assert np.median(told / was) < 1.1


def test_a_template_comes_back(tmp_path: Path) -> None:
    result = job()
    home = kept_in(tmp_path, result)
    for side, pattern in result.patterns.items():
        kept = read_kept(home / f"{side}.svg")
        assert kept.side is side
        points = kept.pattern.outline.ring.points_mm
        truth = pattern.outline.ring.points_mm
        off = np.linalg.norm(points[:, None] - truth[None], axis=2).min(axis=1)
        assert off.max() < 1.0
        assert {c.name for c in kept.pattern.outline.corners} == {
            c.name for c in pattern.outline.corners
        }
        worst = u95_fit(kept.pattern.outline.ring).max()
        assert kept.u95_mm is not None
        assert worst == pytest.approx(kept.u95_mm, rel=0.35)


def test_a_report_without_modes_is_believed_no_better(tmp_path: Path) -> None:
    home = kept_in(tmp_path, job())
    table = json.loads((home / "report.json").read_text(encoding="utf-8"))
    for pattern in table["patterns"].values():
        del pattern["modes_mm"]
    (home / "report.json").write_text(json.dumps(table), encoding="utf-8")
    for side, pattern in job().patterns.items():
        back = read_kept(home, side).pattern
        assert u95_fit(back.outline.ring).max() > 0.9 * u95_fit(pattern.outline.ring).max()
        assert u95_datum(back).max() > 0.9 * u95_datum(pattern).max()


def paired(one: Kept, other: Kept, **more: Any) -> Pairing:
    return pair_up(one, other, **more)


def gaps(pairing: Pairing, datum: str) -> np.ndarray:
    return next(a.gap_mm for a in pairing.comparison.alignments if a.datum == datum)


@pytest.mark.parametrize("suffix", ["", ".svg"])
def test_two_sides_kept_compare_as_the_job_compared_them(tmp_path: Path, suffix: str) -> None:
    result = job()
    home = kept_in(tmp_path, result)
    one, other = (read_kept(home / f"{s}.svg") if suffix else read_kept(home, s) for s in
                  (Side.PORT, Side.STARBOARD))  # fmt: skip
    pairing = paired(one, other)
    assert pairing.mirrored
    first = result.comparison
    assert first is not None
    by_name = {c.name: c for c in first.corners}
    for corner in pairing.comparison.corners:
        was = by_name[corner.name]
        assert corner.port_deg == pytest.approx(was.port_deg, abs=0.25)
    if not suffix:
        wanted = next(a.gap_mm for a in first.alignments if a.datum == "best fit")
        assert gaps(pairing, "best fit") == pytest.approx(wanted, abs=0.02)
        wanted = next(a.gap_mm for a in first.alignments if a.datum == "centreline")
        assert gaps(pairing, "centreline") == pytest.approx(wanted, abs=0.02)


def test_the_same_side_of_two_boats_is_not_mirrored(tmp_path: Path) -> None:
    one = read_kept(kept_in(tmp_path, job(), "one"), Side.STARBOARD)
    wider = zoo.knee(side="starboard", angle_deg=99.0)
    other = read_kept(
        kept_in(tmp_path, drawn_jobs.result(starboard=wider), "other"), Side.STARBOARD
    )
    pairing = paired(one, other)
    assert not pairing.mirrored
    outer = next(c for c in pairing.comparison.corners if c.name == "outer")
    assert outer.starboard_deg - outer.port_deg == pytest.approx(1.0, abs=0.1)
    words = " ".join(pairing_lines(pairing, "one", "other"))
    assert "A is" in pairing.comparison.verdict
    for name in ("port is", "starboard is", "The hull", "hull out of square"):
        assert name not in words
    assert pairing_table(pairing, "one", "other")["b"]["mirrored"] is False


def test_a_pattern_is_like_itself_whatever_it_is_called(tmp_path: Path) -> None:
    kept = read_kept(kept_in(tmp_path, job()), Side.PORT)
    pairing = paired(kept, kept)
    assert np.nanmax(np.abs(gaps(pairing, "best fit"))) < 1e-6
    assert pairing.comparison.one_part_serves_both is not False


def test_the_wrong_hand_is_noticed(tmp_path: Path) -> None:
    kept = read_kept(kept_in(tmp_path, job()), Side.PORT)
    pairing = paired(kept, kept, hand="other")
    assert "far better turned over" in pairing.comparison.verdict
    assert "starboard" not in pairing.comparison.verdict


def test_errors_of_two_files_are_their_own(tmp_path: Path) -> None:
    kept = read_kept(kept_in(tmp_path, job()), Side.PORT)
    one, other = labelled(kept, "A").pattern, labelled(kept, "B").pattern
    assert not {c.id for c in one.datum_causes} & {c.id for c in other.datum_causes}


def test_patterns_of_unlike_frames_are_both_counted_from_their_lines(tmp_path: Path) -> None:
    facts = replace(drawn_jobs.FACTS, centreline_offset_mm=410.0)
    one = read_kept(kept_in(tmp_path, job(), "one"), Side.PORT)
    other = read_kept(kept_in(tmp_path, drawn_jobs.result(facts=facts), "other"), Side.PORT)
    assert (one.pattern.frame, other.pattern.frame) == ("pattern", "boat")
    a, b = on_their_lines(one, other)
    assert a.pattern.frame == b.pattern.frame == "pattern"
    assert np.nanmax(np.abs(gaps(paired(one, other), "centreline"))) < 0.05


def test_the_next_pattern_against_the_boat_that_followed(tmp_path: Path) -> None:
    home = kept_in(tmp_path, job())
    write_outline(tmp_path / "next.json", read_part(home, "port"))
    kept = read_kept(tmp_path / "next.json")
    assert not kept.measured
    pairing = paired(kept, read_kept(home, Side.PORT))
    assert "taken as exact" in pairing_lines(pairing, "a", "b")[0]
    assert np.nanmax(np.abs(gaps(pairing, "best fit"))) < 1e-3


def test_what_is_no_pattern_is_refused(tmp_path: Path) -> None:
    home = kept_in(tmp_path, job())
    with pytest.raises(UsageError, match="holds 2 patterns"):
        read_kept(home)
    with pytest.raises(UsageError, match="holds no single pattern"):
        read_kept(home, Side.SINGLE)
    with pytest.raises(UsageError, match="not a starboard one"):
        read_kept(home / "port.svg", Side.STARBOARD)
    with pytest.raises(UnreadableInput, match="cannot be read"):
        read_kept(tmp_path / "nowhere.svg")
    for name, text in (("a.svg", "<svg"), ("b.svg", "<svg xmlns='http://www.w3.org/2000/svg'/>"),
                       ("c.json", '{"schema": 1, "units": "mm"}')):  # fmt: skip
        (tmp_path / name).write_text(text)
        with pytest.raises((UnreadableInput, UsageError)):
            read_kept(tmp_path / name)
    # Saved again by another program, the note or the path is another.
    text = (home / "port.svg").read_text(encoding="utf-8")
    (tmp_path / "d.svg").write_text(text.replace(" C", " Q"), encoding="utf-8")
    with pytest.raises(UnreadableInput, match="lacks what a pattern needs"):
        read_kept(tmp_path / "d.svg")
    single = read_kept(home, Side.PORT)
    single = replace(single, pattern=replace(single.pattern, side=Side.SINGLE))
    with pytest.raises(UsageError, match="which way is up"):
        paired(single, read_kept(home, Side.PORT))


def invoke(*words: str) -> Any:
    done = CliRunner().invoke(compare, [*words], standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    kept_in(tmp_path, job(), "one")
    kept_in(tmp_path, job(scale=drawn_jobs.NOMINAL), "bare")
    done = invoke("one", "one", "--side", "port", "--other-side", "starboard", "--out", "d.svg")
    assert "A: one (Curlew" in done.stdout
    figure = Path("d.svg").read_text(encoding="utf-8")
    assert "A against B" in figure
    assert "starboard fuller" not in figure
    with pytest.raises(WouldOverwrite):
        invoke("one/port.svg", "one/starboard.svg", "--out", "d.svg")
    table = json.loads(invoke("one/port.svg", "one/starboard.svg", "--json").stdout)
    assert table["b"]["mirrored"] is True
    assert table["comparison"]["tolerance_mm"] == 1.5
    bare = invoke("one", "bare", "--side", "port", "--tolerance", "1/16")
    assert bare.return_value == EXIT_BELOW_LIMIT
    assert "NO ABSOLUTE SIZE" in bare.stdout
    with pytest.raises(UsageError, match="same pattern"):
        invoke("one/port.svg", "one/port.svg")
    with pytest.raises(UsageError, match="holds 2 patterns"):
        invoke("one", "bare")
    with pytest.raises(UsageError, match="tolerance"):
        invoke("one/port.svg", "bare/port.svg", "--tolerance", "1m")
    with pytest.raises(UsageError, match=r"d\.png"):
        invoke("one/port.svg", "bare/port.svg", "--out", "d.png")


def test_the_job_of_a_pairing_names_what_both_share(tmp_path: Path) -> None:
    kept = read_kept(kept_in(tmp_path, job()), Side.PORT)
    facts: JobFacts = paired(kept, replace(kept, boat="Whimbrel")).facts
    assert (facts.boat, facts.part) == ("", "quarter knee")
