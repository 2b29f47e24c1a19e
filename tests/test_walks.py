"""Edges walked from the end that is nearer to the outer corner."""

from __future__ import annotations

import drawn_jobs
import numpy as np
import pytest
import shapes as zoo

from spilemark.walks import walks


def test_every_edge_is_walked_from_its_end_nearer_to_the_outer_corner():
    pattern = drawn_jobs.pattern(zoo.knee(side="port"))
    found = {walk.edge.name: walk for walk in walks(pattern)}
    ring = pattern.outline.ring.points_mm
    corner = ring[pattern.outline.corners[pattern.origin_corner].index]
    for name in ("hull edge", "transom edge"):
        walk = found[name]
        assert walk.begins == "outer"
        assert np.linalg.norm(ring[walk.points[np.argmin(walk.s_mm)]] - corner) < 1.5
        assert walk.s_mm.max() <= walk.length_mm
        assert (np.diff(walk.s_mm) > 0).all()


def test_every_point_belongs_to_one_edge():
    pattern = drawn_jobs.pattern(zoo.knee(side="port", notch_mm=(300.0, 20.0, 10.0)))
    every = np.concatenate([walk.points for walk in walks(pattern)])
    assert sorted(every) == list(range(len(pattern.outline.ring.points_mm)))


@pytest.mark.parametrize(
    ("s_mm", "units", "words"),
    [
        (0.5, "mm", "at the outer corner on the hull edge"),
        (252.4, "mm", "252 mm from the outer corner along the hull edge"),
        (254.0, "in", '10" from the outer corner along the hull edge'),
    ],
)
def test_a_place_is_told_as_a_person_would(s_mm, units, words):
    pattern = drawn_jobs.pattern(zoo.knee(side="port"))
    walk = next(w for w in walks(pattern) if w.edge.name == "hull edge")
    assert walk.place(s_mm, units) == words
