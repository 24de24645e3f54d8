"""What other programs expect of an estimator: parameters, copies, pickles, splits, pipelines."""

import copy
import inspect
import json
import pickle
import sys
import warnings
from collections.abc import Callable
from typing import Any

import cloudpickle
import joblib
import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone
from sklearn.exceptions import NotFittedError
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import GridSearchCV, GroupKFold, TimeSeriesSplit, cross_val_predict, cross_validate
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import FunctionTransformer

import lobetime as lt

pytestmark = pytest.mark.filterwarnings("ignore::lobetime.DataWarning")


# Workers of another process cannot import this file.
cloudpickle.register_pickle_by_value(sys.modules[__name__])


def line(x: Any, b: Any) -> Any:
    return b[0] + b[1] * x


rng = np.random.default_rng(5)
X = np.linspace(0.0, 10.0, 40)
Y = 2.0 + 3.0 * X + 0.1 * rng.standard_normal(40)
GROUPS = np.repeat(["a", "b", "c", "d"], 10)
START = {"intercept": 1.0, "slope": 1.0}

ESTIMATORS: dict[str, tuple[Callable[[], Any], tuple[Any, ...]]] = {
    "TheatreTimeModel": (lt.TheatreTimeModel, ()),
    "RobustRegression": (lambda: lt.RobustRegression(line, estimator="m"), (X, Y, START)),
    "MixedRegression": (lambda: lt.MixedRegression(line, random=["intercept"]), (X, Y, GROUPS, START)),
    "CensoredRegression": (lambda: lt.CensoredRegression(line, law="normal"), (X, Y, Y, START)),
}
each = pytest.mark.parametrize("name", ESTIMATORS)


@pytest.fixture
def fitted(name, model):
    make, data = ESTIMATORS[name]
    return model if name == "TheatreTimeModel" else make().fit(*data)


@each
def test_construction_stores_its_arguments_and_computes_nothing(name):
    make, _ = ESTIMATORS[name]
    one = make()
    signature = inspect.signature(type(one).__init__).parameters
    assert set(one.get_params()) == set(vars(one)) == set(signature) - {"self"}
    for parameter, value in one.get_params().items():
        assert getattr(one, parameter) is value
        assert one.set_params(**{parameter: "anything"}) is one  # judged by fit, not before
        assert getattr(one, parameter) == "anything"
    with pytest.raises(ValueError, match="Invalid parameter 'nothing'"):
        one.set_params(nothing=1)


@each
def test_fit_returns_itself_and_a_clone_forgets(name, fitted, cases):
    make, data = ESTIMATORS[name]
    one = make()
    assert one.fit(*(data or (cases,))) is one
    learnt = {attribute for attribute in vars(one) if attribute.endswith("_")}
    assert learnt and not learnt & set(vars(make()))
    again = clone(one)
    assert again.get_params() == one.get_params()
    assert not learnt & set(vars(again))


@each
def test_repr_is_an_expression_with_what_differs_from_the_defaults(name):
    make, _ = ESTIMATORS[name]
    parameter, value = {
        "TheatreTimeModel": ("starts", 7),
        "RobustRegression": ("polished", 7),
        "MixedRegression": ("max_iterations", 7),
        "CensoredRegression": ("max_iterations", 7),
    }[name]
    shown = repr(make().set_params(**{parameter: value}))
    assert shown.startswith(f"{name}(") and f"{parameter}={value}" in shown
    assert name in make()._repr_html_()


@each
def test_before_the_fit(name):
    make, _ = ESTIMATORS[name]
    with pytest.raises(NotFittedError, match=name):
        make().conf_int()


def numbers_of(estimator: Any) -> list[Any]:
    return [estimator.params_, getattr(estimator, "scale_", None)]


def assert_equal(one: Any, other: Any) -> None:
    for mine, its in zip(numbers_of(one), numbers_of(other), strict=True):
        (pd.testing.assert_frame_equal if isinstance(mine, pd.DataFrame) else np.testing.assert_array_equal)(mine, its)


@each
@pytest.mark.parametrize(
    "through",
    [
        lambda one: pickle.loads(pickle.dumps(one)),
        copy.deepcopy,
        lambda one: joblib.Parallel(n_jobs=2)([joblib.delayed(copy.copy)(one)] * 2)[1],
    ],
    ids=["pickle", "deepcopy", "loky"],
)
def test_a_fitted_one_copies_equal(name, fitted, through):
    again = through(fitted)
    assert again is not fitted
    mine, its = again.get_params(), fitted.get_params()
    mine.pop("mean", None), its.pop("mean", None)  # a function that travels by value is another one
    assert mine == its
    assert_equal(again, fitted)
    if name == "TheatreTimeModel":
        bookings = lt.datasets.load_demo_unit().bookings
        pair = [one.predict(bookings, draws=100).draws for one in (again, fitted)]
        np.testing.assert_array_equal(*pair)
    else:
        np.testing.assert_array_equal(again.predict(X), fitted.predict(X))


def test_the_state_of_a_fitted_model_is_its_file(model, tmp_path):
    state = model.__getstate__()
    model.save(tmp_path / "unit.json")
    assert state["fitted_"] == (tmp_path / "unit.json").read_text(encoding="utf-8")
    assert json.loads(state["fitted_"])["n_cases"] == model.n_cases_
    assert not any(type(value).__module__.endswith("_core") for value in state.values())
    case_ids = lt.datasets.load_demo_unit().history["case_id"]
    assert not any(case_id.encode() in pickle.dumps(model) for case_id in case_ids)


def test_a_pickle_that_is_no_model_file_is_refused(model):
    state = {**model.__getstate__(), "fitted_": "{}"}
    with pytest.raises(lt.InvalidModelFile):
        lt.TheatreTimeModel().__setstate__(state)


@pytest.mark.parametrize("what", ["cases", "bookings"])
def test_checked_cases_pickle(what, cases):
    one = cases if what == "cases" else lt.read_bookings(lt.datasets.load_demo_unit().bookings)
    again = pickle.loads(pickle.dumps(one))
    assert type(again) is type(one) and repr(again) == repr(one)
    pd.testing.assert_frame_equal(again.frame, one.frame)
    pd.testing.assert_frame_equal(again.warnings, one.warnings)
    for column in ("gland_ml", "surgeon", "canister_ml", "blade", "theatre_min"):
        np.testing.assert_array_equal(getattr(again.table, column), getattr(one.table, column))


# --------------------------------------------------------------------------------------------- splits, pipelines


def quick(**settings: Any) -> lt.TheatreTimeModel:
    return lt.TheatreTimeModel(estimator="m", **settings)


def test_score_is_minus_the_crps_in_minutes_of_what_was_held_out(cases):
    early, late = cases.frame.iloc[:90], cases.frame.iloc[90:]
    model = quick().fit(early)
    found = model.score(late, total="theatre")
    assert -30 < found < -3
    assert found == model.score(late.iloc[::-1], total="theatre") or abs(found - model.score(late.iloc[::-1])) < 1e-9
    # Times alone, whatever is known of the glands, cannot be predicted as well.
    alike = late.assign(gland_ml=float(early["gland_ml"].median()))
    assert model.score(alike, total="theatre") < found - 1
    with pytest.raises(lt.InvalidArgument, match="total must be one of"):
        model.score(late, total="nothing")
    with pytest.raises(lt.InvalidArgument, match="none of 1 cases has"):
        model.score(pd.DataFrame({"gland_ml": [80.0], "enucleation_min": [50.0]}))


def test_splits_by_surgeon_and_rolling_in_time(cases):
    frame = cases.frame.sort_values("operated_on", ignore_index=True)
    by_surgeon = cross_validate(quick(), frame, cv=GroupKFold(3), groups=frame["surgeon"], return_estimator=True)
    assert by_surgeon["test_score"].shape == (3,) and (by_surgeon["test_score"] < 0).all()
    seen = [set(one.surgeons_.index) for one in by_surgeon["estimator"]]
    assert all(len(one) < frame["surgeon"].nunique() for one in seen)

    rolling = cross_validate(quick(), frame, cv=TimeSeriesSplit(3), return_estimator=True, n_jobs=2)
    sizes = [one.n_cases_ for one in rolling["estimator"]]
    assert sizes == sorted(sizes) and len(set(sizes)) == 3
    # The last fold by hand.
    *_, (known, held) = TimeSeriesSplit(3).split(frame)
    assert rolling["test_score"][-1] == quick().fit(frame.iloc[known]).score(frame.iloc[held])


def test_a_search_over_settings(cases):
    found = GridSearchCV(quick(), {"loss": ["huber", "squares"]}, cv=TimeSeriesSplit(2)).fit(cases.frame)
    assert set(found.cv_results_["param_loss"]) == {"huber", "squares"}
    assert found.best_estimator_.n_cases_ == len(cases)


def test_a_pipeline_that_puts_a_table_right_first(cases):
    unit = lt.datasets.load_demo_unit()
    theirs = {"gland_ml": "Prostate", "theatre_min": "Room time"}
    renamed = unit.history.rename(columns=theirs)
    back = FunctionTransformer(lambda table: table.rename(columns={heading: name for name, heading in theirs.items()}))
    line_up = make_pipeline(back, quick()).fit(renamed)
    expected = quick().fit(unit.history)
    pd.testing.assert_frame_equal(line_up[-1].params_, expected.params_)
    bookings = unit.bookings.rename(columns=theirs)
    np.testing.assert_array_equal(
        line_up.predict(bookings, draws=100).draws, expected.predict(unit.bookings, draws=100).draws
    )
    assert line_up.score(renamed) == expected.score(unit.history)


@pytest.mark.parametrize("name", ["RobustRegression", "CensoredRegression"])
def test_regressions_split_too(name):
    make, _ = ESTIMATORS[name]
    params = {"start": START} | ({"upper": Y} if name == "CensoredRegression" else {})  # cut as y is
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = cross_validate(
            make(), X, Y, cv=GroupKFold(4), groups=GROUPS, params=params, scoring="neg_median_absolute_error"
        )
        held_out = cross_val_predict(make(), X, Y, cv=GroupKFold(4), groups=GROUPS, params=params)
    assert (found["test_score"] > -0.2).all()
    # Held against another program's: the error law is normal, so both find nearly one line.
    other = cross_val_predict(LinearRegression(), X[:, None], Y, cv=GroupKFold(4), groups=GROUPS)
    np.testing.assert_allclose(held_out, other, atol=0.1)
