"""How far a job is: its steps in order, by what each of them takes."""

from __future__ import annotations

from typing import Any

from spilemark.serve.sheet import arms_of

# Seconds on the two sample photos, by ``benchmarks``' clock on one core; only their shares count.
_READ, _CARDS, _TRACE, _LAY = 0.4, 0.3, 1.0, 0.1
_COMPARE, _SUMS, _BLANK, _WRITE = 0.1, 0.2, 2.0, 1.0


def steps_of(table: dict[str, Any]) -> list[tuple[str, float]]:
    """The first word of each step that a job will tell, with its weight."""
    photos = {arm: len(table[arm]["photos"]) for arm in arms_of(table)}
    sides = 2 * ("both" in photos) + sum(arm != "both" for arm in photos)
    steps = [("reading", _READ)] * sum(photos.values())
    steps.append(("finding", _CARDS * max(1, sum(photos.values()))))
    steps += [("tracing", _TRACE * count) for count in photos.values()]
    steps += [("laying", _LAY)] * sides
    if sides == 2:
        steps.append(("comparing", _COMPARE))
    if table.get("hull") or table.get("shop"):
        steps.append(("hull,", _SUMS))
    if table.get("lamination") or table.get("board"):
        steps.append(("form,", _BLANK))
    steps.append(("writing", _WRITE * max(1, sides)))
    return steps


class Progress:
    """Follows a job's steps by their words."""

    def __init__(self, table: dict[str, Any]) -> None:
        self._steps = steps_of(table)
        self._total = sum(weight for _, weight in self._steps)
        self._at = -1

    def told(self, words: str) -> tuple[float, int, int]:
        """Share done (0..1), number of this step, and of all; a step that was not foreseen counts none."""
        first = words.split(" ", 1)[0]
        for k in range(self._at + 1, len(self._steps)):
            if self._steps[k][0] == first:
                self._at = k
                break
        done = sum(weight for _, weight in self._steps[: max(self._at, 0)])
        return done / self._total, self._at + 1, len(self._steps)
