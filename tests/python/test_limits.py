"""Short forms of what `cpp/bench/limits.py` and `cpp/bench/soak.py` measure: every job runs, and memory stays flat."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

BENCH = Path(__file__).resolve().parents[2] / "cpp" / "bench"


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, BENCH / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_every_job_of_the_limits_runs_a_thousand_times_smaller(tmp_path):
    table = tmp_path / "limits.md"
    command = [sys.executable, str(BENCH / "limits.py"), str(table), "--small"]
    subprocess.run(command, check=True, capture_output=True)
    rows = [line.strip("| ").split(" | ") for line in table.read_text(encoding="utf-8").splitlines()[2:]]
    assert len(rows) == 9
    for job, seconds, peak_mb, outcome in rows:
        assert re.fullmatch(r"\d+\.\d\d", seconds), outcome
        assert 50 < float(peak_mb.replace(",", "")) < 3000
        assert outcome.startswith("MemoryError: ") == ("refused" in job), outcome


@pytest.mark.slow
def test_memory_is_flat_over_thirty_rounds():
    """Growth of a kept round would be hundreds of kB: draws of six bookings alone are 120 kB."""
    slope, held = script("soak").growth(30)
    assert len(held) == 30
    assert slope < 100.0


def test_the_soak_sees_a_leak():
    """In a process of its own: what earlier tests have set free would take the leak up."""
    program = (
        f"import sys; sys.path.insert(0, {str(BENCH)!r}); import soak\n"
        "kept = []\n"
        "soak.one_round = lambda i: kept.append(bytearray(b'x' * 300_000))\n"
        "print(soak.growth(30)[0])"
    )
    ended = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    assert float(ended.stdout) > 200.0
