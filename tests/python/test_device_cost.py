"""Cost per case and break-even: arithmetic by hand, refusals by name, ranges."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import lobetime as lt
from lobetime.devices import Comparison, CostInputs, compare_devices, device_cost
from lobetime.devices.cost import _break_even, _drawn

CLASSES = ["reciprocating/vacuum", "oscillating/vacuum"]
PLAIN = CostInputs(
    capital=10_000,
    life_years=5,
    service_per_year=1_000,
    disposable_price=120,
    disposable_uses=4,
    other_per_case=7,
    canister_price=3,
)
DEAR = replace(PLAIN, capital=30_000, disposable_uses=1)


@pytest.fixture(scope="module")
def told(model: lt.TheatreTimeModel, cases: lt.Cases) -> Comparison:
    mix = cases.frame.iloc[::10].reset_index(drop=True)
    return compare_devices(model, mix, CLASSES, [2000, "drain"], draws=400, cases_per_year=100)


def cost_of(told: Comparison, **changed: object):  # type: ignore[no-untyped-def]
    asked = {"theatre_minute_cost": 10.0, "currency": "crowns"} | changed
    return device_cost(told, {CLASSES[0]: PLAIN, CLASSES[1]: DEAR}, **asked)  # type: ignore[arg-type]


def test_a_case_costs_what_the_sum_by_hand_says(told: Comparison) -> None:
    found = cost_of(told)
    minutes, swaps = told.draws["theatre_min"], told.draws["swaps"]
    name = "reciprocating/vacuum, 2000 mL"
    by_hand = (10_000 / 5 + 1_000) / 100 + 120 / 4 + 7 + 3 * (1 + swaps[name]) + 10 * minutes[name]
    np.testing.assert_allclose(found.draws[name], by_hand, rtol=1e-12)
    on_drain = "oscillating/vacuum, continuous drain"
    by_hand = (30_000 / 5 + 1_000) / 100 + 120 + 7 + 10 * minutes[on_drain]
    np.testing.assert_allclose(found.draws[on_drain], by_hand, rtol=1e-12)
    row = found.table.loc[name]
    assert row["device_per_case"] + row["theatre_per_case"] == pytest.approx(row["cost_per_case"])
    assert found.table["p_cheapest"].sum() == pytest.approx(1.0)


def test_at_the_break_even_volume_both_cost_the_same(told: Comparison) -> None:
    # A dear device whose minutes are worth much: cheaper from some volume on.
    found = cost_of(told, theatre_minute_cost=100.0)
    row = found.break_even.loc["oscillating/vacuum, 2000 mL"]
    assert row["p_from"] > 0.9
    at = float(row["from_cases"])
    there = cost_of(told, theatre_minute_cost=100.0, cases_per_year=at)
    difference = there.draws["oscillating/vacuum, 2000 mL"] - there.draws[found.reference]
    assert (difference < 0).mean() == pytest.approx(0.5 * row["p_from"], abs=0.02)  # the median of those draws


@settings(max_examples=100, deadline=None)
@given(fixed=st.floats(-1e5, 1e5), variable=st.floats(-1e3, 1e3))
def test_break_even_agrees_with_the_signs_at_all_volumes(fixed: float, variable: float) -> None:
    assume(variable == 0.0 or abs(variable) > 1e-9)
    found = _break_even(np.array([fixed]), np.array([variable]))
    volumes = np.geomspace(1e-3, 1e9, 200)
    cheaper = fixed + volumes * variable < 0
    kinds = [found["p_always"], found["p_from"], found["p_up_to"], found["p_never"]]
    assert sum(kinds) == pytest.approx(1.0)
    if found["p_always"]:
        assert cheaper.all()
    elif found["p_never"]:
        assert not cheaper.any()
    else:
        at = found["from_cases"] if found["p_from"] else found["up_to_cases"]
        beyond = volumes > at * (1 + 1e-9)
        within = volumes < at * (1 - 1e-9)
        assert cheaper[beyond].all() == bool(found["p_from"]) or not beyond.any()
        assert cheaper[within].all() == bool(found["p_up_to"]) or not within.any()


def test_no_price_has_a_default() -> None:
    assert CostInputs().problems() == [
        f"{name} is missing"
        for name in (
            "capital",
            "life_years",
            "service_per_year",
            "disposable_price",
            "disposable_uses",
            "other_per_case",
            "canister_price",
        )
    ]


def test_every_missing_or_impossible_input_is_told_by_class_and_name(told: Comparison) -> None:
    inputs = {CLASSES[0]: replace(PLAIN, capital=None, life_years=0, canister_price=(5, 2)), "steam/wall": PLAIN}
    with pytest.raises(lt.InvalidArgument) as refused:
        device_cost(told, inputs, theatre_minute_cost=-1.0, cases_per_year=math.nan, currency=" ")
    for part in (
        "reciprocating/vacuum: capital is missing",
        "life_years must be at least 0.1",
        "canister_price",
        "no inputs for oscillating/vacuum",
        "'steam/wall' is no class",
        "theatre_minute_cost",
        "cases_per_year is missing",
        "currency",
    ):
        assert part in str(refused.value)


def test_a_range_is_ninety_percent_of_a_uniform_and_never_impossible() -> None:
    rng = np.random.default_rng(1)
    draws = _drawn("capital", (100.0, 190.0), rng, 200_000)
    low, high = np.quantile(draws, [0.05, 0.95])
    assert (low, high) == (pytest.approx(100.0, abs=0.5), pytest.approx(190.0, abs=0.5))  # se of a quantile: 0.05
    assert draws.min() >= 95.0
    assert draws.max() <= 195.0
    assert _drawn("disposable_uses", (1.0, 3.0), rng, 1000).min() >= 1.0
    assert _drawn("capital", (0.0, 10.0), rng, 1000).min() >= 0.0


def test_collections_of_one_class_share_its_inputs_and_classes_do_not(told: Comparison) -> None:
    ranged = replace(PLAIN, capital=(5_000, 50_000))
    found = device_cost(
        told, dict.fromkeys(CLASSES, ranged), theatre_minute_cost=0.0, cases_per_year=100, currency="crowns"
    )
    names = [f"{CLASSES[0]}, continuous drain", f"{CLASSES[1]}, continuous drain", f"{CLASSES[0]}, 2000 mL"]
    correlation = found.draws[names].corr()
    assert correlation.iloc[0, 2] > 0.99
    assert abs(correlation.iloc[0, 1]) < 0.2  # 400 independent draws: SD 0.05


def test_an_options_own_inputs_go_before_its_classs(told: Comparison) -> None:
    inputs = {CLASSES[0]: PLAIN, CLASSES[1]: DEAR, f"{CLASSES[1]}, continuous drain": PLAIN}
    found = device_cost(told, inputs, theatre_minute_cost=0.0, currency="crowns")
    assert found.table.loc[f"{CLASSES[1]}, continuous drain", "cost_per_case"] == pytest.approx(67.0)
    assert found.table.loc[f"{CLASSES[1]}, 2000 mL", "cost_per_case"] > 190.0


def test_text_and_json_carry_the_caution_the_currency_and_no_price_of_ours(told: Comparison) -> None:
    found = cost_of(told, theatre_minute_cost=(8.0, 12.0))
    assert str(found).endswith(lt.CAUTION)
    assert "crowns" in str(found)
    assert "8 to 12 crowns" in str(found)
    content = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert content["caution"] == lt.CAUTION
    again = cost_of(told, theatre_minute_cost=(8.0, 12.0))
    pd.testing.assert_frame_equal(found.draws, again.draws, check_exact=True)
