"""The command line of ``spilemark make``, put into the words of a job file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from spilemark.commands.shop_options import date_of
from spilemark.errors import UsageError

_SIDES = ("port", "starboard", "single", "both")


def arms_of(job_file: Path | None, only: str) -> set[str]:
    """Tell of which sides a job file's part has photos."""
    from spilemark.jobparts import part_called, parts_of

    if job_file is None:
        return set()
    table = (part_called(job_file, only) if only else parts_of(job_file)[0]).table
    return {k for k, v in table.items() if isinstance(v, dict) and v.get("photos")}


def said_on_command(
    photos: dict[str, tuple[str, ...]], told: dict[str, Any], arms: set[str]
) -> dict[str, Any]:
    """Put the command line into the words of the job file; ``arms`` has photos there already."""
    said: dict[str, Any] = {arm: {"photos": [*given]} for arm, given in photos.items() if given}
    given_arms = [side for side in _SIDES if side in arms | said.keys()]
    one_line_each = ["port", "starboard"] if "both" in given_arms else given_arms
    for side, text in _by_side(told.pop("centreline"), one_line_each, "--centreline", each=True):
        said.setdefault(side, {})["centreline"] = _numbers(text, "--centreline")
    for side, text in _by_side(told.pop("forward"), given_arms, "--forward", each=True):
        said.setdefault(side, {})["forward"] = _numbers(text, "--forward")
    for side, text in _by_side(told.pop("face"), given_arms, "--face", each=False):
        said.setdefault(side, {})["face"] = text.strip().lower()
    for side, text in _by_side(
        told.pop("line_from_edge"), given_arms, "--line-from-edge", each=False
    ):
        said.setdefault(side, {})["line_from_edge"] = text.strip()
    for side, text in _by_side(told.pop("edge"), given_arms, "--edge", each=False):
        said.setdefault(side, {})["edge"] = text.strip().lower()
    _lay_thickness(said, told)
    if told.get("date") is not None:
        told["date"] = date_of(told["date"])
    for key in ("battens", "distances"):
        if told.get(key):
            told[key] = [*told[key]]
    return said | {key: value for key, value in told.items() if value not in (None, ())}


def _lay_thickness(said: dict[str, Any], told: dict[str, Any]) -> None:
    """Put each thickness where it belongs: at the top, or at its side."""
    common = [text for text in told.get("thickness") or () if ":" not in text]
    own = [text for text in told.pop("thickness", None) or () if ":" in text]
    if len(common) > 1:
        raise UsageError(
            f"--thickness was given {len(common)} times: {', '.join(common)}.",
            "Say of which side each is: --thickness port:3.1mm --thickness starboard:3.3mm.",
        )
    for side, text in _by_side(own, [], "--thickness", each=True):
        said.setdefault(side, {})["thickness"] = text.strip()
    if common:
        told["thickness"] = common[0]


def _by_side(
    texts: Sequence[str], meant: list[str], option: str, *, each: bool
) -> list[tuple[str, str]]:
    """Split ``port:...``; without a side it is meant for the only one, or for all unless ``each``."""
    pairs = []
    for text in texts:
        side, colon, rest = text.partition(":")
        if colon:
            if side not in _SIDES:
                raise UsageError(
                    f'{option} {text}: "{side}" is no side.', f"Sides are {', '.join(_SIDES)}."
                )
            pairs.append((side, rest))
            continue
        if not meant or (each and len(meant) > 1):
            raise UsageError(
                f"{option} {text}: of which side?", f"Write for example {option} port:{text}."
            )
        pairs += [(arm, text) for arm in meant]
    return pairs


def _numbers(text: str, option: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError as error:
        raise UsageError(
            f"{option} {text} is not a row of numbers.",
            "Write pixels of the upright photo with commas between, such as 410,2210,3550,2190.",
        ) from error
