"""kill -9 in the middle of a job: nothing damaged, nothing lost that was answered."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest

BENCHMARK = Path(__file__).resolve().parents[1] / "benchmarks" / "bench_page.py"


@pytest.mark.skipif(os.name == "nt", reason="no such signal")
def test_a_killed_server_loses_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    # Twice here; ``python benchmarks/bench_page.py killed 100`` does it a hundred times.
    spec = importlib.util.spec_from_file_location("bench_page", BENCHMARK)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.killed(2)
    told = capsys.readouterr().out
    assert "killed 2 times" in told
    assert "at the end: measured" in told
    assert "damaged or lost: nothing" in told
