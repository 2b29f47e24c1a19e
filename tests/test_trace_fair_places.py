"""The places of a faint edge's stretches, asked together: against plain Gaussian regression."""

from __future__ import annotations

import numpy as np
import pytest

from spilemark.records import Floats
from spilemark_stages.trace.fair_places import FairPlaces, fair_basis, fair_places, off_arc

SHIFTS = np.arange(-20, 21) * 0.06


def _found(evidence: Floats, length: float = 300.0, *, closed: bool = False) -> FairPlaces:
    count = len(evidence)
    at = np.arange(count) * length / (count if closed else count - 1)
    shifts = np.broadcast_to(SHIFTS, (count, len(SHIFTS)))
    return fair_places(evidence, shifts, at, length, np.zeros(count), closed=closed)


def _peak(places: Floats, sigma: float) -> Floats:
    """Log evidence of stretches that see their edge at ``places`` (M,) with a Gaussian doubt."""
    return np.asarray(-0.5 * ((SHIFTS[None, :] - places[:, None]) / sigma) ** 2)


def test_a_few_stretches_with_another_edge_do_not_move_the_line() -> None:
    rng = np.random.default_rng(5)
    places = 0.2 + 0.1 * rng.standard_normal(50)
    places[[7, 22, 23, 41]] = -0.9
    evidence = np.log(np.exp(_peak(places, 0.1)) + 0.02)
    found = _found(evidence)
    assert np.abs(found.place_mm - 0.2).max() < 0.12
    assert found.sigma_mm.max() < 0.15


def test_two_peaks_are_told_apart_by_the_neighbours() -> None:
    truth = np.full(40, 0.3)
    evidence = np.logaddexp(_peak(truth, 0.08), _peak(truth - 0.8, 0.08) + 1.0)
    evidence[::2] = _peak(truth, 0.08)[::2]
    assert np.abs(_found(evidence).place_mm - 0.3).max() < 0.1


def test_the_doubt_is_that_of_the_scatter() -> None:
    """Forty repetitions of noisy straight edges: errors in units of the claimed doubt."""
    rng = np.random.default_rng(11)
    scores = []
    for _ in range(40):
        seen = 0.15 * rng.standard_normal(50)
        found = _found(_peak(seen, 0.15))
        scores.append(found.place_mm / found.sigma_mm)
    assert 0.5 < float(np.std(scores)) < 1.2


def test_stretches_that_claim_too_much_are_widened() -> None:
    rng = np.random.default_rng(12)
    seen = 0.3 * rng.standard_normal(50)
    honest, proud = _found(_peak(seen, 0.3)), _found(_peak(seen, 0.1))
    assert np.median(proud.sigma_mm) > 0.5 * np.median(honest.sigma_mm)


def test_without_evidence_the_doubt_is_wide() -> None:
    evidence = _peak(np.zeros(50), 0.1)
    evidence[20:35] = 0.0
    found = _found(evidence)
    assert found.sigma_mm[27] > 1.5 * found.sigma_mm[5]


def test_round_a_hole_the_ends_meet() -> None:
    angle = np.arange(24) / 24 * 2 * np.pi
    truth = 0.3 * np.cos(angle)
    found = _found(_peak(truth, 0.1), 90.0, closed=True)
    assert np.abs(found.place_mm - truth).max() < 0.1


def test_basis_adds_up_to_one() -> None:
    """B-splines on even knots are a partition of unity (de Boor 1978, ch. IX)."""
    at = np.linspace(0.0, 200.0, 33)
    for closed in (False, True):
        assert fair_basis(at, 200.0, closed=closed).sum(axis=1) == pytest.approx(1.0)


def test_an_arc_is_no_wave() -> None:
    angle = np.linspace(0.2, 0.5, 80)
    arc = 900.0 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    normals = arc / 900.0
    assert np.abs(off_arc(arc, normals, closed=False)).max() < 0.5
    bent = arc + normals * np.where(np.abs(np.arange(80) - 40) < 6, 2.0, 0.0)[:, None]
    assert off_arc(bent, normals, closed=False)[40] > 1.0
