"""How moved edges are carried on or cut back until they meet again.

Own derivation; where all edges move by one amount it must agree, and is
checked, with the mitred and round joints of ``shapely.buffer``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spilemark.shop.outlines import Floats

Join = Literal["mitre", "round"]
Bools = NDArray[np.bool_]

MITRE_LIMIT = 4.0
"""A mitred corner stands off its old place by about this many times the amount at most."""

SAME_MM = 1e-9
_ARC_STEP_RAD = math.radians(2.0)
_PARALLEL = 1e-6
_RUNS_ON_RAD = math.radians(30.0)
"""Neighbours that turn by less run on smoothly: between unlike amounts stands a step."""
_TIP_MM = 0.01
"""Within an edge, a mitred tip may stand off by this much more than the amount."""
_ENOUGH = 6
"""With fewer points an edge is a drawn one, not a traced one."""
_SEARCH = 6.0
"""Two edges are looked at for where they cross over this many times the amount, and 5 mm."""


@dataclass(frozen=True, slots=True)
class MovedEdge:
    """An edge where it goes: its segments with a joint at each point between."""

    points: Floats
    """(M, 2)"""
    apex: Bools
    """(M,) True at an old point, over which the line goes there and back at a tight inside bend."""

    comes: Floats
    """Unit vector in which it begins."""
    leads: Floats
    """Unit vector in which it ends."""


def moved_edge(
    old: Floats, outward_mm: Floats, along_mm: Floats, join: Join, over_mm: float
) -> MovedEdge:
    """Move an edge (M, 2) square to itself by an amount (M,) at each point, and bodily.

    Points that lie on each other count once.  A traced edge wanders from point
    to point, so how it runs at its ends, where it may have to be carried on, is
    fitted over its first and last ``over_mm``.
    """
    keep = np.concatenate([[True], np.linalg.norm(np.diff(old, axis=0), axis=1) > SAME_MM])
    old, outward_mm = old[keep], outward_mm[keep]
    step = np.diff(old, axis=0)
    outward = _right(step / np.linalg.norm(step, axis=1)[:, None])
    begin = old[:-1] + along_mm + outward_mm[:-1, None] * outward
    end = old[1:] + along_mm + outward_mm[1:, None] * outward
    if not outward_mm.any():
        return _carried(old, along_mm, over_mm)
    points, apex = [begin[0]], [False]
    plain, crossing = _plain_bends(begin, end)
    for i in range(len(begin) - 1):
        if plain[i]:
            points.append(crossing[i])
            apex.append(False)
            continue
        middle, over_old = _bend(begin[i : i + 2], end[i : i + 2], old[i + 1] + along_mm, join)
        points += middle
        apex += [False, True, False] if over_old else [False] * len(middle)
    last, leads = _moved_end(old, outward_mm, over_mm)
    first, away = _moved_end(old[::-1], -outward_mm[::-1], over_mm)
    return MovedEdge(
        np.array([first + along_mm, *points[1:], last + along_mm]),
        np.array([*apex, False], dtype=np.bool_),
        -away,
        leads,
    )


def _plain_bends(begin: Floats, end: Floats) -> tuple[Bools, Floats]:
    """Which bends (M - 1,) are a crossing within both moved segments, and where (M - 1, 2).

    Most of a traced edge's are; ``_bend`` looks at the others one by one.
    """
    d, e = (end - begin)[:-1], (end - begin)[1:]
    run_d, run_e = np.linalg.norm(d, axis=1), np.linalg.norm(e, axis=1)
    d, e = d / np.maximum(run_d, SAME_MM)[:, None], e / np.maximum(run_e, SAME_MM)[:, None]
    gap = begin[1:] - end[:-1]
    turn = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
    safe = np.where(np.abs(turn) < _PARALLEL, 1.0, turn)
    past = (gap[:, 0] * e[:, 1] - gap[:, 1] * e[:, 0]) / safe
    short = (gap[:, 0] * d[:, 1] - gap[:, 1] * d[:, 0]) / safe
    inside = (past < 0.0) & (-past < 0.5 * run_d) & (short < 0.5 * run_e) & (short > 0.0)
    clear = (np.minimum(run_d, run_e) > 2 * SAME_MM) & (np.abs(turn) >= _PARALLEL)
    apart = np.linalg.norm(gap, axis=1) >= SAME_MM
    return np.asarray(inside & clear & apart), end[:-1] + past[:, None] * d


def _carried(old: Floats, along_mm: Floats, over_mm: float) -> MovedEdge:
    """An edge that is moved bodily or not at all: the same line."""
    none = np.zeros(len(old))
    _, leads = _moved_end(old, none, over_mm)
    _, away = _moved_end(old[::-1], none, over_mm)
    return MovedEdge(old + along_mm, np.zeros(len(old), dtype=np.bool_), -away, leads)


def _moved_end(old: Floats, outward_mm: Floats, over_mm: float) -> tuple[Floats, Floats]:
    """Where the last point goes, square to how the edge runs there, and how it runs after the move."""
    near = _from_start(old[::-1])[::-1] <= over_mm
    near[-2:] = True
    outward = _right(_tangent(old[near]))
    moved = old[near] + outward_mm[near, None] * outward
    return moved[-1], _tangent(moved)


def _right(heading: Floats) -> Floats:
    """Vectors turned a quarter clockwise: out of the wood for an edge of an anticlockwise ring."""
    return np.stack([heading[..., 1], -heading[..., 0]], axis=-1)


def meet(
    one: MovedEdge, two: MovedEdge, old: Floats, join: Join
) -> tuple[MovedEdge, MovedEdge] | None:
    """Carry two edges on, or cut them back, to a common end; None where they cannot meet.

    Parameters
    ----------
    one, two : MovedEdge
        In ring order.
    old : (2,)
        The corner before the move.
    """
    leave, arrive = one.points[-1], two.points[0]
    if float(np.hypot(*(arrive - leave))) < SAME_MM:
        return one, two
    reach = max(float(np.hypot(*(leave - old))), float(np.hypot(*(arrive - old))))
    d, e = one.leads, two.comes
    crossing = _lines_meet(leave, d, arrive, e)
    if crossing is not None and crossing[0] >= 0.0 >= crossing[1]:
        return _linked(one, two, _outside(leave, d, arrive, e, crossing, old, join))
    found = _cut_back(one, two, reach)
    if found is not None:
        return found
    if crossing is not None and crossing[0] < 0.0 < crossing[1]:
        # Over the old corner, so that what is cut off is run round the other way and clears itself.
        return _linked(one, two, [leave, old, arrive])
    runs_on = float(d @ e) > math.cos(_RUNS_ON_RAD)
    return _linked(one, two, [leave, arrive]) if runs_on else None


def _bend(begin: Floats, end: Floats, old: Floats, join: Join) -> tuple[list[Floats], bool]:
    """Points between two moved segments, and whether they lead over the old point."""
    leave, arrive = end[0], begin[1]
    if float(np.hypot(*(arrive - leave))) < SAME_MM:
        return [arrive], False
    d, e = end[0] - begin[0], end[1] - begin[1]
    room = 0.5 * np.array([float(np.hypot(*d)), float(np.hypot(*e))])
    if room.min() < SAME_MM:
        return [leave, arrive], False
    d, e = _unit(d), _unit(e)
    crossing = _lines_meet(leave, d, arrive, e)
    if crossing is None:
        return [leave, arrive], False
    past, short = crossing
    if past >= 0.0 >= short:
        # A bend of a traced edge is no corner: a tip there would multiply its wandering.
        stands_off = float(np.hypot(*(leave + past * d - old)) - np.hypot(*(leave - old)))
        bend: Join = "round" if stands_off > _TIP_MM else join
        return _outside(leave, d, arrive, e, crossing, old, bend), False
    if -past < room[0] and short < room[1]:
        return [leave + past * d], False
    # As in ``meet``: clears itself.
    return ([leave, old, arrive], True) if past < 0.0 < short else ([leave, arrive], False)


def _lines_meet(leave: Floats, d: Floats, arrive: Floats, e: Floats) -> tuple[float, float] | None:
    """How far ahead of ``leave`` and after ``arrive`` two lines cross; None where parallel."""
    turn = float(d[0] * e[1] - d[1] * e[0])
    if abs(turn) < _PARALLEL:
        return None
    gap = arrive - leave
    past = float(gap[0] * e[1] - gap[1] * e[0]) / turn
    return past, float(gap[0] * d[1] - gap[1] * d[0]) / turn


def _outside(
    leave: Floats,
    d: Floats,
    arrive: Floats,
    e: Floats,
    crossing: tuple[float, float],
    old: Floats,
    join: Join,
) -> list[Floats]:
    """Points round an outside corner: an arc, the crossing, or a cut across a needle."""
    if join == "round":
        arc = _arc(old, leave, arrive)
        if arc is not None:
            return arc
    past, short = crossing
    tip = leave + past * d
    reach = max(float(np.hypot(*(leave - old))), float(np.hypot(*(arrive - old))))
    share = MITRE_LIMIT * reach / max(float(np.hypot(*(tip - old))), SAME_MM)
    if share >= 1.0:
        return [tip]
    return [leave + share * past * d, arrive + share * short * e]


def _arc(centre: Floats, leave: Floats, arrive: Floats) -> list[Floats] | None:
    """Points round an old corner; None where the two edges do not move by one amount."""
    a, b = leave - centre, arrive - centre
    radius = float(np.hypot(*a))
    if abs(radius - float(np.hypot(*b))) > 1e-6 * max(radius, 1.0):
        return None
    start = math.atan2(a[1], a[0])
    sweep = math.remainder(math.atan2(b[1], b[0]) - start, math.tau)
    at = start + sweep * np.linspace(0, 1, max(2, math.ceil(abs(sweep) / _ARC_STEP_RAD) + 1))
    arc = centre + radius * np.stack([np.cos(at), np.sin(at)], axis=-1)
    return [leave, *arc[1:-1], arrive]


def _cut_back(one: MovedEdge, two: MovedEdge, reach: float) -> tuple[MovedEdge, MovedEdge] | None:
    """Cut two edges back to where they cross next to their corner, each first carried on a little."""
    own_one, own_two = np.flatnonzero(~one.apex), np.flatnonzero(~two.apex)
    ahead = one.points[-1] + MITRE_LIMIT * reach * one.leads
    behind = two.points[0] - MITRE_LIMIT * reach * two.comes
    a = np.concatenate([one.points[own_one], ahead[None]])
    b = np.concatenate([behind[None], two.points[own_two]])
    far = _SEARCH * reach + 5.0
    i = np.flatnonzero(_within(far, a[1:], one.points[-1]))
    j = np.flatnonzero(_within(far, b[:-1], two.points[0]))
    hits = _segments_cross(a[i], a[i + 1], b[j], b[j + 1])
    if not len(hits):
        return None
    # The one that takes the shortest way along both from where they ended.
    la, lb = _from_start(a), _from_start(b)
    cost = [
        abs(la[-2] - la[i[m]] - u * (la[i[m] + 1] - la[i[m]]))
        + abs(lb[j[n]] + v * (lb[j[n] + 1] - lb[j[n]]) - lb[1])
        for m, n, u, v in hits
    ]
    m, n, u, _ = hits[int(np.argmin(cost))]
    m, n = int(i[m]), int(j[n])
    tip = a[m] + u * (a[m + 1] - a[m])
    # An edge that is carried straight on has no point any more where it ended.
    stop, start = own_one[min(m, len(own_one) - 2)] + 1, own_two[max(n, 1)]
    return (
        MovedEdge(
            np.concatenate([one.points[:stop], tip[None]]),
            np.append(one.apex[:stop], False),
            one.comes,
            one.leads,
        ),
        MovedEdge(
            np.concatenate([tip[None], two.points[start:]]),
            np.concatenate([[False], two.apex[start:]]),
            two.comes,
            two.leads,
        ),
    )


def _segments_cross(
    a: Floats, a_end: Floats, b: Floats, b_end: Floats
) -> list[tuple[int, int, float, float]]:
    """Pairs (row of a, row of b, share along each) of segments that cross."""
    d, e = (a_end - a)[:, None], (b_end - b)[None]
    gap = b[None] - a[:, None]
    turn = d[..., 0] * e[..., 1] - d[..., 1] * e[..., 0]
    scale = np.linalg.norm(d, axis=-1) * np.linalg.norm(e, axis=-1)
    steep = np.abs(turn) > _PARALLEL * scale
    safe = np.where(steep, turn, 1.0)
    u = (gap[..., 0] * e[..., 1] - gap[..., 1] * e[..., 0]) / safe
    v = (gap[..., 0] * d[..., 1] - gap[..., 1] * d[..., 0]) / safe
    lets_in = 1e-9
    hit = steep & (u >= -lets_in) & (u <= 1 + lets_in) & (v >= -lets_in) & (v <= 1 + lets_in)
    return [(int(m), int(n), float(u[m, n]), float(v[m, n])) for m, n in np.argwhere(hit)]


def _linked(one: MovedEdge, two: MovedEdge, between: list[Floats]) -> tuple[MovedEdge, MovedEdge]:
    """Lead an edge through points to the next; its own last point lies on the way to the first."""
    apex = np.concatenate([one.apex[:-1], np.zeros(len(between), dtype=np.bool_)])
    return (
        replace(one, points=np.array([*one.points[:-1], *between]), apex=apex),
        replace(two, points=np.concatenate([between[-1][None], two.points[1:]])),
    )


def _from_start(points: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])


def _within(far: float, points: Floats, place: Floats) -> Bools:
    return np.asarray(np.linalg.norm(points - place, axis=1) < far)


def _tangent(points: Floats) -> Floats:
    """Unit vector in which a short line ends: the tangent of a parabola fitted to it."""
    if len(points) < _ENOUGH:
        return _unit(points[-1] - points[-2])
    chord = _unit(points[-1] - points[0])
    x, y = (points - points[-1]) @ chord, (points - points[-1]) @ -_right(chord)
    slope = np.linalg.lstsq(np.stack([np.ones_like(x), x, x * x], axis=-1), y, rcond=None)[0][1]
    return _unit(chord - float(slope) * _right(chord))


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / max(float(np.hypot(*vector)), SAME_MM))
