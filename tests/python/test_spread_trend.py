"""Spreads that change with the gland and with experience: found, predicted with, written down and told.

The unit is simulated with two of them: enucleation scatters the more the larger the gland, morcellation the more the
less experienced the surgeon is.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import lobetime as lt
from lobetime import _core
from lobetime.cli import app
from lobetime.datasets import UnitTruth, draw_surgeons, noise_free, simulate_unit
from lobetime.report import unit_report

TRUTH = UnitTruth(surgeons=draw_surgeons(9, seed=1))  # every third from the first case on
PER_LOG_VOLUME, PER_INEXPERIENCE = 0.45, 0.6
TRENDS = ["per_doubling", "first_case"]

pytestmark = pytest.mark.filterwarnings("ignore::lobetime.DataWarning")  # what scatters so widely looks mistyped


def unit_with_trends(n_cases: int, seed: int) -> pd.DataFrame:
    cases = simulate_unit(n_cases, seed=seed, truth=TRUTH)
    median = noise_free(cases, TRUTH)
    left = 1.0 / (1.0 + (cases["surgeon_case_no"] - 1.0) / TRUTH.m_half)
    wider = {
        "enucleation_min": (cases["gland_ml"] / 80.0) ** PER_LOG_VOLUME,
        "morcellation_min": np.exp(PER_INEXPERIENCE * left),
    }
    for phase, factor in wider.items():
        minutes = median[phase] * (cases[phase] / median[phase]) ** factor
        cases[["operative_min", "theatre_min"]] = cases[["operative_min", "theatre_min"]].add(
            minutes - cases[phase], axis=0
        )
        cases[phase] = minutes
    return cases


@pytest.fixture(scope="module")
def history():
    return unit_with_trends(1000, seed=13)


@pytest.fixture(scope="module")
def fitted(history):
    return lt.TheatreTimeModel().fit(history)


def without_trends(model: lt.TheatreTimeModel) -> lt.TheatreTimeModel:
    """The same model with one spread for all cases of a phase."""
    content = json.loads(model.fitted_.to_json())
    for channel in content["spreads"]:
        channel.pop("trend", None)
    return lt.model.model_from_json(json.dumps(content))


def to_book(cases: pd.DataFrame) -> pd.DataFrame:
    known = ["case_id", "gland_ml", "surgeon", "surgeon_case_no", "blade", "suction", "canister_ml", "anaesthesia"]
    return cases[[*known, "hard_nodule", "trainee", "anticoagulated"]]


def test_the_fit_shows_each_trend_where_it_is(fitted):
    scale = fitted.scale_
    for phase, column, ratio in [
        ("enucleation", "per_doubling", 2.0**PER_LOG_VOLUME),
        ("morcellation", "first_case", np.exp(PER_INEXPERIENCE)),
    ]:
        found, error = scale.loc[phase, column], scale.loc[phase, f"{column}_se"]
        assert np.log(found) > 2.0 * error / found
        assert ratio - 4.0 * error < found < ratio + 3.0 * error  # the prior draws it towards 1
    assert scale.loc["enucleation", "first_case":].isna().all()
    assert scale.loc[["tissue", "haemostasis", "room", "operative", "theatre"], TRENDS].isna().all(axis=None)


def test_intervals_of_small_and_of_large_glands_hold_nine_in_ten(fitted):
    """90 % intervals of enucleation: with one spread they are too wide for small glands and too narrow for large."""
    to_come = unit_with_trends(6000, seed=99)
    minutes, gland = to_come["enucleation_min"].to_numpy(), to_come["gland_ml"].to_numpy()
    small, large = gland < np.quantile(gland, 0.25), gland > np.quantile(gland, 0.75)

    def held(model: lt.TheatreTimeModel) -> tuple[float, float]:
        draws = model.predict(to_book(to_come), draws=1000).draws[:, :, 0]
        low, high = np.quantile(draws, [0.05, 0.95], axis=1)
        inside = (low <= minutes) & (minutes <= high)
        return float(inside[small].mean()), float(inside[large].mean())

    # The share of 1500 cases has a standard error of 0.008, and that of another history of 0.015.
    assert held(fitted) == pytest.approx((0.9, 0.9), abs=0.04)
    of_small, of_large = held(without_trends(fitted))
    assert of_small > 0.94
    assert of_large < 0.86


def test_a_model_file_keeps_them(fitted, history, tmp_path):
    fitted.save(tmp_path / "unit.json")
    again = lt.load_model(tmp_path / "unit.json")
    pd.testing.assert_frame_equal(again.scale_, fitted.scale_)
    bookings = to_book(history.head(8))
    draws = fitted.predict(bookings, draws=500).draws
    np.testing.assert_array_equal(again.predict(bookings, draws=500).draws, draws)
    again.save(tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "unit.json").read_bytes()
    # A file that says nothing of trends has none.
    plain = without_trends(fitted)
    assert plain.scale_[TRENDS].isna().all(axis=None)
    assert not np.array_equal(plain.predict(bookings, draws=500).draws, draws)


def test_slots_are_the_same_at_any_number_of_threads(history):
    bookings = to_book(history.head(8)).drop(columns="surgeon_case_no").assign(surgeon="nobody")
    tables = []
    for threads in (1, 2, 4):
        model = lt.TheatreTimeModel(threads=threads).fit(history)
        tables.append(lt.slots(model.predict(bookings, draws=500, seed=3), overrun_risk=0.2).to_csv(index=False))
    assert tables[1:] == tables[:1] * 2


def test_they_are_told_where_there_are_any_and_only_there(fitted, history, tmp_path):
    enucleation, morcellation = (fitted.scale_.loc[phase] for phase in ("enucleation", "morcellation"))
    told = f"{enucleation['per_doubling']:.3f} ± {enucleation['per_doubling_se']:.3f}"
    told_too = f"{morcellation['first_case']:.2f} ± {morcellation['first_case_se']:.2f}"
    summary = fitted.summary()
    for text in (str(summary), summary.to_html(), summary.to_latex()):
        assert "ratio per doubling of the gland" in text and "ratio at a first case" in text
    rows = {row[0]: row[-2:] for row in summary.tables()[-1].rows}
    assert rows["enucleation"] == (told, "") and rows["morcellation"] == ("", told_too) and rows["room"] == ("", "")

    words = f"enucleation {told} times as widely per doubling of the gland"
    assert words in unit_report(lt.read_cases(history), fitted).to_html()
    history.to_csv(tmp_path / "unit.csv", index=False)
    out = CliRunner().invoke(app, ["fit", str(tmp_path / "unit.csv"), "--out", str(tmp_path / "unit.json")])
    assert words in " ".join(out.stdout.split())

    plain = without_trends(fitted)
    assert len(plain.summary().tables()[-1].headings) == len(summary.tables()[-1].headings) - 2
    assert "doubling" not in str(plain.summary())


def test_the_published_prior_has_none():
    rows = _core.model_from_prior(_core.published_prior()).spreads
    assert all(np.isnan(row[name]) for row in rows for name in TRENDS)
