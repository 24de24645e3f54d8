"""Invented units: the shipped files are the generated ones, and the simulator follows the model's formulas."""

from __future__ import annotations

import dataclasses
import doctest
import json
import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lobetime import datasets
from lobetime.datasets import CaseMix, Equipment, Mess, UnitTruth, expected_swaps, noise_free, simulate_unit
from lobetime.lists.sessions import read_sessions, read_stock

FILES = ["demo_bookings.csv", "demo_history.csv", "demo_sessions.csv", "demo_stock.csv", "demo_truth.json"]
TIMES = ["enucleation_min", "haemostasis_min", "morcellation_min", "operative_min", "theatre_min"]
_SPREADS: dict[str, Any] = {name: 0.0 for name in UnitTruth().parameters() if name.endswith("_log_sd")}
NO_NOISE = dataclasses.replace(UnitTruth(), **_SPREADS)


def test_shipped_files_are_the_generated_ones_byte_for_byte() -> None:
    unit = datasets.load_demo_unit()
    folder = unit.history_path.parent
    made = datasets.demo_files()
    assert sorted(made) == FILES
    for name, text in made.items():
        assert (folder / name).read_bytes() == text.encode("utf-8"), name


def test_command_remakes_the_files_in_a_directory(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "lobetime.datasets"]
    subprocess.run([*command, str(tmp_path)], check=True, capture_output=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == FILES
    for name, text in datasets.demo_files().items():
        assert (tmp_path / name).read_bytes() == text.encode("utf-8")
    refused = subprocess.run([*command, str(tmp_path / "absent")], check=False, capture_output=True, text=True)
    assert refused.returncode == 2
    assert "not a directory" in refused.stderr


def test_demo_history_is_what_its_docstring_says() -> None:
    unit = datasets.load_demo_unit()
    history = unit.history
    assert len(history) == 420
    assert tuple(history.columns) == datasets.HISTORY_COLUMNS
    assert history["case_id"].is_unique
    assert history["operated_on"].is_monotonic_increasing
    assert (history["operated_on"].max() - history["operated_on"].min()).days > 2.9 * 365
    assert set(history["surgeon"]) == set("ABCDE")
    assert set(map(tuple, history[["blade", "suction"]].dropna().to_numpy())) == {
        ("reciprocating", "vacuum"),
        ("oscillating", "vacuum"),
        ("oscillating", "peristaltic"),
    }
    capacity = history["canister_ml"]
    assert set(capacity.dropna()) == {2000.0, 3000.0, math.inf}
    drained = history["suction"] == "peristaltic"
    assert (capacity.isna() | np.isinf(capacity))[drained].all()
    assert capacity[drained].isna().any()
    assert history["surgeon_case_no"].isna().equals(history["surgeon"] == "C")
    assert {"complete", "deferred", "other_route"} == set(history["morcellation_outcome"])
    assert history["device_fault"].sum() > 0
    assert history["hard_nodule"].sum() > 0

    assert history[["gland_ml", "operated_on", "surgeon"]].notna().all(axis=None)
    blanked = history[[c for c in datasets._simulate.BLANK_COLUMNS if c != "turnover_min"]]
    assert blanked.isna().to_numpy().mean() == pytest.approx(0.08, abs=0.01)
    assert blanked.isna().any().all()

    in_hours = history["case_id"].isin(unit.spoilt["hours_for_minutes"])
    assert (history.loc[~in_hours, TIMES].stack().dropna() % 5 == 0).all()
    assert (history[TIMES].stack().dropna() > 0).all()


def test_demo_slips_are_in_the_file_and_named() -> None:
    unit = datasets.load_demo_unit()
    history = unit.history.set_index("case_id")
    assert {kind: len(ids) for kind, ids in unit.spoilt.items()} == {
        "outlier": 4,
        "gland_times_ten": 2,
        "hours_for_minutes": 2,
        "tissue_above_gland": 2,
    }
    assert history.loc[list(unit.spoilt["gland_times_ten"]), "gland_ml"].between(400, 600).all()
    assert (history.loc[list(unit.spoilt["hours_for_minutes"]), TIMES].min(axis=1) < 5).all()
    heavier = history.loc[list(unit.spoilt["tissue_above_gland"])]
    assert (heavier["tissue_g"] > heavier["gland_ml"]).all()
    # The sums of a row agree exactly wherever all of its phases are recorded and nobody slipped.
    honest = history.drop(index=list(unit.spoilt["hours_for_minutes"])).dropna(subset=TIMES)
    parts = honest[["enucleation_min", "haemostasis_min", "morcellation_min"]].sum(axis=1)
    assert (parts == honest["operative_min"]).all()
    assert (honest["theatre_min"] > honest["operative_min"]).all()


def test_demo_bookings_hold_the_hard_ones() -> None:
    unit = datasets.load_demo_unit()
    bookings = unit.bookings
    assert len(bookings) == 40
    assert tuple(bookings.columns) == datasets.BOOKING_COLUMNS
    assert bookings["case_id"].is_unique
    assert not set(bookings["case_id"]) & set(unit.history["case_id"])
    assert bookings.notna().all(axis=None)
    assert (bookings["gland_ml"] >= 200).sum() >= 3
    assert bookings["gland_ml"].max() == 310
    assert set(bookings["surgeon"]) - set(unit.history["surgeon"]) == {"F"}
    assert ((bookings["blade"] == "oscillating") & (bookings["suction"] == "wall")).sum() == 2
    assert set(bookings["priority"]) == {1, 2, 3}
    assert (bookings["days_waiting"] >= 0).all()


def test_demo_sessions_go_with_the_bookings() -> None:
    unit = datasets.load_demo_unit()
    sessions, bookings = unit.sessions, unit.bookings
    assert len(sessions) == 14
    assert tuple(sessions.columns) == datasets.SESSION_COLUMNS
    assert sessions["starts_at"].is_monotonic_increasing
    assert sessions["session_id"].tolist() == [f"INV-S{i:02d}" for i in range(1, 15)]
    assert sessions["starts_at"].min().normalize() == unit.history["operated_on"].max() + pd.Timedelta(days=1)
    assert (sessions["starts_at"].max() - sessions["starts_at"].min()).days <= 21
    assert (sessions["starts_at"].dt.day_of_week < 5).all()
    assert sessions["minutes"].value_counts().to_dict() == {480: 11, 240: 2, 600: 1}
    assert set(sessions["surgeon"].dropna()) == set(bookings["surgeon"])
    # Nobody's latest day has passed before a session that could take them.
    for _, booking in bookings.iterrows():
        own = sessions[sessions["surgeon"].isna() | (sessions["surgeon"] == booking["surgeon"])]
        assert (own["starts_at"].dt.normalize() <= booking["due_by"]).any(), booking["case_id"]
    own_class = sessions[sessions[["blade", "suction", "canister_ml"]].notna().any(axis=1)]
    assert len(own_class) == 3
    classes = set(map(tuple, bookings[["blade", "suction"]].to_numpy()))
    assert set(map(tuple, own_class[["blade", "suction"]].dropna().to_numpy())) < classes
    spinal = sessions[sessions["anaesthesia"] == "spinal"]
    assert len(spinal) == sessions["anaesthesia"].notna().sum() == 1
    assert spinal["surgeon"].isna().all()
    asked = ["max_overtime_min", "overrun_risk", "max_large", "max_gland_ml", "max_cases"]
    assert sessions[asked].notna().any().all()


def test_demo_sessions_hold_most_bookings_but_not_all() -> None:
    unit = datasets.load_demo_unit()
    # Median theatre minutes by the truth (experienced surgeons) and 25 min between cases.
    medians = noise_free(unit.bookings.drop(columns="surgeon"), unit.truth)["theatre_min"].to_numpy() + 25.0
    room = float(unit.sessions["minutes"].sum())
    assert medians.sum() > room
    assert np.searchsorted(np.cumsum(np.sort(medians)), room) > 0.6 * len(medians)


def test_demo_stock_covers_every_class_and_can_bind() -> None:
    unit = datasets.load_demo_unit()
    stock, bookings = unit.stock, unit.bookings
    assert tuple(stock.columns) == datasets.STOCK_COLUMNS
    everyday = stock[stock["day"].isna()]
    sets = everyday[everyday["what"] == "device_set"]
    assert set(map(tuple, sets[["blade", "suction"]].to_numpy())) == set(
        map(tuple, bookings[["blade", "suction"]].to_numpy())
    )
    canisters = everyday[everyday["what"] == "canister"].set_index("canister_ml")["amount"]
    used = bookings[np.isfinite(bookings["canister_ml"])]
    assert set(canisters.index) == set(used["canister_ml"])
    # One large gland takes most of a day's canisters, and a full day more sets than there are.
    wanted = noise_free(used, unit.truth)["canister_swaps"] + 1.0
    assert (wanted > 0.75 * used["canister_ml"].map(canisters)).any()
    assert (sets["amount"] <= 3).all()
    assert sets["reprocess_min"].isna().any()
    assert sets["reprocess_min"].notna().any()
    named = stock[stock["day"].notna()]
    assert set(named["day"]) < set(unit.sessions["starts_at"].dt.normalize())
    for _, row in named.iterrows():
        same = everyday[["what", "blade", "suction"]].fillna("").eq(row[["what", "blade", "suction"]].fillna(""))
        assert (row["amount"] < everyday.loc[same.all(axis=1), "amount"]).all()


def test_demo_sessions_and_stock_read_without_a_warning() -> None:
    unit = datasets.load_demo_unit()
    for read, frame, path in (
        (read_sessions, unit.sessions, unit.sessions_path),
        (read_stock, unit.stock, unit.stock_path),
    ):
        pd.testing.assert_frame_equal(read(frame).frame, read(path).frame)
        assert read(path).warnings.empty
    pd.testing.assert_frame_equal(
        read_sessions(datasets.simulate_demo_sessions()).frame, read_sessions(unit.sessions).frame
    )
    pd.testing.assert_frame_equal(read_stock(datasets.simulate_demo_stock()).frame, read_stock(unit.stock).frame)


def test_everything_is_labelled_invented_and_names_nobody() -> None:
    unit = datasets.load_demo_unit()
    for frame in (unit.history, unit.bookings):
        assert frame["case_id"].str.fullmatch(r"INV-B?\d+").all()
        assert frame["surgeon"].str.fullmatch("[A-F]").all()
        known = set(datasets.HISTORY_COLUMNS) | set(datasets.BOOKING_COLUMNS)
        assert set(frame.columns) <= known
    assert unit.sessions["session_id"].str.fullmatch(r"INV-S\d+").all()
    assert unit.sessions["surgeon"].dropna().str.fullmatch("[A-F]").all()
    assert set(unit.sessions["room"]) == {"R1", "R2"}
    known |= {*datasets.SESSION_COLUMNS, *datasets.STOCK_COLUMNS}
    for word in ("name", "birth", "nhs", "mrn", "address", "sex", "age"):
        assert not [c for c in known if word in c.split("_")]
    stored = json.loads(unit.history_path.with_name("demo_truth.json").read_text(encoding="utf-8"))
    assert stored["label"].startswith("Invented")
    assert "invented" in (datasets.load_demo_unit.__doc__ or "")


def test_truth_survives_json() -> None:
    truth = UnitTruth(e_80=33.0, surgeons={"X": (0.1, -0.2, 7)}, devices={"M1": 0.05})  # type: ignore[dict-item]
    assert UnitTruth.from_dict(json.loads(json.dumps(truth.to_dict()))) == truth
    assert datasets.load_demo_unit().truth == UnitTruth()


def test_median_of_a_plain_case_by_hand() -> None:
    # 80 mL, reciprocating, vacuum, drained: W = 54; T_e = 14 + 40; rate = 4.6 * 1.08^0.15 = 4.653411 g/min.
    row = noise_free(pd.DataFrame({"gland_ml": [80.0]})).iloc[0]
    assert row["tissue_g"] == pytest.approx(54.0)
    assert row["enucleation_min"] == pytest.approx(54.0)
    assert row["haemostasis_min"] == pytest.approx(11.0)
    assert row["blade_min"] == pytest.approx(11.604391, rel=1e-6)
    assert row["fluid_ml"] == pytest.approx(250.0 + 350.0 * 11.604391, rel=1e-6)
    assert row["morcellation_min"] == pytest.approx(13.104391, rel=1e-6)
    assert row["operative_min"] == pytest.approx(78.104391, rel=1e-6)
    assert row["theatre_min"] == pytest.approx(130.104391, rel=1e-6)


def test_median_of_a_hard_case_by_hand() -> None:
    case = {
        "gland_ml": 160.0,
        "surgeon": "C",
        "surgeon_case_no": 1,
        "blade": "oscillating",
        "suction": "peristaltic",
        "canister_ml": math.inf,
        "trainee": 1,
        "hard_nodule": 1,
        "anticoagulated": 1,
        "device_fault": 1,
        "anaesthesia": "spinal",
    }
    row = noise_free(pd.DataFrame([case]), dataclasses.replace(UnitTruth(), room_spinal=-0.1)).iloc[0]
    # W = 54 * 2^1.19; T_e = (14 + 40 * 2^1.05) * 1.8 * e^(0.10 + 0.12); T_h = 11 e^0.2; T_r = 52 e^-0.1
    assert row["tissue_g"] == pytest.approx(123.2025, abs=1e-3)
    assert row["enucleation_min"] == pytest.approx(217.164, abs=1e-3)
    assert row["haemostasis_min"] == pytest.approx(13.4354, abs=1e-4)
    # B = 123.2025 / (4.6 e^(0.18 - 0.15) (2.46405)^0.15) * 1.35 * 1.5 e^(0.05 + 0.1); T_m = 1.5 + B + 12
    assert row["blade_min"] == pytest.approx(53.414, abs=2e-3)
    assert row["morcellation_min"] == pytest.approx(66.914, abs=2e-3)
    assert row["fluid_ml"] == pytest.approx(250 + 300 * 53.414, abs=1.0)
    assert row["room_min"] == pytest.approx(47.0515, abs=1e-4)


def test_learning_halves_after_half_life_and_wall_suction_is_slower() -> None:
    truth = UnitTruth()
    cases = pd.DataFrame({"gland_ml": [80.0] * 3, "surgeon_case_no": [1, 13, 37]})
    extra = noise_free(cases, truth)["enucleation_min"] / 54.0 - 1.0
    assert extra.to_numpy() == pytest.approx([0.8, 0.4, 0.2])
    classes = pd.DataFrame({"gland_ml": [80.0] * 2, "suction": ["vacuum", "wall"], "device": ["M1", "M1"]})
    blade = noise_free(classes, dataclasses.replace(truth, devices={"M1": 0.1}))["blade_min"]
    assert blade[1] / blade[0] == pytest.approx(math.exp(0.3))
    assert blade[0] == pytest.approx(11.604391 * math.exp(-0.1), rel=1e-6)


def test_expected_swaps_by_hand_and_by_counting() -> None:
    # Phi(0) + Phi(-log 2 / 0.3) + Phi(-log 3 / 0.3) + ... = 0.5 + 0.010430 + 0.000125 + 0.000002
    assert float(expected_swaps(2000.0, 2000.0, 0.3)) == pytest.approx(0.510557, abs=2e-6)
    assert float(expected_swaps(9000.0, math.inf, 0.3)) == 0.0
    assert float(expected_swaps(4100.0, 2000.0, 0.0)) == 2.0
    # 400,000 draws: the standard error of the mean count is below 0.004.
    fluid = 6500.0 * np.exp(0.3 * np.random.default_rng(1).standard_normal(400_000))
    assert float(expected_swaps(6500.0, 2000.0, 0.3)) == pytest.approx(np.floor(fluid / 2000.0).mean(), abs=0.016)


def test_without_noise_the_simulated_cases_are_the_formulas() -> None:
    cases = simulate_unit(300, seed=4, truth=NO_NOISE)
    medians = noise_free(cases.drop(columns=["tissue_g", "canister_swaps"]), NO_NOISE)
    for column in ["tissue_g", *TIMES]:
        np.testing.assert_allclose(cases[column], medians[column], rtol=1e-12)
    np.testing.assert_array_equal(
        cases["canister_swaps"], np.floor(medians["fluid_ml"].to_numpy() / cases["canister_ml"].to_numpy())
    )


def test_noise_has_the_stated_spread_and_correlation() -> None:
    n = 10_000
    truth = UnitTruth()
    cases = simulate_unit(n, seed=11)
    medians = noise_free(cases)
    residuals = {c: np.log(cases[c] / medians[c]) for c in ("enucleation_min", "haemostasis_min", "morcellation_min")}
    residuals["room_min"] = np.log((cases["theatre_min"] - cases["operative_min"]) / medians["room_min"])
    residuals["tissue_g"] = np.log(cases["tissue_g"] / noise_free(cases.drop(columns="tissue_g"))["tissue_g"])
    for column, residual in residuals.items():
        log_sd = getattr(truth, column.rsplit("_", 1)[0] + "_log_sd")
        # Four standard errors of a mean and of a spread of n normals.
        assert residual.mean() == pytest.approx(0.0, abs=4 * log_sd / math.sqrt(n)), column
        assert residual.std() == pytest.approx(log_sd, rel=4 / math.sqrt(2 * n)), column
    together = np.corrcoef(residuals["enucleation_min"], residuals["morcellation_min"])[0, 1]
    assert together == pytest.approx(truth.phase_correlation, abs=4 / math.sqrt(n))
    canister = np.isfinite(cases["canister_ml"])
    expected = noise_free(cases[canister].drop(columns="canister_swaps"))["canister_swaps"]
    assert cases.loc[canister, "canister_swaps"].mean() == pytest.approx(expected.mean(), rel=0.04)


def test_a_mess_changes_only_what_it_spoils() -> None:
    clean = simulate_unit(500, seed=3)
    spoilt = simulate_unit(500, seed=3, mess=Mess(outlier_fraction=0.1))
    hit = spoilt["case_id"].isin(spoilt.attrs["spoilt"]["outlier"])
    assert hit.sum() == 50
    pd.testing.assert_frame_equal(clean[~hit], spoilt[~hit])
    pd.testing.assert_frame_equal(clean.drop(columns=TIMES), spoilt.drop(columns=TIMES))
    factor = spoilt.loc[hit, "enucleation_min"] / clean.loc[hit, "enucleation_min"]
    assert factor.between(3, 8).all()
    np.testing.assert_allclose(spoilt.loc[hit, "theatre_min"], factor * clean.loc[hit, "theatre_min"])
    both_ways = simulate_unit(500, seed=3, mess=Mess(outlier_fraction=0.1, outlier_upward=0.5))
    ratio = both_ways.loc[hit, "enucleation_min"] / clean.loc[hit, "enucleation_min"]
    assert (ratio < 1).any()
    assert (ratio > 1).any()


def test_stopped_morcellations_are_censored_below_the_full_time() -> None:
    clean = simulate_unit(2000, seed=5)
    stopped = simulate_unit(2000, seed=5, mess=Mess(deferred_fraction=0.3))
    rows = stopped["morcellation_outcome"] != "complete"
    assert 0.2 < rows.mean() < 0.3
    assert (stopped.loc[rows, "morcellation_min"] < clean.loc[rows, "morcellation_min"]).all()
    assert (stopped.loc[rows, "canister_swaps"] <= clean.loc[rows, "canister_swaps"]).all()
    pd.testing.assert_frame_equal(stopped[~rows], clean[~rows])
    # The other phases took the time they took.
    pd.testing.assert_series_equal(stopped["enucleation_min"], clean["enucleation_min"])


def test_case_numbers_run_on_over_the_dates() -> None:
    truth = UnitTruth()
    cases = simulate_unit(400, seed=8, mix=CaseMix(surgeon_joins={"E": 0.5}))
    assert (cases["operated_on"].dt.day_of_week < 5).all()
    for code, own in cases.groupby("surgeon"):
        first = truth.surgeons[str(code)].first_case_no
        assert own["surgeon_case_no"].tolist() == list(range(first, first + len(own)))
    assert cases.index[cases["surgeon"] == "E"].min() > 150


def test_drawn_surgeons_are_reproducible_and_spread() -> None:
    surgeons = datasets.draw_surgeons(400, seed=2)
    assert surgeons == datasets.draw_surgeons(400, seed=2)
    assert surgeons != datasets.draw_surgeons(400, seed=3)
    assert np.std([s.u for s in surgeons.values()]) == pytest.approx(0.2, rel=0.15)
    assert np.std([s.v for s in surgeons.values()]) == pytest.approx(0.15, rel=0.15)
    assert sum(s.first_case_no == 1 for s in surgeons.values()) == 134


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**64), n_cases=st.integers(1, 60))
def test_any_seed_gives_a_usable_unit_and_the_same_one_twice(seed: int, n_cases: int) -> None:
    mess = Mess(rounding_min=5, blank_fraction=0.5, outlier_fraction=0.2, typing_error_fraction=0.2)
    cases = simulate_unit(n_cases, seed=seed, mess=mess)
    pd.testing.assert_frame_equal(cases, simulate_unit(n_cases, seed=seed, mess=mess))
    assert len(cases) == n_cases
    assert cases[TIMES].notna().any(axis=1).all()
    clean = simulate_unit(n_cases, seed=seed)
    assert clean["gland_ml"].between(20, 300).all()
    assert clean.drop(columns=["turnover_min", "device"]).notna().all(axis=None)
    np.testing.assert_allclose(
        clean["operative_min"], clean[["enucleation_min", "haemostasis_min", "morcellation_min"]].sum(axis=1)
    )


def test_clean_and_mess_are_told_apart() -> None:
    pd.testing.assert_frame_equal(simulate_unit(30, seed=1, clean=True), simulate_unit(30, seed=1))
    pd.testing.assert_frame_equal(simulate_unit(30, seed=1, clean=False), simulate_unit(30, seed=1, mess=Mess.usual()))
    with pytest.raises(ValueError, match="contradict"):
        simulate_unit(30, seed=1, clean=True, mess=Mess())


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: UnitTruth(rate_50=0.0, e_half=-1.0), ["rate_50", "e_half"]),
        (lambda: UnitTruth(e_80=math.nan), ["e_80"]),
        (lambda: UnitTruth(phase_correlation=1.2), ["phase_correlation"]),
        (lambda: UnitTruth(tissue_log_sd=-0.1), ["tissue_log_sd"]),
        (lambda: UnitTruth(surgeons={}), ["surgeons"]),
        (lambda: Mess(blank_fraction=1.5, outlier_factor=(8, 3)), ["blank_fraction", "outlier_factor"]),
        (lambda: Mess(blank_columns=("gland_ml",)), ["gland_ml"]),
        (lambda: CaseMix(gland_min_ml=90.0, years=0.0), ["gland_min_ml", "years"]),
        (lambda: Equipment("spinning", "vacuum", 2000.0, 1.0), ["blade"]),
        (lambda: Equipment("oscillating", "vacuum", 0.0, 1.0), ["canister_ml"]),
        (lambda: simulate_unit(0, seed=1), ["n_cases"]),
        (lambda: simulate_unit(5, seed=1, mix=CaseMix(surgeon_joins=dict.fromkeys("ABCDE", 0.9))), ["joins"]),
        (lambda: noise_free(pd.DataFrame({"gland_ml": [80.0, math.nan]})), ["gland_ml"]),
        (lambda: datasets.draw_surgeons(0, seed=1), ["n_surgeons"]),
    ],
)
def test_what_cannot_be_is_refused_by_name(make: Callable[[], object], words: list[str]) -> None:
    with pytest.raises(ValueError, match=words[0]) as caught:
        make()
    for word in words:
        assert word in str(caught.value)


def test_docstring_example() -> None:
    result = doctest.testmod(datasets._simulate)
    assert result.attempted >= 3
    assert result.failed == 0
