"""What a plug-in must hand back from each stage, checked where it comes in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from spilemark.records import (
    Outline,
    Photo,
    RegisteredPattern,
    Side,
    SideComparison,
    StraightPhoto,
    Survey,
)

Arguments = dict[str, Any]

RESULTS: dict[str, type] = {
    "read_source": Photo,
    "undistort": StraightPhoto,
    "rectify": Survey,
    "trace": tuple,
    "follow_edge": Outline,
    "register": RegisteredPattern,
    "mirror": RegisteredPattern,
    "compare": SideComparison,
    "write_template": tuple,
    "write_job": tuple,
}


def check_result(stage: str, result: object, arguments: Arguments) -> str:
    """Say in words which promise a result breaks; empty when it keeps them all.

    Parameters
    ----------
    stage : str
    result : object
        What the plug-in handed back.
    arguments : dict
        What it was given.
    """
    wanted = RESULTS[stage]
    if result is None:
        return f"handed back nothing instead of {_words(wanted)}"
    if not isinstance(result, wanted):
        return f"handed back {_words(type(result))} instead of {_words(wanted)}"
    more = _MORE.get(stage)
    return more(result, arguments) if more else ""


def _words(kind: type) -> str:
    return f"a {kind.__name__}"


def _undistort(result: StraightPhoto, given: Arguments) -> str:
    if result.photo is not given["photo"]:
        return "exchanged the photo, which must be handed on unchanged"
    return "changed the arm" if result.arm != given["arm"] else ""


def _rectify(result: Survey, given: Arguments) -> str:
    seen = tuple(view.straight for view in result.views)
    same = len(seen) == len(given["photos"]) and all(
        a is b or (a is b.otherwise and a.photo is b.photo)
        for a, b in zip(seen, given["photos"], strict=True)
    )
    if not same:
        return "did not hand on one view per photo in the order given"
    width = len(result.causes)
    if any(view.plane.gain.shape != (16, width) for view in result.views):
        return "handed on a plane map whose gain does not fit its causes"
    return ""


def _trace(result: tuple[object, ...], _given: Arguments) -> str:
    if not result:
        return "handed back no outline instead of raising NoOutline"
    if not all(isinstance(item, Outline) for item in result):
        return "handed back something that is not an Outline"
    for outline in result:
        assert isinstance(outline, Outline)
        if [p.role for p in outline.polylines].count("edge") != 1:
            return "handed back an outline that has not exactly one outer edge"
        width = len(outline.causes)
        for line in outline.polylines:
            count = len(line.points_mm)
            if line.sensitivity_mm.shape != (count, width) or len(line.sigma_mm) != count:
                return "handed back a line whose doubts do not fit its points"
    return ""


def _register(result: RegisteredPattern, given: Arguments) -> str:
    return "changed the side" if result.side != given["side"] else ""


def _mirror(result: RegisteredPattern, given: Arguments) -> str:
    swapped = {Side.PORT: Side.STARBOARD, Side.STARBOARD: Side.PORT, Side.SINGLE: Side.SINGLE}
    if result.side != swapped[given["pattern"].side]:
        return "did not swap the side"
    return "called a mirrored copy measured" if result.measured else ""


def _written(result: tuple[object, ...], given: Arguments) -> str:
    folder = Path(given["folder"]).resolve()
    for item in result:
        if not isinstance(item, Path):
            return "handed back something that is not a path"
        if not item.is_file() or folder not in item.resolve().parents:
            return f"says that it wrote {item.name}, but no such file is in its folder"
    return ""


_MORE: dict[str, Callable[[Any, Arguments], str]] = {
    "undistort": _undistort,
    "rectify": _rectify,
    "trace": _trace,
    "follow_edge": lambda result, given: _trace((result,), given),
    "register": _register,
    "mirror": _mirror,
    "write_template": _written,
    "write_job": _written,
}
