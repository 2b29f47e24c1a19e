"""A corner's angle as a sliding bevel reads it, and that it is one number wherever it is shown."""

from __future__ import annotations

from dataclasses import replace

import drawn_jobs
import numpy as np
import pytest
import shapes as zoo

from spilemark.corner_angles import WORDS, corner_angle_deg
from spilemark.records import Outline
from spilemark.report import report
from spilemark_stages.write.report_content import content_of


def noisy(outline: Outline, sigma_mm: float) -> Outline:
    """The outline with points that wander, as a photo's grain makes them."""
    ring = outline.ring
    moved = ring.points_mm + np.random.default_rng(4).normal(0, sigma_mm, ring.points_mm.shape)
    return replace(
        outline,
        polylines=tuple(
            replace(line, points_mm=moved) if line is ring else line for line in outline.polylines
        ),
    )


@pytest.mark.parametrize("angle", [80.0, 98.0, 110.0])
def test_a_straight_corner_is_read_as_it_was_drawn(angle: float) -> None:
    # Drawn with straight edges, so that the angle is known.
    outline = drawn_jobs.outline(zoo.knee(angle_deg=angle, sag_mm=0.0, step_mm=0.5))
    found = {k: corner_angle_deg(outline, k) for k in range(len(outline.corners))}
    k = min(found, key=lambda k: abs(found[k] - angle))
    assert found[k] == pytest.approx(angle, abs=0.02)
    # A twentieth of a millimetre of wandering turns one segment by degrees, and a blade hardly.
    assert corner_angle_deg(noisy(outline, 0.05), k) == pytest.approx(angle, abs=0.1)


def test_the_report_has_one_angle_of_a_corner() -> None:
    result = drawn_jobs.result(starboard=zoo.knee(side="starboard", angle_deg=98.3, sag_mm=6.0))
    table = report(result)
    for corner in table["comparison"]["corners"]:
        for side in ("port", "starboard"):
            own = table["patterns"][side]["corner_angles_deg"][corner["name"]]
            assert own == pytest.approx(corner[f"{side}_deg"], abs=0.05), corner["name"]


@pytest.mark.parametrize("sides", [("port", "starboard"), ("port",)])
def test_how_it_was_measured_is_said_beside_it(sides: tuple[str, ...]) -> None:
    tables = content_of(drawn_jobs.result(sides=sides)).tables
    (angles,) = [t for t in tables if t.title == "Angles of the corners"]
    assert WORDS in angles.under
