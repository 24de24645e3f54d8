"""CensoredRegression against general-purpose packages: rows censored from the right, the left, or to an interval."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

import lobetime as lt

from .provenance import Check, complete

DATA = Path(__file__).parent / "data"
Doubles = npt.NDArray[np.float64]

SURVIVAL = "R 4.2.2 with survival 3.5-3, survreg"
NEWTON = "survreg's Newton steps stop at a relative change of 1e-9 of the likelihood: its parameters have nine digits"
PRINTED = "half of the last of nine decimals"

LUNG = pd.read_csv(DATA / "lung.csv", comment="#")
# Weeks of remission: Miller, Survival Analysis, Wiley 1981; maintained first.
WEEKS = np.array(
    [9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161, 5, 5, 8, 8, 12, 16, 23, 27, 30, 33, 43, 45],
    dtype=float,
)
RELAPSE = np.array([1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1], dtype=bool)
NOT_MAINTAINED = np.repeat([0.0, 1.0], [11, 12])
# Durable goods, age, liquidity ratio (x 1000): Tobin, Econometrica 1958;26:24-36, doi 10.2307/1907382.
TOBIN = np.array(
    [
        (0.0, 57.7, 236.0),
        (0.7, 50.9, 283.0),
        (0.0, 48.5, 207.0),
        (0.0, 41.7, 220.0),
        (0.0, 47.7, 238.0),
        (0.0, 59.8, 216.0),
        (0.0, 44.3, 284.0),
        (3.7, 45.1, 221.0),
        (0.0, 51.7, 275.0),
        (3.0, 50.0, 269.0),
        (10.4, 46.8, 207.0),
        (0.0, 58.0, 249.0),
        (0.0, 58.9, 246.0),
        (0.0, 40.0, 277.0),
        (1.5, 34.1, 231.0),
        (0.0, 39.9, 219.0),
        (0.0, 33.4, 240.0),
        (3.5, 48.1, 266.0),
        (6.1, 46.6, 214.0),
        (0.0, 53.1, 251.0),
    ]
)


def linear(x: Doubles, theta: Doubles) -> Doubles:
    return x @ theta


def fit(design: Doubles, lower: Doubles, upper: Doubles, **options: str) -> lt.CensoredRegression:
    return lt.CensoredRegression(linear, **options).fit(design, lower, upper, np.zeros(design.shape[1]))


def lung(*columns: str) -> lt.CensoredRegression:
    days = LUNG["time"].to_numpy(dtype=float)
    design = np.column_stack([np.ones(days.size), *(LUNG[name].to_numpy(dtype=float) for name in columns)])
    return fit(design, days, np.where(LUNG["death"] == 1, days, np.inf))


def estimates(found: lt.CensoredRegression) -> list[float]:
    return found.params_["estimate"].tolist()


LUNG_ALONE = Check(
    "lung, intercept only: mu, scale, log likelihood",
    (5.66330496221, 1.09763926977, -1169.26905530560),
    SURVIVAL,
    "run",
    2e-9,
    NEWTON,
)
LUNG_ALONE_COVARIANCE = Check(
    "lung, intercept only: variances of mu and log scale, covariance",
    (0.00608336655, 0.00317667337, 0.00083006889),
    SURVIVAL,
    "run",
    1e-8,
    "half of the last of nine digits, eight in the covariance",
)
LUNG_MODEL = Check(
    "lung, age and sex: parameters", (6.4079885485, -0.0233564576, 0.5192536746), SURVIVAL, "run", 5e-9, NEWTON
)
LUNG_MODEL_ERRORS = Check(
    "lung, age and sex: standard errors", (0.5929274039, 0.0083882388, 0.1551522354), SURVIVAL, "run", 1e-8, PRINTED
)
LUNG_MODEL_SCALE = Check(
    "lung, age and sex: scale, log likelihood", (1.05267589, -1158.75014259), SURVIVAL, "run", 5e-9, PRINTED
)
LUNG_QUANTILES = Check(
    "lung, age 60, sex 1: quantiles 0.5, 0.8, 0.9, 0.95",
    (251.100879793, 608.994447996, 967.691371032, 1418.496129589),
    f"{SURVIVAL}, predict",
    "run",
    1e-8,
    NEWTON,
)
LUNG_QUANTILE_ERRORS = Check(
    "lung, age 60, sex 1: standard errors of the quantiles",
    (24.555698974, 69.608817153, 125.633685487, 205.561461028),
    f"{SURVIVAL}, predict",
    "run",
    1e-8,
    NEWTON,
)
AML = Check(
    "remission by group: parameters, log scale",
    (3.578862028706, -0.724473085572, -0.145370418814),
    SURVIVAL,
    "run",
    5e-9,
    NEWTON,
)
TOBIT = Check(
    "durable goods, zero from the left: parameters, log scale",
    (15.1448663322, -0.1290592839, -0.0455416629, 1.7178509224),
    SURVIVAL,
    "run",
    5e-9,
    NEWTON,
)
INTERVALS = Check(
    "six rows, exact, left, right and interval: mu, scale, log likelihood",
    (3.40372950950, 1.03871768524, -13.66272678228),
    SURVIVAL,
    "run",
    2e-9,
    NEWTON,
)


def test_lung_alone():
    assert len(LUNG) == 228 and LUNG["death"].sum() == 165
    found = lung()
    assert found.counts_ == {"exact": 165, "right": 63, "left": 0, "interval": 0}
    LUNG_ALONE.holds([found.params_.loc["b1", "estimate"], found.scale_, found.log_likelihood_])
    covariance = found.covariance_.to_numpy()
    LUNG_ALONE_COVARIANCE.holds([covariance[0, 0], covariance[1, 1], covariance[0, 1]])


def test_lung_by_age_and_sex():
    found = lung("age", "sex")
    LUNG_MODEL.holds(estimates(found)[:3])
    LUNG_MODEL_ERRORS.holds(found.params_["standard_error"].iloc[:3])
    LUNG_MODEL_SCALE.holds([found.scale_, found.log_likelihood_])
    frame = found.quantile(np.array([[1.0, 60.0, 1.0]]), [0.5, 0.8, 0.9, 0.95])
    LUNG_QUANTILES.holds(frame["estimate"])
    LUNG_QUANTILE_ERRORS.holds(frame["standard_error"])


def test_remission_by_group():
    design = np.column_stack([np.ones(23), NOT_MAINTAINED])
    AML.holds(estimates(fit(design, WEEKS, np.where(RELAPSE, WEEKS, np.inf))))


def test_tobin():
    spent = TOBIN[:, 0]
    design = np.column_stack([np.ones(20), TOBIN[:, 1:]])
    found = fit(design, np.where(spent > 0, spent, -np.inf), spent, law="normal")
    assert found.counts_ == {"exact": 7, "right": 0, "left": 13, "interval": 0}
    TOBIT.holds(estimates(found))


def test_intervals():
    lower = np.array([10.0, 0.0, 30.0, 20.0, 45.0, 60.0])
    upper = np.array([10.0, 15.0, np.inf, 35.0, 45.0, np.inf])
    found = fit(np.ones((6, 1)), lower, upper)
    assert found.counts_ == {"exact": 2, "right": 2, "left": 1, "interval": 1}
    INTERVALS.holds([found.params_.loc["b1", "estimate"], found.scale_, found.log_likelihood_])


ALL_CHECKS = [
    LUNG_ALONE,
    LUNG_ALONE_COVARIANCE,
    LUNG_MODEL,
    LUNG_MODEL_ERRORS,
    LUNG_MODEL_SCALE,
    LUNG_QUANTILES,
    LUNG_QUANTILE_ERRORS,
    AML,
    TOBIT,
    INTERVALS,
]


def test_every_check_says_where_it_comes_from():
    assert {check.name: complete(check) for check in ALL_CHECKS if complete(check)} == {}
