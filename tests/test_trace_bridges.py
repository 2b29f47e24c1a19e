"""What lies under a card runs on as the edge ran."""

from __future__ import annotations

import numpy as np

from spilemark_stages.trace.bridges import bridge


def test_a_gap_in_an_arc_follows_the_arc() -> None:
    angle = np.linspace(0.0, 1.2, 400)
    arc = 300.0 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    seen = np.ones(400, dtype=bool)
    seen[150:220] = False  # 63 mm
    spoilt = arc.copy()
    spoilt[150:220] += [6.0, -6.0]
    fair = bridge(spoilt, seen, 0.9, closed=False)
    # A cubic with the arc's end slopes leaves an arc of a fifth of a radian by next to nothing.
    assert np.abs(np.linalg.norm(fair, axis=1) - 300.0).max() < 0.05
    assert np.array_equal(fair[seen], arc[seen])


def test_a_closed_ring_is_bridged_over_its_own_start() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 700, endpoint=False)
    ring = 100.0 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    seen = np.ones(700, dtype=bool)
    seen[:20] = seen[-20:] = False
    spoilt = np.where(seen[:, None], ring, ring + 5.0)
    fair = bridge(spoilt, seen, 0.9, closed=True)
    assert np.abs(np.linalg.norm(fair, axis=1) - 100.0).max() < 0.05


def test_a_corner_under_the_card_is_not_cut_off() -> None:
    side = np.linspace(0.0, 100.0, 101)
    corner = np.concatenate(
        [np.stack([side, 0 * side], axis=-1), np.stack([0 * side + 100.0, side], axis=-1)[1:]]
    )
    seen = np.ones(len(corner), dtype=bool)
    seen[90:112] = False
    assert np.array_equal(bridge(corner, seen, 1.0, closed=False), corner)


def test_an_end_that_was_not_seen_stays() -> None:
    line = np.stack([np.linspace(0.0, 50.0, 51), np.zeros(51)], axis=-1)
    line[:5, 1] = 3.0
    seen = np.arange(51) >= 5
    assert np.array_equal(bridge(line, seen, 1.0, closed=False), line)
