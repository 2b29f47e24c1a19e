"""Two metres through photos in a chain: the interval grows as the error does."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def chain() -> ModuleType:
    sys.path.insert(0, str(BENCHMARKS))
    try:
        spec = importlib.util.spec_from_file_location("chain", BENCHMARKS / "chain.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["chain"] = module
        spec.loader.exec_module(module)
        return module
    finally:
        sys.path.remove(str(BENCHMARKS))


def test_the_claim_grows_along_the_chain_and_covers_the_error(chain: ModuleType) -> None:
    """Simulated worlds with truth; of 12 worlds at 8 places, 95 % within, less chance.

    Places of one world hang together, so the bound is wide: at least 80 %.
    """
    found = [chain.one_chain(2000.0, 4, "taped", np.random.default_rng([7, k])) for k in range(12)]
    error = np.array([one.error_mm for one in found])
    sigma = np.array([one.sigma_mm for one in found])
    claimed = np.sqrt((sigma**2).mean(axis=0))
    assert (np.diff(claimed) > 0).all()
    assert claimed[-1] > 3.0 * claimed[0]
    assert (np.abs(error) < 1.96 * sigma).mean() > 0.8
    # Neither boasting nor cowardly, over all places and worlds.
    ratio = float(np.sqrt(((error / sigma) ** 2).mean()))
    assert 0.5 < ratio < 1.4
    bow = np.array([one.bow_error_mm / one.bow_sigma_mm for one in found])
    assert np.sqrt((bow**2).mean()) < 1.8
    assert np.abs(error).max() < 1.5
