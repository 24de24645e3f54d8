"""What is installed on demand is missed with words that help, and not before it is asked for."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import lobetime as lt

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
OPTIONAL = ("openpyxl", "icalendar", "pyarrow", "polars", "dask", "distributed", "ipykernel", "nbclient")


def test_every_extra_that_an_error_names_exists():
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "python" / "lobetime").rglob("*.py")]
    named = {name for text in texts for name in re.findall(r"pip install 'lobetime\[(\w+)\]'", text)}
    assert named >= {"excel", "calendar", "parquet", "cluster"}
    assert named <= set(PROJECT["optional-dependencies"])


def test_a_cluster_without_dask(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    context = lt.on_cluster()
    with pytest.raises(ImportError, match=r"a cluster needs dask.*: pip install 'lobetime\[cluster\]'"):
        context.__enter__()


def test_without_any_extra_a_unit_gets_its_slots():
    script = f"""
import sys, warnings
for name in {OPTIONAL!r}:
    sys.modules[name] = None  # an import of it fails
warnings.simplefilter("ignore")
import lobetime as lt
unit = lt.datasets.load_demo_unit()
model = lt.TheatreTimeModel(estimator="m").fit(unit.history.head(40))
print(len(lt.slots(model.predict(unit.bookings, draws=200))))
"""
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (found.stdout.strip(), found.stderr) == (str(len(lt.datasets.load_demo_unit().bookings)), "")


def test_imports_are_quick_to_come():
    """Importing the package loads none of them."""
    script = f"import lobetime, sys; print([name for name in {OPTIONAL!r} if name in sys.modules])"
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    loaded = set(eval(found.stdout))
    assert not loaded - {"pyarrow"}, "pandas itself may load pyarrow"
