"""Cases of a trial: simulation against the closed form, against scipy, against the model's own predictions."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import lobetime as lt
from lobetime import _core
from lobetime.calibration import looks_mistyped
from lobetime.devices import power as power_module
from lobetime.devices.power import EfficiencySpread, closed_form_power, closed_form_size, trial_size

SPREAD = EfficiencySpread(4.0, 0.5)
FORM = {"efficiency_g_min": 4.0, "log_sd": 0.5}


@pytest.fixture(scope="module")
def fitted(cases):
    return lt.TheatreTimeModel(estimator="m").fit(cases)


# ------------------------------------------------------------------------------------------ against the closed form


@pytest.mark.parametrize(
    "asked",
    [
        {"difference_g_min": 0.75},
        {"difference_g_min": -0.9},
        {"difference_g_min": 0.1, "design": "noninferiority", "margin_g_min": 0.8},
        {"difference_g_min": 0.75, "alpha": 0.01},
    ],
    ids=["faster", "slower", "not inferior", "strict"],
)
def test_simulated_power_is_the_closed_form_within_its_monte_carlo_error(asked):
    """Sizes share their draws, so a run's errors go together: 4 standard errors at each of six sizes, seed fixed."""
    found = trial_size(SPREAD, simulations=8000, seed=3, **asked)
    sizes = [5, 10, 20, 40, 80, min(160, found.curve.index[-1])]
    rows = found.curve.loc[sizes]
    se = np.sqrt(rows["closed_form"] * (1 - rows["closed_form"]) / 8000)
    assert (abs(rows["power"] - rows["closed_form"]) < 4 * se).all()
    assert found.cases_per_arm is not None
    assert found.lower <= found.closed_form <= found.upper
    assert found.lower <= found.cases_per_arm <= found.upper


def test_without_a_difference_the_test_rejects_at_its_level():
    """Two-sided alpha without a margin; at the margin a non-inferiority trial passes with alpha / 2."""
    source = power_module._SpreadSource(SPREAD)
    asked = {"alpha": 0.05, "simulations": 8000, "seed": 1, "analysis": "two_sample"}
    for difference, margin, level in ((0.0, None, 0.05), (-0.8, 0.8, 0.025)):
        passed = power_module._simulated(source, asked | {"difference_g_min": difference, "margin_g_min": margin}, 60)
        share = passed[[7, 27, 57]] / 8000
        assert (abs(share - level) < 4 * math.sqrt(level * (1 - level) / 8000)).all()


def test_stated_monte_carlo_error_is_the_spread_between_seeds():
    runs = [trial_size(SPREAD, difference_g_min=1.0, simulations=500, seed=seed) for seed in range(40)]
    at_50 = np.array([run.curve.loc[50, "power"] for run in runs])
    stated = np.mean([run.curve.loc[50, "power_se"] for run in runs])
    # A sample SD of 40 lies within 30 % of the true one 99 times in a hundred.
    assert 0.7 * stated < at_50.std(ddof=1) < 1.3 * stated
    inside = [run.lower <= run.closed_form <= run.upper for run in runs]
    assert np.mean(inside) >= 0.8


def test_closed_form_is_the_t_test_of_scipy():
    """Rejections of scipy's own two-sample t test on simulated logs."""
    rng = np.random.default_rng(1)
    n, trials = 25, 20_000
    a = np.log(4.0) + 0.5 * rng.standard_normal((trials, n))
    b = np.log(5.0) + 0.5 * rng.standard_normal((trials, n))
    share = (stats.ttest_ind(a, b, axis=1).pvalue < 0.05).mean()
    expected = closed_form_power(n, difference_g_min=1.0, **FORM)[0]
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / trials)


def test_statistic_is_scipys_and_that_of_least_squares():
    rng = np.random.default_rng(2)
    y, x = rng.normal(3.0, 1.0, (4, 2, 30)), rng.normal(0.0, 0.4, (4, 2, 30))
    y += 0.7 * x
    plain, adjusted = (power_module._t_statistic(y.copy(), one, 0.0) for one in (None, x))
    for trial in range(4):
        for n in (3, 12, 30):
            a, b = y[trial, 0, :n], y[trial, 1, :n]
            column = n - 3
            assert plain[trial, column] == pytest.approx(stats.ttest_ind(b, a).statistic, rel=1e-9)
            design = np.column_stack([np.ones(2 * n), np.repeat([0.0, 1.0], n), x[trial, :, :n].ravel()])
            both = np.concatenate([a, b])
            beta, rss, *_ = np.linalg.lstsq(design, both, rcond=None)
            se = math.sqrt(rss[0] / (2 * n - 3) * np.linalg.inv(design.T @ design)[1, 1])
            assert adjusted[trial, column] == pytest.approx(beta[1] / se, rel=1e-8)


# ---------------------------------------------------------------------------------------------------- closed form


def test_closed_form_of_a_book_example():
    """Normal approximation 2 (1.96 + 0.8416)^2 sd^2 / theta^2, and the t's one case more or so."""
    theta = math.log(1.25)
    normal = 2 * (stats.norm.ppf(0.975) + stats.norm.ppf(0.8)) ** 2 * 0.25 / theta**2
    found = closed_form_size(difference_g_min=1.0, **FORM)
    assert normal <= found <= normal + 3


@settings(max_examples=40, deadline=None)
@given(
    difference=st.floats(0.2, 3.0),
    log_sd=st.floats(0.2, 1.0),
    power=st.floats(0.5, 0.95),
    design=st.sampled_from(["superiority", "noninferiority"]),
)
def test_size_is_the_first_with_the_power(difference, log_sd, power, design):
    asked = {
        "efficiency_g_min": 4.0,
        "log_sd": log_sd,
        "difference_g_min": difference,
        "design": design,
        "margin_g_min": 0.5 if design == "noninferiority" else None,
    }
    n = closed_form_size(power=power, **asked)
    assert closed_form_power(n, **asked)[0] >= power
    if n > 2:
        assert closed_form_power(n - 1, **asked)[0] < power


@settings(max_examples=20, deadline=None)
@given(difference=st.floats(0.3, 2.0), more=st.floats(1.05, 2.0))
def test_a_larger_difference_needs_fewer_cases(difference, more):
    assert closed_form_size(difference_g_min=difference * more, **FORM) <= closed_form_size(
        difference_g_min=difference, **FORM
    )


def test_power_of_very_many_cases_is_one():
    assert closed_form_power([10_000, 1_000_000], difference_g_min=1.0, **FORM) == pytest.approx(1.0)


# ------------------------------------------------------------------------------------------------- from the model


def test_simulated_cases_are_the_models_own(fitted, cases):
    """Minutes of arm A against the core's joint draws of the same cases, which hold the model's own doubt: 4 %."""
    source = power_module._ModelSource.of(fitted, cases, "reciprocating/vacuum", 2000.0, 1)
    minutes, _, _ = source._minutes_and_tissue(np.random.default_rng(1), (200_000,))
    mix = cases.frame[~looks_mistyped(cases.frame)]
    booked = mix[["gland_ml", "surgeon", "surgeon_case_no"]].assign(
        case_id=[f"c{i}" for i in range(len(mix))], blade="reciprocating", suction="vacuum", canister_ml=2000.0
    )
    drawn = fitted.predict(lt.read_bookings(booked), draws=400, conformal=False).draws[:, :, 2]
    levels = [0.1, 0.25, 0.5, 0.75, 0.9]
    np.testing.assert_allclose(np.quantile(minutes, levels), np.quantile(drawn, levels), rtol=0.04)


def test_a_trial_on_the_fitted_model(fitted, cases):
    asked = {"cases": cases, "device_class": "reciprocating/vacuum", "canister_ml": 2000.0, "difference_g_min": 0.75}
    plain = trial_size(fitted, simulations=1000, **asked)
    again = trial_size(fitted, simulations=1000, **asked)
    assert plain.curve.equals(again.curve)
    # Its log efficiencies are not quite normal: near to the closed form with their own SD, not the same.
    assert plain.cases_per_arm == pytest.approx(plain.closed_form, rel=0.12)
    other = trial_size(fitted, simulations=1000, analysis="gland_adjusted", **asked)
    assert other.cases_per_arm <= 1.1 * plain.cases_per_arm
    assert f"fitted to {len(cases)} cases" in plain.origin
    assert "glands and surgeons of 4" in plain.origin
    unfitted = trial_size(lt.TheatreTimeModel(), simulations=400, **asked)
    assert "published prior" in unfitted.origin
    assert unfitted.log_sd > 0


def test_adjusting_for_the_gland_pays_where_it_moves_efficiency(fitted, cases):
    source = power_module._ModelSource.of(fitted, cases, "oscillating/vacuum", 1000.0, 1)
    steep = power_module.replace(source, values=source.values | {"rate_exponent": 0.7})
    asked = {"difference_g_min": 0.6, "alpha": 0.05, "margin_g_min": None, "simulations": 1000, "seed": 1}
    plain, adjusted = (
        power_module._simulated(steep, asked | {"analysis": how}, 60) for how in ("two_sample", "gland_adjusted")
    )
    assert adjusted[-1] > plain[-1]


def test_a_larger_search_continues_the_smaller_one():
    small, large = (power_module._draw(power_module._SpreadSource(SPREAD), 1, 0, 5, size) for size in (130, 420))
    np.testing.assert_array_equal(small[0], large[0][:, :, :130])


def test_outputs_say_their_error_and_carry_the_caution():
    found = trial_size(SPREAD, difference_g_min=1.0, simulations=400)
    assert "Monte-Carlo standard error" in str(found)
    assert str(found).endswith(lt.CAUTION)
    assert found.to_dict()["caution"] == lt.CAUTION
    beyond = trial_size(SPREAD, difference_g_min=0.05, simulations=200, most=50)
    assert beyond.cases_per_arm is None
    assert str(beyond).startswith("more than 50 cases an arm")


# ------------------------------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"difference_g_min": 0.0}, "must not be 0"),
        ({"difference_g_min": -4.0}, "all that arm A does"),
        ({"difference_g_min": 0.5, "design": "noninferiority"}, "needs margin_g_min"),
        ({"difference_g_min": 0.5, "margin_g_min": 0.5}, "is for a non-inferiority trial"),
        ({"difference_g_min": -0.6, "design": "noninferiority", "margin_g_min": 0.5}, "would be inferior"),
        ({"difference_g_min": 0.5, "power": 1.2, "alpha": 0.0}, r"power must.*alpha must"),
        ({"difference_g_min": 0.5, "design": "both"}, "design must be"),
        ({"difference_g_min": 0.5, "analysis": "gland_adjusted", "simulations": 5}, r"needs a model.*200 or more"),
    ],
)
def test_what_is_refused(asked, words):
    with pytest.raises(_core.InvalidArgument, match=words):
        trial_size(SPREAD, **asked)


def test_a_model_needs_cases_and_a_class():
    with pytest.raises(_core.InvalidArgument, match=r"needs cases.*needs device_class"):
        trial_size(lt.TheatreTimeModel(), difference_g_min=0.5)


def test_a_class_that_the_model_does_not_know_is_refused(cases):
    for name, words in (
        ("oscillating", "blade/suction"),
        ("spinning/vacuum", "blade must be"),
        ("oscillating/vacuum:X9", "X9"),
    ):
        with pytest.raises(_core.InvalidArgument, match=words):
            trial_size(lt.TheatreTimeModel(), difference_g_min=0.5, cases=cases, device_class=name)


def test_a_units_own_device_has_its_own_level(cases):
    frame = cases.frame.drop(columns=["device", "operative_min", "theatre_min"])
    of_class = (frame["blade"] == "oscillating") & (frame["suction"] == "vacuum")
    slow = of_class & (np.arange(len(frame)) % 2 == 0)
    frame["device"] = np.where(slow, "X1", np.where(of_class, "X2", ""))
    frame.loc[slow, "morcellation_min"] *= 1.5
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        own = lt.TheatreTimeModel(estimator="m").fit(frame)
    slower, quicker = (
        power_module._ModelSource.of(own, cases, f"oscillating/vacuum:{code}", math.inf, 1) for code in ("X1", "X2")
    )
    assert slower.efficiency_g_min < 0.9 * quicker.efficiency_g_min
    assert "oscillating/vacuum:X1" in slower.origin


def test_a_spread_of_nothing_is_refused():
    with pytest.raises(_core.InvalidArgument, match=r"efficiency_g_min must.*log_sd must"):
        EfficiencySpread(0.0, math.nan)
