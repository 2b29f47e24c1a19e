from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from stand_ins import STAGES_BY_STAND_IN, Stage, source

from spilemark.errors import UnreadableInput, UsageError
from spilemark.hookspecs import STAGES, WRITERS, hookimpl
from spilemark.options import option_facts
from spilemark.plugins import load_plugins
from spilemark.recipe import Recipe, equip, read_recipe, standard_recipe


@dataclass(frozen=True)
class Options:
    reach_mm: float = field(default=2.0, metadata={"help": "How far to look.", "unit": "mm"})
    keep_all: bool = field(default=False, metadata={"help": "Keep everything.", "unit": ""})

    def __post_init__(self) -> None:
        if self.reach_mm <= 0:
            raise ValueError("reach_mm must be above zero")


class WithOptions(Stage):
    @hookimpl
    def declare_options(self) -> type:
        return Options


def write(folder: Path, text: str) -> Path:
    path = folder / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_shipped_recipe_names_one_plugin_a_stage_and_two_writers() -> None:
    recipe = standard_recipe()
    assert recipe.stages["write_template"] == ("svg", "pdf", "tiled-pdf", "dxf")
    assert recipe.stages["write_job"] == ("shop", "report-html")
    assert all(len(recipe.stages[stage]) == 1 for stage in STAGES if stage not in WRITERS)
    assert recipe.observers == ()


def test_a_recipe_may_hold_only_what_differs(tmp_path: Path) -> None:
    recipe = read_recipe(write(tmp_path, '[stages]\ntrace = "mine"\n[trace.mine]\nreach_mm = 1.0'))
    assert recipe.stages["trace"] == ("mine",)
    assert recipe.stages["rectify"] == ("card-survey",)
    assert recipe.options == {("trace", "mine"): {"reach_mm": 1.0}}
    assert "mine" in recipe.names
    assert "cut-edge" not in recipe.names


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[stages]\ntrase = "mine"', 'unknown key "trase". Did you mean "trace"'),
        ('[stages]\ntrace = ["a", "b"]', "trace takes exactly one name"),
        ('[stages]\nwrite_template = "svg"', "list of names"),
        ('[stages]\nwrite_template = ["svg", "svg"]', "each once"),
        ('[stages]\nwrite_job = "shop"', "write_job takes a list of names"),
        ("[trace.cut-egde]\nx = 1", 'unknown key "cut-egde". Did you mean "cut-edge"'),
        ('observers = "me"', "list of names"),
        ("colour = 1", 'unknown key "colour"'),
        ("stages = 1", "is a table"),
        ("trace = 1", "stand in a table"),
    ],
)
def test_a_wrong_recipe_is_told_in_words(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_recipe(write(tmp_path, text))
    assert words in str(caught.value)


def test_a_recipe_that_is_not_toml(tmp_path: Path) -> None:
    with pytest.raises(UnreadableInput, match="line 1"):
        read_recipe(write(tmp_path, "trace == 1"))


def test_a_recipe_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UnreadableInput, match="No such file"):
        read_recipe(tmp_path / "none.toml")


def equipped(table: dict[str, object]) -> object:
    recipe = Recipe(stages=STAGES_BY_STAND_IN, options={("trace", "stand-in"): table})
    kitchen = equip(recipe, load_plugins([source("stand-in", WithOptions())]))
    return kitchen.options["trace", "stand-in"]


def test_options_are_made_from_the_table() -> None:
    assert equipped({"reach_mm": 3}) == Options(reach_mm=3.0)
    assert equipped({}) == Options()


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"reach_m": 3}, 'unknown key "reach_m". Did you mean "reach_mm"'),
        ({"reach_mm": "far"}, "a number"),
        ({"keep_all": 1}, "true or false"),
        ({"reach_mm": -1.0}, "above zero"),
    ],
)
def test_wrong_options_are_told_in_words(table: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError) as caught:
        equipped(table)
    assert words in str(caught.value)
    assert "[trace.stand-in]" in str(caught.value)


def test_a_plugin_without_options_takes_none() -> None:
    recipe = Recipe(stages=STAGES_BY_STAND_IN, options={("trace", "stand-in"): {"x": 1}})
    with pytest.raises(UsageError, match='unknown key "x"'):
        equip(recipe, load_plugins([source("stand-in", Stage())]))


def test_an_observer_must_observe() -> None:
    recipe = Recipe(stages=STAGES_BY_STAND_IN, observers=("stand-in",))
    with pytest.raises(UsageError, match="observes nothing"):
        equip(recipe, load_plugins([source("stand-in", Stage())]))


def test_option_facts_are_for_people() -> None:
    reach, keep = option_facts(Options)
    assert (reach.name, reach.default, reach.unit) == ("reach_mm", 2.0, "mm")
    assert keep.help == "Keep everything."
    assert option_facts(None) == ()


def test_versions_tell_who_does_what() -> None:
    kitchen = equip(
        Recipe(stages=STAGES_BY_STAND_IN), load_plugins([source("stand-in", WithOptions())])
    )
    assert kitchen.versions["trace: stand-in"] == "somebody 1.2"
    assert kitchen.tables()["trace", "stand-in"] == {"reach_mm": 2.0, "keep_all": False}
