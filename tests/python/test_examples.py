"""The example that people copy runs."""

import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_quickstart_prints_slots_and_the_caution():
    run = subprocess.run([sys.executable, EXAMPLES / "quickstart.py"], capture_output=True, text=True, check=True)
    lines = run.stdout.splitlines()
    assert len([line for line in lines if line.startswith("INV-")]) == 5
    assert "not clinical advice" in lines[-1]
    assert run.stderr == ""


@pytest.mark.parametrize("name", ["fit_and_predict", "list_risk", "robust_regression"])
def test_example_prints_what_is_stored_beside_it(name):
    """So does its counterpart in C++, which CTest runs."""
    run = subprocess.run([sys.executable, EXAMPLES / f"{name}.py"], capture_output=True, text=True, check=True)
    assert run.stderr == ""
    assert run.stdout == (EXAMPLES / f"{name}.txt").read_text(encoding="utf-8")
    assert (EXAMPLES / f"{name}.cpp").is_file()


def test_readme_examples_run(tmp_path, monkeypatch):
    """Every Python block of the README, as it stands."""
    import warnings

    import lobetime as lt

    text = (EXAMPLES.parent / "README.md").read_text(encoding="utf-8")
    blocks = [part.split("```")[0] for part in text.split("```python\n")[1:]]
    assert len(blocks) >= 2
    monkeypatch.chdir(tmp_path)
    for block in blocks:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", lt.DataWarning)
            # A replicate in a hundred does not settle, and is said.
            warnings.filterwarnings("ignore", ".*have no estimate", lt.IntervalWarning)
            # Three unfinished morcellations of the demo unit have no minutes, and that is said.
            warnings.filterwarnings("ignore", "unfinished morcellations", lt.devices.HeadToHeadWarning)
            exec(compile(block, "README.md", "exec"), {})
