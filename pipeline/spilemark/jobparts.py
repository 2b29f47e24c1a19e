"""A job file of several parts: what stands at its top holds for each of them.

::

    boat = "Dunlin 14"
    thickness = "3.1 mm"
    out = "spring"

    [[parts]]
    part = "quarter knee"
    port.photos = ["qk_port.jpg"]
    starboard.photos = ["qk_stbd.jpg"]

    [[parts]]
    part = "breasthook"
    thickness = "4 mm"                # this part's own
    single.photos = ["breasthook.jpg"]

Each part is a job of its own, with a folder of its own: ``spring/quarter_knee``,
``spring/breasthook``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from spilemark.errors import UsageError
from spilemark.strict import nearest, read_toml

PARTS = "parts"


@dataclass(frozen=True, slots=True)
class JobPart:
    """One part of a job file."""

    name: str
    """Empty where the file is of one part."""
    folder: str
    """Name of its folder of results; empty where the file is of one part."""
    table: dict[str, Any]
    """What the file says of it, paths as they stand there."""


def parts_of(job_file: Path) -> tuple[JobPart, ...]:
    """The parts of a job file, in its order; one without a name where it has no ``[[parts]]``.

    Raises
    ------
    UnreadableInput
        The file cannot be read.
    UsageError
        A part has no name, or two have the same.
    """
    table = read_toml(job_file, "job file")
    if PARTS not in table:
        return (JobPart("", "", table),)
    where = f"The job file {job_file}"
    listed = table.pop(PARTS)
    if not isinstance(listed, list) or not listed or not all(isinstance(p, dict) for p in listed):
        raise UsageError(f"{where}: parts is a list of tables.", "Begin each part with [[parts]].")
    found: dict[str, JobPart] = {}
    for number, inner in enumerate(listed, start=1):
        name = inner.get("part")
        if not isinstance(name, str) or not name.strip():
            raise UsageError(
                f"{where}: its part number {number} has no name.", 'Add part = "quarter knee".'
            )
        folder = _folder(name)
        if folder.casefold() in found:
            raise UsageError(
                f'{where}: two parts are called "{name}", and would share a folder.',
                'Tell them apart, such as part = "thwart knee 1".',
            )
        found[folder.casefold()] = JobPart(name, folder, laid_over(table, inner))
    return tuple(found.values())


def part_called(job_file: Path, name: str) -> JobPart:
    """One part of a job file, by its name or the name of its folder.

    Raises
    ------
    UsageError
        There is none of that name; raises beside as :func:`parts_of`.
    """
    parts = parts_of(job_file)
    for part in parts:
        if name.casefold() in (part.name.casefold(), part.folder.casefold()):
            return part
    names = [part.name for part in parts if part.name]
    if not names:
        raise UsageError(
            f"The job file {job_file} is of one part only.", "Leave out --only, or add [[parts]]."
        )
    raise UsageError(
        f'The job file {job_file} has no part "{name}".{nearest(name, names)}',
        f"Its parts: {', '.join(names)}.",
    )


def laid_over(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    """Join two tables of a job; ``above`` wins, key by key also within their tables."""
    merged = dict(below)
    for key, value in above.items():
        inner = merged.get(key)
        both = isinstance(value, dict) and isinstance(inner, dict)
        merged[key] = {**cast("dict[str, Any]", inner), **value} if both else value
    return merged


def _folder(name: str) -> str:
    """A name that every file system takes."""
    plain = re.sub(r"[^\w.-]+", "_", name.strip()).strip("._")[:80]
    return plain or "part"
