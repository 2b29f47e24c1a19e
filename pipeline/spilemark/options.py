"""Options of plug-ins: a frozen dataclass each, whose fields say what they are for.

A field needs a default, and ``metadata`` with ``help`` (a sentence) and
``unit`` (may be empty)::

    @dataclass(frozen=True)
    class Options:
        reach_mm: float = field(
            default=2.0, metadata={"help": "How far to look across the edge.", "unit": "mm"}
        )
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from spilemark.errors import PluginError
from spilemark.strict import convert


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionFacts:
    """One option of one plug-in, for people to read."""

    name: str
    default: object
    unit: str
    help: str


def check_declaration(kind: object) -> type:
    """Check what a plug-in's ``declare_options`` handed over.

    Raises
    ------
    PluginError
        It is not a frozen dataclass, or a field lacks a default, help or unit.
    """
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind)):
        raise PluginError(f"declare_options returned {kind!r}, not a dataclass type")
    params: Any = getattr(kind, "__dataclass_params__")  # noqa: B009 - not in the type stubs
    if not params.frozen:
        raise PluginError(f"its options {kind.__name__} are not a frozen dataclass")
    for item in dataclasses.fields(kind):
        if not isinstance(item.metadata.get("help"), str) or "unit" not in item.metadata:
            raise PluginError(f'its option "{item.name}" has no help or no unit in its metadata')
        if item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING:
            raise PluginError(f'its option "{item.name}" has no default')
    return kind


def option_facts(kind: type | None) -> tuple[OptionFacts, ...]:
    """List the options that a checked declaration offers."""
    if kind is None:
        return ()
    defaults = kind()
    return tuple(
        OptionFacts(
            name=item.name,
            default=getattr(defaults, item.name),
            unit=str(item.metadata["unit"]),
            help=str(item.metadata["help"]),
        )
        for item in dataclasses.fields(kind)
    )


def build_options(kind: type | None, table: dict[str, Any], where: str) -> Any:
    """Make a plug-in's options from a recipe's table; None if it declares none.

    Raises
    ------
    UsageError
        A key is unknown, or a value has the wrong type or is refused by the plug-in.
    """
    if kind is None:
        return convert(table, _NoOptions, where) and None
    return convert(table, kind, where)


@dataclass(frozen=True)
class _NoOptions:
    """A plug-in without options accepts an empty table only."""
