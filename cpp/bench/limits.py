"""How far lobetime goes: time and peak memory of the largest jobs, and what is said of those that are too large.

Usage: limits.py [TABLE.md] [--small] [--only NAME ...] [--time-limit S]

Each job runs in a process of its own: 10^6 cases read and fitted, 10^4 bookings x 4,096 draws with their slots, 200
sessions planned, 500 surgeons fitted, a file of 500 MB read, and three that do not fit. ``--small`` runs all of it a
thousand times smaller, in a minute. The cases are those of the demo unit drawn again, with other times.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

import lobetime as lt

TIMES = ["enucleation_min", "haemostasis_min", "morcellation_min"]
Job = Callable[[float, Path], str]


def history(n: int, surgeons: int = 0, seed: int = 1) -> pd.DataFrame:
    """So many past cases; as many surgeons as asked, or those of the demo unit."""
    rng = np.random.default_rng(seed)
    demo = lt.datasets.load_demo_unit().history
    wrong = {row - 2 for row in lt.check_file(demo)["row"] if row > 1}
    drawn = demo.drop(index=list(wrong)).sample(n, replace=True, random_state=seed).reset_index(drop=True)
    for column in TIMES:
        drawn[column] = (drawn[column] * np.exp(0.1 * rng.standard_normal(n))).round().clip(1, 600)
    drawn["operative_min"] = np.nan
    drawn["theatre_min"] = (drawn[TIMES].sum(axis=1) + rng.integers(20, 60, n)).round()
    drawn["case_id"] = [f"INV-{i:07d}" for i in range(n)]
    if surgeons:
        drawn["surgeon"] = [f"S{code:03d}" for code in rng.integers(0, surgeons, n)]
        drawn["surgeon_case_no"] = np.nan
    return drawn


def bookings(n: int) -> lt.Bookings:
    """So many bookings of the demo unit's kind."""
    demo = lt.datasets.load_demo_unit().bookings.sample(n, replace=True, random_state=2).reset_index(drop=True)
    return lt.read_bookings(demo.assign(case_id=[f"INV-B{i:05d}" for i in range(n)], due_by=pd.NaT))


def read_many(size: float, folder: Path) -> str:
    """10^6 cases read."""
    path = folder / "history.csv"
    history(int(1e6 * size)).to_csv(path, index=False)
    return timed(lambda: f"{len(lt.read_cases(path)):,} cases, {path.stat().st_size / 1e6:,.0f} MB of CSV")


def fit_many(size: float, folder: Path) -> str:
    """10^6 cases fitted."""
    cases = lt.read_cases(history(int(1e6 * size)))
    return timed(lambda: f"{lt.TheatreTimeModel().fit(cases).n_cases_:,} cases")


def predict_many(size: float, folder: Path) -> str:
    """10^4 bookings x 4,096 draws, and their slots."""
    booked = bookings(int(1e4 * size))
    model = lt.TheatreTimeModel().fit(history(400))

    def work() -> str:
        prediction = model.predict(booked, draws=4096)
        return f"{len(lt.slots(prediction, overrun_risk=0.2)):,} slots from 4,096 draws each"

    return timed(work)


def plan_many(size: float, folder: Path) -> str:
    """200 sessions planned."""
    n = max(int(200 * size), 8)
    booked = bookings(3 * n)
    pred = lt.TheatreTimeModel().fit(history(400)).predict(booked, draws=1000)
    start = pd.Timestamp("2026-01-05 08:00")
    days = [start + pd.offsets.BDay(i // 4) for i in range(n)]
    known = sorted(set(booked.frame["surgeon"].dropna()))
    surgeons = [known[i % len(known)] for i in range(n)]
    frame = pd.DataFrame({"session_id": [f"S{i:03d}" for i in range(n)], "starts_at": days, "minutes": 480})
    sessions = lt.read_sessions(frame.assign(surgeon=surgeons, room=[f"R{i % 4}" for i in range(n)]))

    def work() -> str:
        plan = lt.plan_lists(pred, booked, sessions, overrun_risk=0.2, time_limit_s=600.0)
        gap = 100 * plan.facts["placement_gap"]
        return f"{plan.facts['placed']} of {len(booked)} cases on {len(plan.lists)} of {n} sessions, gap {gap:.1f} %"

    return timed(work)


def many_surgeons(size: float, folder: Path) -> str:
    """500 surgeons fitted, 20 cases each."""
    surgeons = max(int(500 * size), 5)
    cases = lt.read_cases(history(20 * surgeons, surgeons))
    return timed(lambda: f"{len(lt.TheatreTimeModel().fit(cases).surgeons_)} surgeons, {len(cases):,} cases")


def large_file(size: float, folder: Path) -> str:
    """A file of 500 MB read: few cases, long remarks that are kept out."""
    path = folder / "history.csv"
    table = history(max(int(5e5 * size), 100))
    remark = "a remark of no use here, kept out, and long enough to fill a file; " * 14
    with path.open("w", encoding="utf-8") as file:
        for first in range(0, len(table), 10_000):
            table.iloc[first : first + 10_000].assign(remark=remark).to_csv(file, index=False, header=first == 0)
            if file.tell() > 500e6 * size:
                break
    return timed(lambda: f"{len(lt.read_cases(path)):,} cases, {path.stat().st_size / 1e6:,.1f} MB of CSV")


def too_many_draws(size: float, folder: Path) -> str:
    """10^4 bookings x 10^6 draws: refused."""
    booked = bookings(10_000)
    return refused(lambda: lt.TheatreTimeModel().predict(booked, draws=1_000_000))


def too_many_replicates(size: float, folder: Path) -> str:
    """2 x 10^9 replicates: refused."""
    model = lt.TheatreTimeModel(estimator="m").fit(history(100))
    return refused(lambda: model.conf_int("bootstrap", replicates=2_000_000_000))


def too_large_file(size: float, folder: Path) -> str:
    """A file of 2 TB (a sparse one): refused."""
    path = folder / "history.csv"
    path.write_text("gland_ml,theatre_min\n60,90\n", encoding="utf-8")
    os.truncate(path, 2_000_000_000_000)
    return refused(lambda: lt.read_cases(path))


def timed(work: Callable[[], str]) -> str:
    """What the work says, and how long it took without its preparation."""
    start = time.perf_counter()
    said = work()
    return f"{time.perf_counter() - start:.3f} {said}"


def refused(work: Callable[[], object]) -> str:
    """The refusal, and how long it took."""

    def told() -> str:
        try:
            work()
        except MemoryError as error:
            return f"MemoryError: {error}"
        raise AssertionError("that should not fit")

    return timed(told)


JOBS: dict[str, Job] = {
    job.__name__: job
    for job in (
        *(read_many, fit_many, predict_many, plan_many, many_surgeons, large_file),
        *(too_many_draws, too_many_replicates, too_large_file),
    )
}


def alone(name: str, size: float) -> None:
    """One job in this process; tells seconds, what it did, and peak memory as JSON."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        seconds, _, said = JOBS[name](size, Path(folder)).partition(" ")
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({"seconds": float(seconds), "said": said, "before_mb": before / 1e3, "peak_mb": after / 1e3}))


def measure(name: str, size: float, time_limit_s: float) -> dict[str, str]:
    """One row of the table."""
    command = [sys.executable, __file__, "--alone", name, "--size", str(size)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=time_limit_s)
    except subprocess.TimeoutExpired:
        return {"job": name, "seconds": f"> {time_limit_s:.0f}", "peak_mb": "?", "said": "stopped: out of time"}
    if done.returncode:
        said = (done.stderr.strip().splitlines() or ["?"])[-1]
        return {"job": name, "seconds": "?", "peak_mb": "?", "said": f"exit code {done.returncode}: {said}"}
    told = json.loads(done.stdout.splitlines()[-1])
    return {
        "job": name,
        "seconds": f"{told['seconds']:.2f}",
        "peak_mb": f"{told['peak_mb']:,.0f}",
        "said": told["said"],
    }


def main() -> None:
    """Run the jobs and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path)
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--only", nargs="+", choices=list(JOBS), default=list(JOBS))
    parser.add_argument("--time-limit", type=float, default=3600.0)
    parser.add_argument("--alone", choices=list(JOBS), help=argparse.SUPPRESS)
    parser.add_argument("--size", type=float, default=1.0, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.alone:
        alone(asked.alone, asked.size)
        return
    lines = ["| job | s | peak MB | outcome |", "|---|---|---|---|"]
    print("\n".join(lines), flush=True)
    for name in asked.only:
        row = measure(name, 0.001 if asked.small else 1.0, asked.time_limit)
        what = (JOBS[name].__doc__ or "").strip().rstrip(".")
        lines.append(f"| {what} | {row['seconds']} | {row['peak_mb']} | {row['said']} |")
        print(lines[-1], flush=True)
    if asked.table is not None:
        asked.table.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
