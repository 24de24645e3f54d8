"""One predictor's promise against the truth, unit by unit."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..baselines import BASELINES
from ..calibration import recorded_total
from ..cases import read_bookings, read_cases
from ..model import TheatreTimeModel
from ..parallel import run
from ..scores import expected_crps
from .units import Unit, draw_cases, next_cases, run_the_clock, write_down

Array = npt.NDArray[np.float64]

BOOKED = 200
OUTCOMES = 2000
DRAWS = 2048
BOTH, THEATRE = "enucleation and morcellation", "theatre"
_ORACLE_SEED, _OTHER_ORACLE_SEED = 7, 8


def judge(sample: Array, outcomes: Array, oracle: Array) -> dict[str, float]:
    """A forecast (cases x m) against many outcomes of each case and against the law they come from.

    Chances are averaged over outcomes, so no luck of a single draw is in them. ``crps_ratio`` compares mean CRPS with
    that of the oracle, a sample of the true law as large as the forecast's and independent of the outcomes.
    """
    tails = np.quantile(sample, [0.025, 0.05, 0.1, 0.25, 0.75, 0.8, 0.9, 0.95, 0.975], axis=1)

    def inside(low: int, high: int) -> float:
        return float(((outcomes >= tails[low][:, None]) & (outcomes <= tails[high][:, None])).mean())

    return {
        "crps_ratio": float(expected_crps(sample, outcomes).mean() / expected_crps(oracle, outcomes).mean()),
        "cover_50": inside(3, 4),
        "cover_80": inside(2, 6),
        "cover_90": inside(1, 7),
        "cover_95": inside(0, 8),
        "overrun_20": float((outcomes > tails[5][:, None]).mean()),
    }


def one_unit(number: int, n: int, baselines: bool = True) -> list[dict[str, Any]]:
    """All predictors on one unit with n past cases: a row for each predictor and total."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        unit = Unit.draw(number)
        seed = 10_000 * number + n
        past = draw_cases(unit, n, seed)
        booked = next_cases(unit, past, BOOKED, seed)
        outcomes = run_the_clock(unit, booked, OUTCOMES, seed + _ORACLE_SEED)
        oracle = run_the_clock(unit, booked, DRAWS, seed + _OTHER_ORACLE_SEED)
        model = TheatreTimeModel(threads=1)
        bookings = read_bookings(booked)
        cases = read_cases(write_down(unit, past, seed)) if n else None
        if cases is not None:
            model.fit(cases)
        draws = model.predict(bookings, draws=DRAWS).draws
        samples = {BOTH: {"lobetime": draws[:, :, [0, 2]].sum(axis=2)}, THEATRE: {"lobetime": draws.sum(axis=2)}}
        if cases is not None and baselines:
            for total, found in samples.items():
                minutes = recorded_total(cases.frame, total)  # type: ignore[arg-type]
                usable = np.flatnonzero(np.isfinite(minutes))
                for name, fit in BASELINES.items():
                    found[name] = fit(cases.frame.iloc[usable], minutes[usable], bookings.frame)
    truth = {BOTH: (outcomes.both_min, oracle.both_min), THEATRE: (outcomes.theatre_min, oracle.theatre_min)}
    return [
        {"unit": number, "n": n, "total": total, "predictor": name, **judge(sample, *truth[total])}
        for total, found in samples.items()
        for name, sample in found.items()
    ]


@dataclass(frozen=True)
class Study:
    """``rows``: one a unit, number of past cases, total and predictor; see :func:`judge` for the columns."""

    rows: pd.DataFrame

    def table(self, total: str = BOTH) -> pd.DataFrame:
        """Means over units, and how far units differ in what they would overrun."""
        rows = self.rows[self.rows["total"] == total]
        order = ["lobetime", *BASELINES]
        grouped = rows.groupby(["n", "predictor"])
        means = grouped[["crps_ratio", "cover_50", "cover_80", "cover_90", "cover_95", "overrun_20"]].mean()
        means["overrun_20_sd"] = grouped["overrun_20"].std()
        means["units"] = grouped.size()
        return means.reindex([(n, p) for n in sorted(rows["n"].unique()) for p in order if (n, p) in means.index])


def study(
    units: int, sizes: Iterable[int], *, first: int = 0, baselines: bool = True, n_jobs: int | None = None
) -> Iterator[Study]:
    """The study so far, after each number of past cases; the units are numbered from ``first`` on.

    ``n_jobs`` units at a time, as in scikit-learn; inside :func:`lobetime.on_cluster` on its workers.
    """
    rows: list[dict[str, Any]] = []
    for n in sizes:
        for found in run(one_unit, [(number, n, baselines) for number in range(first, first + units)], n_jobs):
            rows.extend(found)
        yield Study(pd.DataFrame(rows))
