"""Are planted differences found, and none invented?  Pairs of photos with truth.

    python benchmarks/planted.py FOLDER [--tolerance 0.3] [--planted 0.8]
                                 [--line-doubt 0.15] [--basis mixed|taped|bar]
                                 [--cards FILE] [--only NAME ...]

A pair is two scenes called NAME_port and NAME_stbd (or NAME_starboard), or
"port" and "starboard"; both run as one job.  The true gap is that of the truth
outlines, laid as each alignment lays them.  A planted stretch is a run of edge
whose true gap reaches ``--planted``; it is found when a station within it says
DIFFERENT with the right sign.  A station that says DIFFERENT where the true gap
stays below the tolerance is an invention.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import engine
import numpy as np
import tables

from spilemark.errors import SpilemarkError
from spilemark.records import Alignment, Floats, Side, SideComparison, Verdict
from spilemark.testing.metrics import Contour, fit_rigid, resample_ring
from spilemark.testing.shapes import mirror
from spilemark.testing.studio_truth import TruthScene

STRETCH_MM = 15.0
"""Half a station's stretch."""
SLACK_MM = 5.0
"""How far a station may lie from where truth changes, before it counts as invention."""


@dataclass(frozen=True, slots=True)
class TrueGaps:
    """Gap of the mirrored starboard truth at every half millimetre of port's edge."""

    at_mm: Floats
    gap_mm: Floats

    def largest_near(self, at: Floats, reach_mm: float) -> float:
        """The signed gap of largest size within reach of a point."""
        near = self.gap_mm[np.linalg.norm(self.at_mm - at, axis=1) <= reach_mm]
        return float(near[np.argmax(np.abs(near))]) if len(near) else 0.0

    def planted(self, tolerance_mm: float, peak_mm: float) -> list[tuple[Floats, float]]:
        """Stretches over the tolerance whose gap reaches the peak."""
        runs = self._runs(tolerance_mm)
        return [(points, size) for points, size in runs if abs(size) >= peak_mm]

    def _runs(self, tolerance_mm: float) -> list[tuple[Floats, float]]:
        """Stretches whose gap is larger than the tolerance: points and signed largest gap."""
        over = np.abs(self.gap_mm) > tolerance_mm
        if over.all() or not over.any():
            return [(self.at_mm, self.gap_mm[np.argmax(np.abs(self.gap_mm))])] if over.any() else []
        turned = np.roll(np.arange(len(over)), -int(np.argmin(over)))
        found: list[list[int]] = []
        for k in turned:
            if not over[k]:
                continue
            if found and (k - found[-1][-1]) % len(over) <= 4:
                found[-1].append(int(k))
            else:
                found.append([int(k)])
        return [
            (self.at_mm[run], float(self.gap_mm[run][np.argmax(np.abs(self.gap_mm[run]))]))
            for run in found
        ]


def main() -> None:
    """Run every pair and print what was found."""
    told = _arguments()
    rows = [row for port, starboard in _pairs(told) for row in _run_pair(port, starboard, told)]
    print(f"\nTolerance {told.tolerance:g} mm; planted: {told.planted:g} mm or more")
    head = ["pair", "laid by", "planted", "found", "invented", "stations", "cannot tell"]
    tables.show([*head, "gap rms err", "median u95", ""], rows)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    engine.add_arguments(parser)
    parser.add_argument("--tolerance", type=float, default=0.3, help="mm")
    parser.add_argument("--planted", type=float, default=0.8, help="peak that must be found, mm")
    parser.add_argument("--line-doubt", type=float, default=0.15, help="of the drawn line, mm")
    parser.add_argument("--basis", choices=("mixed", "taped", "bar", "nominal"), default="mixed")
    return parser.parse_args()


def _pairs(told: argparse.Namespace) -> list[tuple[TruthScene, TruthScene]]:
    only, told.only = told.only, None
    scenes = {s.name: s for s in engine.scenes_of(told)}
    pairs = []
    for name, port in scenes.items():
        stem, ends_so, _ = name.rpartition("port")
        if not ends_so or (only and stem.rstrip("_") not in only):
            continue
        others = [f"{stem}stbd", f"{stem}starboard"]
        pairs += [(port, scenes[other]) for other in others if other in scenes]
    return pairs


def _run_pair(
    port: TruthScene, starboard: TruthScene, told: argparse.Namespace
) -> list[list[object]]:
    name = port.name.removesuffix("port").rstrip("_") or "pair"
    scenes = {"port": (port, port.photos[:1]), "starboard": (starboard, starboard.photos[:1])}
    basis = engine.basis_of(port, told.basis)
    try:
        facts = {"tolerance_mm": told.tolerance, "line_doubt_mm": told.line_doubt}
        result = engine.run(scenes, basis, told, **facts)
    except SpilemarkError as error:
        words = f"{type(error).__name__}: {error.what}"[:70]
        return [[name, "-", *[float("nan")] * 7, words]]
    comparison = result.comparison
    assert comparison is not None
    print(f"{name}: {comparison.verdict}", flush=True)
    return [
        [name, a.datum, *_judge(comparison, a, port, starboard, told)]
        for a in comparison.alignments
    ]


def _judge(
    comparison: SideComparison,
    alignment: Alignment,
    port: TruthScene,
    starboard: TruthScene,
    told: argparse.Namespace,
) -> list[object]:
    tolerance: float = told.tolerance
    truth = _true_gaps(port, starboard, fitted=alignment.datum == "best fit")
    ring = comparison.port.outline.ring.points_mm
    to_truth = fit_rigid([ring], port.pieces[0].rings_mm[:1])
    assert comparison.port.side is Side.PORT
    stations = [(to_truth(np.array([s.at_mm]))[0], s) for s in alignment.stations]
    different = [(at, s) for at, s in stations if s.verdict is Verdict.DIFFERENT]
    planted = truth.planted(tolerance, told.planted)
    found = sum(
        any(
            np.linalg.norm(run - at, axis=1).min() <= STRETCH_MM and s.gap_mm * size > 0
            for at, s in different
        )
        for run, size in planted
    )
    invented = sum(
        abs(truth.largest_near(at, STRETCH_MM + SLACK_MM)) <= tolerance for at, _ in different
    )
    unsure = sum(s.verdict is Verdict.CANNOT_TELL for _, s in stations)
    errors = [s.gap_mm - truth.largest_near(at, STRETCH_MM) for at, s in stations]
    rms = float(np.sqrt(np.mean(np.square(errors)))) if errors else float("nan")
    doubt = float(np.median([s.u95_mm for _, s in stations])) if stations else float("nan")
    return [len(planted), found, invented, len(stations), unsure, rms, doubt, ""]


def _true_gaps(port: TruthScene, starboard: TruthScene, *, fitted: bool) -> TrueGaps:
    ours = port.pieces[0].rings_mm[0]
    theirs = mirror(starboard.pieces[0].rings_mm[0])
    if fitted:
        theirs = fit_rigid([theirs], [ours])(theirs)
    at = resample_ring(ours)
    # Seen from port's edge: outside the mirrored outline means that it is less full.
    return TrueGaps(at, -Contour([theirs]).nearest(at)[0])


if __name__ == "__main__":
    main()
