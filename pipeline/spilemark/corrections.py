"""What a person put right by hand: an edit list in the job, worked into what was traced.

::

    [[port.corrections]]
    do = "move"          # or "redraw", "follow", "guess", "corner", "no-corner"
    photo = "port_1.jpg"               # the photo in which it was done
    points = [[1020, 840], [1031, 838]]    # upright px of that photo

``move`` takes the point of the edge nearest to the first place to the second;
its neighbours follow, less and less, over 15 mm of edge on either side.
``redraw`` lays the edge between the first and the last place along the places
given, straight from each to the next.  ``follow`` has the tracer follow the
edge in that photo from the first place to the last, past those between, and
measure it anew.  ``guess`` says that the edge between two places was not really
seen.  ``corner`` sets a corner where the edge bends most near a place,
``no-corner`` takes the nearest one away.

Places are pixels of a photo, which does not change when others are added.  What
was moved or drawn counts as seen, by hand, with the doubt of a hand; what was
followed has the doubt that was measured.  All of it is told in the report as
made by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import shapely

from spilemark.corners import Indices
from spilemark.errors import NoEdge, UsageError
from spilemark.frames import outward_normals, upright_to_stored
from spilemark.lens import mm_per_px_across, pixels_to_plane
from spilemark.records import Cause, Floats, JobFacts, Note, Outline, Survey, View
from spilemark.ring_edits import HAND, corner_gone, corner_set, length_mm, with_corners

MADE_BY_HAND, LEFT_OUT = "made-by-hand", "correction-left-out"
REACH_MM = 15.0
"""How far along the edge a moved point takes its neighbours with it."""
HAND_PX = 2.0
"""One sigma of a place shown by hand on a photo: own judgement, no source."""
_FARTHEST_MM = 60.0
"""A place farther from every edge than this belongs to none."""
_SAME_MM = 1e-9
_PLACES = {
    "move": (2, 2),
    "redraw": (2, 500),
    "follow": (2, 20),
    "guess": (2, 2),
    "corner": (1, 1),
    "no-corner": (1, 1),
}
"""Fewest and most places of each."""
_NO_TRACER = "the tracer of this recipe cannot follow an edge"

Doing = Literal["move", "redraw", "follow", "guess", "corner", "no-corner"]
Follow = Callable[[Outline, View, Floats], Outline | None]
"""Follows the edge of an outline anew in a photo between places (M, 2), stored px; None: it cannot.
Raises ``NoEdge``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One thing put right by hand."""

    do: Doing
    photo: str
    """File name of the photo in which it was done."""
    points: tuple[tuple[float, float], ...]
    """Upright px of that photo."""


def check_correction(correction: Correction, arm: str, where: str) -> Correction:
    """A correction that can be worked in.

    Raises
    ------
    UsageError
        Too few or too many places, or one that is no number.
    """
    points = correction.points
    fewest, most = _PLACES[correction.do]
    if not fewest <= len(points) <= most:
        raise UsageError(
            f'{where}, [{arm}], corrections: "{correction.do}" has {len(points)} places.',
            "A move and a guess have two, a redraw and a follow two or more (up to 500 and to 20),"
            " a corner one.",
        )
    if not np.isfinite(np.array(points)).all():
        raise UsageError(f"{where}, [{arm}], corrections: a place is not a number.", "")
    return correction


def corrected(
    outlines: dict[str, tuple[Outline, ...]],
    survey: Survey,
    facts: JobFacts,
    follow: Follow | None = None,
) -> tuple[dict[str, tuple[Outline, ...]], list[Note]]:
    """Work a job's corrections into what was traced.

    Parameters
    ----------
    outlines : dict
        By arm, plane frame.
    survey : Survey
    facts : JobFacts
        Holds the corrections, by arm, in the order in which they were made.
    follow : callable, optional
        What the recipe's tracer has for following an edge.

    Returns
    -------
    outlines : dict
        Alike; each outline carries notes of what was done to it.
    notes : list of Note
        Of corrections that could not be worked in.
    """
    notes: list[Note] = []
    changed = dict(outlines)
    for arm, listed in facts.corrections.items():
        for number, correction in enumerate(listed, start=1):
            view = _view(survey, arm, correction.photo)
            if view is None or arm not in changed:
                notes.append(_left_out(correction, arm, "its photo is not in the job"))
                continue
            places = _on_bench(correction, view)
            which, away = _nearest_outline(changed[arm], places[0])
            if away > _FARTHEST_MM:
                notes.append(_left_out(correction, arm, "no edge lies near it"))
                continue
            row = list(changed[arm])
            hand = _Hand(correction, places, view, f"hand:{arm}:{number}", follow)
            try:
                row[which] = hand.work_in(row[which])
            except NoEdge as error:
                notes.append(_left_out(correction, arm, error.what.rstrip(".")))
                continue
            changed[arm] = tuple(row)
    return changed, notes


def _view(survey: Survey, arm: str, photo: str) -> View | None:
    for view in survey.views:
        if view.straight.arm == arm and view.straight.photo.path.name == Path(photo).name:
            return view
    return None


def _on_bench(correction: Correction, view: View) -> Floats:
    return pixels_to_plane(_stored(correction, view), view.plane)


def _stored(correction: Correction, view: View) -> Floats:
    photo = view.straight.photo
    upright = np.array(correction.points, dtype=np.float64)
    return upright_to_stored(upright, photo.width_px, photo.height_px, photo.orientation)


def _nearest_outline(outlines: Sequence[Outline], place: Floats) -> tuple[int, float]:
    away = [
        float(np.linalg.norm(outline.ring.points_mm - place, axis=1).min()) for outline in outlines
    ]
    which = int(np.argmin(away))
    return which, away[which]


@dataclass(frozen=True, slots=True, eq=False)
class _Hand:
    """One correction on its way into an outline."""

    correction: Correction
    places: Floats
    """(M, 2) plane frame."""
    view: View
    cause: str
    follow: Follow | None

    def work_in(self, outline: Outline) -> Outline:
        """The outline with this put right; raises ``NoEdge`` where it cannot be."""
        do = self.correction.do
        if do == "guess":
            return _guessed(outline, stretch_between(outline, self.places), self.correction)
        if do in ("corner", "no-corner"):
            return self._corner(outline)
        return self._followed(outline) if do == "follow" else self._moved(outline)

    def _moved(self, outline: Outline) -> Outline:
        ring, places = outline.ring, self.places
        if self.correction.do == "move":
            points, share = moved(ring.points_mm, places[0], places[1])
            corners = outline.corners
        else:
            span = stretch_between(outline, places)
            points, share = redrawn(ring.points_mm, span, places), np.zeros(len(ring.points_mm))
            share[span] = 1.0
            within = set(span[1:-1].tolist())
            corners = tuple(c for c in outline.corners if c.index not in within)
        changed = _by_hand(outline, points, share, self.view, Cause(id=self.cause, kind=HAND))
        changed = with_corners(changed, corners, outline.edges, share > 0)
        far = np.linalg.norm(points - ring.points_mm, axis=1)
        at = int(np.argmax(far))
        by_mm = float(far[at])
        what = "moved" if self.correction.do == "move" else "drawn anew"
        return self._told(changed, f"the edge was {what}, by {by_mm:.1f} mm at most", at, by_mm)

    def _corner(self, outline: Outline) -> Outline:
        add = self.correction.do == "corner"
        found = (corner_set if add else corner_gone)(outline, self.places[0])
        if found is None:
            raise NoEdge("there is a corner already" if add else "no corner lies near it", "")
        changed, at = found
        did = "a corner was set" if add else "a corner was taken away"
        return self._told(changed, did, at, float(len(changed.corners)), "corners")

    def _followed(self, outline: Outline) -> Outline:
        if self.follow is None:
            raise NoEdge(_NO_TRACER, "")
        changed = self.follow(outline, self.view, _stored(self.correction, self.view))
        if changed is None:
            raise NoEdge(_NO_TRACER, "")
        ring = changed.ring
        away = shapely.distance(
            shapely.LinearRing(outline.ring.points_mm), shapely.points(ring.points_mm)
        )
        at = int(np.argmax(away))
        step = np.linalg.norm(np.roll(ring.points_mm, -1, axis=0) - ring.points_mm, axis=1)
        fresh = (away > _SAME_MM) & np.roll(away > _SAME_MM, -1)
        long, unseen = float(step[fresh].sum()), float(step[fresh & ~ring.seen].sum())
        gap = f"; {unseen:.0f} mm of that could not be seen" if unseen >= 1.0 else ""
        words = (
            f"{long:.0f} mm of the edge were followed anew between places set by hand, up to"
            f" {away[at]:.1f} mm from where it was"
        )
        return self._told(changed, words + gap, at, float(away[at]))

    def _told(
        self, outline: Outline, words: str, at: int, value: float, unit: str = "mm"
    ) -> Outline:
        text = f"Made by hand in {self.correction.photo}: {words}."
        note = _note(text, outline.ring.points_mm[at], value, unit)
        return replace(outline, notes=(*outline.notes, note))


def moved(ring: Floats, start: Floats, to: Floats) -> tuple[Floats, Floats]:
    """A ring (N, 2) with its point nearest to ``start`` taken to ``to``, and how much (N,) each went along.

    The share falls off along the edge as half a wave of a cosine, to nothing at ``REACH_MM``.
    """
    k = int(np.argmin(np.linalg.norm(ring - start, axis=1)))
    step = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    round_mm = float(step.sum())
    along = np.concatenate([[0.0], np.cumsum(step[:-1])])
    apart = np.abs(along - along[k])
    apart = np.minimum(apart, round_mm - apart)
    share = np.where(apart < REACH_MM, 0.5 * (1 + np.cos(np.pi * apart / REACH_MM)), 0.0)
    return ring + share[:, None] * (to - ring[k]), share


def stretch_between(outline: Outline, places: Floats) -> Indices:
    """Numbers of the ring's points from the one nearest to the first place (M, 2) to that of the last.

    In ring order or against it, whichever way the middle of what was drawn lies nearer; of two
    places, the shorter.
    """
    ring = outline.ring.points_mm
    n = len(ring)
    a, b = (int(np.argmin(np.linalg.norm(ring - p, axis=1))) for p in (places[0], places[-1]))
    onwards = (a + np.arange((b - a) % n + 1)) % n
    back = (b + np.arange((a - b) % n + 1)) % n
    ways = [length_mm(ring[w]) for w in (onwards, back)]
    if len(places) > 2 and min(ways) > 0.25 * sum(ways):
        inner = places[1:-1]
        away = [
            np.linalg.norm(ring[w][None] - inner[:, None], axis=2).min(axis=1).mean()
            for w in (onwards, back)
        ]
        return onwards if away[0] <= away[1] else back
    return onwards if ways[0] <= ways[1] else back


def redrawn(ring: Floats, span: Indices, places: Floats) -> Floats:
    """A ring (N, 2) whose points ``span`` lie evenly along the places; the ring keeps its other points."""
    first, last = ring[span[0]], ring[span[-1]]
    line = places[1:-1]
    if len(places) > 1 and np.linalg.norm(places[0] - first) > np.linalg.norm(places[0] - last):
        line = line[::-1]
    line = np.concatenate([first[None], line, last[None]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    wanted = np.linspace(0.0, along[-1], len(span))
    points = np.array(ring)
    points[span] = np.stack([np.interp(wanted, along, line[:, j]) for j in (0, 1)], axis=1)
    return points


def _by_hand(outline: Outline, points: Floats, share: Floats, view: View, cause: Cause) -> Outline:
    """The outline with its ring so, and a doubt that all points of this stretch share."""
    ring = outline.ring
    width = HAND_PX * mm_per_px_across(points, outward_normals(points), view.plane)
    hand = share > 0.5
    lines = []
    for line in outline.polylines:
        column = np.zeros((len(line.points_mm), 1))
        if line is ring:
            column = (share * width)[:, None]
            line = replace(
                line,
                points_mm=points,
                seen=ring.seen | hand,
                by_hand=ring.by_hand | (share > 0),
            )
        sensitivity = np.concatenate([line.sensitivity_mm, column], axis=1)
        lines.append(replace(line, sensitivity_mm=sensitivity))
    return replace(outline, polylines=tuple(lines), causes=(*outline.causes, cause))


def _guessed(outline: Outline, span: Indices, correction: Correction) -> Outline:
    ring = outline.ring
    seen = np.array(ring.seen)
    seen[span] = False
    lines = tuple(replace(p, seen=seen) if p is ring else p for p in outline.polylines)
    length = length_mm(ring.points_mm[span])
    note = _note(
        f"Said by hand in {correction.photo}: {length:.0f} mm of the edge were not really seen.",
        ring.points_mm[span[len(span) // 2]],
        length,
    )
    return replace(outline, polylines=lines, notes=(*outline.notes, note))


def _note(text: str, at: Floats, value: float, unit: str = "mm") -> Note:
    return Note(
        code=MADE_BY_HAND,
        severity="info",
        text=text,
        value=value,
        unit=unit,
        at_mm=(float(at[0]), float(at[1])),
    )


def _left_out(correction: Correction, arm: str, why: str) -> Note:
    return Note(
        code=LEFT_OUT,
        severity="warn",
        text=f"What was put right by hand in {correction.photo} for {arm} was left out: {why}.",
    )
