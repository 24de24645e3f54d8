"""The same input, seed and version give the same bytes: at any number of threads, twice in a row, in any process, and
after a model was saved and loaded.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import warnings
from pathlib import Path

import pandas as pd
import pytest

import lobetime as lt

DATASETS = Path(lt.datasets.__file__).parent

RUN = """
import hashlib, io, json, sys, warnings
warnings.simplefilter("ignore")
import pandas as pd
import lobetime as lt
threads, folder = int(sys.argv[1]), sys.argv[2]
unit = lt.datasets.load_demo_unit()
bookings, sessions = lt.read_bookings(unit.bookings.head(12)), lt.read_sessions(unit.sessions)
told = {}
def tell(name, content):
    content = content.encode() if isinstance(content, str) else content
    told[name] = hashlib.sha256(content).hexdigest()
model = lt.TheatreTimeModel(threads=threads).fit(unit.history.head(150))
def use(model, name):
    model.threads = threads
    model.save(folder + "/unit.json")
    tell(name + " file", open(folder + "/unit.json", "rb").read())
    pred = model.predict(bookings, draws=1000, seed=7)
    tell(name + " draws", pred.draws.tobytes())
    tell(name + " slots", lt.slots(pred, overrun_risk=0.2).to_csv(index=False))
    plan = lt.plan_lists(pred, bookings, sessions, stock=unit.stock, seed=7, threads=threads)
    tell(name + " plan csv", lt.lists.to_csv_table(plan).to_csv(index=False))
    tell(name + " plan json", json.dumps(lt.lists.to_json_dict(plan)))
    tell(name + " sheets", lt.lists.room_sheet_html(plan))
    lt.lists.write_workbook(plan, folder + "/plan.xlsx")
use(model, "fitted")
first = dict(told)
use(model, "fitted")
assert told == first, "twice in a row"
interval = model.conf_int("bootstrap", replicates=60, kind="percentile", seed=3)
tell("bootstrap", interval.to_csv())
use(lt.load_model(folder + "/unit.json"), "loaded")
print(json.dumps(told))
"""


def told_by(threads: int, folder: Path, hash_seed: str) -> dict[str, str]:
    folder.mkdir()
    settings = os.environ | {"PYTHONHASHSEED": hash_seed, "OMP_NUM_THREADS": str(threads)}
    command = [sys.executable, "-c", RUN, str(threads), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=settings)
    assert done.returncode == 0, done.stderr
    found: dict[str, str] = json.loads(done.stdout)
    return found


@pytest.mark.slow
def test_bytes_are_the_same_at_one_two_and_four_threads_and_after_a_save(tmp_path):
    runs = {threads: told_by(threads, tmp_path / str(threads), str(threads)) for threads in (1, 2, 4)}
    assert len(runs[1]) == 13
    assert runs[2] == runs[1]
    assert runs[4] == runs[1]
    fitted = {name.removeprefix("fitted "): told for name, told in runs[1].items() if name.startswith("fitted ")}
    loaded = {name.removeprefix("loaded "): told for name, told in runs[1].items() if name.startswith("loaded ")}
    assert loaded == fitted
    assert len(set(fitted.values())) == len(fitted)


@pytest.mark.parametrize("seeds", [(1, 2)])
def test_another_seed_gives_other_draws(model, seeds):
    bookings = lt.datasets.load_demo_unit().bookings.head(3)
    one, other = (model.predict(bookings, draws=200, seed=seed).draws.tobytes() for seed in seeds)
    assert one != other


def test_slots_of_two_processes_are_the_same_bytes(tmp_path):
    bookings = tmp_path / "bookings.csv"
    pd.read_csv(DATASETS / "demo_bookings.csv").head(5).to_csv(bookings, index=False)
    digests = set()
    for hash_seed in ("0", "1", "2"):
        out = tmp_path / f"{hash_seed}.csv"
        command = [sys.executable, "-m", "lobetime", "slots", str(bookings), "--csv", str(out)]
        subprocess.run(command, check=True, capture_output=True, env=os.environ | {"PYTHONHASHSEED": hash_seed})
        digests.add(hashlib.sha256(out.read_bytes()).hexdigest())
    assert len(digests) == 1


def test_reading_does_not_depend_on_the_order_of_columns():
    table = pd.read_csv(DATASETS / "demo_history.csv").head(30)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        one, other = lt.read_cases(table), lt.read_cases(table[sorted(table.columns)])
    pd.testing.assert_frame_equal(one.frame, other.frame[one.frame.columns])
