"""The direction of a reference line that is only a tick, told by an edge of the pattern.

A tick tells where the line is, but hardly which way it runs: drawn to 0.15 mm
at each end, 30 mm of it leave half a degree.  An edge of the pattern that is
known to be square to the line, or to run along it, tells that much better.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.corners import edge_span
from spilemark.errors import UsageError
from spilemark.frames import outward_normals
from spilemark.records import EdgeRule, Floats, JobFacts, Outline, Polyline, Side
from spilemark.uncertainty import arc_weights, normals_of
from spilemark_stages.register.pencil import LineDoubt

_CLEAR_MM = 3.0
"""From its corners on, an edge is its own."""
_AT_MOST_DEG = 20.0
"""A tick that runs off farther from what the edge tells belongs to another edge."""


@dataclass(frozen=True, slots=True, eq=False)
class EdgeDirection:
    """Which way forward is, as an edge tells it."""

    forward: Floats
    """(2,) unit, in the frame of the outline."""
    row: Floats
    """(N,) turn (rad, anticlockwise) of the edge for changes of the ring along its outward normals."""
    bow_mm: float
    """Largest distance of a seen point of the edge from its straight fit."""
    edge: str


def rule_for(job: JobFacts, side: Side, arm: str) -> EdgeRule | None:
    """What was told of one side, else of its photos."""
    return job.line_from_edge.get(str(side)) or job.line_from_edge.get(arm)


def edge_direction(outline: Outline, rule: EdgeRule, guess: Floats) -> EdgeDirection:
    """Forward by an edge of an outline whose parts have names; ``guess`` (2,) is the tick's way.

    Raises
    ------
    UsageError
        No edge has that name, or the tick contradicts it.
    """
    edges = {edge.name.casefold(): edge for edge in outline.edges}
    edge = edges.get(rule.edge.casefold())
    if edge is None:
        raise UsageError(
            f'The line is told by "{rule.edge}", but the pattern has no edge of that name.',
            f"Its edges are: {', '.join(e.name for e in outline.edges) or 'none'}.",
        )
    ring = outline.ring
    points = ring.points_mm
    span = edge_span(edge, len(points))
    weights = arc_weights(points, closed=True, seen=ring.seen)[span]
    on = points[span]
    clear = np.minimum(np.linalg.norm(on - on[0], axis=1), np.linalg.norm(on - on[-1], axis=1))
    if ((clear > _CLEAR_MM) & (weights > 0)).sum() > 4:
        weights = np.where(clear > _CLEAR_MM, weights, 0.0)
    middle = weights @ on / weights.sum()
    away = on - middle
    along = np.linalg.svd(away * np.sqrt(weights)[:, None], full_matrices=False)[2][0]
    left = np.array([-along[1], along[0]])
    t = away @ along
    row = np.zeros(len(points))
    facing = outward_normals(points)[span] @ left
    row[span] = weights * t * facing / (weights * t**2).sum()
    forward = left if rule.square else along
    forward = forward * (np.sign(forward @ guess) or 1.0)
    apart = float(np.degrees(np.arccos(np.clip(forward @ guess, -1.0, 1.0))))
    if apart > _AT_MOST_DEG:
        raise UsageError(
            f"The tick runs {apart:.0f} degrees off the way that {edge.name} tells.",
            'Say which edge it belongs to: "square to transom edge" or "along hull edge".',
        )
    bow = float(np.abs(away @ left)[weights > 0].max())
    return EdgeDirection(np.asarray(forward), row, bow, edge.name)


def tick_doubt(
    tick: Polyline, told: EdgeDirection, ring: Polyline, drawn_sigma_mm: float
) -> LineDoubt:
    """How the frame moves where the tick tells the place and the edge the turn (``LineDoubt``).

    Parameters
    ----------
    tick : Polyline
        In the boat frame.
    told : EdgeDirection
    ring : Polyline
        The outer edge in that frame.
    drawn_sigma_mm : float
        How far each end of the tick may have been drawn beside its place, one sigma.
    """
    weights = arc_weights(tick.points_mm, closed=False, seen=tick.seen)
    weights = weights / weights.sum()
    height = float(weights @ tick.points_mm[:, 1])
    sideways = normals_of(tick)[:, 0]
    turn = told.row @ ring.sensitivity_mm
    place = (weights * sideways) @ tick.sensitivity_mm
    # x = shift - turn * y: the line's place at the tick's middle is kept.
    by_cause = np.stack([turn, place + turn * height])
    turn_own = float(told.row**2 @ ring.sigma_mm**2)
    place_own = float(weights**2 @ tick.sigma_mm**2) + 0.5 * drawn_sigma_mm**2
    own = np.array(
        [[turn_own, turn_own * height], [turn_own * height, place_own + turn_own * height**2]]
    )
    return LineDoubt(np.asarray(by_cause), own)
