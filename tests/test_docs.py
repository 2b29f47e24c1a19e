"""The pages cannot lie: their tables and commands are compared with the code."""

from __future__ import annotations

import inspect
import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import click
import pytest

from spilemark import cli, errors, hookspecs
from spilemark.card_files import card_set_from_table
from spilemark.errors import SpilemarkError
from spilemark.records import RECORDS, field_names

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def table(text: str, head: str) -> list[list[str]]:
    """Cells of the table whose head line begins with ``| head |``."""
    lines = text[text.index(f"| {head} |") :].splitlines()[2:]
    rows = []
    for line in lines:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]])
    return rows


def names(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


def test_the_table_of_records_is_the_code() -> None:
    told = {names(r)[0]: tuple(names(fields)) for r, _, fields in table(DEVELOPERS, "record")}
    assert told == {record.__name__: field_names(record) for record in RECORDS}
    assert list(told) == [record.__name__ for record in RECORDS]


def test_the_table_of_hooks_is_the_code() -> None:
    told = {names(h)[0]: (names(a), names(b)[0]) for h, a, b in table(DEVELOPERS, "hook")}
    specs: dict[str, Any] = {
        name: value
        for name, value in vars(hookspecs).items()
        if inspect.isfunction(value) and value.__module__ == hookspecs.__name__
    }
    assert list(told) == list(specs)
    for name, spec in specs.items():
        signature = inspect.signature(spec)
        arguments, result = told[name]
        assert arguments == list(signature.parameters), name
        assert result.replace("\\", "") == signature.return_annotation, name


def test_the_table_of_exit_codes_is_the_code() -> None:
    told = {int(code) for code, _ in table(README, "code")}
    kinds = {kind.exit_code for kind in SpilemarkError.__subclasses__()}
    others = {v for k, v in vars(errors).items() if k.startswith("EXIT_")}
    assert told == kinds | others


def test_each_exit_code_means_one_thing() -> None:
    codes = [kind.exit_code for kind in SpilemarkError.__subclasses__()]
    assert len(codes) == len(set(codes))


@pytest.mark.parametrize(
    "line", [line.strip() for line in README.splitlines() if line.startswith("    spilemark ")]
)
def test_the_commands_of_the_readme_are_understood(line: str) -> None:
    _, name, *words = shlex.split(line)
    command = cli.spilemark.commands[name]
    if isinstance(command, click.Group):
        name, *words = words
        command = command.commands[name]
    command.make_context(name, words)


def test_options_that_the_readme_speaks_of_exist() -> None:
    make = cli.spilemark.commands["make"]
    commands = list(cli.spilemark.commands.values())
    commands += [c for g in commands if isinstance(g, click.Group) for c in g.commands.values()]
    offered = {o for command in commands for p in command.params for o in p.opts}
    spoken = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert spoken - offered == {"--help"}
    assert any("--port" in p.opts for p in make.params)


def test_the_batten_of_the_readme_is_a_card_set() -> None:
    lines = README[README.index("       [[batten]]") :].splitlines()
    text = "\n".join(line for line in lines[:4])
    card_set = card_set_from_table(tomllib.loads(text), "README")
    assert card_set.battens[0].cards == ("A", "H")


def test_what_the_pages_point_to_exists() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)]+)\)", text):
            assert (ROOT / target).is_file(), target
        for target in re.findall(
            r"`((?:pipeline|plugins|tests|benchmarks|sample_images)/[^`]*)`", text
        ):
            assert (ROOT / target).exists(), target


def test_ruff_is_given_a_reason_for_each_thing_it_lets_pass() -> None:
    lines = (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()
    begin = lines.index("ignore = [") + 1
    for line in lines[begin : lines.index("]", begin)]:
        assert "#" in line, line


def test_pins_hold_no_address_and_no_path() -> None:
    pins = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    assert not re.search(
        r"://|--index|file:|/",
        "\n".join(line for line in pins.splitlines() if not line.startswith("#")),
    )
