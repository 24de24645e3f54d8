"""Comparison of forms: the criterion and the scores held to independent numbers."""

from __future__ import annotations

import dataclasses
import warnings

import matplotlib
import numpy as np
import pandas as pd
import pytest
from scipy import stats

import lobetime as lt
from lobetime import comparison


def read(frame):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.read_cases(frame)


@pytest.fixture(scope="module")
def cases():
    return read(lt.datasets.load_demo_unit().history)


@pytest.fixture(scope="module")
def twins(cases):
    forms = {"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel(threads=1)}
    return lt.compare_forms(forms, cases, folds=3, repeats=2, draws=400)


def test_a_form_is_as_good_as_itself(twins):
    assert (twins.differences()[["difference", "se"]] == 0).all(axis=None)
    assert (twins.differences()["p"] == 1).all()
    assert (twins.criterion["robust_aic_difference"] == 0).all()


@pytest.fixture(scope="module")
def learning():
    """A unit whose surgeons take three times as long at first, without fixed minutes of enucleation."""
    surgeons = lt.datasets.draw_surgeons(4, seed=6)
    truth = dataclasses.replace(lt.datasets.UnitTruth(), e_learn=2.0, e_half=40.0, surgeons=surgeons)
    return read(lt.datasets.simulate_unit(400, seed=6, truth=truth))


@pytest.fixture(scope="module")
def different(learning):
    forms = {
        "full": lt.TheatreTimeModel(),
        "no learning": lt.TheatreTimeModel(fixed={"e_learn": 0.0}),
        "proportional": lt.TheatreTimeModel(fixed={"e_exponent": 1.0}),
        "no learning, proportional": lt.TheatreTimeModel(fixed={"e_learn": 0.0, "e_exponent": 1.0}),
    }
    return lt.compare_forms(forms, learning, folds=3, repeats=2, draws=500)


def test_a_held_parameter_is_one_free_less(different):
    full = different.criterion.loc["full", "free"]
    assert (full - different.criterion["free"]).tolist() == [0, 1, 1, 2]


def test_a_nested_form_never_costs_less(different):
    """To the priors' part, which the cost leaves out and which a form without the parameter does not pay."""
    cost = different.criterion["cost"]
    assert cost["no learning"] > cost["full"] and cost["no learning, proportional"] > cost["proportional"]


def test_the_form_of_the_truth_is_found(different):
    criterion = different.criterion["robust_aic_difference"]
    assert criterion["no learning"] > 10
    table = different.differences().xs(("enucleation", "log_score"), level=("time", "score"))
    assert table.loc["no learning", "upper"] < 0
    assert table.loc["no learning, proportional", "upper"] < 0


def test_forms_that_are_not_nested_are_held_against_each_other(different):
    """Of two forms that each hold another parameter the criterion's difference is that of their rows."""
    own = different.criterion["robust_aic"]
    table = different.differences("no learning").xs(("enucleation", "log_score"), level=("time", "score"))
    assert own["proportional"] < own["no learning"]
    assert table.loc["proportional", "difference"] > 0


def test_every_case_is_left_out_once_a_repeat(twins, cases):
    recorded = {time: cases.frame[f"{time}_min"].notna().sum() for time in ("enucleation", "morcellation", "theatre")}
    counts = twins.parts[twins.parts["form"] == "one"].groupby(["time", "repeat"])["n"].sum()
    for time, count in recorded.items():
        assert counts[time].tolist() == [count, count]
    every = twins.parts[(twins.parts["form"] == "one") & (twins.parts["time"] != "all")].groupby("repeat")["n"].sum()
    assert counts["all"].tolist() == every.tolist()


def test_the_seed_decides_the_parts(twins, cases):
    forms = {"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel()}
    again = lt.compare_forms(forms, cases, folds=3, repeats=2, draws=400)
    pd.testing.assert_frame_equal(again.parts, twins.parts)
    other = lt.compare_forms(forms, cases, folds=3, repeats=1, draws=400, seed=2)
    assert not np.allclose(
        other.scores["log_score"].to_numpy(), twins.scores["log_score"].to_numpy(), rtol=0, atol=1e-6
    )


def test_robust_aic_of_squares_is_the_classical_one():
    """With squares, no priors and times alone, the cost is half the sum of squared standardised residuals."""
    unit = lt.datasets.simulate_unit(300, seed=3)
    columns = ["case_id", "surgeon", "surgeon_case_no", "gland_ml", "enucleation_min"]
    frame = unit[columns]
    form = lt.TheatreTimeModel(loss="squares")
    cases = read(frame)
    table = lt.compare_forms({"a": form, "b": form}, cases, folds=2, repeats=1, draws=200).criterion
    fitted = lt.TheatreTimeModel(loss="squares").fit(cases)
    fit = fitted.fit_
    u = np.asarray(fit.observations()["standardised"])
    # The held spreads are the fit's own to its tolerance of 1e-9 between rounds.
    assert table["cost"]["a"] == pytest.approx(0.5 * (u**2).sum(), rel=1e-7)
    assert table["robust_aic"]["a"] == pytest.approx(2 * table["cost"]["a"] + 2 * table["from_cases"]["a"], rel=1e-12)
    assert table["free"]["a"] == len(fit.names)
    # tr(A^-1 B) = tr(A^-1 (A - P)) in expectation when the law is right: within a few tenths of a parameter or two.
    decided = len(fit.names) - np.trace(np.linalg.solve(fit.curvature, fit.prior_precision))
    assert table["from_cases"]["a"] == pytest.approx(decided, rel=0.25)


def test_log_score_is_the_log_density_of_the_draws():
    log_draws = np.tile(stats.norm.ppf((np.arange(40_000) + 0.5) / 40_000, 4.0, 0.3), (5, 1))
    log_recorded = np.array([3.6, 4.0, 4.3, 4.8, -3.0])
    scores = comparison._log_scores(log_recorded, log_draws, np.zeros(5, bool))
    misrecorded = 1e-4 / np.log(1440)
    # The kernel's 0.9 x 40,000^-0.2 SDs widen the variance by 1.2 %: 0.04 of the log density 2.7 SDs out.
    exact = np.log((1 - 1e-4) * stats.norm.pdf(log_recorded, 4.0, 0.3) + misrecorded)
    np.testing.assert_allclose(scores, exact, atol=0.06)
    bounds = comparison._log_scores(log_recorded, log_draws, np.ones(5, bool))
    longer = np.log((1 - 1e-4) * stats.norm.sf(log_recorded, 4.0, 0.3) + 1e-4)
    np.testing.assert_allclose(bounds, longer, atol=0.06)


def test_unfinished_times_are_lower_bounds():
    """Cutting the recorded morcellation of an unfinished case shorter never makes it less likely."""
    unit = lt.datasets.simulate_unit(120, seed=5)
    model = lt.TheatreTimeModel().fit(read(unit))

    def score(minutes, outcome):
        one = unit.head(1).assign(
            morcellation_min=minutes,
            morcellation_outcome=outcome,
            operative_min=np.nan,
            theatre_min=np.nan,
            haemostasis_min=np.nan,
            enucleation_min=np.nan,
        )
        scores = comparison._scores(model, read(one), 500, 1).set_index("time")
        assert list(scores.index) == ["morcellation", "all"]
        return scores["log_score"]["morcellation"], scores["median_abs_log_error"]["morcellation"]

    short, error = score(0.5, "deferred")
    assert short == pytest.approx(0.0, abs=0.01) and np.isnan(error)
    assert score(0.5, "complete")[0] < -5
    long, _ = score(600.0, "deferred")
    assert long < -5


def test_corrected_standard_error():
    """Nadeau and Bengio: (1/J + n_test/n_train) S^2, by hand for J = 10 and five folds."""
    each = np.arange(10.0)
    mean, se, lower, upper, p = comparison._corrected(each, 0.25, 0.95)
    assert mean == 4.5
    assert se == pytest.approx(np.sqrt((0.1 + 0.25) * 82.5 / 9))
    t = stats.t(9)
    assert upper - mean == pytest.approx(t.ppf(0.975) * se) and mean - lower == pytest.approx(upper - mean)
    assert p == pytest.approx(2 * t.sf(4.5 / se))


def test_what_is_not_known_when_booking_is_not_used(cases):
    """A case's own tissue, swaps, nodule and fault must not help its prediction."""
    model = lt.TheatreTimeModel().fit(cases)
    few = comparison._take(cases, np.arange(40))
    scores = comparison._scores(model, few, 400, 1)
    columns = {name: getattr(few.table, name) for name in lt.cases._TABLE_COLUMNS}
    for name in ("tissue_g", "canister_swaps", "hard_nodule", "device_fault"):
        columns[name] = np.where(np.isnan(columns[name]), np.nan, 1.0)
    changed = lt.Cases(few.frame, lt._core.CaseTable(**columns), few.warnings)
    pd.testing.assert_frame_equal(comparison._scores(model, changed, 400, 1), scores)


def test_progress_and_display(cases, twins):
    from matplotlib import pyplot

    heard = []
    forms = {"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel()}
    lt.compare_forms(forms, cases, folds=2, repeats=1, draws=200, progress=lambda *told: heard.append(told))
    assert heard == [(k, 8) for k in range(1, 9)]
    with matplotlib.rc_context({"backend": "agg"}):
        pyplot.switch_backend("agg")
        display = twins.display("theatre").plot()
        assert "theatre" in display.ax_.get_xlabel() and "“one”" in display.ax_.get_xlabel()
        assert [t.get_text() for t in display.ax_.get_yticklabels()] == ["other\nrobust AIC +0.0"]
        assert "not clinical advice" in display.figure_._supxlabel.get_text()
        _, ax = pyplot.subplots()
        assert twins.display().plot(ax).ax_ is ax
        pyplot.close("all")


@pytest.mark.parametrize(
    ("forms", "settings", "words"),
    [
        ({"one": lt.TheatreTimeModel()}, {}, "two or more forms"),
        ({"one": lt.TheatreTimeModel(), "other": "huber"}, {}, "form 'other' must be a TheatreTimeModel"),
        ({"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel(loss="huber")}, {}, "the same loss"),
        ({"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel(prior=None)}, {}, "the same prior"),
        ({"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel(estimator="m")}, {}, "the same estimator"),
        (None, {"folds": 1}, "folds must lie between 2 and the number of cases"),
        (None, {"repeats": 0}, "repeats must be at least 1"),
        (None, {"reference": "third"}, "reference must be one of one, other, not 'third'"),
        (None, {"draws": 10}, "draws must lie between"),
    ],
)
def test_refused(cases, forms, settings, words):
    forms = forms or {"one": lt.TheatreTimeModel(), "other": lt.TheatreTimeModel()}
    with pytest.raises(lt.InvalidArgument, match=words):
        lt.compare_forms(forms, cases, **settings)


def test_refused_afterwards(twins):
    with pytest.raises(lt.InvalidArgument, match="reference must be one of one, other"):
        twins.differences("third")
    with pytest.raises(lt.InvalidArgument, match="level"):
        twins.differences(level=1.0)
    with pytest.raises(lt.InvalidArgument, match="time must be one of enucleation, morcellation, operative, theatre"):
        twins.display("turnover")


def test_a_form_that_cannot_be_fitted_is_named(cases):
    forms = {"free": lt.TheatreTimeModel(prior=None), "bare": lt.TheatreTimeModel(prior=None)}
    with pytest.raises(lt.NotIdentifiable, match=r"form 'free'.*suction_wall"):
        lt.compare_forms(forms, cases)
