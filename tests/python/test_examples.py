"""The example that people copy runs."""

import subprocess
import sys
from pathlib import Path

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_quickstart_prints_slots_and_the_caution():
    run = subprocess.run([sys.executable, EXAMPLES / "quickstart.py"], capture_output=True, text=True, check=True)
    lines = run.stdout.splitlines()
    assert len([line for line in lines if line.startswith("INV-")]) == 5
    assert "not clinical advice" in lines[-1]
    assert run.stderr == ""


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
