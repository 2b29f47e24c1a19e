"""How good is an edge that is followed between two touches?  Photos with truth, runs at random.

    python benchmarks/followed.py FOLDER [--runs 5] [--length 200] [--seed 1] [--only SCENE ...]

Each photo is measured; then runs of its outline, of up to LENGTH mm, are followed anew between
their two ends as the bench page does it.  Distances are those of a run's points that were seen to
the true outline, after the best rigid fit of the whole traced outline: as traced, and as followed.
"core s" is processor time, of which the first run of a photo has the loading of a library in it.
A run that strays is one of which a tenth or more lies farther than 2 mm from the truth.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field

import engine
import numpy as np
import tables

from spilemark.conductor import follow_with
from spilemark.corrections import Follow
from spilemark.errors import NoEdge, SpilemarkError
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, Outline
from spilemark.testing.metrics import Contour, fit_rigid
from spilemark.testing.studio_truth import TruthScene

STRAY_MM, STRAY_SHARE = 2.0, 0.1
U95 = 1.96


@dataclass(slots=True)
class Row:
    """All runs of one photo."""

    photo: str
    followed: int = 0
    told: int = 0
    """Refused in words."""
    strayed: int = 0
    traced_mm: list[Floats] = field(default_factory=list)
    followed_mm: list[Floats] = field(default_factory=list)
    within: list[Floats] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def cells(self) -> list[object]:
        """As the table has it."""
        return [
            self.photo,
            self.followed,
            self.told,
            self.strayed,
            *_quantiles(self.traced_mm),
            *_quantiles(self.followed_mm),
            100 * float(np.concatenate(self.within).mean()) if self.within else float("nan"),
            float(np.median(self.seconds)) if self.seconds else float("nan"),
        ]


def main() -> None:
    """Follow runs in every photo, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    engine.add_arguments(parser)
    parser.add_argument("--runs", type=int, default=5, help="of each photo")
    parser.add_argument("--length", type=float, default=200.0, help="of a run, mm, at most")
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    rng = np.random.default_rng(told.seed)
    rows = [row for scene in engine.scenes_of(told) if (row := _row(scene, told, rng)) is not None]
    whole = Row("all")
    for row in rows:
        whole.followed, whole.told = whole.followed + row.followed, whole.told + row.told
        whole.strayed += row.strayed
        whole.traced_mm += row.traced_mm
        whole.followed_mm += row.followed_mm
        whole.within += row.within
        whole.seconds += row.seconds
    head = ["photo", "runs", "refused", "strayed", "traced p50", "p95", "followed p50", "p95",
            "in 95 %", "core s"]  # fmt: skip
    tables.show(head, [row.cells() for row in (*rows, whole)])


def _row(scene: TruthScene, told: argparse.Namespace, rng: np.random.Generator) -> Row | None:
    photo, arm = scene.photos[0], engine.arm_of(scene)
    if photo.expect != "measure":
        return None
    try:
        result = engine.run({arm: (scene, (photo,))}, engine.basis_of(scene, "mixed"), told)
    except SpilemarkError as error:
        print(f"{photo.path.stem}: {error.what}")
        return None
    outline, piece = result.outlines[arm][0], scene.pieces[0]
    motion = fit_rigid([outline.ring.points_mm], [piece.rings_mm[0]])
    truth = Contour([piece.rings_mm[0]])
    row = Row(photo.path.stem)
    points = outline.ring.points_mm
    spacing = float(np.linalg.norm(np.diff(points, axis=0), axis=1).mean())
    for _ in range(told.runs):
        count = int(rng.uniform(0.25, 1.0) * told.length / spacing)
        span = (int(rng.integers(len(points))) + np.arange(count + 1)) % len(points)
        changed = _followed(row, outline, span, follow_with(engine.kitchen_of(told), result.facts))
        if changed is None:
            continue
        seen = span[outline.ring.seen[span]]
        row.traced_mm.append(np.abs(truth.nearest(motion(points[seen]))[0]))
        ring = changed.ring
        fresh = ring.by_hand & ring.seen
        away = np.abs(truth.nearest(motion(ring.points_mm[fresh]))[0])
        total = np.hypot(np.linalg.norm(ring.sensitivity_mm[fresh], axis=1), ring.sigma_mm[fresh])
        row.followed_mm.append(away)
        row.within.append(away < U95 * total)
        row.strayed += bool((away > STRAY_MM).mean() > STRAY_SHARE)
    print(f"{row.photo}: {row.followed} followed, {row.told} refused", flush=True)
    return row


def _followed(row: Row, outline: Outline, span: np.ndarray, follow: Follow) -> Outline | None:
    view = outline.views[0]
    ends = plane_to_pixels(outline.ring.points_mm[span[[0, -1]]], view.plane)
    begun = time.process_time()
    try:
        changed = follow(outline, view, ends)
    except NoEdge:
        row.told += 1
        return None
    row.seconds.append(time.process_time() - begun)
    row.followed += 1
    return changed


def _quantiles(parts: list[Floats]) -> tuple[float, float]:
    if not parts:
        return float("nan"), float("nan")
    every = np.concatenate(parts)
    return float(np.median(every)), float(np.quantile(every, 0.95))


if __name__ == "__main__":
    main()
