"""How accurate is one photo, or several of one scene?  Photos with truth through the real pipeline.

    python benchmarks/accuracy.py FOLDER [--basis mixed|taped|bar|nominal]
                                  [--cards FILE] [--only SCENE ...] [--together] [--no-plain]

p95: nearest distance of result and truth outlines, both directions, every
0.5 mm, after the best rigid fit (no scale, no mirror), 95th percentile.
Unseen length beyond 2 % (hard scenes: 3 %) counts as error; scenes weigh
equally; a refusal of a measurable photo counts as a failure.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import engine
import numpy as np
import plain_way
import tables
from PIL import Image

from spilemark.errors import SpilemarkError
from spilemark.records import Side
from spilemark.results import JobResult
from spilemark.testing.metrics import (
    Measured,
    bootstrap,
    measured,
    score_datum,
    score_fit,
)
from spilemark.testing.studio_truth import TruthPhoto, TruthScene

NAN = float("nan")
ALLOWED = {"hard": 0.03}
EASY_ALLOWED = 0.02
ABSURD_MM = 3000.0
"""A result larger than this is no outline of what lay on the bench."""


@dataclass(slots=True)
class Row:
    """One photo's outcome; millimetres and percent."""

    photo: str
    cards: int
    basis: str
    photos: int = 1
    p50: float = NAN
    p95: float = math.inf
    datum_p95: float = NAN
    mean: float = NAN
    seen: float = 0.0
    coverage: float = NAN
    u95: float = NAN
    plain_p95: float = NAN
    seconds: float = NAN
    words: str = ""


def main() -> None:
    """Run every photo that can be measured, print the tables."""
    told = _arguments()
    rows, odd = [], []
    for scene in engine.scenes_of(told):
        for photos in _jobs(scene, together=told.together):
            for row in _measure(scene, photos, told):
                (rows if photos[0].expect == "measure" else odd).append(row)
                print(f"{row.photo}: p95 {tables.cell(row.p95)} {row.words}", flush=True)
    _print(rows)
    if odd:
        print("\nPhotos that cannot be measured honestly:")
        tables.show(["photo", "what was said"], [[r.photo, r.words or "measured"] for r in odd])
    if told.json:
        told.json.write_text(json.dumps([asdict(r) for r in rows], indent=1), encoding="utf-8")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    engine.add_arguments(parser)
    parser.add_argument(
        "--basis",
        choices=("mixed", "taped", "bar", "nominal"),
        default="mixed",
        help="mixed: taped from six cards on, measured bars below",
    )
    parser.add_argument("--together", action="store_true", help="all photos of a scene as one job")
    parser.add_argument("--no-plain", action="store_true", help="without the plain way")
    parser.add_argument("--json", type=Path, help="also write the rows to this file")
    return parser.parse_args()


def _jobs(scene: TruthScene, *, together: bool) -> list[tuple[TruthPhoto, ...]]:
    """Each photo by itself, or all that can be measured as one job."""
    if not together:
        return [(photo,) for photo in scene.photos]
    every = tuple(photo for photo in scene.photos if photo.expect == "measure")
    return [every] if every else []


def _measure(
    scene: TruthScene, photos: tuple[TruthPhoto, ...], told: argparse.Namespace
) -> list[Row]:
    basis = engine.basis_of(scene, told.basis)
    arm = engine.arm_of(scene)
    name = photos[0].path.stem + (f" and {len(photos) - 1} more" if len(photos) > 1 else "")
    labels = [f"{name} {p.side}" if arm == "both" else name for p in scene.pieces]
    rows = [
        Row(photo=label, cards=len(scene.card_names), basis=basis, photos=len(photos))
        for label in labels
    ]
    if not told.no_plain:
        for row, piece in zip(rows, scene.pieces, strict=True):
            row.plain_p95 = _plain(photos[0], told, piece.rings_mm)
    try:
        result = engine.run({arm: (scene, photos)}, basis, told)
    except SpilemarkError as error:
        for row in rows:
            row.words = f"{type(error).__name__}: {error.what}"
        return rows
    allowed = ALLOWED.get(scene.difficulty, EASY_ALLOWED)
    for row, piece in zip(rows, scene.pieces, strict=True):
        _judge(row, result, Side(piece.side), piece.rings_mm, allowed)
    return rows


def _judge(row: Row, result: JobResult, side: Side, truth: Any, allowed: float) -> None:
    pattern = result.patterns[side]
    claim = measured(pattern.outline)
    fit = score_fit(claim, truth, unseen_allowed=allowed)
    row.p50, row.p95, row.mean = fit.p50_mm, fit.p95_mm, fit.mean_signed_mm
    row.seen, row.coverage, row.u95 = fit.seen_percent, fit.coverage_percent, fit.u95_median_mm
    row.seconds = sum(result.timings_s.values())
    if pattern.datum == "centreline":
        row.datum_p95 = score_datum(claim, truth, unseen_allowed=allowed).p95_mm
    if len(claim.rings) != len(truth):
        row.words = f"{len(claim.rings) - 1} holes found of {len(truth) - 1}"


def _plain(photo: TruthPhoto, told: argparse.Namespace, truth: Any) -> float:
    try:
        with Image.open(photo.path) as image:
            ring = plain_way.measure(np.asarray(image.convert("L")), engine.cards_of(told))
    except OSError:
        return math.inf
    if ring is None or np.ptp(ring, axis=0).max() > ABSURD_MM:
        return math.inf
    return score_fit(Measured(rings=(ring,)), truth[:1]).p95_mm


def _print(rows: list[Row]) -> None:
    head = ["photo", "cards", "basis", "p50", "p95", "datum p95", "mean", "seen %", "within %"]
    head += ["u95", "plain p95", "s", ""]
    body = [
        [r.photo, r.cards, r.basis, r.p50, r.p95, r.datum_p95, r.mean, round(r.seen, 1)]
        + [round(r.coverage, 1), r.u95, r.plain_p95, round(r.seconds, 1), r.words[:70]]
        for r in rows
    ]
    print()
    tables.show(head, body)
    print("\nOver photos: median and worst p95, mm, with the 95 % bootstrap interval of the median")
    tables.show(
        [
            "photos of",
            "n",
            "failed",
            "p50",
            "p95",
            "from",
            "to",
            "worst p95",
            "within %",
            "plain p95",
        ],
        [_summary(name, part) for name, part in _strata(rows)],
    )


def _strata(rows: list[Row]) -> list[tuple[str, list[Row]]]:
    few = [r for r in rows if r.cards < engine.TAPE_FROM_CARDS]
    many = [r for r in rows if r.cards >= engine.TAPE_FROM_CARDS]
    counts = sorted({r.photos for r in rows})
    by_count = [(f"{n} photos", [r for r in rows if r.photos == n]) for n in counts]
    strata = [("all", rows), ("up to 5 cards", few), ("6 or more", many)]
    return [(n, p) for n, p in strata + (by_count if len(counts) > 1 else []) if p]


def _summary(name: str, rows: list[Row]) -> list[object]:
    p95 = [r.p95 for r in rows]
    low, high = bootstrap(p95)
    good = [r for r in rows if not math.isnan(r.p50)]
    p50 = float(np.median([r.p50 for r in good])) if good else NAN
    within = float(np.nanmean([r.coverage for r in good])) if good else NAN
    plain = float(np.median([r.plain_p95 for r in rows]))
    failed = len(rows) - len(good)
    return [name, len(rows), failed, p50, float(np.median(p95)), low, high, max(p95), within, plain]


if __name__ == "__main__":
    main()
