"""How well are hard benches, shadows and drawn lines traced?  One table per kind of scene.

    python benchmarks/kinds.py FOLDER [--basis mixed|taped|bar|nominal] [--only SCENE ...]

The kind of a scene is the first word of its name that names one (``lo_news``,
``held_lo_news``: lo).  p50, p95, seen and within as in ``accuracy.py``; "worst"
is the largest error of anything that was called seen; "corners" the 95th
percentile of the distances of true corners from the nearest corner found; a
corner that was not found within 5 mm counts as missed.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, field

import accuracy
import engine
import numpy as np
import tables

from spilemark.errors import SpilemarkError
from spilemark.records import Side
from spilemark.testing.metrics import measured, score_fit
from spilemark.testing.studio_truth import TruthScene

KINDS = {
    "easy": "clear",
    "lo": "low contrast",
    "sh": "shadow, lamps, flash, dim",
    "scr": "scribed line",
    "cov": "covered",
    "dark": "dark on light",
}
_MISSED_MM = 5.0


@dataclass(slots=True)
class Row:
    """One photo; millimetres and percent."""

    scene: str
    kind: str
    p50: float = accuracy.NAN
    p95: float = math.inf
    seen: float = 0.0
    within: float = accuracy.NAN
    worst: float = accuracy.NAN
    corners: list[float] = field(default_factory=list)
    seconds: float = accuracy.NAN
    words: str = ""


def main() -> None:
    """Run every scene, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    engine.add_arguments(parser)
    parser.add_argument("--basis", default="mixed", choices=("mixed", "taped", "bar", "nominal"))
    told = parser.parse_args()
    rows = [_measure(scene, told) for scene in engine.scenes_of(told)]
    rows.sort(key=lambda row: (list(KINDS).index(row.kind), row.scene))
    head = ["scene", "p50", "p95", "seen %", "within %", "worst", "corners", "missed", "s", ""]
    tables.show(head, [[row.scene, *_figures(row), row.words[:60]] for row in rows])
    print()
    head = ["kind", "n", "failed", "p50", "p95", "worst p95", "least seen %", "within %"]
    head += ["least within %", "worst seen", "corners p95", "missed"]
    tables.show(head, [_kind(kind, rows) for kind in KINDS if any(r.kind == kind for r in rows)])


def _measure(scene: TruthScene, told: argparse.Namespace) -> Row:
    row = Row(scene.name, next((w for w in scene.name.split("_") if w in KINDS), "easy"))
    piece, arm = scene.pieces[0], engine.arm_of(scene)
    try:
        result = engine.run({arm: (scene, scene.photos)}, engine.basis_of(scene, told.basis), told)
    except SpilemarkError as error:
        row.words = f"{type(error).__name__}: {error.what}"
        return row
    outline = result.patterns[Side(piece.side)].outline
    claim = measured(outline)
    hard = accuracy.ALLOWED["hard"] if row.kind != "easy" else accuracy.EASY_ALLOWED
    score = score_fit(claim, piece.rings_mm, unseen_allowed=hard)
    row.p50, row.p95, row.seen = score.p50_mm, score.p95_mm, score.seen_percent
    row.within, row.seconds = score.coverage_percent, sum(result.timings_s.values())
    row.worst = score_fit(claim, piece.rings_mm, unseen_allowed=1.0).worst_mm
    found = score.motion(claim.rings[0][[corner.index for corner in outline.corners]])
    row.corners = [
        float(np.linalg.norm(found - at, axis=1).min(initial=math.inf))
        for at in piece.corners_mm.values()
    ]
    return row


def _figures(row: Row) -> list[object]:
    met = [away for away in row.corners if away <= _MISSED_MM]
    corner = float(np.percentile(met, 95)) if met else accuracy.NAN
    figures: list[object] = [row.p50, row.p95, round(row.seen, 1), round(row.within, 1), row.worst]
    return [*figures, corner, len(row.corners) - len(met), round(row.seconds, 1)]


def _kind(kind: str, rows: list[Row]) -> list[object]:
    own = [row for row in rows if row.kind == kind]
    good = [row for row in own if not math.isnan(row.p50)]
    corners = [away for row in good for away in row.corners]
    met = [away for away in corners if away <= _MISSED_MM]
    return [
        KINDS[kind],
        len(own),
        len(own) - len(good),
        float(np.median([row.p50 for row in good])) if good else accuracy.NAN,
        float(np.median([row.p95 for row in own])),
        max(row.p95 for row in own),
        round(min(row.seen for row in own), 1),
        round(float(np.mean([row.within for row in good])), 1) if good else accuracy.NAN,
        round(min((row.within for row in good), default=accuracy.NAN), 1),
        max((row.worst for row in good), default=accuracy.NAN),
        float(np.percentile(met, 95)) if met else accuracy.NAN,
        len(corners) - len(met),
    ]


if __name__ == "__main__":
    main()
