"""How sharp a forecast of the validation's units can be: ``python cpp/bench/attainable.py --sizes 0,15,40,150``.

Judges, as ``python -m lobetime.validation`` does, a forecaster that no program can be: it knows the simulator's law of
units, every curve and every spread, and lacks only what is this unit's own (its levels, its surgeons' levels and
learning rates). Those it finds from the past cases by Gaussian updating on log enucleation, log tissue and log
morcellation, the law linearised about an average unit. Records are exact: not rounded, no slip, no deferred case;
``--blank`` leaves out a share of them. What its ratio to the oracle exceeds 1 by is what the size of the history costs;
what the library's ratio exceeds this one by is what the library loses.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from lobetime.parallel import run
from lobetime.validation.study import BOOKED, DRAWS, OUTCOMES, judge
from lobetime.validation.units import Clock, Surgeon, Unit, draw_cases, next_cases, run_the_clock

Array = npt.NDArray[np.float64]

# The law that `Unit.draw` draws from: log SDs of a unit's levels and of its surgeons', and their learning rates.
UNIT_LOG_SD = (0.20, 0.25, 0.08)  # enucleation, morcellation, tissue
SURGEON_LOG_SD, SURGEON_CORRELATION = 0.12, 0.3
RATES = ((0.87, 0.94), (0.94, 0.99))  # even between these: enucleation, morcellation
PLATEAU = 120.0
REPEATS = 400  # of each past case, for the mean and covariance of its logs
STEP = 0.1  # of a log level, for derivatives
N_UNIT, N_SURGEON = 3, 4


def _log2_moments(low: float, high: float) -> tuple[float, float]:
    x = np.log2(np.linspace(low, high, 100_001))
    return float(x.mean()), float(x.std())


LEARNING = tuple(_log2_moments(*rates) for rates in RATES)


def average(unit: Unit) -> Unit:
    """The unit with everything that is its own at the law's mean; who operates, how experienced, with what, stays."""
    rate_e, rate_m = (2.0**mean for mean, _ in LEARNING)
    surgeons = {
        code: Surgeon(0.0, 0.0, rate_e, rate_m, one.first_case_no, one.share) for code, one in unit.surgeons.items()
    }
    levels = dict.fromkeys(("enucleation", "morcellation", "haemostasis", "room", "tissue"), 1.0)
    return dataclasses.replace(unit, **levels, nodule_shift=0.0, surgeons=surgeons)


def logs(clock: Clock) -> Array:
    """3 x cases x repeats: enucleation, tissue, morcellation."""
    return np.log(np.stack([clock.enucleation_min, clock.tissue_g, clock.morcellation_min]))


def slopes(unit: Unit, cases: pd.DataFrame, repeats: int, seed: int) -> tuple[Clock, Array]:
    """The average unit's clock, and 3 x cases x unknowns: how the logs follow what is the unit's own."""
    base = average(unit)
    clock = run_the_clock(base, cases, repeats, seed)
    at = logs(clock)

    def along(**changed: float) -> Array:
        moved: Array = (logs(run_the_clock(dataclasses.replace(base, **changed), cases, repeats, seed)) - at).mean(2)
        return moved / STEP

    blade, tissue = along(morcellation=math.exp(STEP)), along(tissue=math.exp(STEP))
    codes = list(unit.surgeons)
    out = np.zeros((3, len(cases), N_UNIT + N_SURGEON * len(codes)))
    out[0, :, 0] = 1.0
    out[:, :, 1], out[:, :, 2] = blade, tissue
    log_share = np.log(np.minimum(cases["surgeon_case_no"].to_numpy(float), PLATEAU) / PLATEAU)
    for i, code in enumerate(cases["surgeon"]):
        own = N_UNIT + N_SURGEON * codes.index(code)
        out[0, i, own], out[0, i, own + 2] = 1.0, log_share[i]
        out[:, i, own + 1], out[:, i, own + 3] = blade[:, i], blade[:, i] * log_share[i]
    return clock, out


def law(surgeons: int) -> Array:
    """Covariance of what is a unit's own."""
    spread = np.array([SURGEON_LOG_SD, SURGEON_LOG_SD, LEARNING[0][1], LEARNING[1][1]])
    own = np.diag(spread**2)
    own[0, 1] = own[1, 0] = SURGEON_CORRELATION * SURGEON_LOG_SD**2
    out = np.diag(np.concatenate([np.square(UNIT_LOG_SD), np.tile(spread**2, surgeons)]))
    for s in range(surgeons):
        at = slice(N_UNIT + N_SURGEON * s, N_UNIT + N_SURGEON * (s + 1))
        out[at, at] = own
    return out


def one_unit(number: int, n: int, blank: float) -> dict[str, Any]:
    unit = Unit.draw(number)
    seed = 10_000 * number + n
    past = draw_cases(unit, n, seed)
    booked = next_cases(unit, past, BOOKED, seed)
    random = np.random.default_rng([2031, number, n])
    precision = np.linalg.inv(law(len(unit.surgeons)))
    pull = np.zeros(len(precision))
    if n:
        clock, slope = slopes(unit, past, REPEATS, seed + 1_000_003)
        usual, seen = logs(clock), logs(run_the_clock(unit, past, 1, seed))[:, :, 0]
        for i in range(n):
            kept = np.flatnonzero(random.uniform(size=3) >= blank)
            weight = np.linalg.inv(np.cov(usual[:, i])[np.ix_(kept, kept)])
            precision = precision + slope[kept, i].T @ weight @ slope[kept, i]
            pull += slope[kept, i].T @ weight @ (seen[kept, i] - usual[kept, i].mean(axis=1))
    covariance = np.linalg.inv(precision)
    own = random.multivariate_normal(covariance @ pull, covariance, DRAWS)
    clock, slope = slopes(unit, booked, DRAWS, seed + 2_000_003)
    forecast = clock.enucleation_min * np.exp(slope[0] @ own.T) + clock.morcellation_min * np.exp(slope[2] @ own.T)
    outcomes = run_the_clock(unit, booked, OUTCOMES, seed + 7).both_min
    oracle = run_the_clock(unit, booked, DRAWS, seed + 8).both_min
    return {"n": n, **judge(forecast, outcomes, oracle)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sizes", default="0,15,40,150")
    parser.add_argument("--blank", type=float, default=0.0, help="share of records left out")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    numbers = range(asked.first, asked.first + asked.units)
    work = [(number, int(n), asked.blank) for n in asked.sizes.split(",") for number in numbers]
    rows = pd.DataFrame(run(one_unit, work, asked.processes))
    table = rows.groupby("n").mean()
    table.insert(1, "standard_error", rows.groupby("n")["crps_ratio"].sem())
    print(table.round(4).to_string())


if __name__ == "__main__":
    main()
