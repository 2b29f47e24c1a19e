"""Recipes: which plug-in does which stage, and with what options."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from spilemark.errors import UsageError
from spilemark.hookspecs import STAGES, WRITERS
from spilemark.options import build_options
from spilemark.plugins import Plugins, load_plugins
from spilemark.records import Note
from spilemark.strict import check_keys, read_toml

_STANDARD = "standard.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """As written, before any plug-in is loaded."""

    stages: dict[str, tuple[str, ...]]
    """Stage to plug-in names: one each, any number for the writers (``hookspecs.WRITERS``)."""
    observers: tuple[str, ...] = ()
    options: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    """(stage, plug-in) to its table."""

    @property
    def names(self) -> frozenset[str]:
        """Every plug-in that this recipe names."""
        chosen = {name for names in self.stages.values() for name in names}
        return frozenset(chosen | set(self.observers))


@dataclass(frozen=True, slots=True, kw_only=True)
class Kitchen:
    """A recipe with its plug-ins loaded and their options checked: ready to run."""

    recipe: Recipe
    plugins: Plugins
    options: dict[tuple[str, str], Any]

    def name_of(self, stage: str) -> str:
        """The one plug-in that does a stage."""
        return self.recipe.stages[stage][0]

    @property
    def versions(self) -> dict[str, str]:
        """What does each stage, ``"<stage>: <plug-in>"`` to the distribution and version that does it."""
        table = {}
        for stage, name in self._pairs():
            item = self.plugins.for_stage(stage, name)
            table[f"{stage}: {name}"] = f"{item.distribution} {item.version}"
        return table

    def tables(self) -> dict[tuple[str, str], dict[str, object]]:
        """Each chosen plug-in's options, by name, as they were set."""
        return {
            pair: dataclasses.asdict(self.options[pair])
            for pair in self._pairs()
            if self.options[pair] is not None
        }

    def show(self, stage: str, plugin: str, result: object, seconds: float) -> list[Note]:
        """Let the recipe's observers look at what a stage made; note those that fail."""
        looked = [
            self.plugins.observe(
                observer, stage=stage, plugin=plugin, result=result, seconds=seconds
            )
            for observer in self.recipe.observers
        ]
        return [
            Note(code="observer-failed", severity="warn", text=words) for words in looked if words
        ]

    def _pairs(self) -> list[tuple[str, str]]:
        return [(stage, name) for stage in STAGES for name in self.recipe.stages[stage]]


def standard_recipe() -> Recipe:
    """The shipped recipe, which names the built-in plug-ins."""
    source = resources.files("spilemark.recipes").joinpath(_STANDARD)
    with resources.as_file(source) as path:
        return _parse(read_toml(path, "recipe"), "The standard recipe", base=None)


def read_recipe(path: Path) -> Recipe:
    """Read a person's recipe; stages that it leaves out are taken from the shipped one.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    UsageError
        It names an unknown stage, or options for a plug-in that it does not choose.
    """
    return _parse(read_toml(path, "recipe"), f"The recipe {path}", base=standard_recipe())


def prepare(recipe: Recipe) -> Kitchen:
    """Load what a recipe names and check its options.

    Raises
    ------
    UsageError
        A plug-in is not installed or does another stage; an option is misspelt.
    PluginError, MissingLibrary
        A named plug-in is broken.
    """
    return equip(recipe, load_plugins(only=recipe.names))


def equip(recipe: Recipe, plugins: Plugins) -> Kitchen:
    """Join a recipe with plug-ins that are loaded already; raises as :func:`prepare` does."""
    options = {}
    for stage in STAGES:
        for name in recipe.stages[stage]:
            kind = plugins.for_stage(stage, name).options
            table = recipe.options.get((stage, name), {})
            options[stage, name] = build_options(kind, table, f"The recipe, [{stage}.{name}],")
    for name in recipe.observers:
        plugins.observer(name)
    return Kitchen(recipe=recipe, plugins=plugins, options=options)


def _parse(table: dict[str, Any], where: str, base: Recipe | None) -> Recipe:
    check_keys(table, ("stages", "observers", *STAGES), where)
    chosen = table.get("stages", {})
    _expect(isinstance(chosen, dict), where, "[stages] is a table")
    check_keys(chosen, STAGES, f"{where}, [stages],")
    stages = dict(base.stages) if base else {}
    for stage, value in chosen.items():
        stages[stage] = _names(stage, value, where)
    missing = [stage for stage in STAGES if stage not in stages]
    _expect(not missing, where, f"every stage needs a plug-in; missing: {', '.join(missing)}")
    observers = table.get("observers", list(base.observers) if base else [])
    _expect(_is_list_of_text(observers), where, "observers is a list of names")
    return Recipe(stages=stages, observers=tuple(observers), options=_options(table, stages, where))


def _names(stage: str, value: object, where: str) -> tuple[str, ...]:
    if stage in WRITERS:
        rule = f"{stage} takes a list of names, each once"
        _expect(_is_list_of_text(value), where, rule)
        assert isinstance(value, list)
        _expect(len(set(value)) == len(value), where, rule)
        return tuple(value)
    _expect(isinstance(value, str), where, f"{stage} takes exactly one name")
    assert isinstance(value, str)
    return (value,)


def _options(
    table: dict[str, Any], stages: dict[str, tuple[str, ...]], where: str
) -> dict[tuple[str, str], dict[str, Any]]:
    options = {}
    for stage in STAGES:
        tables = table.get(stage, {})
        rule = f"options of {stage} stand in a table [{stage}.<plug-in>]"
        _expect(isinstance(tables, dict), where, rule)
        check_keys(tables, stages[stage], f"{where}, [{stage}],")
        for name, values in tables.items():
            _expect(isinstance(values, dict), where, rule)
            options[stage, name] = values
    return options


def _is_list_of_text(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _expect(good: bool, where: str, rule: str) -> None:
    if not good:
        raise UsageError(f"{where} is not right: {rule}.", "Compare it with the standard recipe.")
