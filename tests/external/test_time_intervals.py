"""Intervals of the time model, reduced to a curve that general-purpose packages can fit, against those packages.

With enucleation alone recorded and every parameter but two held, the model is log minutes = log(0.5 + e_80
(V/80)^e_exponent) + error. scipy then finds the estimate and the profile, and statsmodels, given the residuals and
their derivatives at it as a linear regression, the rules HC0 to HC3.
"""

from __future__ import annotations

from importlib.metadata import version

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.optimize import brentq, least_squares, minimize_scalar

import lobetime as lt
from lobetime import _core

from .provenance import Check

FREE = ("e_80", "e_exponent")
FIXED_MIN = 0.5  # the least that the model allows
Z = 1.959963984540054
STATSMODELS = f"statsmodels {version('statsmodels')}, OLS of the residuals on their derivatives"
SCIPY = f"scipy {version('scipy')}"


def held() -> dict[str, float]:
    scales = {row["name"]: row["scale"] for row in _core.core_parameters()}
    values = {
        one.name: float(np.exp(one.working_mean) if scales[one.name] == "log" else one.working_mean)
        for one in _core.published_prior().parameters
        if one.name not in FREE
    }
    return values | {"e_fixed": FIXED_MIN, "e_learn": 0.0}


@pytest.fixture(scope="module")
def history():
    """Spread grows with the gland, so that the rules differ from the model's own covariance; an invented unit."""
    random = np.random.default_rng(4)
    gland = np.exp(random.normal(np.log(75), 0.5, 120)).clip(25, 300).round()
    minutes = 2 * gland**0.8 * np.exp(0.2 * (gland / 75) ** 0.5 * random.standard_normal(120))
    return pd.DataFrame({"gland_ml": gland, "surgeon_case_no": 500 + np.arange(120), "enucleation_min": minutes})


@pytest.fixture(scope="module")
def model(history):
    return lt.TheatreTimeModel(loss="squares", prior=None, fixed=held()).fit(history)


class Curve:
    """log e_80 and e_exponent, by scipy."""

    def __init__(self, history: pd.DataFrame) -> None:
        self.log_minutes = np.log(history["enucleation_min"].to_numpy())
        self.log_gland = np.log(history["gland_ml"].to_numpy() / 80)
        options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15}
        self.at = least_squares(self.residuals, [4.0, 1.0], lambda b: -self.jacobian(b), method="lm", **options).x

    def residuals(self, b):
        return self.log_minutes - np.log(FIXED_MIN + np.exp(b[0] + b[1] * self.log_gland))

    def jacobian(self, b):
        power = np.exp(b[0] + b[1] * self.log_gland)
        share = power / (FIXED_MIN + power)
        return np.column_stack([share, share * self.log_gland])

    def least_sum(self, which: int, value: float) -> float:
        """Least sum of squares with one of the two held."""

        def total(other):
            b = np.array([value, other] if which == 0 else [other, value])
            return (self.residuals(b) ** 2).sum()

        other = self.at[1 - which]
        return minimize_scalar(total, bracket=(other - 0.01, other + 0.01), tol=1e-12).fun


@pytest.fixture(scope="module")
def curve(history):
    return Curve(history)


def working(model, table):
    """Estimate and ends on the scale where intervals are symmetric: log e_80, e_exponent."""
    ends = table.loc[list(FREE), ["estimate", "lower", "upper"]].astype(float)
    ends.loc["e_80"] = np.log(ends.loc["e_80"])
    return ends


def test_estimate(model, curve):
    Check(
        "log e_80 and e_exponent by least squares",
        tuple(curve.at),
        f"{SCIPY} least_squares, lm",
        "run",
        1e-9,
        "both end with a gradient of rounding size",
    ).holds(working(model, model.conf_int())["estimate"])


@pytest.mark.parametrize("rule", ["HC0", "HC1", "HC2", "HC3"])
def test_rules(model, curve, rule):
    reference = sm.OLS(curve.residuals(curve.at), curve.jacobian(curve.at)).fit()
    ends = working(model, model.conf_int(hc=rule))
    Check(
        f"standard errors by {rule}",
        tuple(np.asarray(getattr(reference, f"{rule}_se"))),
        STATSMODELS,
        "run",
        1e-7,
        "the estimates agree to 1e-9, and a standard error moves by its relative size",
    ).holds((ends["upper"] - ends["lower"]) / (2 * Z))


def test_the_models_own_covariance(model, curve):
    """With the spread that the model states in place of the residuals' own."""
    spread = model.scale_.loc["enucleation", "spread"]
    reference = sm.OLS(curve.residuals(curve.at), curve.jacobian(curve.at)).fit()
    ends = working(model, model.conf_int(hc="model"))
    Check(
        "standard errors, the spread given",
        tuple(reference.bse * spread / np.sqrt(reference.scale)),
        STATSMODELS,
        "run",
        1e-7,
        "as for the rules",
    ).holds((ends["upper"] - ends["lower"]) / (2 * Z))


@pytest.mark.parametrize("which", [0, 1])
def test_profile(model, curve, which):
    """Its deviance is in units of the sandwich's variance (HC2) over the curvature's, so the spread cancels."""
    reference = sm.OLS(curve.residuals(curve.at), curve.jacobian(curve.at)).fit()
    unit = (np.asarray(reference.HC2_se)[which] / reference.bse[which]) ** 2 * reference.scale
    least = (curve.residuals(curve.at) ** 2).sum()
    reach = 4 * np.asarray(reference.HC2_se)[which]

    def beyond(value):
        return (curve.least_sum(which, value) - least) / unit - Z**2

    at = curve.at[which]
    expected = brentq(beyond, at - reach, at, xtol=1e-13), brentq(beyond, at, at + reach, xtol=1e-13)
    found = working(model, model.conf_int("profile")).iloc[which]
    Check(
        f"95 % profile limits of {FREE[which]}",
        expected,
        f"{SCIPY} brentq over minimize_scalar",
        "run",
        1e-6,
        "the profile's ends are found to a few 1e-7 of a standard error",
    ).holds(found[["lower", "upper"]])


def test_bootstrap(model, curve):
    """Percentiles of refits by scipy, cases drawn by numpy's own generator."""
    random = np.random.default_rng(11)
    n = len(curve.log_minutes)
    draws = np.empty((2000, 2))
    for one in draws:
        rows = random.integers(0, n, n)
        one[:] = least_squares(
            lambda b, rows=rows: curve.residuals(b)[rows],
            curve.at,
            lambda b, rows=rows: -curve.jacobian(b)[rows],
            method="lm",
        ).x
    table = model.conf_int("bootstrap", kind="percentile", replicates=4000, seed=2)
    found = working(model, table)[["lower", "upper"]]
    se = draws.std(axis=0)
    # A 2.5 % quantile of 2,000 replicates has a standard error of 0.06 of theirs, one of 4,000 of 0.04.
    expected = np.quantile(draws, [0.025, 0.975], axis=0).T
    assert (np.abs(found.to_numpy() - expected) < 0.25 * se[:, None]).all()
