"""lobetime.RobustRegression: what it refuses, what it promises and what it leaves alone."""

from __future__ import annotations

import _thread
import pickle
import threading
import time

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

import lobetime as lt

N = 30
X = np.linspace(0.1, 6.0, N)
RNG = np.random.default_rng(7)
NOISE = RNG.normal(0.0, 0.3, N)
DESIGN = np.column_stack([np.ones(N), X, np.sin(3 * X)])
START = {"top": 8.0, "rate": 0.5}
CURVE_Y = 10 * (1 - np.exp(-0.7 * X)) + NOISE + np.where(np.arange(N) % 10 == 4, 6.0, 0.0)
LINE_Y = DESIGN @ [2.0, 0.5, -1.0] + NOISE + np.where(np.arange(N) % 10 == 4, 9.0, 0.0)


def saturation(x, b):
    return b[0] * (1 - np.exp(-b[1] * x))


def saturation_slopes(x, b):
    return np.column_stack([1 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)])


def linear(x, b):
    return x @ b


def curve(**options):
    return lt.RobustRegression(saturation, **options)


def estimates(found):
    return found.params_["estimate"].to_numpy()


# ------------------------------------------------------------------------------------------------- we refuse, by name


@pytest.mark.parametrize("options", [{}, {"estimator": "m"}, {"estimator": "m", "loss": "squares"}, {"estimator": "s"}])
def test_a_dummy_that_is_zero_everywhere(options):
    design = np.column_stack([DESIGN[:, :2], np.zeros(N)])
    with pytest.raises(lt.NotIdentifiable, match=r"\bdummy\b") as refusal:
        lt.RobustRegression(linear, **options).fit(design, LINE_Y, {"level": 0.0, "slope": 0.0, "dummy": 0.0})
    assert "level" not in str(refusal.value)


@pytest.mark.parametrize("options", [{}, {"estimator": "m"}, {"estimator": "m", "loss": "squares"}, {"estimator": "s"}])
def test_columns_that_are_collinear(options):
    design = np.column_stack([np.ones(N), X, 2 * X, np.sin(3 * X)])
    start = {"level": 0.0, "minutes": 0.0, "doubled": 0.0, "wave": 0.0}
    with pytest.raises(lt.NotIdentifiable, match="minutes, doubled") as refusal:
        lt.RobustRegression(linear, **options).fit(design, LINE_Y, start)
    assert "level" not in str(refusal.value) and "wave" not in str(refusal.value)


def with_nan(values, row):
    changed = np.array(values, dtype=float)
    changed[row] = np.nan
    return changed


def test_nan_in_one_row_of_y():
    with pytest.raises(lt.NotFinite, match="row 18: y"):
        curve().fit(X, with_nan(CURVE_Y, 17), START)


def test_nan_in_one_row_of_x():
    with pytest.raises(lt.NotFinite, match="row 3: the mean"):
        curve().fit(with_nan(X, 2), CURVE_Y, START)


def test_a_mean_that_is_nan_in_one_row():
    with pytest.raises(lt.NotFinite, match="row 9: the mean"):
        lt.RobustRegression(lambda x, b: with_nan(b[0] * x, 8)).fit(X, CURVE_Y, [1.0])


def test_a_jacobian_that_is_not_finite_in_one_row():
    def slopes(x, b):
        changed = saturation_slopes(x, b)
        changed[6, 1] = np.inf
        return changed

    with pytest.raises(lt.NotFinite, match="row 7: the mean or its derivative"):
        curve(jacobian=slopes).fit(X, CURVE_Y, START)


def test_a_parameter_on_its_bound():
    """No symmetric interval there; the profile gives an end that is open, and the other."""
    with pytest.warns(lt.RegressionWarning, match="rate ended on its bound"):
        found = curve(estimator="m").fit(X, CURVE_Y, START, upper={"rate": 0.4})
    assert found.params_["on_bound"].to_dict() == {"top": False, "rate": True}
    assert found.params_.loc["rate", "estimate"] == pytest.approx(0.4, abs=1e-12)
    for ask in (found.covariance, found.conf_int, lambda: found.covariance_):
        with pytest.raises(lt.NotIdentifiable, match="on its bound: rate"):
            ask()


def test_a_profile_that_a_bound_stops_is_open():
    free = curve(estimator="m").fit(X, CURVE_Y, START)
    rate = free.params_.loc["rate", "estimate"]
    found = curve(estimator="m").fit(X, CURVE_Y, START, upper={"rate": rate + 1e-3})
    row = found.conf_int("profile").loc["rate"]
    assert row["open"] == "upper" and np.isnan(row["upper"]) and row["lower"] < rate
    assert "bound" in row["reason"]


@pytest.mark.parametrize("estimator, needed", [("m", 3), ("s", 4), ("mm", 4)])
def test_too_few_rows(estimator, needed):
    few = needed - 1
    with pytest.raises(lt.InvalidArgument, match=f"too few rows: {few} for 3 parameters; at least {needed}"):
        lt.RobustRegression(linear, estimator=estimator).fit(DESIGN[:few], LINE_Y[:few], [0.0, 0.0, 0.0])


def test_as_many_parameters_as_rows_have_no_standard_errors():
    found = lt.RobustRegression(linear, estimator="m", loss="bisquare", scale_method="fixed", scale=1.0).fit(
        DESIGN[:3], LINE_Y[:3], [0.0, 0.0, 0.0]
    )
    with pytest.raises(lt.NotIdentifiable, match="as many parameters as rows"):
        found.covariance()


def test_rows_that_are_fitted_exactly():
    with pytest.raises(lt.NotIdentifiable, match="the scale is zero"):
        curve(estimator="m").fit(X, saturation(X, [10.0, 0.7]), [10.0, 0.7])


def test_a_search_that_may_not_finish():
    with pytest.raises(lt.NotConverged, match="iteration limit"):
        curve(estimator="m", max_iterations=1).fit(X, CURVE_Y, [1.0, 5.0])


# ---------------------------------------------------------------------------------------------------- wrong questions


def test_shapes():
    with pytest.raises(lt.InvalidArgument, match="y must have one dimension"):
        curve().fit(X, CURVE_Y[:, None], START)
    with pytest.raises(lt.InvalidArgument, match="start must hold"):
        curve().fit(X, CURVE_Y, [])
    with pytest.raises(lt.InvalidArgument, match="start must hold"):
        curve().fit(X, CURVE_Y, [[8.0, 0.5]])
    with pytest.raises(lt.InvalidArgument, match=r"30 values, one a row of y, not \(29,\)"):
        curve().fit(X[1:], CURVE_Y, START)
    with pytest.raises(lt.InvalidArgument, match=r"30 values, one a row of y, not \(\)"):
        lt.RobustRegression(lambda x, b: b[0]).fit(X, CURVE_Y, [1.0])
    with pytest.raises(lt.InvalidArgument, match=r"jacobian\(x, theta\) must be 30 x 2, not \(2, 30\)"):
        curve(jacobian=lambda x, b: saturation_slopes(x, b).T).fit(X, CURVE_Y, START)
    with pytest.raises(lt.InvalidArgument, match="2 entries"):
        curve().fit(X, CURVE_Y, START, lower=[0.0, 0.0, 0.0])


def test_starts_and_bounds():
    with pytest.raises(lt.InvalidArgument, match="unknown parameters: speed"):
        curve().fit(X, CURVE_Y, START, lower={"speed": 0.0})
    with pytest.raises(lt.InvalidArgument, match="bounds of rate are empty"):
        curve().fit(X, CURVE_Y, START, lower={"rate": 1.0}, upper={"rate": 0.5})
    with pytest.raises(lt.NotFinite, match="start of rate"):
        curve().fit(X, CURVE_Y, {"top": 8.0, "rate": np.nan})


@pytest.mark.parametrize(
    "options, message",
    [
        ({"estimator": "tau"}, "allowed: m, s, mm"),
        ({"loss": "absolute"}, "absolute"),
        ({"loss": "huber"}, "redescending"),
        ({"scale_method": "iqr", "estimator": "m"}, "iqr"),
        ({"scale_method": "fixed", "estimator": "m"}, "needs a scale"),
        ({"tuning": -1.0}, "tuning must be positive"),
        ({"tuning": 0.0}, "tuning must be positive"),
        ({"s_tuning": float("nan")}, "s_tuning must be positive"),
        ({"scale": 0.0}, "scale must be positive"),
        ({"starts": 0}, "starts must be 1 or more"),
        ({"polished": 0}, "polished"),
        ({"max_iterations": 0}, "max_iterations"),
    ],
)
def test_options(options, message):
    with pytest.raises(lt.InvalidArgument, match=message):
        curve(**options).fit(X, CURVE_Y, START)


def test_questions_to_a_fit():
    found = curve(estimator="m").fit(X, CURVE_Y, START)
    for arguments, message in (
        ({"method": "wald"}, "sandwich"),
        ({"hc": "HC9"}, "hc9"),
        ({"level": 1.0}, "level"),
        ({"method": "bootstrap", "kind": "basic"}, "percentile"),
        ({"method": "bootstrap", "replicates": 1}, "replicates"),
        ({"cluster": ["a", "b"]}, "cluster"),
        ({"cluster": [None] + ["a", "b"] * 14 + ["a"]}, "row 1: the cluster is missing"),
    ):
        with pytest.raises(lt.InvalidArgument, match=message):
            found.conf_int(**arguments)


def test_before_the_fit():
    for ask in (curve().conf_int, curve().covariance, lambda: curve().predict(X)):
        with pytest.raises(NotFittedError):
            ask()


# -------------------------------------------------------------------------------------- what the user's mean may do


class OutOfRangeError(RuntimeError):
    """Of the user's own."""


@pytest.mark.parametrize("options", [{}, {"estimator": "m"}, {"estimator": "m", "loss": "squares", "starts": 5}])
@pytest.mark.parametrize("calls", [1, 40])
def test_an_exception_of_the_mean_comes_through(options, calls):
    left = [calls]

    def mean(x, b):
        left[0] -= 1
        if left[0] < 0:
            raise OutOfRangeError("beyond the table")
        return saturation(x, b)

    with pytest.raises(OutOfRangeError, match="beyond the table"):
        curve(**options).set_params(mean=mean).fit(X, CURVE_Y, START)


def test_an_exception_of_a_function_of_the_parameters_comes_through():
    found = curve(estimator="m").fit(X, CURVE_Y, START)

    def broken(theta):
        raise OutOfRangeError("no such case")

    for method in ("sandwich", "profile", "bootstrap"):
        with pytest.raises(OutOfRangeError, match="no such case"):
            found.conf_int(method, functions={"broken": broken}, replicates=50)


@pytest.mark.parametrize("options", [{"starts": 5000}, {"estimator": "m", "loss": "squares", "starts": 5000}])
def test_an_interrupt_ends_a_search(options):
    def slow(x, b):
        time.sleep(1e-3)
        return saturation(x, b)

    timer = threading.Timer(0.5, _thread.interrupt_main)
    timer.start()
    try:
        with pytest.raises(KeyboardInterrupt):
            curve(**options).set_params(mean=slow, jacobian=saturation_slopes).fit(X, CURVE_Y, START)
    finally:
        timer.cancel()


def test_an_interrupt_ends_a_bootstrap():
    found = curve(estimator="m").fit(X, CURVE_Y, START)
    timer = threading.Timer(0.3, _thread.interrupt_main)
    timer.start()
    try:
        with pytest.raises(KeyboardInterrupt):
            found.conf_int("bootstrap", replicates=1_000_000)
    finally:
        timer.cancel()


def test_progress_may_stop_a_bootstrap():
    found = curve(estimator="m").fit(X, CURVE_Y, START)
    with pytest.raises(lt.NotConverged):
        found.conf_int("bootstrap", replicates=1_000_000, progress=lambda done, total: False)


# --------------------------------------------------------------------------------------------------------- derivatives


def test_a_jacobian_of_ones_own_gives_the_same():
    automatic, given_one = curve().fit(X, CURVE_Y, START), curve(jacobian=saturation_slopes).fit(X, CURVE_Y, START)
    np.testing.assert_allclose(estimates(automatic), estimates(given_one), rtol=1e-9)
    np.testing.assert_allclose(automatic.jacobian_, saturation_slopes(X, estimates(automatic)), rtol=1e-12)
    np.testing.assert_allclose(automatic.covariance_, given_one.covariance_, rtol=1e-7)


NOT_FOR_COMPLEX_NUMBERS = {
    "abs drops the sign": lambda x, b: b[0] * (1 - np.exp(-np.abs(b[1]) * x)),
    "real drops the imaginary part": lambda x, b: b[0] * (1 - np.exp(-np.real(b[1]) * x)),
    "where compares": lambda x, b: np.where(b[1] * x > 50.0, b[0], b[0] * (1 - np.exp(-b[1] * x))),
    "maximum compares": lambda x, b: b[0] * (1 - np.exp(-np.maximum(b[1], 1e-9) * x)),
    "float() refuses": lambda x, b: float(b[0]) * (1 - np.exp(-float(b[1]) * x)),
    "a buffer of floats": lambda x, b: np.array(b[0] * (1 - np.exp(-b[1] * x)), dtype=np.float64),
    "expm1 of doubles": lambda x, b: np.array([-b[0] * np.expm1(float(-b[1] * one)) for one in x]),
}


@pytest.mark.parametrize("name", NOT_FOR_COMPLEX_NUMBERS)
def test_a_mean_that_cannot_take_complex_numbers(name):
    """Differences of fourth order take over, never a derivative that lost a part in silence."""
    found = lt.RobustRegression(NOT_FOR_COMPLEX_NUMBERS[name]).fit(X, CURVE_Y, START, lower=0.0)
    exact = curve(jacobian=saturation_slopes).fit(X, CURVE_Y, START)
    np.testing.assert_allclose(found.jacobian_, saturation_slopes(X, estimates(found)), rtol=1e-7, atol=1e-8)
    np.testing.assert_allclose(estimates(found), estimates(exact), rtol=1e-6)


# ------------------------------------------------------------------------------------------------------------ promises


def test_the_same_seed_gives_the_same_numbers():
    one, same = curve(seed=5).fit(X, CURVE_Y, START), curve(seed=5).fit(X, CURVE_Y, START)
    np.testing.assert_array_equal(estimates(one), estimates(same))
    pd.testing.assert_frame_equal(one.search_, same.search_, check_exact=True)
    first = one.conf_int("bootstrap", replicates=99, seed=3)
    pd.testing.assert_frame_equal(first, same.conf_int("bootstrap", replicates=99, seed=3), check_exact=True)
    assert not first.equals(one.conf_int("bootstrap", replicates=99, seed=4))


def test_another_seed_finds_the_same_minimum():
    one, other = curve(seed=1).fit(X, CURVE_Y, START), curve(seed=2).fit(X, CURVE_Y, START)
    np.testing.assert_allclose(estimates(one), estimates(other), rtol=1e-7)


def test_a_clone_of_sklearn():
    original = curve(estimator="m", loss="huber", tuning=1.5, starts=3)
    copy = clone(original)
    assert copy is not original and copy.get_params() == original.get_params()
    assert set(copy.get_params()) >= {"mean", "jacobian", "estimator", "loss", "scale_method", "seed"}
    np.testing.assert_array_equal(estimates(copy.fit(X, CURVE_Y, START)), estimates(original.fit(X, CURVE_Y, START)))
    assert not hasattr(clone(original), "params_")
    assert curve().set_params(estimator="s").estimator == "s"


def test_a_fit_changes_nothing_given():
    x, y, start = X.copy(), CURVE_Y.copy(), np.array([8.0, 0.5])
    curve().fit(x, y, start)
    np.testing.assert_array_equal(x, X)
    np.testing.assert_array_equal(y, CURVE_Y)
    np.testing.assert_array_equal(start, [8.0, 0.5])


def test_attributes_have_the_shapes_told():
    found = curve().fit(pd.Series(X), list(CURVE_Y), START)
    assert list(found.params_.index) == ["top", "rate"]
    for values in (found.weights_, found.residuals_, found.fitted_values_, found.leverage_):
        assert values.shape == (N,)
    np.testing.assert_allclose(found.fitted_values_ + found.residuals_, CURVE_Y, rtol=1e-14)
    np.testing.assert_allclose(found.predict(X), found.fitted_values_, rtol=1e-14)
    assert found.leverage_.sum() == pytest.approx(2.0, abs=1e-10)
    assert found.termination_ == "converged"
    assert found.covariance_.columns.tolist() == ["top", "rate"]
    assert np.all(found.weights_[np.arange(N) % 10 == 4] < 0.01)
    assert found.search_.columns.tolist() == ["scale", "count", "first_start", "top", "rate"]
    assert list(curve().fit(X, CURVE_Y, [8.0, 0.5]).params_.index) == ["b1", "b2"]


def test_intervals_of_functions_are_those_of_the_parameters():
    found = curve(estimator="m").fit(X, CURVE_Y, START)
    functions = {"top": lambda theta: theta["top"], "rate in percent": lambda theta: 100 * theta["rate"]}
    for method in ("sandwich", "profile", "bootstrap"):
        own = found.conf_int(method, replicates=199)
        frame = found.conf_int(method, functions=functions, replicates=199)
        ends = ["estimate", "lower", "upper"]
        np.testing.assert_allclose(frame.loc["top", ends].astype(float), own.loc["top", ends].astype(float), rtol=1e-6)
        np.testing.assert_allclose(
            frame.loc["rate in percent", ends].astype(float), 100 * own.loc["rate", ends].astype(float), rtol=1e-6
        )


def test_clusters_may_have_any_labels():
    found = curve(estimator="m").fit(X, CURVE_Y, START)
    letters = [f"surgeon {i % 6}" for i in range(N)]
    numbers = [100 - 7 * (i % 6) for i in range(N)]
    pd.testing.assert_frame_equal(found.covariance(cluster=letters), found.covariance(cluster=numbers))
    assert not np.allclose(found.covariance(cluster=letters), found.covariance())


# ------------------------------------------------------------------------------------------------------- equivariance

ESTIMATORS = st.sampled_from(
    [
        {"estimator": "m", "loss": "squares"},
        {"estimator": "m", "loss": "huber"},
        {"estimator": "m", "loss": "bisquare"},
        {"estimator": "m", "loss": "huber", "scale_method": "proposal2"},
        {"estimator": "mm", "starts": 20},
    ]
)
# A search scatters its starts by the given one, so an equivalent problem is searched elsewhere: 1e-6 is what two
# descents to one minimum agree to.
EQUAL = 1e-6


def fit_line(options, x=DESIGN, y=LINE_Y):
    return lt.RobustRegression(linear, **options).fit(x, y, [1.0, 1.0, 1.0])


@settings(max_examples=25, deadline=None)
@given(ESTIMATORS, st.floats(0.01, 100.0), st.booleans(), st.tuples(*[st.floats(-10.0, 10.0)] * 3))
def test_equivariance_of_regression_and_scale(options, size, mirrored, shift):
    """y -> a y + X c moves the estimate to a theta + c and the scale to |a| scale."""
    factor = -size if mirrored else size
    one = fit_line(options)
    moved = fit_line(options, y=factor * LINE_Y + DESIGN @ shift)
    size_of = np.abs(factor) * np.abs(estimates(one)) + np.abs(shift)
    np.testing.assert_array_less(
        np.abs(estimates(moved) - factor * estimates(one) - shift), EQUAL * size_of.max() + 1e-300
    )
    np.testing.assert_allclose(moved.scale_, size * one.scale_, rtol=EQUAL)
    np.testing.assert_allclose(moved.weights_, one.weights_, atol=1e-4)


@settings(max_examples=15, deadline=None)
@given(ESTIMATORS, st.tuples(*[st.floats(0.01, 100.0)] * 3))
def test_equivariance_of_units_of_x(options, units):
    one, other = fit_line(options), fit_line(options, x=DESIGN * units)
    np.testing.assert_allclose(estimates(other) * units, estimates(one), rtol=1e-5)
    np.testing.assert_allclose(other.scale_, one.scale_, rtol=EQUAL)
    np.testing.assert_allclose(other.covariance_ * np.outer(units, units), one.covariance_, rtol=1e-3)


@settings(max_examples=15, deadline=None)
@given(ESTIMATORS, st.permutations(range(N)))
def test_the_order_of_rows_does_not_matter(options, order):
    one, other = fit_line(options), fit_line(options, x=DESIGN[order], y=LINE_Y[order])
    np.testing.assert_allclose(estimates(other), estimates(one), rtol=1e-5)
    np.testing.assert_allclose(other.weights_, one.weights_[order], atol=1e-4)


@pytest.mark.parametrize("options", [{"loss": "squares"}, {"loss": "huber"}, {"loss": "bisquare"}], ids=str)
def test_rows_given_twice_change_no_estimate(options):
    one = fit_line({"estimator": "m", **options})
    twice = fit_line({"estimator": "m", **options}, x=np.repeat(DESIGN, 2, axis=0), y=np.repeat(LINE_Y, 2))
    np.testing.assert_allclose(estimates(twice), estimates(one), rtol=1e-8)
    half = twice.covariance("hc0") - one.covariance("hc0") / 2
    assert np.abs(half).max().max() < 1e-7 * np.abs(one.covariance("hc0")).max().max()


def straight(x, b):
    return b[0] + b[1] * x


def test_a_pickle_keeps_the_numbers():
    x = np.arange(20.0)
    regression = lt.RobustRegression(straight).fit(x, 1 + 2 * x + np.sin(7 * x), [0.0, 1.0])
    again = pickle.loads(pickle.dumps(regression))
    assert again.params_.equals(regression.params_) and again.scale_ == regression.scale_
    np.testing.assert_array_equal(again.predict(x), regression.predict(x))
    with pytest.raises(lt.InvalidArgument, match="a regression from a pickle holds none: fit it again"):
        again.conf_int()
