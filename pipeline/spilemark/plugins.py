"""Finding, checking and calling plug-ins.

The selection rules (each has a test in ``tests/test_plugins.py``):

1. A recipe names one plug-in per stage; installing one changes nothing.
2. ``write_template`` and ``write_job`` take a list of names, every other stage exactly one.
3. Within a stage there is no order: marks that would make one are refused.
4. None, or a result of the wrong kind, is an error that names the plug-in.
5. Other exceptions leave as "stage S failed in plug-in P version V", chained.
6. A misspelt hook name is an error when the plug-in is loaded.
7. Two plug-ins of one name: an error that names both distributions.
8. A broken plug-in is listed with its reason and stops only a run that names it.
9. Nothing is loaded at import; ``load_plugins`` hands over a checked object.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, replace
from importlib import metadata
from typing import Any

import pluggy

from spilemark import hookspecs
from spilemark.errors import MissingLibrary, PluginError, SpilemarkError, UsageError
from spilemark.hookspecs import COMPANIONS, PROJECT, STAGES
from spilemark.options import check_declaration
from spilemark.promises import check_result
from spilemark.strict import nearest

ENTRY_POINTS = "spilemark.plugins"
"""The entry-point group through which every plug-in comes in, ours included."""

_ORDERING_MARKS = ("tryfirst", "trylast", "hookwrapper", "wrapper", "optionalhook", "specname")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A plug-in that is installed but not yet loaded."""

    name: str
    distribution: str
    version: str
    load: Callable[[], object]
    """Imports it and hands over the module or object that carries the hooks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PluginFacts:
    """What loading found out of one plug-in."""

    name: str
    distribution: str
    version: str
    stages: tuple[str, ...] = ()
    """Which stages it answers, in pipeline order."""
    observes: bool = False
    options: type | None = None
    does: str = ""
    """What it does, as the first line of its docstring says."""
    problem: SpilemarkError | None = None
    """Why it cannot be used; None when it can."""


class Plugins:
    """Plug-ins that were loaded and checked; see :func:`load_plugins`."""

    def __init__(self, facts: tuple[PluginFacts, ...], manager: pluggy.PluginManager) -> None:
        self.facts = facts
        self._manager = manager
        self._by_name = {item.name: item for item in facts}

    def for_stage(self, stage: str, name: str) -> PluginFacts:
        """Hand over the facts of the plug-in that a recipe names for a stage.

        Raises
        ------
        UsageError
            No such plug-in is installed, or it does not answer this stage.
        PluginError, MissingLibrary
            It is installed but broken.
        """
        item = self._named(name)
        if stage not in item.stages:
            able = [other.name for other in self.facts if stage in other.stages]
            raise UsageError(
                f'The plug-in "{name}" does not do the stage "{stage}".',
                f"These do: {', '.join(able) or 'none'}.",
            )
        return item

    def observer(self, name: str) -> PluginFacts:
        """Hand over the facts of a plug-in that a recipe names as an observer; raises alike."""
        item = self._named(name)
        if not item.observes:
            raise UsageError(
                f'The plug-in "{name}" observes nothing.', "Take it out of the recipe's observers."
            )
        return item

    def slow_imports(self, names: Iterable[str]) -> tuple[str, ...]:
        """Modules that plug-ins will need and say are slow to import, in their ``SLOW_IMPORTS``."""
        plugins = [self._manager.get_plugin(name) for name in names]
        return tuple(m for p in plugins for m in getattr(p, "SLOW_IMPORTS", ()))

    def _named(self, name: str) -> PluginFacts:
        item = self._by_name.get(name)
        if item is None:
            raise UsageError(
                f'No plug-in named "{name}" is installed.{nearest(name, self._by_name)}',
                'The command "spilemark plugins" lists those that are.',
            )
        if item.problem is not None:
            raise item.problem
        return item

    def call(self, stage: str, name: str, **arguments: Any) -> Any:
        """Run one stage in one plug-in and check what it hands back.

        Raises
        ------
        PluginError
            The plug-in raised something that is not ours, or broke a promise.
        SpilemarkError
            Whatever of ours the plug-in raised, unchanged.
        """
        return self._run(stage, self.for_stage(stage, name), arguments)

    def ask(self, companion: str, name: str, **arguments: Any) -> Any | None:
        """Run what a plug-in may have beside its stage (``hookspecs.COMPANIONS``); raises alike.

        None where it has no such thing.
        """
        item = self.for_stage(COMPANIONS[companion], name)
        answers = getattr(self._manager.hook, companion).get_hookimpls()
        if all(answer.plugin_name != name for answer in answers):
            return None
        return self._run(companion, item, arguments)

    def _run(self, stage: str, item: PluginFacts, arguments: dict[str, Any]) -> Any:
        name = item.name
        caller = self._only(stage, name)
        try:
            result = caller(**arguments)
        except SpilemarkError:
            raise
        except (Exception, SystemExit) as error:
            raise PluginError(
                f'Stage {stage} failed in plug-in "{name}" version {item.version}: '
                f"{type(error).__name__}: {error}.",
                f"Report it to the makers of {item.distribution}, or name another plug-in.",
            ) from error
        broken = check_result(stage, result, arguments)
        if broken:
            raise PluginError(
                f'Stage {stage}: plug-in "{name}" version {item.version} {broken}.',
                f"Report it to the makers of {item.distribution}, or name another plug-in.",
            )
        return result

    def observe(self, name: str, *, stage: str, plugin: str, result: object, seconds: float) -> str:
        """Let one observer look; hand back what went wrong in it, or nothing.

        An observer looks on: its failure is told but stops nothing.
        """
        try:
            self._only("stage_done", name)(
                stage=stage, plugin=plugin, result=result, seconds=seconds
            )
        except Exception as error:
            version = self._by_name[name].version
            kind = type(error).__name__
            return f'The observer "{name}" version {version} failed: {kind}: {error}.'
        return ""

    def _only(self, hook: str, name: str) -> Any:
        """Hand over a caller of one hook in one plug-in."""
        others = [p for n, p in self._manager.list_name_plugin() if n != name]
        return self._manager.subset_hook_caller(hook, others)


def installed() -> tuple[Source, ...]:
    """List the plug-ins that are installed, without importing any."""
    found = []
    for entry in metadata.entry_points(group=ENTRY_POINTS):
        dist = entry.dist
        found.append(
            Source(
                name=entry.name,
                distribution=dist.name if dist else "(unknown)",
                version=dist.version if dist else "(unknown)",
                load=entry.load,
            )
        )
    return tuple(sorted(found, key=lambda s: (s.distribution != PROJECT, s.distribution, s.name)))


def load_plugins(
    sources: Iterable[Source] | None = None, *, only: Collection[str] | None = None
) -> Plugins:
    """Load and check plug-ins.

    Parameters
    ----------
    sources : iterable of Source, optional
        Default: all that are installed.
    only : collection of str, optional
        Load these names alone (what a recipe names); the rest is not imported.

    Raises
    ------
    PluginError
        Two plug-ins have one name.
    """
    every = tuple(installed() if sources is None else sources)
    _refuse_doubles(every)
    manager = _new_manager()
    facts = []
    for source in every:
        if only is not None and source.name not in only:
            continue
        item, plugin = _load(source)
        if plugin is not None:
            manager.register(plugin, name=source.name)
        facts.append(item)
    return Plugins(tuple(facts), manager)


def _new_manager() -> pluggy.PluginManager:
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(hookspecs)
    return manager


def _refuse_doubles(sources: tuple[Source, ...]) -> None:
    first: dict[str, Source] = {}
    for source in sources:
        other = first.setdefault(source.name, source)
        if other is not source:
            raise PluginError(
                f'Two plug-ins are named "{source.name}": one from {other.distribution} '
                f"{other.version}, one from {source.distribution} {source.version}.",
                "Uninstall one of the two.",
            )


def _load(source: Source) -> tuple[PluginFacts, object | None]:
    """Import and check one plug-in alone, so that a broken one spoils no other."""
    try:
        plugin = source.load()
        found = replace(_examine(plugin, source.name), does=_first_line(plugin))
    except (Exception, SystemExit) as error:
        return _facts(source, _Found(), _problem(source, error)), None
    return _facts(source, found, None), plugin


def _first_line(plugin: object) -> str:
    """First line of a plug-in's own docstring, without its name before it."""
    words = (getattr(plugin, "__doc__", None) or "").strip().partition("\n")[0]
    return re.sub(r'^Plug-in "[^"]*": ', "", words).replace("``", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    stages: tuple[str, ...] = ()
    observes: bool = False
    options: type | None = None
    does: str = ""


def _facts(source: Source, found: _Found, problem: SpilemarkError | None) -> PluginFacts:
    return PluginFacts(
        name=source.name,
        distribution=source.distribution,
        version=source.version,
        stages=found.stages,
        observes=found.observes,
        options=found.options,
        does=found.does,
        problem=problem,
    )


def _problem(source: Source, error: BaseException) -> SpilemarkError:
    """Say why a plug-in cannot be used, with the cause chained."""
    label = f'The plug-in "{source.name}" of {source.distribution} {source.version}'
    problem: SpilemarkError
    if _lacks_system_library(error):
        problem = MissingLibrary(
            f"{label} needs a system library that is not here: {error}.",
            "Install that library with your system's package manager.",
        )
    else:
        words = error.what if isinstance(error, SpilemarkError) else f"{error}"
        kind = "" if isinstance(error, SpilemarkError) else f"{type(error).__name__}: "
        problem = PluginError(f"{label} cannot be used: {kind}{words}.", "Name another one.")
    problem.__cause__ = error
    return problem


def _lacks_system_library(error: BaseException) -> bool:
    """Whether an import failed on a shared library, in the words of Linux, Windows and macOS."""
    signs = ("cannot open shared object file", "DLL load failed", "Library not loaded")
    return isinstance(error, ImportError) and any(sign in str(error) for sign in signs)


def _examine(plugin: object, name: str) -> _Found:
    """Check one plug-in in a manager of its own, so that nobody else's hooks are in the way."""
    if plugin is None or inspect.isclass(plugin):
        raise PluginError("its entry point must be a module or an object, not a class or None")
    manager = _new_manager()
    _refuse_marks(manager, plugin)
    manager.register(plugin, name=name)
    manager.check_pending()
    answered = {c.name for c in manager.get_hookcallers(plugin) or ()}
    stages = tuple(stage for stage in STAGES if stage in answered)
    observes = "stage_done" in answered
    if not stages and not observes:
        raise PluginError("it answers no stage and observes none")
    declared = manager.hook.declare_options()
    if len(declared) > 1:
        raise PluginError("it declares its options more than once")
    options = check_declaration(declared[0]) if declared else None
    return _Found(stages=stages, observes=observes, options=options)


def _refuse_marks(manager: pluggy.PluginManager, plugin: object) -> None:
    """Refuse marks that order plug-ins, or that slip past the check of names.

    pluggy lets ``specname`` escape ``subset_hook_caller`` and ``optionalhook``
    escape ``check_pending``.
    """
    for attribute in dir(plugin):
        marks: Any = manager.parse_hookimpl_opts(plugin, attribute)
        for mark in _ORDERING_MARKS if marks else ():
            if marks.get(mark):
                raise PluginError(
                    f'its hook "{attribute}" is marked "{mark}"; stages have no order, '
                    "a recipe names who runs"
                )
