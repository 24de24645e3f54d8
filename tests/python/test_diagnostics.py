"""Diagnostics: numbers held to independent ones, pictures to what a reader needs."""

from __future__ import annotations

import itertools
import subprocess
import sys
import textwrap
import warnings
from types import SimpleNamespace

import matplotlib
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from sklearn.exceptions import NotFittedError

import lobetime as lt
from lobetime import diagnostics as dg
from lobetime import quantities

UNIT = lt.datasets.load_demo_unit()
PLACE = {case_id: k for k, case_id in enumerate(UNIT.history["case_id"])}


@pytest.fixture(scope="module")
def found(model, cases):
    return model.diagnostics(cases)


@pytest.fixture
def pyplot():
    from matplotlib import pyplot

    with matplotlib.rc_context({"backend": "agg"}):
        pyplot.switch_backend("agg")
        yield pyplot
        pyplot.close("all")


# --- frames of the time model ------------------------------------------------------------------------------------


def test_one_row_a_case_one_column_a_channel(model, cases, found):
    assert found.channels == ["tissue", "enucleation", "haemostasis", "morcellation", "room", "operative", "theatre"]
    for frame in (found.weights, found.standardised):
        assert list(frame.columns) == ["row", "case_id", "gland_ml", "surgeon", *found.channels]
        assert list(frame["case_id"]) == list(cases.frame["case_id"])
    seen = model.weights_[model.weights_["kind"] == "residual"]
    assert len(found.observations) == len(seen) == found.weights[found.channels].notna().to_numpy().sum()
    for row in seen.sample(50, random_state=1).itertuples():
        assert found.weights.at[row.case_index, row.channel] == row.weight
        assert found.standardised.at[row.case_index, row.channel] == row.standardised


def test_mistyped_cases_have_no_weight(found):
    for case_id in UNIT.spoilt["hours_for_minutes"]:
        assert found.cases["least_weight"][PLACE[case_id]] == 0.0
        assert abs(found.cases["largest_residual"][PLACE[case_id]]) > 5
    assert (found.observations["weight"] < 0.5).mean() < 0.03  # some 6 of 420 cases are spoilt, and 4 were long


def test_recorded_fitted_and_spread_give_the_residual(found):
    alone = found.observations[found.observations["channel"].isin(["tissue", "enucleation"])]
    again = np.log(alone["recorded"] / alone["fitted"]) / alone["spread"]
    np.testing.assert_allclose(alone["standardised"], again, rtol=0, atol=1e-9)


def test_leverage_adds_up_to_the_parameters_that_the_cases_decide(model, found):
    fit = model.fit_
    assert (found.cases["leverage"] > 0).all()
    # The leverages refer to the reweighted curvature, which for bisquare is within some per cent of the exact one.
    decided = len(fit.theta) - np.trace(np.linalg.solve(fit.curvature, fit.prior_precision))
    assert found.cases["leverage"].sum() == pytest.approx(decided, rel=0.05)


def test_influence_is_what_leaving_a_case_out_does(model, cases, found):
    """Against refits without the case, spreads held: the first order leaves out a share of about the leverage."""
    se = np.sqrt(np.diag(model.fitted_.covariance))
    spreads = model.scale_["spread"].tolist()
    free = ~np.isin(model.fit_.names, model.fit_.on_bound)
    for out in found.most_influential(5).index:
        rest = np.delete(np.arange(len(cases)), out)
        frame = cases.frame.iloc[rest]
        # Case numbers are kept as they were counted, surgeons and devices keep their order of first sight.
        kept = lt.Cases(frame, cases.table.take(rest), cases.warnings)
        without = model._fit_core(kept, held_spreads=spreads)
        assert without.names == model.fit_.names
        exact = ((model.fit_.theta - without.theta) / se)[free]
        first_order = found.influence.loc[out].to_numpy()[free]
        assert np.abs(exact).max() > 0.1
        assert np.corrcoef(exact, first_order)[0, 1] > 0.9
        largest = np.abs(exact).argmax()
        assert first_order[largest] / exact[largest] == pytest.approx(1.0, abs=0.5)


def test_influence_on_outputs_is_in_their_unit(model, cases, found):
    estimate = model.params_["estimate"]
    assert list(found.outputs.index) == ["enucleation at 80 mL, min", "morcellation at 80 mL, min"]
    assert found.outputs.iloc[0] == pytest.approx(estimate["e_fixed"] + estimate["e_80"], rel=1e-12)
    truth = UNIT.truth.parameters()
    grams = truth["yield_g_80"]
    minutes = truth["m_fixed"] + grams / (truth["rate_50"] * (grams / 50) ** truth["rate_exponent"])
    assert found.outputs.iloc[1] == pytest.approx(minutes, rel=0.25)  # of an average surgeon, five of whom are known
    wanted = {"log e_80": lambda p: np.log(p["e_80"]), "plateau": lt.quantities.cases_to_plateau("enucleation")}
    alone = model.diagnostics(cases, functions=wanted)
    assert alone.outputs["plateau"] == model.conf_int(functions=wanted).loc["plateau", "estimate"]
    se = np.sqrt(model.covariance().at["e_80", "e_80"])
    np.testing.assert_allclose(alone.output_influence["log e_80"], found.influence["e_80"] * se, rtol=1e-5, atol=1e-12)


def test_default_outputs_are_the_engines_medians():
    """Every case is the one that the outputs speak of: its fitted medians are the outputs' values."""
    noise = np.exp(0.2 * stats.norm.ppf((np.arange(60) + 0.5) / 60))
    frame = pd.DataFrame(
        {
            "gland_ml": 80.0,
            "blade": "reciprocating",
            "suction": "vacuum",
            "canister_ml": np.inf,
            "enucleation_min": 60.0 * noise,
            "morcellation_min": 15.0 * noise[::-1],
        }
    )
    with pytest.warns(lt.DataWarning, match="constant_gland"):
        cases = lt.read_cases(frame)
    found = lt.TheatreTimeModel().fit(cases).diagnostics(cases)
    for channel, value in zip(["enucleation", "morcellation"], found.outputs, strict=True):
        fitted = found.observations.loc[found.observations["channel"] == channel, "fitted"]
        np.testing.assert_allclose(fitted, value, rtol=1e-12)


def test_swaps_that_follow_from_the_tissue():
    """They leave no spread of the fluid, near whose bound the cost's digits end before its gradient does."""
    frame = lt.datasets.load_demo_unit().history.drop(columns="operative_min").iloc[:200]
    follows = ((1500 + 75 * frame["tissue_g"]) // frame["canister_ml"]).where(np.isfinite(frame["canister_ml"]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        cases = lt.read_cases(frame.assign(canister_swaps=follows))
    model = lt.TheatreTimeModel().fit(cases)
    assert np.isfinite(model.diagnostics(cases).influence.to_numpy()).all()
    beginner = quantities.enucleation_min(80, surgeon=model.surgeons_.index[0], surgeon_case_no=1)
    assert model.conf_int("profile", functions=[beginner]).iloc[0]["reason"] == ""


def test_most_influential(found):
    table = found.most_influential()
    assert len(table) == 10
    assert table["cook_distance"].is_monotonic_decreasing
    assert table["cook_distance"].iloc[0] == found.cases["cook_distance"].max()
    for case, row in table.iterrows():
        moved = found.influence.loc[case]
        assert row["parameter"] == moved.abs().idxmax() and row["moved_se"] == moved[row["parameter"]]
    assert {"case_id", "gland_ml", "surgeon", "leverage", *found.outputs.index} <= set(table.columns)


def test_refused(model, cases, found, tmp_path):
    with pytest.raises(lt.InvalidArgument, match="not the cases that the model was fitted to"):
        one_time = int(np.flatnonzero(np.isfinite(cases.table.enucleation_min))[7])
        model.diagnostics(lt.Cases(cases.frame, _typed_over(cases, "enucleation_min", one_time), cases.warnings))
    with pytest.raises(lt.InvalidArgument, match="not the cases that the model was fitted to"):
        model.diagnostics(lt.Cases(cases.frame, _typed_over(cases, "gland_ml", slice(20)), cases.warnings))
    with pytest.raises(lt.InvalidArgument, match="420 cases, not 419"):
        rest = np.arange(1, len(cases))
        model.diagnostics(lt.Cases(cases.frame.iloc[rest], cases.table.take(rest), cases.warnings))
    with pytest.raises(lt.InvalidArgument, match="against must be one of gland_ml, surgeon_case_no, fitted, not 'age'"):
        found.trend("age")
    with pytest.raises(lt.InvalidArgument, match="channel must be one of tissue, enucleation"):
        found.quantiles_display("turnover")
    with pytest.raises(lt.InvalidArgument, match="labels must be one of case_index, row, case_id, gland_ml, surgeon"):
        found.influence_display(labels="name")
    model.save(tmp_path / "unit.json")
    with pytest.raises(lt.InvalidArgument, match="a model file does not hold"):
        lt.load_model(tmp_path / "unit.json").diagnostics(cases)
    with pytest.raises(NotFittedError):
        lt.TheatreTimeModel().diagnostics(cases)


def _typed_over(cases, column, places):
    """The same cases with numbers of a column typed over."""
    columns = {
        name: getattr(cases.table, name) for name in dir(cases.table) if not name.startswith("_") and name != "take"
    }
    numbers = columns[column].copy()
    numbers[places] *= 1.2
    return lt._core.CaseTable(**{**columns, column: numbers})


# --- numbers from arrays ------------------------------------------------------------------------------------------


def fitted_regression(results, exog, weights, scale, covariance):
    return SimpleNamespace(
        params_=pd.DataFrame({"estimate": results.params}, index=[f"b{k}" for k in range(exog.shape[1])]),
        scale_=scale,
        weights_=weights,
        residuals_=results.resid,
        fitted_values_=results.fittedvalues,
        jacobian_=exog,
        covariance_=covariance,
    )


@pytest.fixture(scope="module")
def stackloss():
    data = sm.datasets.stackloss.load_pandas()
    return data.endog.to_numpy(), sm.add_constant(data.exog.to_numpy()), data.exog


def test_least_squares_agrees_with_statsmodels(stackloss):
    y, exog, predictors = stackloss
    results = sm.OLS(y, exog).fit()
    found = lt.diagnose_regression(
        fitted_regression(results, exog, np.ones(len(y)), np.sqrt(results.mse_resid), results.cov_params()),
        predictors,
        functions={"at mean": lambda p: float(np.dot(list(p.values()), exog.mean(axis=0)))},
    )
    known = results.get_influence()
    h = known.hat_matrix_diag
    np.testing.assert_allclose(found.cases["leverage"], h, rtol=1e-9)
    np.testing.assert_allclose(found.cases["cook_distance"] / (1 - h) ** 2, known.cooks_distance[0], rtol=1e-9)
    # dfbetas are in standard errors without the case: back to those with all.
    sigma_without = np.sqrt(known.sigma2_not_obsi)
    dfbeta = known.dfbetas * sigma_without[:, None] / np.sqrt(results.mse_resid)
    np.testing.assert_allclose(found.influence.to_numpy() / (1 - h)[:, None], dfbeta, rtol=1e-8)
    # The mean of the fitted values is the mean of y, to which a row adds its residual over n.
    np.testing.assert_allclose(found.output_influence["at mean"], results.resid / len(y), rtol=1e-6, atol=1e-12)
    np.testing.assert_array_equal(found.standardised["response"], results.resid / np.sqrt(results.mse_resid))
    assert list(found.predictors) == [*predictors.columns, "fitted"]


def test_robust_regression_shares_everything(stackloss, pyplot):
    y, exog, predictors = stackloss
    with pytest.warns(lt.RegressionWarning, match="another minimum fits almost as well"):
        regression = lt.RobustRegression(lambda x, theta: x @ theta).fit(exog, y, np.zeros(4))
    found = lt.diagnose_regression(regression, predictors, functions={"b1 + b2": lambda p: p["b1"] + p["b2"]})
    # Weights of R's lmrob (MM, bisquare, 95 %): observation 4 0.121523794, 21 exactly 0. Its M-scale's constant is
    # rounded to five digits, which moves scale and coefficients in the sixth and this weight in the fourth.
    np.testing.assert_allclose(found.weights["response"].nsmallest(2), [0.0, 0.121523794], atol=5e-5)
    assert list(found.weights["response"].nsmallest(2).index) == [20, 3]
    np.testing.assert_allclose(found.cases["leverage"], regression.leverage_, rtol=1e-9, atol=1e-14)
    np.testing.assert_allclose(found.output_influence["b1 + b2"], _moved(regression, found) @ [1, 1, 0, 0], rtol=1e-6)
    assert len(found.trend_tests()) == 4 and len(found.error_laws()) == 3
    page = found.display().plot()
    assert len(page.axes_) == 7
    assert lt.CAUTION[:20] not in words_of(page.figure_)  # nothing of theatre time in it
    with pytest.raises(lt.InvalidArgument, match="expected 21 rows"):
        lt.diagnose_regression(regression, predictors[:-1])


def _moved(regression, found):
    return found.influence.to_numpy() * np.sqrt(np.diag(regression.covariance_))


def test_influence_in_a_curve_is_what_leaving_a_row_out_does():
    """Nonlinear, robust, against refits with the scale held; the first order leaves out about the leverage's share."""
    random = np.random.default_rng(11)
    x = np.linspace(0.05, 1.2, 60)
    y = 200 * x / (0.1 + x) + 8 * random.standard_normal(60)
    y[7] += 90

    def mean(x, theta):
        return theta[0] * x / (theta[1] + x)

    whole = lt.RobustRegression(mean).fit(x, y, {"top": 180.0, "half": 0.2})
    moved = _moved(whole, lt.diagnose_regression(whole))
    held = {"estimator": "m", "scale_method": "fixed", "scale": whole.scale_}
    exact = []
    for out in range(60):
        rest = np.delete(np.arange(60), out)
        without = lt.RobustRegression(mean, **held).fit(x[rest], y[rest], dict(whole.params_["estimate"]))
        exact.append(whole.params_["estimate"] - without.params_["estimate"])
    exact = np.array(exact)
    size = np.abs(exact).max(axis=0)
    # Leverages go up to 0.2; the reweighted curvature is some per cent above the exact one.
    assert (np.abs(moved - exact) < 0.25 * size).all()
    assert np.corrcoef(moved[:, 0], exact[:, 0])[0, 1] > 0.98
    assert np.abs(moved[7]).max() < 1e-9 and np.abs(exact[7]).max() < 1e-6


def test_trend_is_found_where_it_is_and_seldom_where_not():
    random = np.random.default_rng(5)
    rejected = {"level": 0, "spread": 0}
    for _ in range(400):
        x, u = random.lognormal(4.3, 0.5, 150), random.standard_normal(150)
        test = dg.trend_test(x, u, 8)
        rejected["level"] += test["level_p"] < 0.05
        rejected["spread"] += test["spread_p"] < 0.05
    # 5 % of 400 is 20; 99.9 % of binomial counts lie within 8 to 36.
    assert all(8 <= count <= 36 for count in rejected.values()), rejected
    z = np.log(x)
    bent = dg.trend_test(x, u + 2.0 * (z - z.mean()) ** 2, 8)
    assert bent["level_p"] < 1e-3
    assert dg.trend_test(x, u * np.exp(z - z.mean()), 8)["spread_p"] < 1e-3


def test_trend_bins():
    x = np.repeat([10.0, 20.0, 30.0, 40.0], 25)
    u = np.where(x == 30.0, 1.0, 0.0) + np.tile(np.linspace(-1, 1, 25), 4)
    w = np.ones(100)
    u[3], w[3] = 1e6, 0.0  # weight 0: not seen
    bins = dg.trend_bins(x, u, w, 4)
    assert list(bins["x_median"]) == [10.0, 20.0, 30.0, 40.0] and list(bins["n"]) == [25] * 4
    np.testing.assert_allclose(bins["mean"][1:], [0.0, 1.0, 0.0], atol=1e-12)
    assert abs(bins["mean"][0]) < 0.1
    half = 1.959964 * np.linspace(-1, 1, 25).std(ddof=1) / 5  # of a plain mean
    np.testing.assert_allclose(bins["upper"][1:] - bins["mean"][1:], half, rtol=1e-6)
    assert len(dg.trend_bins(x[:5], u[:5], w[:5], 8)) == 1
    assert np.isnan(dg.trend_test(x[:5], u[:5], 8)["level_p"])
    assert dg.trend_bins(x[:0], u[:0], w[:0], 8).empty


def test_octile_skewness():
    random = np.random.default_rng(6)
    normal = [dg.octile_skewness(random.standard_normal(400)) for _ in range(3000)]
    # 3,000 replicates give the standard deviation within 1.3 %; the asymptotic formula holds within 1 or 2 at n = 400.
    assert np.std(normal) * np.sqrt(400) == pytest.approx(1.073, rel=0.05)
    assert dg.octile_skewness(np.exp(random.standard_normal(4000))) > 0.3
    spoilt = np.concatenate([random.standard_normal(4000), np.full(300, 1e9)])
    assert abs(dg.octile_skewness(spoilt)) < 0.2


@pytest.mark.parametrize("law", ["lognormal", "normal", "normal, SD proportional to fitted"])
def test_the_law_that_made_the_times_has_the_best_score(law):
    random = np.random.default_rng(7)
    fitted = random.lognormal(4.0, 0.5, 1500)
    z = random.standard_normal(1500)
    minutes = {
        "lognormal": fitted * np.exp(0.3 * z),
        "normal": fitted + 8.0 * z,
        "normal, SD proportional to fitted": fitted * (1 + 0.25 * z),
    }[law]
    kept = minutes > 1
    table = dg.error_laws(minutes[kept], fitted[kept], np.ones(kept.sum()))
    assert table["log_score"].idxmax() == law
    if law != "lognormal":
        gain = table.loc[law]
        assert gain["log_score_difference"] > 3 * gain["log_score_difference_se"]
    else:
        assert abs(table["octile_skewness"][law]) < 3 * table["octile_skewness_se"][law]


def test_log_scores_are_those_of_the_named_densities():
    random = np.random.default_rng(8)
    fitted = random.lognormal(4.0, 0.5, 400)
    minutes = fitted * np.exp(0.25 * random.standard_normal(400))
    table = dg.error_laws(minutes, fitted, np.full(400, 0.25))
    for law, residual in (("lognormal", np.log(minutes / fitted)), ("normal", minutes - fitted)):
        middle = np.median(residual)
        spread = lt._core.robust_scale((residual - middle).tolist(), "reweighted")
        density = (  # of log minutes
            stats.lognorm.pdf(minutes, spread, scale=fitted * np.exp(middle))
            if law == "lognormal"
            else stats.norm.pdf(minutes, fitted + middle, spread)
        ) * minutes
        expected = np.log((1 - 1e-4) * density + 1e-4 / np.log(1440)).mean()
        assert table["log_score"][law] == pytest.approx(expected, rel=1e-9)
    # One time typed in hours costs 12 at most.
    spoilt = minutes.copy()
    spoilt[0] /= 60
    worse = dg.error_laws(spoilt, fitted, np.full(400, 0.25))["log_score"]["lognormal"]
    assert 0 < table["log_score"]["lognormal"] - worse < 13 / 400


def test_quantiles_of_normal_samples_stay_in_their_envelope():
    random = np.random.default_rng(9)
    inside = []
    for _ in range(300):
        points = dg.quantile_points({"u": random.standard_normal(80)})
        inside.append(((points["u"] > points["lower"]) & (points["u"] < points["upper"])).mean())
    # Order statistics of one sample move together: a sample's share has an SD of about 0.1, the mean of 300 of 0.006.
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02)
    exact = stats.norm.ppf(stats.uniform.rvs(size=(20_000, 80), random_state=1)).copy()
    exact.sort(axis=1)
    np.testing.assert_allclose(points["expected"], exact.mean(axis=0), atol=0.02)


def test_demo_unit_was_made_lognormal(found):
    """Enucleation of the demo unit: lognormal by construction; the normal laws must not look as good."""
    laws = found.error_laws().loc["enucleation"]
    assert laws["log_score"].idxmax() == "lognormal"
    assert laws["log_score_difference"]["normal"] < -3 * laws["log_score_difference_se"]["normal"]
    assert found.error_laws()["left_out"].max() <= 2  # remainders at or below 0 after hours for minutes


# --- pictures -----------------------------------------------------------------------------------------------------


def words_of(figure):
    from matplotlib.text import Text

    return " ".join(text.get_text() for text in figure.findobj(Text)).replace("\n", " ")


def overlapping_words(figure):
    """Pairs of texts whose boxes overlap: tick labels, axis labels, titles, caution, legends of the figure."""
    from matplotlib.text import Text

    figure.draw_without_rendering()
    hidden = set()  # tick labels beyond the axes are kept but not drawn
    for axis in (axis for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)):
        low, high = sorted(axis.get_view_interval())
        for tick in axis.get_major_ticks():
            if not low <= tick.get_loc() <= high:
                hidden |= {tick.label1, tick.label2}
    seen = []
    for text in figure.findobj(Text):
        box = text.get_window_extent()
        if text not in hidden and text.get_visible() and text.get_text().strip():
            seen.append((text, box.padded(-1.0)))
    inside = {text for axes in figure.axes if axes.get_legend() for text in axes.get_legend().get_texts()}
    return [
        (a.get_text(), b.get_text())
        for (a, box), (b, other) in itertools.combinations(seen, 2)
        if a not in inside and b not in inside and box.overlaps(other)
    ]


DISPLAYS = {
    "residuals against gland": lambda d: d.residuals_display("gland_ml", "enucleation"),
    "residuals against case number": lambda d: d.residuals_display("surgeon_case_no", "haemostasis"),
    "residuals against fitted": lambda d: d.residuals_display("fitted", "tissue"),
    "quantiles": lambda d: d.quantiles_display("room"),
    "weights": lambda d: d.weights_display(),
    "leverage": lambda d: d.leverage_display(),
    "influence": lambda d: d.influence_display(),
}


@pytest.mark.parametrize("name", DISPLAYS)
def test_a_display_draws_its_numbers_with_the_caution(found, pyplot, name):
    display = DISPLAYS[name](found)
    assert display.plot() is display
    assert display.ax_.figure is display.figure_
    assert " ".join(lt.CAUTION.split()) in " ".join(words_of(display.figure_).split())
    assert display.ax_.get_xlabel() and (display.ax_.get_ylabel() or name == "weights")
    assert overlapping_words(display.figure_) == []
    for case_id in found.cases["case_id"].iloc[:20]:
        assert case_id not in words_of(display.figure_)


@pytest.mark.parametrize("name", DISPLAYS)
def test_a_display_draws_into_the_axes_it_is_given(found, pyplot, name):
    figure, ax = pyplot.subplots()
    display = DISPLAYS[name](found).plot(ax)
    assert display.ax_ is ax and display.figure_ is figure
    assert len(pyplot.get_fignums()) == 1


def test_units_are_said(found, pyplot):
    assert found.residuals_display("fitted", "tissue").plot().ax_.get_xlabel() == "fitted (g)"
    assert found.residuals_display("fitted", "room").plot().ax_.get_xlabel() == "fitted (min)"
    assert found.residuals_display("gland_ml").plot().ax_.get_xlabel() == "gland volume (mL)"


def test_weight_is_said_by_the_marker_too(found, pyplot):
    collections = found.weights_display().plot().ax_.collections
    markers = {tuple(map(tuple, c.get_paths()[0].vertices.round(3))) for c in collections if len(c.get_offsets())}
    assert len(markers) == 3


def test_case_ids_are_shown_when_asked_for(found, pyplot):
    display = found.influence_display(3, labels="case_id").plot()
    shown = [label.get_text() for label in display.ax_.get_yticklabels()]
    assert shown == list(found.most_influential(3)["case_id"])


def test_one_page(found, pyplot):
    page = found.display("morcellation").plot()
    assert len(page.axes_) == len(page.panels) == 6
    assert overlapping_words(page.figure_) == []
    assert " ".join(lt.CAUTION.split()) in " ".join(words_of(page.figure_).split())
    own = pyplot.figure(figsize=(12, 8))
    assert found.display("room").plot(own).figure_ is own


def test_a_unit_with_little(pyplot):
    """No surgeon, no case number, four cases, one time: everything that has no answer says so."""
    frame = pd.DataFrame({"gland_ml": [40.0, 60, 80, 120], "enucleation_min": [40.0, 50, 55, 90]})
    found = lt.TheatreTimeModel().fit(frame).diagnostics(frame)
    assert list(found.weights.columns) == ["row", "gland_ml", "enucleation"]
    assert list(found.predictors) == ["gland_ml", "fitted"]
    assert found.trend_tests()["level_p"].isna().all()
    page = found.display().plot()
    assert "not tested" in words_of(page.figure_)


def test_matplotlib_is_imported_when_something_is_drawn():
    program = """
    import sys
    import lobetime
    assert "matplotlib" not in sys.modules
    """
    subprocess.run([sys.executable, "-W", "error", "-c", textwrap.dedent(program)], check=True)


def test_text_for_people(found):
    words = str(found)
    assert words.endswith(lt.CAUTION)
    assert "INV-" not in words
    assert f"\n{found.most_influential().index[0]} " in words
