"""Weights, ranks, dominance and value of information: closed forms, invariants, and classes nothing is known of."""

from __future__ import annotations

import json

import matplotlib
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import lobetime as lt
from lobetime.devices import Criteria, Decision, compare_devices, decision_table, rank_display

matplotlib.use("Agg")

N = 8000
SCALE = {"efficiency": (100.0, 0.0), "cost": (100.0, 0.0)}


def criteria(unknown: set[tuple[str, str]] | None = None, **columns: dict[str, np.ndarray]) -> Criteria:
    draws = {name: pd.DataFrame(one) for name, one in columns.items()}
    minutes = draws["efficiency"]
    case_sd = pd.Series(10.0, index=minutes.columns)
    return Criteria(draws, unknown or set(), set(), minutes, case_sd)


def normals(seed: int, *means_and_sds: tuple[float, float]) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {chr(65 + k): rng.normal(m, s, N) for k, (m, s) in enumerate(means_and_sds)}


# ------------------------------------------------------------------------------------------------------------- ranks


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), options=st.integers(2, 5), alike=st.booleans())
def test_every_draw_gives_every_rank_once(seed: int, options: int, alike: bool) -> None:
    columns = normals(seed, *[(20.0 + k, 3.0) for k in range(options)])
    if alike:
        columns["B"] = columns["A"]
    found = decision_table(criteria(efficiency=columns, cost=normals(seed + 1, *[(50.0, 9.0)] * options)), None)
    table = found.acceptability
    np.testing.assert_allclose(table.sum(axis=0), 1.0)
    np.testing.assert_allclose(table.sum(axis=1), 1.0)
    np.testing.assert_allclose(found.pairwise + found.pairwise.T, 1.0)
    np.testing.assert_allclose(found.table["p_first"], table[1])


def test_with_one_criterion_the_first_is_the_fastest() -> None:
    columns = normals(1, (20.0, 3.0), (21.0, 3.0))
    found = decision_table(criteria(efficiency=columns), {"efficiency": 1.0}, scale={"efficiency": (60.0, 0.0)})
    assert found.table.loc["A", "p_first"] == pytest.approx((columns["A"] < columns["B"]).mean())
    # P(A < B) of two normals, se of 8,000 draws 0.006.
    assert found.table.loc["A", "p_first"] == pytest.approx(stats.norm.cdf(1.0 / np.hypot(3.0, 3.0)), abs=0.02)


def test_scores_are_the_weighted_sum_on_the_stated_scale() -> None:
    found = decision_table(
        criteria(
            efficiency={"A": np.full(N, 25.0), "B": np.full(N, 75.0)},
            service={"A": np.full(N, 2.0), "B": np.full(N, 9.0)},
        ),
        {"efficiency": 3, "service": 1},
        scale={"efficiency": (100.0, 0.0), "service": (0.0, 10.0)},
    )
    assert found.table.loc["A", "score"] == pytest.approx(0.75 * 0.75 + 0.25 * 0.2)
    assert found.table.loc["B", "score"] == pytest.approx(0.75 * 0.25 + 0.25 * 0.9)


# ----------------------------------------------------------------------------------------------------------- weights


def test_unsure_weights_have_the_stated_mean_and_spread() -> None:
    made = criteria(efficiency=normals(1, (20.0, 3.0), (21.0, 3.0)), cost=normals(2, (9.0, 1.0), (8.0, 1.0)))
    about = decision_table(made, {"efficiency": 3, "cost": 1}, concentration=24).weights
    assert about.mean(axis=0) == pytest.approx([0.75, 0.25], abs=0.005)
    assert about[:, 0].std() == pytest.approx(np.sqrt(0.75 * 0.25 / 25), rel=0.05)
    nothing = decision_table(made, None).weights
    assert stats.kstest(nothing[:, 0], "uniform").pvalue > 1e-4
    ranged = decision_table(made, {"efficiency": (1.0, 3.0), "cost": 1.0}).weights
    assert ranged[:, 0].min() >= 0.5
    assert ranged[:, 0].max() <= 0.75
    for weights in (about, nothing, ranged):
        np.testing.assert_allclose(weights.sum(axis=1), 1.0)


def test_every_problem_of_the_weights_is_told_at_once() -> None:
    made = criteria(efficiency=normals(1, (20.0, 3.0), (21.0, 3.0)), cost=normals(2, (9.0, 1.0), (8.0, 1.0)))
    with pytest.raises(lt.InvalidArgument) as refused:
        decision_table(
            made,
            {"efficiency": -1.0, "beauty": 2.0},
            concentration=-3,
            scale={"efficiency": (0.0, 1.0), "beauty": (1.0, 0.0)},
        )
    for part in ("weight of cost is missing", "'beauty'", "weight of efficiency", "concentration", "wrong way round"):
        assert part in str(refused.value)
    with pytest.raises(lt.InvalidArgument, match="above 0"):
        decision_table(made, {"efficiency": 0.0, "cost": 0.0})


# --------------------------------------------------------------------------------------------------------- dominance


def test_a_dominated_option_is_said_to_be_and_how_surely() -> None:
    columns = {
        "efficiency": normals(1, (20.0, 2.0), (24.0, 2.0), (10.0, 2.0)),
        "cost": normals(2, (50, 5), (60, 5), (90, 5)),
    }
    found = decision_table(criteria(**columns), {"efficiency": 1, "cost": 1})
    table = found.table
    assert table.loc["B", "dominated_by"] == "A"
    assert table.loc[["A", "C"], "dominated_by"].tolist() == ["", ""]
    expected = stats.norm.cdf(4 / np.hypot(2, 2)) * stats.norm.cdf(10 / np.hypot(5, 5))
    assert table.loc["B", "p_dominated"] == pytest.approx(expected, abs=0.02)
    assert "B is dominated by A" in str(found)


def test_nothing_is_said_to_be_dominated_where_something_is_unknown() -> None:
    columns = {"efficiency": normals(1, (20.0, 2.0), (24.0, 2.0)), "cost": normals(2, (50.0, 5.0), (60.0, 5.0))}
    found = decision_table(criteria({("B", "cost")}, **columns), {"efficiency": 1, "cost": 1})
    assert found.table.loc["B", "dominated_by"] == ""


# ----------------------------------------------------------------------------------------------- value of information


def loss(mean: float, sd: float) -> float:
    """E max(0, x) of a normal x, less max(0, mean)."""
    return float(mean * stats.norm.cdf(mean / sd) + sd * stats.norm.pdf(mean / sd) - max(mean, 0.0))


def test_information_agrees_with_the_closed_form() -> None:
    """Two options, independent normal criteria: E max of two normals, in score (0.5 of a criterion, 1 % a unit)."""
    made = criteria(efficiency=normals(1, (50.0, 6.0), (52.0, 8.0)), cost=normals(2, (60.0, 5.0), (56.0, 3.0)))
    found = decision_table(made, {"efficiency": 1, "cost": 1}, scale=SCALE)
    speed, price = np.hypot(6, 8) / 200, np.hypot(5, 3) / 200
    ahead = 0.5 * (50.0 - 52.0) / -100 + 0.5 * (60.0 - 56.0) / -100  # of A
    information = found.information
    # Four standard errors of the draws; the sample's own means move the gain as well.
    for name, sd in (("efficiency", speed), ("cost", price), ("everything", np.hypot(speed, price))):
        assert information.loc[name, "gain"] == pytest.approx(loss(ahead, sd), abs=4 * information.loc[name, "se"])
        assert loss(ahead, sd) > 4 * information.loc[name, "se"]
    assert information.loc["weights", "gain"] == 0.0  # they are fixed
    assert information.loc["everything", "gain"] >= information["gain"].max() - 1e-12


def test_what_cannot_change_the_choice_is_worth_nothing() -> None:
    made = criteria(efficiency=normals(1, (20.0, 1.0), (60.0, 1.0)), cost=normals(2, (50.0, 5.0), (50.0, 5.0)))
    found = decision_table(made, {"efficiency": 1, "cost": 1}, scale=SCALE)
    assert found.information["gain"].max() < 1e-4
    assert found.more_cases()["gain"].max() == pytest.approx(0.0, abs=1e-9)


def test_a_criterion_that_tells_of_another_is_worth_both() -> None:
    # Cost is twice the minutes: knowing one is knowing everything.
    minutes = normals(1, (40.0, 5.0), (41.0, 5.0))
    made = criteria(efficiency=minutes, cost={name: 2.0 * values for name, values in minutes.items()})
    scale = {"efficiency": (100.0, 0.0), "cost": (200.0, 0.0)}
    information = decision_table(made, {"efficiency": 1, "cost": 1}, scale=scale).information["gain"]
    assert information["efficiency"] == pytest.approx(information["everything"], rel=0.02)
    assert information["cost"] == pytest.approx(information["everything"], rel=0.02)


def test_more_cases_agree_with_the_closed_form_and_end_at_perfect_information() -> None:
    """Normal prior, normal sample of k: the gain is the loss integral of the preposterior SD (Raiffa and Schlaifer)."""
    minutes = normals(1, (50.0, 1e-9), (51.0, 6.0))
    found = decision_table(criteria(efficiency=minutes), {"efficiency": 1}, scale={"efficiency": (100.0, 0.0)})
    mean, sd = minutes["B"].mean() - 50.0, minutes["B"].std(ddof=1)
    for k in (1, 10, 100, 10**9):
        row = found.more_cases(k).loc["B"]
        preposterior = sd**2 / np.sqrt(sd**2 + 10.0**2 / k)
        assert row["gain_min"] == pytest.approx(loss(-mean, preposterior), abs=4 * 100 * row["se"])
        assert loss(-mean, preposterior) > 8 * 100 * row["se"]
        assert row["gain"] == pytest.approx(row["gain_min"] / 100, rel=1e-6)
        assert row["sd_then_min"] == pytest.approx(np.sqrt(max(sd**2 - preposterior**2, 0.0)), abs=1e-3)
    gains = [found.more_cases(k).loc["B", "gain"] for k in (1, 5, 20, 100)]
    assert gains == sorted(gains)
    assert found.more_cases().loc["A", "gain"] == pytest.approx(0.0, abs=1e-6)
    with pytest.raises(lt.InvalidArgument, match="whole number"):
        found.more_cases(0)


def test_more_cases_never_tell_more_than_knowing_all_even_of_a_class_nothing_is_known_of() -> None:
    """B's minutes lie far beyond the scale's ends: a value ends there, so what is learnt beyond it is worth nothing."""
    minutes = normals(1, (19.0, 0.5), (27.0, 12.0))
    made = criteria(efficiency=minutes, cost=normals(2, (50.0, 5.0), (80.0, 5.0)))
    scale = {"efficiency": (22.0, 18.0), "cost": (100.0, 0.0)}
    found = decision_table(made, {"efficiency": 3, "cost": 1}, scale=scale)
    all_known = found.information.loc["everything"]
    assert all_known["gain"] > 0.01
    for k in (1, 10, 10**9):
        row = found.more_cases(k).loc["B"]
        assert row["gain"] <= all_known["gain"] + 2 * all_known["se"]
    assert found.more_cases(10**9).loc["B", "gain"] > 0.3 * all_known["gain"]  # A and the costs are the rest


# ------------------------------------------------------------------------------ from a comparison, with unknown classes


CLASSES = ["reciprocating/vacuum", "oscillating/vacuum", "oscillating/wall"]


@pytest.fixture(scope="module")
def comparison(model: lt.TheatreTimeModel, cases: lt.Cases):  # type: ignore[no-untyped-def]
    return compare_devices(model, cases.frame.iloc[::10].reset_index(drop=True), CLASSES, ["drain"], draws=1000)


def rates(n: int) -> dict[str, dict[str, np.ndarray]]:
    rng = np.random.default_rng(1)
    return {
        "wall_injury": {
            CLASSES[0]: rng.beta(11, 189, n),
            CLASSES[1]: rng.beta(2.4, 197.6, n),
            CLASSES[2]: np.full(n, np.nan),
        },
        "malfunction": {CLASSES[0]: rng.beta(1.2, 198.8, n), CLASSES[1]: rng.beta(4.4, 195.6, n)},
    }


def test_an_unknown_chance_is_the_widest_and_never_first_with_confidence(comparison) -> None:  # type: ignore[no-untyped-def]
    made = Criteria.of(comparison, safety=rates(1000), service={CLASSES[0]: 5, CLASSES[1]: (6, 8), CLASSES[2]: None})
    wall = f"{CLASSES[2]}, continuous drain"
    assert {c for name, c in made.unknown if name == wall} == {"efficiency", "wall_injury", "malfunction", "service"}
    for event in ("wall_injury", "malfunction"):
        spread = np.log(made.draws[event].quantile(0.95) / made.draws[event].quantile(0.05))
        assert spread.idxmax() == wall
    # Even weighed by what it would be best at, and were it always first.
    for weights in ({"efficiency": 1, "wall_injury": 0, "malfunction": 0, "service": 0}, None):
        table = decision_table(made, weights).table
        assert not table.loc[wall, "first_with_confidence"]
        assert "wall_injury" in table.loc[wall, "unknown"]


def test_an_option_that_is_always_first_but_unknown_is_not_first_with_confidence() -> None:
    columns = normals(1, (10.0, 0.1), (50.0, 0.1))
    sure = decision_table(criteria(efficiency=columns), {"efficiency": 1})
    assert sure.table.loc["A", "first_with_confidence"]
    made = criteria({("A", "efficiency")}, efficiency=columns)
    unknown = decision_table(made, {"efficiency": 1}, scale={"efficiency": (100.0, 0.0)})
    assert unknown.table.loc["A", "p_first"] == 1.0
    assert not unknown.table.loc["A", "first_with_confidence"]
    assert "No option is first with confidence" in str(unknown)


def test_what_was_never_tried_is_not_first_with_confidence(model: lt.TheatreTimeModel, cases: lt.Cases) -> None:
    """The demo unit used canisters alone: a drain's minutes come from other collections (as in the comparison)."""
    found = compare_devices(model, cases, CLASSES[:2], [2000, "drain"], draws=300)
    table = decision_table(Criteria.of(found), {"efficiency": 1}).table
    drain = table.loc["oscillating/vacuum, continuous drain"]
    assert drain["p_first"] > 0.9
    assert not drain["first_with_confidence"]
    assert "not from cases so collected" in " ".join(decision_table(Criteria.of(found), {"efficiency": 1}).words())
    tried = [name for name in found.options.index if "2000" in name]
    table = decision_table(Criteria.of(found, options=tried), {"efficiency": 1}).table
    assert table.loc["oscillating/vacuum, 2000 mL", "first_with_confidence"]


def test_what_all_options_share_is_not_in_efficiency(comparison) -> None:  # type: ignore[no-untyped-def]
    made = Criteria.of(comparison)
    assert made.draws["efficiency"][comparison.reference].std() == pytest.approx(0.0, abs=1e-9)
    a, b = f"{CLASSES[0]}, continuous drain", f"{CLASSES[1]}, continuous drain"
    shared = comparison.draws["morcellation_min"]
    difference = made.draws["efficiency"][a] - made.draws["efficiency"][b]
    np.testing.assert_allclose(difference, shared[a] - shared[b], atol=1e-9)


def test_every_problem_of_the_criteria_is_told_at_once(comparison) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(lt.InvalidArgument) as refused:
        Criteria.of(comparison, service={"steam": 3, CLASSES[0]: 11}, options=["steam, drain"])
    for part in ("'steam, drain'", "two or more", "'steam'", "0 to 10"):
        assert part in str(refused.value)
    with pytest.raises(lt.InvalidArgument, match=r"\[0, 1\]"):
        Criteria.of(comparison, safety={"wall_injury": {CLASSES[0]: np.full(1000, 1.5)}})


def test_text_json_and_picture(comparison) -> None:  # type: ignore[no-untyped-def]
    from matplotlib import pyplot

    made = Criteria.of(comparison, safety=rates(1000))
    found: Decision = decision_table(made, {"efficiency": 2, "wall_injury": 2, "malfunction": 1}, concentration=20)
    assert str(found).endswith(lt.CAUTION)
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["caution"] == lt.CAUTION
    again = decision_table(made, {"efficiency": 2, "wall_injury": 2, "malfunction": 1}, concentration=20)
    assert json.dumps(again.to_dict()) == json.dumps(found.to_dict())
    drawn = rank_display(found).plot()
    shown = [label.get_text() for label in drawn.ax_.get_yticklabels()]
    assert sorted(shown) == sorted(f"{name} *" for name in made.options)  # no case of the unit had a drain
    hatches = [patch.get_hatch() for patch in drawn.ax_.patches]
    assert "////" in hatches  # neighbouring ranks differ by more than a shade
    assert "never first with confidence" in drawn.ax_.get_xlabel()
    pyplot.close(drawn.figure_)
