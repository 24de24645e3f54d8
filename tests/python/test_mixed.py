"""lobetime.MixedRegression: what it refuses, what it promises and what it leaves alone."""

from __future__ import annotations

import pickle

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

import lobetime as lt

M, EACH = 8, 5
GROUP = np.repeat([f"g{g}" for g in range(M)], EACH)
X = np.tile(np.linspace(0.4, 4.0, EACH), M)
RNG = np.random.default_rng(11)
TOP = np.repeat(RNG.normal(10.0, 1.5, M), EACH)
Y = TOP * (1 - np.exp(-0.7 * X)) + RNG.normal(0.0, 0.3, M * EACH)
START = {"top": 8.0, "rate": 0.5}


def saturation(x, b):
    return b[0] * (1 - np.exp(-b[1] * x))


def slopes(x, b):
    return np.column_stack([1 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)])


def curve(**options):
    return lt.MixedRegression(saturation, **{"random": ["top"], "method": "ml", **options})


FOUND = curve().fit(X, Y, GROUP, START)


def numbers(found):
    return np.concatenate([found.params_.to_numpy().ravel(), found.random_covariance_.to_numpy().ravel()])


def test_the_parts_agree():
    assert FOUND.random_sd_["top"] == pytest.approx(1.5, rel=0.8) and FOUND.scale_ == pytest.approx(0.3, rel=0.4)
    assert FOUND.predict(X, GROUP) == pytest.approx(FOUND.fitted_values_, abs=1e-12)
    assert Y - FOUND.fitted_values_ == pytest.approx(FOUND.residuals_, abs=1e-12)
    assert FOUND.log_likelihood_ == -FOUND.criterion_ / 2
    expected = 1 - (FOUND.mode_sd_ / FOUND.random_sd_) ** 2
    pd.testing.assert_frame_equal(FOUND.reliability_, expected)
    assert FOUND.n_groups_ == M and FOUND.random_correlation_.loc["top", "top"] == pytest.approx(1.0)


def test_a_group_that_was_not_seen_is_a_typical_one():
    assert FOUND.predict(X[:2], ["new", "g3"])[0] == pytest.approx(FOUND.predict(X[:2])[0], abs=1e-12)
    assert abs(FOUND.predict(X[:2], ["new", "g3"])[1] - FOUND.predict(X[:2])[1]) > 1e-3


@pytest.mark.parametrize("method", ["ml", "reml"])
def test_derivatives_given_are_those_found(method):
    given_ = curve(method=method, jacobian=slopes).fit(X, Y, GROUP, START)
    found = curve(method=method).fit(X, Y, GROUP, START)
    assert numbers(found) == pytest.approx(numbers(given_), rel=1e-9)

    def abs_drops_the_imaginary_part(x, b):
        return np.abs(b[0]) * (1 - np.exp(-b[1] * x))

    rough = lt.MixedRegression(abs_drops_the_imaginary_part, random=["top"], method=method).fit(X, Y, GROUP, START)
    # Differences of fourth order hold ten digits or more here; the outer differences lose some.
    assert numbers(rough) == pytest.approx(numbers(given_), rel=1e-6)


@given(order=st.permutations(range(M * EACH)), names=st.permutations(range(M)))
@settings(max_examples=8, deadline=None)
def test_rows_and_labels_may_change_places(order, names):
    order = np.array(order)
    labels = {f"g{g}": names[g] for g in range(M)}
    other = curve().fit(X[order], Y[order], [labels[g] for g in GROUP[order]], START)
    assert numbers(other) == pytest.approx(numbers(FOUND), rel=1e-6)
    assert other.criterion_ == pytest.approx(FOUND.criterion_, rel=1e-11)
    moved = other.modes_.loc[[labels[g] for g in FOUND.modes_.index], "top"].to_numpy()
    assert moved == pytest.approx(FOUND.modes_["top"].to_numpy(), rel=1e-6)


@given(factor=st.floats(1e-6, 1e6), stretch=st.floats(1e-3, 1e3))
@settings(max_examples=8, deadline=None)
def test_units_do_not_matter(factor, stretch):
    other = curve().fit(X * stretch, Y * factor, GROUP, {"top": 8.0 * factor, "rate": 0.5 / stretch})
    unit = np.array([factor, 1 / stretch])
    assert other.params_["estimate"].to_numpy() == pytest.approx(FOUND.params_["estimate"].to_numpy() * unit, rel=1e-7)
    assert other.scale_ == pytest.approx(FOUND.scale_ * factor, rel=1e-6)
    assert other.random_sd_["top"] == pytest.approx(FOUND.random_sd_["top"] * factor, rel=1e-6)
    assert other.criterion_ == pytest.approx(FOUND.criterion_ + 2 * Y.size * np.log(factor), abs=1e-7)


def test_without_variation_it_is_least_squares():
    y = saturation(X, [10.0, 0.7]) + np.tile([0.3, -0.5, 0.1, 0.4, -0.3], M)
    found = curve().fit(X, y, GROUP, START)
    plain = lt.RobustRegression(saturation, estimator="m", loss="squares").fit(X, y, START)
    assert found.no_variation_ == ["top"] and found.singular_
    assert found.params_["estimate"].to_numpy() == pytest.approx(plain.params_["estimate"].to_numpy(), rel=1e-10)
    assert found.scale_ == pytest.approx(np.sqrt(np.mean(plain.residuals_**2)), rel=1e-9)
    assert np.isnan(found.random_correlation_.loc["top", "top"])


def test_intervals():
    frame = FOUND.conf_int(level=0.9)
    half = 1.6448536269514722 * FOUND.params_["standard_error"]
    assert (frame["upper"] - frame["estimate"]).to_numpy() == pytest.approx(half.to_numpy())
    assert (frame["estimate"] - frame["lower"]).to_numpy() == pytest.approx(half.to_numpy())
    with pytest.raises(lt.InvalidArgument, match="level"):
        FOUND.conf_int(level=95)


def test_it_can_be_kept_and_copied():
    again = pickle.loads(pickle.dumps(lt.MixedRegression(np.polyval, random=["a"])))
    assert again.get_params()["random"] == ["a"]
    with pytest.raises(NotFittedError):
        clone(FOUND).predict(X)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"method": "bayes"}, "'reml' or 'ml'"),
        ({"random": ["height"]}, "among top, rate, not height"),
        ({"random": []}, "among top, rate, not none"),
        ({"random": ["top", "top"]}, "different"),
        ({"max_iterations": 0}, "max_iterations"),
        ({"mean": lambda x, b: np.outer(x, b[0])}, "40 values"),
        ({"jacobian": lambda x, b: np.ones((40, 3))}, "must be 40 x 2"),
    ],
)
def test_options_that_cannot_be(change, reason):
    with pytest.raises(lt.InvalidArgument, match=reason):
        curve().set_params(**change).fit(X, Y, GROUP, START)


def test_data_that_cannot_be():
    with pytest.raises(lt.InvalidArgument, match="39 labels"):
        curve().fit(X, Y, GROUP[1:], START)
    with pytest.raises(lt.InvalidArgument, match="row 2: the cluster is missing"):
        curve().fit(X, Y, [GROUP[0], None, *GROUP[2:]], START)
    with pytest.raises(lt.InvalidArgument, match="too few groups: 1"):
        curve().fit(X, Y, np.zeros(Y.size), START)
    with pytest.raises(lt.NotIdentifiable, match="variance of level, variance within groups"):
        lt.MixedRegression(lambda x, b: b[0], random=["level"]).fit(X, Y, np.arange(Y.size), {"level": 1.0})
    with pytest.raises(lt.NotFinite, match="row 4: y"):
        curve().fit(X, np.where(np.arange(Y.size) == 3, np.nan, Y), GROUP, START)
    with pytest.raises(lt.InvalidArgument, match="one number for each parameter"):
        curve().fit(X, Y, GROUP, [])
