"""Places of parts in blanks against exhaustive search, and how long each takes.

python benchmarks/blank_fit.py [CASES]
"""

from __future__ import annotations

import sys
import time

from spilemark.blank.fit import place_part
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
    return int(behind > 0)


if __name__ == "__main__":
    sys.exit(main())
