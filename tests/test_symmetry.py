"""Object symmetry: one part against its own mirror image."""

from __future__ import annotations

import numpy as np
import pytest

from spilemark.symmetry import object_asymmetry

PAIRS = np.array([[-200.0, 0], [200, 0], [-150, 80], [150, 80], [-60, 200], [60, 200], [0, 260]])
PARTNER = [1, 0, 3, 2, 5, 4, 6]


def test_a_symmetric_part_has_none() -> None:
    assert object_asymmetry(PAIRS, PARTNER) == pytest.approx(0.0)


def test_one_point_moved_shares_its_move_with_its_partner() -> None:
    # Own derivation: relabel and reflect, then halve.  Moved by d on one side only gives d / 2 on
    # each of the pair and a sum of squares of d squared / 2: with 2 mm, 1 mm on each and 2.0.
    moved = PAIRS.copy()
    moved[3, 0] += 2.0
    found = object_asymmetry(moved, PARTNER)
    assert np.linalg.norm(found, axis=1) == pytest.approx([0, 0, 1, 1, 0, 0, 0], abs=1e-9)
    assert (found**2).sum() == pytest.approx(2.0, abs=1e-9)
    assert object_asymmetry(moved - found, PARTNER) == pytest.approx(0.0, abs=1e-12)
