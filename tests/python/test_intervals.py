"""Intervals of the time model on the demo unit, held to their formulas and to refits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import lobetime as lt
from lobetime import quantities as q

SETTLED = ["yield_g_80", "e_80", "rate_50", "room_min"]  # positive parameters that the cases decide


def prior_scatter(model):
    """Prior precision, p x p; of levels times exp(2 log_se^2), for the spread between them is estimated."""
    scatter = np.array(model.fit_.prior_precision)
    names = np.array(model.fit_.names)
    for group, row in model.groups_.iterrows():
        at = np.flatnonzero(np.char.startswith(names, f"{group}["))
        scatter[at, at] *= np.exp(2 * row["log_se"] ** 2)
    return scatter


@pytest.fixture(scope="module")
def parts(model, cases):
    """Scores by case, inverse curvature, scatter of the priors' pulls."""
    fit = model.fit_
    scores = fit.case_scores(cases.table, loss=model.fitted_.loss, tuning=model.fitted_.tuning, threads=1)
    return scores, np.linalg.inv(fit.curvature), prior_scatter(model)


def half_widths(table, names):
    ends = np.log(table.loc[names, ["lower", "upper"]].astype(float))
    return (ends["upper"] - ends["lower"]).to_numpy() / 2


def test_hc0_is_curvature_scores_curvature(model, parts):
    scores, inverse, prior = parts
    covariance = inverse @ (scores.T @ scores + prior) @ inverse
    at = [model.fit_.names.index(name) for name in SETTLED]
    expected = stats.norm.ppf(0.975) * np.sqrt(np.diag(covariance))[at]
    np.testing.assert_allclose(half_widths(model.conf_int(hc="HC0"), SETTLED), expected, rtol=1e-6)


def test_the_default_draws_few_scores_to_what_the_curvature_expects(model):
    """n / (n + 20) of HC2 and the rest of the inverse curvature's own, whatever the prior adds to both."""
    at = [model.fit_.names.index(name) for name in SETTLED]
    expected = stats.norm.ppf(0.975) * np.sqrt(np.diag(model.fitted_.covariance))[at]
    np.testing.assert_allclose(half_widths(model.conf_int(), SETTLED), expected, rtol=1e-6)
    own, hc2, curved = (half_widths(model.conf_int(hc=hc), SETTLED) for hc in (None, "HC2", "model"))
    between = (own**2 - hc2**2) / (curved**2 - hc2**2)
    # Of 420 cases 0.045; expected scores have psi' floored at 0, and levels' priors scatter by more than they weigh.
    assert ((between > 0.0) & (between < 0.3)).all(), between


def test_clusters_sum_the_scores_of_a_surgeon(model, cases, parts):
    scores, inverse, prior = parts
    of_surgeon = pd.DataFrame(scores).groupby(cases.frame["surgeon"].to_numpy(str)).sum().to_numpy()
    count, n = len(of_surgeon), len(scores)
    leverage = model.fit_.case_leverage(
        cases.table, loss=model.fitted_.loss, tuning=model.fitted_.tuning, threads=1
    ).sum()
    factor = count / (count - 1) * (n - 1) / (n - leverage)
    covariance = inverse @ (factor * of_surgeon.T @ of_surgeon + prior) @ inverse
    at = [model.fit_.names.index(name) for name in SETTLED]
    expected = stats.t.ppf(0.975, count - 1) * np.sqrt(np.diag(covariance))[at]
    with pytest.warns(lt.IntervalWarning, match="surgeons are few"):
        found = model.conf_int(cluster="surgeon")
    np.testing.assert_allclose(half_widths(found, SETTLED), expected, rtol=1e-6)


def test_a_function_is_as_sure_as_its_parameters(model):
    """The delta method is exact for a ratio of parameters that are symmetric in ratios."""
    ratio = q.function("ratio", lambda p: p["rate_50"] / p["yield_g_80"], scale="log")
    found = model.conf_int(functions=[ratio, q.parameter("e_80")])
    covariance = model.covariance()
    slopes = pd.Series(0.0, covariance.index)
    slopes["rate_50"], slopes["yield_g_80"] = 1.0, -1.0
    expected = stats.norm.ppf(0.975) * np.sqrt(slopes @ covariance @ slopes)
    assert half_widths(found, ["ratio"])[0] == pytest.approx(expected, rel=1e-6)
    assert found.loc["e_80"].equals(model.conf_int().loc["e_80"])


@pytest.fixture(scope="module")
def drained():
    unit = lt.datasets.simulate_unit(400, seed=6).drop(columns="canister_swaps").assign(canister_ml=np.inf)
    with pytest.warns(lt.DataWarning, match="tissue_heavier_than_gland"):
        cases = lt.read_cases(unit)
    return lt.TheatreTimeModel().fit(cases), cases


@pytest.mark.parametrize("name", ["rate_50", "e_exponent", "yield_g_80"])
def test_the_profile_ends_where_the_objective_has_risen(drained, name):
    """A fit with the parameter held at an end, spreads held, costs z^2 / 2 more, in units of the sandwich's variance.

    Without canisters, blank tissue and rounding, because their shares of a spread follow from the parameters: the
    profile holds them, a refit does not.
    """
    model, cases = drained
    table = model.conf_int("profile", functions=[q.parameter(name)])
    spreads = model.scale_["spread"].tolist()
    groups = model.groups_["log_sd"].tolist()
    least = model._fit_core(cases, held_spreads=spreads, held_groups=groups).cost
    at = model.fit_.names.index(name)
    unit = model.covariance().loc[name, name] / np.linalg.inv(model.fit_.curvature)[at, at]
    for end in ("lower", "upper"):
        form = lt.TheatreTimeModel(fixed={name: table.loc[name, end]})
        held = form._fit_core(cases, held_spreads=spreads, held_groups=groups)
        working = np.log(table.loc[name, end]) if model.params_.loc[name, "scale"] == "log" else table.loc[name, end]
        # What is held has no prior in the fit, and the others theirs given it; its own is left.
        own_prior = 0.5 * (working - model.fit_.prior_mean[at]) ** 2 / np.linalg.inv(model.fit_.prior_precision)[at, at]
        assert 2 * (held.cost + own_prior - least) / unit == pytest.approx(stats.chi2.ppf(0.95, 1), rel=0.02), end


def test_one_surgeon_is_no_set_of_clusters():
    unit = lt.datasets.simulate_unit(60, seed=9)
    with pytest.warns(lt.DataWarning):
        cases = lt.read_cases(unit.assign(surgeon="A"))
    with pytest.raises(lt.InvalidArgument, match="at least two are needed"):
        lt.TheatreTimeModel().fit(cases).conf_int(cluster="surgeon")


@pytest.mark.parametrize("case_no", [1, 10, 60])
def test_minutes_above_the_plateau_are_the_difference_of_two_cases(model, case_no):
    e = model.params_["estimate"]
    minutes = (e["e_fixed"] + e["e_80"] * (120 / 80) ** e["e_exponent"]) * e["e_learn"]
    minutes /= 1 + (case_no - 1) / e["e_half"]
    asked = {
        "above": q.minutes_above_plateau("enucleation", 120, case_no),
        "here": q.enucleation_min(120, surgeon_case_no=case_no),
        "there": q.enucleation_min(120),
        "blade": q.minutes_above_plateau("morcellation", 120, case_no, device_class="oscillating/vacuum"),
        "first": q.morcellation_min(120, device_class="oscillating/vacuum", surgeon_case_no=case_no),
        "last": q.morcellation_min(120, device_class="oscillating/vacuum"),
    }
    found = model.conf_int(functions=asked)
    assert found["estimate"]["above"] == pytest.approx(minutes)
    assert found["estimate"]["above"] == pytest.approx(found["estimate"]["here"] - found["estimate"]["there"])
    assert found["estimate"]["blade"] == pytest.approx(found["estimate"]["first"] - found["estimate"]["last"])
    assert found["lower"]["above"] < minutes < found["upper"]["above"]
    # The same derivatives by another road: a callable of the parameters on the natural scale.
    own = model.conf_int(
        functions={
            "own": lambda p: (
                (p["e_fixed"] + p["e_80"] * 1.5 ** p["e_exponent"]) * p["e_learn"] / (1 + (case_no - 1) / p["e_half"])
            )
        }
    )
    assert found.loc["above", ["lower", "upper"]].to_list() == pytest.approx(
        own.loc["own", ["lower", "upper"]].to_list(), rel=1e-4
    )


def test_minutes_above_the_plateau_of_a_named_surgeon_and_a_canister(model):
    code = model.surgeons_.index[0]
    named = q.minutes_above_plateau(
        "morcellation", 150, 5, surgeon=code, canister_ml=2000, device_class="oscillating/vacuum"
    )
    plain = q.minutes_above_plateau("morcellation", 150, 5, device_class="oscillating/vacuum")
    found = model.conf_int(functions=[named, plain])["estimate"]
    assert found.iloc[0] > found.iloc[1] * model.surgeons_["morcellation"][code]  # more blade time fills more canisters
    assert named.name.startswith("minutes_above_plateau[morcellation, 150 mL, 2000 mL canister")


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: q.minutes_above_plateau("room", 80, 1), "phase must be"),
        (lambda: q.minutes_above_plateau("enucleation", 80, 1, canister_ml=2000), "no device class and no canister"),
        (lambda: q.minutes_above_plateau("enucleation", 80, 0), "surgeon_case_no must be 1 or more"),
    ],
)
def test_minutes_above_the_plateau_that_cannot_be(ask, said):
    with pytest.raises(lt.InvalidArgument, match=said):
        ask()
