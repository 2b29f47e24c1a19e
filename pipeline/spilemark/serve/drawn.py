"""Ink of the pipeline's own sheets as plain data, for a page to draw and zoom."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from spilemark.ink import Area, Clipped, Group, Loop, Mark, Stroke, Words
from spilemark.layers import LayeredDrawing, Lettering, groups, thinned, word_box

Row = tuple[str, str]


def layered(drawing: LayeredDrawing) -> dict[str, Any]:
    """A drawing in layers; see :func:`as_drawing`."""
    fewer = thinned(drawing)
    found = [mark for mark in groups(fewer, 0.0, 0.0) if isinstance(mark, Group)]
    legend = [(layer.name, layer.legend) for layer in fewer.layers if layer.legend and layer.lines]
    return as_drawing(found, legend)


def as_drawing(found: Sequence[Group], legend: Sequence[Row]) -> dict[str, Any]:
    """Groups of ink as plain data, mm, y down.

    Parameters
    ----------
    found : sequence of Group
    legend : sequence of (name of a group, what its lines are)

    Returns
    -------
    dict
        ``box`` [x, y, width, height]; ``groups``, each with ``name``, ``lines`` (``d`` a path,
        ``width``, ``dash``, ``grey``, ``fill``) and ``words``; ``legend``.
    """
    drawn = [_group(group) for group in found]
    points = np.concatenate([np.asarray(loop) for group in found for loop in _loops(group.marks)])
    low, high = points.min(axis=0), points.max(axis=0)
    wide, tall = (float(v) for v in high - low)
    return {
        "box": [round(float(low[0]), 2), round(float(low[1]), 2), round(wide, 2), round(tall, 2)],
        "groups": drawn,
        "legend": [[name, words] for name, words in legend],
    }


def _group(group: Group) -> dict[str, Any]:
    lines: list[dict[str, Any]] = []
    words: list[dict[str, Any]] = []
    for mark in _flat(group.marks):
        match mark:
            case Stroke():
                lines.append(
                    {
                        "d": _path(mark.points, closed=mark.closed),
                        "width": mark.width_mm,
                        "dash": [*mark.dash_mm],
                        "grey": mark.grey,
                        "fill": False,
                    }
                )
            case Area():
                d = "".join(_path(loop, closed=True) for loop in mark.loops)
                lines.append({"d": d, "width": 0.0, "dash": [], "grey": mark.grey, "fill": True})
            case Words():
                words.append(
                    {
                        "text": mark.text,
                        "at": [round(mark.at[0], 2), round(mark.at[1], 2)],
                        "size": mark.size_mm,
                        "turn": -(mark.turn_deg + (90.0 if mark.upwards else 0.0)),
                        "anchor": mark.anchor,
                        "bold": mark.bold,
                    }
                )
    return {"name": group.name, "lines": lines, "words": words}


def _flat(marks: Iterable[Mark]) -> Iterable[Mark]:
    for mark in marks:
        if isinstance(mark, Group | Clipped):
            yield from _flat(mark.marks)
        else:
            yield mark


def _loops(marks: Iterable[Mark]) -> Iterable[Loop]:
    for mark in _flat(marks):
        match mark:
            case Stroke():
                yield mark.points
            case Area():
                yield from mark.loops
            case Words():
                as_laid = Lettering(
                    text=mark.text,
                    at_mm=(mark.at[0], -mark.at[1]),
                    size_mm=mark.size_mm,
                    turn_deg=mark.turn_deg + (90.0 if mark.upwards else 0.0),
                    anchor=mark.anchor,
                    bold=mark.bold,
                )
                yield tuple((float(x), -float(y)) for x, y in word_box(as_laid))


def _path(points: Loop, *, closed: bool) -> str:
    steps = "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
    return f"M{steps}{'Z' if closed else ''}"
