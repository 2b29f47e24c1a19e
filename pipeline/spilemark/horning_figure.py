"""A horned hull seen from above: the tapes, where a square transom would lie, and the doubt.

Not to scale: what is out of square is a few millimetres in some metres, and is
drawn larger by a factor that is told.
"""

from __future__ import annotations

import math

import numpy as np

from spilemark.layers import Layer, LayeredDrawing, Lettering, Line
from spilemark.records import Floats
from spilemark.shop.horning import Horning
from spilemark.shop.lengths import Show, show_degrees, show_doubt, show_length

_GAINS = (1, 2, 5, 10, 20, 50, 100)
_MOST_DRAWN_DEG = 14.0
"""Larger, and the drawn hull no longer looks like one."""
_LETTERS = 1 / 24
_FULLNESS = 0.16
"""How far the sides swell beyond the diagonals, as a share of the breadth; only to look like a boat."""


def gain_of(hull: Horning) -> int:
    """By how much the skew is drawn larger: the roundest factor that keeps a boat a boat."""
    widest = abs(hull.centreline_skew_deg) + hull.centreline_skew_u95_deg
    return max((g for g in _GAINS if g * widest <= _MOST_DRAWN_DEG), default=1)


def horning_figure(hull: Horning, units: Show = "mm") -> LayeredDrawing:
    """Draw a hull from three tapes, bow up.

    Parameters
    ----------
    hull : Horning
    units : {"mm", "in", "ft"}

    Returns
    -------
    LayeredDrawing
        In the hull's own millimetres, x to starboard, y forward, the transom's
        middle at the origin; ``notes`` tell by how much the skew is drawn larger.
    """
    gain = gain_of(hull)
    half, long = hull.plan_mm[2] / 2.0, hull.median_mm
    stem = np.array([0.0, long])
    letters = long * _LETTERS

    def transom(deg: float) -> Floats:
        turn = math.radians(gain * deg)
        port = -half * np.array([math.cos(turn), math.sin(turn)])
        return np.array([port, -port])

    port, starboard = transom(hull.centreline_skew_deg)
    square = transom(0.0)
    band = [
        transom(hull.centreline_skew_deg + sign * hull.centreline_skew_u95_deg)
        for sign in (-1.0, 1.0)
    ]
    doubt = np.vstack([band[0], band[1][::-1]])
    tapes = hull.tapes
    layers = [
        Layer(
            name="sides",
            legend="",
            lines=tuple(Line(_side(corner, stem, half)) for corner in (port, starboard)),
            width_mm=0.25,
            grey=0.5,
        ),
        Layer(
            name="square",
            legend="where a square transom would lie",
            lines=(Line(square), Line(np.array([[0.0, 0.0], stem]))),
            width_mm=0.3,
            dash_mm=(8.0, 3.0),
        ),
        Layer(
            name="doubt",
            legend="what the tapes leave in doubt (95 %)",
            lines=(Line(doubt, closed=True),),
            width_mm=0.2,
            dash_mm=(1.5, 2.5),
        ),
        Layer(
            name="tapes",
            legend="the three tapes",
            lines=tuple(Line(np.array(ends)) for ends in ((stem, port), (stem, starboard))),
            words=(
                *_beside("port", show_length(tapes.port.mm, units), -half, long),
                *_beside("starboard", show_length(tapes.starboard.mm, units), half, long),
                _under(show_length(tapes.breadth.mm, units), port, starboard, letters),
            ),
            width_mm=0.35,
        ),
        Layer(
            name="transom",
            legend="the transom as taped",
            lines=(Line(np.array([port, starboard])),),
            words=_finding(hull, port, starboard, letters, units),
            width_mm=0.9,
        ),
    ]
    return LayeredDrawing(
        title="hull, from above",
        layers=tuple(layers),
        notes=(f"Not to scale: what is out of square is drawn {gain} times larger.",)
        if gain > 1
        else ("Not to scale.",),
    )


def _side(corner: Floats, stem: Floats, half: float) -> Floats:
    """A fair sheer from transom to stem: a quadratic that swells outward (Bézier)."""
    out = np.array([math.copysign(half * (1.0 + 2.0 * _FULLNESS), corner[0]), 0.62 * stem[1]])
    t = np.linspace(0.0, 1.0, 40)[:, None]
    return np.asarray((1 - t) ** 2 * corner + 2 * t * (1 - t) * out + t**2 * stem)


def _beside(side: str, length: str, at: float, long: float) -> tuple[Lettering, ...]:
    """Side and length outside of it, one below the other, where there is room in any hull."""
    letters = long * _LETTERS
    return tuple(
        Lettering(
            text=text,
            at_mm=(at * (1.0 + 2.0 * _FULLNESS), 0.42 * long - row * 1.3 * letters),
            size_mm=letters,
            anchor="start" if at > 0 else "end",
            bold=row == 0,
        )
        for row, text in enumerate((side, length))
    )


def _under(text: str, port: Floats, starboard: Floats, letters: float) -> Lettering:
    low = min(float(port[1]), float(starboard[1]))
    return Lettering(text=text, at_mm=(0.0, low - 1.6 * letters), size_mm=letters)


def _finding(
    hull: Horning, port: Floats, starboard: Floats, letters: float, units: Show
) -> tuple[Lettering, ...]:
    """At the corner that is aft how far, or that none is."""
    low = min(float(port[1]), float(starboard[1])) - 3.2 * letters
    doubt = show_doubt(hull.lead_u95_mm, units)
    if hull.after is None:
        text = f"square within {doubt}"
    elif hull.tapes.middle is None:
        text = f"{hull.after} corner {show_length(abs(hull.lead_mm), units)} ± {doubt} aft"
    else:
        off, by = abs(hull.centreline_skew_deg), hull.centreline_skew_u95_deg
        text = f"{hull.after} corner aft by {show_degrees(off, 2)} ± {show_degrees(by, 2)}"
    return (Lettering(text=text, at_mm=(0.0, low), size_mm=1.15 * letters, bold=True),)
