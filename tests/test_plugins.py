"""The nine selection rules, each called; see ``spilemark.plugins``."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import stand_ins
from stand_ins import Stage, kitchen_of, source

from spilemark import hookspecs
from spilemark.errors import MissingLibrary, NoOutline, PluginError, UsageError
from spilemark.hookspecs import hookimpl
from spilemark.plugins import Source, installed, load_plugins
from spilemark.records import Photo


def only_problem(plugin: object) -> str:
    loaded = load_plugins([source("it", plugin)])
    problem = loaded.facts[0].problem
    assert problem is not None
    return str(problem)


def call_read(plugin: object) -> Any:
    loaded = load_plugins([source("it", plugin)])
    return loaded.call("read_source", "it", path=Path("a.jpg"), is_scan=False, options=None)


def reading(result: object) -> object:
    class Reader:
        @hookimpl
        def read_source(self) -> object:
            if isinstance(result, Exception):
                raise result
            return result

    return Reader()


def test_rule_1_an_installed_plugin_that_nobody_names_never_runs() -> None:
    class Loud(Stage):
        @hookimpl
        def read_source(self, path: Path) -> Photo:
            raise AssertionError("not asked for")

        @hookimpl
        def stage_done(self) -> None:
            raise AssertionError("not asked for")

    quiet = Stage()
    kitchen = kitchen_of(quiet, source("loud", Loud()))
    options = kitchen.options["read_source", "stand-in"]
    kitchen.plugins.call(
        "read_source", "stand-in", path=Path("a.jpg"), is_scan=False, options=options
    )
    assert quiet.calls == ["read a.jpg"]
    assert kitchen.show("read_source", "stand-in", None, 0.1) == []


@pytest.mark.parametrize(
    "mark",
    [
        {"tryfirst": True},
        {"trylast": True},
        {"wrapper": True},
        {"hookwrapper": True},
        {"optionalhook": True},
    ],
)
def test_rule_3_marks_that_make_an_order_are_refused(mark: dict[str, bool]) -> None:
    class Pushy:
        @hookimpl(**mark)
        def read_source(self, path: Path) -> Any:
            yield

    assert next(iter(mark)) in only_problem(Pushy())


def test_rule_3_specname_is_refused() -> None:
    # pluggy calls such an implementation even through subset_hook_caller of another plug-in.
    class Disguised:
        @hookimpl(specname="read_source")
        def harmless(self, path: Path) -> None:
            return None

    assert "specname" in only_problem(Disguised())


def test_rule_4_nothing_is_an_error_that_names_the_plugin() -> None:
    with pytest.raises(PluginError, match=r'"it" version 1\.2 handed back nothing') as caught:
        call_read(reading(None))
    assert caught.value.exit_code == 8


def test_rule_4_a_wrong_kind_of_result_is_an_error_that_names_the_plugin() -> None:
    with pytest.raises(PluginError, match=r'"it" version 1\.2 handed back a dict'):
        call_read(reading({}))


def test_rule_4_none_does_not_fall_through_to_another_plugin() -> None:
    willing = Stage()
    loaded = load_plugins([source("willing", willing), source("it", reading(None))])
    with pytest.raises(PluginError, match='"it"'):
        loaded.call("read_source", "it", path=Path("a.jpg"), is_scan=False, options=None)
    assert willing.calls == []


def test_rule_5_a_strange_exception_leaves_with_stage_plugin_and_version() -> None:
    cause = ZeroDivisionError("by nothing")
    with pytest.raises(PluginError, match=r'read_source failed in plug-in "it" version 1\.2') as c:
        call_read(reading(cause))
    assert c.value.__cause__ is cause


def test_rule_5_a_plugin_cannot_end_the_program() -> None:
    class Quitter:
        @hookimpl
        def read_source(self) -> None:
            sys.exit(0)

    with pytest.raises(PluginError, match="SystemExit"):
        call_read(Quitter())


def test_rule_5_an_error_of_ours_passes_unchanged() -> None:
    ours = NoOutline("No outline.", "Move the pattern.")
    with pytest.raises(NoOutline) as caught:
        call_read(reading(ours))
    assert caught.value is ours


def test_rule_6_a_misspelt_hook_is_found_at_load() -> None:
    class Misspelt:
        @hookimpl
        def read_sauce(self, path: Path) -> None:
            return None

    assert "read_sauce" in only_problem(Misspelt())


def test_rule_6_a_misspelt_argument_is_found_at_load() -> None:
    class Misspelt:
        @hookimpl
        def read_source(self, pathh: Path) -> None:
            return None

    assert "pathh" in only_problem(Misspelt())


def test_rule_7_two_of_one_name_are_refused_before_either_is_loaded() -> None:
    def explode() -> object:
        raise AssertionError("loaded")

    twins = [
        Source(name="svg", distribution=d, version="1", load=explode) for d in ("ours", "theirs")
    ]
    with pytest.raises(PluginError, match=r"ours 1.*theirs 1"):
        load_plugins(twins)


def broken() -> object:
    raise RuntimeError("half written")


def test_rule_8_a_broken_plugin_is_listed_and_stops_only_who_names_it() -> None:
    bad = Source(name="bad", distribution="theirs", version="0.3", load=broken)
    loaded = load_plugins([source("good", Stage()), bad])
    assert [item.problem is None for item in loaded.facts] == [True, False]
    assert loaded.for_stage("trace", "good").name == "good"
    with pytest.raises(PluginError, match=r"theirs 0\.3.*RuntimeError: half written"):
        loaded.for_stage("trace", "bad")


def test_rule_8_a_missing_system_library_has_its_own_exit_code() -> None:
    def load() -> object:
        raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    loaded = load_plugins([Source(name="x", distribution="d", version="1", load=load)])
    problem = loaded.facts[0].problem
    assert isinstance(problem, MissingLibrary)
    assert problem.exit_code == 7


def test_rule_9_nothing_is_loaded_at_import() -> None:
    code = (
        "import sys, spilemark.plugins, spilemark.recipe; "
        "print([m for m in sys.modules if m.startswith('spilemark_stages') or m == 'cv2'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_only_what_is_named_is_imported() -> None:
    bad = Source(name="bad", distribution="d", version="1", load=broken)
    loaded = load_plugins([source("good", Stage()), bad], only={"good"})
    assert [item.name for item in loaded.facts] == ["good"]


def test_built_ins_come_in_by_the_same_door() -> None:
    ours = {s.name for s in installed() if s.distribution == "spilemark"}
    assert {"file", "exif-prior", "card-survey", "cut-edge", "reference-line"} <= ours
    assert {"centreline-mirror", "signed-gap", "svg", "pdf"} <= ours


def test_a_class_is_no_plugin() -> None:
    assert "class" in only_problem(Stage)


def test_a_plugin_without_hooks_is_refused() -> None:
    assert "no stage" in only_problem(object())


def test_an_unknown_name_gets_the_nearest_one() -> None:
    loaded = load_plugins([source("cut-edge", Stage())])
    with pytest.raises(UsageError, match='Did you mean "cut-edge"'):
        loaded.for_stage("trace", "cut-egde")


def test_a_plugin_of_another_stage_is_refused() -> None:
    loaded = load_plugins([source("reader", reading(None)), source("all", Stage())])
    with pytest.raises(UsageError, match='"reader" does not do the stage "trace"') as caught:
        loaded.for_stage("trace", "reader")
    assert "all" in caught.value.todo


def test_a_failing_observer_is_told_and_stops_nothing() -> None:
    class Nosy:
        @hookimpl
        def stage_done(self, stage: str) -> None:
            raise OSError(f"no room at {stage}")

    kitchen = kitchen_of(Stage(), source("nosy", Nosy()), observers=("nosy",))
    notes = kitchen.show("trace", "stand-in", None, 0.1)
    assert [n.code for n in notes] == ["observer-failed"]
    assert "no room at trace" in notes[0].text


@dataclass(frozen=True)
class Bare:
    reach: float = 1.0


@dataclass
class Thawed:
    reach: float = field(default=1.0, metadata={"help": "How far.", "unit": "mm"})


@dataclass(frozen=True)
class Needy:
    reach: float = field(metadata={"help": "How far.", "unit": "mm"})


@pytest.mark.parametrize(
    ("kind", "words"),
    [(Bare, "no help"), (Thawed, "frozen"), (Needy, "no default"), (int, "not a dataclass")],
)
def test_options_must_say_what_they_are(kind: type, words: str) -> None:
    class Optional(Stage):
        @hookimpl
        def declare_options(self) -> type:
            return kind

    assert words in only_problem(Optional())


def test_every_stage_is_a_hook_and_has_a_promise() -> None:
    from spilemark.promises import RESULTS

    assert all(hasattr(hookspecs, stage) for stage in hookspecs.STAGES)
    assert tuple(k for k in RESULTS if k not in hookspecs.COMPANIONS) == hookspecs.STAGES
    assert hookspecs.COMPANIONS.keys() <= RESULTS.keys()


def test_what_a_plugin_may_have_beside_its_stage_is_asked_of_it_alone() -> None:
    class Follows(Stage):
        @hookimpl
        def follow_edge(self, outline: Any) -> Any:
            return outline

    loaded = load_plugins([source("follows", Follows()), source("does not", Stage())])
    given = {"outline": OUTLINE, "view": None, "places_px": None, "job": None, "options": None}
    assert loaded.ask("follow_edge", "does not", **given) is None
    assert loaded.ask("follow_edge", "follows", **given) is OUTLINE
    with pytest.raises(PluginError, match=r"follow_edge: plug-in .* a dict"):
        loaded.ask("follow_edge", "follows", **given | {"outline": {}})


def _changed_arm(given: dict[str, Any]) -> object:
    return stand_ins.straight_of(given["photo"], "starboard")


def _other_photo(given: dict[str, Any]) -> object:
    return stand_ins.straight_of(stand_ins.photo_of(Path("other.jpg")), "port")


PHOTO = stand_ins.photo_of(Path("a.jpg"))
PHOTOS = tuple(stand_ins.straight_of(PHOTO, "port") for _ in range(2))
OUTLINE = stand_ins.outline_of((stand_ins.view_of(PHOTOS[0]),))
PATTERN = stand_ins.pattern_of(OUTLINE, hookspecs.Side.PORT)


@pytest.mark.parametrize(
    ("stage", "given", "result", "words"),
    [
        ("undistort", {"photo": PHOTO, "arm": "port"}, _changed_arm, "changed the arm"),
        ("undistort", {"photo": PHOTO, "arm": "port"}, _other_photo, "exchanged the photo"),
        (
            "rectify",
            {"photos": PHOTOS, "card_set": stand_ins.CARD_SET, "job": None},
            lambda given: stand_ins.survey_of(given["photos"][::-1]),
            "one view per photo",
        ),
        ("trace", {"survey": None, "arm": "port", "job": None}, lambda _: (), "no outline"),
        ("trace", {"survey": None, "arm": "port", "job": None}, lambda _: (1,), "not an Outline"),
        (
            "register",
            {"outline": OUTLINE, "side": hookspecs.Side.STARBOARD, "job": None},
            lambda _: PATTERN,
            "changed the side",
        ),
        ("mirror", {"pattern": PATTERN}, lambda _: PATTERN, "did not swap the side"),
        (
            "write_template",
            {"template": None, "folder": Path("nowhere")},
            lambda _: (Path("nowhere/x.svg"),),
            "no such file",
        ),
        ("write_job", {"result": None, "folder": Path("nowhere")}, lambda _: ("x",), "not a path"),
    ],
)
def test_broken_promises_are_named(stage: str, given: Any, result: Any, words: str) -> None:
    from spilemark.promises import check_result

    assert words in check_result(stage, result(given), given)


def test_slow_libraries_are_told_by_those_that_need_them() -> None:
    class Slow(Stage):
        SLOW_IMPORTS = ("a_slow_library",)

    plugins = load_plugins([source("slow", Slow()), source("quick", Stage())])
    assert plugins.slow_imports(["slow", "quick"]) == ("a_slow_library",)


def test_a_slow_library_that_is_not_there_stops_nothing_before_it_is_needed() -> None:
    from spilemark import job

    class Slow(Stage):
        SLOW_IMPORTS = ("no_such_library_anywhere",)

    job._import_meanwhile(stand_ins.kitchen_of(Slow()))
