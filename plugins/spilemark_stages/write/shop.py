"""Plug-in "shop": the one page for the saw, ``shop.pdf``.

Both outlines over each other to a stated scale, wood to take off by station,
where it cannot be put back, and what a person has to know with the saw running.
Black and white, legible at arm's length.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from spilemark.errors import CannotWrite
from spilemark.hookspecs import hookimpl
from spilemark.ink_files import pdf_bytes
from spilemark.results import JobResult
from spilemark_stages.write.shop_page import shop_page

_SMALL = {"a3": "a4", "tabloid": "letter"}
"""A page for the hand: what the large papers are cut down to."""


@dataclass(frozen=True)
class Options:
    """How the page is made."""

    paper: Literal["", "a4", "letter"] = field(
        default="",
        metadata={"help": "Paper of the page; empty takes what goes with the job's.", "unit": ""},
    )


@hookimpl
def declare_options() -> type:
    """Hand over the options."""
    return Options


@hookimpl
def write_job(result: JobResult, folder: Path, options: Options) -> tuple[Path, ...]:
    """Write ``shop.pdf``."""
    path = folder / "shop.pdf"
    paper = options.paper or _SMALL.get(result.facts.paper, result.facts.paper)
    sheet = shop_page(result, paper)
    try:
        path.write_bytes(pdf_bytes([sheet], sheet.title))
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return (path,)
