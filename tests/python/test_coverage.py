"""Share of 95 % intervals that hold the truth on messy units: a small run of cpp/bench/coverage.py."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest
from scipy import stats

UNITS = 60


@pytest.fixture(scope="module")
def shares():
    path = Path(__file__).parents[2] / "cpp" / "bench" / "coverage.py"
    spec = importlib.util.spec_from_file_location("coverage_study", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["coverage_study"] = module
    spec.loader.exec_module(module)
    done = [rows for rows in (module.held((150, seed, 200, list(module.METHODS))) for seed in range(UNITS)) if rows]
    return module.shares_of(done)


@pytest.mark.slow
def test_every_interval_holds_the_truth_about_as_often_as_it_says(shares):
    units = shares["units"].iloc[0]
    assert units > 0.9 * UNITS
    # 39 of them are looked at: each may be off by chance once in a thousand such runs.
    low, high = (limit / units for limit in stats.binom.interval(1 - 0.001 / len(shares), units, 0.95))
    assert shares["inside"].between(low, high).all(), shares["inside"].to_string()
    for method, inside in shares["inside"].groupby("method"):
        assert 0.92 <= inside.mean() <= 0.98, method
