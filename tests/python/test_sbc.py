"""Simulation-based calibration of the whole chain (Talts and others, 2018, arXiv 1804.06788).

A unit's truth is drawn from the published prior, its cases are simulated, the model is fitted to them and predicts. If
prior, fit, intervals and prediction agree with each other, the rank of what is true among the draws is uniform: of
every parameter, of what the parameters add up to, and of the times of a case that is still to come. The simulator is a
second implementation of the formulas, in numpy.

Bands: the 99.9 % band of Kolmogorov and Smirnov about the uniform distribution, for each quantity by itself. Some forty
are looked at for each number of cases; seeds are fixed.
"""

from __future__ import annotations

import os
import warnings
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import ndtr

import lobetime as lt
from lobetime import _core
from lobetime.cases import KNOWN_AT_BOOKING
from lobetime.datasets import draw_truth, simulate_unit
from lobetime.scores import pit

UNITS = 200
DRAWS = 999
GLANDS_ML = (40.0, 80.0, 160.0)
CORE = [one.name for one in _core.published_prior().parameters]
LOGGED = {row["name"] for row in _core.core_parameters() if row["scale"] == "log"}


def curves(at) -> dict[str, np.ndarray]:
    """Medians of an experienced average surgeon, reciprocating blade, vacuum, a canister that is never full."""
    out = {}
    for gland in GLANDS_ML:
        tissue = at["yield_g_80"] * (gland / 80) ** at["yield_exponent"]
        rate = at["rate_50"] * (tissue / 50) ** at["rate_exponent"]
        out[f"enucleation at {gland:g} mL"] = at["e_fixed"] + at["e_80"] * (gland / 80) ** at["e_exponent"]
        out[f"morcellation at {gland:g} mL"] = at["m_fixed"] + tissue / rate
    return out


def ranks(job: tuple[int, int]) -> dict[str, float] | None:
    """Ranks of unit ``seed``'s truth; None for a unit that the reader refuses."""
    n_cases, seed = job
    random = np.random.default_rng([seed, 5])
    truth = draw_truth(seed)
    frame = simulate_unit(n_cases + 1, seed=seed, truth=truth)
    history, coming = frame.iloc[:n_cases], frame.iloc[n_cases:]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            model = lt.TheatreTimeModel(threads=1).fit(history)
        except lt.InvalidData:  # the prior's far tails hold units with a hundred swaps a case
            return None
        booked = coming[[name for name in KNOWN_AT_BOOKING if name in coming]]
        minutes = model.predict(booked, draws=DRAWS, seed=seed).draws[0]
    fitted = model.fitted_
    known = truth.parameters()
    out = {}
    names = list(fitted.names)
    for name in CORE:
        at = names.index(name)
        working = np.log(known[name]) if name in LOGGED else known[name]
        out[name] = float(ndtr((working - fitted.theta[at]) / np.sqrt(fitted.covariance[at, at])))
    theta = random.multivariate_normal(fitted.theta, fitted.covariance, size=DRAWS, method="eigh").T
    drawn = {name: np.exp(theta[i]) if name in LOGGED else theta[i] for i, name in enumerate(names) if name in CORE}
    found = curves(drawn)
    out |= {name: float(pit(found[name], value)) for name, value in curves(known).items()}
    for code, surgeon in truth.surgeons.items():
        for part, level in (("enucleation", surgeon.u), ("morcellation", surgeon.v), ("learning", surgeon.learning)):
            label = f"surgeon_{part}[{code}]"
            if label in names and f"surgeon_{part}" not in out:  # one surgeon a unit: independent ranks
                at = names.index(label)
                spread = np.sqrt(fitted.covariance[at, at])
                out[f"surgeon_{part}"] = float(ndtr((level - fitted.theta[at]) / spread))
    for j, phase in enumerate(("enucleation_min", "haemostasis_min", "morcellation_min")):
        out[f"next {phase}"] = float(pit(minutes[:, j], coming[phase].iloc[0]))
    out["next theatre_min"] = float(pit(minutes.sum(axis=1), coming["theatre_min"].iloc[0]))
    return out


@pytest.fixture(scope="module", params=[40, 300])
def furthest(request):
    """Largest distance of each quantity's ranks from the uniform distribution, and the band it should keep to."""
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("forkserver")) as pool:
        rows = list(pool.map(ranks, [(request.param, seed) for seed in range(UNITS + UNITS // 10)], chunksize=4))
    found = pd.DataFrame([row for row in rows if row is not None][:UNITS])
    assert len(found) == UNITS
    distance = found.apply(lambda one: stats.kstest(one.dropna(), "uniform").statistic)
    tails = {"mean": found.mean(), "below 5 %": (found < 0.05).mean(), "above 95 %": (found > 0.95).mean()}
    band = stats.kstwo.ppf(0.999, UNITS)
    print(f"\nn = {request.param}, {UNITS} units; band {band:.3f}")
    print(pd.DataFrame({"furthest": distance} | tails).round(3).to_string())
    return distance, band


@pytest.mark.slow
def test_ranks_of_the_truth_are_uniform(furthest):
    distance, band = furthest
    outside = distance[distance > band]
    assert outside.empty, f"beyond {band:.3f}: {outside.round(3).to_dict()}"
