"""What the page says instead of options of the command line, held against all words there are."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from spilemark.serve import page_words
from spilemark.serve.page_words import plain_words
from spilemark.serve.pages import ARM_WORDS

ROOT = Path(__file__).resolve().parents[1]
OURS = ROOT / "pipeline" / "spilemark"
OPTION = re.compile(r"(?<![\w-])--[a-z]")
MEASURING = (
    "card_places", "conductor", "corrections", "errors", "lens_job", "picking", "sides", "tags", "wording",
)  # fmt: skip
"""Modules beside the stages whose notes and errors can come to the page."""
NOT_THERE = ("compare them with the other --hand",)
"""What only ``spilemark compare`` can say: of two patterns that are no sides of one job."""


def said_in(path: Path) -> Iterator[str]:
    """All strings of a module but its docstrings, with ``port`` for what is filled in."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    apart = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            apart |= {id(part) for part in node.values}
    for node in ast.walk(tree):
        if id(node) in apart:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        elif isinstance(node, ast.JoinedStr):
            parts = (str(p.value) if isinstance(p, ast.Constant) else "port" for p in node.values)
            yield "".join(parts)


def naming_options(*paths: Path) -> list[str]:
    return [words for path in paths for words in said_in(path) if OPTION.search(words)]


def test_no_note_and_no_error_of_measuring_names_an_option_on_the_page() -> None:
    stages = sorted((ROOT / "plugins" / "spilemark_stages").rglob("*.py"))
    told = naming_options(*(OURS / f"{name}.py" for name in MEASURING), *stages)
    assert len(told) > 40
    left = [words for words in told if OPTION.search(plain_words(words))]
    assert [w for w in left if not any(known in w for known in NOT_THERE)] == []


def test_each_saying_is_of_words_that_are_said() -> None:
    ours = [p for p in OURS.rglob("*.py") if p != Path(page_words.__file__)]
    told = naming_options(*ours, *(ROOT / "plugins").rglob("*.py"))
    # These are put together of two strings.
    told += [words + " (across, along)." for words in told if "--printed-bar 99.6" in words]
    for pattern, _ in page_words._SAYINGS:
        assert any(re.search(pattern, words) for words in told), pattern


def test_what_the_page_is_said_to_offer_stands_on_it() -> None:
    on_it = "\n".join(p.read_text(encoding="utf-8") for p in (OURS / "serve/templates").iterdir())
    on_it += "\n".join(ARM_WORDS.values())
    quoted = {found for _, words in page_words._SAYINGS for found in re.findall('"([^"]+)"', words)}
    assert len(quoted) >= 6
    assert [words for words in quoted if words not in on_it] == []


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ("It lies up (--face port:down if not).", "It lies up."),
        (
            "Say --edge scribed if it is, --edge cut if not.",
            'Choose on the job sheet "a line drawn on the sheet" if it is, "the sheet\'s cut edge" if not.',
        ),
        ("Two cards -- A and B -- lie apart (31 for 3.1).",) * 2,
    ],
)
def test_the_page_says_it_in_its_own_words(told: str, words: str) -> None:
    assert plain_words(told) == words
