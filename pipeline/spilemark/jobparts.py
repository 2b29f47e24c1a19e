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
from spilemark.results import ARMS
from spilemark.strict import nearest, read_toml

PARTS = "parts"
_POINTS = ("centreline", "forward")
"""What is told of an arm in pixels of its first photo."""
_WINDOWS_KEEPS = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)
"""Names that Windows keeps for its devices: Microsoft, "Naming Files, Paths, and Namespaces"."""


@dataclass(frozen=True, slots=True)
class JobPart:
    """One part of a job file."""

    name: str
    """Empty where the file is of one part."""
    folder: str
    """Name of its folder of results; empty where the file is of one part."""
    table: dict[str, Any]
    """What the file says of it, paths as they stand there."""
    dropped: tuple[str, ...] = ()
    """What was told of the file's photos, and left out since this part has others."""


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
    where = f"The job file {job_file}"
    if PARTS not in table:
        if isinstance(table.get("part"), list | dict):
            raise UsageError(
                f"{where}: part is a name, and a table stands there.",
                "Begin each of several parts with [[parts]], with an s.",
            )
        return (JobPart("", "", table),)
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
            raise _shared(found[folder.casefold()], name, where)
        found[folder.casefold()] = JobPart(
            name, folder, laid_over(table, inner), dropped_points(table, inner)
        )
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


def _shared(first: JobPart, name: str, where: str) -> UsageError:
    same = name.strip().casefold() == first.name.strip().casefold()
    names = f'two parts are called "{name}"' if same else f'the parts "{first.name}" and "{name}"'
    return UsageError(
        f'{where}: {names}{", and" if same else ""} would share the folder "{first.folder}".',
        'Tell them apart, such as part = "thwart knee 1".',
    )


def laid_over(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    """Join two tables of a job; ``above`` wins, key by key also within their tables.

    New photos take the points that were told in pixels of the old ones with them, see
    :func:`dropped_points`.
    """
    merged = dict(below)
    for arm in _points_of_old_photos(below, above):
        merged[arm] = {k: v for k, v in merged[arm].items() if k not in _POINTS}
    for key, value in above.items():
        inner = merged.get(key)
        both = isinstance(value, dict) and isinstance(inner, dict)
        merged[key] = {**cast("dict[str, Any]", inner), **value} if both else value
    return merged


def dropped_points(below: dict[str, Any], above: dict[str, Any]) -> tuple[str, ...]:
    """Say which points of ``below`` do not count, because ``above`` names other photos.

    A line or a forward point is told in pixels of the first photo. Photos of [both] are
    those of the tables [port] and [starboard] too.
    """
    said = []
    for arm in _points_of_old_photos(below, above):
        kept = above.get(arm)
        keys = [
            k for k in _POINTS if k in below[arm] and not (isinstance(kept, dict) and k in kept)
        ]
        if keys:
            words = " and ".join({"forward": "forward point"}.get(key, key) for key in keys)
            said.append(
                f"The {words} told for {arm} in pixels of another photo {'are' if keys[1:] else 'is'} "
                "not used: this is a new photo. Say again what is needed."
            )
    return tuple(said)


def _points_of_old_photos(below: dict[str, Any], above: dict[str, Any]) -> list[str]:
    """Arms whose points are in pixels of photos that ``above`` replaces."""
    found = []
    for arm in ARMS:
        old, new = (_first_photo(table, arm) for table in (below, above))
        if old and new and old != new and isinstance(below.get(arm), dict):
            found.append(arm)
    return found


def _first_photo(table: dict[str, Any], arm: str) -> Path | None:
    """The photo in whose pixels an arm's points are told: its own first, else that of [both]."""
    for name in (arm, "both") if arm in ("port", "starboard") else (arm,):
        inner = table.get(name)
        photos = inner.get("photos") if isinstance(inner, dict) else None
        if isinstance(photos, list) and photos and isinstance(photos[0], str):
            return Path(photos[0]).absolute()
    return None


def _folder(name: str) -> str:
    """A name that every file system takes."""
    plain = re.sub(r"[^\w.-]+", "_", name.strip()).strip("._")[:80]
    return f"{plain}_part" if _WINDOWS_KEEPS.fullmatch(plain) else plain or "part"
