"""Plain tables on the terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence


def cell(value: object, digits: int = 3) -> str:
    """One cell: numbers with fixed digits, a dash where there is none."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    if isinstance(value, float):
        return "inf" if math.isinf(value) else f"{value:.{digits}f}"
    return str(value)


def show(head: Sequence[str], rows: Sequence[Sequence[object]], digits: int = 3) -> None:
    """Print rows under a head: text to the left, numbers to the right."""
    cells = [[cell(v, digits) for v in row] for row in rows]
    width = [max(len(h), *(len(r[k]) for r in cells)) for k, h in enumerate(head)]
    text = [all(isinstance(r[k], str) for r in rows) for k in range(len(head))]

    def line(parts: Sequence[str]) -> str:
        aligned = zip(parts, width, text, strict=True)
        return "  ".join(p.ljust(w) if t else p.rjust(w) for p, w, t in aligned).rstrip()

    print(line(head))
    print("  ".join("-" * w for w in width))
    for parts in cells:
        print(line(parts))
