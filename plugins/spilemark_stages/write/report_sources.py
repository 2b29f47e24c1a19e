"""What the measuring rested on, for the report: cards and photos."""

from __future__ import annotations

import math
from collections.abc import Callable

from spilemark.results import JobResult
from spilemark_stages.write.report_words import Row, Table


def card_table(result: JobResult, signed: Callable[[float], str]) -> Table:
    """Every card in every photo; ``signed`` writes a length, mm, with its sign."""
    rows = []
    for view in result.survey.views:
        for card in view.cards:
            kept = card.residuals_px[card.kept]
            # As the misfit, in px: in mm as a builder has them it would be nought.
            shift = card.edge_shift_px
            misfit = f"{math.sqrt(float((kept**2).mean())):.2f} px" if len(kept) else "not used"
            rows.append(
                (
                    view.straight.photo.path.name,
                    card.name,
                    f"{int(card.kept.sum())} of {len(card.kept)}",
                    misfit,
                    signed(card.lift_mm) if math.isfinite(card.lift_mm) else "–",
                    "–" if shift is None else f"{shift:+.2f} px".replace("-", "−"),
                )
            )
    return Table(
        title="Cards",
        head=("photo", "card", "crossings used", "misfit", "lies proud by", "black larger by"),
        rows=tuple(rows),
    )


def photo_rows(result: JobResult) -> tuple[Row, ...]:
    """Name, size, origin of the lens and hash of every photo."""
    return tuple(
        (
            straight.photo.path.name,
            f"{straight.photo.width_px} x {straight.photo.height_px} px",
            straight.lens.basis,
            straight.photo.sha256,
        )
        for group in result.photos.values()
        for straight in group
    )
