"""What wrong records do to the curves of the time model: the M-estimate against MM.

    python cpp/bench/contamination.py TABLE.md [--units 60] [--cases 500] [--jobs 2]

Each unit is another one: parameters and surgeons drawn from the published prior. Two kinds of wrong records:

"any gland"     a share of all cases has all times three to eight times too long;
"large glands"  the same, but all of them among the third of cases with the largest glands, where they pull the slope.

Written, in percent and for each share: bias and root mean square error of the median minutes of enucleation and of
morcellation (reciprocating blade, vacuum, 2 L canister, an average surgeon on the plateau) at 40, 80 and 160 mL, bias
of the spreads, fits that failed, and the processor time of a fit on one thread. Every estimator sees the same cases.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import lobetime as lt
from lobetime.datasets import Mess, UnitTruth, draw_truth, noise_free, simulate_unit

GLANDS_ML = (40.0, 80.0, 160.0)
CURVES = {"enucleation_min": "enucleation", "morcellation_min": "morcellation"}
ESTIMATORS: dict[str, dict[str, Any]] = {
    "M (Huber start)": {"estimator": "m"},
    "MM": {"estimator": "mm"},
}
SHARES = {"any gland": (0.0, 0.05, 0.10, 0.20, 0.30, 0.40), "large glands": (0.05, 0.10, 0.15, 0.20)}
LARGEST = 1.0 / 3.0
FACTOR = (3.0, 8.0)
MINUTES_OF_A_DAY = 1440  # more is refused at the door


@dataclass(frozen=True)
class Job:
    kind: str
    share: float
    seed: int
    cases: int


def spoilt_unit(job: Job, truth: UnitTruth) -> pd.DataFrame:
    everywhere = job.share if job.kind == "any gland" else 0.0
    frame = simulate_unit(
        job.cases, seed=job.seed, truth=truth, mess=Mess(outlier_fraction=everywhere, outlier_factor=FACTOR)
    )
    times = [name for name in frame if name.endswith("_min") and name != "turnover_min"]
    if job.kind == "large glands":
        random = np.random.default_rng([job.seed, 74])
        largest = frame["gland_ml"].to_numpy().argsort()[-round(LARGEST * job.cases) :]
        rows = random.permutation(largest)[: round(job.share * job.cases)]
        factor = np.exp(random.uniform(*np.log(FACTOR), size=rows.size))
        frame.loc[frame.index[rows], times] = frame.loc[frame.index[rows], times].to_numpy() * factor[:, None]
    frame[times] = frame[times].where(frame[times] <= MINUTES_OF_A_DAY)
    return frame[frame[times].notna().any(axis=1)]


def minutes(parameters: UnitTruth) -> dict[str, float]:
    cases = pd.DataFrame({"gland_ml": GLANDS_ML, "blade": "reciprocating", "suction": "vacuum", "canister_ml": 2000.0})
    table = noise_free(cases, parameters)
    return {
        f"{name} {gland:.0f} mL": float(table[column].iloc[row])
        for column, name in CURVES.items()
        for row, gland in enumerate(GLANDS_ML)
    }


def errors_of(job: Job) -> list[dict[str, Any]]:
    """One row an estimator: relative errors, seconds, and whether it failed. None where the reader refuses the unit."""
    truth = draw_truth(job.seed)
    true = minutes(truth)
    known = truth.parameters()
    rows = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        try:
            cases = lt.read_cases(spoilt_unit(job, truth))
        except lt.InvalidData:  # the prior's far tails hold units with a hundred swaps a case
            return []
        for name, settings in ESTIMATORS.items():
            row: dict[str, Any] = {"kind": job.kind, "share": job.share, "estimator": name, "failed": False}
            begun = time.process_time()
            try:
                model = lt.TheatreTimeModel(threads=1, **settings).fit(cases)
            except lt.NotConverged:
                rows.append(row | {"failed": True})
                continue
            row["seconds"] = time.process_time() - begun
            estimate: Mapping[str, float] = {k: v for k, v in model.params_["estimate"].items() if k in known}
            found = minutes(UnitTruth(**estimate, devices={}))
            row |= {curve: found[curve] / true[curve] - 1.0 for curve in true}
            for channel in CURVES.values():
                row[f"spread of {channel}"] = model.scale_.loc[channel, "spread"] / known[f"{channel}_log_sd"] - 1.0
            rows.append(row)
    return rows


def table_of(rows: pd.DataFrame) -> str:
    columns = [name for name in rows if name.endswith(" mL")]
    spreads = [name for name in rows if name.startswith("spread of")]
    head = ["records", "wrong", "estimator", *columns, *spreads, "failed", "ms a fit"]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for (kind, share, estimator), some in rows.groupby(["kind", "share", "estimator"], sort=False):
        cells = [kind, f"{share:.0%}", estimator]
        for name in columns:
            error = 100.0 * some[name].dropna().astype(float)
            cells.append(f"{error.mean():+.1f} ({np.sqrt((error**2).mean()):.1f})")
        cells += [f"{100.0 * some[name].mean():+.1f}" for name in spreads]
        cells += [f"{int(some['failed'].sum())} of {len(some)}", f"{1e3 * some['seconds'].median():.1f}"]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", type=Path)
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--jobs", type=int, default=2)
    settings = parser.parse_args()
    jobs = [
        Job(kind, share, seed, settings.cases)
        for kind, shares in SHARES.items()
        for share in shares
        for seed in range(settings.units)
    ]
    with ProcessPoolExecutor(settings.jobs, mp_context=get_context("forkserver")) as pool:
        rows = pd.DataFrame([row for some in pool.map(errors_of, jobs, chunksize=4) for row in some])
    refused = len(jobs) - len(rows) // len(ESTIMATORS)
    settings.table.write_text(
        f"{settings.cases} cases a unit, {settings.units} units drawn from the published prior "
        f"({refused} of {len(jobs)} refused by the reader). Percent: bias (root mean square error); spreads: bias.\n\n"
        + table_of(rows)
        + "\n",
        encoding="utf-8",
    )


if __name__ == "__main__":
    main()
