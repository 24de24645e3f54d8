"""Calibration on held-out cases, the conformal correction, updates, baselines and the validation study."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import lobetime as lt
from lobetime import _core
from lobetime.baselines import BASELINES, LEVELS
from lobetime.calibration import looks_mistyped, recorded_total
from lobetime.scores import conformal_rank, crps
from lobetime.validation import Unit, draw_cases, next_cases, run_the_clock, write_down
from lobetime.validation.report import promises, report
from lobetime.validation.study import BOTH, Study, judge, one_unit


def read(frame):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.read_cases(frame)


@pytest.fixture(scope="module")
def unit():
    return Unit.draw(3)


@pytest.fixture(scope="module")
def history(unit):
    return read(write_down(unit, draw_cases(unit, 170, 5), 5))


@pytest.fixture(scope="module")
def bookings(unit, history):
    frame = next_cases(unit, history.frame, 12, 9)
    return lt.read_bookings(frame)


@pytest.fixture(scope="module")
def calibrated(history):
    model = lt.TheatreTimeModel(estimator="m", threads=1).fit(history)
    return model, model.calibration(history, folds=3, draws=500)


def test_every_case_is_predicted_by_a_fit_that_came_before_it(history, calibrated):
    _, found = calibrated
    dates = history.frame["operated_on"].to_numpy()
    order = np.argsort(dates, kind="stable")
    place = np.empty(len(order), dtype=int)
    place[order] = np.arange(len(order))
    assert (place[found.cases["row"]] >= found.cases["fitted_to"]).all()
    assert found.cases["row"].is_unique
    assert found.total == "theatre"


def test_cases_that_look_mistyped_are_not_judged(history, calibrated):
    _, found = calibrated
    slips = looks_mistyped(history.frame)
    assert slips.any()
    assert not slips[found.cases["row"]].any()
    minutes = recorded_total(history.frame, "theatre")
    np.testing.assert_array_equal(minutes[found.cases["row"]], found.cases["observed_min"])


def test_tables_of_a_calibration(calibrated):
    _, found = calibrated
    assert list(found.scores.index) == ["lobetime", *BASELINES]
    assert found.scores.loc["lobetime", "ratio"] == 1.0
    assert (found.scores > 0).all(axis=None)
    for table in (found.coverage, found.overrun):
        assert table["band_low"].is_monotonic_increasing
        assert (table["band_low"] <= table["band_high"]).all()
    assert (np.diff(found.places) >= 0).all()
    text = str(found)
    assert "left out as mistyped" in text
    assert lt.CAUTION in text


def test_conformal_rank_of_a_calibration(calibrated):
    _, found = calibrated
    rank = conformal_rank(len(found), 0.8)
    assert found.conformal(0.8)["rank"] == found.places[rank - 1]
    assert np.isnan(found.conformal(0.9999)["rank"])


def test_enough_held_out_cases_correct_by_default(calibrated, bookings, tmp_path):
    model, found = calibrated
    assert len(found) >= 100
    corrected = model.predict(bookings, draws=400)
    plain = model.predict(bookings, draws=400, conformal=False)
    assert corrected.held_out_cases == len(found)
    assert plain.held_out_cases == 0
    # The draw that covers with 80 % promised is the one that the held-out cases name.
    k = int(np.ceil(found.conformal(0.8)["rank"] * 400)) - 1
    rank = int(0.8 * 400 - 0.5)
    np.testing.assert_allclose(
        np.sort(corrected.totals, axis=1)[:, rank], np.sort(plain.totals, axis=1)[:, k], rtol=0.02
    )
    path = tmp_path / "model.json"
    model.save(path)
    np.testing.assert_array_equal(lt.load_model(path).predict(bookings, draws=400).draws, corrected.draws)


def test_a_new_fit_forgets_held_out_cases(history, calibrated, bookings):
    model, _ = calibrated
    again = lt.TheatreTimeModel(estimator="m", threads=1).fit(history)
    assert again.predict(bookings, draws=200).held_out_cases == 0
    with pytest.raises(lt.InvalidArgument, match="calibrate it first"):
        again.predict(bookings, draws=200, conformal=True)
    np.testing.assert_array_equal(
        again.predict(bookings, draws=200).draws, model.predict(bookings, draws=200, conformal=False).draws
    )


def test_a_group_stays_together(history):
    found = lt.TheatreTimeModel(estimator="m", threads=1).calibration(
        history, method="kfold", folds=2, group="surgeon", baselines=False, draws=200
    )
    surgeon = history.frame["surgeon"].to_numpy()[found.cases["row"]]
    assert (found.cases.groupby(surgeon)["fitted_to"].nunique() == 1).all()
    assert list(found.scores.index) == ["lobetime"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"method": "bootstrap"}, "rolling"),
        ({"folds": 1}, "2 or more"),
        ({"total": "turnover"}, "one of"),
        ({"method": "kfold", "group": "ward"}, "no column 'ward'"),
        ({"method": "kfold", "group": "anticoagulated_"}, "no column"),
    ],
)
def test_wrong_settings_are_refused(history, arguments, message):
    with pytest.raises(lt.InvalidArgument, match=message):
        lt.TheatreTimeModel().calibration(history, **arguments)


def test_rolling_needs_dates_and_cases(history):
    undated = read(history.frame.drop(columns="operated_on"))
    with pytest.raises(lt.InvalidArgument, match="operated_on"):
        lt.TheatreTimeModel().calibration(undated)
    few = read(history.frame.head(5))
    with pytest.raises(lt.InvalidArgument, match="at least 5 cases"):
        lt.TheatreTimeModel().calibration(few, folds=2)


def test_update_is_a_fit_of_all_cases(history, tmp_path):
    old, new = read(history.frame.iloc[:120]), read(history.frame.iloc[120:].reset_index(drop=True))
    model = lt.TheatreTimeModel(estimator="m", threads=1).fit(old)
    path = tmp_path / "model.json"
    model.save(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DriftWarning)
        model.update(new)
    whole = lt.TheatreTimeModel(estimator="m", threads=1).fit(history)
    pd.testing.assert_frame_equal(model.params_[["estimate"]], whole.params_[["estimate"]])
    assert model.n_cases_ == 170
    assert model.drift_.n_cases == 50
    loaded = lt.load_model(path)
    with pytest.raises(lt.InvalidArgument, match="needs history"):
        loaded.update(new)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DriftWarning)
        loaded.update(new, history=old)
    assert loaded.n_cases_ == 170


def test_update_forgets_only_when_asked(history):
    old, new = read(history.frame.iloc[:120]), read(history.frame.iloc[120:].reset_index(drop=True))
    cut = history.frame["operated_on"].sort_values().iloc[60]
    model = lt.TheatreTimeModel(estimator="m", threads=1).fit(old)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DriftWarning)
        model.update(new, forget_before=cut)
    assert model.n_cases_ == int((history.frame["operated_on"] >= cut).sum())
    with pytest.raises(lt.InvalidArgument, match=r"all .* cases were operated on before"):
        model.update(new, forget_before="2100-01-01")


def test_update_says_what_changed(history):
    old, new = read(history.frame.iloc[:120]), history.frame.iloc[120:].reset_index(drop=True)
    slower = new.assign(
        **{name: (new[name] * 2).clip(upper=1000.0) for name in ("enucleation_min", "operative_min", "theatre_min")}
    )
    model = lt.TheatreTimeModel(estimator="m", threads=1).fit(old)
    with pytest.warns(lt.DriftWarning, match="enucleation"):
        model.update(read(slower))


def test_groups_are_in_the_face(calibrated):
    model, _ = calibrated
    assert list(model.groups_.index) == ["surgeon_enucleation", "surgeon_morcellation", "surgeon_learning", "device"]
    assert (model.groups_["log_sd"] > 0).all()
    assert model.groups_.loc["surgeon_enucleation", "members"] == len(model.surgeons_)


@pytest.mark.parametrize("name", BASELINES)
def test_baselines_answer_with_rising_quantiles(name, history, bookings):
    minutes = recorded_total(history.frame, "theatre")
    usable = np.flatnonzero(np.isfinite(minutes))
    quantiles = BASELINES[name](history.frame.iloc[usable], minutes[usable], bookings.frame)
    assert quantiles.shape == (len(bookings.frame), len(LEVELS))
    assert (quantiles > 0).all()
    assert (np.diff(quantiles, axis=1) >= 0).all()


def test_the_oracle_is_judged_right(unit):
    booked = draw_cases(unit, 40, 21)
    outcomes, oracle = run_the_clock(unit, booked, 1500, 1), run_the_clock(unit, booked, 1500, 2)
    other = run_the_clock(unit, booked, 1500, 3)
    found = judge(other.both_min, outcomes.both_min, oracle.both_min)
    # Two samples of one law; quantiles of 1,500 draws have standard errors up to 0.013, over 40 cases 0.002.
    assert found["crps_ratio"] == pytest.approx(1.0, abs=0.003)
    assert found["cover_90"] == pytest.approx(0.9, abs=0.008)
    assert found["overrun_20"] == pytest.approx(0.2, abs=0.008)
    wide = judge(other.both_min * 1.5, outcomes.both_min, oracle.both_min)
    assert wide["crps_ratio"] > 1.1
    assert wide["overrun_20"] < 0.1


def test_units_are_the_same_every_time():
    first, again = (write_down(Unit.draw(8), draw_cases(Unit.draw(8), 60, 2), 2) for _ in range(2))
    pd.testing.assert_frame_equal(first, again)
    assert read(first).frame.shape[0] == 60


def test_a_small_study_and_its_page():
    rows = [row for number in range(2) for n in (0, 15) for row in one_unit(number, n)]
    result = Study(pd.DataFrame(rows))
    assert list(result.table(BOTH).loc[15].index) == ["lobetime", *BASELINES]
    assert list(result.table(BOTH).loc[0].index) == ["lobetime"]
    kept = promises(result)
    assert set(kept["kept"]) <= {"kept", "missed"}
    assert "better than every baseline, n = 15" in kept.index
    page = report(result, "--units 2")
    assert page.count("\n## ") == 3
    assert lt.CAUTION in page


@given(st.lists(st.floats(1.0, 500.0), min_size=2, max_size=30), st.floats(1.0, 500.0), st.floats(0.1, 10.0))
def test_crps_scales_and_is_least_at_a_certain_truth(draws, observed, factor):
    score = float(crps(draws, observed))
    assert score >= -1e-9
    assert float(crps(np.array(draws) * factor, observed * factor)) == pytest.approx(score * factor, rel=1e-9, abs=1e-9)
    assert float(crps([observed, observed], observed)) == 0.0


def test_held_out_places_are_checked():
    fitted = _core.model_from_prior(_core.published_prior())
    with pytest.raises(lt.InvalidArgument, match="phases"):
        fitted.with_held_out(0, [0.5])
    with pytest.raises(lt.InvalidArgument, match="places"):
        fitted.with_held_out(15, [1.5])
    assert fitted.with_held_out(15, [0.7, 0.2]).held_out == [0.2, 0.7]
