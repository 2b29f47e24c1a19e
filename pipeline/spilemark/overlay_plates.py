"""Where name plates go on an overlay: beside what they name, off everything else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from spilemark.overlay_canvas import WHITE, Canvas, Colour
from spilemark.records import Floats

_REACHES = (0.9, 2.0, 3.4, 5.0, 7.0)
"""How far from its place a plate may lie, in letters, nearest first."""
_LEADER_FROM = 1.5
"""A plate farther off than this has a line to its place."""
_ASIDE_DEG = (0.0, 40.0, -40.0, 75.0, -75.0)
_ROUND = 8


class Plates:
    """Places plates one after the other; none covers what was blocked, if there is room at all.

    Parameters
    ----------
    canvas : Canvas
    blocked : iterable of (N, 2)
        Areas that stay clear, upright px of the picture.
    """

    def __init__(self, canvas: Canvas, blocked: Iterable[Floats] = ()) -> None:
        from shapely import Polygon

        self._canvas = canvas
        self._taken = [Polygon(ring).buffer(0) for ring in blocked if len(ring) >= 3]

    def name(
        self, text: str, spots: Sequence[tuple[Floats, Floats]], colour: Colour = WHITE
    ) -> None:
        """Write ``text`` beside the first of its spots (place, way out) that has room."""
        from shapely import box

        canvas, best = self._canvas, None
        for reach in _REACHES:
            for place, out in _aside(spots):
                at = canvas.beside(text, place, out, reach)
                plate = canvas.plate(at, text)
                covered = sum(
                    plate_area.intersection(box(*plate)).area for plate_area in self._taken
                )
                # A plate that was pushed back from the photo's border hides its own place.
                covered += 1e6 * (
                    plate[0] <= place[0] <= plate[2] and plate[1] <= place[1] <= plate[3]
                )
                if best is None or covered < best[0] - 1e-6:
                    best = (covered, reach, place, at, plate)
                if covered <= 0:
                    break
            if best is not None and best[0] <= 0:
                break
        if best is None:
            return
        _, reach, place, at, plate = best
        if reach > _LEADER_FROM:
            near = np.clip(place, (plate[0], plate[1]), (plate[2], plate[3]))
            canvas.path(np.stack([place, near]), colour)
        canvas.words(at, text, colour)
        self._taken.append(box(*plate).buffer(0.3 * canvas.letter))

    def around(self, text: str, place: Floats, colour: Colour = WHITE) -> None:
        """Write ``text`` on whichever side of a place has room."""
        turns = 2 * np.pi * (np.arange(_ROUND) + 0.5) / _ROUND
        ways = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
        self.name(text, [(place, way) for way in ways], colour)


def _aside(spots: Sequence[tuple[Floats, Floats]]) -> list[tuple[Floats, Floats]]:
    """The spots themselves, then the same places left at a slant."""
    turned = []
    for angle in np.radians(_ASIDE_DEG):
        spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        turned += [(place, spin @ out) for place, out in spots]
    return turned
