"""Forecast scores, conformal ranks and the power law of learning against published figures and other programs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

import lobetime.scores as scores
from lobetime.validation import power_learning

from .provenance import Check, complete

SCORING = "R package scoringRules, tests/testthat"
FORMULA = "closed form of the log-normal's CRPS, Q J R Meteorol Soc 2015;141:2289, checked by quadrature"
HALF_DIGIT = "half of the last digit given"
RANDOM = np.random.default_rng(11)

CRPS_LOGNORMAL = [
    ((3.0, 0.1, 0.9), Check("y 3", (1.13552645,), f"{SCORING}/test-crps_lnorm.R", "published", 5e-9, HALF_DIGIT, True)),
    *(
        ((y, math.log(60.0), 0.4), Check(f"y {y:g}", (value,), FORMULA, "derived", 1e-11, "twelve decimals given"))
        for y, value in ((30.0, 20.875028247154), (60.0, 5.728913436872), (90.0, 17.622778559457))
    ),
    ((150.0, math.log(60.0), 0.6), Check("y 150", (60.970166544953,), FORMULA, "derived", 1e-12, "digits given")),
    ((1.0, 0.0, 1.0), Check("standard", (0.267405467023,), FORMULA, "derived", 5e-12, "digits given")),
    ((10.0, 2.0, 0.25), Check("narrow", (1.613462677813,), FORMULA, "derived", 1e-12, "digits given")),
]


@pytest.mark.parametrize(("forecast", "check"), CRPS_LOGNORMAL, ids=lambda x: getattr(x, "name", ""))
def test_crps_of_the_lognormal(forecast, check):
    check.holds(scores.crps_lognormal(*forecast))


def quantile_sample(law, m=20_001):
    return law.ppf((np.arange(m) + 0.5) / m)


SAMPLE = [40.0, 55.0, 60.0, 75.0, 120.0]
CLOSED = "arithmetic on five numbers"
OF_SAMPLE = {
    False: Check("as they are", (7.6,), "sum over pairs, by hand", "derived", 1e-12, CLOSED),
    True: Check("fair", (4.0,), "sum over pairs, by hand", "derived", 1e-12, CLOSED),
}


@pytest.mark.parametrize("fair", OF_SAMPLE)
def test_crps_of_a_sample(fair):
    OF_SAMPLE[fair].holds(scores.crps(SAMPLE, 70.0, fair=fair))


PACKAGED = [
    (stats.norm(), -3.0, Check("normal", (2.43657473,), SCORING, "published", 5e-4, "sample of 20,001 quantiles")),
    (stats.expon(scale=1 / 0.7), 3.0, Check("exponential", (1.20701837,), SCORING, "published", 5e-4, "likewise")),
    (stats.t(5), -3.0, Check("t with 5 degrees", (2.33875895,), SCORING, "published", 5e-4, "likewise")),
    (stats.logistic(), -3.0, Check("logistic", (2.0971747,), SCORING, "published", 5e-4, "likewise")),
]


@pytest.mark.parametrize(("law", "observed", "check"), PACKAGED, ids=lambda x: getattr(x, "name", ""))
def test_crps_of_many_draws(law, observed, check):
    check.holds(scores.crps(quantile_sample(law), observed))


def test_expected_crps_is_the_mean_over_outcomes():
    draws, outcomes = RANDOM.gamma(4.0, 15.0, (3, 40)), RANDOM.gamma(5.0, 12.0, (3, 70))
    slow = [np.mean([scores.crps(x, y) for y in ys]) for x, ys in zip(draws, outcomes, strict=True)]
    np.testing.assert_allclose(scores.expected_crps(draws, outcomes), slow, rtol=1e-12)


QUANTILES = f"{SCORING}/test-scores_quantiles.R"
PINBALL = [
    ((1.0, 0.0, 0.1), Check("above", (0.1,), QUANTILES, "published", 1e-12, "one decimal")),
    ((-1.0, 0.0, 0.1), Check("below", (0.9,), QUANTILES, "published", 1e-12, "one decimal")),
]


@pytest.mark.parametrize(("case", "check"), PINBALL, ids=lambda x: getattr(x, "name", ""))
def test_pinball(case, check):
    check.holds(scores.pinball(*case))


LIMITS = (31.074983656, 115.848813948)
INTERVALS = [
    ((1.0, -1.0, 1.0, 0.8), Check("inside", (2.0,), QUANTILES, "published", 1e-12, "integer")),
    ((2.0, -1.0, 1.0, 0.8), Check("outside at 80 %", (12.0,), QUANTILES, "published", 1e-12, "integer")),
    ((2.0, -1.0, 1.0, 0.5), Check("outside at 50 %", (6.0,), QUANTILES, "published", 1e-12, "integer")),
    *(
        ((y, *LIMITS, 0.9), Check(f"y {y:g}", (value,), "formula of the score", "derived", 1e-10, "digits of limits"))
        for y, value in ((25.0, 206.273503411), (60.0, 84.773830292), (150.0, 767.797551329))
    ),
]


@pytest.mark.parametrize(("case", "check"), INTERVALS, ids=lambda x: getattr(x, "name", ""))
def test_interval_score(case, check):
    check.holds(scores.interval_score(*case))


PLACES = Check(
    "PIT at 30, 60, 90",
    (0.041559570870, 0.5, 0.844628152697),
    "log-normal distribution function, median 60, log SD 0.4",
    "derived",
    3e-5,
    "sample of 20,001 quantiles: half a step is 2.5e-5",
    absolute=True,
)


def test_places_of_outcomes():
    draws = quantile_sample(stats.lognorm(0.4, scale=60.0))
    PLACES.holds([scores.pit(draws, y) for y in (30.0, 60.0, 90.0)])


CONFORMAL = "Lei et al., J Am Stat Assoc 2018;113:1094: k = ceil((n + 1)(1 - a)); arithmetic"
RANKS = {(99, 0.9): 90, (100, 0.9): 91, (19, 0.95): 19, (9, 0.9): 9, (8, 0.9): None}
TRAINED = "quantiles of Beta(k, n + 1 - k)"
BANDS = {
    19: Check("n 19", (0.773626, 0.980967), TRAINED, "derived", 5e-7, HALF_DIGIT, True),
    99: Check("n 99", (0.846725, 0.944168), TRAINED, "derived", 5e-7, HALF_DIGIT, True),
    500: Check("n 500", (0.877321, 0.921261), TRAINED, "derived", 5e-7, HALF_DIGIT, True),
    1000: Check("n 1000", (0.884075, 0.915215), TRAINED, "derived", 5e-7, HALF_DIGIT, True),
}


@pytest.mark.parametrize(("n", "probability"), RANKS)
def test_conformal_ranks(n, probability):
    assert scores.conformal_rank(n, probability) == RANKS[n, probability], CONFORMAL


@pytest.mark.parametrize("n", BANDS)
def test_coverage_of_one_calibration_set(n):
    BANDS[n].holds(scores.conformal_band(n, 0.9))


CRAWFORD = "unit learning curve at 80 %: n^log2(0.8)"
FACTORS = Check(
    "80 % unit factors, n = 2 to 10, 20, 50, 100",
    (0.8, 0.702104, 0.64, 0.595637, 0.561683, 0.534490, 0.512, 0.492950, 0.476510, 0.381208, 0.283827, 0.227062),
    CRAWFORD,
    "derived",
    6e-7,
    "half of the last of six decimals",
    absolute=True,
)
CUMULATIVE = Check(
    "80 % cumulative sums, n = 2 to 10, 20, 50, 100",
    (
        *(1.8, 2.502104, 3.142104, 3.737741, 4.299424, 4.833914, 5.345914, 5.838863, 6.315373),
        *(10.484943, 20.121714, 32.650811),
    ),
    CRAWFORD,
    "derived",
    6e-7,
    "half of the last of six decimals",
    absolute=True,
)
UNITS = [2, 3, 4, 5, 6, 7, 8, 9, 10, 20, 50, 100]
VIGNETTE = "R package learningCurve, vignette page"
UNIT_125 = Check(
    "unit 125 from 100 at 80 to 90 %",
    (21.13225, 26.18401, 32.23647, 39.44942, 48.00243),
    VIGNETTE,
    "published",
    5e-6,
    HALF_DIGIT,
    absolute=True,
)


def test_power_law_of_learning():
    FACTORS.holds(power_learning(UNITS, 0.8))
    sums = np.cumsum(power_learning(np.arange(1, 101), 0.8))
    CUMULATIVE.holds(sums[np.array(UNITS) - 1])
    UNIT_125.holds([100.0 * power_learning(125, rate) for rate in (0.8, 0.825, 0.85, 0.875, 0.9)])


CHECKS = [
    *(c for _, c in CRPS_LOGNORMAL),
    *OF_SAMPLE.values(),
    *(c for *_, c in PACKAGED),
    *(c for _, c in PINBALL),
    *(c for _, c in INTERVALS),
    PLACES,
    *BANDS.values(),
    FACTORS,
    CUMULATIVE,
    UNIT_125,
]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_every_check_says_where_it_comes_from(check):
    assert complete(check) == []
