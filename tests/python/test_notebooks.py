"""Notebooks: clean in git, no brands or machine paths, and run whole in a fresh kernel, on other files too."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

import nbclient
import nbformat
import pandas as pd
import pytest

import lobetime as lt
from lobetime.datasets import draw_truth, simulate_unit

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
NAMES = [path.stem for path in NOTEBOOKS]
LONGEST_S = 300  # a notebook takes about a minute at most on two slow cores; the rest is for machines that are busy

# Paths of a machine, and signs that belong to trade names. Trade names themselves are not written down here.
FORBIDDEN = re.compile(r"/(?:home|root|tmp|work|usr|opt|mnt)/|[A-Za-z]:\\|[™®©]|https?://|\.local\b|localhost", re.I)
# Whatever it is told, a run says nothing on stderr; the kernel's own farewell is not ours.
STRICT = 'import warnings\nwarnings.simplefilter("error")\nwarnings.simplefilter("ignore", PendingDeprecationWarning)'


def read(path: Path) -> Any:
    return nbformat.read(path, as_version=4)


def execute(path: Path, folder: Path, **settings: str) -> Any:
    """The notebook after a run in ``folder``; ``settings`` are source texts that replace those of the file cell."""
    notebook = read(path)
    if settings:
        (cell,) = [c for c in notebook.cells if c.cell_type == "code" and re.search(r"^FILE = ", c.source, re.M)]
        for name, value in settings.items():
            cell.source, n = re.subn(rf"(?m)^{name} = .*$", lambda _, n=name, v=value: f"{n} = {v}", cell.source)
            assert n == 1, f"the cell sets {name} {n} times"
    notebook.cells.insert(0, nbformat.v4.new_code_cell(STRICT))
    nbclient.NotebookClient(
        notebook, timeout=LONGEST_S, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    return notebook


def outputs(notebook: Any) -> list[Any]:
    return [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]


def said(notebook: Any) -> str:
    """Everything that a reader of the run sees as text."""
    parts = []
    for output in outputs(notebook):
        data = output.get("data", {})
        parts.append(output.get("text", "") or data.get("text/markdown", "") or data.get("text/plain", ""))
    return "\n".join(parts)


def pictures(notebook: Any) -> list[bytes]:
    return [base64.b64decode(o.data["image/png"]) for o in outputs(notebook) if "image/png" in o.get("data", {})]


@pytest.fixture(autouse=True)
def inline_pictures(monkeypatch):
    """Pictures are drawn as in a browser, without a screen."""
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    monkeypatch.delenv("PYTHONWARNINGS", raising=False)


# ------------------------------------------------------------------------------------------------ as they are in git


def test_notebooks_are_there():
    assert [name[:2] for name in NAMES] == sorted({name[:2] for name in NAMES})
    assert {"01", "02", "03", "04", "05", "06", "07", "08"} <= {name[:2] for name in NAMES}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_outputs_are_cleared_and_metadata_is_minimal(path):
    notebook = read(path)
    nbformat.validate(notebook)
    assert set(notebook.metadata) == {"kernelspec", "language_info"}
    assert notebook.metadata.kernelspec["name"] == "python3"
    assert dict(notebook.metadata.language_info) == {"name": "python"}
    for cell in notebook.cells:
        assert dict(cell.metadata) == {}
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None
    assert len({cell.id for cell in notebook.cells}) == len(notebook.cells)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_no_brand_marks_and_no_paths_of_a_machine(path):
    assert FORBIDDEN.findall("\n".join(cell.source for cell in read(path).cells)) == []


@pytest.mark.parametrize("text", ["see /home/me/x", "C:\\x", "Device™", "http://localhost:8888"])
def test_forbidden_words_are_found(text):
    assert FORBIDDEN.search(text)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_one_cell_near_the_top_takes_ones_own_file(path):
    code = [cell.source for cell in read(path).cells if cell.cell_type == "code"]
    having = [k for k, source in enumerate(code) if re.search(r"^FILE = ", source, re.M)]
    assert having == [0]
    assert 'FILE = None  # or "unit.csv"' in code[0]
    assert re.search(r"^COLUMNS = \{\}", code[0], re.M)
    assert re.search(r"^DROP = \[\]", code[0], re.M)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_no_number_is_typed_into_the_words(path):
    """A number with a unit in prose is a result that another file would not have."""
    prose = "\n".join(cell.source for cell in read(path).cells if cell.cell_type == "markdown")
    found = re.findall(r"\b\d+(?:\.\d+)?\s*(?:min\b|minutes|mL|g/min|hours|g\b)", prose)
    assert found == []


# ----------------------------------------------------------------------------------------------------------- as run


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_notebook_runs_from_start_to_end(path, tmp_path):
    notebook = execute(path, tmp_path)
    assert [o.text for o in outputs(notebook) if o.output_type == "stream" and o.name == "stderr"] == []
    words = said(notebook)
    assert lt.CAUTION in words
    assert pictures(notebook) or path.stem == "02_schedulers_page"  # the browser draws its pictures
    assert list(tmp_path.iterdir()) == []  # nothing is written behind one's back


def other_unit(seed: int, n: int) -> pd.DataFrame:
    return simulate_unit(n, seed=seed, truth=draw_truth(seed + 6))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::lobetime.DataWarning")
def test_first_slot_follows_another_file(tmp_path):
    history = other_unit(5, 60)[["operated_on", "surgeon", "gland_ml", "theatre_min"]].dropna()
    history["surgeon"] = "Q" + history["surgeon"]
    renamed = history.rename(columns={"gland_ml": "Prostate size", "theatre_min": "In theatre", "surgeon": "Operator"})
    renamed.assign(**{"Hospital no": "H123"}).to_csv(tmp_path / "unit.csv", index=False)
    columns = {"gland_ml": "Prostate size", "theatre_min": "In theatre", "surgeon": "Operator"}
    notebook = execute(
        ROOT / "notebooks" / "01_first_slot.ipynb",
        tmp_path,
        FILE="'unit.csv'",
        COLUMNS=json.dumps(columns),
        DROP="['Hospital no']",
    )
    words = said(notebook)
    assert f"Read: **{len(history)} past cases**" in words
    assert "invented unit" not in words
    usual = history["surgeon"].value_counts().index[0]
    assert f"surgeon {usual}" in words

    cases = lt.read_cases(history)
    booking = pd.DataFrame([{"case_id": "first", "gland_ml": 130, "surgeon": usual}])
    pred = lt.TheatreTimeModel(estimator="m").fit(cases).predict(booking, draws=8000)
    slot = lt.slots(pred, overrun_risk=0.2, round_to=5)["slot_min"].iloc[0]
    assert f"130 mL: book {slot:.0f} minutes" in words


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_notebook_runs_on_a_bare_file(path, tmp_path):
    """Gland and theatre time are enough: what cannot be said then is said to be so, and nothing fails."""
    bare = other_unit(3, 40)[["gland_ml", "theatre_min"]].dropna()
    bare.to_csv(tmp_path / "unit.csv", index=False)
    notebook = execute(path, tmp_path, FILE="'unit.csv'")
    assert f"{len(bare)} past cases" in said(notebook)
