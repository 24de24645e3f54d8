"""Cumulative-sum charts, their scores and run lengths against published figures and other programs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta

from lobetime import _core

from .provenance import Check, complete

# ------------------------------------------------------------------------------------------------ tabular CUSUM

MONTGOMERY = "Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd ed. 2003, table 16-8"
VALUES = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
VALUES += [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
UPPER = (2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1)
LOWER = (0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1, 2.3, 0, 0, 0.8, 0)
TABULAR = {
    "up": Check("upper sums", UPPER, MONTGOMERY, "published", 1e-12, "sums of one decimal, in binary", absolute=True),
    "down": Check("lower sums", LOWER, MONTGOMERY, "published", 1e-12, "sums of one decimal, in binary", absolute=True),
}


@pytest.mark.parametrize("side", TABULAR)
def test_tabular_sums(side):
    scores = _core.tabular_scores(VALUES, target=99.0, reference=1.0, up=side == "up")
    sums, signals = _core.cusum(scores, 10.0)
    TABULAR[side].holds(sums)
    assert signals == []


def test_plain_sum_of_the_worked_example():
    scores = _core.tabular_scores(VALUES, target=99.0, reference=0.0, up=True)
    check = Check("sum of x - 99", (1.9,), MONTGOMERY, "published", 1e-12, "sums of one decimal", absolute=True)
    check.holds(sum(scores))


# ------------------------------------------------------------------------------------- scores of risk-adjusted charts

STEINER = (
    "Steiner et al., Biostatistics 2000;1:441, p. 446, logit of the chance -3.68 + 0.077 score, to three digits; more "
    "digits by the same formula"
)
STEINER_CASES = [(0, False), (0, True), (50, False), (50, True)]  # risk score, death
RISK_SCORES = {
    2.0: Check(
        "odds doubled",
        (-0.02430466, 0.66884252, -0.43333831, 0.25980887),
        STEINER,
        "derived",
        6e-9,
        "half of the last of eight decimals",
        absolute=True,
    ),
    0.5: Check(
        "odds halved",
        (0.01237750, -0.68076968, 0.31635452, -0.37679266),
        STEINER,
        "derived",
        6e-9,
        "half of the last of eight decimals",
        absolute=True,
    ),
}
STEINER_PRINTED = {2.0: (-0.024, 0.669, -0.433, 0.26), 0.5: (0.012, -0.681, 0.316, -0.377)}
RIGDON = Check(
    "survivor, odds halved",
    (0.05083,),
    "Rigdon and Fricker, Monitoring the Health of Populations by Tracking Disease Outbreaks 2015: intercept -3.67, "
    "risk score 19",
    "published",
    6e-6,
    "half of the last of five decimals",
    absolute=True,
)


def chance(score, intercept=-3.68):
    return 1.0 / (1.0 + np.exp(-(intercept + 0.077 * score)))


@pytest.mark.parametrize("odds_ratio", RISK_SCORES)
def test_scores_of_the_cardiac_surgery_example(odds_ratio):
    scores, deaths = zip(*STEINER_CASES, strict=True)
    found = _core.risk_adjusted_scores([chance(s) for s in scores], deaths, odds_ratio=odds_ratio)
    RISK_SCORES[odds_ratio].holds(found)
    assert tuple(np.round(found, 3)) == STEINER_PRINTED[odds_ratio]


def test_score_of_the_textbook_example():
    RIGDON.holds(_core.risk_adjusted_scores([chance(19, -3.67)], [False], odds_ratio=0.5))


# ---------------------------------------------------------------------------------------------------- run lengths

EXAMPLES = "as the examples of R package spc (documentation of xcusum.arl) quote the table"
LUCAS = f"Lucas and Crosier, Technometrics 1982;24:199, table 1: two-sided, k = 0.5, h = 4; {EXAMPLES}"
VANCE = f"Vance, J Qual Technol 1986;18:189, table 1: one-sided, k = 0, h = 10; {EXAMPLES}"
LUCAS_MEANS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
LUCAS_FOUND = (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71)
LUCAS_FAST = (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07)
VANCE_MEANS = (-0.25, -0.125, 0.0, 0.125, 0.25, 0.5, 0.75, 1.0)
VANCE_FOUND = (2071.51, 400.28, 124.66, 59.30, 36.71, 20.37, 14.06, 10.75)
TWO_SIDED = [
    Check(f"mean {mean}", (arl,), LUCAS, "published", 0.006, "three digits printed, from a Markov chain", False, at)
    for head_start, column in ((0.0, LUCAS_FOUND), (2.0, LUCAS_FAST))
    for mean, arl in zip(LUCAS_MEANS, column, strict=True)
    for at in ({"mean": mean, "head_start": head_start},)
]
ONE_SIDED = [
    Check(f"k 0, mean {m}", (a,), VANCE, "published", 5e-4, "two decimals of 10.75", False, (0.0, 10.0, m, 0.0))
    for m, a in zip(VANCE_MEANS, VANCE_FOUND, strict=True)
]
BROOK = f"Brook and Evans, Biometrika 1972;59:539, section 4.3: k = 0.5, h = 3; {EXAMPLES}"
WALDMANN = f"Waldmann, Technometrics 1986;28:61, tables 1, 3 and 5: k = 0.5, h = 3; {EXAMPLES}"
SAS = f"SAS/QC 1999 manual: k = 0.25, h = 8, mean 2.5; {EXAMPLES}"
FOUR_DIGITS = "the lattice's error; promised are four digits"
SEVERAL = [
    ("mean 0", 117.59, BROOK, 1e-4, "the error of the paper's own lattice", (0.5, 3.0, 0.0, 0.0)),
    ("mean 1.5", 3.75, BROOK, 1.4e-3, "two decimals", (0.5, 3.0, 1.5, 0.0)),
    ("mean -0.5", 1963.0, WALDMANN, 3e-4, "four digits", (0.5, 3.0, -0.5, 0.0)),
    ("mean 0", 117.4, WALDMANN, 2e-3, "0.2 % below what Brook and Evans print for the same", (0.5, 3.0, 0.0, 0.0)),
    ("mean 0.5", 17.35, WALDMANN, 3e-4, "two decimals", (0.5, 3.0, 0.5, 0.0)),
    ("from 0", 4.1500836225, SAS, 1e-6, FOUR_DIGITS, (0.25, 8.0, 2.5, 0.0)),
    ("from 0.1", 4.1061588131, SAS, 1e-6, FOUR_DIGITS, (0.25, 8.0, 2.5, 0.1)),
]
ONE_SIDED += [
    Check(name, (arl,), source, "published", tolerance, reason, False, at)
    for name, arl, source, tolerance, reason, at in SEVERAL
]
MONTGOMERY_ARL = Check(
    "two-sided, k = 0.5, h = 5",
    (465.0,),
    "textbooks of quality control (two-sided tabular CUSUM, k = 0.5, h = 5: 465); from memory of the trade",
    "common practice",
    2e-3,
    "three digits",
)


def one_sided(reference, limit, mean, head_start):
    return _core.normal_run_length(limit, reference=reference, mean=mean, head_start=head_start)


@pytest.mark.parametrize("check", ONE_SIDED, ids=lambda check: f"{check.source[:6]} {check.name}")
def test_one_sided_run_length(check):
    check.holds(one_sided(*check.settings))


@pytest.mark.parametrize("check", TWO_SIDED, ids=lambda check: f"{check.settings}")
def test_two_sided_run_length(check):
    mean, head_start = check.settings["mean"], check.settings["head_start"]
    up, down = (one_sided(0.5, 4.0, sign * mean, 0.0) for sign in (1, -1))
    up_fast, down_fast = (one_sided(0.5, 4.0, sign * mean, head_start) for sign in (1, -1))
    # Until the first signal of either side (Lucas and Crosier, appendix); without a head start it is Kemp's rule.
    check.holds((up_fast * down + down_fast * up - up * down) / (up + down))


def test_two_sided_run_length_of_the_textbooks():
    MONTGOMERY_ARL.holds(one_sided(0.5, 5.0, 0.0, 0.0) / 2)


BETA = (
    "R package vlad, tests/testthat/test-racusum_beta_arl_int.R (commit dbd32b5), piecewise collocation: risk score 71 "
    "Beta(1, 3), logit -3.6798 + 0.0768 score, limit 4.5"
)
EVENTS = {
    2.0: Check(
        "odds doubled", (4485.203,), BETA, "published", 2e-3, "a lattice of 1,200 points and 200 chances for a law"
    ),
    0.5: Check(
        "odds halved", (5731.772,), BETA, "published", 2e-3, "a lattice of 1,200 points and 200 chances for a law"
    ),
}


@pytest.mark.parametrize("odds_ratio", EVENTS)
def test_run_length_of_a_risk_adjusted_chart(odds_ratio):
    score = 71 * beta.ppf((np.arange(200) + 0.5) / 200, 1, 3)
    chances = 1.0 / (1.0 + np.exp(3.6798 - 0.0768 * score))
    EVENTS[odds_ratio].holds(_core.event_run_length(chances, 4.5, odds_ratio=odds_ratio))


def test_every_check_says_where_it_comes_from():
    checks = [
        *TABULAR.values(),
        *RISK_SCORES.values(),
        RIGDON,
        *ONE_SIDED,
        *TWO_SIDED,
        MONTGOMERY_ARL,
        *EVENTS.values(),
    ]
    assert len(checks) == 43
    assert [check.name for check in checks if complete(check)] == []
