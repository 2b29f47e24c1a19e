"""Whether an edge is fair, as a man with a batten reads it.

The batten is an edge of its own: the smoothest line that keeps to the measured
one, found by weighing how far it leaves it against how fast its curvature
changes (Whittaker, "On a new method of graduation", Proc. Edinburgh Math. Soc.
41, 1923, with third differences, so that a constant bend costs nothing).  What
stands proud of the batten is a bump, what it bridges a hollow; where it changes
from rounding outwards to rounding inwards is an inflection.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from spilemark.corners import edge_span
from spilemark.frames import left_normals
from spilemark.names import OUTER
from spilemark.records import Bools, Edge, Floats, Outline
from spilemark.template import fair_ring

SHORTEST_MM = 80.0
"""Edges below this are no curve that anybody fairs."""
BATTEN_MM = 110.0
"""Waves of about this length and shorter are what a batten does not follow."""
LEAST_MM = 0.3
"""A bump or hollow smaller than this is planed off without a thought: common practice, no source."""
_SIGMAS = 4.0
SHOWN_LONG_MM = 40.0
"""Longer waves the batten follows in part, and the more so the longer they are."""
_SHOWN = 2.0
"""A bump so many times the least is found: making the edge fair and the batten each take some of it."""
_STEP_MM = 2.0
_FEEL_MM = 20.0
"""Half the length over which the eye takes a curvature in."""
_PULL_MM, _ROUNDS = 0.1, 12
"""How far off the batten a point begins to lose its pull."""
_ENDS_MM = 15.0
"""A batten's last bit springs straight and tells nothing."""
_LEAST_SAG_MM = 0.3
"""A stretch that rounds the other way counts from so deep a sag over its own chord."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that a batten shows."""

    kind: str
    """"bump", "hollow" or "inflection"."""
    at_mm: float
    """Along the edge, from its start as stations count."""
    from_mm: float
    to_mm: float
    size_mm: float
    """How far off the batten; of an inflection, 0."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fairness:
    """One edge."""

    edge: str
    along_mm: Floats
    """(M,)"""
    curvature_per_m: Floats
    """(M,) of the drawn edge over a hand's breadth; positive where the wood rounds outwards."""
    batten_per_m: Floats
    """(M,) of the batten laid along it."""
    off_mm: Floats
    """(M,) how far the edge stands proud of the batten (positive) or is hollow."""
    raw_off_mm: Floats
    """(M,) how far the points measured lie outside (positive) of the fair edge."""
    findings: tuple[Finding, ...]
    shown_mm: float
    """A bump or hollow of this size, shorter than ``SHOWN_LONG_MM``, would have been found."""
    seen_share: float
    """0 to 1; what was not seen shows nothing."""


def fairness(outline: Outline) -> tuple[Fairness, ...]:
    """Every edge of an outline that is long enough, in ring order."""
    fair = fair_ring(outline)
    outer = {c.index for c in outline.corners if c.name == OUTER}
    return tuple(
        _of_edge(outline, edge, fair, backwards=edge.stop in outer)
        for edge in outline.edges
        if edge.length_mm >= SHORTEST_MM
    )


def _of_edge(outline: Outline, edge: Edge, fair: Floats, *, backwards: bool) -> Fairness:
    span = edge_span(edge, len(fair))
    points, sigma = fair[span], outline.ring.sigma_mm[span]
    seen = outline.ring.seen[span]
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    even = np.linspace(0.0, run[-1], max(8, round(run[-1] / _STEP_MM) + 1))
    line = np.column_stack([np.interp(even, run, points[:, k]) for k in (0, 1)])
    known = np.interp(even, run, seen.astype(float)) > 0.5
    known &= np.minimum(even, run[-1] - even) > _ENDS_MM
    step = float(even[1])
    batten = _batten(line, step)
    off = _outside(line, batten)
    least = max(LEAST_MM, _SIGMAS * float(np.median(sigma)))
    bend = _curvature(batten, step)
    findings = [*_lobes(even, off, known, least), *_inflections(even, bend, known)]
    result = Fairness(
        edge=edge.name,
        along_mm=even,
        curvature_per_m=1e3 * _curvature(line, step),
        batten_per_m=1e3 * bend,
        off_mm=off,
        raw_off_mm=np.interp(even, run, _outside(outline.ring.points_mm[span], points)),
        findings=tuple(sorted(findings, key=lambda f: f.at_mm)),
        shown_mm=_SHOWN * least,
        seen_share=float(seen.mean()),
    )
    return _turned(result) if backwards else result


def _outside(points: Floats, line: Floats) -> Floats:
    """How far (N,) points lie outside of a line's own; the wood lies on the left of its way."""
    return np.asarray(((line - points) * left_normals(line, closed=False)).sum(axis=1))


def _batten(line: Floats, step: float) -> Floats:
    """Whittaker's graduation with third differences, ends free.

    What it leaves loses its pull (Huber's weights), so that a bump is bridged
    from its fair neighbours instead of being followed halfway.
    """
    from scipy.sparse import diags
    from scipy.sparse.linalg import spsolve

    count = len(line)
    third = diags([-1.0, 3.0, -3.0, 1.0], [0, 1, 2, 3], shape=(count - 3, count))
    bend = (BATTEN_MM / (2.0 * np.pi * step)) ** 6 * (third.T @ third)
    weights = np.ones(count)
    solved = line
    for _ in range(_ROUNDS):
        matrix = (diags(weights) + bend).tocsc()
        solved = np.asarray(spsolve(matrix, weights[:, None] * line), dtype=np.float64)
        away = np.linalg.norm(line - solved, axis=1)
        weights = np.minimum(1.0, _PULL_MM / np.maximum(away, 1e-12))
    return solved


def _curvature(line: Floats, step: float) -> Floats:
    """Of evenly spaced points, 1/mm, positive turning left: a parabola over a hand's breadth."""
    from scipy.signal import savgol_filter

    half = min(round(_FEEL_MM / step), (len(line) - 1) // 2)
    window = 2 * max(half, 2) + 1
    first = savgol_filter(line, window, 2, deriv=1, delta=step, axis=0, mode="interp")
    second = savgol_filter(line, window, 2, deriv=2, delta=step, axis=0, mode="interp")
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    return np.asarray(cross / np.maximum((first**2).sum(axis=1), 1e-12) ** 1.5)


def _lobes(even: Floats, off: Floats, known: Bools, least: float) -> list[Finding]:
    found = []
    sign = np.sign(off)
    breaks = np.flatnonzero(np.diff(sign) != 0) + 1
    for part in np.split(np.arange(len(off)), breaks):
        worst = part[int(np.argmax(np.abs(off[part])))]
        if abs(off[worst]) < least or not known[worst]:
            continue
        found.append(
            Finding(
                kind="bump" if off[worst] > 0 else "hollow",
                at_mm=float(even[worst]),
                from_mm=float(even[part[0]]),
                to_mm=float(even[part[-1]]),
                size_mm=float(abs(off[worst])),
            )
        )
    return found


def _inflections(even: Floats, bend: Floats, known: Bools) -> list[Finding]:
    """Where the batten's bend changes sign between two stretches that both really bend, as seen."""
    breaks = np.flatnonzero(np.diff(np.sign(bend)) != 0) + 1
    parts = np.split(np.arange(len(bend)), breaks)
    step = float(even[1] - even[0])
    real: list[tuple[int, int, float]] = []
    for part in parts:
        length = step * len(part)
        # The sag of a flat arc: its turning times its length over eight.
        sag = abs(float(bend[part].sum()) * step) * length / 8.0
        if sag >= _LEAST_SAG_MM and known[part].mean() > 0.5:
            real.append((int(part[0]), int(part[-1]), float(np.sign(bend[part].sum()))))
    found = []
    for (_, last, one), (first, _, other) in itertools.pairwise(real):
        if one != other:
            at = 0.5 * (even[last] + even[first])
            found.append(Finding(kind="inflection", at_mm=at, from_mm=at, to_mm=at, size_mm=0.0))
    return found


def _turned(one: Fairness) -> Fairness:
    """The same counted from the edge's other end."""
    whole = float(one.along_mm[-1])
    return replace(
        one,
        along_mm=whole - one.along_mm[::-1],
        curvature_per_m=one.curvature_per_m[::-1],
        batten_per_m=one.batten_per_m[::-1],
        off_mm=one.off_mm[::-1],
        raw_off_mm=one.raw_off_mm[::-1],
        findings=tuple(
            replace(f, at_mm=whole - f.at_mm, from_mm=whole - f.to_mm, to_mm=whole - f.from_mm)
            for f in one.findings[::-1]
        ),
    )
