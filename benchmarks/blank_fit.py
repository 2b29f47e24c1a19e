"""Places of parts in blanks against exhaustive search, a pair on one board, and how long each takes.

python benchmarks/blank_fit.py [CASES]
"""

from __future__ import annotations

import sys
import time

import numpy as np

from spilemark.blank.fit import place_part
from spilemark.blank.nest import nest_pair
from spilemark.testing.blanks import best_on_grid, margin_of, placed, random_case

TURNS, SHIFTS = 120, 31


def main() -> int:
    """Print a line a case, and the worst."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    place_part([(0, 0), (9, 0), (0, 9)], random_case(0).blank)  # imports
    worst, slowest, behind = float("inf"), 0.0, 0
    print("case  found mm  grid mm  found-grid  seconds")
    for seed in range(count):
        case = random_case(seed)
        begin, busy = time.perf_counter(), time.process_time()
        found = placed(case)
        seconds, busy = time.perf_counter() - begin, time.process_time() - busy
        assert abs(margin_of(case, found.pose) - found.margin_mm) < 0.05
        grid = best_on_grid(case, turns=TURNS, shifts=SHIFTS)
        gain = found.margin_mm - grid
        worst, slowest, behind = min(worst, gain), max(slowest, busy), behind + (gain < -0.1)
        print(
            f"{seed:4d} {found.margin_mm:9.3f} {grid:8.3f} {gain:11.3f} {seconds:8.2f} ({busy:.2f} of processor)",
            flush=True,
        )
    print(f"Worst against the grid {worst:+.3f} mm; {behind} of {count} more than 0.1 mm behind.")
    print(f"Slowest {slowest:.2f} s of processor time.")
    pairs()
    return int(behind > 0)


def pairs() -> None:
    """Print how long a pair takes as its outline has more points, each up to 0.05 mm off the line."""
    from shapely import Polygon

    rng = np.random.default_rng(4)
    print("points  length mm  width mm  seconds of processor, a pair on a board of 900 x 300 mm")
    line = Polygon(random_case(2).part_mm).exterior
    for count in (30, 300, 1000, 3000):
        at = np.linspace(0.0, line.length, count, endpoint=False)
        ring = np.array([line.interpolate(s).coords[0] for s in at])
        ring += rng.uniform(-0.05, 0.05, ring.shape)
        busy = time.process_time()
        found = nest_pair(ring, kerf_mm=6.0, around_mm=3.0, board_mm=(900.0, 300.0))
        busy = time.process_time() - busy
        print(f"{count:6d} {found.length_mm:10.1f} {found.width_mm:9.1f} {busy:8.2f}")


if __name__ == "__main__":
    sys.exit(main())
