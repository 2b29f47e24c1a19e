"""How each kind of stroke looks: width, dash and grey, the same in every file."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pen:
    """Ink of one kind of stroke."""

    width_mm: float
    dash_mm: tuple[float, ...] = ()
    grey: float = 0.0
    """0 black, 1 white."""


PENS = {
    "outline": Pen(0.4),
    "hole": Pen(0.4),
    # White gaps over the solid edge: the edge stays one closed line, and looks dashed.
    "guessed": Pen(1.2, (2.2, 2.6), 1.0),
    "centreline": Pen(0.3, (12.0, 2.5, 2.5, 2.5)),
    "mark": Pen(0.25, (4.0, 1.5)),
    "check": Pen(0.2),
    "label": Pen(0.6),
    "other": Pen(0.3),
}
GROUPS = (
    ("outline", ("outline",)),
    ("holes", ("hole",)),
    ("guessed", ("guessed",)),
    ("centreline", ("centreline",)),
    ("marks", ("mark",)),
    ("checks", ("check",)),
    ("arrows", ("label",)),
    ("ticks", ("other",)),
)
"""Name of each group of strokes, and the styles it holds."""
