"""``spilemark plugins``: which plug-ins are installed, and what they can be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from spilemark.commands import Examples

if TYPE_CHECKING:
    from spilemark.plugins import PluginFacts


_STAGES = (
    "A job goes through them in this order: read_source opens a photo, undistort proposes its lens,\n"
    "rectify finds the cards and the scale, trace follows the edge, register lays it on its line,\n"
    "mirror and compare set the sides against each other, write_template and write_job make the files."
)


@click.command(
    cls=Examples,
    examples=(
        "spilemark plugins",
        "spilemark plugins cut-edge",
        "spilemark plugins svg",
    ),
)
@click.argument("name", required=False)
def plugins(name: str | None) -> None:
    """List the plug-ins, or show one with its options.

    Installing a plug-in changes nothing until a recipe names it.
    """
    from spilemark.errors import UsageError
    from spilemark.plugins import load_plugins
    from spilemark.strict import nearest

    loaded = load_plugins()
    by_name = {item.name: item for item in loaded.facts}
    if name is None:
        for item in loaded.facts:
            click.echo(_line(item))
            if item.does:
                click.echo(f"    {item.does}")
        click.echo(f"\n{_STAGES}")
        return
    if name not in by_name:
        raise UsageError(
            f'No plug-in named "{name}" is installed.{nearest(name, by_name)}',
            'The command "spilemark plugins" lists those that are.',
        )
    _show(by_name[name])


def _line(item: PluginFacts) -> str:
    if item.problem is not None:
        return f"{item.name:18} cannot be used: {item.problem.what}"
    does = ", ".join((*item.stages, *(["observes"] if item.observes else [])))
    return f"{item.name:18} {does:16} {item.distribution} {item.version}"


def _show(item: PluginFacts) -> None:
    from spilemark.options import option_facts

    click.echo(_line(item))
    if item.does:
        click.echo(f"    {item.does}")
    if item.problem is not None:
        raise item.problem
    options = option_facts(item.options)
    stage = item.stages[0] if item.stages else "observers"
    if not options:
        click.echo("It has no options.")
        return
    click.echo(f"\nIn a recipe file:\n\n[{stage}.{item.name}]")
    for option in options:
        unit = f" ({option.unit})" if option.unit else ""
        click.echo(f"# {option.help}{unit}")
        click.echo(f"{option.name} = {_toml(option.default)}")


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)
