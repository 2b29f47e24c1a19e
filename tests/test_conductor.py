from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stand_ins import CARD_SET, SQUARE, Stage, kitchen_of, outline_of, source

from spilemark.conductor import read_photos, run_job
from spilemark.errors import NoOutline, PluginError, UsageError
from spilemark.hookspecs import STAGES, WRITERS, hookimpl
from spilemark.picking import pick_patterns
from spilemark.records import JobFacts, Note, Outline, ScaleBasis, Side, Survey
from spilemark.results import JobRequest, JobResult

FAR_SQUARE = SQUARE + [0.0, 150.0]
SMALL_SQUARE = SQUARE * 0.3 + [0.0, 150.0]


def request(folder: Path, facts: JobFacts | None = None, **photos: str) -> JobRequest:
    """A job on photos that are short files of their own name; 'a+b' are two photos."""
    by_arm = {}
    for arm, names in photos.items():
        paths = tuple(folder / f"{name}.jpg" for name in names.split("+"))
        for path in paths:
            path.write_text(path.stem)
        by_arm[arm] = paths
    return JobRequest(facts=facts or JobFacts(), photos=by_arm, card_set=CARD_SET)


def run(folder: Path, plugin: Stage, facts: JobFacts | None = None, **photos: str) -> JobResult:
    return run_job(request(folder, facts, **photos), kitchen_of(plugin))


def test_two_sides_run_in_order_and_are_surveyed_at_once(tmp_path: Path) -> None:
    plugin = Stage()
    result = run(tmp_path, plugin, starboard="s", port="p+q")
    assert plugin.calls == [
        "read p.jpg", "read q.jpg", "read s.jpg",
        "undistort port", "undistort port", "undistort starboard",
        "rectify 3", "trace port", "trace starboard", "register port", "register starboard",
        "mirror starboard", "compare",
    ]  # fmt: skip
    assert list(result.patterns) == [Side.PORT, Side.STARBOARD]
    assert result.comparison is not None
    assert result.comparison.port is result.patterns[Side.PORT]
    assert not result.comparison.starboard_mirrored.measured
    assert [len(v) for v in result.photos.values()] == [2, 1]


@pytest.mark.parametrize("arm", ["port", "starboard", "single"])
def test_one_side_has_no_comparison(tmp_path: Path, arm: str) -> None:
    plugin = Stage()
    result = run(tmp_path, plugin, **{arm: "p"})
    assert result.comparison is None
    assert list(result.patterns) == [Side(arm)]
    # A part on the centreline is compared with its own mirror image, which is no second side.
    assert ("compare" in plugin.calls) == (arm == "single")
    assert ("mirror single" in plugin.calls) == (arm == "single")


def test_the_result_tells_what_ran_on_what(tmp_path: Path) -> None:
    result = run(tmp_path, Stage(), port="p")
    assert result.versions["trace: stand-in"] == "somebody 1.2"
    assert {"spilemark", "python"} <= result.versions.keys()
    assert set(result.timings_s) == set(STAGES) - {"mirror", "compare", *WRITERS}
    assert not result.scale_is_nominal
    assert run(tmp_path, Stage(basis=ScaleBasis.NOMINAL), port="p").scale_is_nominal


def test_no_photo_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="No photo"):
        run(tmp_path, Stage())


@pytest.mark.parametrize(
    ("photos", "words"),
    [
        ({"port": "p+p"}, "twice: p.jpg and p.jpg"),
        ({"port": "p+p", "starboard": "s"}, "twice for port: p.jpg and p.jpg"),
        ({"port": "p", "starboard": "p"}, r"for port \(p.jpg\) and for starboard \(p.jpg\)"),
    ],
)
def test_the_same_photo_twice_is_refused(tmp_path: Path, photos: Any, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        run(tmp_path, Stage(), **photos)
    assert caught.value.exit_code == 2


def test_a_copy_under_another_name_is_the_same_photo(tmp_path: Path) -> None:
    job = request(tmp_path, port="p", starboard="s")
    (tmp_path / "s.jpg").write_text("p")
    with pytest.raises(UsageError, match="The same photo was given for port"):
        run_job(job, kitchen_of(Stage()))


def test_a_dry_run_reads_and_no_more(tmp_path: Path) -> None:
    plugin = Stage()
    photos = read_photos(request(tmp_path, port="p"), kitchen_of(plugin))
    assert list(photos) == ["port"]
    assert plugin.calls == ["read p.jpg", "undistort port"]


def test_observers_see_every_stage_and_change_nothing(tmp_path: Path) -> None:
    seen: list[tuple[str, str]] = []

    class Watcher:
        @hookimpl
        def stage_done(self, stage: str, plugin: str, result: object, seconds: float) -> None:
            assert seconds >= 0
            if isinstance(result, tuple):
                with pytest.raises(ValueError, match="read-only"):
                    result[0].ring.points_mm[0] = 0.0
            seen.append((stage, plugin))

    kitchen = kitchen_of(Stage(), source("watcher", Watcher()), observers=("watcher",))
    run_job(request(tmp_path, port="p"), kitchen)
    assert seen == [
        (stage, "stand-in")
        for stage in ("read_source", "undistort", "rectify", "trace", "register")
    ]


def test_a_failing_observer_is_noted(tmp_path: Path) -> None:
    class Nosy:
        @hookimpl
        def stage_done(self) -> None:
            raise RuntimeError("oops")

    kitchen = kitchen_of(Stage(), source("nosy", Nosy()), observers=("nosy",))
    result = run_job(request(tmp_path, port="p"), kitchen)
    assert {note.code for note in result.notes} == {"observer-failed"}


def test_a_stage_that_breaks_is_named(tmp_path: Path) -> None:
    class Broken(Stage):
        @hookimpl
        def trace(self, survey: Survey, arm: str) -> tuple[Outline, ...]:
            raise ValueError("singular matrix")

    with pytest.raises(PluginError, match=r'Stage trace failed in plug-in "stand-in"'):
        run(tmp_path, Broken(), port="p")


def test_notes_are_gathered_in_order_each_once(tmp_path: Path) -> None:
    def note(code: str) -> Note:
        return Note(code=code, severity="info", text=code)

    traced = note("traced")

    class Talkative(Stage):
        @hookimpl
        def trace(self, survey: Survey, arm: str) -> tuple[Outline, ...]:
            return (outline_of(survey.views, notes=(traced,)),)

    result = run(tmp_path, Talkative(), port="p")
    # The pattern carries its outline, and with it the outline's note, a second time.
    assert [n.code for n in result.notes] == ["traced"]


def outlines(tmp_path: Path, *rings: Any) -> tuple[Outline, ...]:
    on_the_first = JobFacts(centreline_px={"port": (110.0, 149.0, 290.0, 149.0)})
    return run(tmp_path, Stage(rings=rings), on_the_first, port="p").outlines["port"]


def test_two_alike_patterns_in_one_photo_are_asked_about(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="200 x 100 mm and 200 x 100 mm") as caught:
        run(tmp_path, Stage(rings=(SQUARE, FAR_SQUARE)), port="p")
    assert "--both" in caught.value.todo
    assert "--centreline port:" in caught.value.todo


def test_a_stated_line_tells_which_of_two_is_meant(tmp_path: Path) -> None:
    near, far = outlines(tmp_path, SQUARE, FAR_SQUARE)
    on_far = near.views[0].plane
    from spilemark.lens import plane_to_pixels

    ends = plane_to_pixels(np.array([[20.0, 200.0], [180.0, 200.0]]), on_far).ravel()
    facts = JobFacts(centreline_px={"port": tuple(float(v) for v in ends)})  # type: ignore[arg-type]
    picked, notes = pick_patterns((near, far), "port", facts)
    assert picked == {Side.PORT: far}
    assert [note.code for note in notes] == ["other-pattern"]


def test_a_smaller_piece_beside_the_pattern_is_left_out_and_said(tmp_path: Path) -> None:
    result = run(tmp_path, Stage(rings=(SQUARE, SMALL_SQUARE)), port="p")
    assert result.patterns[Side.PORT].outline is result.outlines["port"][0]
    (note,) = result.notes
    assert "60 x 30 mm" in note.text
    assert note.at_mm == pytest.approx((30.0, 165.0))


def test_both_with_one_pattern_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(NoOutline, match="Only one pattern"):
        run(tmp_path, Stage(), both="b")


def test_both_gives_two_sides_from_one_photo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import spilemark.sides

    def assign(outlines: Any, facts: Any) -> Any:
        said = Note(code="told-by-line", severity="info", text="By the line.")
        return {Side.PORT: outlines[1], Side.STARBOARD: outlines[0]}, (said,)

    monkeypatch.setattr(spilemark.sides, "assign_sides", assign)
    plugin = Stage(rings=(SQUARE, FAR_SQUARE))
    result = run(tmp_path, plugin, both="b")
    assert result.patterns[Side.PORT].outline is result.outlines["both"][1]
    assert result.comparison is not None
    assert [n.code for n in result.notes] == ["told-by-line"]
