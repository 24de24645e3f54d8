"""Two devices in one unit's cases: a known effect behind confounding, what is refused, what is told."""

from __future__ import annotations

import dataclasses
import json
import math
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import lobetime as lt
from lobetime import _core
from lobetime.devices.head_to_head import HeadToHead, HeadToHeadWarning, head_to_head

A, B = "reciprocating/vacuum", "oscillating/vacuum"
EFFECT = math.log(0.85)  # minutes of B over those of A, same gland, tissue, surgeon, experience and collection
SURGEONS = {"S1": -0.35, "S2": 0.0, "S3": 0.3}  # S1 is the quickest, and has B most often


def simulated(
    seed: int,
    n: int = 160,
    *,
    effect: float = EFFECT,
    confounded: bool = True,
    stopped: float = 0.05,
    slips: float = 0.0,
    blank_tissue: float = 0.0,
) -> pd.DataFrame:
    """A unit that uses B, the better device, for bigger glands and by its better surgeon.

    Log minutes are linear in what is adjusted for; ``stopped`` cases are given up at a time that does not look at how
    long they would have taken; ``slips`` have their minutes typed in hours.
    """
    rng = np.random.default_rng([seed, 0xC0F])
    gland = np.exp(rng.normal(math.log(80), 0.45, n)).clip(25, 280)
    surgeon = rng.choice(list(SURGEONS), n)
    case_no = np.empty(n)
    for code, first in zip(SURGEONS, (120, 40, 1), strict=True):
        of = surgeon == code
        case_no[of] = first + np.arange(of.sum())
    canister = rng.choice([2000.0, 3000.0, np.inf], n)
    skill = np.array([SURGEONS[code] for code in surgeon])
    logit = 1.6 * (np.log(gland / 80) / 0.45) - 3.0 * skill if confounded else np.zeros(n)
    device_b = rng.random(n) < 1 / (1 + np.exp(-logit))
    tissue = 54 * (gland / 80) ** 1.19 * np.exp(0.18 * rng.standard_normal(n))
    log_minutes = (
        math.log(13.0)
        + 0.8 * np.log(tissue / 50)
        + 0.1 * np.log(gland / 80)
        + skill
        + 0.35 / (1 + (case_no - 1) / 8)
        + 0.12 * (gland / 80) * (2000 / canister)
        + effect * device_b
        + 0.33 * rng.standard_normal(n)
    )
    minutes = np.exp(log_minutes)
    limit = np.where(rng.random(n) < stopped, 9.0 * rng.uniform(1.0, 3.0, n), np.inf)
    unfinished = limit < minutes
    minutes = np.minimum(minutes, limit)
    minutes[rng.random(n) < slips] /= 60.0
    frame = pd.DataFrame(
        {
            "gland_ml": gland,
            "tissue_g": np.minimum(tissue, gland),
            "surgeon": surgeon,
            "surgeon_case_no": case_no,
            "blade": np.where(device_b, "oscillating", "reciprocating"),
            "suction": "vacuum",
            "canister_ml": canister,
            "morcellation_min": minutes,
            "morcellation_outcome": np.where(unfinished, "deferred", "complete"),
        }
    )
    frame.loc[rng.random(n) < blank_tissue, "tissue_g"] = np.nan
    return frame


def compared(frame: pd.DataFrame, **settings: object) -> HeadToHead:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        warnings.simplefilter("ignore", HeadToHeadWarning)
        return head_to_head(frame, A, B, **settings)  # type: ignore[arg-type]


def covers(row: pd.Series, stem: str, truth: float) -> bool:
    return bool(row[f"{stem}_lower"] <= truth <= row[f"{stem}_upper"])


# ------------------------------------------------------------------------------------------------- a known effect


@pytest.mark.slow
def test_adjusted_interval_covers_at_the_nominal_rate_where_the_crude_one_is_wrong():
    """200 confounded units; 95 % of true-rate counts of an exact 95 % interval lie within the band of the binomial."""
    units = 200
    adjusted = crude_minutes = crude_efficiency = slower = 0
    for seed in range(units):
        ratios = compared(simulated(seed)).ratios
        adjusted += covers(ratios.loc["adjusted"], "minutes", math.exp(EFFECT))
        crude_minutes += covers(ratios.loc["unadjusted"], "minutes", math.exp(EFFECT))
        crude_efficiency += covers(ratios.loc["unadjusted"], "efficiency", math.exp(-EFFECT))
        slower += ratios.loc["unadjusted", "minutes_ratio"] > 1.0
    low, high = stats.binom.ppf([0.005, 0.995], units, 0.95)
    assert low <= adjusted <= high
    assert slower > 0.95 * units  # the quicker device looks slower, for it got the bigger glands
    assert crude_minutes < 0.3 * units
    assert crude_efficiency < 0.5 * units  # and in g/min it looks much quicker than it is: the better surgeon had it


@pytest.mark.slow
def test_minutes_at_the_own_mix_are_covered():
    """Mean difference over each unit's own cases, computed from the log-normal that made them."""
    units, held, gap = 120, 0, 0.33
    for seed in range(units):
        frame = simulated(seed, stopped=0.0)
        skill = frame["surgeon"].map(SURGEONS)
        log_median = (
            math.log(13.0)
            + 0.8 * np.log(frame["tissue_g"] / 50)
            + 0.1 * np.log(frame["gland_ml"] / 80)
            + skill
            + 0.35 / (1 + (frame["surgeon_case_no"] - 1) / 8)
            + 0.12 * (frame["gland_ml"] / 80) * (2000 / frame["canister_ml"])
        )
        truth = float((np.exp(log_median + gap**2 / 2) * math.expm1(EFFECT)).mean())
        row = compared(frame).minutes.loc["B minus A"]
        held += bool(row["lower"] <= truth <= row["upper"])
    low, high = stats.binom.ppf([0.005, 0.995], units, 0.95)
    assert low <= held <= high


def test_at_random_both_figures_estimate_the_effect():
    found = compared(simulated(3, 600, confounded=False), randomised=True)
    for row in ("adjusted", "unadjusted"):
        assert covers(found.ratios.loc[row], "minutes", math.exp(EFFECT))
    width = np.log(found.ratios["minutes_upper"] / found.ratios["minutes_lower"])
    assert width["adjusted"] < width["unadjusted"]
    assert "at random" in str(found)
    assert found.in_common > 0.95


def test_interaction_with_gland_size_is_read_off():
    """B gains 25 % in a 40 mL gland and nothing in one of 160 mL."""
    frame = simulated(5, 1500, effect=0.0, stopped=0.0)
    of_b = frame["blade"] == "oscillating"
    slope = math.log(1 / 0.75) / math.log(4)
    gain = math.log(0.75) + slope * np.log(frame["gland_ml"] / 40)
    frame.loc[of_b, "morcellation_min"] *= np.exp(gain[of_b])
    found = compared(frame)
    for gland_ml, truth in ((40.0, 0.75), (80.0, 0.75 * 2**slope), (160.0, 1.0)):
        row = found.by_gland.loc[gland_ml]
        assert row["lower"] <= truth <= row["upper"]
    assert found.interaction["lower"] <= 2**slope <= found.interaction["upper"]
    assert found.interaction["p"] < 0.01


def test_unfinished_morcellations_count_as_at_least_times():
    """B is given up early in its long cases; left out, it would look quicker than it is."""
    rng = np.random.default_rng(8)
    frame = simulated(8, 900, stopped=0.0)
    long_b = (frame["blade"] == "oscillating") & (frame["morcellation_min"] > 20) & (rng.random(len(frame)) < 0.8)
    frame.loc[long_b, "morcellation_min"] = 20.0
    frame.loc[long_b, "morcellation_outcome"] = "deferred"
    whole, finished = compared(frame), compared(frame[~long_b])
    assert covers(whole.ratios.loc["adjusted"], "minutes", math.exp(EFFECT))
    assert finished.ratios.loc["adjusted", "minutes_upper"] < math.exp(EFFECT)
    assert whole.ratios.loc["adjusted", "unfinished"] == long_b.sum()


def test_slips_of_the_pen_hardly_move_it():
    clean, typed = (compared(simulated(4, 400, slips=share)) for share in (0.0, 0.03))
    moved = math.log(typed.ratios.loc["adjusted", "minutes_ratio"] / clean.ratios.loc["adjusted", "minutes_ratio"])
    se = clean.coefficients.loc["b", "standard_error"]
    assert abs(moved) < se


# -------------------------------------------------------------------------------------------------- invariants


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_other_way_round_is_the_inverse(seed):
    frame = simulated(seed, 120)
    there = compared(frame).ratios
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        back = head_to_head(frame, B, A).ratios
    np.testing.assert_allclose(there["minutes_ratio"] * back["minutes_ratio"], 1.0, rtol=1e-5)
    # Errors count the cases within Huber's bound, and one may lie on it.
    np.testing.assert_allclose(there["minutes_upper"] * back["minutes_lower"], 1.0, rtol=5e-3)


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.floats(0.5, 3.0))
def test_a_clock_that_runs_otherwise_changes_no_ratio(seed, factor):
    frame = simulated(seed, 120)
    same = compared(frame.assign(morcellation_min=frame["morcellation_min"] * factor))
    np.testing.assert_allclose(same.ratios["minutes_ratio"], compared(frame).ratios["minutes_ratio"], rtol=1e-5)


def test_same_input_and_seed_same_bits():
    frame = simulated(1)
    one, two = compared(frame), compared(frame)
    for name in ("ratios", "by_gland", "minutes", "efficiency", "balance", "coefficients"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name), check_exact=True)
    assert compared(frame, seed=2).minutes.loc["A", "upper"] != one.minutes.loc["A", "upper"]


def test_both_means_of_efficiency_are_named_and_differ():
    found = compared(simulated(2, 400, stopped=0.0)).efficiency
    frame = simulated(2, 400, stopped=0.0)
    side = frame[frame["blade"] == "oscillating"]
    recorded = found.loc["as recorded"]
    assert recorded.loc["mean of ratios", "b"] == pytest.approx((side["tissue_g"] / side["morcellation_min"]).mean())
    assert recorded.loc["ratio of means", "b"] == pytest.approx(side["tissue_g"].sum() / side["morcellation_min"].sum())
    assert (found.xs("mean of ratios", level="mean")["b"] > found.xs("ratio of means", level="mean")["b"]).all()


# ---------------------------------------------------------------------------------------------- what is told


def test_hardly_overlapping_groups_are_warned_of():
    frame = simulated(6, 300)
    big = frame["gland_ml"] > 85
    frame["blade"] = np.where(big, "oscillating", "reciprocating")
    frame.loc[frame.index[:6], "blade"] = "reciprocating"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        with pytest.warns(HeadToHeadWarning, match="hardly overlap"):
            found = head_to_head(frame, A, B)
    assert found.balance.loc["gland_ml", "far_apart"]
    assert found.in_common < 0.5
    assert "hardly overlap" in str(found)


def test_a_collection_of_its_own_is_told_and_not_adjusted_for():
    frame = simulated(6, 200)
    frame["canister_ml"] = np.where(frame["blade"] == "oscillating", np.inf, 2000.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        with pytest.warns(HeadToHeadWarning, match="collection cannot be told"):
            found = head_to_head(frame, A, B)
    assert "collection" in found.not_adjusted
    assert "collection" not in found.adjusted_for
    assert "its own collection" in str(found)


def test_one_collection_for_all_is_nothing_to_adjust_for():
    found = compared(simulated(6, 200).assign(canister_ml=2000.0))
    assert found.not_adjusted["collection"].startswith("alike in all cases")


def test_with_nothing_to_adjust_for_both_figures_are_one():
    found = compared(simulated(6, 200), adjust=[])
    pd.testing.assert_series_equal(found.ratios.loc["adjusted"], found.ratios.loc["unadjusted"], check_names=False)
    assert found.in_common == 1.0
    assert "adjusted for nothing" in str(found)


def test_missing_tissue_is_told_and_the_rest_still_used():
    frame = simulated(7, 300, blank_tissue=0.3, stopped=0.0)
    found = compared(frame)
    lost = int(frame["tissue_g"].isna().sum())
    assert found.excluded.loc["tissue not recorded"].sum() == lost
    counts = found.ratios[["cases_a", "cases_b"]].sum(axis=1)
    assert counts["without tissue"] - counts["adjusted"] == lost
    none = compared(frame.drop(columns="tissue_g"))
    assert none.not_adjusted["tissue"] == "no case has it recorded"
    assert none.efficiency.isna().all(axis=None)
    assert covers(none.ratios.loc["adjusted"], "minutes", math.exp(EFFECT))


def test_unfinished_cases_that_are_lost_are_warned_of():
    frame = simulated(7, 300, stopped=0.3)
    unfinished = frame["morcellation_outcome"] == "deferred"
    assert unfinished.sum() > 10
    frame["theatre_min"] = 150.0
    frame.loc[unfinished.to_numpy().nonzero()[0][:3], "morcellation_min"] = np.nan
    frame.loc[unfinished.to_numpy().nonzero()[0][3:5], "tissue_g"] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        with pytest.warns(HeadToHeadWarning, match="looks quicker than it is"):
            found = head_to_head(frame, A, B)
    assert found.excluded.loc["unfinished morcellation without minutes"].sum() == 3
    assert found.excluded.loc["unfinished, tissue not recorded"].sum() == 2


def test_every_case_of_the_two_is_counted_once():
    frame = simulated(9, 300, blank_tissue=0.1)
    frame.loc[frame.index[:7], "morcellation_min"] = np.nan
    frame["theatre_min"] = 150.0
    frame.loc[frame.index[10:14], "surgeon_case_no"] = np.nan
    frame.loc[frame.index[20:23], "suction"] = None
    found = compared(frame)
    assert found.excluded.loc["device not recorded", "a_or_b_or_neither"] == 3
    used = found.ratios.loc["adjusted", ["cases_a", "cases_b"]].sum()
    assert used + found.excluded.to_numpy().sum() == 300


def test_device_codes_can_be_compared():
    frame = simulated(10, 200)
    frame["device"] = np.where(frame["blade"] == "oscillating", "second", "first")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = head_to_head(frame, "first", "second")
    np.testing.assert_allclose(found.ratios["minutes_ratio"], compared(frame).ratios["minutes_ratio"], rtol=1e-12)


def test_outputs_carry_the_caution():
    found = compared(simulated(1))
    told = [found, found.non_inferiority(margin_ratio=1.1), found.with_published()]
    assert all(one.caution == lt.CAUTION and str(one).endswith(lt.CAUTION) for one in told)
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["caution"] == lt.CAUTION
    assert repr(found).startswith("<HeadToHead oscillating/vacuum against")


# -------------------------------------------------------------------------------------------- non-inferiority


def with_interval(low: float, middle: float, high: float) -> HeadToHead:
    found = compared(simulated(1))
    ratios = found.ratios.copy()
    ratios.loc["adjusted", ["minutes_ratio", "minutes_lower", "minutes_upper"]] = [middle, low, high]
    efficiency = found.efficiency.copy()
    row = ("at the unit's own mix", "mean of ratios")
    efficiency.loc[row, ["difference", "difference_lower", "difference_upper"]] = [-middle, -high, -low]
    return dataclasses.replace(found, ratios=ratios, efficiency=efficiency)


@pytest.mark.parametrize(
    ("interval", "verdict"),
    [
        ((0.7, 0.8, 0.9), "superior"),
        ((0.9, 1.0, 1.15), "non-inferior"),
        ((1.02, 1.1, 1.19), "non-inferior"),
        ((0.9, 1.1, 1.3), "not decided"),
        ((1.25, 1.4, 1.6), "inferior"),
    ],
)
def test_verdict_on_the_ratio(interval, verdict):
    assert with_interval(*interval).non_inferiority(margin_ratio=1.2).verdict == verdict


@pytest.mark.parametrize(
    ("interval", "verdict"),
    [
        ((-0.9, -0.4, -0.1), "superior"),
        ((-0.4, 0.1, 0.4), "non-inferior"),
        ((-0.4, 0.1, 0.6), "not decided"),
        ((0.6, 0.9, 1.2), "inferior"),
    ],
)
def test_verdict_on_grams_a_minute(interval, verdict):
    found = with_interval(*interval).non_inferiority(margin_g_min=0.5)
    assert found.verdict == verdict
    assert "given by the user" in str(found)


def test_a_margin_is_asked_for():
    found = compared(simulated(1))
    for margins in ({}, {"margin_ratio": 1.1, "margin_g_min": 0.5}):
        with pytest.raises(_core.InvalidArgument, match="give one margin"):
            found.non_inferiority(**margins)
    with pytest.raises(_core.InvalidArgument, match="above 1"):
        found.non_inferiority(margin_ratio=0.9)
    with pytest.raises(_core.InvalidArgument, match="above 0"):
        found.non_inferiority(margin_g_min=-0.5)
    with pytest.raises(_core.InvalidArgument, match="needs tissue"):
        compared(simulated(1), adjust=["gland", "surgeon"]).non_inferiority(margin_g_min=0.5)


# --------------------------------------------------------------------------------------------------- refusals


def test_all_wrong_arguments_are_named_at_once():
    with pytest.raises(_core.InvalidArgument) as refused:
        head_to_head(simulated(1), A, "second", adjust=["gland", "weather"], glands_ml=[-1], level=2)
    for word in ("both be classes", "weather", "glands_ml", "level"):
        assert word in str(refused.value)


def test_a_class_that_is_not_there_is_named():
    with pytest.raises(_core.InvalidArgument, match=r"no case with oscillating/wall.*reciprocating/vacuum"):
        head_to_head(simulated(1), A, "oscillating/wall")


def test_surgeons_with_a_device_each_cannot_be_adjusted_for():
    frame = simulated(1)
    frame["blade"] = np.where(frame["surgeon"] == "S1", "oscillating", "reciprocating")
    with pytest.raises(_core.NotIdentifiable, match="no surgeon used both"):
        compared(frame)
    assert compared(frame, adjust=["gland", "tissue"]).adjusted_for == ("gland", "tissue")


def test_too_few_cases_are_refused():
    frame = simulated(1, 60, confounded=False)
    few = pd.concat([frame[frame["blade"] == "oscillating"].head(3), frame[frame["blade"] == "reciprocating"]])
    with pytest.raises(_core.InvalidArgument, match=r"oscillating/vacuum: [0-3] finished cases"):
        compared(few)
    with pytest.raises(_core.InvalidArgument, match="adjust for less"):
        compared(simulated(2, 12, stopped=0.0).assign(blade=["oscillating", "reciprocating"] * 6))
