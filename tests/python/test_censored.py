"""lobetime.CensoredRegression: what it refuses, what it promises and what it leaves alone."""

from __future__ import annotations

import pickle

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from sklearn.base import clone
from sklearn.exceptions import NotFittedError

import lobetime as lt

N = 60
X = np.linspace(0.1, 4.0, N)
RNG = np.random.default_rng(5)
MINUTES = np.exp(2.0 + 0.6 * np.log(X) + RNG.normal(0.0, 0.3, N))
CUT = np.exp(2.2 + 0.6 * np.log(X) + RNG.normal(0.0, 0.3, N))
STOPPED = (np.arange(N) % 2 == 0) & (CUT < MINUTES)
LOWER = np.where(STOPPED, CUT, MINUTES)
UPPER = np.where(STOPPED, np.inf, MINUTES)
START = {"level": 1.0, "power": 0.3}
LOSSES = ["squares", "huber", "soft_l1", "cauchy", "bisquare"]


def power(x, b):
    return b[0] + b[1] * np.log(x)


def curve(**options):
    return lt.CensoredRegression(power, **options)


def numbers(found):
    return np.append(found.params_.to_numpy().ravel(), found.covariance("sandwich").to_numpy().ravel())


def test_censoring_is_not_ignored():
    found = curve().fit(X, LOWER, UPPER, START)
    assert found.counts_["right"] == STOPPED.sum() > 8
    taken_as_exact = curve().fit(X, LOWER, LOWER, START)
    left_out = curve().fit(X[~STOPPED], LOWER[~STOPPED], UPPER[~STOPPED], START)
    for short in (taken_as_exact, left_out):
        assert short.params_.loc["level", "estimate"] < found.params_.loc["level", "estimate"]
        assert short.scale_ < found.scale_
    assert np.isnan(found.weights_[STOPPED]).all() and (found.weights_[~STOPPED] == 1.0).all()


@pytest.mark.parametrize("loss", LOSSES)
def test_without_censoring_it_is_the_plain_fit(loss):
    far = np.where(np.arange(N) % 12 == 5, 8.0, 1.0) if loss != "squares" else 1.0
    found = curve(loss=loss).fit(X, MINUTES * far, MINUTES * far, START)
    method = "sd" if loss == "squares" else "proposal2"
    plain = lt.RobustRegression(power, estimator="m", loss=loss, scale_method=method).fit(
        X, np.log(MINUTES * far), START
    )
    assert found.params_["estimate"].to_numpy()[:-1] == pytest.approx(plain.params_["estimate"].to_numpy(), rel=1e-8)
    share = np.sqrt((N - 2) / N) if loss == "squares" else 1.0  # maximum likelihood divides by n
    assert found.scale_ == pytest.approx(plain.scale_ * share, rel=1e-8)
    assert found.weights_ == pytest.approx(plain.weights_, abs=1e-7)


@pytest.mark.parametrize("loss", LOSSES)
@given(factor=st.floats(1e-4, 1e4), order=st.permutations(range(N)))
@settings(max_examples=6, deadline=None)
def test_units_and_order_do_not_matter(loss, factor, order):
    found = curve(loss=loss).fit(X, LOWER, UPPER, START)
    order = np.array(order)
    other = curve(loss=loss).fit(X[order], LOWER[order] * factor, UPPER[order] * factor, START)
    expected = found.params_.copy()
    expected.loc["level", "estimate"] += np.log(factor)
    assert other.params_.to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6, abs=1e-8)
    if loss == "squares":
        exact = N - int(STOPPED.sum())
        assert other.log_likelihood_ == pytest.approx(found.log_likelihood_ - exact * np.log(factor), abs=1e-7)


@given(width=st.floats(1e-7, 1e-5))
@settings(max_examples=6, deadline=None)
def test_a_narrow_interval_is_an_exact_row(width):
    found = curve().fit(X, LOWER, UPPER, START)
    high = np.where(STOPPED, np.inf, MINUTES * (1 + width))
    narrow = curve().fit(X, np.where(STOPPED, LOWER, MINUTES * (1 - width)), high, START)
    assert narrow.counts_["interval"] == N - STOPPED.sum()
    # The density varies by width^2 within; the differences of two probabilities lose 1e-16 / width of their digits.
    assert narrow.params_["estimate"].to_numpy() == pytest.approx(found.params_["estimate"].to_numpy(), abs=1e-6)


def test_a_row_that_says_nothing_changes_nothing():
    found = curve().fit(X, LOWER, UPPER, START)
    more = curve().fit(np.append(X, 1.0), np.append(LOWER, 1e-9), np.append(UPPER, np.inf), START)
    assert more.params_.to_numpy() == pytest.approx(found.params_.to_numpy(), rel=1e-8)


def test_left_mirrors_right():
    right = curve(law="normal").fit(X, LOWER, UPPER, START)
    left = curve(law="normal").fit(X, -UPPER, -LOWER, START)
    assert left.params_["estimate"].to_numpy() == pytest.approx(
        right.params_["estimate"].to_numpy() * [-1, -1, 1], rel=1e-8
    )
    assert left.counts_["left"] == right.counts_["right"]


@pytest.mark.parametrize("law", ["lognormal", "normal"])
def test_quantiles(law):
    found = curve(law=law).fit(X, LOWER, UPPER, START)
    frame = found.quantile(X[:3], [0.2, 0.5, 0.9])
    assert frame["row"].tolist() == [0, 0, 0, 1, 1, 1, 2, 2, 2]
    assert frame.loc[frame["p"] == 0.5, "estimate"].to_numpy() == pytest.approx(found.predict(X[:3]))
    assert (frame["lower"] < frame["estimate"]).all() and (frame["estimate"] < frame["upper"]).all()
    assert (np.diff(frame["estimate"].to_numpy().reshape(3, 3)) > 0).all()
    narrow = found.quantile(X[:3], 0.9, level=0.5)
    wide = frame[frame["p"] == 0.9].reset_index(drop=True)
    assert (narrow["upper"] < wide["upper"]).all()
    # The delta method, against the change of the quantile with each parameter.
    value = found.params_["estimate"].to_numpy()

    def at(v):
        mean = power(X[:3], v[:2]) + np.exp(v[2]) * 1.2815515655446004
        return np.exp(mean) if law == "lognormal" else mean

    slopes = np.column_stack([(at(value + h) - at(value - h)) / 2e-6 for h in np.eye(3) * 1e-6])
    errors = np.sqrt(np.einsum("ij,jk,ik->i", slopes, found.covariance_.to_numpy(), slopes))
    assert wide["standard_error"].to_numpy() == pytest.approx(errors, rel=1e-6)


def test_covariances_and_intervals():
    found = curve(loss="huber").fit(X, LOWER, UPPER, START)
    assert np.isnan(found.log_likelihood_)
    assert found.covariance_.equals(found.covariance("sandwich"))
    with pytest.raises(lt.InvalidArgument, match="squares"):
        found.covariance("information")
    with pytest.raises(lt.InvalidArgument, match="'information' or 'sandwich'"):
        found.covariance("hc2")
    frame = found.conf_int(level=0.9)
    half = (frame["upper"] - frame["lower"]) / 2
    assert half.to_numpy() == pytest.approx(1.6448536269514722 * found.params_["standard_error"].to_numpy())
    for level in (0.0, 95):
        with pytest.raises(lt.InvalidArgument, match="level"):
            found.conf_int(level=level)


def test_it_can_be_kept_and_copied():
    found = curve().fit(X, LOWER, UPPER, START)
    again = pickle.loads(pickle.dumps(found))
    assert again.params_.equals(found.params_)
    assert again.quantile(X, 0.8).equals(found.quantile(X, 0.8))
    with pytest.raises(NotFittedError):
        clone(found).predict(X)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"law": "weibull"}, "allowed: normal, lognormal"),
        ({"loss": "welsch"}, "welsch"),
        ({"tuning": -1.0}, "tuning must be positive"),
        ({"max_iterations": 0}, "max_iterations"),
        ({"mean": lambda x, b: np.ones(3)}, "60 values"),
    ],
)
def test_options_that_cannot_be(change, reason):
    with pytest.raises(lt.InvalidArgument, match=reason):
        curve().set_params(**change).fit(X, LOWER, UPPER, START)


def test_data_that_cannot_be():
    with pytest.raises(lt.InvalidArgument, match="one limit a row"):
        curve().fit(X, LOWER, UPPER[1:], START)
    with pytest.raises(lt.InvalidArgument, match="row 1: the lower limit is above"):
        curve().fit(X, np.append(1e9, LOWER[1:]), np.append(1.0, UPPER[1:]), START)
    with pytest.raises(lt.InvalidArgument, match="one number for each parameter"):
        curve().fit(X, LOWER, UPPER, [])
    with pytest.raises(lt.NotIdentifiable, match="no row has an upper limit"):
        curve().fit(X, LOWER, np.full(N, np.inf), START)
    with pytest.raises(lt.NotFinite, match="row 2: a limit"):
        curve().fit(X, np.where(np.arange(N) == 1, np.nan, LOWER), UPPER, START)
    with pytest.raises(lt.InvalidArgument, match="p must lie"):
        curve().fit(X, LOWER, UPPER, START).quantile(X, 1.0)
