"""How each kind of stroke looks: width, dash and grey, the same in every file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from spilemark.template_shop import DASHES


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
    "finished": Pen(0.6, DASHES["finished"]),
    "second-face": Pen(0.35, DASHES["second-face"]),
    "cutting": Pen(0.6, DASHES["cutting"]),
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
    ("finished", ("finished",)),
    ("second-face", ("second-face",)),
    ("cutting", ("cutting",)),
    ("checks", ("check",)),
    ("arrows", ("label",)),
    ("ticks", ("other",)),
)
"""Name of each group of strokes, and the styles it holds."""


@dataclass(frozen=True)
class Options:
    """What may be chosen of a template's look."""

    edge_pen_mm: float = field(
        default=0.4,
        metadata={"help": "Width of the line along edge and holes, 0.05 to 2.", "unit": "mm"},
    )

    def __post_init__(self) -> None:
        if not 0.05 <= self.edge_pen_mm <= 2.0:
            raise ValueError("edge_pen_mm is 0.05 to 2: its middle is the edge")


def pens(options: Options) -> dict[str, Pen]:
    """All pens, with the edge's as it was chosen; the gaps of a guessed edge cover it."""
    edge = options.edge_pen_mm
    return PENS | {
        "outline": replace(PENS["outline"], width_mm=edge),
        "hole": replace(PENS["hole"], width_mm=edge),
        "guessed": replace(PENS["guessed"], width_mm=edge + 0.8),
    }
