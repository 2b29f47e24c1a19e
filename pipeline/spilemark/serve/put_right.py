"""What a job's edits do to its measured outlines, tried in a worker by the command line's own functions."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.conductor import follow_with
from spilemark.corrections import LEFT_OUT, MADE_BY_HAND, corrected
from spilemark.records import (
    Floats,
    JobFacts,
    Note,
    Outline,
    ScaleBasis,
    ScaleStatement,
    Survey,
    View,
)
from spilemark.rigid import apply, inverse
from spilemark.serve.edits import correction_of
from spilemark.serve.page_words import plain_words
from spilemark.serve.reread import (
    laid_of,
    on_photo,
    outline_of,
    read_again,
    traced_outline,
    views_of,
)

_NOWHERE = ScaleStatement(
    basis=ScaleBasis.NOMINAL, words="", sigma_relative=0.0, print_scale=(1.0, 1.0)
)
_KEPT = 64
_SAME_MM = 8.0
"""A corner that was moved by less than this is still called as it was."""

Rows = list[dict[str, Any]]


def tried(task: dict[str, Any]) -> dict[str, Any]:
    """The outlines with the edits that the results do not hold yet.

    Parameters
    ----------
    task : dict
        ``report`` (the file), ``edits`` by arm (rows of the job file), ``photos`` (path by arm and
        name) and ``scans`` (arms).

    Returns
    -------
    dict
        By arm: ``patterns``, each with its ``side``, ``ring_mm``, ``seen``, ``by_hand``,
        ``corners``, ``edges`` and, by photo, ``rings`` in upright px; ``said``, for each edit that
        was worked in what was done or why it was not; or ``dropped``, where an edit was taken back
        that results of an earlier version hold: then only measuring shows how it is.
    """
    path = Path(task["report"])
    stat = path.stat()
    stamp = (str(path), stat.st_mtime_ns, stat.st_size)
    return {"arms": {arm: _Arm(stamp, arm, task).told(rows) for arm, rows in task["edits"].items()}}


@lru_cache(maxsize=4)
def _report(path: str, _time: int, _size: int) -> dict[str, Any]:
    report: dict[str, Any] = json.loads(Path(path).read_text(encoding="utf-8"))
    return report


def _key(row: dict[str, Any]) -> tuple[Any, ...]:
    return row["do"], row["photo"], tuple((float(x), float(y)) for x, y in row["points"])


_states: dict[tuple[Any, ...], tuple[tuple[Outline, ...], tuple[dict[str, Any], ...]]] = {}
"""Outlines after each list of edits, so that one more costs no more than itself."""


class _Arm:
    """One arm of a measured job."""

    def __init__(self, stamp: tuple[str, int, int], arm: str, task: dict[str, Any]) -> None:
        report = _report(*stamp)
        self._stamp, self._arm, self._report = stamp, arm, report
        self._views = views_of(report, arm)
        self._patterns = {
            side: pattern
            for side, pattern in report["patterns"].items()
            if arm in (side, "both") and pattern["measured"]
        }
        self._photos: dict[str, str] = task["photos"].get(arm, {})
        self._scan = arm in task["scans"]
        self._facts = JobFacts(
            thickness_mm=report["job"]["thickness_mm"],
            thickness_of_arm=report["job"].get("thickness_of_arm", {}),
        )

    def told(self, rows: Rows) -> dict[str, Any]:
        """Outlines and words after these edits."""
        done = self._report["job"].get("corrections", {}).get(self._arm, [])
        traced = self._report.get("traced", {}).get(self._arm)
        if [_key(row) for row in rows[: len(done)]] == [_key(row) for row in done]:
            # What the results hold is measured; only what came after is worked in here.
            found = tuple(outline_of(p, self._views) for p in self._patterns.values())
            start, rows = ("measured", found), rows[len(done) :]
        elif traced is not None:
            start = "traced", tuple(traced_outline(one, self._views) for one in traced)
        else:
            return {"dropped": True}
        outlines, said = self._after(start, rows)
        return {
            "patterns": [
                self._pattern(side, pattern, _likest(outlines, pattern))
                for side, pattern in self._patterns.items()
            ],
            "said": list(said),
        }

    def _after(
        self, start: tuple[str, tuple[Outline, ...]], rows: Rows
    ) -> tuple[tuple[Outline, ...], tuple[dict[str, Any], ...]]:
        key = (*self._stamp, self._arm, start[0], *(_key(row) for row in rows))
        if key not in _states:
            if rows:
                outlines, said = self._after(start, rows[:-1])
                state = self._one(outlines, rows[-1], said)
            else:
                state = start[1], ()
            while len(_states) >= _KEPT:
                _states.pop(next(iter(_states)))
            _states[key] = state
        return _states[key]

    def _one(
        self, outlines: tuple[Outline, ...], row: dict[str, Any], said: tuple[dict[str, Any], ...]
    ) -> tuple[tuple[Outline, ...], tuple[dict[str, Any], ...]]:
        facts = replace(self._facts, corrections={self._arm: (correction_of(row),)})
        survey = Survey(views=self._views, causes=(), scale=_NOWHERE)
        changed, left = corrected({self._arm: outlines}, survey, facts, self._follow)
        before = {id(note) for outline in outlines for note in outline.notes}
        notes = [n for o in changed[self._arm] for n in o.notes if id(n) not in before]
        words = [_plain(note) for note in (*left, *notes)]
        missed = any(note.code == LEFT_OUT for note in left)
        mind = any(note.severity == "warn" for note in (*left, *notes))
        return changed[self._arm], (*said, {"words": words, "missed": missed, "mind": mind})

    def _follow(self, outline: Outline, view: View, places_px: Floats) -> Outline | None:
        """By the recipe's tracer, in the photo itself, which is read only for this."""
        from spilemark.serve.tasks import kitchen

        path = Path(self._photos[view.straight.photo.path.name])
        stat = path.stat()
        photo = read_again(path, (stat.st_mtime_ns, stat.st_size), self._scan)
        seen = replace(view, straight=replace(view.straight, photo=photo))
        return follow_with(kitchen(), self._facts)(outline, seen, places_px)

    def _pattern(self, side: str, pattern: dict[str, Any], outline: Outline) -> dict[str, Any]:
        """As the page draws it, in the order of the report's own ring."""
        laid, ring = laid_of(pattern), outline.ring
        n = len(ring.points_mm)
        order = np.arange(n)[::-1] if laid.flipped else np.arange(n)
        place = np.argsort(order)
        rings = {
            photo.path.name: on_photo(
                ring.points_mm[order],
                view.plane,
                (photo.width_px, photo.height_px),
                photo.orientation,
            )
            for view in outline.views
            for photo in (view.straight.photo,)
        }
        names = _Names(outline_of(pattern, self._views))
        ends = [(e.stop, e.start) if laid.flipped else (e.start, e.stop) for e in outline.edges]
        return {
            "side": side,
            "ring_mm": apply(laid, ring.points_mm[order]).round(3).tolist(),
            "rings": rings,
            "seen": ring.seen[order].tolist(),
            "by_hand": ring.by_hand[order].tolist(),
            "corners": [
                {"at": int(place[c.index]), "name": names.corner(ring.points_mm[c.index])}
                for c in outline.corners
            ],
            "edges": [
                {
                    "name": names.edge(*ring.points_mm[[edge.start, edge.stop]]),
                    "from": int(place[start]),
                    "to": int(place[stop]),
                    "length_mm": round(edge.length_mm, 2),
                }
                for edge, (start, stop) in zip(outline.edges, ends, strict=True)
            ],
        }


def _likest(outlines: tuple[Outline, ...], pattern: dict[str, Any]) -> Outline:
    """Which of an arm's outlines a pattern is: the one that lies nearest to it."""
    ring = apply(inverse(laid_of(pattern)), np.array(pattern["outline_mm"], dtype=np.float64))
    middle = ring.mean(axis=0)
    away = [np.linalg.norm(o.ring.points_mm.mean(axis=0) - middle) for o in outlines]
    return outlines[int(np.argmin(away))]


class _Names:
    """What corners and edges were called when they were measured, by where they lie."""

    def __init__(self, measured: Outline) -> None:
        points = measured.ring.points_mm
        self._corners = [(points[c.index], c.name) for c in measured.corners]
        self._edges = [(points[[e.start, e.stop]], e.name) for e in measured.edges]

    def corner(self, at: Floats) -> str:
        """Its name; empty for a new one."""
        near = [name for place, name in self._corners if np.linalg.norm(place - at) < _SAME_MM]
        return near[0] if near else ""

    def edge(self, start: Floats, stop: Floats) -> str:
        """The name of the edge between two corners; empty for a new one."""
        ends = np.stack([start, stop])
        for places, name in self._edges:
            if np.linalg.norm(places - ends, axis=1).max() < _SAME_MM:
                return name
        return ""


def _plain(note: Note) -> str:
    """What was done, or why it was not, without whose hand and which photo it was."""
    words = plain_words(note.text)
    if note.code in (MADE_BY_HAND, LEFT_OUT):
        words = words.rpartition(": ")[2]
    return words[:1].upper() + words[1:]
